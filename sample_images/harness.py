"""An invented assembly lying on the bench: trunk, branches, wires in space and what they end in."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from sample_images.colours import pick_codes
from sample_images.packing import pack
from sample_images.paths import Path, fold_mm, outside_mm, wander

Floats = NDArray[Any]
STATION_MM = 7.0
SAMPLE_MM = 0.3
FAN_MM = 30.0


@dataclass
class End:
    """A termination: kind housing, ring or cut_end (`open`: the wire leaves the photograph), place and direction."""

    id: str | None
    kind: str
    xy: Floats
    heading: float  # pointing away from the wires
    wires: list[int] = field(default_factory=list)
    entries: dict[int, tuple[float, float, float]] = field(default_factory=dict)  # wire -> x, y, z from the anchor
    sprite: object | None = None


@dataclass
class WirePath:
    """One wire: axis xyz (N,3) mm with height, arc length s (N,), trunk coordinate u (N,) (nan off the trunk)."""

    index: int
    colour: str
    od_mm: float
    xyz: Floats
    s: Floats
    u: Floats
    ends: tuple[End, End]

    @property
    def length_mm(self) -> float:
        return float(self.s[-1])

    def s_at(self, u_mm: float) -> float | None:
        """Arc length where the wire passes trunk coordinate `u_mm`; None where it does not run there."""
        on = self.on_trunk
        if len(on) == 0 or not self.u[on[0]] - 1 <= u_mm <= self.u[on[-1]] + 1:
            return None
        return float(np.interp(u_mm, self.u[on], self.s[on]))

    @cached_property
    def on_trunk(self) -> NDArray[np.intp]:
        """Numbers of the samples that lie on the trunk."""
        return np.flatnonzero(np.isfinite(self.u))

    def replaced(self, xyz: Floats) -> None:
        """Give the wire another axis (same number of samples) and measure its arc length anew."""
        self.xyz = xyz
        self.s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(xyz, axis=0), axis=1))])


@dataclass
class Harness:
    """Trunk path, wires, ends, and the bundle's outline (across centre, half width, top) every STATION_MM."""

    trunk: Path
    wires: list[WirePath]
    ends: list[End]
    start_u: float
    end_u: float
    station_u: Floats
    outline: Floats  # (S,3)

    def outline_at(self, u_mm: Floats) -> Floats:
        """(M,3) across centre, half width, top at trunk coordinates."""
        return np.stack([np.interp(u_mm, self.station_u, self.outline[:, k]) for k in range(3)], axis=-1)


@dataclass(frozen=True)
class Plan:
    """Which wire goes from where to where: two ends, and trunk coordinates of entering and leaving."""

    start: End
    stop: End
    stop_u: float
    branch: Path | None


def lay_trunk(rng: np.random.Generator, box: tuple[float, float, float, float], length_mm: float, bend: float) -> Path:
    """A trunk of the wanted length that stays in the box as well as 80 tries allow."""
    best: tuple[float, Path] | None = None
    centre = np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2])
    for _ in range(80):
        heading = rng.normal(0, 0.35) + rng.choice([0, np.pi])
        path = wander(rng, np.zeros(2), heading, length_mm, bend)
        middle = (path.xy.min(0) + path.xy.max(0)) / 2
        path = Path(path.xy - middle + centre + rng.normal(0, 1, 2) * np.array([12.0, 28.0]), path.heading)
        fault = outside_mm(path, box) + max(0.0, 45 - fold_mm(path))
        if best is None or fault < best[0]:
            best = (fault, path)
        if fault == 0:
            break
    assert best is not None  # 80 tries were made
    return best[1]


def _branch_ends(
    rng: np.random.Generator,
    trunk: Path,
    at_u: float,
    side: int,
    names: list[str],
    kind: str,
    reach: tuple[float, float],
) -> list[tuple[End, Path]]:
    """One shared path to a housing, or one path per wire to rings or cut ends."""
    xy, tangent, _ = trunk.at(np.array(at_u))
    heading = float(np.arctan2(tangent[1], tangent[0]))
    out: list[tuple[End, Path]] = []
    turn = side * rng.uniform(0.35, 1.3)
    for k, name in enumerate(names):
        own = turn if kind == "housing" else turn + side * (k * rng.uniform(0.12, 0.3)) + rng.normal(0, 0.05)
        length = rng.uniform(*reach) + (FAN_MM if kind == "housing" else 0)
        path = wander(rng, xy, heading, length, 0.5, own)
        out.append((End(name, kind, path.xy[-1], float(path.heading[-1])), path))
    return out


def plan_wires(
    rng: np.random.Generator, trunk: Path, count: int, open_end: bool, spacious: bool, clear: bool
) -> tuple[list[Plan], list[End]]:
    """Share `count` wires among the trunk's far end and 0 to 4 branches, which leave early when it shall be `clear`."""
    first = End("T0", "housing", trunk.xy[0], float(trunk.heading[0] + np.pi))
    ends = [first]
    plans: list[Plan] = []
    left = count
    k = 1
    lots = int(rng.choice([0, 1, 2, 3, 4], p=[0.25, 0.34, 0.24, 0.12, 0.05]))
    side = int(rng.choice([-1, 1]))
    for _ in range(lots):
        if left < (4 if clear else 2):
            break
        kind = str(rng.choice(["housing", "ring", "cut_end"], p=[0.42, 0.45, 0.13]))
        size = int(rng.integers(1, min(left // 2 if clear else left - 1, 8 if kind == "housing" else 3) + 1))
        at_u = rng.uniform(48, 95) if clear else trunk.length_mm * rng.uniform(0.4, 0.78)
        names = [f"T{k + j}" for j in range(1 if kind == "housing" else size)]
        k += len(names)
        reach = (35.0, 110.0) if spacious else (30.0, 60.0)
        for end, path in _branch_ends(rng, trunk, at_u, side, names, kind, reach):
            ends.append(end)
            plans += [Plan(first, end, at_u, path) for _ in range(size if kind == "housing" else 1)]
        left -= size
        side = -side if rng.random() < 0.75 else side
    if open_end:
        last = End(None, "open", trunk.xy[-1], float(trunk.heading[-1]))
    else:
        last = End(f"T{k}", "housing", trunk.xy[-1], float(trunk.heading[-1]))
        if left <= 3 and rng.random() < 0.5:
            last.kind = "ring" if left == 1 else "housing"
    ends.append(last)
    plans += [Plan(first, last, trunk.length_mm, None) for _ in range(left)]
    return [plans[i] for i in rng.permutation(len(plans))], ends


def wire_sizes(rng: np.random.Generator, count: int) -> Floats:
    """Outside diameters (count,) mm: mostly thin wires, a few thick ones."""
    if rng.random() < 0.3:
        return np.full(count, rng.uniform(1.3, 3.2)) * rng.uniform(0.97, 1.03, count)
    sizes = rng.choice(
        [1.2, 1.4, 1.6, 1.9, 2.2, 2.5, 2.8, 3.3], count, p=[0.1, 0.13, 0.19, 0.19, 0.17, 0.1, 0.07, 0.05]
    )
    return np.clip(sizes * rng.uniform(0.95, 1.05, count), 1.2, 3.5)


def build_wires(rng: np.random.Generator, trunk: Path, plans: list[Plan], ends: list[End], sizes: Floats) -> Harness:
    """Pack the bundle, then run each wire's axis through its stations and into its end. Entries must be set."""
    count = len(plans)
    radius = sizes / 2
    start_u, end_u = FAN_MM * 0.8, trunk.length_mm - (FAN_MM * 0.8 if ends[-1].kind != "open" else 0)
    u = np.arange(start_u, end_u + 1e-6, STATION_MM)
    active = np.stack([u <= min(p.stop_u + 4, end_u) for p in plans], axis=1)
    cross = pack(rng, radius, active, STATION_MM)
    codes = pick_codes(rng, count)
    wires = []
    branch_rank: dict[int, int] = {}
    for i, plan in enumerate(plans):
        on = np.flatnonzero(active[:, i])
        xy, _, normal = trunk.at(u[on])
        body = np.column_stack([xy + normal * cross[on, i, :1], cross[on, i, 1]])
        marks = u[on]
        parts = [_entry_points(plan.start, i, radius[i])[::-1], body]
        coords = [np.full(len(parts[0]), np.nan), marks]
        if plan.branch is not None:
            rank = branch_rank.setdefault(id(plan.branch), 0)
            branch_rank[id(plan.branch)] += 1
            tail = _branch_points(plan, rank, radius[i])
            parts.append(tail)
            coords.append(np.full(len(tail), np.nan))
        last = _entry_points(plan.stop, i, radius[i])
        parts.append(last)
        coords.append(np.full(len(last), np.nan))
        wires.append(
            _run(i, codes[i], float(sizes[i]), np.vstack(parts), np.concatenate(coords), (plan.start, plan.stop))
        )
    return Harness(trunk, wires, ends, start_u, end_u, u, _outline(cross, radius, active))


def _outline(cross: Floats, radius: Floats, active: NDArray[np.bool_]) -> Floats:
    left = np.where(active, cross[..., 0] - radius, np.inf).min(1)
    right = np.where(active, cross[..., 0] + radius, -np.inf).max(1)
    top = np.where(active, cross[..., 1] + radius, 0).max(1)
    alive = np.asarray(active.any(1)).reshape(-1, 1)
    return np.where(alive, np.stack([(left + right) / 2, (right - left) / 2, top], axis=1), [0, 1.0, 2.0])


def _entry_points(end: End, wire: int, radius: float) -> Floats:
    """Points from 8 mm before the end's face to inside it, (M,3); the page's height for free ends."""
    out = np.array([np.cos(end.heading), np.sin(end.heading)])
    across = np.array([-out[1], out[0]])
    x, y, z = end.entries.get(wire, (0.0, 0.0, radius))
    z = max(z, radius)
    if end.kind == "open":
        return np.empty((0, 3))
    deep = 2.5 if end.kind == "housing" else 0.0
    along = [x - 9.0, x - 4.0, x, x + deep] if deep else [x - 9.0, x - 4.0, x]
    return np.array([[*(end.xy + out * a + across * y), z] for a in along])


def _branch_points(plan: Plan, rank: int, radius: float) -> Floats:
    """Stations of a branch between trunk and end, wires of one branch side by side in two layers."""
    assert plan.branch is not None
    reach = plan.branch.length_mm - (FAN_MM if plan.stop.kind == "housing" else 12.0)
    v = np.arange(14.0, max(reach, 15.0), STATION_MM)
    xy, _, normal = plan.branch.at(v)
    column, layer = (rank + 1) // 2, rank % 3 == 2
    sway = np.sin(v / 31.0 + rank * 2.1) * radius * 0.5
    lateral = (column * (-1) ** rank * 1.5) * radius + sway
    return np.column_stack([xy + normal * lateral[:, None], np.full(len(v), radius * (2.6 if layer else 1.0))])


def _run(i: int, code: str, od: float, control: Floats, coords: Floats, ends: tuple[End, End]) -> WirePath:
    keep: Floats = np.concatenate([[True], np.linalg.norm(np.diff(control, axis=0), axis=1) > 0.4])
    control, coords = control[keep], coords[keep]
    chord = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(control, axis=0), axis=1) ** 0.8)])
    spline = CubicSpline(chord, control)
    fine = spline(np.linspace(0, chord[-1], len(control) * 16))
    fine_t = np.linspace(0, chord[-1], len(control) * 16)
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(fine, axis=0), axis=1))])
    n = max(8, int(length[-1] / SAMPLE_MM))
    t = np.interp(np.linspace(0, length[-1], n), length, fine_t)
    xyz = spline(t)
    xyz[:, 2] = np.maximum(xyz[:, 2], od / 2)
    on = np.isfinite(coords)
    u = np.interp(t, chord[on], coords[on], left=np.nan, right=np.nan)
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(xyz, axis=0), axis=1))])
    return WirePath(i, code, od, xyz, s, u, ends)
