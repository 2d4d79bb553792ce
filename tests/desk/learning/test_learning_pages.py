"""The analyst's pages: what is kept, compared, put into use, sent back; nothing without its form."""

import html
import json
import shutil

import numpy as np
import pytest

from desk.learning import model_shelf
from desk.learning.comparison import PROMOTION, Answer, Pair, compared
from desk.learning.differing import around, draw, fresh_folder
from desk.learning.doubts import Doubt, write_doubts
from desk.learning.examples import Example, write_examples
from desk.learning.fallback import note_who_answers
from desk.learning.learner import learn_once
from desk.learning.next import LearningCurve, write_curve
from desk.learning.shelf import Shelf, kept_snapshots
from desk.records import tables
from desk.review.edits import EDIT
from desk.shop import review
from desk.shop.opinions import is_drawn
from desk.truth_findings import findings_from_truth
from models.damage.card import CARD_FILE, MODEL_FILE, SHIPPED
from tests.desk.signing import sign_off

VERSION = "desk-00000000ab"
ORDER = next(f"P-{n}" for n in range(1000) if not is_drawn(f"P-{n}"))


@pytest.fixture
def reviewed_place(shop, drawn, tmp_path):
    """An assembly with one confirmed place, signed off; its number and its photograph's hash."""
    assembly_id = shop.opened(ORDER)
    known = drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)])
    path = drawn.write_case(tmp_path, known)
    sha = drawn.sha(path)
    shop.assessed(assembly_id, sha, known)
    target = shop.desk.store.path(sha, ".jpg")
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy(path, target)
    with shop.desk.database.write() as session:
        edit = EDIT.validate_python({"kind": "confirm", "photo": sha, "region": "r0"})
        seen = review.put_on_record(session, shop.desk, shop.accounts["reviewer"], assembly_id, edit, None).id
        sign_off(session, shop.desk, shop.accounts["reviewer"], assembly_id, seen)
    return assembly_id, sha


@pytest.fixture
def proposed(shop):
    """The shipped model's bytes under another version, compared with one thing against it."""
    shelf = Shelf(shop.desk.data)
    folder = shelf.models / VERSION
    folder.mkdir(parents=True)
    for name in (MODEL_FILE, CARD_FILE):
        shutil.copy(SHIPPED / name, folder / name)

    def answer(p, unsafe):
        return Answer("rodent", p, True, True, unsafe, (("rodent", "rodent"),), 1, 0)

    pairs = [Pair("generated", f"p{k}", None, "rodent", 1, answer(0.9, False), answer(0.8, k == 0)) for k in range(6)]
    content = json.loads((SHIPPED / CARD_FILE).read_text())["content_sha256"]
    model_shelf.keep_comparison(shelf, compared(pairs, VERSION, "shipped", "2031-02-03", in_use_content=content))
    write_curve(folder, LearningCurve((10, 20, 40), (0.5, 0.6, 0.7), 0.9, 1.0, 0.5, {100: (0.75, 0.7, 0.8)}))
    return folder


def keep_it(shop, analyst):
    """Keep the corrected set by page and learner."""
    analyst.post("/learning/snapshots", data=analyst.form)
    assert learn_once(shop.desk, "learner.1")


def test_the_corrected_set_is_kept_from_the_page_and_comes_as_a_file(shop, reviewed_place):
    """Nothing kept, then asked for and kept by the learner; its file; nothing happens without the form token."""
    analyst = shop.browser("analyst")
    assert "None kept yet" in analyst.get("/learning").text
    bare = shop.browser("analyst")
    bare.headers.pop("X-Form-Token")
    assert bare.post("/learning/snapshots").status_code == 409
    asked = analyst.post("/learning/snapshots", data=analyst.form)
    assert asked.status_code == 303 and not kept_snapshots(Shelf(shop.desk.data)), "the request only asks"
    assert learn_once(shop.desk, "learner.1")
    (snapshot,) = kept_snapshots(Shelf(shop.desk.data))
    done = analyst.get(asked.headers["location"]).text
    assert "Reading the reviews" in done and "1 of 1" in done and f">{snapshot.id}<" in done
    shown = analyst.get("/learning").text
    assert snapshot.id in shown and "assemblies 1, photographs 1, places 1" in shown
    assert analyst.get(f"/learning/snapshots/{snapshot.id}.json").json()["id"] == snapshot.id


def test_a_long_account_of_what_a_model_learnt_from_is_folded(shop, reviewed_place):
    """Its first words stand in the table, all of it opens beneath them."""
    told = json.loads((SHIPPED / CARD_FILE).read_text())["trained_on"]
    shown = html.unescape(shop.browser("analyst").get("/learning").text)
    assert f"<details><summary>{told.split(',')[0]}</summary>{told}</details>" in shown and len(told) > 90


def test_a_model_with_something_against_it_is_put_into_use_only_with_a_reason(shop, proposed):
    """The card shows it; refused without; then in use, named in the history, and rolled back."""
    analyst = shop.browser("analyst")
    card = analyst.get(f"/learning/models/{VERSION}").text
    assert "Against it:" in card and "unsafe route" in card and "macro-F1 0.75" in card and "<svg" in card
    assert PROMOTION in html.unescape(card) and "What these figures mean" in card
    data = analyst.get(f"/learning/models/{VERSION}/card.json").json()
    assert data["version"] == VERSION and data["comparison"]["objections"] and not data["in_use"]
    address = f"/learning/models/{VERSION}/promote"
    refused = analyst.post(address, data=analyst.form)
    assert refused.status_code == 400 and "written reason" in refused.text
    done = analyst.post(address, data=analyst.form | {"reason": "the truth of p0 is wrong"})
    assert done.status_code == 303
    shown = analyst.get("/learning").text
    assert "the truth of p0 is wrong" in shown and "analyst promoted" in shown
    assert analyst.post("/learning/rollback", data=analyst.form | {"reason": "back again"}).status_code == 303
    assert model_shelf.in_use(Shelf(shop.desk.data)).version == "shipped"


def test_a_model_of_other_features_is_shown_and_offered_for_nothing(shop, proposed):
    """Said in the list and on its page; no form that could only be refused, and its comparison is one of then."""
    analyst = shop.browser("analyst")
    assert f'action="/learning/models/{VERSION}/promote"' in analyst.get(f"/learning/models/{VERSION}").text
    card = json.loads((proposed / CARD_FILE).read_text())
    (proposed / CARD_FILE).write_text(json.dumps(card | {"feature_version": "3"}))
    assert "cannot answer here" in analyst.get("/learning").text
    shown = analyst.get(f"/learning/models/{VERSION}").text
    assert "It cannot answer here:</strong> expected a model of feature version" in shown
    assert not any(f"{VERSION}/{act}" in shown for act in ("promote", "compare", "answer"))


def test_a_damaged_card_or_snapshot_is_said_and_the_page_still_rolls_back(shop, reviewed_place, proposed):
    """The model in use lost its card and the corrected set was altered: both are said, the way back is offered."""
    shelf, analyst = Shelf(shop.desk.data), shop.browser("analyst")
    keep_it(shop, analyst)
    model_shelf.promote(shelf, VERSION, "analyst", "the truth of p0 is wrong")
    (proposed / CARD_FILE).write_text("[]")
    (path,) = shelf.snapshots.glob("*.json")
    path.write_text(path.read_text().replace('"rodent"', '"abrasion"'))
    shown = analyst.get("/learning").text
    assert (
        "expected the card that was kept with the model" in shown
        and "it was altered" in shown
        and "Go back to shipped" in shown
    )


def test_a_doubtful_label_is_shown_with_its_place_and_sent_back(shop, reviewed_place, proposed):
    """Its picture, both labels; one form sends the assembly back to review."""
    assembly_id, sha = reviewed_place
    analyst = shop.browser("analyst")
    keep_it(shop, analyst)
    (snapshot,) = kept_snapshots(Shelf(shop.desk.data))
    card = proposed / CARD_FILE
    card.write_text(card.read_text().replace('"trained_on"', f'"snapshot": "{snapshot.id}", "trained_on"'))
    told = {"given": "rodent", "p_given": 0.02, "likeliest": "abrasion", "p_likeliest": 0.9}
    write_doubts(proposed, [Doubt(assembly=ORDER, sha256=sha, region="r0", **told)])
    shown = analyst.get("/learning/doubts").text
    assert "<polygon" in shown and "rodent bites" in shown and "abrasion" in shown
    form = analyst.form | {"assembly_id": assembly_id, "why": "r0: rodent or abrasion?"}
    assert analyst.post("/learning/doubts/back", data=form).status_code == 303
    with shop.desk.database.read() as session:
        assert session.get_one(tables.Standing, assembly_id).state == "to_review"
    assert "waits for review" in analyst.get("/learning/doubts").text
    assert ORDER in analyst.get("/learning").text


def test_a_model_that_answers_in_place_of_the_one_in_use_is_said(shop, proposed):
    """What the worker noted stands on the page as long as that model is in use."""
    shelf, analyst = Shelf(shop.desk.data), shop.browser("analyst")
    model_shelf.promote(shelf, VERSION, "analyst", "the truth of p0 is wrong")
    assert "in its place" not in analyst.get("/learning").text
    note_who_answers(shelf, VERSION, "shipped", "expected the model file its card describes, got other bytes")
    shown = analyst.get("/learning").text
    assert f"{VERSION} is in use and cannot be loaded; shipped answers in its place" in shown
    assert "got other bytes" in shown
    analyst.post("/learning/rollback", data=analyst.form | {"reason": "back again"})
    assert "in its place" not in analyst.get("/learning").text


def test_a_line_around_a_place_hides_neither_it_nor_its_neighbours():
    """A square of 40 px and one 4 px beside it, in a view 500 px wide: one line, 10 px outside of both (2 % of the
    view); one far off has its own. Rings and lines are in px of the photograph, wherever the view lies in it."""

    def square(x):
        return [(x, 400.0), (x + 40, 400.0), (x + 40, 440.0), (x, 440.0)]

    near, far = around([square(300), square(344), square(600)], (200, 300, 500, 375), 0.02)[::-1]
    assert [min(x for x, _ in near), max(x for x, _ in near)] == pytest.approx([290, 394], abs=1)
    assert [min(y for _, y in near), max(y for _, y in near)] == pytest.approx([390, 450], abs=1)
    assert min(x for x, _ in far) == pytest.approx(590, abs=1)
    large = around([square(300)], (0, 0, 4000, 3000), 0.02)[0]
    assert min(x for x, _ in large) == pytest.approx(220, abs=5), "80 px of the photograph; a pixel of the view is 4.4"


def test_the_photographs_on_which_two_models_differ_are_shown(shop, proposed, drawn):
    """The part with every place, what is true, and what each found; a name that is no picture leads nowhere."""
    shelf, analyst = Shelf(shop.desk.data), shop.browser("analyst")
    sides = [drawn.truth("x.jpg", [drawn.region(*place, 60)]) for place in (("rodent", 300), ("abrasion", 310))]
    findings = [findings_from_truth(known) for known in sides]
    bgr = np.full((480, 640, 3), 200, np.uint8)
    picture = draw(fresh_folder(shelf, VERSION), "generated x", bgr, sides[0], *findings)
    x, y, w, h = picture.view
    assert 0 <= x < 300 and x + w > 370 and y < 234 and y + h > 246, "both places lie within the part shown"
    one = Answer("rodent", 0.9, True, True, False, (("rodent", "rodent"),), 1, 0)
    other = Answer("abrasion", 0.9, False, True, False, (("rodent", "abrasion"),), 1, 0)
    pairs = [Pair("generated", "x.jpg", None, "rodent", 1, one, other, picture)]
    model_shelf.keep_comparison(shelf, compared(pairs, VERSION, "shipped", "2031-02-03", first_seed=900_000))
    shown = analyst.get(f"/learning/models/{VERSION}").text
    assert f"/learning/models/{VERSION}/differing/{picture.file}" in shown and "seeds from 900000" in shown
    assert shown.count('<polygon class="true"') == 2, "what is true lies over both"
    assert shown.count('<polygon class="a"') == shown.count('<polygon class="b"') == 1
    got = analyst.get(f"/learning/models/{VERSION}/differing/{picture.file}")
    assert got.headers["content-type"] == "image/jpeg" and got.content[:2] == b"\xff\xd8"
    assert analyst.get(f"/learning/models/{VERSION}/differing/..%2F..%2Fdesk.sqlite").status_code in (400, 404)
    assert analyst.get(f"/learning/models/{VERSION}/differing/none.jpg").status_code == 400
    fresh_folder(shelf, VERSION)
    assert "<polygon" not in analyst.get(f"/learning/models/{VERSION}").text, "pictures thrown away are not missed"


def test_a_card_shows_places_named_right_and_wrong_with_links_in_json(shop, reviewed_place, proposed):
    """One example of its training, wrong; of the model that answered at the time, one that was right."""
    assembly_id, sha = reviewed_place
    analyst = shop.browser("analyst")
    keep_it(shop, analyst)
    (snapshot,) = kept_snapshots(Shelf(shop.desk.data))
    learnt = {
        "version": snapshot.photos[0].model_version, "snapshot": snapshot.id, "held_out_assemblies": [],
        "candidates": {"wires": {"corrected": {"rodent": 1}, "generated": {"rodent": 9}}},
    }  # fmt: skip
    card = proposed / CARD_FILE
    card.write_text(json.dumps(json.loads(card.read_text()) | learnt))
    told = {"assembly": ORDER, "sha256": sha, "given": "rodent", "said": "abrasion", "p": 0.8, "how": "unseen"}
    write_examples(proposed, [Example(region="r0", **told), Example(region="gone", **told | {"sha256": "f" * 64})])
    shown = analyst.get(f"/learning/models/{VERSION}").text
    assert "said abrasion" in shown and "80 %, unseen" in shown and ">right<" in shown
    assert shown.count('class="place"') == 2, "what is not in the store is not shown"
    rows = analyst.get(f"/learning/models/{VERSION}/card.json").json()["examples"]
    assert [(r["right"], r["how"], bool(r["photograph"])) for r in rows] == [
        (False, "unseen", True), (False, "unseen", False), (True, "in use", True),
    ]  # fmt: skip
    assert rows[0]["assembly_page"] == f"/assemblies/{assembly_id}" and len(rows[0]["rings_px"]) == 1
    assert analyst.get(rows[0]["photograph"]).status_code == 200


def test_drift_is_said_by_week(shop, reviewed_place):
    """The first photograph is what others will be held against, and that is said; light not measured is named."""
    shown = shop.browser("analyst").get("/learning/drift").text
    assert "held against this one" in shown and "light of 1 photograph is not measured" in shown


def test_programs_read_the_same(shop, reviewed_place, proposed, drawn):
    """Corrected sets, models and card, doubts, what to confirm next, drift; a name that is not here is one line."""
    _, sha = reviewed_place
    analyst, base = shop.browser("analyst"), "/api/v1/learning"
    assert analyst.get(f"{base}/snapshots").json() == []
    keep_it(shop, analyst)
    (line,) = analyst.get(f"{base}/snapshots").json()
    assert (line["assemblies"], line["photographs"], line["counts"]) == (1, 1, {"rodent": {"confirmed": 1}})
    assert analyst.get(f"{base}/snapshots/{line['id']}").json()["photos"][0]["sha256"] == sha
    models = analyst.get(f"{base}/models").json()
    assert [(one["version"], one["used"]) for one in models] == [("shipped", True), (VERSION, False)]
    page = analyst.get(f"/learning/models/{VERSION}/card.json").json()
    assert analyst.get(f"{base}/models/{VERSION}").json() == page
    card = proposed / CARD_FILE
    card.write_text(card.read_text().replace('"trained_on"', f'"snapshot": "{line["id"]}", "trained_on"'))
    told = {"given": "rodent", "p_given": 0.02, "likeliest": "abrasion", "p_likeliest": 0.9}
    write_doubts(proposed, [Doubt(assembly=ORDER, sha256=sha, region="r0", **told)])
    doubts = analyst.get(f"{base}/doubts").json()
    assert doubts["model"] == VERSION and doubts["doubts"][0]["doubt"]["likeliest"] == "abrasion"
    assert analyst.get(f"{base}/next").json() == []
    waiting = shop.opened("P-waits")
    shop.assessed(waiting, "f" * 64, drawn.truth("b.jpg", [drawn.region("rodent", 300, 60)]))
    assert [one["assembly_id"] for one in analyst.get(f"{base}/next").json()] == [waiting]
    (week,) = analyst.get(f"{base}/drift").json()["weeks"]
    assert (week["photographs"], week["of_baseline"], week["told"], week["warns"]) == (0, 2, False, False)
    for address in ("models/none", "snapshots/none"):
        refused = analyst.get(f"{base}/{address}")
        assert refused.status_code == 400 and "expected" in refused.json()["error"]


def test_card_curve_and_agreement_are_told_by_commands_too(shop, proposed, made, drawn, capsys):
    """The same functions as the pages: limits and out-of-fold F1 of the shipped card, its JSON; the curve; 3 of 4
    places named alike."""
    from desk import cli
    from desk.learning.shelf import keep_snapshot

    data = ["--data", str(shop.desk.data)]
    address = ["--database", shop.desk.database.url.render_as_string(hide_password=False)]
    card = json.loads((SHIPPED / CARD_FILE).read_text())
    assert cli.run(["model", "card", "shipped", *data]) == 0
    told = capsys.readouterr().out
    f1 = card["f1_out_of_fold"]["wires"]["rodent"]
    assert "generated scenes alone" in told and f"F1 out of fold {f1:.2f}" in told
    assert f"{f1:.2f}" in shop.browser("analyst").get("/learning/models/shipped").text
    assert cli.run(["model", "card", VERSION, "--json", *data, *address]) == 0
    assert json.loads(capsys.readouterr().out)["comparison"]["proposed"] == VERSION
    assert cli.run(["model", "curve", VERSION, *data]) == 0
    told = capsys.readouterr().out
    assert "20 lessons  0.60" in told and "100 more     0.75 (0.70 to 0.80)" in told
    assert cli.run(["model", "curve", "shipped", *data]) == 2
    assert "expected one with a learning curve" in capsys.readouterr().err
    region = drawn.region("rodent", 300, 40)
    seconds = ("rodent", "rodent", "rodent", "sound")
    places = [
        made.place(region, "rodent", "confirmed", "rodent", second).model_copy(
            update={"region": f"r{k}", "second_by": "other"}
        )
        for k, second in enumerate(seconds)
    ]
    photo = made.photo("A", "a" * 64, drawn.truth("a.jpg", []), places, blind=True)
    keep_snapshot(Shelf(shop.desk.data), made.snapshot([photo]))
    assert cli.run(["dataset", "agreement", "newest", *data]) == 0
    told = capsys.readouterr().out
    assert "named 4 places alike in 75%" in told and "reviewer, other: 4 places, 3 alike" in told
