// The review page: loads what stands, sends each answer as an entry, and draws what came of it at once.
import { addDraft, editOf, insertCorner, moveCorner, outlineDraft, referenceDraft, removeCorner, splitDraft, stepCorner } from "./review_draft.js";
import { fieldsOf, howTo, lackingIn, nameOfKey, openWords } from "./review_draft_form.js";
import { fillWire, lengthOf, lengthsOf, numberOf, wireOf } from "./review_typed.js";
import { answersOf, askBeforeSigning, drawDecision, drawEnds, drawEntries, drawQuestions, drawWires, LABELS, onSubmit, tag, unsentAnswers } from "./review_panel.js";
import { drawPlaces } from "./review_places.js";
import { LeftOpen } from "./review_left_open.js";
import { Stage } from "./review_stage.js";

const bench = document.getElementById("bench");
const address = `/api/v1/assemblies/${bench.dataset.assembly}/review`;
const token = document.querySelector("meta[name=form-token]")?.content ?? "";
const notice = document.getElementById("notice");
const wireForm = document.getElementById("wire");
const draftForm = document.getElementById("draft");
const LAYERS = ["regions", "wires", "distances", "coverings", "terminations", "splices"];
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const stages = new Map();
const leftOpen = new LeftOpen(() => ask("/order"));
let state, chosen, draft, draftOn, busy = false;
let onItsWay = Promise.resolve();

function tell(text, bad = false) {
  document.getElementById("said").textContent = text;
  notice.replaceChildren(...(bad ? [tag("p", { class: "note stop" }, tag("strong", {}, "Not done. "), text)] : []));
}

// what was said of a drawing holds no longer once that is changed or gone
function quiet() {
  notice.replaceChildren();
}

async function ask(path, body) {
  const answer = await fetch(address + path, body && {
    method: "POST", headers: { "Content-Type": "application/json", "X-Form-Token": token }, body: JSON.stringify(body),
  });
  const found = await answer.json();
  if (!answer.ok) throw new Error(found.error ?? "the desk gave no answer");
  return found;
}

function put(edit, done) {
  if (busy) return Promise.resolve(false);
  busy = true;
  onItsWay = send(edit, done);
  return onItsWay;
}

async function send(edit, done) {
  try {
    const before = state.decision.route_words;
    const found = await ask("/entries", { based_on: state.newest, edit });
    take(found);
    const route = before === found.decision.route_words ? `route as before, ${before}` : `route was ${before}, now ${found.decision.route_words}`;
    tell(`${done}; ${route}`);
    if (found.conflicting) {
      tell(`Entry ${found.entry} is kept, but somebody else had answered meanwhile: both versions stand under "On record"; let one count.`, true);
    }
    return true;
  } catch (error) {
    tell(error instanceof TypeError ? "no connection to the desk: nothing was sent, try again" : error.message, true);
    return false;
  } finally {
    busy = false;
  }
}

function take(found) {
  state = found;
  for (const [sha, stage] of stages) {
    if (photoOf(sha)) continue; // taken back at intake since the page was opened
    stage.root.remove();
    stages.delete(sha);
  }
  const all = places();
  if (!all.some((p) => chosen && p.photo === chosen.photo && p.region === chosen.region)) chosen = all[0];
  for (const photo of state.photos) {
    if (!stages.has(photo.sha256)) {
      const stage = new Stage(photo, LAYERS, { choose: (on, region) => choose(on.photo.sha256, region), grab, click });
      stages.set(photo.sha256, stage);
      document.getElementById("photos").append(stage.root);
    }
  }
  document.getElementById("photos").classList.toggle("several", stages.size > 1);
  draw();
}

function draw() {
  for (const photo of state.photos) {
    const here = chosen && chosen.photo === photo.sha256 ? chosen.region : null;
    stages.get(photo.sha256).draw(photo, here, draftOn === photo.sha256 ? draft : null);
    stages.get(photo.sha256).view.classList.toggle("drawing", draftOn === photo.sha256);
  }
  drawPlaces(state, chosen, act);
  drawDecision(state);
  drawQuestions(state, act);
  drawWires(state, act);
  drawEnds(state);
  drawEntries(state, act);
  leftOpen.say(state.newest);
  for (const name of ["undo", "redo"]) document.querySelector(`[data-act=${name}]`).disabled = !state[name];
  for (const name of ["outline", "split", "delete"]) document.querySelector(`[data-act=${name}]`).disabled = !chosen;
}

const places = () => state.photos.flatMap((photo) => photo.regions.map((r) => ({ photo: photo.sha256, region: r.id })));
const photoOf = (sha) => state.photos.find((photo) => photo.sha256 === sha);
const regionOf = ({ photo, region }) => photoOf(photo).regions.find((r) => r.id === region);

function choose(photo, region, focus = false) {
  if (draft) return;
  chosen = { photo, region };
  draw();
  stages.get(photo).root.scrollIntoView({ block: "nearest", inline: "nearest" });
  stages.get(photo).show(regionOf(chosen).rings);
  const found = regionOf(chosen);
  document.getElementById("said").textContent = `${found.name}: ${found.words}${found.unsure ? ", unsure" : ""}, long ${found.length}`;
  if (focus) document.querySelector(`[data-place="${photo}:${region}"]`).focus();
}

function step(by) {
  const all = places();
  if (!all.length) return;
  const now = all.findIndex((p) => chosen && p.photo === chosen.photo && p.region === chosen.region);
  const next = all[(now + by + all.length) % all.length];
  choose(next.photo, next.region, true);
}

const ALL_JUDGED = "; every place is judged, look at the answer and sign off";

// on to the next place that nobody judged, in this photograph or another one
function onward() {
  const all = places();
  const now = all.findIndex((p) => chosen && p.photo === chosen.photo && p.region === chosen.region);
  const next = [...all.slice(now + 1), ...all.slice(0, now + 1)].find((p) => !regionOf(p).judged);
  if (next) choose(next.photo, next.region, true);
  else if (!document.getElementById("said").textContent.endsWith(ALL_JUDGED)) document.getElementById("said").textContent += ALL_JUDGED;
}

// sends what a form makes, or says what cannot be read in it
function typedIn(make, done) {
  try {
    return put(make(), done);
  } catch (error) {
    return tell(error.message, true);
  }
}

function newName() {
  const taken = new Set(state.photos.flatMap((photo) => photo.regions.map((r) => r.id)));
  let n = 1;
  while (taken.has(`a${n}`)) n += 1;
  return `a${n}`;
}

function begin(made, photo) {
  [draft, draftOn] = [made, photo];
  stages.get(photo).whole(false); // what is asked beside the photograph would be hidden
  stages.get(photo).root.scrollIntoView({ block: "nearest", inline: "nearest" });
  quiet();
  const [say, fields] = [howTo(made), fieldsOf(made, state.unit)];
  draftForm.replaceChildren(tag("p", {}, say), tag("div", { class: "row" }, ...fields,
    tag("button", { class: "button main" }, tag("kbd", {}, "Enter"), " Keep"),
    tag("button", { type: "button", class: "button", click: giveUp }, tag("kbd", {}, "Esc"), " Leave"),
    ...(made.line ? [] : [cornerButton("I", "New corner", insertCorner), cornerButton("Del", "Remove corner", removeCorner)])));
  draftForm.hidden = false;
  draftForm.scrollIntoView({ block: "nearest" });
  document.getElementById("said").textContent = `${say} N and P choose a corner, arrow keys move it, Enter keeps, Escape leaves.`;
  draw();
  if (fields.length) draftForm.querySelector("select,input").focus();
  else if (document.activeElement !== document.body) document.activeElement.blur();
}

function cornerButton(key, words, change) {
  const click = () => {
    change(draft);
    quiet();
    stages.get(draftOn).draw();
  };
  return tag("button", { type: "button", class: "button", click }, tag("kbd", {}, key), ` ${words}`);
}

function leave() {
  [draft, draftOn] = [null, null];
  draftForm.hidden = true;
  quiet();
  draw();
}

// what the drawing asked for does not stay in the line that says what was done
function giveUp() {
  leave();
  document.getElementById("said").textContent = "drawing left; nothing was changed";
}

// a new place is named by its number, whether its list is in hand or its corners are; the corners are in hand then.
// Enter keeps it from the list, too, which it would open otherwise
function named(event) {
  if (event.key === "Enter" && event.target === draftForm.elements.label) {
    keep();
    return true;
  }
  const name = draft.kind === "add" && nameOfKey(event.key);
  if (!name) return false;
  const list = draftForm.elements.label;
  list.value = name.value;
  list.blur();
  quiet();
  document.getElementById("said").textContent = `${draft.region} is ${name.words}. Enter keeps it.`;
  return true;
}

async function keep() {
  const lacking = lackingIn(draft, new FormData(draftForm));
  if (lacking) {
    tell(lacking, true);
    return draftForm.querySelector("select")?.focus({ preventScroll: true }); // what was said stays in view
  }
  const name = { add: draft.region, split: draft.of, redraw: draft.region }[draft.kind];
  const [photo, edit] = [draftOn, editOf(draft, draftOn, new FormData(draftForm))];
  const held = [draft, draftOn];
  [draft, draftOn] = [null, null];
  if (await put(edit, name ? `${name} kept` : "scale kept")) {
    draftForm.hidden = true;
    if (name) choose(photo, name);
  } else {
    [draft, draftOn] = held;
    draw();
  }
  return undefined;
}

function grab(stage, event, ring, corner) {
  event.stopPropagation();
  event.preventDefault();
  [draft.ring, draft.corner] = [ring, corner];
  const move = (moving) => {
    draft.rings[ring][corner] = stage.at(moving);
    stage.draw();
  };
  const end = () => {
    quiet(); // not before: the picture moves up as the line goes
    removeEventListener("pointermove", move);
    removeEventListener("pointerup", end);
    removeEventListener("pointercancel", end);
  };
  addEventListener("pointermove", move);
  addEventListener("pointerup", end);
  addEventListener("pointercancel", end);
}

function click(stage, point) {
  if (draft?.kind !== "reference" || draftOn !== stage.photo.sha256 || draft.rings[0].length > 1) return;
  draft.corner = draft.rings[0].push(point) - 1;
  quiet();
  stage.draw();
}

const act = {
  choose,
  relabel: (label) => chosen && put({ kind: "relabel", ...chosen, label }, `${regionOf(chosen).name} named ${label.replaceAll("_", " ")}`),
  confirm: async () => {
    if (!chosen) return;
    const { unsure, novel, label, name, judged } = regionOf(chosen);
    // where the model is unsure, a person's word is what names the damage
    const edit = unsure && !novel && label ? { kind: "relabel", ...chosen, label } : { kind: "confirm", ...chosen };
    if (judged || (await put(edit, `${name} confirmed`))) onward();
  },
  typed: (field, text) => typedIn(() => ({ kind: "typed", ...chosen, field, value: lengthOf(text, state.unit) }), "measure kept"),
  count: (text) => typedIn(() => ({ kind: "count_wires", ...chosen, wires: numberOf(text, "how many wires") }), "count kept"),
  wire: async (form) => {
    const made = () => {
      const wire = wireOf(form, state.unit);
      // only the API can lay a wire's start along the branch: put right here, it stays where it was laid
      const before = state.wires.find((one) => one.id === wire.id);
      return { kind: "measure_wire", wire: before ? { ...wire, offset_mm: before.noted.offset_mm } : wire };
    };
    if (await typedIn(made, "wire kept")) wireForm.reset();
  },
  again: (wire) => {
    fillWire(wireForm, wire.noted, state.unit);
    wireForm.elements.before_mm.focus();
  },
  end: (form) => {
    const { photo, end, name } = state.ends.find((one) => `${one.photo}:${one.end}` === form.get("end"));
    return put({ kind: "name_end", photo, end, connector: form.get("connector") }, `${name} is ${form.get("connector")}`);
  },
  branches: (form) => typedIn(() => ({ kind: "branches", at_mm: lengthsOf(form.get("at_mm"), state.unit) }), "branches kept"),
  answer: (questions, form) => typedIn(() => {
    const answers = answersOf(questions, form, state.unit);
    if (!Object.keys(answers).length) throw new TypeError("expected an answer, got nothing: choose or type one");
    return { kind: "answer", answers };
  }, "answered"),
  same: (side, place, of) => put({ kind: "answer", answers: { [side]: { [place]: of } } }, "another view of the same place"),
  settle: (entry, kept) => put({ kind: "settle", entry, keep: kept }, "conflict settled"),
  outline: () => {
    if (!chosen) return;
    const stage = stages.get(chosen.photo);
    stage.show(regionOf(chosen).rings);
    begin(outlineDraft(regionOf(chosen), stage.scale), chosen.photo);
  },
  add: () => {
    const photo = chosen?.photo ?? state.photos[0].sha256;
    begin(addDraft(stages.get(photo), newName()), photo);
  },
  split: () => {
    if (!chosen) return;
    stages.get(chosen.photo).show(regionOf(chosen).rings);
    begin(splitDraft(regionOf(chosen), newName()), chosen.photo);
  },
  delete: () => chosen && put({ kind: "delete", ...chosen }, `${chosen.region} deleted`),
  reference: () => begin(referenceDraft(), chosen?.photo ?? state.photos[0].sha256),
  undo: () => state.undo && put({ kind: "withdraw", entry: state.undo }, "taken back"),
  redo: () => state.redo && put({ kind: "withdraw", entry: state.redo }, "counts again"),
  "sign-off": async () => {
    await onItsWay; // what was just answered is part of what is signed
    if (draft) return tell(`${openWords(draft)}: keep it or leave it first`, true);
    const unsent = unsentAnswers(state);
    if (!unsent.length && !state.unjudged.length && !state.decision.contradicted.length && !state.still_open.length) return signOff([], []);
    return askBeforeSigning(state, unsent, { look, stand: signOff, send: sendAll });
  },
};

// each as if its own button had been pressed, an entry for each; the first that cannot be read or is refused ends it
async function sendAll() {
  for (const { ask } of unsentAnswers(state)) {
    const one = unsentAnswers(state).find((other) => other.ask === ask); // every answer draws the questions anew
    if (one && !(await act.answer([one.question], new FormData(one.form)))) return;
  }
  await act["sign-off"]();
}

async function signOff(unlooked, despite) {
  try {
    await ask("/sign-off", { based_on: state.newest, unlooked, despite });
    location.assign(`/assemblies/${bench.dataset.assembly}`);
  } catch (error) {
    tell(error.message, true);
  }
}

// without a place: at what the photographs contradict, or the open questions
function look(place) {
  if (!place) return document.getElementById(state.decision.contradicted.length ? "contradicted" : "h-questions").focus();
  const [photo, region] = place.split(":");
  return choose(photo, region, true);
}

function draftKey(event) {
  const stage = stages.get(draftOn);
  const far = (event.shiftKey ? 10 : 1) / Math.min(1, stage.scale);
  if (ARROWS[event.key]) moveCorner(draft, ...ARROWS[event.key].map((v) => v * far));
  else if (event.key === "n") stepCorner(draft, 1);
  else if (event.key === "p") stepCorner(draft, -1);
  else if (event.key === "i") insertCorner(draft);
  else if (event.key === "Delete" || event.key === "Backspace") removeCorner(draft);
  else if (event.key === "Enter") keep();
  else return false;
  if (draft) {
    const at = draft.rings[draft.ring][draft.corner];
    if (!["n", "p"].includes(event.key)) quiet();
    if (at) document.getElementById("said").textContent = `corner ${draft.corner + 1} at ${Math.round(at[0])}, ${Math.round(at[1])}`;
    stage.draw();
  }
  return true;
}

const KEYS = {
  j: () => step(1), k: () => step(-1), Enter: act.confirm, e: act.outline, a: act.add, s: act.split, x: act.delete,
  Delete: act.delete, r: act.reference, u: act.undo, y: act.redo,
  "+": () => stages.get(chosen?.photo ?? state.photos[0].sha256).zoom(1.3),
  "-": () => stages.get(chosen?.photo ?? state.photos[0].sha256).zoom(1 / 1.3),
  f: () => stages.get(chosen?.photo ?? state.photos[0].sha256).whole(),
  0: () => stages.get(chosen?.photo ?? state.photos[0].sha256).fit(),
};

addEventListener("keydown", (event) => {
  if (!state || document.querySelector("dialog[open]")) return;
  if (event.key === "Escape" && draft) return giveUp();
  const on = event.target;
  const typing = on.closest("input:not([type=checkbox]),select,textarea");
  const inPlace = on.closest("[data-place]") || on === document.body || on.id === "main";
  const plain = !(event.ctrlKey || event.metaKey || event.altKey);
  if (draft && plain && (!typing || draftForm.contains(on)) && named(event)) return event.preventDefault();
  // a list sends its form as a field with a number does; Space and arrow keys open it
  if (plain && event.key === "Enter" && on.matches("select") && on.form) {
    event.preventDefault();
    return on.form.requestSubmit();
  }
  if (typing || (event.key === "Enter" && !inPlace)) return undefined;
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (!plain) {
    if (key !== "z" || draft) return undefined;
    event.preventDefault();
    return event.shiftKey ? act.redo() : act.undo();
  }
  if (draft) {
    if (draftKey({ ...pick(event), key })) event.preventDefault();
    return undefined;
  }
  const label = LABELS[Number(key) - 1];
  const found = label && chosen ? () => act.relabel(label[0]) : KEYS[key];
  if (!found) return undefined;
  event.preventDefault();
  return found();
});

const pick = ({ shiftKey }) => ({ shiftKey });

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-act]");
  if (button && state && !(draft && button.dataset.act !== "sign-off")) act[button.dataset.act]();
});
onSubmit(wireForm, act.wire);
// a wire noted before is put right, not begun anew: what its form does not hold would be lost
wireForm.elements.id.addEventListener("change", ({ target }) => {
  const known = state.wires.find((wire) => wire.id === target.value.trim());
  if (known) act.again(known);
});
onSubmit(document.getElementById("branches"), act.branches);
onSubmit(document.getElementById("end-named"), act.end);
draftForm.addEventListener("change", quiet);
draftForm.addEventListener("submit", (event) => {
  event.preventDefault();
  if (draft) keep();
});

try {
  take(await ask(""));
  if (chosen) stages.get(chosen.photo).fit();
} catch (error) {
  tell(error.message, true);
}
