// While the vehicle is typed: says whether it was here before.
const field = document.querySelector('input[name="vehicle"]');
const place = document.getElementById("earlier");
let timer = 0;
let asked = "";

async function look() {
  const vehicle = field.value.trim();
  if (vehicle === asked) return;
  asked = vehicle;
  if (!vehicle) {
    place.replaceChildren();
    return;
  }
  try {
    const answer = await fetch(`/intake/earlier?vehicle=${encodeURIComponent(vehicle)}`);
    if (answer.ok && field.value.trim() === vehicle) place.innerHTML = await answer.text(); // escaped by the desk
  } catch {
    asked = ""; // no connection: asked again at the next change
  }
}

if (field && place && document.querySelector('form[action="/intake"]')) {
  field.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(look, 350);
  });
  field.addEventListener("change", look);
}
