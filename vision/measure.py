"""Raw measures of a damage candidate: length, area, bare copper, fused length; cracks and gaps of a housing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from vision.grid import canvas_mask
from vision.medians import median
from vision.recognise import Scene, WireCandidate
from vision.shell_candidate import ShellCandidate, likely_breaks
from vision.sight import FirstLook

_COVERING_GAP_MM = 5.0


@dataclass(frozen=True)
class RawMeasure:
    """A measure before its calibration; ``reason`` says why there is none."""

    value: float | None
    reason: str = ""


def height_factor(look: FirstLook, height_mm: float) -> float:
    """What lies above the mat looks larger: true size over its size on the mat's plane."""
    camera = look.canvas.camera_height_mm
    return 1.0 - height_mm / camera if camera and camera > 5 * height_mm else 1.0


def bundle_factor(look: FirstLook, scene: Scene, candidate: WireCandidate) -> float:
    """`height_factor` at half the height of the bundle under a damage."""
    feet = candidate.extent.feet
    height = float(np.median(scene.graph.half_width_mm[feet])) if len(feet) else 1.0
    return height_factor(look, min(height, 8.0))


def measure_wires(look: FirstLook, scene: Scene, candidate: WireCandidate) -> dict[str, RawMeasure]:
    """All raw measures of a candidate on wires."""
    cells, cell_mm = candidate.region.cells, look.grid.step_px / look.canvas.px_per_mm
    extent = candidate.extent
    factor = bundle_factor(look, scene, candidate)
    length = None if extent.length_mm is None else (extent.length_mm + cell_mm) * factor
    return {
        "length_mm": RawMeasure(length, "no bundle could be traced under the damage"),
        "area_mm2": RawMeasure(len(cells) * cell_mm**2 * factor**2),
        "exposed_copper_mm": RawMeasure(bare_copper_mm(look, cells) * factor),
        "fused_length_mm": RawMeasure(fused_length_mm(look, scene, candidate) * factor),
    }


def bare_copper_mm(look: FirstLook, cells: np.ndarray) -> float:
    """Copper-coloured cells whose colour does not run on along the wire, as a length at one cell's width."""
    table = look.cells
    copper = table.column("copper_share_1.2mm")[cells] > 0.35
    foreign = table.column("break_median")[cells] > 9.0
    return float((copper & foreign).sum()) * look.grid.step_px / look.canvas.px_per_mm


def fused_length_mm(look: FirstLook, scene: Scene, candidate: WireCandidate) -> float:
    """Length of the bundle under the candidate over which wires and gaps no longer run along it.

    Centre-line points whose cells (median over a 5-mm window) turn off the bundle's direction.
    """
    cells = candidate.region.cells
    foot, distance = scene.graph.nearest(look.cells.xy[cells])
    near = distance / look.canvas.px_per_mm < 16
    if not near.any():
        return 0.0
    lumpy = look.cells.column("along_change_4mm")[cells] - look.cells.column("across_step")[cells] * 0.1
    feet = candidate.extent.feet
    points = scene.graph.points[feet]
    out = 0
    for point in points:
        close = near & (np.linalg.norm(scene.graph.points[foot] - point, axis=1) < 2.5 * look.canvas.px_per_mm)
        if close.sum() >= 2 and float(median(lumpy[close])) > _LUMPY:
            out += 1
    link = float(np.median(scene.graph.link_mm)) if len(scene.graph.link_mm) else 0.5
    return out * link


_LUMPY = 2.2


def why_no_way(scene: Scene, candidate: WireCandidate) -> str:
    """Why no way leads from a damage to a termination."""
    if len(candidate.extent.feet) == 0:
        return "no bundle could be traced under the damage"
    if not any(p.graph_point >= 0 for p in [*scene.housings, *scene.terminals]):
        return "no termination is in the photograph"
    return "no termination could be followed to along this bundle"


def gauge_inputs(vector: np.ndarray, raws: Mapping[str, float | None]) -> np.ndarray:
    """(F,) what the calibration of a candidate's measures looks at: its signs and all its raw measures (nan: none)."""
    return np.append(vector, [np.nan if (v := raws[name]) is None else v for name in sorted(raws)])


def input_names(signs: Sequence[str], raws: Iterable[str]) -> tuple[str, ...]:
    """Names of `gauge_inputs`."""
    return (*signs, *(f"raw_{name}" for name in sorted(raws)))


def runs_under_covering(look: FirstLook, scene: Scene, cells: np.ndarray) -> bool:
    """Whether the damage touches a covering, so that it may run on beneath."""
    if not scene.coverings or len(cells) == 0:
        return False
    xy = look.cells.xy[cells]
    reach = _COVERING_GAP_MM * look.canvas.px_per_mm
    covered = np.concatenate(
        [np.argwhere(part.mask[::3, ::3])[:, ::-1] * 3.0 for part in scene.coverings if part.mask is not None]
    )
    if len(covered) == 0:
        return False
    low, high = xy.min(axis=0) - reach, xy.max(axis=0) + reach
    covered = covered[((covered >= low) & (covered <= high)).all(axis=1)]
    if len(covered) == 0:
        return False
    distance = np.linalg.norm(xy[:, None, :] - covered[None, ::4, :], axis=2)
    return bool((distance.min(axis=1) < reach).sum() >= 2)


def shell_damage_mask(look: FirstLook, candidate: ShellCandidate, broken: np.ndarray) -> np.ndarray:
    """(H, W) bool, the broken part of a housing; the whole shell where no part stands out.

    What an eye took for broken comes first, then what the finder did, then dark lines and what the outline lacks.
    broken : (N,) probability that a cell lies on housing damage.
    """
    s = look.canvas.px_per_mm
    seen = likely_breaks(candidate, s)
    if seen.sum() >= 4 * s * s:
        return seen
    member = np.zeros(len(broken), bool)
    member[candidate.cells] = broken[candidate.cells] > 0.3
    raster = look.grid.spread(member.astype(np.float32)) > 0.5
    mask = canvas_mask(look.grid, raster, look.canvas.ground.shape, 0.4 * s)
    if mask.sum() < 4 * s * s:
        mask = candidate.shell.crack | candidate.shell.missing
    return mask if mask.sum() >= 2 * s * s else candidate.shell.mask


def measure_shell(look: FirstLook, candidate: ShellCandidate, probabilities: np.ndarray) -> dict[str, RawMeasure]:
    """Crack length, missing area, and span and area of the broken part of a housing."""
    values = candidate.shell.values
    factor = height_factor(look, 8.0)
    missing = float(candidate.shell.missing.sum()) / look.canvas.px_per_mm**2
    region = shell_damage_mask(look, candidate, probabilities)
    _, _, width, height = cv2.boundingRect(region.view(np.uint8))
    span = float(np.hypot(width - 1, height - 1)) / look.canvas.px_per_mm
    return {
        "crack_length_mm": RawMeasure(values["crack_ridge_mm"] * factor),
        "missing_area_mm2": RawMeasure(missing * factor**2),
        "shell_length_mm": RawMeasure(span * factor),
        "shell_area_mm2": RawMeasure(float(region.sum()) / look.canvas.px_per_mm**2 * factor**2),
    }
