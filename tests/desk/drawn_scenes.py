"""Bench photographs with truth, drawn by hand: small enough to read by eye."""

from pathlib import Path

import cv2
import numpy as np

from sample_images.truth import Truth, TruthRegion, TruthSplice, TruthTermination, TruthWire


def box(x, y, w, h):
    """A rectangle as a ring."""
    return [(x, y), (x + w, y), (x + w, y + h), (x, y + h)]


def region(label, x, w, region_id="r0", **changes):
    """Damage on the wire at y = 240 px from x to x + w; 0.5 mm a pixel; the housing's face is at x = 40 px."""
    values = {
        "id": region_id,
        "label": label,
        "signs": {"external_heat": ["fused"], "rodent": ["bare_copper"], "abrasion": ["worn_insulation"]}.get(
            label, []
        ),
        "rings_px": [box(x, 234, w, 12)],
        "rings_mm": [box(x / 2, 117, w / 2, 6)],
        "visible_px": w * 12,
        "length_mm": w / 2,
        "area_mm2": w * 3.0,
        "wires_affected": 1,
        "wire_ids": ["w0"],
        "exposed_copper_mm": 8.0 if label == "rodent" else 0.0,
        "severed_wires": None,  # no photograph tells
        "to_termination_mm": (x - 40) / 2,
    }
    return TruthRegion(**(values | changes))


def truth(name, regions, splices=()):
    """One red wire along y = 240 px of a 640 x 480 photograph, from a housing at the left."""
    line = [(float(x), 240.0) for x in range(40, 621, 20)]
    return Truth(
        photo=name,
        width_px=640,
        height_px=480,
        seed=0,
        scenario="drawn",
        mat="drawn",
        mm_per_px_centre=0.5,
        labels=sorted({r.label for r in regions}) or ["sound"],
        regions=list(regions),
        wires=[
            TruthWire(
                id="w0",
                colour="RD",
                diameter_mm=2.0,
                centreline_px=line,
                centreline_mm=[(x / 2, y / 2) for x, y in line],
                height_mm=[1.0] * len(line),
                length_mm=290.0,
                ends=["h0", None],
            )
        ],
        terminations=[
            TruthTermination(
                id="h0", kind="housing", position_px=(40, 240), position_mm=(20, 120), rings_px=[box(10, 220, 30, 40)]
            )
        ],
        housings=[],
        coverings=[],
        splices=list(splices),
        camera=None,
    )


def sleeve(x, to_termination_mm):
    """A repair sleeve of 30 mm at x."""
    return TruthSplice(
        id="s0",
        wire_id="w0",
        rings_px=[box(x, 234, 60, 12)],
        position_px=(x + 30, 240),
        position_mm=((x + 30) / 2, 120),
        length_mm=30,
        to_termination_mm=to_termination_mm,
        to_next_splice_mm=None,
        origin="repair",
    )


def write_case(folder: Path, known: Truth) -> Path:
    """Draw the photograph and lay its truth beside it."""
    bgr = np.full((480, 640, 3), 230, np.uint8)
    cv2.line(bgr, (40, 240), (620, 240), (40, 30, 190), 4)
    cv2.rectangle(bgr, (10, 220), (40, 260), (60, 60, 60), -1)
    for damage in known.regions:
        cv2.fillPoly(bgr, [np.asarray(r, np.int32) for r in damage.rings_px], (30, 40, 50))
    path = folder / known.photo
    cv2.imwrite(str(path), bgr)
    path.with_suffix(".json").write_text(known.model_dump_json(), "utf-8")
    return path
