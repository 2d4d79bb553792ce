"""Bitten, cut and chafed wires."""

import pytest

from vision.findings import STUB_MM, Scale, Termination


def bitten(bench, wires=(), **fields):
    plain = dict(exposed_copper_mm=bench.m(6.0, 1.0))
    return bench.photo(bench.region("rodent", **(plain | fields)), wires=list(wires))


def traced(bench):
    return [bench.wire(name, ends=("h1", "h2"), length_mm=bench.m(900.0)) for name in ("w1", "w2")]


def test_bare_copper_on_wires_traced_to_both_ends_is_spliced_in_section(bench):
    """Both ends in the photograph: repair in the vehicle, nothing left open that could worsen it."""
    found = bench.decision(bitten(bench, traced(bench)))
    assert (found.route, found.route_worst) == ("repair_in_vehicle", "repair_in_vehicle")
    assert bench.steps(found) == ["splice_in_section"]
    assert "6 ± 1 mm" in bench.says(found, "conductor-damage")


def test_ends_that_leave_the_photograph_are_asked_for(bench):
    """Copper damage is certain, whether it can be repaired is not: undecided, not remanufacture."""
    found = bench.decision(bitten(bench))
    assert bench.verdict(found, "conductor-damage") == "violated"
    assert (found.route, found.route_worst) == ("undecided", "remanufacture")
    assert any("both ends" in question.ask for question in found.open_questions)


@pytest.mark.parametrize(("known", "route"), [(True, "repair_in_vehicle"), (False, "remanufacture")])
def test_the_answer_about_the_ends_decides(bench, known, route):
    """Wires whose ends do not belong together for certain are not joined."""
    assert bench.decision(bitten(bench), both_ends_identified=known).route == route
    assert bench.decision(bitten(bench), both_ends_identified={"r1": known}).route == route


def test_ends_that_are_all_in_the_photograph_are_not_waited_for(bench):
    """No bundle leaves the picture: repaired, still asked, and somebody who says the ends are not known is heard."""
    shown = bitten(bench, evidence=bench.signs(open_ends=0.0))
    found = bench.decision(shown)
    assert (found.route, found.route_worst) == ("repair_in_vehicle", "remanufacture")
    assert any("both ends" in question.ask for question in found.open_questions)
    assert bench.decision(shown, both_ends_identified=False).route == "remanufacture"
    assert bench.decision(shown, both_ends_identified=True).route_worst == "repair_in_vehicle"
    assert bench.decision(bitten(bench, evidence=bench.signs(open_ends=1.0))).route == "undecided"


def test_ends_are_waited_for_where_one_may_lie_out_of_sight(bench):
    """Bites that run in under a covering; another photograph with a bundle that ends at nothing."""
    shown = dict(evidence=bench.signs(open_ends=0.0))
    covered = bitten(bench, continues_under_covering=True, **shown)
    assert bench.decision(covered).route == "undecided"

    def cut(x):
        return [Termination(id="t9", kind="cut_end", position_mm=None, position_px=(x, 5.0), rings_px=[])]

    bite = bench.region("rodent", exposed_copper_mm=bench.m(6.0, 1.0), **shown)
    assert bench.decision(bench.photo(bite)).route == "repair_in_vehicle"
    assert bench.decision(bench.photo(bite, terminations=cut(12.0))).route == "repair_in_vehicle"  # its own stub
    assert bench.decision(bench.photo(bite, terminations=cut(400.0))).route == "undecided"
    other = bench.photo(name="b.jpg", terminations=cut(400.0))
    assert bench.decision(bench.photo(bite), other).route == "undecided"


@pytest.mark.parametrize(("beyond_mm", "route"), [(STUB_MM * 1.2, "repair_in_vehicle"), (STUB_MM * 1.3, "undecided")])
@pytest.mark.parametrize("mm_per_px", [0.05, 0.1, 0.4])
def test_a_stub_is_one_in_the_rules_wherever_it_is_one_on_the_mat(bench, beyond_mm, route, mm_per_px):
    """Shown a fifth larger than the picture's one scale says, as where the camera is near: still the bite's own."""
    bite = bench.region("rodent", exposed_copper_mm=bench.m(6.0, 1.0), evidence=bench.signs(open_ends=0.0))
    at = (10.0 + beyond_mm / mm_per_px, 5.0)  # the bite's outline ends at x = 10
    stub = Termination(id="t9", kind="cut_end", position_mm=None, position_px=at, rings_px=[])
    scale = Scale(source="mat", mm_per_px=mm_per_px, u95_rel=0.01)
    assert bench.decision(bench.photo(bite, terminations=[stub], scale=scale)).route == route


@pytest.mark.parametrize("seen", [{"copper": {"r1": "damaged"}}, {"broken_strands": {"r1": 7}}])
def test_who_saw_the_copper_broken_is_waited_for(bench, seen):
    """Whoever looked can say which ends belong together; a photograph of severed wires waits, too."""
    shown = bitten(bench, evidence=bench.signs(open_ends=0.0))
    assert bench.decision(shown, **seen).route == "undecided"
    assert bench.decision(shown, both_ends_identified=True, **seen).route == "repair_in_vehicle"
    severed = bitten(bench, evidence=bench.signs(open_ends=0.0, severed_wires=1.0))
    assert bench.decision(severed).route == "undecided"


def test_copper_that_the_printed_band_would_deny_says_which_band_decided(bench):
    """65.3 (0 to 136.9) mm: 65.3 - 0.84 x 71.6 is 5.2, more than the limit of none."""
    found = bench.decision(bitten(bench, exposed_copper_mm=bench.m(65.3, 71.6)))
    assert bench.verdict(found, "conductor-damage") == "violated"
    assert "(0 to 136.9) mm, more than 5.2 mm by the one-sided 95 % band" in bench.says(found, "conductor-damage")


def test_a_bite_whose_copper_cannot_be_told_is_looked_at(bench):
    """A step says so; where the assembly is rebuilt nobody looks."""
    unseen = bench.photo(bench.region("rodent", exposed_copper_mm=None, evidence=bench.signs(open_ends=0.0)))
    assert bench.steps(bench.decision(unseen)) == ["inspect_conductor"]
    assert bench.steps(bench.decision(unseen, wire_count=9)) == ["remanufacture"]


def test_a_shop_may_wait_for_the_ends_all_the_same(bench):
    """`ends_in_view_suffice = false` in the shop's rules."""
    strict = bench.limits(conductor_damage={"ends_in_view_suffice": False})
    shown = bitten(bench, evidence=bench.signs(open_ends=0.0))
    assert bench.decision(shown, rules=strict).route == "undecided"


def chafed(bench, **fields):
    return bench.photo(bench.region("abrasion", exposed_copper_mm=bench.m(6.0, 1.0), **fields))


def test_a_wire_in_one_piece_shows_which_ends_belong_together(bench):
    """Chafed to the copper, likely not through: decided, though somebody who says the ends are not known is heard."""
    found = bench.decision(chafed(bench))
    assert (found.route, found.route_worst) == ("repair_in_vehicle", "remanufacture")
    assert any("both ends" in question.ask for question in found.open_questions)
    assert bench.decision(chafed(bench), both_ends_identified=False).route == "remanufacture"
    whole = bench.decision(chafed(bench, evidence=bench.signs(severed_wires=0.0)))
    assert (whole.route, whole.route_worst) == ("repair_in_vehicle", "repair_in_vehicle")


@pytest.mark.parametrize("seen", [{"copper": {"r1": "damaged"}}, {"broken_strands": {"r1": 19}}])
@pytest.mark.parametrize("kind", ["abrasion", "earlier_repair"])
def test_copper_seen_broken_may_be_a_wire_in_two(bench, kind, seen):
    """Nicked or cut, the answer does not say: the ends are asked for before anything is decided."""
    region = bench.region(kind, exposed_copper_mm=bench.m(6.0, 1.0))
    found = bench.decision(bench.photo(region), **seen)
    assert (found.route, found.route_worst) == ("undecided", "remanufacture")
    assert bench.decision(bench.photo(region), both_ends_identified=True, **seen).route == "repair_in_vehicle"


def test_a_wire_known_to_be_in_two_needs_its_ends_whatever_did_it(bench):
    """And one known to be whole needs none, even gnawed."""
    worn_through = bench.decision(chafed(bench, evidence=bench.signs(severed_wires=1.0)))
    assert (worn_through.route, worn_through.route_worst) == ("undecided", "remanufacture")
    assert bench.decision(bitten(bench, evidence=bench.signs(severed_wires=0.0))).route == "repair_in_vehicle"


def test_fewer_traced_wires_than_damaged_ones_leave_the_ends_open(bench):
    """Two wires traced of up to three damaged."""
    count = bench.count(value=2, low=2, high=3, wire_ids=["w1", "w2"])
    assert bench.decision(bitten(bench, traced(bench), wires_affected=count)).route == "undecided"


def test_a_severed_wire_is_damaged_copper_however_little_is_bare(bench):
    """One severed wire, no copper measured."""
    photo = bitten(bench, exposed_copper_mm=None, evidence=bench.signs(severed_wires=1.0))
    found = bench.decision(photo, both_ends_identified=True)
    assert bench.verdict(found, "conductor-damage") == "violated"
    assert "severed wires: 1" in bench.says(found, "conductor-damage")


def test_copper_that_was_not_measured_is_asked_for(bench):
    """A sleeve or a joint: unknown, and with unknown ends the worst is remanufacture."""
    found = bench.decision(bitten(bench, exposed_copper_mm=None))
    assert bench.verdict(found, "conductor-damage") == "cannot_tell"
    assert bench.verdict(found, "insulation-only") == "cannot_tell"
    assert (found.route, found.route_worst) == ("undecided", "remanufacture")


def test_worn_insulation_without_copper_gets_a_sleeve(bench):
    """No joint, so the distance to the termination does not matter."""
    photo = bench.photo(bench.region("abrasion", to_termination_mm=bench.m(20.0)))
    found = bench.decision(photo)
    assert found.route == "repair_in_vehicle"
    assert bench.steps(found) == ["sleeve"]
    assert bench.verdict(found, "termination-distance") == "not_applicable"


@pytest.mark.parametrize("copper", ["covered", "bare"])
def test_copper_found_whole_under_a_magnifier_gets_a_sleeve(bench, copper):
    """The bench settles what the photograph left open."""
    found = bench.decision(bitten(bench, exposed_copper_mm=None), copper=copper)
    assert (found.route, bench.steps(found)) == ("repair_in_vehicle", ["sleeve"])


def test_bare_copper_seen_by_the_camera_is_not_called_covered(bench):
    """`covered` contradicts 6 mm of bare copper: it stays damaged."""
    assert bench.verdict(bench.decision(bitten(bench), copper="covered"), "conductor-damage") == "violated"


@pytest.mark.parametrize(("nicked", "broken", "expected"), [(2, 0, "met"), (3, 0, "violated"), (2, 1, "violated")])
def test_a_shop_may_set_the_published_strand_allowance(bench, nicked, broken, expected):
    """AC 43.13-1B Table 11-13, 24 to 14 AWG, 19 strands: 2 nicked, 0 broken."""
    rules = bench.limits(conductor_damage={"nicked_strands_allowed": 2, "broken_strands_allowed": 0})
    found = bench.decision(bitten(bench), rules=rules, nicked_strands={"r1": nicked}, broken_strands={"r1": broken})
    assert bench.verdict(found, "conductor-damage") == expected


def test_by_default_one_nicked_strand_is_too_many(bench):
    """No nick is allowed."""
    found = bench.decision(bitten(bench), nicked_strands={"r1": 1}, broken_strands={"r1": 0})
    assert bench.verdict(found, "conductor-damage") == "violated"


def test_only_nicked_strands_counted_is_half_an_answer(bench):
    """Broken ones may remain: the photograph's verdict stands."""
    found = bench.decision(bitten(bench), nicked_strands={"r1": 0})
    assert bench.verdict(found, "conductor-damage") == "violated"


def test_seven_bitten_wires_are_remanufactured_and_six_are_not(bench):
    """The trade's number: not more than six."""
    seven = bitten(bench, wires_affected=bench.wires_of(*"abcdefg"))
    six = bitten(bench, wires_affected=bench.wires_of(*"abcdef"))
    assert bench.decision(seven, both_ends_identified=True).route == "remanufacture"
    assert bench.decision(six, both_ends_identified=True).route == "repair_in_vehicle"


def test_a_shop_may_leave_sleeved_wires_out_of_the_count(bench):
    """Seven chafed wires with sound copper."""
    photo = bench.photo(bench.region("abrasion", wires_affected=bench.wires_of(*"abcdefg")))
    assert bench.decision(photo).route == "remanufacture"
    assert bench.decision(photo, rules=bench.limits(wire_count={"count_sleeved": False})).route == "repair_in_vehicle"


def test_heat_may_have_reached_the_copper(bench):
    """The wires part by hand and copper is not seen: asked and in the route at worst, not waited for."""
    region = bench.region("external_heat", exposed_copper_mm=None, evidence=bench.signs(fused_length=0.0))
    settled = {"parts_by_hand": "parts", "flex_test": "cracks", "wire_count": 2}
    found = bench.decision(bench.photo(region), **settled)
    assert (found.route, found.route_worst) == ("repair_in_vehicle", "remanufacture")
    assert any("copper" in question.ask for question in found.open_questions)
    covered = bench.decision(bench.photo(region), copper="covered", **settled)
    assert covered.route_worst == "repair_in_vehicle"
    lost = bench.decision(bench.photo(region), copper="damaged", both_ends_identified=False, **settled)
    assert lost.route == "remanufacture"


def test_what_was_seen_of_copper_elsewhere_says_nothing_of_a_repair_sleeve(bench):
    """Copper damaged at the bite; the sleeve is redone or kept by the rules for joints."""
    photo = bench.photo(
        bench.region("earlier_repair", id="r1", exposed_copper_mm=None),
        bench.region("rodent", id="r2", exposed_copper_mm=bench.m(6.0, 1.0)),
    )
    found = bench.decision(photo, copper="damaged", both_ends_identified=True)
    assert {a.on for a in found.actions if a.action == "splice_in_section"} == {"r2"}
