"""Traces single wires: from the sections of straightened bundles to wires with colour, diameter, length and ends."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d, median_filter

from vision.findings import Measure
from vision.medians import median
from vision.recognise import Scene
from vision.sight import FirstLook
from vision.strips import Strips, straighten
from vision.uncertainty import EDGES, ENDS, PARALLAX, Budget, Source
from vision.wire_colour import name_colour, robust_colour, runner_up_ratio
from vision.wire_joins import End, Group, Piece, join_pieces, without_doubles
from vision.wire_sections import Sections, colour_difference, find_sections, link_sections
from vision.wire_skin import find_stripe, lay_flat

__all__ = ["TracedWire", "diameter_of", "trace_pieces", "trace_wires"]

MIN_TRACK_MM = 20.0
_MIN_PIECE = 5
_GAP_MM = 6
_THICKEST_MM = 4.6
_THINNEST_MM = 0.9
_SLIVER_MM = 0.75
_REACH_MM = 10.0
_HEIGHT_U95_REL = 0.01
_END_U95_MM = 5.0
"""How well a trace's end marks its termination: 95 % of true outlines on rendered photographs lay within."""
# traces on true cells of 64 photographs of an independent renderer and 16 of our own: 95 % of the errors lie within
_ALONE_U95_MM = 0.8
_BUNDLED_U95_MM = 0.8
_OWN_SHARE = 0.7
"""How much of a bundled wire's deviation from the other wires is believed: the rest is what neighbours hide of it."""
_ODD_U95_SHARE = 0.3
_LEAST_OTHERS = 3
_LEAST_COLUMNS = 5


@dataclass(frozen=True)
class TracedWire:
    """One traced wire.

    colour : IEC 60757 code, base or base/stripe; lab : (3,) CIELAB of the base; colour_margin : distance of the code
    over that of the runner-up, 0 clear .. 1 either
    diameter_mm : None where no section shows the wire whole; width_mm : (n,) seen width along `centreline_px`
    centreline_px : (n, 2) canvas px; length_mm : low_bound where an end is not at a termination
    ends : termination ids; columns_seen : how many millimetres of it were seen; ambiguous : a join at one of its ends
    was left open because several wires could continue it; alone : its diameter is that of stretches with
    ground on both sides
    """

    id: str
    colour: str
    lab: tuple[float, float, float]
    colour_margin: float
    diameter_mm: Measure | None
    centreline_px: np.ndarray
    width_mm: np.ndarray
    length_mm: Measure
    ends: tuple[str | None, str | None]
    columns_seen: int
    ambiguous: bool
    alone: bool = False


def trace_wires(look: FirstLook, scene: Scene) -> list[TracedWire]:
    """All single wires seen over at least `MIN_TRACK_MM`, longest first."""
    s = look.canvas.px_per_mm
    covered = np.zeros(scene.body.shape, bool)
    for part in scene.coverings:
        if part.mask is not None:
            covered |= part.mask
    strips = straighten(scene.graph, look.even.lab, look.foreground.solid & scene.body & ~covered, s)
    pieces = trace_pieces(strips, s)
    pieces = without_doubles(pieces, s)
    groups = join_pieces(pieces, scene.body, s)
    labels = _termination_labels(scene, s)
    found = [w for w in (_wire(g, labels, look.canvas.camera_height_mm, s) for g in groups) if w is not None]
    found = [_striped(w, look.even.lab, s) for w in _with_others(found)]
    found.sort(key=lambda w: -w.length_mm.value)
    return [replace(wire, id=f"w{i + 1}") for i, wire in enumerate(found)]


def trace_pieces(strips: Strips, px_per_mm: float) -> list[Piece]:
    """Unbroken stretches of single wires within the strips."""
    if not strips.strips:
        return []
    sections = find_sections(strips)
    chains = [c for c in link_sections(sections) if len(c) >= _MIN_PIECE]
    chains = _bridged(sections, chains)
    made = [_piece(strips, sections, chain, px_per_mm) for chain in chains]
    return [p for p in made if p is not None]


def _bridged(sections: Sections, chains: list[np.ndarray]) -> list[np.ndarray]:
    """Chains of one strip joined over gaps of at most `_GAP_MM`, each the best for the other."""
    while True:
        if len(chains) < 2:
            return chains
        ends = np.array([c[-1] for c in chains])
        starts = np.array([c[0] for c in chains])
        tail = np.array([_fit(sections, c[-8:], sections.row[c[-1]]) for c in chains])
        head = np.array([_fit(sections, c[:8], sections.row[c[0]]) for c in chains])
        gap = sections.row[starts][None, :] - sections.row[ends][:, None]
        same = sections.strip[starts][None, :] == sections.strip[ends][:, None]
        miss_on = np.abs(tail[:, None, 0] + tail[:, None, 1] * gap - head[None, :, 0])
        miss_back = np.abs(head[None, :, 0] - head[None, :, 1] * gap - tail[:, None, 0])
        colour = colour_difference(_end_lab(sections, chains, -1)[:, None], _end_lab(sections, chains, 0)[None, :])
        cost = np.minimum(miss_on, miss_back) / 0.8 + colour / 18.0
        cost[~same | (gap < 1) | (gap > _GAP_MM) | (colour > 20) | (np.minimum(miss_on, miss_back) > 0.9)] = np.inf
        i, j = np.unravel_index(cost.argmin(), cost.shape)
        if not np.isfinite(cost[i, j]) or i == j:
            return chains
        best = (cost <= cost.min(axis=1, keepdims=True)) & (cost <= cost.min(axis=0, keepdims=True)) & np.isfinite(cost)
        chains = _merged(chains, {int(a): int(b) for a, b in np.argwhere(best)})


def _merged(chains: list[np.ndarray], onward: dict[int, int]) -> list[np.ndarray]:
    """Chains strung together: each number in ``onward`` is followed by its value."""
    followers = set(onward.values())
    out = []
    for i in range(len(chains)):
        if i in followers:
            continue
        whole, k = [chains[i]], i
        while k in onward:
            k = onward[k]
            whole.append(chains[k])
        out.append(np.concatenate(whole))
    return out


def _fit(s: Sections, chain: np.ndarray, row: int) -> tuple[float, float]:
    """Offset and slope of a few sections, at a row."""
    x = (s.row[chain] - row).astype(float)
    y = s.centre[chain]
    mx, my = x.mean(), y.mean()
    var = ((x - mx) ** 2).sum()
    slope = float(((x - mx) * (y - my)).sum() / var) if var > 0 else 0.0
    return float(my - slope * mx), float(np.clip(slope, -1.2, 1.2))


def _end_lab(s: Sections, chains: list[np.ndarray], end: int) -> np.ndarray:
    return np.array([median(s.lab[c[:10] if end == 0 else c[-10:]]) for c in chains])


def _piece(strips: Strips, s: Sections, chain: np.ndarray, px_per_mm: float) -> Piece | None:
    """The wire of one chain on the canvas, or None where it is no wire (a shadow, a covering)."""
    row = s.row[chain]
    left, right = (median_filter(v[chain], 5, mode="nearest") for v in (s.left, s.right))
    if _is_shadow(s, chain) or not _SLIVER_MM <= median(right - left) <= _THICKEST_MM:
        return None
    centre = gaussian_filter1d((left + right) / 2, 1.5, mode="nearest")
    strip = strips.strips[int(s.strip[chain[0]])]
    k = row - strip.first
    line = strip.centre_px[k] + strip.normal[k] * (centre * px_per_mm)[:, None]
    step = np.gradient(line, axis=0) if len(line) > 1 else np.zeros_like(line)
    # a wire that runs aslant shows wider across the strip than it is; long gaps would mislead the slope
    tangent = np.stack([strip.normal[k][:, 1], -strip.normal[k][:, 0]], axis=1)
    along = np.maximum(np.abs((step * tangent).sum(axis=1)), 1e-6)
    cosine = along / np.maximum(np.linalg.norm(step, axis=1), 1e-6)
    free = s.free_left[chain].astype(int) + s.free_right[chain]
    return Piece(
        strip=int(s.strip[chain[0]]), row=row, offset_mm=centre, line_px=line, width_mm=(right - left) * cosine,
        lab=s.lab[chain], stripe=s.stripe[chain], free=free,
    )  # fmt: skip


def _is_shadow(s: Sections, chain: np.ndarray) -> bool:
    """A grey rim that brightens softly towards the ground is a shadow; a wire darkens again at its own rim."""
    chroma = float(median(np.hypot(s.lab[chain, 1], s.lab[chain, 2])))
    if chroma > 14:
        return False
    right, left = s.free_right[chain].mean() > 0.6, s.free_left[chain].mean() > 0.6
    rise = float(median(s.rise[chain]))
    soft = float(median(s.sharp_right[chain] if right else s.sharp_left[chain]))
    outward = rise if right and not left else -rise if left and not right else 0.0
    return outward > 4.0 and soft < 1.3


def _termination_labels(scene: Scene, px_per_mm: float) -> tuple[np.ndarray, list[str], float]:
    """Quarter-size raster of the terminations' numbers (0 none), their ids, and its scale."""
    scale = 0.25
    h, w = scene.body.shape
    size = (max(1, int(w * scale)), max(1, int(h * scale)))
    raster = np.zeros((size[1], size[0]), np.uint8)
    r = max(1, round(1.5 * px_per_mm * scale))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1, 2 * r + 1))
    names = [""]
    for part in scene.terminations[:254]:
        names.append(part.id)
        if part.mask is None:
            x, y = (part.point * scale).round().astype(int)
            cv2.circle(raster, (int(x), int(y)), round(5.0 * px_per_mm * scale), len(names) - 1, -1)
        else:
            small = cv2.resize(part.mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
            raster[cv2.dilate(small, disc) > 0] = len(names) - 1
    return raster, names, scale


def _termination(end: End, labels: tuple[np.ndarray, list[str], float], px_per_mm: float) -> tuple[str | None, float]:
    """Id of the termination that the wire runs into from an end, and how far it is, mm."""
    raster, names, scale = labels
    way = np.arange(-2.0, _REACH_MM, 0.5)
    at = end.point + end.direction * (way * px_per_mm)[:, None]
    x, y = (np.clip((at * scale).astype(int), 0, [raster.shape[1] - 1, raster.shape[0] - 1])).T
    hit = np.flatnonzero(raster[y, x])
    if len(hit) == 0:
        return None, 0.0
    return names[raster[y[hit[0]], x[hit[0]]]], float(max(way[hit[0]], 0.0))


def _wire(
    group: Group, labels: tuple[np.ndarray, list[str], float], camera_height_mm: float | None, s: float
) -> TracedWire | None:
    """What is known of the wire that a group of pieces makes, None where too little of it was seen."""
    pieces = group.pieces
    columns = sum(len(p.line_px) for p in pieces)
    if columns < MIN_TRACK_MM:
        return None
    line = np.concatenate([p.line_px for p in pieces])
    width = np.concatenate([p.width_mm for p in pieces])
    lab = np.concatenate([p.lab for p in pieces])
    stripe = np.concatenate([p.stripe for p in pieces])
    free = np.concatenate([p.free for p in pieces])
    diameter, alone = diameter_of(width, free, camera_height_mm)
    wide = width >= 0.8 * np.percentile(width, 80)
    base = robust_colour(lab[wide])
    code, margin = name_colour(base, lab[wide], stripe[wide])
    ends = [_termination(pieces[0].start, labels, s), _termination(pieces[-1].end, labels, s)]
    way = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum()) / s
    known = all(name is not None for name, _ in ends)
    length = (way + sum(gap for _, gap in ends)) * _axis_factor(diameter, camera_height_mm)
    gaps = sum(float(np.linalg.norm(b.line_px[0] - a.line_px[-1])) / s for a, b in pairwise(pieces))
    sources = (
        Source.of_u95(PARALLAX, _HEIGHT_U95_REL * length),
        Source.of_u95(ENDS, 2**0.5 * _END_U95_MM),
        Source.of_u95("gaps in the trace", 0.15 * gaps),
    )
    return TracedWire(
        "", code, (float(base[0]), float(base[1]), float(base[2])), margin, diameter, line, width,
        Budget(length, sources).measure(not known, 6), (ends[0][0], ends[1][0]), columns, group.ambiguous, alone,
    )  # fmt: skip


def _striped(wire: TracedWire, lab: np.ndarray, px_per_mm: float) -> TracedWire:
    """The wire with both its colours where a stripe winds round it."""
    if wire.diameter_mm is None:
        return wire
    found = find_stripe(lay_flat(lab, wire.centreline_px, wire.diameter_mm.value, px_per_mm))
    if found is None:
        return wire
    light, a, b = (float(v) for v in found.base_lab)
    return replace(
        wire, colour=f"{found.base}/{found.stripe}", lab=(light, a, b), colour_margin=runner_up_ratio(found.base_lab)
    )


def _axis_factor(diameter: Measure | None, camera_height_mm: float | None) -> float:
    """True length over its length on the mat's plane: the axis lies half the diameter nearer to the camera."""
    return 1.0 - diameter.value / 2 / camera_height_mm if diameter is not None and camera_height_mm else 1.0


def _with_others(wires: list[TracedWire]) -> list[TracedWire]:
    """Bundled wires' diameters drawn towards the middle of the other wires'.

    In a bundle neighbours hide a part of most wires, and two of one colour look like one: what is seen varies as much
    as the wires of one assembly do. A wire seen alone is believed as it is.
    """
    known = [w.diameter_mm.value for w in wires if w.diameter_mm is not None]
    if len(known) <= _LEAST_OTHERS:
        return wires
    return [w if w.alone or w.diameter_mm is None else _drawn(w, w.diameter_mm, known) for w in wires]


def _drawn(wire: TracedWire, own: Measure, known: list[float]) -> TracedWire:
    others = known.copy()
    others.remove(own.value)
    off = own.value - float(np.median(others))
    sources = [Source.of_u95(one.name, one.u95) for one in own.sources]
    odd = Source.of_u95("unlike the other wires", _ODD_U95_SHARE * abs(off))
    return replace(wire, diameter_mm=Budget(own.value - (1 - _OWN_SHARE) * off, (*sources, odd)).measure(digits=4))


def diameter_of(width_mm: np.ndarray, free: np.ndarray, camera_height_mm: float | None) -> tuple[Measure | None, bool]:
    """Outside diameter from the widths seen along a wire, None where fewer than `_LEAST_COLUMNS` could be it; and
    whether it was taken where the wire lies alone.

    free : (n,) how many of the two rims border on ground. Where a wire lies free its width is its diameter; in a bundle
    its neighbours cover some of it here and there, so the wider columns count, and the uncertainty is larger. The
    wire's axis lies about half its diameter above the mat and so looks larger by the ratio of heights.
    """
    good = (width_mm >= _THINNEST_MM) & (width_mm <= _THICKEST_MM)
    if good.sum() < _LEAST_COLUMNS:
        return None, False
    values = width_mm[good]
    seen = float(np.percentile(values, 60))
    alone = values[free[good] == 2]
    by_itself = len(alone) >= 12 and bool(np.median(alone) > 0.85 * seen)
    if by_itself:
        seen, edges, varies = float(np.median(alone)), _ALONE_U95_MM, _spread(alone)
    else:
        edges, varies = _BUNDLED_U95_MM, 0.8 * _spread(values)
    factor = 1 - seen / 2 / camera_height_mm if camera_height_mm else 1.0
    sources = (Source.of_u95(EDGES, edges), Source.of_u95("width along the wire", varies))
    return Budget(seen * factor, sources).measure(digits=4), by_itself


def _spread(values: np.ndarray) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))
