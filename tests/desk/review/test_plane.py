"""Pixels to millimetres: the mat's own map found again, a reference length, and no scale at all."""

import numpy as np
import pytest

from desk.review.plane import plane_of
from vision.findings import Scale

TILTED = np.array([[0.5, 0.02, 3.0], [0.01, 0.48, 5.0], [1e-5, 2e-5, 1.0]])


def through(matrix, points):
    mapped = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return [(float(x / w), float(y / w)) for x, y, w in mapped]


def test_the_map_of_a_tilted_camera_is_found_from_the_findings(seen, drawn):
    """Wires and outlines given in px and mm; a point that is in none of them lands where the camera puts it."""
    flat = seen(drawn.region("rodent", 300, 60))
    region = flat.regions[0].model_copy(
        update={
            "rings_px": [drawn.box(100, 20, 500, 400)],
            "rings_mm": [through(TILTED, drawn.box(100, 20, 500, 400))],
        }
    )
    wire = flat.wires[0]
    wire = wire.model_copy(update={"centreline_mm": through(TILTED, wire.centreline_px)})
    scale = Scale(source="mat", mm_per_px=0.5, u95_rel=0.001)
    photo = flat.model_copy(update={"regions": [region], "wires": [wire], "terminations": [], "scale": scale})
    plane = plane_of(photo)
    point = np.array([[421.0, 77.0]])
    assert plane.to_mm(point)[0] == pytest.approx(through(TILTED, point)[0], abs=1e-4)
    assert plane.u95_mm < 1e-4


def test_points_along_one_line_leave_the_scale_at_the_middle_with_more_doubt(seen):
    """One straight wire determines no tilt: the scale is taken, and 3 % is added to what it is known to."""
    photo = seen(scale=Scale(source="mat", mm_per_px=0.5, u95_rel=0.001))
    plane = plane_of(photo)
    assert plane.to_mm(np.array([[100.0, 40.0]]))[0] == pytest.approx((50.0, 20.0))
    assert plane.u95_rel > 0.03


def test_without_a_scale_there_is_no_plane(seen):
    """Nothing to turn px into mm by."""
    assert plane_of(seen(scale=Scale(source="none"))) is None
