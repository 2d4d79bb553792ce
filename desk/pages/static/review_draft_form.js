// What is asked beside a drawing that is open, and what is said of it.
import { LABELS, tag } from "./review_panel.js";

const HOW_TO = {
  redraw: (draft) => `Outline of ${draft.region}: drag its corners, then keep it.`,
  add: (draft) => `New place ${draft.region}: drag its corners round the damage and name it, from the list or by its number.`,
  split: (draft) => `Cut ${draft.of} along the line; drag its ends.`,
  reference: () => "Click both ends of something of known length.",
};
const OPEN = {
  redraw: "an outline is being changed", add: "a place is being drawn", split: "a place is being cut in two",
  reference: "a known length is being marked",
};
// nobody adds a place to say that it is sound
const NAMES = LABELS.map(([value, words], i) => ({ value, words, key: i < 9 ? String(i + 1) : "" })).filter(({ value }) => value !== "sound");

export const howTo = (draft) => HOW_TO[draft.kind](draft);

export const openWords = (draft) => OPEN[draft.kind];

export const nameOfKey = (key) => NAMES.find((name) => name.key && name.key === key);

export function fieldsOf(draft, unit) {
  if (draft.kind === "add") return [tag("label", {}, "damage ", nameList())];
  if (draft.kind !== "reference") return [];
  const length = tag("input", { name: "length", inputmode: "decimal", required: true, size: "7" });
  return [tag("label", {}, "length ", length, unit), tag("input", { type: "hidden", name: "unit", value: unit })];
}

// no name is chosen before a person chooses one: what is kept here counts as judged
function nameList() {
  const names = NAMES.map(({ value, words, key }) => tag("option", { value }, key ? `${words} (${key})` : words));
  return tag("select", { name: "label" }, tag("option", { value: "" }, "– which? –"), ...names);
}

// what must be there before the drawing can be kept; empty where nothing lacks
export function lackingIn(draft, form) {
  if (draft.kind === "reference" && draft.rings[0].length < 2) return "expected two clicks on the photograph first";
  if (draft.kind === "add" && !form.get("label")) return `expected a name for the damage at ${draft.region}, got none: choose one from the list or press its number`;
  return "";
}
