// While photographs are being assessed, asks every two seconds and shows the answer when it is there.
const waits = document.querySelector("[data-wait]");

async function look() {
  try {
    const answer = await fetch(`/api/v1${location.pathname.replace(/\/closing$/, "")}`);
    if (answer.ok) {
      const state = await answer.json();
      const busy = state.photographs.some((p) => p.assessment === "queued" || p.assessment === "running");
      if (!busy) {
        location.reload();
        return;
      }
    }
  } catch {
    // no connection at the moment: asked again
  }
  setTimeout(look, 2000);
}

if (waits) setTimeout(look, 1500);
