"""The corrected set: what each place became, kept under the hash of its content, carried to another desk."""

import json

import pytest

from desk import cli
from desk.learning.corrected import CorrectedError, read_snapshot, snapshot_of
from desk.learning.gather import gather
from desk.learning.shelf import Shelf, as_file, find_snapshot, keep_snapshot
from desk.review.edits import EDIT
from desk.shop import opinions, review
from desk.shop.opinions import is_drawn
from tests.desk.signing import sign_off

LEARNT = next(f"L-{n}" for n in range(1000) if not is_drawn(f"L-{n}"))
OTHER = next(f"M-{n}" for n in range(1000) if not is_drawn(f"M-{n}"))
DRAWN = next(f"D-{n}" for n in range(1000) if is_drawn(f"D-{n}"))


@pytest.fixture
def judged(shop, drawn):
    """An assembly with four finds, reviewed by edits (without photo) and signed off unless told otherwise."""

    def make(shop_order, edits, signed=True):
        assembly_id = shop.opened(shop_order)
        sha = f"{assembly_id:064x}"
        regions = [drawn.region("rodent", 60 + 120 * k, 40, f"r{k}") for k in range(4)]
        shop.assessed(assembly_id, sha, drawn.truth("a.jpg", regions))
        seen = None
        with shop.desk.database.write() as session:
            for edit in edits:
                value = EDIT.validate_python({"photo": sha} | edit)
                seen = review.put_on_record(session, shop.desk, shop.accounts["reviewer"], assembly_id, value, seen).id
            if signed:
                stand = [f"{sha}:r{k}" for k in range(4)]
                sign_off(session, shop.desk, shop.accounts["reviewer"], assembly_id, seen, stand)
        return assembly_id, sha

    return make


def taken(shop):
    with shop.desk.database.read() as session:
        return gather(session, shop.desk)


EDITS = [
    {"kind": "confirm", "region": "r0"},
    {"kind": "relabel", "region": "r1", "label": "abrasion"},
    {"kind": "delete", "region": "r2"},
    {"kind": "add", "region": "n1", "label": "external_heat", "rings_px": [[(560, 230), (600, 230), (600, 250)]]},
]


def test_every_verdict_comes_out_of_the_records(shop, judged):
    """Confirmed, corrected, rejected (now sound), added, and one that nobody named and so teaches nothing."""
    judged(LEARNT, EDITS)
    snapshot = taken(shop)
    (photo,) = snapshot.photos
    got = {p.region: (p.verdict, p.label, p.was) for p in photo.places}
    assert got == {
        "r0": ("confirmed", "rodent", "rodent"), "r1": ("corrected", "abrasion", "rodent"),
        "r2": ("rejected", "sound", "rodent"), "n1": ("added", "external_heat", None),
        "r3": ("unjudged", "rodent", "rodent"),
    }  # fmt: skip
    assert {p.reviewer for p in photo.judged} == {"reviewer"} and all(p.judged_at for p in photo.judged)
    assert photo.assembly == LEARNT and not photo.blind and photo.mm_per_px == 0.5
    assert snapshot.counts()["rodent"] == {"confirmed": 1, "unjudged": 1}


def test_only_signed_off_reviews_count_and_what_was_taken_back_does_not(shop, judged):
    """No sign-off: nothing. A relabelling that was withdrawn leaves the place unjudged."""
    judged("L-open", EDITS, signed=False)
    assert taken(shop).photos == []
    assembly_id, sha = judged(LEARNT, EDITS[:1], signed=False)
    with shop.desk.database.write() as session:
        seen = review.newest_entry(session, assembly_id)
        back = EDIT.validate_python({"kind": "withdraw", "entry": seen})
        seen = review.put_on_record(session, shop.desk, shop.accounts["reviewer"], assembly_id, back, seen).id
        stand = [f"{sha}:r{k}" for k in range(4)]
        sign_off(session, shop.desk, shop.accounts["reviewer"], assembly_id, seen, stand)
    assert {p.verdict for p in taken(shop).places} == {"unjudged"}


def test_what_is_drawn_for_a_second_opinion_is_marked_with_it(shop, judged):
    """The blind word stands beside the reviewer's."""
    assembly_id, sha = judged(DRAWN, EDITS[:2])
    with shop.desk.database.write() as session:
        labels = {f"{sha}:r{k}": "rodent" for k in range(4)}
        opinions.give(session, shop.desk, shop.accounts["administrator"], assembly_id, labels)
    (photo,) = taken(shop).photos
    assert photo.blind and {p.region: p.second for p in photo.places}["r1"] == "rodent"


def test_a_snapshot_is_named_by_its_content_and_refused_when_altered(shop, judged, tmp_path):
    """The same records give the same id at another time; one changed letter is found; so is another schema."""
    judged(LEARNT, EDITS)
    snapshot = taken(shop)
    later = snapshot_of(snapshot.photos, snapshot.feature_version, "2031-01-01T00:00:00")
    assert (later.id, later.sha256) == (snapshot.id, snapshot.sha256)
    shelf = Shelf(tmp_path)
    keep_snapshot(shelf, snapshot)
    assert find_snapshot(shelf, snapshot.id[:5]) == snapshot
    (shelf.snapshots / "cut-short.json").write_bytes(as_file(snapshot)[:200])
    assert find_snapshot(shelf, snapshot.id[:5]) == snapshot, "another that was cut short keeps nobody from it"
    with pytest.raises(CorrectedError, match="cut-short"):
        find_snapshot(shelf, "cut")
    (shelf.snapshots / "cut-short.json").unlink()
    text = as_file(snapshot).decode()
    assert read_snapshot(text, "x") == snapshot
    with pytest.raises(CorrectedError, match="it was altered"):
        read_snapshot(text.replace('"abrasion"', '"rodent"'), "x")
    with pytest.raises(CorrectedError, match="expected a corrected set"):
        read_snapshot("{}", "x")


def test_one_photograph_under_two_assemblies_is_refused(shop, judged):
    """It would be learnt from and tested on."""
    judged(LEARNT, EDITS)
    (photo,) = taken(shop).photos
    with pytest.raises(CorrectedError, match="each photograph under one assembly"):
        snapshot_of([photo, photo.model_copy(update={"assembly": "other"})], "3", "2031")


def test_a_photograph_sent_under_two_assemblies_is_left_out_and_the_others_are_kept(shop, judged, drawn, capsys):
    """One mistake at intake must not stop the desk from learning; the command says what it left out."""
    _, sha = judged(LEARNT, EDITS)
    judged(OTHER, EDITS[:1])
    shop.assessed(shop.opened("L-twice"), sha, drawn.truth("a.jpg", [drawn.region("rodent", 60, 40)]))
    assert [photo.assembly for photo in taken(shop).photos] == [OTHER]
    assert cli.run(["dataset", "snapshot", "--data", str(shop.desk.data), "--database", _address(shop)]) == 0
    assert "1 photograph left out" in capsys.readouterr().out


def test_commands_take_show_export_and_bring_it_to_another_desk(shop, judged, tmp_path, capsys):
    """One line for what is wrong; the exported file is the snapshot."""
    data, address = ["--data", str(shop.desk.data)], ["--database", _address(shop)]
    assert cli.run(["dataset", "snapshot", *data, *address]) == 2
    assert "sign off reviews first" in capsys.readouterr().err
    judged(LEARNT, EDITS)
    assert cli.run(["dataset", "snapshot", *data, *address]) == 0
    assert "1 assembly, 1 photograph, 5 places" in capsys.readouterr().out
    snapshot = find_snapshot(Shelf(shop.desk.data), None)
    file = tmp_path / "out.json"
    assert cli.run(["dataset", "export", snapshot.id, str(file), *data]) == 0
    other = tmp_path / "other"
    (other / "photos").mkdir(parents=True)
    assert cli.run(["dataset", "import", str(file), "--data", str(other)]) == 0
    assert "1 of its 1 photographs are not in this desk's store" in capsys.readouterr().out
    assert find_snapshot(Shelf(other), None) == snapshot
    file.write_text(json.dumps(json.loads(file.read_text()) | {"feature_version": "2"}))
    assert cli.run(["dataset", "import", str(file), "--data", str(other)]) == 2
    assert "altered" in capsys.readouterr().err
    assert cli.run(["dataset", "show", "zzz", *data]) == 2


def _address(shop):
    return shop.desk.database.url.render_as_string(hide_password=False)
