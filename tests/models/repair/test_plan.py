"""The plan of joints: against every way there is on small branches, and worked cases on the bench's scale."""

from dataclasses import replace
from itertools import combinations, pairwise, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.repair import load_rules
from models.repair.branch import Branch, BranchWire, Mark, PlanLimits, Stretch, WireEnd, plan_limits
from models.repair.plan import plan_branch
from models.repair.plan_check import broken_limits
from models.repair.plan_programme import Weights
from models.repair.plan_solve import BrokenPlanError, choose

LIMITS = plan_limits(load_rules())
FIXED = WireEnd(renewable=False)
UNSEEN = WireEnd(renewable=False, seen=False)
SMALL = PlanLimits(
    termination_mm=3, spacing_mm=2, stagger_mm=3, margin_mm=1, working_mm=1, min_section_mm=4, joint_allowance_mm=1,
    max_splices=2,
)  # fmt: skip


def wire(name="w1", length=1500.0, damage=((600.0, 680.0),), **fields):
    """One wire with damage from..to."""
    return BranchWire(id=name, length_mm=length, damage=tuple(Stretch(from_mm=a, to_mm=b) for a, b in damage), **fields)


def every_way(one, limits):
    """All sets of at most four joints on whole millimetres that part the wire into old and new parts in turn."""
    for count in range(5):
        for places in combinations(range(int(one.length_mm) + 1), count):
            edges = [0, *places, int(one.length_mm)]
            parts = list(pairwise(edges))
            new = [
                any((a < s.to_mm or a == 0) and (s.from_mm < b or b == one.length_mm) for s in one.damage)
                for a, b in parts
            ]
            if count == 0:
                new = [True]
            stays = [
                m.ref for m in one.splices for (a, b), n in zip(parts, new, strict=True) if not n and a < m.at_mm < b
            ]
            gone = [m for m in one.splices if m.ref not in stays]
            if any(abs(m.at_mm - x) < limits.margin_mm for m in gone for x in places):
                continue  # the old sleeve is cut out whole
            if broken_limits(Branch(wires=(one,)), limits, {one.id: places}, {one.id: stays}):
                continue
            length = sum(b - a for (a, b), n in zip(parts, new, strict=True) if n)
            terminals = int(new[0]) + int(new[-1])
            yield places, stays, (count, terminals, length)


def price(weights, limits, joints, terminals, length):
    """Cost of one wire's way."""
    metres = (length + joints * limits.joint_allowance_mm) / 1000
    return joints * weights.joint + terminals * weights.terminal + metres * weights.wire_per_m


def cheapest(branch, limits, weights):
    """The lowest price over every way of every wire at once, or None where no way is lawful."""
    damaged = [w for w in branch.wires if w.damage]
    alone = [list(every_way(w, limits)) for w in damaged]
    best = None
    for ways in product(*alone):
        cost = sum(price(weights, limits, *facts) for _, _, facts in ways)
        if best is not None and cost >= best - 1e-9:
            continue
        joints = {w.id: way[0] for w, way in zip(damaged, ways, strict=True)}
        stays = {w.id: way[1] for w, way in zip(damaged, ways, strict=True)}
        if not broken_limits(branch, limits, joints, stays):
            best = cost
    return best


@st.composite
def small_wires(draw, name, lengths=(9, 15)):
    length = draw(st.integers(*lengths))
    edges = draw(st.lists(st.integers(0, length), min_size=2, max_size=2, unique=True))
    low, high = sorted(edges)
    damage = [(low, min(high, low + 2))]
    if draw(st.integers(0, 3)) == 0 and low + 8 < length:
        damage.append((low + 8, low + 8))
    ends = st.sampled_from([WireEnd(), WireEnd(), FIXED])
    old = draw(st.none() | st.integers(1, length - 1))
    old = None if old is not None and any(abs(old - e) < 2 for d in damage for e in d) else old
    return wire(
        name, float(length), damage, start=draw(ends), end=draw(ends), offset_mm=float(draw(st.integers(-2, 2))),
        splices=() if old is None else (Mark(at_mm=float(old), ref=f"{name}-old"),),
        keep_out=draw(st.sampled_from([(), (Stretch(from_mm=5, to_mm=6),)])),
    )  # fmt: skip


weights_ = st.builds(
    Weights,
    joint=st.sampled_from([0.0, 2.0, 6.0]),
    terminal=st.sampled_from([0.0, 3.0, 8.0]),
    wire_per_m=st.sampled_from([10.0, 1000.0]),
)
marks = st.none() | st.builds(lambda x: (Mark(at_mm=float(x)),), st.integers(0, 14))


def assert_cheapest(branch, limits, weights):
    """The programme's choice is lawful and costs what the cheapest of all ways costs; none where none is."""
    found, best = choose(branch, limits, weights), cheapest(branch, limits, weights)
    if best is None:
        assert found is None
        return
    assert found is not None
    assert broken_limits(branch, limits, found.joints, found.stays) == []
    cost = 0.0
    for one in (w for w in branch.wires if w.damage):
        places = tuple(sorted(found.joints[one.id]))
        cost += next(price(weights, limits, *f) for p, _, f in every_way(one, limits) if p == places)
    assert cost == pytest.approx(best, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(small_wires("a"), weights_, marks, st.sampled_from([1, 2, 4]))
def test_one_wire_is_planned_as_cheaply_as_trying_every_way(one, weights, points, most):
    """Damage in one or two places, an old joint, a closed part, a branch point, ends that take no lead."""
    limits = SMALL.model_copy(update={"max_splices": most})
    assert_cheapest(Branch(wires=(one,), branch_points=points), limits, weights)


@settings(max_examples=20, deadline=None)
@given(small_wires("a"), small_wires("b"), weights_, marks, st.sampled_from([None, ()]))
def test_two_wires_at_once_are_planned_as_cheaply_as_trying_every_way(one, two, weights, points, neighbours):
    """Neighbours keep the stagger, wires farther apart the spacing; the one's old joints bind the other's new ones."""
    assert_cheapest(Branch(wires=(one, two), branch_points=points, neighbours=neighbours), SMALL, weights)


@settings(max_examples=10, deadline=None)
@given(small_wires("a", lengths=(9, 14)), weights_, st.sampled_from([1, 2]))
def test_wires_that_are_alike_may_be_put_in_order_without_loss(one, weights, most):
    """The order the programme gives to like wires hides no cheaper plan."""
    one = one.model_copy(update={"splices": ()})
    limits = SMALL.model_copy(update={"max_splices": most, "stagger_mm": 2.0})
    assert_cheapest(Branch(wires=(one, one.model_copy(update={"id": "b"}))), limits, weights)


@settings(max_examples=15, deadline=None)
@given(small_wires("a"), small_wires("b"), st.sampled_from(["termination_mm", "spacing_mm", "stagger_mm", "margin_mm"]))
def test_a_tighter_limit_never_makes_a_plan_possible_or_cheaper(one, two, field):
    """Impossible stays impossible; the price never falls. A wider margin takes more wire and may take an old joint with
    it, which can be a gain: old joints are left out there."""
    if field == "margin_mm":
        one, two = (w.model_copy(update={"splices": ()}) for w in (one, two))
    branch, weights = Branch(wires=(one, two)), Weights(6.0, 8.0, 1000.0)
    tight = SMALL.model_copy(update={field: getattr(SMALL, field) + 1})
    looser, tighter = (cheapest_price(branch, limits, weights) for limits in (SMALL, tight))
    assert tighter >= looser - 1e-6


@settings(max_examples=15, deadline=None)
@given(small_wires("a"), small_wires("b"), st.integers(0, 2))
def test_more_damage_never_makes_a_plan_possible_or_cheaper(one, two, more):
    """A wider stretch on one wire; its old joint is then left out of both, as cutting it away may be a gain."""
    one, two = (w.model_copy(update={"splices": ()}) for w in (one, two))
    wide = [Stretch(from_mm=max(0.0, s.from_mm - more), to_mm=min(one.length_mm, s.to_mm + more)) for s in one.damage]
    worse = one.model_copy(update={"damage": tuple(wide)})
    weights = Weights(6.0, 8.0, 1000.0)
    before = cheapest_price(Branch(wires=(one, two)), SMALL, weights)
    assert cheapest_price(Branch(wires=(worse, two)), SMALL, weights) >= before - 1e-6


def cheapest_price(branch, limits, weights):
    """Price of the chosen plan, infinite where there is none."""
    found = choose(branch, limits, weights)
    if found is None:
        return float("inf")
    plan = plan_branch(branch, limits, weights)
    length = sum(p.to_mm - p.from_mm for w in plan.wires for p in w.pieces)
    return price(weights, limits, plan.joints, plan.terminals, length)


def test_damage_that_is_a_point_at_the_end_needs_a_new_end():
    """15 mm of wire, damage in the middle and a point at its end: the ruler lets that end neither stay nor be fixed."""
    one = wire(length=15.0, damage=((6.0, 7.0), (15.0, 15.0)))
    assert broken_limits(Branch(wires=(one,)), SMALL, {"w1": (3,)}, {}) == []
    kept = broken_limits(Branch(wires=(one,)), SMALL, {"w1": (3, 9)}, {})
    assert kept == ["w1: nothing but a joint between two like parts"]
    fixed = Branch(wires=(one.model_copy(update={"end": FIXED}),))
    assert broken_limits(fixed, SMALL, {"w1": (3,)}, {}) == ["w1: a new lead to an end that takes none"]


def test_damage_in_the_middle_gets_a_section_between_two_joints():
    """600 to 680 mm, margin 10, shortest piece 150: joints at the margin's edge and 150 mm from it; 20 mm a joint."""
    plan = plan_branch(Branch(wires=(wire(),), branch_points=()), LIMITS)
    assert plan.status == "planned" and plan.checks == ()
    one = plan.wires[0]
    assert one.method == "splice_in_section"
    places = [joint.at_mm for joint in one.joints]
    assert places[1] - places[0] == 150
    assert places[0] <= 590 and places[1] >= 690
    assert one.pieces[0].cut_mm == 150 + 2 * 20


def test_damage_near_a_connector_gets_a_lead_of_six_inches_and_its_joint():
    """The joint lies at the first whole millimetre past 152.4; the lead is that and the joint's allowance."""
    one = plan_branch(Branch(wires=(wire(length=900.0, damage=((60.0, 90.0),)),)), LIMITS).wires[0]
    assert one.method == "replace_terminal_lead"
    assert [joint.at_mm for joint in one.joints] == [153]
    assert one.pieces[0].cut_mm == 173
    assert "152.4 mm from either end" in one.why


def test_a_branch_point_moves_the_joint_of_the_lead():
    """A branch at 180 mm keeps joints out of 140 to 220 mm."""
    branch = Branch(wires=(wire(length=900.0, damage=((60.0, 90.0),)),), branch_points=(Mark(at_mm=180),))
    assert [joint.at_mm for joint in plan_branch(branch, LIMITS).wires[0].joints] == [220]


def test_a_wire_too_short_for_any_joint_is_replaced_end_to_end():
    """300 mm between its ends leaves no place 152.4 mm from both."""
    one = plan_branch(Branch(wires=(wire(length=300.0, damage=((140.0, 150.0),)),)), LIMITS).wires[0]
    assert one.method == "replace_circuit" and one.joints == ()


def test_a_wire_too_short_and_with_ends_that_take_no_terminal_has_no_plan_and_says_why():
    """Both limits are named, and only these; the assembly is remanufactured."""
    plan = plan_branch(Branch(wires=(wire(length=300.0, damage=((140.0, 150.0),), start=FIXED, end=FIXED),)), LIMITS)
    assert plan.status == "impossible" and plan.route == "remanufacture"
    assert len(plan.conflicts) == 2
    assert "152.4" in plan.conflicts[0] and "no new lead" in plan.conflicts[1]


def test_two_wires_that_fit_alone_but_not_together_name_the_stagger():
    """Each has one place for its section only, the same for both."""
    short = dict(length=475.0, damage=((200.0, 275.0),), start=FIXED, end=FIXED)
    limits = LIMITS.model_copy(update={"min_section_mm": 100.0})
    assert plan_branch(Branch(wires=(wire("a", **short),)), limits).status == "planned"
    plan = plan_branch(Branch(wires=(wire("a", **short), wire("b", **short))), limits)
    assert plan.status == "impossible"
    assert "apart along the branch" in " ".join(plan.conflicts)


def test_a_wire_whose_end_was_not_seen_is_asked_about_not_given_up():
    """As far as it was seen there is no lawful place; it may run on."""
    plan = plan_branch(Branch(wires=(wire(length=400.0, damage=((300.0, 310.0),), start=UNSEEN, end=UNSEEN),)), LIMITS)
    assert plan.status == "open" and "follow it to its end" in plan.questions[0].ask
    assert plan.route is None


def test_a_wire_seen_far_enough_is_planned_though_its_ends_were_not():
    """Where it was seen there is room; what is unseen can only add to it."""
    plan = plan_branch(Branch(wires=(wire(length=700.0, damage=((300.0, 310.0),), start=UNSEEN, end=UNSEEN),)), LIMITS)
    assert plan.status == "planned"


def test_an_old_joint_that_would_be_the_third_is_cut_out_with_the_old_piece():
    """Two new joints and the old one exceed two in a wire."""
    one = wire(length=900.0, damage=((300.0, 310.0),), start=FIXED, end=FIXED, splices=(Mark(at_mm=700, ref="s1"),))
    found = plan_branch(Branch(wires=(one,)), LIMITS).wires[0]
    assert found.old_joints_removed == ("s1",) and found.old_joints_kept == ()
    assert [joint.at_mm for joint in found.joints] == [290, 710]


def test_six_wires_bitten_at_one_place_are_staggered_on_both_sides():
    """All twelve joints 50 mm apart, six sections, proved the cheapest."""
    plan = plan_branch(Branch(wires=tuple(wire(f"w{i}") for i in range(6))), LIMITS)
    stations = sorted(joint.station_mm for one in plan.wires for joint in one.joints)
    assert len(stations) == 12 and plan.proved_cheapest
    assert min(b - a for a, b in pairwise(stations)) >= 50


def test_where_time_runs_out_the_plan_is_lawful_and_says_what_could_be_saved():
    """Six wires that all differ, one second: every limit kept, and a bound on what a cheaper one saves."""
    wires = tuple(wire(f"w{i}", 1000.0 + 70 * i, ((280.0 + 9 * i, 300.0 + 17 * i),)) for i in range(6))
    branch = Branch(wires=wires, branch_points=())
    plan = plan_branch(branch, LIMITS, Weights(8.0, 12.0, 15.0), seconds=1.0)
    if plan.status == "open":  # a slow machine found none in time, and says so
        assert "apart from the others" in plan.questions[0].ask
        return
    joints = {one.wire: [joint.at_mm for joint in one.joints] for one in plan.wires}
    assert broken_limits(branch, LIMITS, joints, {}) == []
    assert plan.proved_cheapest or "saves" in plan.checks[0]


def test_a_branch_nobody_looked_at_for_branch_points_says_so():
    """Unknown is not none."""
    assert "Branch points" in plan_branch(Branch(wires=(wire(),)), LIMITS).checks[0]


def test_a_plan_that_breaks_a_limit_is_never_handed_out(monkeypatch):
    """The solver's answer is moved 100 mm along the wire: the ruler's check names what it breaks, on one line."""

    def moved(*arguments, **named):
        found = choose(*arguments, **named)
        return replace(found, joints={name: tuple(at + 100 for at in places) for name, places in found.joints.items()})

    monkeypatch.setattr("models.repair.plan.choose", moved)
    with pytest.raises(BrokenPlanError) as caught:
        plan_branch(Branch(wires=(wire(),), branch_points=()), LIMITS)
    assert any("damage or its margin" in text for text in caught.value.broken)
    said = str(caught.value)
    assert "expected joints that keep every limit" in said and caught.value.broken[0] in said and "\n" not in said


def test_what_cannot_be_a_wire_is_refused_with_a_reason():
    """Damage beyond the wire's end, a stretch turned round, a wire named twice, an unseen end that takes a lead."""
    with pytest.raises(ValueError, match="within its length"):
        wire(length=100.0)
    with pytest.raises(ValueError, match="end lies after"):
        Stretch(from_mm=5, to_mm=4)
    with pytest.raises(ValueError, match="each id once"):
        Branch(wires=(wire(), wire()))
    with pytest.raises(ValueError, match="not renewable"):
        WireEnd(seen=False)
