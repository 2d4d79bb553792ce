"""Housings as damage candidates: what is measured of each, what the finder and a learnt eye say of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np

from vision.cell_patches import LEAST_LOG
from vision.evidence import RegionSigns, learnt_names
from vision.lay import inside_photo
from vision.parts import Part
from vision.shell import Shell, examine_shell
from vision.shell_picture import PLACE_PX, STEP_MM, ShellPicture, shell_picture
from vision.sight import FirstLook

SeenBreaks = Callable[[np.ndarray], dict[str, np.ndarray]]
"""(h, w, 3) int8 picture of a housing to (h / PLACE_PX, w / PLACE_PX) probabilities, by kind of break."""

_NEAR_MM = 15.0
"""How far around a housing a break of it is looked for: a missing corner lies outside what is left."""
_LIKELY = 0.5
_COARSE_PX = 4
_LOOSE = "piece"
"""The kind of break that lies about."""
_PLACE_MM = PLACE_PX * STEP_MM


@dataclass(frozen=True)
class ShellCandidate:
    """A housing as a damage candidate. cells : numbers of those on it; breaks : as of `SeenBreaks`, on ``picture``,
    None where no eye looked."""

    part: Part
    shell: Shell
    signs: RegionSigns
    cells: np.ndarray
    picture: ShellPicture | None = None
    breaks: dict[str, np.ndarray] = field(default_factory=dict)


def shell_candidates(
    housings: Sequence[Part],
    look: FirstLook,
    probabilities: np.ndarray,
    classes: tuple[str, ...],
    breaks: SeenBreaks | None,
) -> list[ShellCandidate]:
    """Every housing with its signs. probabilities : (N, C) of the cells; breaks : None without an eye for housings."""
    if not housings:
        return []
    seen = inside_photo(look.canvas.to_photo_px, look.canvas.ground.shape, look.photo, 0)
    nearest = _nearest(housings) if breaks is not None else np.zeros((1, 1), int)
    return [
        _candidate(part, look, seen, probabilities, classes, breaks, nearest == k) for k, part in enumerate(housings)
    ]


def _nearest(housings: Sequence[Part]) -> np.ndarray:
    """(H / 4, W / 4) number of the housing that each part of the canvas is nearest to."""
    away = []
    for part in housings:
        assert part.mask is not None
        small = np.ascontiguousarray(part.mask[::_COARSE_PX, ::_COARSE_PX])
        away.append(cv2.distanceTransform(1 - small.view(np.uint8), cv2.DIST_L2, 5))
    return np.argmin(away, axis=0)


def _at(coarse: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Values of a coarse raster at (..., 2) canvas px, of its rim beyond it."""
    x, y = np.rint(xy / _COARSE_PX).astype(int)[..., 0], np.rint(xy / _COARSE_PX).astype(int)[..., 1]
    return coarse[np.clip(y, 0, coarse.shape[0] - 1), np.clip(x, 0, coarse.shape[1] - 1)]


def _candidate(
    part: Part,
    look: FirstLook,
    seen: np.ndarray,
    probabilities: np.ndarray,
    classes: tuple[str, ...],
    breaks: SeenBreaks | None,
    here: np.ndarray,
) -> ShellCandidate:
    """here : coarse, where no other housing is nearer: what is broken there is broken off this one."""
    assert part.mask is not None
    s = look.canvas.px_per_mm
    shell = examine_shell(part.mask, look.even.lab, look.foreground.solid, part.point, s)
    mine = np.flatnonzero(_near(part.mask, look.cells.xy.astype(int), 4))
    values = {f"shell_{name}": value for name, value in shell.values.items()}
    broken = probabilities[:, classes.index("connector")]
    values |= _finder_signs(broken[mine])
    for name in learnt_names(look.cells):
        column = look.cells.column(name)[mine] if len(mine) else np.full(1, LEAST_LOG)
        values[f"{name}_top8"] = float(np.sort(column)[-8:].mean())
        values[f"{name}_mean"] = float(column.mean())
    for name in ("dark_line_2mm", "bright_line_2mm", "off_axis_energy_2.5mm", "edge_rough_4mm", "light_spread_1mm"):
        column = look.cells.column(name)[mine] if len(mine) else np.zeros(1)
        values[f"{name}_p95"] = float(np.percentile(column, 95))
        values[f"{name}_median"] = float(np.median(column))
    if breaks is None:
        return ShellCandidate(part, shell, RegionSigns(values), mine)
    near = _near(part.mask, look.cells.xy.astype(int), round(_NEAR_MM * s)) & _at(here, look.cells.xy)
    around = np.setdiff1d(np.flatnonzero(near), mine)
    values |= {f"{name}_around": value for name, value in _finder_signs(broken[around]).items()}
    picture = shell_picture(part.mask, look.even.lab, seen, s)
    found = breaks(picture.lab)
    values |= break_signs(found, picture.on_shell, _at(here, picture.places_px()))
    return ShellCandidate(part, shell, RegionSigns(values), mine, picture, found)


def _finder_signs(broken: np.ndarray) -> dict[str, float]:
    top = np.sort(broken)[::-1] if len(broken) else np.zeros(1)
    return {
        "finder_connector_max": float(top[0]),
        "finder_connector_top8": float(top[:8].mean()),
        "finder_connector_mass": float(top[top > 0.25].sum()),
    }


def break_signs(breaks: dict[str, np.ndarray], on_shell: np.ndarray, here: np.ndarray) -> dict[str, float]:
    """Named signs of what an eye saw on a housing: its surest places, how many are likely, how long the longest break.

    breaks : (h, w) by kind, pieces count beside the housing too; on_shell : (h, w) bool; here : (h, w) bool, where no
    other housing is nearer
    """
    values: dict[str, float] = {}
    for kind, places in {**breaks, "broken": np.sum(list(breaks.values()), axis=0)}.items():
        where = here if kind == _LOOSE else on_shell & here
        top = np.sort(places[where])[::-1] if where.any() else np.zeros(1)
        likely = (places > _LIKELY) & where
        _, _, stats, _ = cv2.connectedComponentsWithStats(likely.astype(np.uint8), connectivity=8)
        spans = np.hypot(stats[1:, cv2.CC_STAT_WIDTH], stats[1:, cv2.CC_STAT_HEIGHT])
        values[f"seen_{kind}_top10"] = float(top[:10].mean())
        values[f"seen_{kind}_top30"] = float(top[:30].mean())
        values[f"seen_{kind}_mm2"] = float(likely.sum()) * _PLACE_MM**2
        values[f"seen_{kind}_longest_mm"] = float(spans.max(initial=0.0)) * _PLACE_MM
    return values


def _near(mask: np.ndarray, xy: np.ndarray, reach_px: int) -> np.ndarray:
    """(N,) bool: (N, 2) canvas px no farther than ``reach_px`` (along x and y) from the mask."""
    left, top, width, height = cv2.boundingRect(mask.view(np.uint8))
    inner = mask[top : top + height, left : left + width].view(np.uint8)
    edged = cv2.copyMakeBorder(inner, *(reach_px,) * 4, cv2.BORDER_CONSTANT, value=0)
    wide = cv2.dilate(edged, np.ones((2 * reach_px + 1,) * 2, np.uint8)) > 0
    at = xy - [left - reach_px, top - reach_px]
    known = ((at >= 0) & (at < wide.shape[::-1])).all(axis=1)
    near = np.zeros(len(xy), bool)
    near[known] = wide[at[known, 1], at[known, 0]]
    return near


def likely_breaks(candidate: ShellCandidate, px_per_mm: float) -> np.ndarray:
    """(H, W) bool canvas pixels on a housing, or where it should be, that an eye took for broken more likely than
    not."""
    shell = candidate.shell
    if candidate.picture is None:
        return np.zeros(shell.mask.shape, bool)
    broken = np.sum(list(candidate.breaks.values()), axis=0) > _LIKELY
    places = candidate.picture.on_canvas(broken & candidate.picture.on_shell, shell.mask.shape) > 0
    rim = np.ones((2 * round(_PLACE_MM * px_per_mm) + 1,) * 2, np.uint8)
    return places & (cv2.dilate((shell.mask | shell.missing).view(np.uint8), rim) > 0)
