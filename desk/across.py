"""Distances from a damage in one photograph to a termination in another, along the wires traced in all of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from vision.findings import Measure, PhotoFindings, Region
from vision.layout import UNCHECKED_PRINT_U95_REL
from vision.sheets import Place
from vision.uncertainty import ENDS, PRINT_SCALE, Budget, Source

STEP_MM = 2.0
_JUMP_MM = 6.0
"""How far apart two traces of one bundle may lie, in one photograph or in two."""
_REACH_MM = 25.0
_EDGE_LIMIT_MM = 3.0


@dataclass
class _Net:
    """All traces in the assembly's frame. photo: (N,) number of the photograph of each point."""

    xy: np.ndarray
    photo: np.ndarray
    links: list[tuple[int, int, float]]
    ends: list[tuple[int, float]] = field(default_factory=list)

    def ways(self, sources: np.ndarray) -> np.ndarray:
        """(S, N) mm along the net."""
        a, b, mm = (np.array(v) for v in zip(*self.links, strict=True))
        n = len(self.xy)
        # of two links between the same points the shorter counts; a sparse matrix would add them up
        order = np.lexsort((mm, b, a))
        a, b, mm = a[order], b[order], mm[order]
        first = np.concatenate([[True], (np.diff(a) != 0) | (np.diff(b) != 0)])
        matrix = sparse.coo_matrix((mm[first] + 1e-9, (a[first], b[first])), shape=(n, n)).tocsr()
        return np.asarray(csgraph.dijkstra(matrix, directed=False, indices=sources))


def with_distances_across(photos: Sequence[PhotoFindings], places: Mapping[str, Place]) -> list[PhotoFindings]:
    """The same findings; a region whose termination its own photograph did not show gets the distance across.

    places : photograph's sha256 to where its mat lies in the assembly's frame; photographs without are left as they are
    """
    net = _net(photos, places)
    if net is None or not net.ends:
        return list(photos)
    ways = net.ways(np.array([number for number, _ in net.ends])) + np.array([gap for _, gap in net.ends])[:, None]
    done = []
    for i, photo in enumerate(photos):
        place = places.get(photo.photo.sha256)
        wanted = [r for r in photo.regions if r.to_termination_mm is None and r.rings_mm] if place else []
        found = {r.id: m for r in wanted if place and (m := _distance(r, i, place, net, ways)) is not None}
        done.append(_updated(photo, found))
    return done


def _net(photos: Sequence[PhotoFindings], places: Mapping[str, Place]) -> _Net | None:
    points: list[np.ndarray] = []
    links: list[tuple[int, int, float]] = []
    owner: list[int] = []
    for i, photo in enumerate(photos):
        place = places.get(photo.photo.sha256)
        for wire in photo.wires if place else ():
            if place is None or wire.centreline_mm is None or len(wire.centreline_mm) < 2:
                continue
            line = _even(place.apply(np.array(wire.centreline_mm)))
            first = len(owner)
            gaps = np.linalg.norm(np.diff(line, axis=0), axis=1)
            links += [(first + k, first + k + 1, float(gap)) for k, gap in enumerate(gaps)]
            points.append(line)
            owner += [i] * len(line)
    if not points:
        return None
    net = _Net(np.concatenate(points), np.array(owner), links)
    tree = cKDTree(net.xy)
    for a, b in tree.query_pairs(_JUMP_MM):
        net.links.append((a, b, float(np.linalg.norm(net.xy[a] - net.xy[b]))))
    for photo in photos:
        place = places.get(photo.photo.sha256)
        for t in photo.terminations if place else ():
            # a cut end is where a wire was severed, not a termination it was made with
            if place is None or t.position_mm is None or t.kind == "cut_end":
                continue
            gap, number = tree.query(place.apply(np.array([t.position_mm]))[0])
            if gap <= _REACH_MM:
                net.ends.append((int(number), float(gap)))
    return net


def _even(line: np.ndarray) -> np.ndarray:
    """(N, 2) points at steps of about `STEP_MM` along a polyline."""
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.linspace(0, way[-1], max(2, round(way[-1] / STEP_MM) + 1))
    return np.column_stack([np.interp(at, way, line[:, k]) for k in (0, 1)])


def _distance(region: Region, photo: int, place: Place, net: _Net, ways: np.ndarray) -> Measure | None:
    """Shortest way from the damage's near edge, None where no trace leads from it to a termination."""
    ring = place.apply(np.array([point for ring in region.rings_mm or [] for point in ring]))
    gap, _ = cKDTree(_even(np.vstack([ring, ring[:1]]))).query(net.xy)
    feet = np.flatnonzero((net.photo == photo) & (gap <= _EDGE_LIMIT_MM))
    if not len(feet):
        return None
    value = float(ways[:, feet].min())
    if not np.isfinite(value):
        return None
    sources = (
        Source(PRINT_SCALE, UNCHECKED_PRINT_U95_REL / 2 * value),
        Source.of_u95("place of the sheets", float(place.u95_mm(place.inverse().apply(ring).mean(0)).max())),
        Source.of_limits("crossing between traces", _JUMP_MM),
        Source.of_limits(ENDS, _EDGE_LIMIT_MM + STEP_MM),
    )
    budget = Budget(value, sources)
    return Measure(value=round(value, 2), u95=round(budget.u95, 2))


def _updated(photo: PhotoFindings, found: Mapping[str, Measure]) -> PhotoFindings:
    """With the distances, and without the reasons for which they were missing."""
    if not found:
        return photo
    regions = [r.model_copy(update={"to_termination_mm": found[r.id]}) if r.id in found else r for r in photo.regions]
    gone = {f"regions[{id}].to_termination_mm" for id in found}
    missing = [m for m in photo.missing if m.field not in gone]
    return photo.model_copy(update={"regions": regions, "missing": missing})
