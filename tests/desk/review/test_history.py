"""Which entries count: nothing is lost, and what nobody saw waits."""

from desk.review.history import in_force, unseen_before, waiting, withdrawn

CONFIRM = {"kind": "confirm", "photo": "aaaa1111"}


def ids(entries):
    return [entry.id for entry in entries]


def test_taking_back_a_taking_back_restores_the_first(entry):
    """Undo, then redo by undoing the undo."""
    course = [entry(1, **CONFIRM), entry(2, kind="withdraw", entry=1)]
    assert withdrawn(course) == {1} and in_force(course) == []
    course.append(entry(3, kind="withdraw", entry=2))
    assert ids(in_force(course)) == [1]


def test_the_later_of_two_who_did_not_know_of_each_other_waits(entry):
    """Both opened the page empty; Ben's comes second and does not count until it is settled, nor is it lost."""
    course = [entry(1, "ada", None, **CONFIRM), entry(2, "ben", None, **CONFIRM)]
    assert unseen_before(course) == [2] and waiting(course) == [2]
    assert ids(in_force(course)) == [1]


def test_what_waits_does_not_put_the_first_person_into_conflict(entry):
    """Ada goes on without having seen Ben's entry, which did not count."""
    course = [entry(1, "ada", None, **CONFIRM), entry(2, "ben", None, **CONFIRM), entry(3, "ada", 1, **CONFIRM)]
    assert unseen_before(course) == [2]


def test_a_settled_entry_counts_where_it_was_settled(entry):
    """Kept: after the other's. Not kept: never. Either way it no longer waits."""
    course = [entry(1, "ada", None, **CONFIRM), entry(2, "ben", None, **CONFIRM), entry(3, "ada", 1, **CONFIRM)]
    kept = [*course, entry(4, "ben", 3, kind="settle", entry=2, keep=True)]
    assert waiting(kept) == [] and ids(in_force(kept)) == [1, 3, 2]
    dropped = [*course, entry(4, "ben", 3, kind="settle", entry=2, keep=False)]
    assert waiting(dropped) == [] and ids(in_force(dropped)) == [1, 3]


def test_who_has_not_seen_the_settling_is_in_conflict_with_it(entry):
    """The settling brought Ben's entry in; Ada wrote on the state before it."""
    course = [entry(1, "ada", None, **CONFIRM), entry(2, "ben", None, **CONFIRM)]
    course += [entry(3, "ben", 1, kind="settle", entry=2, keep=True), entry(4, "ada", 1, **CONFIRM)]
    assert waiting(course) == [4]


def test_one_person_in_two_windows_does_not_conflict(entry):
    """Only somebody else's entry can be unknown to the writer."""
    assert unseen_before([entry(1, "ada", None, **CONFIRM), entry(2, "ada", None, **CONFIRM)]) == []
