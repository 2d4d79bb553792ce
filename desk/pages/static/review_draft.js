// The outline, cut or known length in hand: corners that are dragged, or moved with the arrow keys.
const THIN_PX = 1.5;

// Douglas-Peucker: an outline of hundreds of points becomes one of corners a hand can move
function thinned(points, least) {
  if (points.length < 3) return points;
  const [a, b] = [points[0], points[points.length - 1]];
  const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
  const long = Math.hypot(dx, dy);
  let [far, at] = [0, 0];
  for (let i = 1; i < points.length - 1; i += 1) {
    const [x, y] = [points[i][0] - a[0], points[i][1] - a[1]];
    const off = long ? Math.abs(dx * y - dy * x) / long : Math.hypot(x, y);
    if (off > far) [far, at] = [off, i];
  }
  if (far <= least) return [a, b];
  return [...thinned(points.slice(0, at + 1), least).slice(0, -1), ...thinned(points.slice(at), least)];
}

// `least`: how far in px of the photograph the outline may stray for fewer corners
export function corners(ring, least = THIN_PX) {
  const middle = Math.floor(ring.length / 2);
  const halves = [thinned(ring.slice(0, middle + 1), least), thinned([...ring.slice(middle), ring[0]], least)];
  const found = [...halves[0].slice(0, -1), ...halves[1].slice(0, -1)];
  return found.length > 2 ? found.map((p) => [...p]) : ring.map((p) => [...p]);
}

export function outlineDraft(region, scale) {
  const rings = region.rings.map((ring) => corners(ring, Math.max(THIN_PX, 4 / scale)));
  return { kind: "redraw", region: region.id, rings, ring: 0, corner: 0 };
}

export function addDraft(stage, name) {
  const { x, y, scale, photo } = stage;
  const middle = [(stage.view.clientWidth / 2 - x) / scale, (stage.view.clientHeight / 2 - y) / scale];
  const half = Math.min(photo.width_px, photo.height_px, 260 / scale) / 4;
  const ring = [[-1, -1], [1, -1], [1, 1], [-1, 1]].map(([i, j]) => [
    Math.round(Math.min(photo.width_px - 1, Math.max(0, middle[0] + i * half))),
    Math.round(Math.min(photo.height_px - 1, Math.max(0, middle[1] + j * half))),
  ]);
  return { kind: "add", region: name, rings: [ring], ring: 0, corner: 0 };
}

export function splitDraft(region, name) {
  const points = region.rings.flat();
  const span = (axis) => [Math.min(...points.map((p) => p[axis])), Math.max(...points.map((p) => p[axis]))];
  const [[left, right], [top, bottom]] = [span(0), span(1)];
  const [x, y] = [(left + right) / 2, (top + bottom) / 2];
  const ring = right - left > bottom - top ? [[x, top - 10], [x, bottom + 10]] : [[left - 10, y], [right + 10, y]];
  return { kind: "split", into: name, line: true, rings: [ring], ring: 0, corner: 0, of: region.id };
}

export function referenceDraft() {
  return { kind: "reference", line: true, rings: [[]], ring: 0, corner: 0 };
}

export function stepCorner(draft, step) {
  const all = draft.rings.flatMap((ring, r) => ring.map((_, c) => [r, c]));
  const now = all.findIndex(([r, c]) => r === draft.ring && c === draft.corner);
  [draft.ring, draft.corner] = all[(now + step + all.length) % all.length];
}

export function moveCorner(draft, dx, dy) {
  const point = draft.rings[draft.ring][draft.corner];
  if (point) draft.rings[draft.ring][draft.corner] = [point[0] + dx, point[1] + dy];
}

export function insertCorner(draft) {
  if (draft.line) return;
  const ring = draft.rings[draft.ring];
  const [a, b] = [ring[draft.corner], ring[(draft.corner + 1) % ring.length]];
  ring.splice(draft.corner + 1, 0, [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2]);
  draft.corner += 1;
}

export function removeCorner(draft) {
  const ring = draft.rings[draft.ring];
  if (draft.line || ring.length < 4) return false;
  ring.splice(draft.corner, 1);
  draft.corner %= ring.length;
  return true;
}

// the edit that the draft comes to
export function editOf(draft, photo, form) {
  const rings = draft.rings.map((ring) => ring.map((p) => p.map((v) => Math.round(Math.max(-1, v) * 10) / 10)));
  if (draft.kind === "redraw") return { kind: "redraw", photo, region: draft.region, rings_px: rings };
  if (draft.kind === "add") return { kind: "add", photo, region: draft.region, label: form.get("label"), rings_px: rings };
  if (draft.kind === "split") return { kind: "split", photo, region: draft.of, into: draft.into, line_px: rings[0] };
  const per = form.get("unit") === "in" ? 25.4 : 1;
  return { kind: "reference", photo, from_px: rings[0][0], to_px: rings[0][1], length_mm: Number(form.get("length")) * per };
}
