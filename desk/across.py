"""Distances from a damage in one photograph to a termination in another, along the wires traced in all of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from desk.review import outline
from desk.review.plane import plane_of
from desk.same_lay import AXIS_LIMIT_MM, STEP_MM, at_axis, even, tangents
from vision.findings import Measure, PhotoFindings, Region, Ring, Termination
from vision.layout import UNCHECKED_PRINT_U95_REL
from vision.sheets import Place
from vision.uncertainty import ENDS, PARALLAX, PRINT_SCALE, Budget, Source

_TWICE_MM = 6.0
"""How far apart one wire may lie in two photographs."""
_BROKEN_MM = 8.0
"""How far the ends of two pieces of one wire may lie apart in one photograph."""
_REACH_MM = 25.0
_EDGE_LIMIT_MM = 3.0
_LIKE_BASE, _UNLIKE = 0.6, 0.05
_HOP_COST_MM = 15.0
_OTHER_WIRE_MM = 1e5
"""Cost of going on along a wire of another colour: a way that has to is no way of the damaged wire."""


@dataclass
class _Net:
    """All traces in one frame. xy, along: (N, 2) points and unit tangents; photo, trace: (N,) numbers of each point;
    links: a, b, mm along, cost.

    colours, names : code, and photograph and wire id, of each trace; ends : points that terminations are next to, and
    how far off they are
    """

    xy: np.ndarray
    along: np.ndarray
    photo: np.ndarray
    trace: np.ndarray
    colours: list[str]
    names: list[tuple[int, str]]
    links: list[tuple[int, int, float, float]]
    ends: list[tuple[int, float]] = field(default_factory=list)

    def ways(self) -> tuple[np.ndarray, np.ndarray]:
        """(E, N) cost of the cheapest way from each end to each point, and its length in mm; inf where none leads."""
        a, b = (np.array([link[k] for link in self.links], int) for k in (0, 1))
        mm, cost = (np.array([link[k] for link in self.links]) for k in (2, 3))
        a, b = np.minimum(a, b), np.maximum(a, b)
        # of two links between the same points the cheaper counts; a sparse matrix would add them up
        order = np.lexsort((cost, b, a))
        a, b, mm, cost = a[order], b[order], mm[order], cost[order]
        first = np.concatenate([[True], (np.diff(a) != 0) | (np.diff(b) != 0)])
        a, b, mm, cost = a[first], b[first], mm[first], cost[first]
        matrix = sparse.coo_matrix((cost + 1e-9, (a, b)), shape=(len(self.xy),) * 2).tocsr()
        total, before = csgraph.dijkstra(
            matrix, directed=False, indices=[node for node, _ in self.ends], return_predecessors=True
        )
        length = {(int(i), int(j)): float(v) for i, j, v in zip(a, b, mm, strict=True)}
        return total, np.stack([_lengths(t, p, length) for t, p in zip(total, before, strict=True)])


def _lengths(cost: np.ndarray, before: np.ndarray, length: Mapping[tuple[int, int], float]) -> np.ndarray:
    """(N,) length of the cheapest ways, point after point from the source outwards."""
    out = np.where(np.isfinite(cost), 0.0, np.inf)
    for k in np.argsort(cost, kind="stable").tolist():
        last = int(before[k])
        if last >= 0:
            out[k] = out[last] + length[(min(k, last), max(k, last))]
    return out


def with_distances_across(
    photos: Sequence[PhotoFindings], places: Mapping[str, Place], apart_mm: float = 0.0
) -> list[PhotoFindings]:
    """The same findings; a region whose termination its own photograph did not show gets the distance across.

    places : photograph's sha256 to where its mat lies in the assembly's frame; photographs without are left as they
    are. apart_mm : how far the same wires lie apart in two photographs at most.
    """
    net = _net(photos, places)
    if net is None or not net.ends:
        return list(photos)
    ways = net.ways()
    loose = _Loose(apart_mm, *_cameras(photos, places))
    done = []
    for i, photo in enumerate(photos):
        place = places.get(photo.photo.sha256)
        found: dict[str, Measure] = {}
        for region in photo.regions if place else ():
            if place and region.to_termination_mm is None and region.rings_mm:
                rings = [_ring(place.apply(at_axis(photo, np.array(ring)))) for ring in region.rings_mm]
                value = _distance(region, rings, i, net, ways)
                if value is not None:
                    found[region.id] = _measure(value, place, rings, loose)
        done.append(_updated(photo, found))
    return done


def _ring(points: np.ndarray) -> Ring:
    return [(float(x), float(y)) for x, y in points]


@dataclass(frozen=True)
class _Loose:
    """What a way over photographs leaves open: traces apart; cameras apart, and over the mat (None: not known)."""

    apart_mm: float
    cameras_apart_mm: float
    camera_height_mm: float | None


def _cameras(photos: Sequence[PhotoFindings], places: Mapping[str, Place]) -> tuple[float, float | None]:
    """The largest distance between the feet of two cameras, and the least height of one."""
    feet, heights = [], []
    for photo in photos:
        place, camera = places.get(photo.photo.sha256), photo.sheets[0].camera_mm if photo.sheets else None
        if place is not None and camera is not None:
            feet.append(place.apply(np.array([camera[:2]]))[0])
            heights.append(camera[2])
    apart = max((float(np.linalg.norm(a - b)) for a in feet for b in feet), default=0.0)
    return apart, min(heights, default=None)


def _net(photos: Sequence[PhotoFindings], places: Mapping[str, Place]) -> _Net | None:
    """Points, the links along the traces, between pieces of one wire and between photographs; and the terminations."""
    points: list[np.ndarray] = []
    links: list[tuple[int, int, float, float]] = []
    owner: list[tuple[int, int]] = []
    colours: list[str] = []
    names: list[tuple[int, str]] = []
    ends: list[tuple[int, float]] = []
    for i, photo in enumerate(photos):
        place = places.get(photo.photo.sha256)
        if place is None:
            continue
        start = len(owner)
        open_ends = {t.id: t for t in photo.terminations if t.kind != "cut_end"}
        for wire in photo.wires:
            if wire.centreline_mm is None or len(wire.centreline_mm) < 2:
                continue
            line = even(place.apply(at_axis(photo, np.array(wire.centreline_mm))))
            first = len(owner)
            gaps = np.linalg.norm(np.diff(line, axis=0), axis=1)
            links += [(first + k, first + k + 1, float(gap), float(gap)) for k, gap in enumerate(gaps)]
            points.append(line)
            owner += [(i, len(colours))] * len(line)
            colours.append(wire.colour)
            names.append((i, wire.id))
            for node, at, id in ((first, 0, wire.ends[0]), (len(owner) - 1, -1, wire.ends[-1])):
                if id in open_ends:
                    ends.append((node, _to_outline(photo, wire.centreline_mm[at], open_ends[id])))
        if len(owner) > start and not any(node >= start for node, _ in ends):
            ends += _nearest_ends(np.concatenate(points), start, open_ends.values(), photo, place)
    if not points:
        return None
    photo_of, trace_of = np.array(owner).T
    along = np.concatenate([tangents(line) for line in points])
    net = _Net(np.concatenate(points), along, photo_of, trace_of, colours, names, links, ends)
    net.links += _between_pieces(net) + _between_photographs(net)
    return net


def _to_outline(photo: PhotoFindings, at_mm: tuple[float, float], end: Termination) -> float:
    """From a traced wire's end to the termination's outline; to its place where it has none; 0 inside."""
    plane = plane_of(photo)
    rings = [ring for ring in end.rings_px if len(ring) > 2]
    if plane is None or not rings:
        return 0.0 if end.position_mm is None else float(np.linalg.norm(np.subtract(at_mm, end.position_mm)))
    in_mm = [_ring(plane.to_mm(outline.as_array(ring))) for ring in rings]
    point = np.array([at_mm], float)
    return 0.0 if outline.inside(point, in_mm)[0] else float(outline.distance_to_edges(point, in_mm)[0])


def _nearest_ends(
    xy: np.ndarray, start: int, ends: Iterable[Termination], photo: PhotoFindings, place: Place
) -> list[tuple[int, float]]:
    """Terminations that no trace was followed to, each at the nearest traced point of its photograph."""
    tree, found = cKDTree(xy[start:]), []
    for end in ends:
        if end.position_mm is not None:
            gap, number = tree.query(place.apply(at_axis(photo, np.array(end.position_mm)))[0])
            if gap <= _REACH_MM:
                found.append((start + int(number), float(gap)))
    return found


def _between_pieces(net: _Net) -> list[tuple[int, int, float, float]]:
    """Ends of traces of one photograph that lie close together: pieces of one wire, rather of one colour."""
    last = np.flatnonzero(np.diff(net.trace, append=-1))
    tips = np.unique(np.concatenate([last, np.concatenate([[0], last[:-1] + 1])]))
    found = []
    for i, j in cKDTree(net.xy[tips]).query_pairs(_BROKEN_MM):
        a, b = int(tips[i]), int(tips[j])
        if net.photo[a] == net.photo[b] and net.trace[a] != net.trace[b]:
            gap = float(np.linalg.norm(net.xy[a] - net.xy[b]))
            alike = _alike(net.colours[net.trace[a]], net.colours[net.trace[b]])
            found.append((a, b, gap, gap + (_HOP_COST_MM if alike > _UNLIKE else _OTHER_WIRE_MM)))
    return found


def _alike(one: str, other: str) -> float:
    """How well two colour codes go together: base and stripe, base alone (stripes are often missed), or not."""
    if one == other:
        return 1.0
    return _LIKE_BASE if one.split("/")[0] == other.split("/")[0] else _UNLIKE


def _between_photographs(net: _Net) -> list[tuple[int, int, float, float]]:
    """One wire seen in two photographs: each point with the trace that its own trace lies upon best, near by."""
    found: list[tuple[int, int, float, float]] = []
    for i in np.unique(net.photo):
        for j in np.unique(net.photo):
            if i != j:
                found += _onto(net, np.flatnonzero(net.photo == i), np.flatnonzero(net.photo == j))
    return found


def _onto(net: _Net, mine: np.ndarray, theirs: np.ndarray) -> list[tuple[int, int, float, float]]:
    traces = np.unique(net.trace[theirs])
    gap = np.full((len(mine), len(traces)), np.inf)
    nearest = np.zeros(gap.shape, int)
    for k, trace in enumerate(traces):
        of = theirs[net.trace[theirs] == trace]
        gap[:, k], at = cKDTree(net.xy[of]).query(net.xy[mine])
        nearest[:, k] = of[at]
    alike = np.array([[_alike(a, b) for b in net.colours] for a in net.colours])
    close = np.maximum(1 - gap / _TWICE_MM, 0) * alike[net.trace[mine]][:, traces]
    score = np.zeros(close.shape)
    for trace in np.unique(net.trace[mine]):
        rows = net.trace[mine] == trace
        score[rows] = close[rows].sum(axis=0)
    score[gap > _TWICE_MM] = 0
    best = score.argmax(axis=1)
    rows = np.flatnonzero(score[np.arange(len(mine)), best] > 0)
    a, b, apart = mine[rows], nearest[rows, best[rows]], gap[rows, best[rows]]
    # where the other trace ends, its nearest point lies ahead or behind
    way = np.abs(((net.xy[a] - net.xy[b]) * net.along[a]).sum(axis=1))
    like = alike[net.trace[a], net.trace[b]] > _UNLIKE
    cost = way + apart + np.where(like, _HOP_COST_MM, _OTHER_WIRE_MM)
    return [(int(i), int(j), float(mm), float(c)) for i, j, mm, c in zip(a, b, way, cost, strict=True)]


def _distance(
    region: Region, rings: list[Ring], photo: int, net: _Net, ways: tuple[np.ndarray, np.ndarray]
) -> float | None:
    """Length of the cheapest way from the damage's near edge, None where no trace leads from it to a termination."""
    gap = outline.distance_to_edges(net.xy, rings)
    gap[outline.inside(net.xy, rings)] = 0.0
    feet = np.flatnonzero((net.photo == photo) & (gap <= _EDGE_LIMIT_MM))
    ids = region.wires_affected.wire_ids if region.wires_affected else []
    named = [k for k, name in enumerate(net.names) if name[0] == photo and name[1] in ids]
    # without a trace of its own wire the way would be that of a wire that only passes by
    feet = feet[np.isin(net.trace[feet], named)]
    if not len(feet):
        return None
    out = np.array([gap_mm for _, gap_mm in net.ends])[:, None] + gap[feet][None]
    cost, length = ways[0][:, feet] + out, ways[1][:, feet] + out
    return float(length.flat[int(cost.argmin())]) if cost.min() < _OTHER_WIRE_MM else None


def _measure(value: float, place: Place, rings: list[Ring], loose: _Loose) -> Measure:
    middle = place.inverse().apply(np.concatenate([np.array(ring) for ring in rings])).mean(0)
    height = 0.0
    if loose.camera_height_mm:
        height = AXIS_LIMIT_MM / loose.camera_height_mm * (value + loose.cameras_apart_mm)
    sources = (
        Source(PRINT_SCALE, UNCHECKED_PRINT_U95_REL / 2 * value),
        Source.of_u95("place of the sheets", float(place.u95_mm(middle).max())),
        Source.of_limits("lay between photographs", max(loose.apart_mm, STEP_MM)),
        Source.of_limits(PARALLAX, height),
        Source.of_limits(ENDS, _EDGE_LIMIT_MM + STEP_MM),
    )
    return Budget(value, sources).measure()


def _updated(photo: PhotoFindings, found: Mapping[str, Measure]) -> PhotoFindings:
    """With the distances, and without the reasons for which they were missing."""
    if not found:
        return photo
    regions = [r.model_copy(update={"to_termination_mm": found[r.id]}) if r.id in found else r for r in photo.regions]
    gone = {f"regions[{id}].to_termination_mm" for id in found}
    missing = [m for m in photo.missing if m.field not in gone]
    return photo.model_copy(update={"regions": regions, "missing": missing})
