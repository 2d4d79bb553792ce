// One key sends the place in focus back to review.
"use strict";
document.addEventListener("keydown", (event) => {
  if (event.key.toLowerCase() !== "b" || event.ctrlKey || event.metaKey || event.altKey) return;
  const button = event.target.closest("article")?.querySelector("[data-back]");
  if (button) { event.preventDefault(); button.click(); }
});
