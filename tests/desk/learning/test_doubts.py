"""Improbable labels are ranked, sent back to review, and agreement sets a ceiling."""

import json

import numpy as np
import pytest

from desk.learning.corrected import snapshot_of
from desk.learning.doubts import agreed, doubts_of, read_doubts, write_doubts
from models.damage.card import CARD_FILE, SHIPPED
from tests.desk.signing import sign_off

CARD = json.loads((SHIPPED / CARD_FILE).read_text())
LABELS = ("rodent", "abrasion", "sound")


def test_the_least_probable_label_comes_first_and_a_probable_one_not_at_all(tmp_path):
    """Three places: one right, two improbable; a candidate that shows no place is none."""
    p = np.array([[0.9, 0.05, 0.05], [0.3, 0.6, 0.1], [0.02, 0.9, 0.08], [0.0, 1.0, 0.0]])
    shown = [("A", "s", "r1"), ("B", "s", "r1"), ("C", "s", "r2"), ("D", "s", "")]
    found = doubts_of(LABELS, ["rodent"] * 4, p, shown)
    assert [(d.assembly, d.p_given, d.likeliest) for d in found] == [("C", 0.02, "abrasion"), ("B", 0.3, "abrasion")]
    write_doubts(tmp_path, found)
    assert read_doubts(tmp_path) == found and read_doubts(tmp_path / "none") == []


def test_a_place_seen_with_several_outlines_is_doubted_once_or_not_at_all():
    """`A`: one outline speaks for its label, so nothing is doubted. `B`: listed once, as the better outline has it."""
    p = np.array([[0.1, 0.9, 0.0], [0.7, 0.3, 0.0], [0.2, 0.8, 0.0], [0.05, 0.9, 0.05]])
    shown = [("A", "s", "r1"), ("A", "s", "r1"), ("B", "s", "r1"), ("B", "s", "r1")]
    found = doubts_of(LABELS, ["rodent"] * 4, p, shown)
    assert [(d.assembly, d.p_given, d.p_likeliest) for d in found] == [("B", 0.2, 0.8)]


def test_agreement_by_pair_and_label_is_cohens(made, drawn):
    """The table [[20, 5], [10, 15]]: kappa 0.40 (the worked example of the general article on Cohen's kappa), 35 of 50
    alike; the ceiling is 70 % with Wilson's interval."""
    table = [("rodent", "rodent", 20), ("rodent", "sound", 5), ("sound", "rodent", 10), ("sound", "sound", 15)]
    region = drawn.region("rodent", 300, 40)
    places = []
    for first, second, n in table:
        for _ in range(n):
            one = made.place(region, first, "confirmed", "rodent", second)
            places.append(one.model_copy(update={"region": f"r{len(places)}", "second_by": "other"}))
    photo = made.photo("A", "a" * 64, drawn.truth("a.jpg", []), places, blind=True)
    found = agreed(snapshot_of([photo], "3", "2031"))
    (pair,) = found.by_pair
    assert (pair.first, pair.second, pair.places, pair.same) == ("reviewer", "other", 50, 35)
    assert pair.kappa == pytest.approx(0.40) and found.by_label == {"rodent": (25, 20), "sound": (25, 15)}
    assert found.ceiling == pytest.approx(0.7) and found.ceiling_low < 0.7 < found.ceiling_high


def test_a_doubtful_assembly_goes_back_to_review_and_can_be_signed_off_again(shop, drawn):
    """The entry stays on record with its reason; the review is as it was; only a signed-off one can go back."""
    from desk.records import tables
    from desk.review.edits import EDIT
    from desk.shop import review
    from desk.shop.errors import Invalid
    from desk.shop.reopening import send_back

    assembly_id = shop.opened("R-1")
    shop.assessed(assembly_id, "aaaa1111", drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)]))
    analyst, reviewer = shop.accounts["analyst"], shop.accounts["reviewer"]
    with shop.desk.database.write() as session:
        with pytest.raises(Invalid, match="expected a signed-off assembly"):
            send_back(session, shop.desk, analyst, assembly_id, "looks like abrasion")
        edit = EDIT.validate_python({"kind": "confirm", "photo": "aaaa1111", "region": "r0"})
        seen = review.put_on_record(session, shop.desk, reviewer, assembly_id, edit, None).id
        sign_off(session, shop.desk, reviewer, assembly_id, seen)
        assert session.get_one(tables.Standing, assembly_id).state == "reviewed"
        with pytest.raises(Invalid, match="why"):
            send_back(session, shop.desk, analyst, assembly_id, " ")
        send_back(session, shop.desk, analyst, assembly_id, "looks like abrasion")
        assert session.get_one(tables.Standing, assembly_id).state == "to_review"
        newest = review.newest_entry(session, assembly_id)
        sign_off(session, shop.desk, reviewer, assembly_id, newest)
        assert session.get_one(tables.Standing, assembly_id).state == "reviewed"


def test_only_the_newest_model_doubts_and_every_doubt_is_counted(shop, capsys):
    """An older model's doubts are of labels as they were: once a newer one has none, page, API and command say so.
    Of 45 places the page shows the first 40 and says 45, the command as many as it is asked for."""
    from desk import cli
    from desk.learning.doubts import Doubt, newest_doubts
    from desk.learning.shelf import Shelf

    shelf = Shelf(shop.desk.data)
    asked = ["dataset", "doubts", "--count", "3", "--data", str(shop.desk.data)]
    asked += ["--database", shop.desk.database.url.render_as_string(hide_password=False)]
    analyst = shop.browser("analyst")
    assert newest_doubts(shelf) == ("", []) and "None yet" in analyst.get("/learning/doubts").text
    older = shelf.models / "desk-00000000aa"
    older.mkdir(parents=True)
    (older / "card.json").write_text(json.dumps(CARD | {"snapshot": "gone"}))
    doubts = [
        Doubt(assembly=f"A-{k}", sha256="e" * 64, region="r1", given="rodent", p_given=0.02, likeliest="abrasion",
              p_likeliest=0.9) for k in range(45)
    ]  # fmt: skip
    write_doubts(older, doubts)
    shown = analyst.get("/learning/doubts").text
    assert "45 places, the first 40 shown" in shown and shown.count("<article") == 40
    assert analyst.get("/api/v1/learning/doubts").json()["total"] == 45
    assert cli.run(asked) == 0
    told = capsys.readouterr().out.splitlines()
    assert "45, the first 3" in told[0] and len(told) == 4
    assert "given rodent bites (2%), the model says abrasion (90%)  not on this desk's records" in told[1]
    for judged, weak in ((300, False), (60, True)):  # of 60 places 45 are named otherwise: that is the model
        told = CARD | {"snapshot": "gone", "places": {"added": judged, "unjudged": 9}}
        (older / "card.json").write_text(json.dumps(told))
        assert f"45 of {judged} places, the first 40" in analyst.get("/learning/doubts").text
        assert ("mostly the model that is wrong" in analyst.get("/learning/doubts").text) == weak
        assert cli.run(asked) == 0
        out = capsys.readouterr().out
        assert f"45 of {judged}, the first 3" in out and ("mostly the model that is wrong" in out) == weak
    newer = shelf.models / "desk-00000000ab"
    newer.mkdir()
    write_doubts(newer, [])
    assert newest_doubts(shelf) == ("desk-00000000ab", [])
    assert "finds no given label improbable" in analyst.get("/learning/doubts").text
    assert cli.run(asked) == 0 and "desk-00000000ab finds no given label improbable" in capsys.readouterr().out


def test_a_doubtful_place_that_was_signed_off_again_says_so(shop, drawn, made):
    """The model learnt from the first sign-off; the reviewer looked again: the doubt is not offered a second time."""
    from desk.learning.doubts import Doubt
    from desk.learning.gather import gather
    from desk.learning.shelf import Shelf, keep_snapshot
    from desk.review.edits import EDIT
    from desk.shop import review
    from desk.shop.reopening import send_back

    assembly_id, sha = shop.opened("R-2"), "aaaa2222"
    shop.assessed(assembly_id, sha, drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)]))
    reviewer = shop.accounts["reviewer"]
    with shop.desk.database.write() as session:
        edit = EDIT.validate_python({"kind": "confirm", "photo": sha, "region": "r0"})
        seen = review.put_on_record(session, shop.desk, reviewer, assembly_id, edit, None).id
        sign_off(session, shop.desk, reviewer, assembly_id, seen)
    with shop.desk.database.read() as session:
        kept = gather(session, shop.desk)
    shelf = Shelf(shop.desk.data)
    keep_snapshot(shelf, kept)
    folder = shelf.models / "desk-00000000aa"
    folder.mkdir(parents=True)
    (folder / "card.json").write_text(json.dumps(CARD | {"snapshot": kept.id}))
    doubt = Doubt(
        assembly="R-2", sha256=sha, region="r0", given="rodent", p_given=0.1, likeliest="abrasion", p_likeliest=0.8
    )
    write_doubts(folder, [doubt])
    analyst = shop.browser("analyst")
    assert "data-back" in analyst.get("/learning/doubts").text
    with shop.desk.database.write() as session:
        send_back(session, shop.desk, shop.accounts["analyst"], assembly_id, "looks like abrasion")
    assert "waits for review" in analyst.get("/learning/doubts").text
    with shop.desk.database.write() as session:
        sign_off(session, shop.desk, reviewer, assembly_id, review.newest_entry(session, assembly_id))
    shown = analyst.get("/learning/doubts").text
    assert "signed off again since" in shown and "data-back" not in shown
