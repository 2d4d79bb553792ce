"""Labels of the shop's own: added and removed while the desk runs, by page and command, counted from sign-offs."""

import hashlib
import json
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from desk import cli
from desk.learning import own_labels
from desk.learning.own_labels import LabelRefused, add_label, label_uses, labels_shown, remove_label, say_progress
from desk.learning.shelf import Shelf, keep_snapshot
from desk.records import tables
from desk.review.edits import EDIT
from desk.shop import review
from desk.shop.desk import open_desk
from desk.shop.errors import Invalid
from desk.shop.labels import OwnLabels, read_own
from desk.shop.opinions import give, is_drawn
from models.damage.card import CARD_FILE, SHIPPED
from tests.desk.signing import sign_off

FREE = [f"L-{n}" for n in range(200) if not is_drawn(f"L-{n}")]
DRAWN = next(f"L-{n}" for n in range(2000) if is_drawn(f"L-{n}"))


def sha_of(order):
    """What the photograph of an assembly is known by."""
    return hashlib.sha256(order.encode()).hexdigest()[:12]


@pytest.fixture
def named(shop, drawn):
    """Open an assembly with one bite and let the reviewer call it something; its number. Signed off if asked."""

    def make(order, label, sign=True, gave="rodent"):
        sha = sha_of(order)
        assembly_id = shop.opened(order)
        shop.assessed(assembly_id, sha, drawn.truth(f"{order}.jpg", [drawn.region(gave, 300, 60)]))
        said = {"kind": "relabel", "label": label} if label else {"kind": "confirm"}
        entry = put(shop, assembly_id, {"photo": sha, "region": "r0"} | said)
        if sign:
            with shop.desk.database.write() as session:
                sign_off(session, shop.desk, shop.accounts["reviewer"], assembly_id, entry)
        return assembly_id

    return make


def put(shop, assembly_id, edit):
    """Put the reviewer's edit on record, written with knowledge of the newest; its number."""
    with shop.desk.database.write() as session:
        seen = review.newest_entry(session, assembly_id)
        edit = EDIT.validate_python(edit)
        return review.put_on_record(session, shop.desk, shop.accounts["reviewer"], assembly_id, edit, seen).id


def uses(shop):
    """What is shown of each label."""
    with shop.desk.database.read() as session:
        return {one.label: one for one in labels_shown(session, shop.desk).uses}


def test_a_label_is_there_at_once_in_every_process_and_gone_at_once(shop, named):
    """The served desk, another process's desk on the same folder, the review; no restart between."""
    address = shop.desk.database.url.render_as_string(hide_password=False)
    worker = open_desk(shop.desk.data, address)
    number = named(FREE[0], None, sign=False)
    page = f"/assemblies/{number}/review"
    edit = {"kind": "relabel", "photo": sha_of(FREE[0]), "region": "r0", "label": "corrosion"}
    with pytest.raises(Invalid, match="expected a label of this desk"):
        put(shop, number, edit)
    assert "corrosion" not in shop.browser("reviewer").get(page).text
    add_label(worker, "analyst", " corrosion ")
    assert shop.desk.labels[-1] == worker.labels[-1] == "corrosion"
    shown = shop.browser("reviewer").get(page).text
    assert "sound corrosion " in shown and "<kbd>8</kbd></dt><dd>name the damage" in shown
    remove_label(shop.desk, "analyst", "corrosion")
    assert "corrosion" not in worker.labels
    add_label(shop.desk, "analyst", "corrosion")
    put(shop, number, edit)
    worker.database.close()


def test_places_are_counted_as_the_sign_offs_stand(shop, named):
    """Two signed off, one of them drawn for a second opinion; one under review; one that another name replaced."""
    for name in ("corrosion", "fretting"):
        add_label(shop.desk, "analyst", name)
    named(FREE[0], "corrosion")
    named(DRAWN, "corrosion")
    named(FREE[1], "corrosion", sign=False)
    other = named(FREE[2], "corrosion")
    put(shop, other, {"kind": "relabel", "photo": sha_of(FREE[2]), "region": "r0", "label": "abrasion"})
    named(FREE[3], None, gave="corrosion")  # as a model that learnt it answers; confirmed
    one = uses(shop)["corrosion"]
    assert (one.places, one.assemblies, one.teaching, one.under_review, one.missing) == (3, 3, 2, 1, 8)
    assert say_progress(one) == (
        "8 more assemblies before a training is worth it (1 assembly drawn for a second opinion not counted)"
    )
    none = uses(shop)["fretting"]
    assert (none.places, none.assemblies, none.under_review, none.on_record, none.missing) == (0, 0, 0, 0, 10)
    assert not none.used and none.key == 9


def test_what_came_after_the_sign_off_takes_it_back_to_review(shop, named, drawn):
    """One more photograph assessed; an edit after the order was issued: neither teaches before the next sign-off."""
    add_label(shop.desk, "analyst", "corrosion")
    more, ordered = named(FREE[0], "corrosion"), named(FREE[1], "corrosion")
    assert (uses(shop)["corrosion"].assemblies, uses(shop)["corrosion"].under_review) == (2, 0)
    shop.assessed(more, "b" * 64, drawn.truth("more.jpg", []))
    analyst = shop.accounts["analyst"]
    with shop.desk.database.write() as session:
        session.add(tables.Paper(assembly_id=ordered, kind="order", payload={}, made_by=analyst.id))
    assert (uses(shop)["corrosion"].assemblies, uses(shop)["corrosion"].under_review) == (1, 1)
    put(shop, ordered, {"kind": "count_wires", "photo": sha_of(FREE[1]), "region": "r0", "wires": 2})
    assert (uses(shop)["corrosion"].assemblies, uses(shop)["corrosion"].under_review) == (0, 2)
    shop.assessed(shop.opened(FREE[2]), "c" * 64, drawn.truth("c.jpg", [drawn.region("corrosion", 300, 60)]))
    assert uses(shop)["corrosion"].under_review == 3, "a model that learnt it said so, nobody has looked yet"


GIVEN = {"kind": "relabel", "photo": sha_of(FREE[0]), "region": "r0", "label": "corrosion"}
WAIT_S = 1.0  # long enough for whoever does not wait


def test_a_label_that_is_being_given_is_not_removed(shop, named):
    """The entry is written and not kept yet when somebody removes its label: the removal waits, and then sees it."""
    add_label(shop.desk, "analyst", "corrosion")
    number = named(FREE[0], None, sign=False)
    with ThreadPoolExecutor(1) as pool:
        with shop.desk.database.write() as session:
            edit, seen = EDIT.validate_python(GIVEN), review.newest_entry(session, number)
            review.put_on_record(session, shop.desk, shop.accounts["reviewer"], number, edit, seen)
            removal = pool.submit(remove_label, shop.desk, "analyst", "corrosion")
            threading.Event().wait(WAIT_S)
            assert not removal.done(), "it decided before the entry was kept"
        with pytest.raises(LabelRefused, match="1 assembly under review"):
            removal.result(timeout=20)
    assert read_own(shop.desk.data).labels == ("corrosion",)


@pytest.mark.parametrize("blind", [False, True])
def test_a_label_that_is_being_removed_is_not_given(shop, named, monkeypatch, blind):
    """Nobody used it, and it is taken out of the file: who gives it meanwhile, in a review or as a second opinion,
    waits, and is told that there is no such label."""
    add_label(shop.desk, "analyst", "corrosion")
    number = named(FREE[0], None, sign=blind)
    looked, go_on, write = threading.Event(), threading.Event(), own_labels._written

    def slowly(*arguments):
        looked.set()
        assert go_on.wait(20)
        return write(*arguments)

    def second():
        place = f"{sha_of(FREE[0])}:r0"
        with shop.desk.database.write() as session:
            return give(session, shop.desk, shop.accounts["analyst"], number, {place: "corrosion"})

    monkeypatch.setattr(own_labels, "_written", slowly)
    with ThreadPoolExecutor(2) as pool:
        removal = pool.submit(remove_label, shop.desk, "analyst", "corrosion")
        assert looked.wait(20)
        giving = pool.submit(second) if blind else pool.submit(put, shop, number, GIVEN)
        threading.Event().wait(WAIT_S)
        waited = not giving.done()
        go_on.set()
        removal.result(timeout=20)
        with pytest.raises(Invalid, match="expected a label"):
            giving.result(timeout=20)
    assert waited, "it was given while it was being removed"
    assert read_own(shop.desk.data).labels == () and "corrosion" not in json.dumps(payloads(shop))


def payloads(shop):
    """What lies in the review entries."""
    with shop.desk.database.read() as session:
        return [row.payload for row in session.query(tables.ReviewEntry)]


@pytest.mark.parametrize(
    ("teaching", "words"),
    [
        (9, "1 more assembly before a training is worth it"),
        (10, "a training is worth it; up to 30 assemblies make it better"),
        (30, "a training is worth it"),
    ],
)
def test_from_ten_assemblies_a_training_is_worth_it(teaching, words):
    """As the README says: ten to thirty."""
    use = own_labels.LabelUse("corrosion", 8, teaching, teaching, teaching, 0, teaching, (), ())
    assert say_progress(use) == words


def test_a_sign_off_kept_before_it_named_the_places_is_counted_too(shop, named):
    """What it named is worked out again from the review."""
    add_label(shop.desk, "analyst", "corrosion")
    named(FREE[0], "corrosion")
    with shop.desk.database.write() as session:
        row = session.query(tables.ReviewEntry).filter_by(kind="sign_off").one()
        row.payload = {k: v for k, v in row.payload.items() if k != "named"}
    assert uses(shop)["corrosion"].places == 1


def test_a_label_nobody_used_is_removed_and_the_change_is_kept(shop):
    """Both changes are on record with who; a name that is none of the shop's is refused with those there are."""
    add_label(shop.desk, "analyst", "corrosion")
    add_label(shop.desk, "analyst", "fretting")
    assert remove_label(shop.desk, "somebody", "corrosion").labels == ("fretting",)
    with shop.desk.database.read() as session:
        found = labels_shown(session, shop.desk)
    assert [(c.by, c.what, c.label) for c in found.changes] == [
        ("somebody", "removed", "corrosion"), ("analyst", "added", "fretting"), ("analyst", "added", "corrosion"),
    ]  # fmt: skip
    with pytest.raises(LabelRefused, match=r"\(fretting\), got 'rodent'"):
        remove_label(shop.desk, "analyst", "rodent")


def under_review(shop, named, made, drawn):
    """Given, not signed off."""
    named(FREE[0], "corrosion", sign=False)


def signed_off(shop, named, made, drawn):
    """Given and signed off."""
    named(FREE[0], "corrosion")


def taken_back(shop, named, made, drawn):
    """Given and taken back: it could be restored."""
    number = named(FREE[0], "corrosion", sign=False)
    with shop.desk.database.read() as session:
        entry = review.newest_entry(session, number)
    put(shop, number, {"kind": "withdraw", "entry": entry})


def second_opinion(shop, named, made, drawn):
    """Given blind, by somebody else than the reviewer."""
    number = named(FREE[0], None)
    sha = sha_of(FREE[0])
    with shop.desk.database.write() as session:
        give(session, shop.desk, shop.accounts["administrator"], number, {f"{sha}:r0": "corrosion"})


def brought_in(shop, named, made, drawn):
    """In a corrected set of another desk."""
    region = drawn.region("rodent", 300, 40)
    photo = made.photo("A", "a" * 64, drawn.truth("a.jpg", []), [made.place(region, "corrosion")])
    keep_snapshot(Shelf(shop.desk.data), made.snapshot([photo]))


def learnt(shop, named, made, drawn):
    """A model trained here knows it."""
    folder = Shelf(shop.desk.data).models / "desk-00000000ab"
    folder.mkdir(parents=True, exist_ok=True)
    card = json.loads((SHIPPED / CARD_FILE).read_text()) | {"labels_added": ["corrosion"]}
    (folder / CARD_FILE).write_text(json.dumps(card))


@pytest.mark.parametrize(
    ("use", "reason"),
    [
        (under_review, "1 assembly under review"),
        (signed_off, "1 place in 1 assembly signed off"),
        (taken_back, "1 entry on record, taken back"),
        (second_opinion, "1 entry on record"),
        (brought_in, "corrected set [0-9a-f]{12}"),
        (learnt, "model desk-00000000ab, which learnt it"),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_a_label_in_use_is_not_removed_and_the_reason_is_said(shop, named, made, drawn, use, reason):
    """Refused in one line; reviewers go on giving it. Its neighbour, which nobody used, can go."""
    for name in ("corrosion", "corrosion_deep"):
        add_label(shop.desk, "analyst", name)
    use(shop, named, made, drawn)
    with pytest.raises(LabelRefused, match=reason) as error:
        remove_label(shop.desk, "analyst", "corrosion")
    assert "\n" not in str(error.value) and "corrosion" in shop.desk.labels
    remove_label(shop.desk, "analyst", "corrosion_deep")


def test_the_page_adds_shows_and_removes(shop, named):
    """Nothing without the form token; a bad name is one line; the count and what is missing; who did it."""
    analyst = shop.browser("analyst")
    assert "None yet." in analyst.get("/learning").text
    bare = shop.browser("analyst")
    bare.headers.pop("X-Form-Token")
    assert bare.post("/learning/labels", data={"label": "corrosion"}).status_code == 409
    assert shop.browser("reviewer").post("/learning/labels", data={"label": "corrosion"}).status_code == 403
    refused = analyst.post("/learning/labels", data=analyst.form | {"label": "Corrosion!"})
    assert refused.status_code == 400 and "call it corrosion" in refused.text
    assert 'value="Corrosion!" aria-invalid="true"' in refused.text, "what was typed stands there to be mended"
    assert read_own(shop.desk.data) == OwnLabels()
    for name in ("corrosion", "pinched_wire"):
        done = analyst.post("/learning/labels", data=analyst.form | {"label": name})
        assert done.status_code == 303 and done.headers["location"] == "/learning#own"
    named(FREE[0], "corrosion")
    shown = analyst.get("/learning").text
    assert "9 more assemblies before a training is worth it" in shown and "stay as they were" in shown
    assert 'action="/learning/labels/pinched_wire/remove"' in shown, "nobody used it"
    assert 'action="/learning/labels/corrosion/remove"' not in shown
    refused = analyst.post("/learning/labels/corrosion/remove", data=analyst.form)
    assert refused.status_code == 400 and "1 place in 1 assembly signed off" in refused.text
    assert analyst.post("/learning/labels/pinched_wire/remove", data=analyst.form).status_code == 303
    assert "analyst removed pinched wire" in analyst.get("/learning").text
    found = analyst.get("/api/v1/learning/labels").json()
    assert [(one["label"], one["key"], one["places"]) for one in found["uses"]] == [("corrosion", 8, 1)]


def test_the_command_does_the_same_for_a_desk_that_runs(shop, named, capsys):
    """List, add, remove; mistakes are one line on standard error with exit status 2."""
    where = ["--data", str(shop.desk.data), "--database", shop.desk.database.url.render_as_string(hide_password=False)]
    assert cli.run(["label", "list", *where]) == 0
    assert "No label of your own yet" in capsys.readouterr().out
    assert cli.run(["label", "add", "corrosion", *where]) == 0
    assert "corrosion from now on. Assessments and reviews on record stay" in capsys.readouterr().out
    assert shop.desk.labels[-1] == "corrosion"
    assert cli.run(["label", "add", "Pinched wire", *where]) == 2
    told = capsys.readouterr().err
    assert "call it pinched_wire" in told and told.count("\n") == 1
    named(FREE[0], "corrosion")
    assert cli.run(["label", "list", *where]) == 0
    assert "key 8  1 place in 1 assembly: 9 more assemblies" in capsys.readouterr().out
    assert cli.run(["label", "remove", "corrosion", *where]) == 2
    assert "1 place in 1 assembly signed off" in capsys.readouterr().err
    assert cli.run(["label", "add", "fretting", *where]) == cli.run(["label", "remove", "fretting", *where]) == 0
    assert read_own(shop.desk.data).labels == ("corrosion",)


def test_nothing_is_asked_of_the_records_without_labels(shop):
    """A shop without labels of its own pays nothing for them."""
    assert label_uses(None, shop.desk, []) == []
