// The places of damage: their list, and what is said of the chosen one.
import { by, LABELS, onSubmit, SHOWN, tag } from "./review_panel.js";

export function drawPlaces(state, chosen, act) {
  const all = state.photos.flatMap((photo) => photo.regions.map((region) => ({ photo, region })));
  const done = all.filter((one) => one.region.judged).length;
  by("progress").textContent = all.length ? `${done} of ${all.length} judged` : "none found";
  by("places").replaceChildren(...all.map(({ photo, region }) => {
    const here = chosen && chosen.photo === photo.sha256 && chosen.region === region.id;
    const sure = region.judged ? "✓ judged" : region.unsure || region.novel ? "? unsure" : "not judged";
    return tag("li", {}, tag("button", {
      type: "button", "data-place": `${photo.sha256}:${region.id}`, "aria-current": here ? "true" : null,
      click: () => act.choose(photo.sha256, region.id),
    }, tag("strong", {}, `${region.name} ${region.words}`), tag("span", { class: "soft" }, sure),
    tag("span", { class: "soft" }, `${photo.face} · ${region.same?.of ? `another view of ${region.same.of}` : `long ${region.length} · wires ${region.wires}`}`)));
  }));
  by("seen-twice").replaceChildren(...seenTwice(state));
  const found = all.find((one) => chosen && one.photo.sha256 === chosen.photo && one.region.id === chosen.region);
  by("place").replaceChildren(...(found ? placeForm(found.region, state.unit, act, done === all.length) : []));
}

// places that may be one damage in two photographs, and why the desk could not tell
function seenTwice(state) {
  const alone = state.photos.filter((photo) => photo.not_joined);
  const why = alone.length ? [tag("details", {}, tag("summary", {}, "Why photographs were not joined"), tag("ul", {}, ...alone.map((photo) => tag("li", {}, tag("strong", {}, photo.name), `: ${photo.not_joined}`))))] : [];
  if (!state.perhaps_one.length) return why;
  const pairs = state.perhaps_one.slice(0, SHOWN).map(([one, other]) => tag("li", {}, `${one} and ${other}`));
  const more = state.perhaps_one.length - SHOWN;
  return [tag("div", { class: "note open" }, tag("strong", {}, "Perhaps one place seen twice"),
    tag("ul", {}, ...pairs, ...(more > 0 ? [tag("li", {}, `and ${more} more ${more > 1 ? "pairs" : "pair"}`)] : [])),
    "Choose the one that shows less, and say which place it is; else each is counted and repaired."), ...why];
}

// of which place of another photograph this one is another view: it is counted, asked about and planned there
function otherView(region, act) {
  const { same } = region;
  if (!same?.others.length && !same?.of) return [];
  if (same.of) return [tag("p", { class: "note" }, `Another view of ${same.of}${same.other_side ? ", from its other side" : ""}: counted, asked about and planned there.`)];
  if (same.viewed) return [tag("p", { class: "soft" }, "Other photographs show this place, too.")];
  const place = tag("select", { name: "of", "aria-label": `the place that ${region.name} is` }, ...same.others.map((one) => tag("option", { value: one.ref }, one.name)));
  const side = tag("select", { name: "side", "aria-label": "seen from" }, tag("option", { value: "same_place" }, "same side"), tag("option", { value: "other_side" }, "other side"));
  const form = tag("form", { class: "row", id: "same-place" }, tag("label", {}, "same place as ", place), side, tag("button", { class: "button" }, "Keep"));
  onSubmit(form, (given) => act.same(given.get("side"), same.ref, given.get("of")));
  const known = same.recognised.length ? [tag("p", { class: "soft" }, `Recognised as one with ${same.recognised.join(", ")}: counted once.`)] : [];
  return [...known, form];
}

function placeForm(region, unit, act, allJudged) {
  const names = LABELS.map(([name, words], i) => tag("button", {
    type: "button", class: "button", "data-label": name, "aria-pressed": String(region.label === name),
    "aria-keyshortcuts": i < 9 ? String(i + 1) : null, click: () => act.relabel(name),
  }, ...(i < 9 ? [tag("kbd", {}, String(i + 1))] : []), ` ${words}`));
  const nameless = region.novel || !region.label;
  const says = region.judged ? "on to the next place" : region.unsure ? `${region.name} is ${region.words}` : `${region.name} is right as shown`;
  // no button that leads to a next place where none is left to judge
  const confirm = allJudged ? tag("p", { class: "note go" }, "Every place is judged: look at the answer and sign off.") : nameless ? tag("p", { class: "note" }, `${region.name}: name it, or delete it`)
    : tag("button", { type: "button", class: "button main big", "aria-keyshortcuts": "Enter", click: act.confirm }, tag("kbd", {}, "Enter"), ` ${says}`);
  const under = region.under_covering ? [tag("p", { class: "note" }, "Runs on under a covering: open it.")] : [];
  const unsure = region.candidates.length ? [tag("p", { class: "soft" }, `cannot be told apart: ${region.candidates.map((c) => c.replaceAll("_", " ")).join(", ")}`)] : [];
  return [confirm, ...unsure, tag("div", { class: "names", role: "group", "aria-label": `damage at ${region.name}` }, ...names), ...under, ...otherView(region, act), ...byHand(region, unit, act)];
}

// what was measured or counted at the bench stands in the place of what the photograph gave
function byHand(region, unit, act) {
  const measures = [["to_termination_mm", "to the nearest terminal", region.to_termination], ["length_mm", "length", region.length], ["exposed_copper_mm", "bare copper", region.copper]];
  const choice = tag("select", { name: "field", "aria-label": "what was measured" }, ...measures.map(([value, words, now]) => tag("option", { value }, `${words}: ${now}`)));
  const typed = tag("form", { class: "row" }, choice, tag("label", {}, "by ruler ", tag("input", {
    name: "value", inputmode: "decimal", required: true, "aria-label": `by ruler, ${unit}`,
  }), unit), tag("button", { class: "button" }, "Keep"));
  const count = tag("form", { class: "row" }, tag("label", {}, `wires damaged: ${region.wires}; counted `, tag("input", {
    name: "wires", inputmode: "numeric", required: true, "aria-label": "wires damaged here, counted by hand",
  })), tag("button", { class: "button" }, "Keep"));
  onSubmit(typed, (form) => act.typed(form.get("field"), form.get("value")));
  onSubmit(count, (form) => act.count(form.get("wires")));
  return [typed, count, ...bands(region)];
}

function bands(region) {
  if (!region.bands.length) return [];
  return [tag("details", {}, tag("summary", {}, "Where each ± comes from"), tag("ul", {},
    ...region.bands.map((one) => tag("li", {}, tag("strong", {}, one.name), ` ${one.says}: ${one.sources}`))))];
}
