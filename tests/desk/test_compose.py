"""Measures that a model cannot make are absent with a reason, never zero."""

from types import SimpleNamespace

import numpy as np
import pytest

from desk import compose
from desk.compose import Composer
from desk.notes import NO_SCALE
from models.damage.namer import Named
from vision.measure import RawMeasure

NO_INPUTS = np.zeros(0)


def composer(scaled=True):
    """A composer with one gauge that reads half as much again, within 6 mm."""
    look = SimpleNamespace(canvas=SimpleNamespace(mm_known=scaled), view=None)
    gauge = SimpleNamespace(read=lambda inputs, raw: (1.5 * raw, 6.0))
    return Composer(look, None, SimpleNamespace(measures={"crack_length_mm": gauge}), [])


@pytest.mark.parametrize(
    ("made", "raw", "reason"),
    [
        (composer(scaled=False), RawMeasure(20.0), NO_SCALE),
        (composer(), RawMeasure(None, "hidden"), "hidden"),
    ],
)
def test_what_cannot_be_measured_is_absent_with_its_reason(made, raw, reason):
    """No scale, nothing seen: None, and the field is named once in `missing`."""
    assert made.measured("housings[t1].crack_length_mm", "crack_length_mm", NO_INPUTS, raw) is None
    assert [(m.field, reason in m.reason) for m in made.missing] == [("housings[t1].crack_length_mm", True)]


def test_what_can_be_measured_leaves_no_reason_and_bears_the_scales_uncertainty():
    """20 mm read as 30 mm within 6 mm, and the 2 % of a stated scale: U95 is the root of 6² + 0.6²."""
    made = composer()
    measure = made.measured("x", "crack_length_mm", NO_INPUTS, RawMeasure(20.0))
    assert measure.value == pytest.approx(30.0)
    assert measure.u95 == pytest.approx((6.0**2 + 0.6**2) ** 0.5, abs=0.01)
    assert made.missing == []


def region_of(monkeypatch, label, copper, loose=2, ends=("housing", "housing")):
    """The region that a composer makes of a place called `label` with so much bare copper, and what is absent."""
    raws = {
        "length_mm": RawMeasure(40.0),
        "area_mm2": RawMeasure(90.0),
        "exposed_copper_mm": RawMeasure(copper, "none"),
        "fused_length_mm": RawMeasure(None, "none"),
    }
    for name, stand_in in {
        "measure_wires": lambda *_: raws, "runs_under_covering": lambda *_: False, "words": lambda *_: [],
        "gauge_inputs": lambda *_: NO_INPUTS, "open_ends": lambda *_: loose,
    }.items():  # fmt: skip
        monkeypatch.setattr(compose, name, stand_in)
    for name, answer in {
        "_known_signs": NO_INPUTS, "_span": None, "_to_termination": (None, None), "_candidate_rings": [],
        "_wires_affected": None,
    }.items():  # fmt: skip
        monkeypatch.setattr(Composer, name, lambda *_, answer=answer: answer)
    made = composer()
    gauge = made.model.measures["crack_length_mm"]
    p = {label: 0.9, "rodent": 0.08, "sound": 0.02}
    scene = SimpleNamespace(terminations=[SimpleNamespace(kind=kind) for kind in ends])
    made = Composer(made.look, scene, SimpleNamespace(measures=dict.fromkeys(raws, gauge), labels=list(p)), [])
    candidate = SimpleNamespace(signs=None, region=SimpleNamespace(cells=None))
    region = made.wire_region("r1", candidate, Named(p, [label], False))
    return region, {missing.field: missing.reason for missing in made.missing}


def test_a_distance_says_which_termination_it_goes_to(monkeypatch):
    """The likeliest of the ways; without a scale there is no distance, and nothing it goes to."""
    ways = [
        SimpleNamespace(part=SimpleNamespace(id=id), way_mm=mm, signs=NO_INPUTS, points=None)
        for id, mm in (("t1", 40.0), ("t2", 90.0))
    ]
    for name, stand_in in {
        "ways_to_terminations": lambda *_: ways, "bundle_factor": lambda *_: 1.0,
        "distance_inputs": lambda *_: NO_INPUTS,
    }.items():  # fmt: skip
        monkeypatch.setattr(compose, name, stand_in)
    monkeypatch.setattr(Composer, "_known_signs", lambda *_: NO_INPUTS)
    found = []
    for scaled in (True, False):
        made = composer(scaled)
        made.model.measures["to_termination_mm"] = made.model.measures["crack_length_mm"]
        made.model.ending = SimpleNamespace(shares=lambda signs: np.array([0.2, 0.8]))
        found.append(made._to_termination("regions[r1].to_termination_mm", None))
    (measure, goes_to), nothing = found
    assert measure.value == pytest.approx(1.5 * 90.0) and goes_to == "t2" and nothing == (None, None)


@pytest.mark.parametrize(("copper", "unsure"), [(12.0, True), (0.0, False), (None, True)])
def test_a_region_named_heat_that_may_show_copper_keeps_bites_open(monkeypatch, copper, unsure):
    """Unless copper was measured and is none."""
    region, _ = region_of(monkeypatch, "electrical_overload", copper)
    assert region.label == "electrical_overload" and region.unsure is unsure
    assert region.candidates == (["electrical_overload", "rodent"] if unsure else [])
    assert [(e.feature, e.value) for e in region.evidence] == [("open_ends", 2.0)]
    assert region.evidence[0].says == "2 bundle ends leave the picture or are at no termination"


@pytest.mark.parametrize(
    ("cut", "but"), [(0, ""), (1, ", but for 1 cut end at this damage"), (2, ", but for 2 cut ends at this damage")]
)
def test_what_is_said_of_the_ends_is_said_of_bundles_and_names_the_cut_ones(monkeypatch, cut, but):
    """Beside the cut end of a wire nobody reads that every end is at a housing; single wires are not spoken for."""
    region, _ = region_of(monkeypatch, "rodent", 5.0, loose=0, ends=["housing"] * 2 + ["cut_end"] * cut)
    (said,) = [e.says for e in region.evidence if e.feature == "open_ends"]
    assert said.startswith(f"every bundle in the picture leads to a housing or terminal at its ends{but}; ")
    assert said.endswith("single wires cut within a bundle do not count as ends here")


@pytest.mark.parametrize("copper", [120.0, 0.0])
def test_bare_copper_is_not_measured_on_melted_insulation(monkeypatch, copper):
    """Char is as brown: neither so much nor none is said, bites stay open, and the reason tells to look."""
    region, missing = region_of(monkeypatch, "external_heat", copper)
    assert region.exposed_copper_mm is None and region.candidates == ["external_heat", "rodent"]
    assert "char" in missing["regions[r1].exposed_copper_mm"]
