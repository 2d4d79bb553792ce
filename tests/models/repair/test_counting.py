"""Wires to repair: united by name, never added twice, held in an interval; against brute force over all worlds."""

from dataclasses import replace
from itertools import product

from hypothesis import given
from hypothesis import strategies as st

from models.repair.counting import Share, most_at_one_location, most_in_one_branch, united


def share(ids="", low=None, high=None, photo=0, certain=True, ends=""):
    number = len(ids)
    low = number if low is None else low
    high = number if high is None else high
    return Share(
        photo, frozenset(ids), low if certain else 0, max(low, min(number, high)), high, certain, frozenset(ends)
    )


def test_a_wire_damaged_in_two_places_is_one_wire():
    """abc and bcd are four wires, not six."""
    assert (united([share("abc"), share("bcd")]).low, united([share("abc"), share("bcd")]).high) == (4, 4)


def test_a_damage_touches_no_more_wires_than_it_has_room_for_however_many_run_there():
    """Eleven wires are traced through a damage of two, six at most: six at most are repaired, and two are expected."""
    one = Share(0, frozenset("abcdefghijk"), 1, 2, 6, True)
    assert (united([one]).low, united([one]).value, united([one]).high) == (1, 2, 6)
    other = replace(one, wire_ids=frozenset("lm"), value=1, high=2)
    assert (united([one, other]).low, united([one, other]).value, united([one, other]).high) == (1, 3, 8)


def test_uncounted_wires_may_be_the_same_or_different_ones():
    """Two regions of three unnamed wires hold between three and six."""
    span = united([share(low=3, high=3), share(low=3, high=3)])
    assert (span.low, span.high) == (3, 6)


def test_the_same_name_in_two_photographs_need_not_be_the_same_wire():
    """Names are given per photograph: at least the richer one, at most both together."""
    span = united([share("abcd", photo=0), share("abc", photo=1)])
    assert (span.low, span.high) == (4, 7)


def test_an_unknown_number_leaves_no_upper_end():
    """And no count can be stated."""
    span = united([share("ab"), Share(0, frozenset(), 1, 1, None, True)])
    assert span.high is None
    assert span.count(()) is None


def test_wires_that_may_need_no_repair_raise_only_the_upper_end():
    """A flex test still open."""
    span = united([share("ab"), share("cde", certain=False)])
    assert (span.low, span.high) == (2, 5)


def test_scopes_narrow_from_the_assembly_to_the_branch_to_one_location():
    """Four wires to housing X in two places, three wires to housing Y."""
    shares = [share("abc", ends="X"), share("cd", ends="X"), share("efg", ends="Y")]
    assert united(shares).low == 7
    assert most_in_one_branch(shares).low == most_in_one_branch(shares).high == 4
    assert most_at_one_location(shares).low == 3


small = st.lists(
    st.builds(
        share,
        st.sets(st.sampled_from("abcd"), max_size=3).map(lambda s: "".join(sorted(s))),
        certain=st.booleans(),
        ends=st.sampled_from(["", "X", "Y", "XY"]),
        photo=st.sampled_from([0, 1]),
    ),
    max_size=4,
)


@given(small)
def test_the_interval_holds_every_world_of_named_wires(shares):
    """Brute force: choose which uncertain shares happen, and whether wires of two photographs are the same."""
    span = united(shares)
    doubt = [s for s in shares if not s.certain]
    for choice in product([False, True], repeat=len(doubt)):
        real = [s for s in shares if s.certain] + [s for s, chosen in zip(doubt, choice, strict=True) if chosen]
        per_photo = [set().union(*(s.wire_ids for s in real if s.photo == p)) for p in (0, 1)]
        assert span.low <= max(map(len, per_photo))
        assert sum(map(len, per_photo)) <= span.high
    assert span.low <= span.value <= span.high


@given(small)
def test_a_narrower_scope_never_counts_more(shares):
    """Location within branch within assembly, at both ends."""
    spans = [most_at_one_location(shares), most_in_one_branch(shares), united(shares)]
    assert spans[0].low <= spans[1].low <= spans[2].low
    assert spans[0].high <= spans[1].high <= spans[2].high


@given(small, small)
def test_more_damage_never_lowers_either_end(shares, more):
    """For every scope."""
    for count in (united, most_in_one_branch, most_at_one_location):
        before, after = count(shares), count(shares + more)
        assert after.low >= before.low
        assert after.high >= before.high


def test_one_damage_seen_in_two_photographs_is_counted_once():
    """3 wires seen twice and 2 others: at most 5, not 8; an unknown upper end of either leaves none."""
    twice = [replace(share("abc", photo=0), damage=7), replace(share("abc", photo=1), damage=7)]
    assert (united(twice).low, united(twice).high) == (3, 3)
    other = replace(share("de", photo=1), damage=8)
    assert (united([*twice, other]).low, united([*twice, other]).high) == (5, 5)
    unknown = replace(Share(2, frozenset(), 1, 1, None, True), damage=7)
    assert united([*twice, unknown]).high is None
