"""Several sheets edge to edge: where each lies, from photographs that see two of them, as one frame of the assembly."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from vision.layout import MatLayout
from vision.mat_camera import COUNT, SPREAD, project
from vision.mat_pose import Pose, coverage_factor, scale_u95_rel
from vision.mat_view import MatView, visible_box_mm

_OUTWARD = np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]])
_WORST_MM = 1.0
_AT_ODDS = 5.0  # standard uncertainties
_FLAT_MM = 0.15
"""How far a second sheet's marker may lie off the first one's plane by ripples of the paper (common practice)."""


@dataclass(frozen=True, eq=False)
class Place:
    """A sheet on the table: its mm turned, then moved. covariance: (3, 3) of x mm, y mm and turn (radians)."""

    x_mm: float
    y_mm: float
    turn: float
    covariance: np.ndarray

    @property
    def vector(self) -> np.ndarray:
        """(3,) x, y, turn."""
        return np.array([self.x_mm, self.y_mm, self.turn])

    @property
    def rotation(self) -> np.ndarray:
        """(2, 2), page y down: a positive turn is clockwise as seen."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        return np.array([[c, -s], [s, c]])

    def apply(self, mm: np.ndarray) -> np.ndarray:
        """(N, 2) of the sheet's own frame to (N, 2) of the frame it lies in."""
        moved: np.ndarray = np.asarray(mm, float).reshape(-1, 2) @ self.rotation.T + [self.x_mm, self.y_mm]
        return moved

    def u95_mm(self, mm: np.ndarray) -> np.ndarray:
        """(N,) U95 of where each of (N, 2) points of the sheet lies, along its worst direction."""
        arm = np.asarray(mm, float).reshape(-1, 2) @ self.rotation.T
        out = []
        for x, y in arm:
            J = np.array([[1, 0, -y], [0, 1, x]])
            out.append(coverage_factor(np.inf) * np.sqrt(np.linalg.eigvalsh(J @ self.covariance @ J.T)[-1]))
        return np.array(out)

    def after(self, inner: Place) -> Place:
        """The place, in this one's frame, of something that lies at `inner` on this sheet."""
        x, y = self.apply(np.array([[inner.x_mm, inner.y_mm]]))[0]
        ax, ay = np.array([x, y]) - [self.x_mm, self.y_mm]
        outer = np.array([[1, 0, -ay], [0, 1, ax], [0, 0, 1.0]])
        own = np.eye(3)
        own[:2, :2] = self.rotation
        covariance = outer @ self.covariance @ outer.T + own @ inner.covariance @ own.T
        return Place(float(x), float(y), _wrapped(self.turn + inner.turn), covariance)

    def inverse(self) -> Place:
        """Where this place's frame lies as seen from the sheet."""
        back = self.rotation.T
        x, y = -back @ [self.x_mm, self.y_mm]
        J = np.zeros((3, 3))
        J[:2, :2], J[:2, 2], J[2, 2] = -back, [y, -x], -1
        return Place(float(x), float(y), -self.turn, J @ self.covariance @ J.T)


HOME = Place(0.0, 0.0, 0.0, np.zeros((3, 3)))


def _wrapped(angle: float) -> float:
    return float((angle + np.pi) % (2 * np.pi) - np.pi)


@dataclass(frozen=True)
class NoPlace:
    """Why a sheet or a photograph could not be placed."""

    reason: str


def place_of(other: MatView, seen_from: MatView) -> Place | NoPlace:
    """Where another sheet lies in the frame of the one `seen_from`, both in one photograph."""
    placed = _placed(other, seen_from)
    return placed if isinstance(placed, NoPlace) else placed[0]


def _placed(other: MatView, seen_from: MatView) -> tuple[Place, Pose] | NoPlace:
    """A second sheet's place, and the camera as both sheets tell it.

    One camera saw both: what the first sheet told of it is kept with its covariance, and the second sheet's corners
    add to it while its place is fitted.
    """
    corners = other.layout.marker_corners_mm
    own = np.concatenate([corners[m.dictionary, m.id] for m in other.markers])
    px = np.concatenate([m.corners_px for m in other.markers])
    outward = np.tile(_OUTWARD, (len(other.markers), 1))
    pose = seen_from.pose
    start = np.concatenate([pose.params, _rigid(own, seen_from.to_mm(px))])
    half = np.linalg.cholesky(np.linalg.inv(pose.covariance)).T
    # a corner's own noise, and the ripple of the paper as it appears in the picture
    noise = float(np.hypot(max(other.pose.rms_px / 2**0.5, 0.06), _FLAT_MM / 4 / seen_from.mm_per_px))

    def residuals(p: np.ndarray) -> np.ndarray:
        x, y, turn = p[COUNT:]
        there = Place(x, y, turn, HOME.covariance).apply(own + p[SPREAD] * outward)
        off = (project(p[:COUNT], pose.frame, there) - px).ravel() / noise
        return np.concatenate([off, half @ (p[:COUNT] - pose.params)])

    fit = least_squares(residuals, start, method="lm", x_scale=_search_scales(pose.covariance))
    worst = np.sqrt((fit.fun[: px.size] ** 2).mean()) * noise * seen_from.mm_per_px
    if not np.isfinite(worst) or worst > _WORST_MM:
        return NoPlace(
            f"sheet {other.layout.name} does not lie flat beside {seen_from.layout.name} "
            f"({worst:.1f} mm off); lay both on one flat table"
        )
    covariance = np.linalg.inv(fit.jac.T @ fit.jac)
    x, y, turn = (float(v) for v in fit.x[COUNT:])
    camera = replace(pose, params=fit.x[:COUNT], covariance=covariance[:COUNT, :COUNT])
    return Place(x, y, _wrapped(turn), covariance[COUNT:, COUNT:]), camera


def _search_scales(covariance: np.ndarray) -> np.ndarray:
    """Step sizes: the camera's standard uncertainties, a millimetre and a milliradian for the unknown place."""
    return np.concatenate([np.sqrt(np.diag(covariance)), [1.0, 1.0, 1e-3]])


def _rigid(own: np.ndarray, there: np.ndarray) -> np.ndarray:
    """(3,) x, y, turn that bring (N, 2) points nearest to where they are seen (Procrustes without scale)."""
    a, b = own - own.mean(0), there - there.mean(0)
    turn = np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum())
    c, s = np.cos(turn), np.sin(turn)
    x, y = there.mean(0) - np.array([[c, -s], [s, c]]) @ own.mean(0)
    return np.array([x, y, turn])


@dataclass(frozen=True)
class Table:
    """All sheets in one frame, that of one of them. `loose` names what could not be placed, with the reason."""

    places: Mapping[str, Place]
    loose: Mapping[str, str]

    def named(self, name: str) -> Place | NoPlace:
        """From a sheet's own frame into the assembly's."""
        if name in self.places:
            return self.places[name]
        return NoPlace(self.loose.get(name, f"sheet {name} is on no photograph of this assembly"))


Sighting = Mapping[str, Place]
"""The sheets one photograph shows, the first at home, the others where they lie in its millimetres."""


def sighted(views: Sequence[MatView]) -> tuple[Sighting, dict[str, str]]:
    """Where the sheets of one photograph lie in the first one's frame; and why the others could not be placed."""
    if not views:
        return {}, {}
    seen = seen_together(replace(views[0], beside=tuple(views[1:])))
    return {layout.name: place for layout, place in seen.sheets}, dict(seen.missed)


@dataclass(frozen=True, eq=False)
class SeenSheets:
    """The sheets of one photograph in the first one's frame, and the camera as all of them tell it.

    view : of the first sheet, the same object where it is the only one; missed : why others could not be placed
    """

    view: MatView
    sheets: tuple[tuple[MatLayout, Place], ...]
    missed: Mapping[str, str]

    @property
    def mats(self) -> list[tuple[MatLayout, Place]]:
        """The sheets that an assembly lies on: all but pocket scales; a pocket scale alone is one."""
        return [self.sheets[0]] + [(layout, place) for layout, place in self.sheets[1:] if self._one_mat(layout)]

    def _one_mat(self, layout: MatLayout) -> bool:
        return layout.kind == "mat" and self.sheets[0][0].kind == "mat"

    def box_mm(self) -> tuple[np.ndarray, np.ndarray]:
        """Lowest and highest x, y of the part of all mats that the picture shows."""
        corners = np.concatenate([place.apply(_corners(layout)) for layout, place in self.mats])
        return visible_box_mm(self.view, corners.min(axis=0), corners.max(axis=0))


def _corners(layout: MatLayout) -> np.ndarray:
    width, height = layout.page_mm
    return np.array([[0, 0], [width, 0], [width, height], [0, height]])


def seen_together(view: MatView) -> SeenSheets:
    """One camera and one frame for a view and the sheets beside it; every sheet tells more of the camera."""
    sheets: list[tuple[MatLayout, Place]] = [(view.layout, HOME)]
    missed: dict[str, str] = {}
    joint = view
    for other in view.beside:
        placed = _placed(other, joint)
        if isinstance(placed, NoPlace):
            missed[other.layout.name] = placed.reason
            continue
        joint = replace(joint, pose=placed[1])
        sheets.append((other.layout, placed[0]))
    seen = SeenSheets(joint, tuple(sheets), missed)
    if joint is view or len(seen.mats) == 1:
        return replace(seen, view=view)
    middle = np.mean(seen.box_mm(), axis=0)
    u95 = float(np.hypot(scale_u95_rel(joint.pose, middle), view.layout.print_u95_rel))
    return replace(seen, view=replace(joint, u95_rel=u95))


def join(sightings: Iterable[Sighting], loose: Mapping[str, str] | None = None) -> Table:
    """One frame for all sheets of several photographs.

    Links between the same two sheets are averaged by their certainty; from the sheet with most links the others are
    reached over the most certain way. Links at odds mean that two sheets carry the same number, or that one moved.
    """
    links: dict[tuple[str, str], list[Place]] = {}
    names: dict[str, None] = {}
    for sighting in sightings:
        names |= dict.fromkeys(sighting)
        for b in list(sighting)[1:]:
            a, place = next(iter(sighting)), sighting[b]
            key = (a, b) if a <= b else (b, a)
            links.setdefault(key, []).append(place if a <= b else place.inverse())
    joined, apart = {}, dict(loose or {})
    for key, places in links.items():
        mean = _mean(places)
        if isinstance(mean, NoPlace):
            apart[key[1]] = f"{mean.reason} between {key[0]} and {key[1]}"
        else:
            joined[key] = mean
    return _reached(list(names), joined, apart)


def _mean(places: Sequence[Place]) -> Place | NoPlace:
    """Weighted mean of several estimates of one place; refused where they disagree beyond their uncertainty."""
    weights = [np.linalg.inv(p.covariance) for p in places]
    base = places[0].turn
    vectors = [np.array([p.x_mm, p.y_mm, base + _wrapped(p.turn - base)]) for p in places]
    covariance = np.linalg.inv(sum(weights, np.zeros((3, 3))))
    mean = covariance @ sum((w @ v for w, v in zip(weights, vectors, strict=True)), np.zeros(3))
    for place, vector in zip(places, vectors, strict=True):
        off = vector - mean
        if np.sqrt(off @ np.linalg.solve(place.covariance, off)) > _AT_ODDS:
            return NoPlace(
                "photographs disagree about where the sheets lie: two sheets of one number, or one was moved"
            )
    return Place(float(mean[0]), float(mean[1]), _wrapped(float(mean[2])), covariance)


def _reached(names: list[str], links: Mapping[tuple[str, str], Place], loose: dict[str, str]) -> Table:
    """Places of all sheets that links lead to from the first, the most certain link first."""
    if not names:
        return Table({}, loose)
    count = {n: sum(n in key for key in links) for n in names}
    home = max(names, key=lambda n: count[n])  # the first of those with most links
    places = {home: HOME}
    while True:
        open_links = [(a, b, p) for (a, b), p in links.items() if (a in places) != (b in places)]
        if not open_links:
            break
        a, b, link = min(open_links, key=lambda item: float(np.trace(item[2].covariance[:2, :2])))
        if a in places:
            places[b] = places[a].after(link)
        else:
            places[a] = places[b].after(link.inverse())
    for name in names:
        if name not in places:
            loose.setdefault(name, f"no photograph shows sheet {name} together with {home} or a sheet beside it")
    return Table(places, {n: why for n, why in loose.items() if n not in places})
