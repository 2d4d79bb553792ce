"""Housings as candidates with an eye that looks at them: two side by side, drawn, and an eye that sees what is red."""

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from vision.cells import Cells
from vision.evidence import shell_words
from vision.measure import shell_damage_mask
from vision.parts import Part
from vision.shell_candidate import likely_breaks, shell_candidates
from vision.shell_picture import PLACE_PX

S = 5.0
CLASSES = ("ground", "housing", "connector")
KINDS = ("fracture", "hollow", "piece", "terminal")
NAMES = ("dark_line_2mm", "bright_line_2mm", "off_axis_energy_2.5mm", "edge_rough_4mm", "light_spread_1mm")


def red(picture):
    """What is red is a fracture, what is green a piece."""
    a = picture[..., 1].astype(float)
    rows, columns = a.shape
    places = a.reshape(rows // PLACE_PX, PLACE_PX, columns // PLACE_PX, PLACE_PX).mean(axis=(1, 3))
    none = np.zeros_like(places)
    return {
        "fracture": np.clip(places / 60, 0, 1),
        "hollow": none,
        "piece": np.clip(-places / 60, 0, 1),
        "terminal": none,
    }


@pytest.fixture(scope="module")
def two():
    """Look, housings and cells' probabilities: two boxes 8 mm apart; the right one has a red crack 16 mm long, a red
    corner beside it that is missing, and a green piece 6 mm from it on the far side."""
    lab = np.tile(np.array((92.0, 0, 0), np.float32), (500, 900, 1))
    left, right = np.zeros((500, 900), bool), np.zeros((500, 900), bool)
    left[180:300, 150:350], right[180:300, 390:590] = True, True
    lab[left | right] = (45, 0, 0)
    lab[235:243, 440:520] = (45, 90, 0)
    lab[200:225, 620:650] = (45, -90, 0)
    x, y = np.meshgrid(np.arange(120, 700, 6.0), np.arange(150, 330, 6.0))
    xy = np.stack([x.ravel(), y.ravel()], axis=1)
    p = np.zeros((len(xy), 3))
    inside = (left | right)[xy[:, 1].astype(int), xy[:, 0].astype(int)]
    p[:, 0], p[inside, :2] = 1.0, (0.0, 1.0)
    beyond = (xy[:, 0] > 600) & (xy[:, 0] < 660) & (xy[:, 1] < 230)
    p[beyond] = (0.05, 0.0, 0.95)
    cells = Cells(
        xy=xy, features=np.zeros((len(xy), len(NAMES)), np.float32), names=NAMES,
        direction=np.tile([1.0, 0.0], (len(xy), 1)), lanes=np.zeros((len(xy), 1), int),
    )  # fmt: skip
    canvas = SimpleNamespace(
        px_per_mm=S, ground=np.ones((500, 900), bool), to_photo_px=lambda px: np.asarray(px, float)
    )
    look = SimpleNamespace(
        canvas=canvas, cells=cells, photo=SimpleNamespace(width_px=900, height_px=500),
        even=SimpleNamespace(lab=lab), foreground=SimpleNamespace(solid=(left | right)),
    )  # fmt: skip
    parts = [Part(f"t{k}", "housing", mask, np.array([100.0, 240.0])) for k, mask in ((1, left), (2, right))]
    return look, parts, p


def test_an_eye_adds_what_it_sees_to_the_signs(two):
    """Of the broken one the crack's size and the piece; without an eye no such sign, the others the same."""
    look, parts, p = two
    plain = shell_candidates(parts, look, p, CLASSES, None)[1].signs.values
    signs = shell_candidates(parts, look, p, CLASSES, red)[1].signs.values
    assert not [name for name in plain if name.startswith("seen_") or name.endswith("_around")]
    assert {name: signs[name] for name in plain} == plain
    assert signs["seen_fracture_longest_mm"] == pytest.approx(16, abs=2)
    assert 16 <= signs["seen_fracture_mm2"] <= 48
    assert signs["seen_piece_mm2"] == pytest.approx(6 * 5, abs=14)
    assert signs["seen_hollow_mm2"] == signs["seen_terminal_top10"] == 0
    assert signs["finder_connector_max_around"] == pytest.approx(0.95)


def test_what_broke_off_one_housing_says_nothing_of_its_neighbour(two):
    """The whole box's picture shows the other's crack and its surroundings: neither counts."""
    look, parts, p = two
    signs = shell_candidates(parts, look, p, CLASSES, red)[0].signs.values
    seen = {name: value for name, value in signs.items() if name.startswith("seen_") or name.endswith("_around")}
    assert seen and max(seen.values()) < 1e-6


def test_the_broken_part_lies_where_the_eye_saw_it(two):
    """On the canvas, within a millimetre of the crack; the neighbour has none, so that other ways are tried."""
    look, parts, p = two
    look.grid = None
    whole, broken = shell_candidates(parts, look, p, CLASSES, red)
    mask = shell_damage_mask(look, broken, p[:, 2])
    assert np.array_equal(mask, likely_breaks(broken, S))
    rim = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (13, 13))
    crack = np.zeros(mask.shape, np.uint8)
    crack[235:243, 440:520] = 1
    assert mask[crack > 0].mean() > 0.6 and not mask[cv2.dilate(crack, rim) == 0].any()
    assert not likely_breaks(whole, S).any()


def test_evidence_names_what_was_seen(two):
    """Kinds that were seen, the widest first; what whole shells show, too, only where nothing was."""
    look, parts, p = two
    for candidate, kinds in zip(
        shell_candidates(parts, look, p, CLASSES, red), ((), ("fracture", "piece")), strict=True
    ):
        words = shell_words(candidate.signs, scaled=True)
        assert [w.feature for w in words if w.feature.startswith("seen_")] == [f"seen_{kind}" for kind in kinds]
        plain = [w.feature for w in words if w.feature in ("crack_ridge", "corner_lack")]
        assert plain == ([] if kinds else ["crack_ridge", "corner_lack"])
    fracture = next(w for w in words if w.feature == "seen_fracture")
    assert fracture.says.startswith("looks cracked or fractured, up to") and fracture.unit == "mm²"
    little = replace(candidate.signs, values=candidate.signs.values | {"seen_piece_mm2": 0.3 * fracture.value})
    assert next(w.feature for w in shell_words(little, scaled=True)) == "seen_fracture"
    assert not any(w.feature == "seen_piece" for w in shell_words(little, scaled=True))
    assert not any("mm" in w.says for w in shell_words(little, scaled=False))
    nothing = replace(little, values=little.values | {name: 0.0 for name in little.values if name.startswith("seen_")})
    assert [("mm" in w.says) for w in shell_words(nothing, scaled=False)[:2]] == [False, False]
    assert ["mm" in w.says for w in shell_words(nothing, scaled=True)[:2]] == [True, True]
