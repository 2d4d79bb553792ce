"""Measures from an outline drawn by hand, by the ruler's arithmetic on a drawn wire (0.5 mm/px, housing at left)."""

import math

import pytest

from desk.review.applying import applied
from desk.review.edits import Add, Redraw
from models.repair import load_rules
from vision.findings import Covering, Measure, Scale

RULES = load_rules()


def redrawn(photo, box):
    edit = Redraw(photo=photo.photo.sha256, region="r0", rings_px=[box])
    after = applied(photo, edit, RULES)
    return after.regions[0], {m.field: m.reason for m in after.missing}


def test_a_box_on_the_wire_is_measured_along_it(seen, drawn):
    """80 px of wire from x = 300: 40 mm long, 130 mm from the housing's face at x = 40; box 80 x 12 px = 240 mm2."""
    region, missing = redrawn(seen(drawn.region("rodent", 400, 20)), drawn.box(300, 234, 80, 12))
    assert region.length_mm.value == pytest.approx(40.0, abs=0.01)
    assert region.to_termination_mm.value == pytest.approx(130.0, abs=0.01)
    assert region.area_mm2.value == pytest.approx(240.0, abs=0.1)
    assert region.rings_mm[0][0] == (150.0, 117.0)
    assert region.exposed_copper_mm is None and "look at it" in missing["regions[r0].exposed_copper_mm"]
    assert region.wires_affected.value == 1


def test_each_measure_carries_the_doubt_of_hand_and_height(seen, drawn):
    """Two hand-drawn edges of 3.2 mm and 1.5 % of height: the length's U95; one edge and the traced end for the way."""
    region, _ = redrawn(seen(drawn.region("rodent", 400, 20)), drawn.box(300, 234, 80, 12))
    assert region.length_mm.u95 == pytest.approx(math.hypot(3.2 * 2**0.5, 0.015 * 40), abs=0.01)
    assert region.to_termination_mm.u95 == pytest.approx(math.hypot(3.2, 5.0, 0.015 * 130), abs=0.01)


def test_an_outline_drawn_anew_does_not_make_a_doubtful_distance_sure(seen, drawn):
    """Which terminal the damage is measured to was doubted: a corner moved by hand says nothing of that."""
    photo = seen(drawn.region("rodent", 300, 20))
    doubtful = photo.regions[0].model_copy(update={"to_termination_mm": Measure(value=69.0, u95=80.0)})
    doubted = photo.model_copy(update={"regions": [doubtful]})
    region, _ = redrawn(doubted, drawn.box(304, 234, 80, 12))
    assert region.to_termination_mm.value == pytest.approx(132.0, abs=0.01) and region.to_termination_mm.u95 == 80.0
    elsewhere, _ = redrawn(doubted, drawn.box(500, 234, 80, 12))
    assert elsewhere.to_termination_mm.u95 < 10


def test_a_distance_from_a_drawn_outline_says_where_it_goes(seen, drawn):
    """To the nearest end of the traced wire; a larger outline that keeps the former distance keeps its end, too."""
    photo = seen(drawn.region("rodent", 400, 20))
    moved, _ = redrawn(photo, drawn.box(300, 234, 80, 12))
    assert moved.to_termination_id == "h0"
    nearer = {"to_termination_mm": Measure(value=30.0, u95=8.0), "to_termination_id": "h7"}
    nearer = photo.model_copy(update={"regions": [photo.regions[0].model_copy(update=nearer)]})
    grown, _ = redrawn(nearer, drawn.box(380, 230, 60, 20))
    assert (grown.to_termination_mm.value, grown.to_termination_id) == (30.0, "h7")
    loose = nearer.wires[0].model_copy(update={"ends": [None, None]})
    lost, _ = redrawn(nearer.model_copy(update={"wires": [loose]}), drawn.box(300, 234, 80, 12))
    assert (lost.to_termination_mm, lost.to_termination_id) == (None, None)


def test_a_curved_wire_is_measured_along_its_bends(seen, drawn):
    """Down 100 px and right 100 px inside the outline: 100 mm along the wire, not 71 mm across."""
    photo = seen(drawn.region("rodent", 400, 20))
    line = [(100.0, 50.0), (100.0, 150.0), (200.0, 150.0)]
    wire = photo.wires[0].model_copy(update={"centreline_px": line, "centreline_mm": None, "ends": [None, None]})
    region, missing = redrawn(photo.model_copy(update={"wires": [wire]}), drawn.box(90, 40, 120, 120))
    assert region.length_mm.value == pytest.approx(100.0, abs=0.01)
    assert region.to_termination_mm is None
    assert "followed to a termination" in missing["regions[r0].to_termination_mm"]


def test_a_wire_that_was_traced_in_pieces_gives_a_lower_bound(seen, drawn):
    """Traced over 20 px of an 80 px box: the box's 40 mm along the wire, and it may be more."""
    photo = seen(drawn.region("rodent", 400, 20))
    wire = photo.wires[0].model_copy(update={"centreline_px": [(320.0, 240.0), (340.0, 240.0)], "ends": [None, None]})
    region, _ = redrawn(photo.model_copy(update={"wires": [wire]}), drawn.box(300, 234, 80, 12))
    assert region.length_mm.value == pytest.approx(40.0, abs=0.01) and region.length_mm.low_bound


def test_where_no_wire_was_traced_the_outline_has_its_own_length(seen, drawn):
    """A 60 x 80 px box away from every wire: its diagonal of 100 px is 50 mm; wires and distance are not known."""
    photo = seen()
    edit = Add(photo="aaaa1111", region="a1", label="abrasion", rings_px=[drawn.box(300, 40, 60, 80)])
    after = applied(photo, edit, RULES)
    region, missing = after.regions[0], {m.field for m in after.missing}
    assert region.length_mm.value == pytest.approx(50.0, abs=0.01)
    assert region.wires_affected is None and "regions[a1].wires_affected" in missing
    assert region.to_termination_mm is None and "regions[a1].to_termination_mm" in missing


def test_without_a_scale_nothing_is_given_in_millimetres(seen, drawn):
    """Lengths, area and distance are absent with the reason; the outline stays in px."""
    photo = seen(drawn.region("rodent", 400, 20), scale=Scale(source="none"))
    region, missing = redrawn(photo, drawn.box(300, 234, 80, 12))
    assert (region.length_mm, region.area_mm2, region.to_termination_mm, region.rings_mm) == (None,) * 4
    assert all("no scale" in missing[f"regions[r0].{name}"] for name in ("length_mm", "area_mm2", "to_termination_mm"))


def test_an_outline_that_reaches_tape_gives_lower_bounds(seen, drawn):
    """4 mm from the tape the damage may run on beneath; 10 mm off it does not."""
    tape = Covering(id="c1", kind="tape", rings_px=[drawn.box(400, 230, 60, 20)], length_mm=None)
    photo = seen(drawn.region("rodent", 200, 20), coverings=[tape])
    near, _ = redrawn(photo, drawn.box(300, 234, 92, 12))
    far, _ = redrawn(photo, drawn.box(300, 234, 80, 12))
    assert near.continues_under_covering and near.length_mm.low_bound
    assert not far.continues_under_covering and not far.length_mm.low_bound


def test_a_larger_outline_keeps_what_was_seen_as_the_least_there_is(seen, drawn):
    """8 mm of bare copper and its signs stay, as a lower bound; a place elsewhere starts without any."""
    photo = seen(drawn.region("rodent", 400, 20))
    larger, _ = redrawn(photo, drawn.box(380, 230, 60, 20))
    assert larger.exposed_copper_mm.value == 8.0 and larger.exposed_copper_mm.low_bound
    assert larger.evidence == photo.regions[0].evidence
    elsewhere, _ = redrawn(photo, drawn.box(200, 230, 60, 20))
    assert elsewhere.exposed_copper_mm is None and elsewhere.evidence == []


def test_damage_of_a_housing_is_measured_across_and_touches_no_wire(seen, drawn):
    """A 30 x 40 px place on the shell: 25 mm across, at the termination itself."""
    photo = seen()
    edit = Add(photo="aaaa1111", region="a1", label="connector", rings_px=[drawn.box(10, 220, 30, 40)])
    region = applied(photo, edit, RULES).regions[0]
    assert region.length_mm.value == pytest.approx(25.0)
    assert region.to_termination_mm.value == 0.0 and region.wires_affected is None
