// Reads what was typed at the bench: numbers with a comma or a point, lengths in the person's unit as millimetres.
const MM_PER_INCH = 25.4;

export function numberOf(text, words) {
  const value = Number(String(text).trim().replace(",", "."));
  if (String(text).trim() && Number.isFinite(value)) return value;
  throw new TypeError(`expected ${words}, got ${text || "nothing"}: type a number`);
}

export function lengthOf(text, unit) {
  return numberOf(text, "a length") * (unit === "in" ? MM_PER_INCH : 1);
}

// several lengths with a space between; nothing, or the word none, for none
export function lengthsOf(text, unit) {
  return String(text).split(/[;\s]+/).filter((part) => part && part !== "none").map((part) => lengthOf(part, unit));
}

// stretches as `100..200`, several with a space between
export function stretchesOf(text, unit) {
  return String(text).split(/[;\s]+/).filter((part) => part && part !== "none").map((part) => {
    const ends = part.split(/\.\.|-|–/);
    if (ends.length !== 2) throw new TypeError(`expected a stretch as 100..200, got ${part}: type where it begins and ends`);
    return ends.map((end) => lengthOf(end, unit));
  });
}

const shown = (mm, unit) => String(Number((unit === "in" ? mm / MM_PER_INCH : mm).toFixed(unit === "in" ? 3 : 1)));

// the form as a wire was noted, so that one length can be put right and nothing else is lost
export function fillWire(form, noted, unit) {
  const at = form.elements;
  for (const name of ["id", "circuit", "colour", "start", "end", "size_mm2"]) at[name].value = noted[name] ?? "";
  for (const name of ["before_mm", "damage_mm", "after_mm"]) at[name].value = shown(noted[name], unit);
  at.joints_mm.value = noted.joints_mm.map((mm) => shown(mm, unit)).join(" ");
  at.keep_out_mm.value = noted.keep_out_mm.map((pair) => pair.map((mm) => shown(mm, unit)).join("..")).join(" ");
  at.start_fixed.checked = !noted.start_renewable;
  at.end_fixed.checked = !noted.end_renewable;
  form.querySelector("details").open = Boolean(at.keep_out_mm.value) || at.start_fixed.checked || at.end_fixed.checked;
}

// a wire as its form gives it; fields left empty say nothing
export function wireOf(form, unit) {
  const wire = { id: form.get("id") };
  for (const name of ["circuit", "colour", "start", "end"]) if (form.get(name).trim()) wire[name] = form.get(name).trim();
  if (form.get("size_mm2").trim()) wire.size_mm2 = numberOf(form.get("size_mm2"), "a size in mm²");
  for (const name of ["before_mm", "damage_mm", "after_mm"]) wire[name] = lengthOf(form.get(name), unit);
  wire.joints_mm = lengthsOf(form.get("joints_mm"), unit);
  wire.keep_out_mm = stretchesOf(form.get("keep_out_mm"), unit);
  if (form.get("start_fixed")) wire.start_renewable = false;
  if (form.get("end_fixed")) wire.end_renewable = false;
  return wire;
}
