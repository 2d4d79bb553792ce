"""Draws what was seen on the way from a photograph to its findings: one picture for each step."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from desk.inspection_frame import Bgr, Key, Ramp, framed, hatched, heat_colours
from vision.mat import MatView
from vision.parts import Part
from vision.recognise import Scene
from vision.sight import FirstLook
from vision.wires import TracedWire

FEATURES = ("copper_share_1.2mm", "break_median", "change_light", "along_change_4mm", "across_step")
"""Features drawn where nobody names others."""
_OUT, _IN, _AMBER, _BLUE, _GREEN = (60, 60, 200), (90, 160, 30), (20, 150, 230), (190, 110, 20), (80, 150, 60)
_WIRES: tuple[Bgr, ...] = (
    (180, 119, 31), (14, 127, 255), (44, 160, 44), (40, 39, 214), (189, 103, 148), (75, 86, 140), (194, 119, 227),
    (34, 189, 188),
)  # fmt: skip
_PHOTO_SIDE_PX = 1600
_OFF_TIMES = 30


@dataclass(frozen=True, eq=False)
class Step:
    """One picture: file name without suffix, what it shows in a sentence, and its pixels."""

    name: str
    says: str
    bgr: np.ndarray


def first_steps(look: FirstLook) -> Iterator[Step]:
    """What is seen before anything is recognised."""
    s = _scale(look)
    yield _mat(look)
    plane = "The mat's plane from straight above: all seeing works on it."
    says = plane if s else "The photograph at the working size."
    yield Step("2-rectified", says, framed(look.canvas.bgr, "rectified", [], s))
    lit = cv2.cvtColor(look.even.lab, cv2.COLOR_LAB2BGR)
    clipped = np.clip(lit * 255, 0, 255).astype(np.uint8)
    clipped[look.even.clipped] = _OUT
    yield Step("3-even-light", "Light and white evened out; red: burnt out or black, nothing is known there.",
               framed(clipped, "even light", [Key(_OUT, "burnt out or black")], s))  # fmt: skip
    yield _mask(look, s)


def _scale(look: FirstLook) -> float | None:
    return look.canvas.px_per_mm if look.canvas.mm_known else None


def _mat(look: FirstLook) -> Step:
    """The photograph with the page's rim and each marker, its corners' errors enlarged."""
    shrink = min(1.0, _PHOTO_SIDE_PX / max(look.photo.bgr.shape[:2]))
    out = cv2.resize(look.photo.bgr, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    if not isinstance(look.view, MatView):
        says = f"No mat: {look.view.reason}."
        return Step("1-mat", says, framed(out, "no mat", [], None))
    view = look.view

    def drawn(px: np.ndarray, colour: Bgr, width: int) -> None:
        points = np.rint(((px + 0.5) * shrink - 0.5) * 16).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(out, [points], len(px) > 2, colour, width, cv2.LINE_AA, 4)

    w, h = view.layout.page_mm
    rim = np.concatenate([np.linspace(a, b, 20) for a, b in (
        ((0, 0), (w, 0)), ((w, 0), (w, h)), ((w, h), (0, h)), ((0, h), (0, 0)),
    )])  # fmt: skip
    drawn(view.to_px(rim), _BLUE, 2)
    corners = view.layout.marker_corners_mm
    for marker in view.markers:
        fitted = view.to_px(corners[marker.dictionary, marker.id])
        drawn(fitted, _IN, 2)
        for seen, at in zip(marker.corners_px, fitted, strict=True):
            drawn(np.array([at, at + _OFF_TIMES * (seen - at)]), _AMBER, 2)
    keys = [Key(_BLUE, "rim of the page"), Key(_IN, "marker used"), Key(_AMBER, f"corner's error x {_OFF_TIMES}")]
    says = (
        f"Mat {view.layout.name}: {len(view.markers)} of {len(view.layout.markers)} markers, residual "
        f"{view.residual_mm:.3f} mm, tilt {view.tilt_deg:.1f} degrees, camera {view.camera_mm[2]:.0f} mm above, scale "
        f"{view.mm_per_px:.4f} mm a pixel within {view.u95_rel:.2%}."
    )
    return Step("1-mat", says, framed(out, "mat and markers", keys, shrink / view.mm_per_px))


def _mask(look: FirstLook, s: float | None) -> Step:
    out = hatched(look.canvas.bgr, ~look.canvas.ground, (150, 150, 150))
    solid = look.foreground.solid
    out[solid] = (0.55 * out[solid] + 0.45 * np.array(_GREEN)).astype(np.uint8)
    rims, _ = cv2.findContours(look.foreground.filled.astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
    cv2.drawContours(out, rims, -1, _AMBER, 1)
    keys = [Key(_GREEN, "assembly"), Key(_AMBER, "its outline, gaps closed"), Key((150, 150, 150), "not looked at")]
    return Step("4-mask", "What was taken for the assembly.", framed(out, "mask", keys, s))


def recognised_steps(look: FirstLook, scene: Scene, wires: Sequence[TracedWire]) -> Iterator[Step]:
    """Parts and traces."""
    yield _parts(look, scene)
    yield _traces(look, scene, wires)


def _pale(look: FirstLook) -> np.ndarray:
    return (0.45 * look.canvas.bgr + 0.55 * 255).astype(np.uint8)


def _parts(look: FirstLook, scene: Scene) -> Step:
    out = _pale(look)
    kinds: tuple[tuple[str, list[Part], Bgr], ...] = (
        ("housing", scene.housings, _BLUE), ("terminal", scene.terminals, _OUT), ("covering", scene.coverings, _GREEN),
    )  # fmt: skip
    for _, parts, colour in kinds:
        for part in parts:
            if part.mask is not None:
                out = hatched(out, part.mask, colour)
                _named(out, part.id, part.point, colour)
    for part in scene.cut_ends:
        cv2.circle(out, tuple(np.rint(part.point).astype(int).tolist()), 9, _AMBER, 3, cv2.LINE_AA)
        _named(out, part.id, part.point, _AMBER)
    keys = [Key(c, f"{name} ({len(parts)})") for name, parts, c in kinds]
    keys.append(Key(_AMBER, f"open or cut end ({len(scene.cut_ends)})"))
    return Step("5-parts", "Housings, terminals, coverings and ends.", framed(out, "parts", keys, _scale(look)))


def _named(out: np.ndarray, text: str, at: np.ndarray, colour: Bgr) -> None:
    """A name on a white edge, moved into the picture."""
    x = int(np.clip(at[0] + 8, 4, out.shape[1] - 60))
    y = int(np.clip(at[1] - 8, 24, out.shape[0] - 6))
    cv2.putText(out, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, 0.8, (255, 255, 255), 5, cv2.LINE_AA)
    cv2.putText(out, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, 0.8, colour, 2, cv2.LINE_AA)


def _traces(look: FirstLook, scene: Scene, wires: Sequence[TracedWire]) -> Step:
    out = _pale(look)
    for point in np.rint(scene.graph.points).astype(int):
        cv2.circle(out, tuple(point.tolist()), 1, (120, 120, 120), -1)
    keys = [Key((120, 120, 120), "middle of a bundle")]
    for i, wire in enumerate(wires):
        colour = _WIRES[i % len(_WIRES)]
        line = np.rint(wire.centreline_px * 16).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(out, [line], False, colour, 1 if wire.ambiguous else 3, cv2.LINE_AA, 4)
        _named(out, wire.id, wire.centreline_px[len(wire.centreline_px) // 2], colour)
        known = wire.diameter_mm if look.canvas.mm_known else None
        width = f"{known.value:.1f} mm" if known else "width not known"
        sort = ", join left open" if wire.ambiguous else ""
        keys.append(Key(colour, f"{wire.id} {wire.colour} {width}{sort}"))
    says = f"{len(wires)} single wires were followed; thin lines: several wires could continue one of their ends."
    return Step("6-traces", says, framed(out, "traces", keys, _scale(look)))


def heat_steps(look: FirstLook, scene: Scene, classes: Sequence[str], features: Sequence[str]) -> Iterator[Step]:
    """The finder's probability of each class cell by cell, what an eye sees of breaks on housings, then features."""
    for k, name in enumerate(classes):
        says = f"How probable the finder holds {name.replace('_', ' ')} cell by cell."
        yield _heat(look, f"7-finder-{name}", says, scene.probabilities[:, k], Ramp(0.0, 1.0, ""))
    if any(candidate.picture is not None for candidate in scene.shell_candidates):
        yield _breaks(look, scene)
    for name in features:
        values = look.cells.column(name)
        low, high = (float(v) for v in np.percentile(values, (2, 98)))
        says = f"Feature {name}; the ramp ends where 2 % of the cells lie beyond."
        yield _heat(look, f"8-feature-{name}", says, values, Ramp(low, high if high > low else low + 1.0, ""))


def _breaks(look: FirstLook, scene: Scene) -> Step:
    out, ramp = _pale(look), Ramp(0.0, 1.0, "")
    for candidate in scene.shell_candidates:
        if candidate.picture is None:
            continue
        on_shell = candidate.picture.on_canvas(candidate.picture.on_shell, out.shape) > 0
        broken = candidate.picture.on_canvas(np.sum(list(candidate.breaks.values()), axis=0), out.shape)
        out[on_shell] = heat_colours(broken[on_shell], ramp)
        _named(out, candidate.part.id, candidate.part.point, _BLUE)
    says = "How probable the shell eye holds a break, place by place on the housings."
    return Step("7-shell-eye-broken", says, framed(out, "shell-eye-broken", ramp, _scale(look)))


def _heat(look: FirstLook, name: str, says: str, values: np.ndarray, ramp: Ramp) -> Step:
    out = _pale(look)
    half = max(1, round(look.grid.step_px / 2))
    colours = heat_colours(values, ramp)
    at = np.rint(look.cells.xy).astype(int)
    for dy in range(-half, half):
        for dx in range(-half, half):
            x = np.clip(at[:, 0] + dx, 0, out.shape[1] - 1)
            y = np.clip(at[:, 1] + dy, 0, out.shape[0] - 1)
            out[y, x] = colours
    return Step(name, says, framed(out, name.split("-", 1)[1], ramp, _scale(look)))
