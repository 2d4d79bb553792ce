"""Wires measured at the bench answer what the decision asks of their place; what somebody answered stands."""

from hypothesis import given, settings
from hypothesis import strategies as st

from models.repair import Answers, decide
from models.repair.bench import BenchNotes, BenchWire
from models.repair.measured import with_measured
from vision.findings import Count, Measure

BITTEN = {"label": "rodent", "exposed_copper_mm": Measure(value=4.0, u95=0.5)}
FEW = Count(value=2, low=1, high=4)
PAIR = Count(value=2, low=1, high=2)


def wire(name, before=200.0, after=500.0, **more):
    """One wire noted from end to end."""
    return BenchWire(id=name, before_mm=before, damage_mm=30.0, after_mm=after, **more)


def told(bench, photos, *wires, **answers):
    """The answers with what these wires say."""
    return with_measured(photos, Answers(**answers), BenchNotes(wire=wires), bench.rules)


def test_distance_ends_number_and_size_of_one_place(bench):
    """The nearest end of the nearest wire; all ends named; as many wires as may be; one size."""
    photo = bench.photo(bench.region(**BITTEN, wires_affected=PAIR))
    ends = {"start": "X1:1", "end": "X2:1", "size_mm2": 0.5}
    found = told(bench, [photo], wire("a", 200.0, 180.0, **ends), wire("b", 190.0, **ends))
    assert found.distances_mm == {"r1": 180.0} and found.both_ends_identified == {"r1": True}
    assert (found.wire_count, found.wire_size_mm2) == (2, 0.5)


def test_no_question_of_the_place_is_left_that_the_ruler_answered(bench):
    """As long as nobody measured it is asked how far and how many."""
    photo = bench.photo(bench.region(**BITTEN, wires_affected=PAIR, to_termination_mm=None))
    plain = bench.settled(both_ends_identified={"r1": True})
    rules = ("termination-distance", "wire-count")

    def asked(answers):
        return [q.changes for q in decide([photo], answers, bench.limits(wire_count={"max_wires": 1})).open_questions
                if q.changes.startswith(rules)]  # fmt: skip

    assert len(asked(plain)) == 2
    assert asked(with_measured([photo], plain, BenchNotes(wire=(wire("a"), wire("b"))), bench.rules)) == []
    assert len(asked(with_measured([photo], plain, BenchNotes(wire=(wire("a"),)), bench.rules))) == 2


def test_what_was_answered_stands(bench):
    """Of the place and of the assembly."""
    photo = bench.photo(bench.region(**BITTEN, wires_affected=FEW))
    given = dict(distances_mm={"r1": 90.0}, both_ends_identified={"r1": False}, wire_count=4, wire_size_mm2=1.0)
    assert told(bench, [photo], wire("a", size_mm2=0.5, start="X1:1", end="X2:1"), **given) == Answers(**given)


def test_a_part_of_the_wires_says_nothing_of_the_others(bench):
    """Fewer than may be damaged, wires that nobody counted, and more than there can be: the next may be a loose end,
    lie nearer, or be one too many."""
    photo = bench.photo(bench.region(**BITTEN, wires_affected=FEW))
    uncounted = bench.photo(bench.region(**BITTEN, wires_affected=None))
    ends = {"start": "X1:1", "end": "X2:1", "size_mm2": 0.5}
    for seen, noted in ((photo, "a"), (photo, "ab"), (photo, "abcde"), (uncounted, "ab")):
        assert told(bench, [seen], *(wire(name, **ends) for name in noted)) == Answers()


def test_part_of_the_wires_never_settles_the_route(bench):
    """Two noted where nine may be damaged and six are repaired: still open. Counted as two, all answers follow."""
    photo = bench.photo(bench.region(**BITTEN, wires_affected=Count(value=2, low=1, high=9)))
    notes, given = BenchNotes(wire=(wire("a"), wire("b"))), bench.settled(both_ends_identified=True)
    found = decide([photo], with_measured([photo], given, notes, bench.rules), bench.rules)
    assert (found.route, found.route_worst) == ("undecided", "remanufacture")
    assert told(bench, [photo], wire("a"), wire("b"), wire_count=2).distances_mm == {"r1": 200.0}


def test_a_wire_noted_for_a_joint_elsewhere_is_not_one_of_the_place(bench):
    """A joint that lies on no place of damage may be what was measured."""
    joint = bench.splice(rings_px=bench.square(150.0), wire_id="w2")
    photo = bench.photo(bench.region(**BITTEN, wires_affected=bench.wires_of("w1")), splices=[joint])
    assert told(bench, [photo], wire("mine")).distances_mm == {}


def test_of_several_places_wires_count_where_the_photograph_names_them(bench):
    """Names of the bench's own could be of either place."""
    one = bench.region(**BITTEN, wires_affected=bench.wires_of("w1"))
    other = bench.region(**BITTEN, id="r2", rings_px=bench.square(60.0), wires_affected=bench.wires_of("w2"))
    photo = bench.photo(one, other, wires=[bench.wire("w1"), bench.wire("w2")])
    assert told(bench, [photo], wire("w1", 160.0), wire("mine", 20.0)).distances_mm == {"r1": 160.0}


def test_a_housing_or_an_old_joint_takes_nothing_from_wires(bench):
    """The distance of a sleeve is not that of damage."""
    for label in ("connector", "earlier_repair"):
        photo = bench.photo(bench.region(label))
        assert told(bench, [photo], wire("a")).distances_mm == {}


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 900), st.floats(0, 900)), min_size=1, max_size=5))
def test_the_distance_is_never_beyond_that_of_any_wire_and_twice_changes_nothing(bench, lengths):
    """Whatever was measured."""
    photo = bench.photo(bench.region(**BITTEN, wires_affected=Count(value=1, low=1, high=len(lengths))))
    wires = [wire(f"w{k}", before, after) for k, (before, after) in enumerate(lengths)]
    found = told(bench, [photo], *wires)
    assert found.distances_mm["r1"] == min(min(pair) for pair in lengths)
    assert with_measured([photo], found, BenchNotes(wire=tuple(wires)), bench.rules) == found
