"""Gathers the truth of a rendered scene: visible outlines, lengths, ends, distances."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.camera import Camera
from sample_images.cloud import Visible
from sample_images.harness import Harness, WirePath
from sample_images.layout_scene import Assembly
from sample_images.record import Record, nearest_termination
from sample_images.truth import (
    Ring,
    TruthCamera,
    TruthCovering,
    TruthHousing,
    TruthRegion,
    TruthSplice,
    TruthTermination,
    TruthWire,
)

Floats = NDArray[Any]


@dataclass(frozen=True)
class Joint:
    """A sleeve on a wire between two arc lengths."""

    wire: int
    low: float
    high: float
    origin: str
    part: int  # index of its tube among the parts


def share_of(seen: Visible, on: NDArray[np.bool_], camera: Camera) -> NDArray[np.bool_]:
    """(H,W) bool: pixels of the picture at least half covered by the chosen fine pixels."""
    full = np.zeros((camera.height_px, camera.width_px), bool)
    rows, cols = np.divmod(seen.flat[on], seen.shape[1])
    f = seen.fine
    small = np.zeros((-(-seen.shape[0] // f), -(-seen.shape[1] // f)), np.int32)
    np.add.at(small, (rows // f, cols // f), 1)
    y, x = seen.y0 // f, seen.x0 // f
    full[y : y + small.shape[0], x : x + small.shape[1]] = small * 2 >= f * f
    return full


def rings(mask: NDArray[np.bool_], smallest_px: int = 6) -> list[Ring]:
    """Outer outlines of a mask, px."""
    found, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    out: list[Ring] = []
    large = [c for c in found if cv2.contourArea(c) >= smallest_px]
    for c in large or found:  # a damage of a few pixels keeps its few pixels
        x, y, w, h = cv2.boundingRect(c)
        c = cv2.approxPolyDP(c, 0.6, True).reshape(-1, 2)
        if len(c) < 3:
            c = np.array([(x, y), (x + w - 1, y), (x + w - 1, y + h - 1), (x, y + h - 1)])
        out.append([(float(px), float(py)) for px, py in c])
    return out


def rings_mm(rings_px: list[Ring], camera: Camera, height_mm: float) -> list[Ring]:
    """The same outlines on the plane at the damage's mean height, seen in page millimetres."""
    out: list[Ring] = []
    for ring in rings_px:
        mm = camera.to_ground(np.array(ring), height_mm)
        out.append([(round(float(x), 2), round(float(y), 2)) for x, y in mm])
    return out


def seen_distance(wires: list[WirePath], spans: dict[int, list[tuple[float, float]]], camera: Camera) -> float | None:
    """Way to the nearest termination; None where that one lies outside the photograph: nobody can measure it there."""
    found = nearest_termination(wires, spans)
    if found is None:
        return None
    distance, name = found
    end = next(e for w in wires for e in w.ends if e.id == name)
    x, y = camera.project(np.array([[end.xy[0], end.xy[1], 0.0]]))[0][0]
    inside = 0 <= x <= camera.width_px - 1 and 0 <= y <= camera.height_px - 1
    return distance if inside else None


def damaged(record: Record, seen: Visible, owner: dict[str, int]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Fine pixels of the damaged place itself, and of what broke off and lies about. owner : part of each hard end."""
    on = seen.code == record.code
    if record.housing is None:
        return on, np.zeros_like(on)
    there = seen.part == owner[record.housing]
    return on & there, on & ~there


def truth_region(
    record: Record, k: int, seen: Visible, camera: Camera, wires: list[WirePath], owner: dict[str, int]
) -> TruthRegion:
    """One damage as it is seen."""
    on, off = damaged(record, seen, owner)
    mask = share_of(seen, on, camera)
    outline = rings(mask)
    height = float(seen.xyz[on, 2].mean()) if on.any() else 0.0
    mm = rings_mm(outline, camera, height)
    area = float(sum(cv2.contourArea(np.array(r, np.float32)) for r in mm)) if mm else None
    distance = seen_distance(wires, record.spans, camera) if record.housing is None else 0.0
    return TruthRegion(
        id=f"r{k}",
        label=record.label,
        signs=record.signs,  # type: ignore[arg-type]
        severity=round(record.severity, 3),
        rings_px=outline,
        rings_mm=mm,
        visible_px=int(mask.sum()),
        length_mm=round(record.length_mm, 2),
        area_mm2=None if area is None else round(area, 1),
        wires_affected=len(record.spans),
        wire_ids=[f"w{i}" for i in sorted(record.spans)],
        exposed_copper_mm=None if record.exposed_mm is None else round(record.exposed_mm, 2),
        fused_length_mm=None if record.fused_mm is None else round(record.fused_mm, 2),
        severed_wires=record.severed,
        to_termination_mm=None if distance is None else round(distance, 2),
        continues_under_covering=record.hidden,
        pieces_px=rings(share_of(seen, off, camera)) if off.any() else [],
    )


def truth_wire(wire: WirePath, camera: Camera) -> TruthWire:
    """A wire's axis every 3 mm or so, in mm and projected."""
    pick = np.unique(np.concatenate([np.arange(0, len(wire.s), 8), [len(wire.s) - 1]]))
    xyz = wire.xyz[pick]
    px, _ = camera.project(xyz)
    return TruthWire(
        id=f"w{wire.index}",
        colour=wire.colour,
        diameter_mm=round(wire.od_mm, 3),
        centreline_px=[(round(float(x), 2), round(float(y), 2)) for x, y in px],
        centreline_mm=[(round(float(x), 3), round(float(y), 3)) for x, y in xyz[:, :2]],
        height_mm=[round(float(z), 3) for z in xyz[:, 2]],
        length_mm=round(wire.length_mm, 2),
        ends=[wire.ends[0].id, wire.ends[1].id],
    )


def truth_ends(
    assembly: Assembly, owner: dict[str, int], seen: Visible, camera: Camera
) -> tuple[list[TruthTermination], list[TruthHousing]]:
    """Terminations in the photograph, and the housings among them."""
    ends, housings = [], []
    for end in assembly.harness.ends:
        if end.id is None or not end.wires:
            continue
        face = np.array([[end.xy[0], end.xy[1], 0.0]])
        px = camera.project(face)[0][0]
        outline = rings(share_of(seen, seen.part == owner[end.id], camera)) if end.id in owner else []
        ends.append(
            TruthTermination(
                id=end.id,
                kind=end.kind,
                position_px=(round(float(px[0]), 2), round(float(px[1]), 2)),
                position_mm=(round(float(end.xy[0]), 2), round(float(end.xy[1]), 2)),
                rings_px=outline,
            )
        )
        if end.kind == "housing":
            sp = assembly.hard[end.id].sprite
            housings.append(
                TruthHousing(
                    id=end.id,
                    colour=sp.colour,
                    rings_px=outline,
                    cracked=sp.cracked,
                    crack_length_mm=round(sp.crack_length_mm, 2),
                    missing_area_mm2=round(sp.missing_area_mm2, 2),
                    displaced_terminals=sp.displaced_terminals,
                    cavities=sp.cavities,
                )
            )
    return ends, housings


def truth_splices(joints: list[Joint], seen: Visible, camera: Camera, harness: Harness) -> list[TruthSplice]:
    """Sleeves in the photograph."""
    out = []
    for k, joint in enumerate(joints):
        wire = harness.wires[joint.wire]
        middle = (joint.low + joint.high) / 2
        xyz = np.array([[np.interp(middle, wire.s, wire.xyz[:, i]) for i in range(3)]])
        px = camera.project(xyz)[0][0]
        others = [j for j in joints if j is not joint and j.wire == joint.wire]
        gap = [max(j.low - joint.high, joint.low - j.high) for j in others]
        distance = seen_distance(harness.wires, {joint.wire: [(joint.low, joint.high)]}, camera)
        out.append(
            TruthSplice(
                id=f"s{k}",
                wire_id=f"w{joint.wire}",
                rings_px=rings(share_of(seen, seen.part == joint.part, camera)),
                position_px=(round(float(px[0]), 2), round(float(px[1]), 2)),
                position_mm=(round(float(xyz[0, 0]), 2), round(float(xyz[0, 1]), 2)),
                length_mm=round(joint.high - joint.low, 2),
                to_termination_mm=None if distance is None else round(distance, 2),
                to_next_splice_mm=round(min(gap), 2) if gap else None,
                origin=joint.origin,  # type: ignore[arg-type]
            )
        )
    return out


def truth_covering(
    k: int, kind: str, length_mm: float, parts: list[int], seen: Visible, camera: Camera
) -> TruthCovering:
    """A covering as it is seen."""
    mask = share_of(seen, np.isin(seen.part, parts), camera)
    return TruthCovering(id=f"c{k}", kind=kind, rings_px=rings(mask), length_mm=round(length_mm, 2))


def truth_camera(camera: Camera) -> TruthCamera:
    """The camera's numbers."""
    return TruthCamera(K=camera.K.tolist(), k1=camera.k1, k2=camera.k2, R=camera.R.tolist(), t=camera.t.tolist())
