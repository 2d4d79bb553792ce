"""What is said of trunks beneath coverings: width, wires, and how far a damage that runs in may reach."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from desk.compose import Composer
from desk.overlay import shapes
from desk.truth_findings import findings_from_truth
from models.damage.namer import Named
from vision.bundles import trace_bundles
from vision.findings import Measure
from vision.packing import most_circles
from vision.parts import BundleEnds, Part
from vision.recognise import Scene
from vision.trunks import widths_across

S = 5.0  # canvas px per mm
WIRES, DIAMETER = 6, 2.0
HEAT, WEAR = (Named({name: 1.0}, [name], False) for name in ("external_heat", "abrasion"))


def bundle(kind="tape", camera_height_mm=None, scaled=True, end_mm=80):
    """Six wires of 2 mm side by side along x, 12 mm wide together, covered from 40 to `end_mm`; cells along them."""
    body = np.zeros((200, 600), bool)
    body[70:130, 20:580] = True
    graph = trace_bundles(body, S, np.zeros_like(body))
    mask = body.copy()
    mask[:, :200] = mask[:, end_mm * 5 :] = False
    covering = Part("c1", kind, mask, np.array([300.0, 100.0]))
    x = np.arange(20.0, 580.0, S)
    cells = np.stack([x, np.full_like(x, 100.0)], axis=1)
    canvas = SimpleNamespace(
        px_per_mm=S, camera_height_mm=camera_height_mm, mm_known=scaled, to_photo_px=lambda px: px,
        to_mm=lambda px: np.asarray(px) / S,
    )  # fmt: skip
    look = SimpleNamespace(
        canvas=canvas, view=None, sheets=None, foreground=SimpleNamespace(filled=body), cells=SimpleNamespace(xy=cells)
    )
    no_ends = BundleEnds(np.zeros(0, int), np.zeros(0, bool), np.zeros(0, bool), np.zeros((1, 1)))
    scene = Scene(graph, [], [], [], [covering], body, np.zeros((0, 1)), lambda c: None, [], [], no_ends)
    return look, scene


def traces():
    """The six wires as they are traced on either side of the covering."""
    found = []
    for k in range(WIRES):
        for a, b in ((20.0, 195.0), (405.0, 580.0)):
            x = np.arange(a, b, S)
            line = np.stack([x, np.full_like(x, 75.0 + 10.0 * k)], axis=1)
            measure = Measure(value=DIAMETER, u95=0.4)
            found.append(SimpleNamespace(id=f"w{len(found) + 1}", diameter_mm=measure, centreline_px=line))
    return found


def composer(**options):
    """A composer over that bundle; its gauge takes lengths as they are."""
    gauge = SimpleNamespace(read=lambda inputs, raw: (raw, 5.0))
    return Composer(*bundle(**options), SimpleNamespace(measures={"covering_length_mm": gauge}, counts=None), traces())


def test_a_taped_trunk_has_its_width_and_an_interval_of_wires():
    """12 mm across; four at least of the six that run in; (11.4 / 2.4)² = 23 where it is round."""
    (tape,) = composer().coverings()
    assert tape.width_mm.value == pytest.approx(12.0, abs=0.25)
    assert 0.5 < tape.width_mm.u95 < 1.5
    assert 4 <= tape.wires.low <= WIRES <= tape.wires.high
    assert tape.wires.value == pytest.approx(23, abs=2)
    assert tape.wires.high > tape.wires.value


@pytest.mark.parametrize("kind", ["tape", "conduit"])
def test_a_band_too_narrow_for_a_winding_is_a_tie(kind):
    """5 mm, whatever its ribs look like (ties on own scenes had mostly been called conduit); 9 mm may be tape."""
    (tie,) = composer(kind=kind, end_mm=45).coverings()
    (wider,) = composer(kind=kind, end_mm=49).coverings()
    assert (tie.kind, wider.kind) == ("tie", kind)


def test_a_covering_nearer_to_the_camera_is_measured_at_its_own_height():
    """Its widest part lies 6 mm above the mat: seen from 300 mm it looks 2 % larger than it is."""
    (flat,), (seen,) = composer().coverings(), composer(camera_height_mm=300.0).coverings()
    assert seen.width_mm.value == pytest.approx(flat.width_mm.value * (1 - 6 / 300), rel=1e-3)


def wide_conduit(over):
    """A covering drawn 28 mm wide over the same bundle, from one x to another, canvas px."""
    look, scene = bundle(kind="conduit")
    mask = np.zeros_like(scene.body)
    mask[30:170, slice(*over)] = True
    look.foreground.filled = scene.body | mask
    (covering,) = scene.coverings
    return look, replace(scene, coverings=[replace(covering, mask=mask)])


def test_a_wide_conduit_holds_what_the_bare_bundle_at_its_ends_has_room_for():
    """28 mm of conduit have room for far more wires of 2 mm than the 12 mm that go in; over an end nobody knows."""
    model = SimpleNamespace(measures={"covering_length_mm": SimpleNamespace(read=lambda inputs, raw: (raw, 5.0))})
    (known,) = Composer(*wide_conduit((200, 400)), model, traces()).coverings()
    (over_end,) = Composer(*wide_conduit((400, 600)), model, traces()).coverings()
    assert known.wires.high <= most_circles((12.0 + 1.5) / (DIAMETER - 0.3))
    assert over_end.wires.high > 3 * known.wires.high


def test_without_a_scale_the_wires_beneath_are_still_counted():
    """How many fit is a ratio of widths; the width itself is absent with its reason."""
    made = composer(scaled=False)
    (tape,) = made.coverings()
    assert tape.width_mm is None and tape.wires is not None
    assert "coverings[c1].width_mm" in [m.field for m in made.missing]


def test_where_no_wire_was_measured_the_count_is_absent_with_its_reason():
    """The width is there, the number of wires is not."""
    made = composer()
    made.traced = []
    (tape,) = made.coverings()
    assert tape.width_mm is not None and tape.wires is None
    assert [m.field for m in made.missing] == ["coverings[c1].wires"]


def test_heat_that_runs_in_may_reach_every_wire_beneath():
    """Cells up to the tape's edge raise the upper end to what the tape may hide; cells far from it do not, nor does
    what leaves alone that which a whole tape hides."""
    made = composer()
    (tape,) = made.coverings()
    near, far = np.arange(30, 36), np.arange(5, 11)
    assert made.room_beneath(near) == tape.wires.high
    assert made.room_beneath(far) == 0
    places = [SimpleNamespace(region=SimpleNamespace(cells=cells)) for cells in (near, far)]
    counts = [made._wires_affected("x", place, learnt=False, named=HEAT) for place in places]
    assert counts[0].high >= tape.wires.high > counts[1].high
    assert made._wires_affected("x", places[0], learnt=False, named=WEAR).high < tape.wires.high


def test_a_covering_says_on_the_page_what_it_hides(drawn):
    """Kind, number, width and wires beneath, where they are known."""
    (tape,) = composer().coverings()
    findings = findings_from_truth(drawn.truth("a.jpg", [])).model_copy(update={"coverings": [tape]})
    title = next(s.title for s in shapes(findings) if s.layer == "coverings")
    assert title.startswith("tape c1, 12") and "mm wide" in title and "wires beneath" in title


@pytest.mark.parametrize("angle", [0.0, 0.5, 1.2])
def test_a_band_is_as_wide_whichever_way_it_runs(angle):
    """A drawn band of 8 mm, to a tenth."""
    middle = 149.5  # between pixels: 40 of them lie across the band, not 41
    y, x = np.mgrid[0:300, 0:300] - middle
    mask = np.abs(-x * np.sin(angle) + y * np.cos(angle)) <= 4 * S
    along = middle + np.array([-10.0, 0.0, 10.0])[:, None] * [np.cos(angle), np.sin(angle)]
    beside = middle + 100 * np.array([[-np.sin(angle), np.cos(angle)]])
    assert widths_across(mask, along, np.full(3, angle), S) == pytest.approx(8.0, abs=0.25)
    assert np.isnan(widths_across(mask, beside, np.array([angle]), S)).all()
