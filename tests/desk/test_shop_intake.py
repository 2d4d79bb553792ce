"""The shop's functions at intake: opening and correcting assemblies, taking photographs in."""

import threading

import pytest

from desk.records import tables
from desk.shop import uploads
from desk.shop.assemblies import (
    CLASS_CHOICES,
    CLASS_WORDS,
    IntakeForm,
    correct_intake,
    key_of,
    newest_intake,
    open_assembly,
    shown_name,
)
from desk.shop.errors import Invalid, NotAPhotograph, StaleForm, TooLarge


def test_the_same_order_opens_the_same_assembly(shop):
    """However it is spelled; with another vehicle it is refused and the way out is said."""
    with shop.desk.database.write() as session:
        by = shop.accounts["intake"]
        first, new = open_assembly(session, by, IntakeForm("A-17", "LT 4711", "none"))
        again, new_again = open_assembly(session, by, IntakeForm(" a 17", "lt-4711", "none"))
        assert (first, new, new_again) == (again, True, False)
        with pytest.raises(Invalid, match="A-17-2"):
            open_assembly(session, by, IntakeForm("A-17", "XX 1", "none"))


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"shop_order": "  "}, "shop_order"),
        ({"shop_order": "x" * 61}, "shop_order"),
        ({"vehicle": "a\x00b"}, "vehicle"),
        ({"circuit_class": ""}, "circuit_class"),
        ({"circuit_class": "best"}, "circuit_class"),
        ({"mats": 0}, "mats"),
        ({"customer_says": "x" * 4001}, "customer_says"),
        ({"circuit_list": b"circuit;colour\n1;RD"}, "circuit_list"),
        ({"circuit_list": b"\xff\xfe"}, "circuit_list"),
    ],
)
def test_an_answer_that_cannot_be_used_names_its_field(shop, changes, field):
    """Nothing is kept of such a form."""
    values = {"shop_order": "A", "vehicle": "V", "circuit_class": "none"} | changes
    with pytest.raises(Invalid) as caught, shop.desk.database.write() as session:
        open_assembly(session, shop.accounts["intake"], IntakeForm(**values))
    assert caught.value.field == field
    with shop.desk.database.read() as session:
        assert session.query(tables.Assembly).count() == 0


def test_a_correction_is_another_row_and_a_stale_one_is_refused(shop):
    """What was said first can still be read; who corrects from an old page is told."""
    number = shop.opened(vehicle="LT 1")
    by = shop.accounts["intake"]
    with shop.desk.database.write() as session:
        shown = newest_intake(session, number).id
        correct_intake(session, by, number, IntakeForm("A-1", "LT 2", "restraint"), shown)
    with pytest.raises(StaleForm), shop.desk.database.write() as session:
        correct_intake(session, by, number, IntakeForm("A-1", "LT 3", "none"), shown)
    with shop.desk.database.read() as session:
        rows = session.query(tables.Intake).order_by(tables.Intake.id)
        assert [row.vehicle for row in rows] == ["LT 1", "LT 2"]
        assert newest_intake(session, number).circuit_class == "restraint"


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("../../etc/passwd.jpg", "passwd.jpg"),
        ("C:\\shots\\a.jpg", "a.jpg"),
        ("..", "photograph"),
        ("", "photograph"),
        ("a\x00\n\u202eb.jpg", "ab.jpg"),
    ],
)
def test_a_files_name_is_shown_and_never_a_path(name, shown):
    """Folders, control signs and direction overrides are gone."""
    assert shown_name(name, "photograph") == shown


def test_spelling_does_not_part_a_vehicle_from_itself():
    """Case, spaces, dashes and full-width signs."""
    assert key_of("LT-47 11") == key_of("lt4711") == key_of("ＬＴ ４７１１")
    assert key_of("--") == "--"


def test_every_circuit_class_has_words_of_its_own():
    """A class that is added later must be said too."""
    assert set(CLASS_WORDS) == set(CLASS_CHOICES)
    assert len(set(CLASS_WORDS.values())) == len(CLASS_CHOICES)


def test_a_photograph_is_answered_and_kept_once(shop, blank_photo):
    """Without a mat it is usable for a label and says so; sent again it is the same photograph."""
    number = shop.opened()
    first = shop.sent(number, blank_photo())
    again = shop.sent(number, blank_photo(name="other-name.jpg"))
    assert (first.usable, first.mat_found, first.again) == (True, False, False)
    assert "lay the assembly on the printed mat" in {item.advice for item in first.retake}
    assert (again.photograph_id, again.again) == (first.photograph_id, True)
    with shop.desk.database.read() as session:
        assert session.query(tables.Job).count() == 1
    assert not list(shop.desk.incoming.iterdir())


def test_one_photograph_sent_by_many_at_once_is_kept_once(shop, blank_photo):
    """Eight identical uploads in the same moment: one row, one job, eight answers."""
    number, path = shop.opened(), blank_photo()
    receipts, failures = [], []

    def send():
        try:
            receipts.append(shop.sent(number, path))
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=send) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert len({receipt.photograph_id for receipt in receipts}) == 1
    assert len(receipts) == 8
    with shop.desk.database.read() as session:
        assert [session.query(t).count() for t in (tables.Photograph, tables.Job, tables.FirstAnswer)] == [1, 1, 1]


@pytest.mark.parametrize(
    "content", [b"PK\x03\x04 a zip", b"\xff\xd8\xff\xe0 cut off", b"", b"<html>", b"\x89PNG\r\n\x1a\nx"]
)
def test_what_is_no_photograph_is_refused_and_removed(shop, tmp_path, content):
    """Whatever its name says; nothing of it stays, neither file nor row."""
    file = tmp_path / "shot.jpg"
    file.write_bytes(content)
    number = shop.opened()
    with pytest.raises(NotAPhotograph, match="expected"):
        shop.sent(number, file)
    assert not list(shop.desk.incoming.iterdir())
    assert not list(shop.desk.store.files())


def test_an_upload_that_broke_goes_on_where_it_broke(shop):
    """Pieces are appended in order; a piece at another place is refused with where to go on."""
    part = uploads.part_of(shop.desk, 1, 1, "key-0001", 10)
    with uploads.appending(shop.desk, part, 0) as stream:
        uploads.write_piece(shop.desk, part, stream, b"01234")
    for wrong in (0, 3, 9):
        with pytest.raises(uploads.WrongPlace) as caught, uploads.appending(shop.desk, part, wrong):
            pass
        assert caught.value.received == 5
    with uploads.appending(shop.desk, part, 5) as stream:
        uploads.write_piece(shop.desk, part, stream, b"56789")
        with pytest.raises(TooLarge):
            uploads.write_piece(shop.desk, part, stream, b"x")
    assert part.path.read_bytes() == b"0123456789"


def test_one_persons_upload_is_not_anothers(shop):
    """The same key from another person or for another assembly leads to another file, and no key leads to a path."""
    paths = {uploads.part_of(shop.desk, p, a, "key-0001").path for p in (1, 2) for a in (1, 2)}
    assert len(paths) == 4
    with pytest.raises(Invalid):
        uploads.part_of(shop.desk, 1, 1, "../../../x")
    with pytest.raises(TooLarge):
        uploads.part_of(shop.desk, 1, 1, "key-0001", 200_000_000)
