"""Long work of analysts: asked for on a page, done by the learner, its progress told, stopped, taken up again."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from desk.errors import DeskError
from desk.learning import asked, learner, runs
from desk.learning.asked import asked_of
from desk.learning.learner import learn_once
from desk.learning.model_shelf import card_of, others_than
from desk.learning.run_progress import as_progress, moved_on, say_left, steps_of, time_left
from desk.learning.runs import MOST_ATTEMPTS
from desk.learning.shelf import Shelf, keep_snapshot, kept_snapshots
from desk.records import tables
from desk.shop.recovery import recover
from desk.truth_findings import findings_from_truth

START = datetime(2031, 2, 3, 10, 0, tzinfo=UTC)


def after(seconds):
    return START + timedelta(seconds=seconds)


def test_the_time_left_follows_the_pace_and_the_last_work_of_the_kind():
    """10 of 40 items in 20 s leave 60 s in the step; the step after took 100 s last time; 5 s later it is 5 s less."""
    steps = moved_on([], "making scenes", 1, 40, after(2), START)
    assert time_left(steps, after(2)).step == 78.0, "the first item counts from the beginning of the work"
    steps = moved_on(steps, "making scenes", 10, 40, after(20), START)
    earlier = moved_on(moved_on([], "making scenes", 9, 9, after(9), START), "fitting", 3, 3, after(109), START)
    left = time_left(steps, after(20), earlier)
    assert (left.step, left.whole) == (60.0, 160.0)
    assert time_left(steps, after(25), earlier).whole == 155.0
    assert time_left(steps, after(20)).whole is None, "nothing tells how long the steps to come take"
    assert steps_of(as_progress(steps)) == steps
    assert [say_left(s) for s in (None, 10, 300, 9000)] == [
        "not known yet", "less than a minute", "about 5 minutes", "about 2.5 hours",
    ]  # fmt: skip


@pytest.fixture
def kept(shop, made, drawn):
    """A snapshot of two assemblies on the shelf, as if kept from reviews."""
    photos = []
    for n, label in enumerate(("rodent", "abrasion")):
        region = drawn.region(label, 300, 60)
        known = drawn.truth(f"{n}.jpg", [region])
        photos.append(made.photo(f"K-{n}", f"{n}" * 64, known, [made.place(region, label, "confirmed", label)]))
    snapshot = made.snapshot(photos)
    keep_snapshot(Shelf(shop.desk.data), snapshot)
    return snapshot


def state_of(shop, run_id):
    with shop.desk.database.read() as session:
        return runs.run_of(session, run_id)


def number_of(answer):
    assert answer.status_code == 303, answer.text
    return int(answer.headers["location"].rsplit("/", 1)[1])


def test_a_training_is_asked_for_done_elsewhere_and_its_model_named(shop, kept, monkeypatch):
    """The request only puts it into the line; the learner trains with what was asked; the page shows each step."""
    from desk.learning import train

    seen = {}

    def trained(shelf, snapshot, settings, layouts, keep_out=(), on_progress=None):
        on_progress("making scenes to mix in", 3, 4)
        with shop.desk.database.read() as session:
            (running,) = runs.newest_runs(session)
        seen.update(snapshot=snapshot.id, settings=settings, keep_out=list(keep_out), steps=running.steps)
        seen["page"] = analyst.get(f"/learning/runs/{running.id}").text
        return train.Trained("desk-0123456789", "f" * 64, "3 judged places", ("p.jpg: not in the store",))

    monkeypatch.setattr(train, "train_from_corrections", trained)
    analyst = shop.browser("analyst")
    assert f'value="{kept.id}"' in analyst.get("/learning").text
    form = analyst.form | {"snapshot": kept.id, "weight": "2.5", "scenes": "16", "seed": "7", "keep_out": ""}
    number = number_of(analyst.post("/learning/retrain", data=form))
    assert number_of(analyst.post("/learning/retrain", data=form)) == number, "asked twice it is one work"
    assert f"Training {number}" in analyst.get("/learning").text
    assert "It is next" in analyst.get(f"/learning/runs/{number}").text and not seen
    assert learn_once(shop.desk, "learner.1") and not learn_once(shop.desk, "learner.1")
    assert (seen["snapshot"], seen["settings"].weight, seen["settings"].seed) == (kept.id, 2.5, 7)
    assert [(s.name, s.done, s.total) for s in seen["steps"]] == [("making scenes to mix in", 3, 4)]
    assert 'max="4" value="3"' in seen["page"] and "Left in this step" in seen["page"] and "every 2s" in seen["page"]
    done = analyst.get(f"/learning/runs/{number}").text
    assert "Proposed:" in done and "desk-0123456789" in done and "not in the store" in done and "every 2s" not in done


def test_what_cannot_be_begun_is_refused_at_once(shop, kept):
    """An unknown snapshot or model, too few scenes, an assembly that is not in the set, nothing to compare on."""
    analyst = shop.browser("analyst")
    form = analyst.form | {"snapshot": kept.id, "scenes": "16"}
    for wrong, said in (
        ({"snapshot": "0" * 12}, "expected the id of one snapshot"),
        ({"scenes": "3"}, "scenes: expected another value"),
        ({"scenes": "many"}, "valid integer"),
        ({"keep_out": "nobody"}, "expected assemblies of snapshot"),
        ({"keep_out": "K-1"}, "of two labels or more"),
    ):
        answer = analyst.post("/learning/retrain", data=form | wrong)
        assert answer.status_code in (400, 422) and said in answer.text, wrong
    for address in ("compare", "answer"):
        answer = analyst.post(f"/learning/models/desk-0000000000/{address}", data=analyst.form)
        assert answer.status_code == 400 and "expected a model of this desk" in answer.text
    with shop.desk.database.read() as session:
        assert runs.newest_runs(session) == []
    with pytest.raises(DeskError, match="weight: expected another value"):
        asked_of("retrain", {"snapshot": "x", "weight": 0, "scenes": 16, "seed": 0, "keep_out": []})


def test_a_refusal_and_a_mistake_of_the_program_end_the_work_with_one_line(shop, kept, monkeypatch):
    """Neither takes the learner along; the line is on the page."""
    analyst = shop.browser("analyst")
    for error, said in ((DeskError("expected this, got that"), "expected this"), (ZeroDivisionError(), "unexpected")):

        def wrong(*_, error=error, **__):
            raise error

        monkeypatch.setattr("desk.learning.train.train_from_corrections", wrong)
        number = number_of(analyst.post("/learning/retrain", data=analyst.form | {"snapshot": kept.id}))
        assert learn_once(shop.desk, "learner.1")
        shown = analyst.get(f"/learning/runs/{number}").text
        assert said in shown and "Failed" in shown and state_of(shop, number).state == "failed"


def test_stopped_work_ends_at_its_next_item_and_keeps_nothing(shop, kept, monkeypatch):
    """Stopped from the page while it runs; stopped once more there is nothing to stop."""
    analyst = shop.browser("analyst")
    went_on = []
    monkeypatch.setattr(learner, "_REPORT_EVERY_S", 0.0)

    def trained(*_, on_progress=None, **__):
        analyst.post(f"/learning/runs/{number}/stop", data=analyst.form)
        on_progress("fitting", 1, 2)
        went_on.append(True)

    monkeypatch.setattr("desk.learning.learner._trained", lambda d, s, a, w, on: trained(on_progress=on))
    number = number_of(analyst.post("/learning/retrain", data=analyst.form | {"snapshot": kept.id}))
    assert learn_once(shop.desk, "learner.1")
    assert state_of(shop, number).state == "stopped" and not went_on
    assert analyst.post(f"/learning/runs/{number}/stop", data=analyst.form).status_code == 400
    assert analyst.get("/learning/runs/999").status_code == 404


def test_work_of_a_dead_learner_is_taken_up_again_but_not_for_ever(shop, kept):
    """Back into the line at the desk's start; after the third death it has failed and says so."""
    analyst = shop.browser("analyst")
    number = number_of(analyst.post("/learning/retrain", data=analyst.form | {"snapshot": kept.id}))
    for attempt in range(1, MOST_ATTEMPTS + 1):
        with shop.desk.database.write() as session:
            task = runs.take_next(session, f"learner.{attempt}")
        assert task.run_id == number
        recover(shop.desk, "w1")
        assert state_of(shop, number).state == "running", "another slot's work is left alone"
        recover(shop.desk, "learner" if attempt > 1 else None)
        assert state_of(shop, number).state == ("queued" if attempt < MOST_ATTEMPTS else "failed")
    assert "lack memory" in analyst.get(f"/learning/runs/{number}").text
    with shop.desk.database.write() as session:
        runs.close(session, task, {"version": "late"})
    assert state_of(shop, number).outcome is None, "what was given away is not closed by the old owner"


def test_what_another_model_would_say_is_shown_and_nothing_is_kept(shop, drawn, tmp_path, monkeypatch):
    """The assembly that waits for review is asked of the shipped model: bites on record, abrasion would be."""
    known = drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)])
    path = drawn.write_case(tmp_path, known)
    sha = drawn.sha(path)
    assembly_id = shop.opened("Z-1")
    shop.assessed(assembly_id, sha, known)
    target = shop.desk.store.path(sha, ".jpg")
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(path.read_bytes())
    other = findings_from_truth(drawn.truth("a.jpg", [drawn.region("abrasion", 300, 60)]), sha)
    monkeypatch.setattr("desk.assess.assess_photo", lambda p, settings: other)
    analyst = shop.browser("analyst")
    number = number_of(analyst.post("/learning/models/shipped/answer", data=analyst.form | {"orders": ""}))
    assert state_of(shop, number).asked["orders"] == ["Z-1"]
    assert learn_once(shop.desk, "learner.1")
    shown = analyst.get(f"/learning/runs/{number}").text
    assert "1 of 1 assemblies would be answered differently" in shown
    assert "rodent bites" in shown and "<strong>abrasion</strong>" in shown and "It would be:" in shown
    with shop.desk.database.read() as session:
        assert session.query(tables.Assessment).count() == 1
    typed = analyst.post("/learning/models/shipped/answer", data=analyst.form | {"orders": "Z-1, nowhere\n"})
    learn_once(shop.desk, "learner.1")
    assert "check the shop order" in analyst.get(f"/learning/runs/{number_of(typed)}").text


def test_a_snapshot_comes_in_from_another_desk_and_an_altered_one_does_not(shop, kept):
    """Its file brought in again is the same snapshot; its photographs are not here and that is said."""
    shelf, analyst = Shelf(shop.desk.data), shop.browser("analyst")
    content = analyst.get(f"/learning/snapshots/{kept.id}.json").content
    (shelf.snapshots / f"{kept.id}.json").unlink()
    address = "/learning/snapshots/import"
    altered = content.replace(b'"abrasion"', b'"rodent"', 1)
    answer = analyst.post(address, data=analyst.form, files={"file": ("c.json", altered)})
    assert answer.status_code == 400 and "it was altered" in answer.text and not kept_snapshots(shelf)
    assert "got none: choose one" in analyst.post(address, data=analyst.form).text
    assert analyst.post(address, data=analyst.form, files={"file": ("c.json", content)}).status_code == 303
    assert [one.id for one in kept_snapshots(shelf)] == [kept.id]
    assert "2 of its photographs are not in this desk" in analyst.get("/learning").text


def test_programs_ask_for_work_and_stop_it(shop, kept):
    """The same line by JSON; a kind that is none and a snapshot that is not here are one line."""
    analyst, base = shop.browser("analyst"), "/api/v1/learning/runs"
    wanted = {"kind": "retrain", "snapshot": kept.id, "weight": 3, "scenes": 16, "seed": 0, "keep_out": []}
    made = analyst.post(base, json=wanted)
    assert made.status_code == 202
    (line,) = analyst.get(base).json()
    assert (line["id"], line["state"], line["asked"]["snapshot"]) == (made.json()["id"], "queued", kept.id)
    assert analyst.post(f"{base}/{line['id']}/stop").json()["state"] == "stopped"
    assert analyst.get(f"{base}/{line['id']}").json()["ended_at"]
    for wrong in (wanted | {"kind": "sleep"}, wanted | {"snapshot": "none"}):
        refused = analyst.post(base, json=wrong)
        assert refused.status_code in (400, 422) and "expected" in refused.json()["error"]


def test_keeping_corrections_fails_with_one_line_where_nothing_is_signed_off(shop):
    """Asked for by JSON; what is missing is on its page, nothing is on the shelf."""
    analyst = shop.browser("analyst")
    number = analyst.post("/api/v1/learning/runs", json={"kind": "keep"}).json()["id"]
    assert learn_once(shop.desk, "learner.1")
    assert "sign off reviews first" in analyst.get(f"/learning/runs/{number}").text
    assert state_of(shop, number).state == "failed" and not kept_snapshots(Shelf(shop.desk.data))
    assert f"Snapshot of corrections {number}" in analyst.get("/learning").text


def test_corrections_asked_for_again_wait_behind_those_being_read(shop):
    """Twice while it waits is once; while it is under way it is asked anew: it may miss what was signed off since."""
    analyst, wanted = shop.browser("analyst"), {"kind": "keep"}
    first, again = (analyst.post("/api/v1/learning/runs", json=wanted).json()["id"] for _ in range(2))
    assert again == first
    with shop.desk.database.write() as session:
        assert runs.take_next(session, "learner.1").run_id == first
    behind = analyst.post("/api/v1/learning/runs", json=wanted).json()["id"]
    assert behind != first and state_of(shop, behind).ahead == 1
    analyst.post(f"/learning/runs/{first}/stop", data=analyst.form)
    assert "was computed up to then" not in analyst.get(f"/learning/runs/{first}").text, "half a set is not kept"


def test_another_model_is_asked_from_the_assemblys_page(shop, drawn):
    """Offered to analysts alone: every model but the one that alone answered, the one in use marked (where nothing says
    which, it is the shipped one); asked, it is a work on this assembly."""
    assembly_id = shop.opened("Z-2")
    shop.assessed(assembly_id, "a" * 64, drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)]))
    address = f"/assemblies/{assembly_id}"
    assert "another model" not in shop.browser("reviewer").get(address).text
    analyst = shop.browser("analyst")
    assert '<option value="shipped">shipped (in use)</option>' in analyst.get(address).text
    number = number_of(analyst.post(f"{address}/other-model", data=analyst.form | {"version": "shipped"}))
    assert state_of(shop, number).asked == {"kind": "answer", "version": "shipped", "orders": ["Z-2"]}
    assert analyst.post(f"{address}/other-model", data=analyst.form | {"version": "none"}).status_code == 400
    shelf = Shelf(shop.desk.data)
    (shelf.models / "desk-0123456789").mkdir(parents=True)
    (shelf.models / "in_use.json").write_text('{"version": "desk-0123456789"}')
    shown = analyst.get(address).text
    assert ">desk-0123456789 (in use)</option>" in shown and ">shipped</option>" in shown
    (shelf.models / "in_use.json").write_text("{")
    assert ">shipped (in use)</option>" in analyst.get(address).text
    assert others_than(shelf, ["desk-0123456789"]).names == ("shipped",)
    assert others_than(shelf, ["desk-0123456789", "truth"]).names == ("desk-0123456789", "shipped")
    assert others_than(shelf, [card_of(shelf, "shipped")["version"]]).names == ("desk-0123456789",)


def test_a_damaged_shipped_card_is_said_and_closes_no_page(shop, drawn, tmp_path, monkeypatch):
    """The analyst's page of an assembly opens, says why the shipped model cannot be asked, and offers the others."""
    assembly_id = shop.opened("Z-3")
    shop.assessed(assembly_id, "d" * 64, drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)]))
    shelf = Shelf(shop.desk.data)
    (shelf.models / "desk-0123456789").mkdir(parents=True)
    (tmp_path / "shipped").mkdir()
    (tmp_path / "shipped" / "card.json").write_text("{")
    monkeypatch.setattr("desk.learning.model_shelf.SHIPPED", tmp_path / "shipped")
    shown = shop.browser("analyst").get(f"/assemblies/{assembly_id}")
    assert shown.status_code == 200 and ">desk-0123456789</option>" in shown.text
    assert "model shipped: " in shown.text and ">shipped</option>" not in shown.text
    assert "model shipped: " not in shop.browser("reviewer").get(f"/assemblies/{assembly_id}").text


def test_the_shipped_model_is_never_the_proposed_one(shop):
    """Its folder belongs to every desk: comparing it is refused before anybody waits, and nothing is laid there."""
    shelf = Shelf(shop.desk.data)
    shelf.models.mkdir(parents=True)
    (shelf.models / "in_use.json").write_text('{"version": "desk-0123456789"}')
    with pytest.raises(DeskError, match="expected a model trained here"):
        asked.check(shelf, asked.Compare(version="shipped", snapshot=None, scenes=4))


def test_a_desk_without_workers_says_that_nobody_does_it(shop):
    """Work that was asked for waits, and its page and the list say what would begin it; with workers neither does."""
    analyst = shop.browser("analyst")
    number = number_of(analyst.post("/learning/snapshots", data=analyst.form))
    addresses = (f"/learning/runs/{number}", "/learning")
    assert not any("--workers 0" in analyst.get(address).text for address in addresses)
    shop.app.state.desk = replace(shop.desk, has_workers=False)
    assert all("--workers 0" in analyst.get(address).text for address in addresses)
