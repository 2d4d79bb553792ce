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


def placed(ref, ids="", within="", **fields):
    """A share of the place `ref`, on the places of the letters `within`."""
    return replace(share(ids, **fields), ref=ref, within=frozenset(within))


def test_two_places_on_the_same_wires_count_them_once():
    """Three to six wires each, one damage over the other: three to six, not to twelve; named in one or none."""
    for ids, others in (("", ""), ("ab", ""), ("", "ab"), ("ab", "ab")):
        one, other = placed("r1", ids, low=3, high=6), placed("r2", others, low=3, high=6)
        lying = [replace(one, within=frozenset({"r2"})), replace(other, within=frozenset({"r1"}))]
        assert (united(lying).low, united(lying).high) == (3, 6)
        assert united([one, other]).high > 6, "places beside each other may touch different wires"


def test_wires_seen_beside_a_place_are_not_its_own():
    """Six may lie under a narrow place; the two wires that only the wide one names are none of them."""
    wide, narrow = placed("r1", "abcd"), placed("r2", "ab", high=6, within=["r1"])
    assert united([wide, narrow]).high == 8


@st.composite
def piles(draw):
    """Shares with the wires that they truly touch, for some of them within those of another share."""
    made, truths = [], []
    for k in range(draw(st.integers(1, 5))):
        on = draw(st.sampled_from([None, *range(k)]))
        touched = draw(st.sets(st.sampled_from(sorted(truths[on]) if on is not None else range(12)), min_size=1))
        ids = {str(w) for w in touched if draw(st.booleans())}
        low, high = draw(st.integers(1, len(touched))), len(touched) + draw(st.integers(0, 3))
        certain = draw(st.booleans())
        within = [f"r{on}"] if on is not None else []
        made.append(
            Share(
                0, frozenset(ids), low if certain else 0, draw(st.integers(low, high)), high, certain,
                ref=f"r{k}", within=frozenset(within),
            )
        )  # fmt: skip
        truths.append(touched)
    order = draw(st.permutations(range(len(made))))
    return [made[k] for k in order], [truths[k] for k in order]


@given(piles())
def test_the_interval_holds_the_true_wires_however_places_lie_on_each_other(pile):
    """Never below what one place alone shows for certain, never above the sum, and the truth lies within."""
    shares, truths = pile
    span = united(shares)
    assert max(united([s]).low for s in shares) <= span.low <= span.value <= span.high <= sum(s.high for s in shares)
    assert span.low <= len(set().union(*truths)) <= span.high
    for k in range(len(shares)):
        assert united(shares[:k]).high <= span.high, "one damage more"


refs = ["r0", "r1", "r2", "r3"]


@given(st.lists(st.sets(st.sampled_from(refs)), min_size=4, max_size=4), st.integers(1, 4))
def test_places_said_to_lie_on_each_other_in_a_circle_still_count(holders, number):
    """Outlines are rough: the count ends, is that of the largest at least, and no more than all."""
    shares = [
        placed(ref, low=1, high=number + k, within=held - {ref})
        for k, (ref, held) in enumerate(zip(refs, holders, strict=True))
    ]
    assert number + 3 <= united(shares).high <= 4 * number + 6
