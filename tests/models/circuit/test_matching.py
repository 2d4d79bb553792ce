"""Traced wires against the circuit list: certain where one reading stands out, asked where several do."""

from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.circuit.circuit_list import Circuit
from models.circuit.matching import match_wires
from models.circuit.wire_table import wire_size
from vision.findings import Measure, SizeCandidate, Wire


def circuit(name, colour, mm2=0.5, ends=("X1", "X2"), length=1000.0, cavity="1"):
    return Circuit(name, colour, wire_size(mm2), ends[0], cavity, ends[1], cavity, length, 10.0, None, "none", 2)


def wire(name, colour, mm2=0.5, ends=(None, None), length=None):
    sizes = [SizeCandidate(size=mm2, p=0.8), SizeCandidate(size=4.0, p=0.2)] if mm2 else []
    return Wire(
        id=name, colour=colour, diameter_mm=None, size_candidates_mm2=sizes, centreline_mm=None, centreline_px=[(0, 0)],
        length_mm=Measure(value=length, u95=5.0) if length else None, ends=list(ends),
    )  # fmt: skip


def test_colours_that_differ_settle_it():
    """Each wire its circuit, nothing to ask; a circuit without a wire is said to be unseen."""
    found = match_wires(
        [wire("w1", "RD"), wire("w2", "BK")], [circuit("A", "BK"), circuit("B", "RD"), circuit("C", "GN")]
    )
    assert (found.circuit_of("w1"), found.circuit_of("w2")) == ("B", "A")
    assert found.questions == () and found.unseen == ("C",)


def test_two_circuits_alike_are_asked_for():
    """Same colour and size: both wires may be either, and the question names them."""
    found = match_wires([wire("w1", "RD"), wire("w2", "RD")], [circuit("A", "RD"), circuit("B", "RD")])
    assert found.circuit_of("w1") is None and found.circuit_of("w2") is None
    assert [set(m.candidates) for m in found.matches] == [{"A", "B"}] * 2
    assert len(found.questions) == 2 and "A or B" in found.questions[0].ask and "cavity" in found.questions[0].ask


def test_a_cavity_read_at_the_bench_settles_both():
    """One wire read, and the other can only be the other circuit: the assignment is one for all."""
    circuits = [circuit("A", "RD", cavity="1"), circuit("B", "RD", cavity="2")]
    found = match_wires([wire("w1", "RD"), wire("w2", "RD")], circuits, cavities={"w1": [("X1", "2")]})
    assert (found.circuit_of("w1"), found.circuit_of("w2")) == ("B", "A")
    assert found.questions == ()


def test_a_cavity_read_outweighs_what_the_photograph_shows():
    """Wrong colour and size, yet the cavity is certain."""
    circuits = [circuit("A", "RD", cavity="1"), circuit("B", "BK", 2.5, cavity="2")]
    found = match_wires([wire("w1", "RD")], circuits, cavities={"w1": [("X1", "2")]})
    assert found.circuit_of("w1") == "B"


def test_the_size_settles_what_the_colour_does_not():
    """Two red circuits of different size."""
    found = match_wires([wire("w1", "RD", 2.5)], [circuit("A", "RD", 0.5), circuit("B", "RD", 2.5)])
    assert found.circuit_of("w1") == "B"


def test_the_connector_settles_it_where_the_trace_ends_at_one():
    """Termination h1 is connector X7."""
    circuits = [circuit("A", "RD"), circuit("B", "RD", ends=("X7", "X8"))]
    found = match_wires([wire("w1", "RD", ends=("h1", None))], circuits, connectors={"h1": "X7"})
    assert found.circuit_of("w1") == "B"


def test_a_traced_wire_cannot_be_longer_than_its_circuit():
    """1500 mm traced: the circuit of 300 mm is ruled out; shorter than the list says is usual."""
    circuits = [circuit("A", "RD", length=300.0), circuit("B", "RD", length=2000.0)]
    assert match_wires([wire("w1", "RD", length=1500.0)], circuits).circuit_of("w1") == "B"
    assert match_wires([wire("w1", "RD", length=200.0)], circuits).circuit_of("w1") is None


def test_a_stripe_that_was_not_seen_still_fits():
    """Tracing may take a striped wire for a plain one; a plain circuit of that colour makes it ambiguous."""
    assert match_wires([wire("w1", "RD")], [circuit("A", "RD/WH"), circuit("B", "BK")]).circuit_of("w1") == "A"
    assert match_wires([wire("w1", "RD")], [circuit("A", "RD/WH"), circuit("B", "RD")]).circuit_of("w1") is None


def test_a_wire_of_no_circuit_is_not_listed():
    """Wrong in colour, size and length: it gets no circuit, and nothing is asked."""
    found = match_wires([wire("w1", "RD", 4.0, length=5000.0)], [circuit("A", "BK", 0.5)])
    assert found.matches[0].circuit is None and not found.matches[0].listed
    assert found.questions == () and found.unseen == ("A",)


def test_more_wires_than_circuits_leaves_some_open():
    """Two red wires, one red circuit: which of them it is, is asked."""
    found = match_wires([wire("w1", "RD"), wire("w2", "RD")], [circuit("A", "RD")])
    assert [m.circuit for m in found.matches] == [None, None]
    assert all("in no list" in q.ask for q in found.questions) and len(found.questions) == 2


def test_nothing_to_match_is_no_mistake():
    """No wires: all unseen. No circuits: all unlisted."""
    assert match_wires([], [circuit("A", "RD")]).unseen == ("A",)
    assert not match_wires([wire("w1", "RD")], []).matches[0].listed


COLOURS = st.sampled_from(["RD", "BK", "GN"])
SOME = st.sampled_from([0.5, 2.5])


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(COLOURS, SOME), min_size=1, max_size=4), st.lists(st.tuples(COLOURS, SOME), max_size=4))
def test_each_circuit_goes_to_one_wire_and_certainty_survives_reordering(seen, listed):
    """Globally consistent, and the order of wires and circuits decides nothing."""
    wires = [wire(f"w{i}", *facts) for i, facts in enumerate(seen)]
    circuits = [circuit(f"C{i}", *facts, cavity=str(i)) for i, facts in enumerate(listed)]
    found = match_wires(wires, circuits)
    given_out = [m.circuit for m in found.matches if m.circuit]
    assert len(given_out) == len(set(given_out))
    assert all(m.circuit is None or m.candidates == (m.circuit,) for m in found.matches)
    turned = match_wires(wires[::-1], circuits[::-1])
    assert {m.wire_id: (m.circuit, set(m.candidates)) for m in found.matches} == {
        m.wire_id: (m.circuit, set(m.candidates)) for m in turned.matches
    }


@settings(max_examples=25, deadline=None)
@given(st.permutations(["RD", "BK", "GN", "YE"]))
def test_wires_told_apart_by_colour_get_what_trying_every_order_gives(order):
    """Against all assignments tried one by one."""
    wires = [wire(f"w{i}", colour) for i, colour in enumerate(order[:3])]
    circuits = [circuit(f"C{i}", colour, cavity=str(i)) for i, colour in enumerate(["RD", "BK", "GN", "YE"])]
    best = max(
        permutations(circuits, 3), key=lambda some: sum(w.colour == c.colour for w, c in zip(wires, some, strict=True))
    )
    found = match_wires(wires, circuits)
    assert [m.circuit for m in found.matches] == [c.circuit for c in best]
    assert len(found.unseen) == 1


def test_a_large_assembly_is_matched_in_no_time():
    """Sixty wires, eighty circuits, many alike."""
    colours = ["RD", "BK", "GN", "YE", "BU", "WH", "BN", "GY"]
    circuits = [circuit(f"C{i}", colours[i % 8], (0.5, 0.75, 1.0)[i % 3], cavity=str(i)) for i in range(80)]
    wires = [wire(f"w{i}", colours[i % 8], (0.5, 0.75, 1.0)[i % 3]) for i in range(60)]
    found = match_wires(wires, circuits)
    assert all(f"C{i}" in m.candidates for i, m in enumerate(found.matches))


@pytest.mark.parametrize("sizes", [None, 0.5])
def test_a_wire_without_a_measured_size_is_matched_by_colour(sizes):
    """Absent is not wrong."""
    assert match_wires([wire("w1", "RD", sizes)], [circuit("A", "RD"), circuit("B", "BK")]).circuit_of("w1") == "A"
