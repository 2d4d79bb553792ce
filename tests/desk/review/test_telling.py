"""Entries of a review in words that a customer or an insurer can read."""

from desk.review.telling import entry_words


def test_an_answer_is_told_as_question_and_answer_with_its_place_and_unit(entry):
    """No name of a field, no True or False: the evidence file prints these words."""
    answers = {
        "both_ends_identified": {"photo 1:r1": False},
        "housing_state": {"t1": "damaged", "t2": "not_a_housing"},
        "fuse_found_a": 10,
        "wire_size_mm2": 0.5,
    }
    words = entry_words(entry(1, kind="answer", answers=answers), {}, {})
    assert words == (
        "answered: photo 1 · r1: are both ends of every damaged wire known, by housing and cavity? no; "
        "t1: is the housing sound or damaged, or is it not a housing at all? damaged; "
        "t2: is the housing sound or damaged, or is it not a housing at all? not a housing; "
        "Which fuse was found? 10 A; What size is the wire? 0.5 mm²"
    )


def test_how_a_label_of_the_shop_is_treated_is_no_other_name_for_it(entry):
    """`r1` carries the shop's label: the record must not read as if external heat had damaged it; `r2` is named."""
    answers = {"labels": {"r1": "external_heat", "r2": "rodent"}}
    words = entry_words(entry(4, kind="answer", answers=answers), {}, {4: {"r1": "green_corrosion"}})
    assert words == (
        "answered: r1: by which rules is green corrosion, a label of the shop's own, treated? those of external heat; "
        "r2: what damaged this place? rodent bites"
    )


def test_a_wire_is_told_with_its_closed_parts_and_the_ends_that_take_no_new_terminal(entry):
    """Two entries that differ in these alone do not read alike, in a conflict or in the evidence file."""
    wire = {"id": "w0", "before_mm": 300.0, "damage_mm": 45.0, "after_mm": 555.0}
    more = {"joints_mm": [700.0], "keep_out_mm": [[100.0, 200.0]], "end_renewable": False}
    plain = "wire w0: 300 mm to the damage, 45 mm of it, 555 mm on"
    assert entry_words(entry(1, kind="measure_wire", wire=wire), {}, {}) == plain
    assert entry_words(entry(1, kind="measure_wire", wire=wire | more), {}, {}) == (
        plain + "; joints at 700 mm; closed or flexing 100 mm to 200 mm; no new terminal at its end"
    )


def test_a_named_end_is_told_with_its_photograph_where_there_are_several(entry):
    """As any place is."""
    named = entry(1, kind="name_end", photo="aaaa1111", end="t1", connector="X2")
    assert entry_words(named, {"aaaa1111": "photo 1"}, {}) == "t1: connector X2"
    assert entry_words(named, {"aaaa1111": "photo 1", "bbbb2222": "photo 2"}, {}) == "photo 1 · t1: connector X2"


def test_what_was_taken_back_is_named_and_not_numbered(entry):
    """On paper no entry has a number; a taking-back that was taken back itself counts again."""
    others = {
        1: entry(1, kind="confirm", photo="aaaa1111", region="r1"),
        2: entry(2, kind="withdraw", entry=1),
        3: entry(3, kind="withdraw", entry=2),
    }
    names = {"aaaa1111": "photo 1"}
    assert entry_words(others[2], names, {}, others) == "taken back: r1: confirmed"
    assert entry_words(others[3], names, {}, others) == "counts again: r1: confirmed"
    settled = entry(4, kind="settle", entry=1, keep=True)
    assert entry_words(settled, names, {}, others) == "conflict settled: kept r1: confirmed"
    assert entry_words(others[2], names, {}) == "taken back: entry 1"
