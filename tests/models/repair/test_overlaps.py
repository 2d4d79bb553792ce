"""Which damage places lie on each other so that their wires are the same."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.repair.overlaps import within


def box(left, top, right, bottom):
    return [[(left, top), (right, top), (right, bottom), (left, bottom)]]


def lying(bench, one, other, wires=()):
    """Whether the first outline lies within the second, and the second within the first."""
    found = within(
        bench.photo(
            bench.region(rings_px=one),
            bench.region(id="r2", rings_px=other),
            wires=[bench.wire(f"w{k}").model_copy(update={"centreline_px": line}) for k, line in enumerate(wires)],
        )
    )
    return found["r1"] == {"r2"}, found["r2"] == {"r1"}


ALONG = [[(0.0, 10.0), (50.0, 10.0), (100.0, 10.0), (150.0, 10.0), (200.0, 10.0)]]


@pytest.mark.parametrize(
    ("one", "other", "wires", "held"),
    [
        (box(0, 0, 100, 20), box(80, 0, 180, 20), ALONG, (True, True)),
        (box(0, 0, 100, 20), box(80, 0, 180, 20), [], (False, False)),
        (box(0, 0, 100, 20), box(80, 10, 180, 30), ALONG, (False, False)),
        (box(0, 5, 100, 15), box(80, 0, 180, 20), ALONG, (True, False)),
        (box(20, 5, 40, 15), box(0, 0, 100, 20), [], (True, False)),
        (box(0, 0, 100, 20), box(110, 0, 180, 20), ALONG, (False, False)),
        (box(0, 0, 100, 20) + box(0, 40, 100, 60), box(80, 0, 180, 20), ALONG, (False, True)),
        ([], box(80, 0, 180, 20), ALONG, (False, False)),
    ],
    ids=["over the whole width", "no wire traced", "half the width", "narrower", "inside", "apart", "in two pieces",
         "no outline"],
)  # fmt: skip
def test_a_place_overlapped_across_its_wires_has_no_other_wires(bench, one, other, wires, held):
    """Beside each other, or without a wire that says which way they run, they may be different ones."""
    assert lying(bench, one, other, wires) == held


@given(st.floats(0, 2 * np.pi))
def test_which_way_the_photograph_was_turned_makes_no_difference(bench, angle):
    """The same two places and wire, turned."""
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    def turned(line):
        return [tuple(map(float, turn @ point)) for point in np.array(line)]

    outlines = [[turned(ring) for ring in rings] for rings in (box(0, 0, 100, 20), box(80, -9, 180, 29))]
    assert lying(bench, *outlines, [turned(ALONG[0][::-1])]) == (True, False)


def test_overlapping_damage_is_not_counted_twice_in_a_decision(bench):
    """Two places of two to five wires over the same bundle: between two and five, and a route within the limit."""
    count = bench.count(value=3, low=2, high=5)
    wires = [bench.wire("w1").model_copy(update={"centreline_px": ALONG[0]})]
    one = bench.region(wires_affected=count, rings_px=box(0, 0, 100, 20))

    def found(left):
        other = bench.region(id="r2", wires_affected=count, rings_px=box(left, 0, left + 80, 20))
        return bench.decision(bench.photo(one, other, wires=wires))

    over, beside = found(80), found(110)
    assert (over.wires_to_repair.low, over.wires_to_repair.value, over.wires_to_repair.high) == (2, 3, 5)
    assert (over.route, beside.route) == ("repair_in_vehicle", "undecided")
    assert (beside.wires_to_repair.low, beside.wires_to_repair.high) == (2, 10)
