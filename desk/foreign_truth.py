"""Reads truth files: the project's own (`truth/1`), and schema `bench-3d/1` mapped to the same types."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from sample_images.truth import (
    TRUTH_SCHEMA,
    Ring,
    Truth,
    TruthCovering,
    TruthHousing,
    TruthRegion,
    TruthSplice,
    TruthTermination,
    TruthWire,
)
from vision.regions import JOIN_MM

FOREIGN_SCHEMA = "bench-3d/1"

LABEL_OF = {
    "sound": "sound",
    "fused_heat": "external_heat",
    "electrical_overload": "electrical_overload",
    "rodent": "rodent",
    "housing_crack": "connector",
    "abrasion": "abrasion",
    "prior_splice": "earlier_repair",
}
"""Damage names of `bench-3d/1` and the labels they stand for."""

_BROKEN_OF = {"corner": "corner_missing", "latch": "lock_missing"}

_COVERING_OF = {"tape": "tape", "cloth_tape": "cloth", "conduit": "conduit", "cable_tie": "tie"}


class TruthError(ValueError):
    """A truth file that cannot be read."""


class _UnknownNameError(ValueError):
    """A name that a foreign truth file gives to a thing, and that stands for none of ours."""


def _known(ours: dict[str, str], name: str, what: str) -> str:
    """Our name for the one in the file. Raises `_UnknownNameError` where there is none."""
    if name not in ours:
        raise _UnknownNameError(f"{what}: expected one of {', '.join(ours)}, got {name!r}")
    return ours[name]


def read_truth(path: Path) -> Truth:
    """The truth in `path`, whichever of the two schemas it is written in."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, json.JSONDecodeError) as error:
        raise TruthError(f"{path}: expected a truth file in JSON, got {error}: write it again or remove it") from error
    schema = data.get("schema_version", data.get("schema")) if isinstance(data, dict) else None
    try:
        if schema == TRUTH_SCHEMA:
            return Truth.model_validate(data)
        if schema == FOREIGN_SCHEMA:
            return truth_from_foreign(data)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise TruthError(f"{path}: expected truth of schema {schema}, got {place}: {first['msg']}: mend it") from error
    except _UnknownNameError as error:
        raise TruthError(f"{path}: {error}: name it so or leave the file out") from error
    except (KeyError, TypeError) as error:
        raise TruthError(f"{path}: expected all fields of schema {schema}, got {error!r}: mend the file") from error
    raise TruthError(f"{path}: expected schema {TRUTH_SCHEMA} or {FOREIGN_SCHEMA}, got {schema!r}: convert the file")


def truth_from_foreign(data: dict[str, Any]) -> Truth:
    """Map one `bench-3d/1` file.

    Sleeves are earlier repairs where `labels` has `prior_splice`, else factory joints. Repairs near each other are one
    region, as everywhere.
    """
    repaired = "prior_splice" in data["labels"]
    regions = [_damage(item, i) for i, item in enumerate(data["damage"])]
    splices = [_splice(item, i, data, repaired) for i, item in enumerate(data["splices"])]
    if repaired:
        near = _near_each_other(data["splices"])
        regions += [_sleeves_region(f"s{k}", [(data["splices"][i], splices[i]) for i in mine]) for k, mine in near]
    return Truth(
        photo=data["image"],
        width_px=data["width"],
        height_px=data["height"],
        seed=data["seed"],
        scenario=data["scenario"],
        mat=None if data["mat"] is None else Path(data["mat"]).stem,
        mm_per_px_centre=data["mm_per_px_centre"],
        labels=[_known(LABEL_OF, name, "label") for name in data["labels"]],
        regions=regions,
        wires=[_wire(item) for item in data["wires"]],
        terminations=_terminations(data),
        housings=[_housing(item, data["damage"]) for item in data["connectors"]],
        coverings=[_covering(item, i) for i, item in enumerate(data["coverings"])],
        splices=splices,
        camera=None,
    )


def _damage(item: dict[str, Any], index: int) -> TruthRegion:
    kind = item["type"]
    is_housing = kind == "housing_crack"
    wires = [f"w{wire}" for wire in item.get("wires", [])]
    rings_mm = [_ring(r) for r in item["polygons_mat_mm"]]
    length = item.get("extent_along_bundle_mm", item["length_mm"])
    return TruthRegion(
        id=f"r{index}",
        label=_known(LABEL_OF, kind, "damage"),
        signs=_signs(item),
        rings_px=[_ring(r) for r in item["polygons_px"]],
        rings_mm=rings_mm,
        visible_px=item["visible_pixels"],
        length_mm=length,
        area_mm2=sum(_area(r) for r in rings_mm),
        wires_affected=item["wires_affected"],
        wire_ids=wires,
        exposed_copper_mm=None if is_housing else item["exposed_copper_mm"],
        fused_length_mm=length if kind == "fused_heat" else None,
        severed_wires=int(item["severed"]) if "severed" in item else None,
        to_termination_mm=item["dist_to_termination_mm"],
    )


def _signs(item: dict[str, Any]) -> list[Any]:
    """The signs the kind of damage always shows, and those its numbers tell of."""
    kind, signs = item["type"], []
    if kind == "fused_heat":
        signs = ["browned", "fused"]
    elif kind == "electrical_overload":
        signs = ["browned"] + (["stained_neighbours"] if item.get("stained_neighbours") else [])
    elif kind == "abrasion":
        signs = ["worn_insulation"]
    elif kind == "housing_crack":
        signs = ["cracked"] if item["crack_length_mm"] > 0 else []
        signs += [_known(_BROKEN_OF, part, "broken part") for part in item["broken"]]
        signs += ["displaced_terminal"] if item.get("displaced_terminal") else []
    if item.get("severed"):
        signs.append("severed")
    if item["exposed_copper_mm"] > 0:
        signs.append("bare_copper")
    return signs


def _near_each_other(items: list[dict[str, Any]]) -> list[tuple[int, list[int]]]:
    """Numbers of the sleeves that are one region, each with the first of them: no more than `JOIN_MM` apart.

    All wires start at end A, so sleeves of different wires lie beside each other where their ways from it overlap.
    """
    found: list[list[int]] = []
    end = -np.inf
    for i in sorted(range(len(items)), key=lambda i: _stretch(items[i])):
        low, high = _stretch(items[i])
        if low - end > JOIN_MM:
            found.append([])
        found[-1].append(i)
        end = max(end, high)
    return [(min(mine), sorted(mine)) for mine in found]


def _stretch(item: dict[str, Any]) -> tuple[float, float]:
    """Where a sleeve begins and ends, mm from end A."""
    middle, half = item["centre_dist_A_mm"], item["length_mm"] / 2
    return middle - half, middle + half


def _sleeves_region(name: str, sleeves: list[tuple[dict[str, Any], TruthSplice]]) -> TruthRegion:
    rings_mm = [_ring(item["polygon_mat_mm"]) for item, _ in sleeves]
    low, high = zip(*(_stretch(item) for item, _ in sleeves), strict=True)
    wires = sorted({splice.wire_id for _, splice in sleeves})
    return TruthRegion(
        id=name,
        label="earlier_repair",
        signs=["sleeve"],
        rings_px=[ring for _, splice in sleeves for ring in splice.rings_px],
        rings_mm=rings_mm,
        visible_px=sum(item["visible_pixels"] for item, _ in sleeves),
        length_mm=max(high) - min(low),
        area_mm2=sum(_area(ring) for ring in rings_mm),
        wires_affected=len(wires),
        wire_ids=wires,
        exposed_copper_mm=0.0,
        to_termination_mm=min(
            (s.to_termination_mm for _, s in sleeves if s.to_termination_mm is not None), default=None
        ),
    )


def _splice(item: dict[str, Any], index: int, data: dict[str, Any], repaired: bool) -> TruthSplice:
    px, mm = _ring(item["polygon_px"]), _ring(item["polygon_mat_mm"])
    others = [
        abs(item["centre_dist_A_mm"] - other["centre_dist_A_mm"]) - (item["length_mm"] + other["length_mm"]) / 2
        for other in data["splices"]
        if other is not item and other["wire"] == item["wire"]
    ]
    return TruthSplice(
        id=f"sp{index}",
        wire_id=f"w{item['wire']}",
        rings_px=[px],
        position_px=_middle(px),
        position_mm=_middle(mm),
        length_mm=item["length_mm"],
        to_termination_mm=item["dist_to_termination_mm"],
        to_next_splice_mm=min(others, default=None),
        origin="repair" if repaired else "factory",
    )


def _wire(item: dict[str, Any]) -> TruthWire:
    base = item["iec60757"] or item["colour"]
    stripe = item["stripe_iec60757"] or item["stripe"]
    return TruthWire(
        id=f"w{item['id']}",
        colour=base + (f"/{stripe}" if stripe else ""),
        diameter_mm=item["od_mm"],
        centreline_px=_ring(item["centreline_px"]),
        centreline_mm=_ring(item["centreline_mat_mm"]),
        height_mm=item["centreline_z_mm"],
        length_mm=item["length_mm"],
        ends=[_end_id(item["end_a"]), _end_id(item["end_e"])],
    )


def _end_id(end: dict[str, Any] | None) -> str | None:
    return None if end is None else f"{end['kind']}{end['id']}"


def _terminations(data: dict[str, Any]) -> list[TruthTermination]:
    found = []
    for kind, name, key in (("housing", "connector", "connectors"), ("ring", "ring", "ring_terminals")):
        for item in data[key]:
            px, mm = _ring(item["polygon_px"]), _ring(item["polygon_mat_mm"])
            found.append(
                TruthTermination(
                    id=f"{name}{item['id']}", kind=kind, position_px=_middle(px), position_mm=_middle(mm), rings_px=[px]
                )
            )
    return found


def _housing(item: dict[str, Any], damage: list[dict[str, Any]]) -> TruthHousing:
    lost = [d for d in damage if d["type"] == "housing_crack" and d["connector"] == item["id"] and d["broken"]]
    return TruthHousing(
        id=f"connector{item['id']}",
        colour=item["colour"],
        rings_px=[_ring(item["polygon_px"])],
        cracked=bool(item["cracked"]),
        crack_length_mm=item["crack_length_mm"],
        missing_area_mm2=sum(_area(_ring(r)) for d in lost for r in d["polygons_mat_mm"]),
        displaced_terminals=1 if item["displaced_terminal"] else 0,
        cavities=item["cavities"],
    )


def _covering(item: dict[str, Any], index: int) -> TruthCovering:
    return TruthCovering(
        id=f"c{index}",
        kind=_known(_COVERING_OF, item["kind"], "covering"),
        rings_px=[],
        length_mm=item["trunk_s1"] - item["trunk_s0"],
    )


def _ring(points: list[list[float]]) -> Ring:
    return [(float(x), float(y)) for x, y in points]


def _middle(ring: Ring) -> tuple[float, float]:
    x, y = np.mean(np.asarray(ring, float), axis=0)
    return float(x), float(y)


def _area(ring: Ring) -> float:
    """Area enclosed by the ring (shoelace formula)."""
    x, y = np.asarray(ring, float).T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)
