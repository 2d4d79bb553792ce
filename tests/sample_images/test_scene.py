"""Bench photographs: every scenario renders, the same arguments give the same bytes, and the truth is true."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from sample_images.scene import SCENARIOS, SceneError, SceneSettings, render_scene
from sample_images.truth import Truth

SMALL = SceneSettings(width_px=400, closeup=False)
SEED = 3


@pytest.fixture(scope="module")
def scenes() -> dict[str, tuple[np.ndarray, Truth]]:
    """One small scene of each scenario."""
    return {name: render_scene(SEED, name, SMALL) for name in SCENARIOS}


def project(truth: Truth, xyz: np.ndarray) -> np.ndarray:
    """OpenCV's own projection of mm (x, y, height) to px, from the camera in the truth."""
    camera = truth.camera
    assert camera is not None
    points = np.column_stack([xyz[:, :2], -xyz[:, 2]])
    rvec, _ = cv2.Rodrigues(np.array(camera.R))
    dist = np.array([camera.k1, camera.k2, 0.0, 0.0])
    px, _ = cv2.projectPoints(points, rvec, np.array(camera.t), np.array(camera.K), dist)
    return px.reshape(-1, 2)


def test_every_scenario_gives_a_picture_of_the_asked_size_with_its_own_label(scenes) -> None:
    """Sound scenes have no region, single scenarios exactly their label, mixed ones two labels."""
    for name, (picture, truth) in scenes.items():
        assert picture.shape == (300, 400, 3) and picture.dtype == np.uint8
        assert picture.std() > 5
        if name == "sound":
            assert truth.labels == ["sound"] and truth.regions == []
        elif name == "mixed":
            assert len(truth.labels) == 2
        else:
            assert truth.labels == [name]
        assert sorted({r.label for r in truth.regions}) == ([] if name == "sound" else truth.labels)


def test_same_arguments_give_the_same_bytes_and_another_seed_another_picture() -> None:
    """Determinism: rendering twice agrees in every byte of picture and truth."""
    one, truth_one = render_scene(7, "rodent", SMALL)
    two, truth_two = render_scene(7, "rodent", SMALL)
    other, _ = render_scene(8, "rodent", SMALL)
    assert one.tobytes() == two.tobytes()
    assert truth_one.model_dump_json() == truth_two.model_dump_json()
    assert one.tobytes() != other.tobytes()


def test_outlines_lie_inside_the_picture_and_enclose_about_the_visible_pixels(scenes) -> None:
    """Region rings are inside the frame; filling them covers at least the pixels counted as damaged."""
    for picture, truth in scenes.values():
        h, w = picture.shape[:2]
        for region in truth.regions:
            filled = np.zeros((h, w), np.uint8)
            for ring in region.rings_px:
                points = np.array(ring)
                assert (points >= 0).all() and (points[:, 0] < w).all() and (points[:, 1] < h).all()
                cv2.fillPoly(filled, [points.astype(np.int32)], 1)
            assert filled.sum() >= 0.5 * region.visible_px > 0


def test_wire_axes_in_pixels_are_the_projection_of_their_millimetres_and_heights(scenes) -> None:
    """centreline_px agrees with cv2.projectPoints of centreline_mm and height_mm to a twentieth of a pixel."""
    for _, truth in scenes.values():
        for wire in truth.wires:
            mm = np.array(wire.centreline_mm)
            xyz = np.column_stack([mm, wire.height_mm])
            gap = np.abs(project(truth, xyz) - np.array(wire.centreline_px))
            px = np.array(wire.centreline_px)
            near = (px > 0).all(1) & (px[:, 0] < truth.width_px) & (px[:, 1] < truth.height_px)
            assert gap[near].max(initial=0.0) < 0.05


def test_wire_length_is_the_length_of_its_axis(scenes) -> None:
    """length_mm equals the polyline through mm and heights, up to what thinning the polyline cuts off.

    A burnt wire that lies upon its neighbours climbs over each: on a long one that is more than a hundredth.
    """
    for _, truth in scenes.values():
        for wire in truth.wires:
            xyz = np.column_stack([np.array(wire.centreline_mm), wire.height_mm])
            assert np.linalg.norm(np.diff(xyz, axis=0), axis=1).sum() == pytest.approx(wire.length_mm, rel=0.015)


@pytest.mark.parametrize("seed", [1, 2, 4])
def test_distance_to_termination_equals_the_arc_from_the_sleeve_to_the_nearer_end(seed: int) -> None:
    """A sleeve's ring, projected onto its wire's truth axis, gives the stated distance along the axis."""
    _, truth = render_scene(seed, "earlier_repair", SceneSettings(width_px=800, closeup=False))
    for splice in truth.splices:
        wire = next(w for w in truth.wires if w.id == splice.wire_id)
        xyz = np.column_stack([np.array(wire.centreline_mm), wire.height_mm])
        arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(xyz, axis=0), axis=1))])
        nearest = int(np.argmin(np.linalg.norm(xyz[:, :2] - np.array(splice.position_mm), axis=1)))
        reach = [arc[nearest], arc[-1] - arc[nearest]]
        known = [r for r, end in zip(reach, wire.ends, strict=True) if end is not None]
        if not known:
            assert splice.to_termination_mm is None
        else:
            assert splice.to_termination_mm == pytest.approx(min(known) - splice.length_mm / 2, abs=3.0)


def test_markers_of_the_mat_are_found_where_the_truth_says() -> None:
    """OpenCV's detector finds a marker of the printed mat within a pixel of its projected centre."""
    from vision.layout import builtin_layouts

    name = next(m.name for m in builtin_layouts() if m.kind == "mat")
    picture, truth = render_scene(5, "sound", SceneSettings(width_px=1200, mat=name, closeup=False))
    layout = next(m for m in builtin_layouts() if m.name == truth.mat)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, layout.markers[0].dictionary))
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(picture)
    centres = {m.id: m.centre_mm for m in layout.markers}
    checked = 0
    for quad, marker in zip(corners, np.ravel(ids), strict=True):
        if int(marker) not in centres:
            continue
        want = project(truth, np.array([[*centres[int(marker)], 0.0]]))[0]
        assert np.linalg.norm(quad.reshape(4, 2).mean(0) - want) < 1.5
        checked += 1
    assert checked >= 3


def test_a_broken_housing_is_damaged_where_it_broke_and_its_pieces_lie_beside_it() -> None:
    """Outline of the damage on the outline of its housing; what broke off is told apart and lies off the outline.

    Seeds 0 to 5 at 900 px, of which at least two have pieces in the picture.
    """
    with_pieces = 0
    for seed in range(6):
        _, truth = render_scene(seed, "connector", SceneSettings(width_px=900))
        (region,) = [r for r in truth.regions if r.label == "connector"]
        shells = np.zeros((truth.height_px, truth.width_px), np.uint8)
        for housing in truth.housings:
            for ring in housing.rings_px:
                cv2.fillPoly(shells, [np.rint(ring).astype(np.int32)], 1)
        near = cv2.dilate(shells, np.ones((7, 7), np.uint8))
        for ring in region.rings_px:
            x, y = np.rint(np.asarray(ring)).astype(int).T
            assert near[y, x].all()
        pieces = np.zeros_like(shells)
        for ring in region.pieces_px:
            cv2.fillPoly(pieces, [np.rint(ring).astype(np.int32)], 1)
        assert not (pieces & cv2.erode(shells, np.ones((5, 5), np.uint8))).any()
        with_pieces += bool(region.pieces_px)
    assert with_pieces >= 2


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: render_scene(1, "flood", SMALL), "scenario: expected one of"),
        (lambda: SceneSettings(width_px=20), "width_px: expected 200 to 6000, got 20"),
        (lambda: SceneSettings(mat="nowhere"), "mat: expected"),
        (lambda: SceneSettings(no_mat_share=2.0), "no_mat_share: expected 0 to 1"),
    ],
)
def test_impossible_wishes_are_refused_with_what_would_do(make, words: str) -> None:
    """Each error names the setting, what was expected and what came."""
    with pytest.raises(SceneError, match=words):
        make()


def test_bare_bench_has_no_mat_in_its_truth() -> None:
    """mat=None renders the bench alone."""
    _, truth = render_scene(9, "sound", SceneSettings(width_px=300, mat=None))
    assert truth.mat is None


def test_a_crowded_scene_holds_more_damages_and_only_adds_to_the_scenario() -> None:
    """With extra damages every label of the scenario is still there, damages keep their distance, bytes repeat."""
    wide = SceneSettings(width_px=700, closeup=False, extra=4)
    picture, truth = render_scene(11, "rodent", wide)
    again, same = render_scene(11, "rodent", wide)
    assert (picture == again).all() and truth == same
    assert "rodent" in truth.labels
    crowded = [render_scene(seed, "sound", wide)[1] for seed in (5, 6)]
    assert sum(len(t.regions) for t in crowded) >= 2
    with pytest.raises(SceneError, match="extra: expected 0 to 8, got 9"):
        SceneSettings(extra=9)


def test_no_distance_is_true_to_a_termination_outside_the_picture() -> None:
    """Where a region has a distance, a termination of one of its wires lies in the picture."""
    for seed in (1, 2, 3):
        _, truth = render_scene(seed, "abrasion", SceneSettings(width_px=400, closeup=True))
        inside = {
            t.id
            for t in truth.terminations
            if 0 <= t.position_px[0] <= truth.width_px and 0 <= t.position_px[1] <= truth.height_px
        }
        wires = {w.id: w for w in truth.wires}
        for region in truth.regions:
            reached = {end for name in region.wire_ids for end in wires[name].ends}
            assert region.to_termination_mm is None or reached & inside
