// Where the names of places stand in the picture: each at its place, moved off where it would cover another.
const GAP = 2; // px between two names
const STEPS = 8; // how many lines a name may be moved, at most
const FAR = 0.5; // moved by more of its height, a line leads back

const meet = (a, b) => a.x < b.x + b.w + GAP && b.x < a.x + a.w + GAP && a.y < b.y + b.h + GAP && b.y < a.y + a.h + GAP;

// the places a name may stand at, the best first: away from what it names, then aside, then over it
function* places(name) {
  for (const way of [name.below ? 1 : -1, name.below ? -1 : 1]) {
    for (let line = way === (name.below ? 1 : -1) ? 0 : 2; line <= STEPS; line++) {
      for (const aside of [0, -0.6, 0.6]) yield [aside * name.w, way * line * (name.h + GAP)];
    }
  }
}

// names : [{ at: [x, y], w, h, below }], px in a view of so many px; gives for each its box and whether it needs a line
// back. One whose place lies outside the view is not moved; where all is full a name stays where it was.
export function arrange(names, width, height) {
  const taken = [];
  return names.map((name) => {
    const [x, y] = name.at;
    const first = { x: x - name.w / 2, y: name.below ? y + 0.2 * name.h : y - 1.2 * name.h, w: name.w, h: name.h };
    if (x < 0 || y < 0 || x > width || y > height) return { ...first, led: false };
    const within = (box) => ({
      ...box,
      x: Math.max(0, Math.min(box.x, width - box.w)),
      y: Math.max(0, Math.min(box.y, height - box.h)),
    });
    let box = within(first);
    for (const [right, down] of places(name)) {
      const tried = within({ ...first, x: first.x + right, y: first.y + down });
      if (!taken.some((other) => meet(tried, other))) {
        box = tried;
        break;
      }
    }
    taken.push(box);
    return { ...box, led: Math.hypot(box.x - first.x, box.y - first.y) > FAR * name.h };
  });
}

// from a place to the nearest point of its name
export function leader([x, y], box) {
  const near = [Math.max(box.x, Math.min(x, box.x + box.w)), Math.max(box.y, Math.min(y, box.y + box.h))];
  return `M${x.toFixed(1)} ${y.toFixed(1)}L${near[0].toFixed(1)} ${near[1].toFixed(1)}`;
}
