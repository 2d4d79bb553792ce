"""The shop's functions after intake: jobs that outlast their worker, the queue, the list."""

import threading
from datetime import timedelta

import pytest

from desk.records import tables
from desk.records.columns import now
from desk.review.edits import EDIT
from desk.shop import jobs, queue, review
from desk.shop.errors import Invalid
from desk.shop.recovery import recover
from desk.shop.recurrence import earlier_visits
from desk.shop.sheet import sheet_of
from desk.shop.standing import NEAR_LIMIT, NOVEL, UNSAFE, UNSURE, is_near_limit, refresh, urgency
from desk.shop.worker import work_once
from desk.truth_findings import findings_from_truth
from vision.findings import Decision, Measure, RuleResult


@pytest.fixture
def eye(monkeypatch, drawn):
    """Assess without looking: a drawn truth per photograph's hash, else a sound one."""
    seen = {}

    def assess_photo(path, settings):
        known = seen.get(path.stem) or drawn.truth("x.jpg", [])
        return findings_from_truth(known, path.stem)

    monkeypatch.setattr("desk.assess.assess_photo", assess_photo)
    return seen


def worked(shop):
    """Let a worker empty the line."""
    count = 0
    while work_once(shop.desk, "w1.test"):
        count += 1
    return count


def test_an_assessed_photograph_puts_its_assembly_into_the_queue(shop, blank_photo, eye, drawn):
    """Findings, model, rules and the decision are kept, and the photograph goes by its own name."""
    number = shop.opened()
    receipt = shop.sent(number, blank_photo(name="bitten.jpg"))
    eye[receipt.sha256] = drawn.truth("x.jpg", [drawn.region("rodent", 500, 40)])
    assert worked(shop) == 1
    with shop.desk.database.read() as session:
        sheet = sheet_of(session, number)
        row = session.query(tables.Assessment).one()
        assert row.findings["photo"]["name"] == "bitten.jpg"
        assert row.rules_sha256 == shop.desk.rules_sha256
        assert sheet.standing.state == "to_review"
        assert sheet.standing.label == "rodent"
        assert any("mask" in text for text in sheet.cautions)
        assert [r.assembly_id for r in queue.review_queue(session).rows] == [number]


def test_an_open_circuit_class_is_said_apart_wherever_the_route_stands(shop, blank_photo, eye, drawn):
    """Bitten: what the damage may come to is named. Sound: nothing is marked as returned to service, nothing as worse.

    In the standing, the queue, the list, the assembly's page and the evidence.
    """
    bitten, sound = shop.opened("A-1", circuit_class="unknown"), shop.opened("A-2", circuit_class="unknown")
    receipt = shop.sent(bitten, blank_photo(name="bitten.jpg"))
    eye[receipt.sha256] = drawn.truth("x.jpg", [drawn.region("rodent", 500, 40)])
    shop.sent(sound, blank_photo(1, "sound.jpg"))
    worked(shop)
    fuse = {"fuse_found_a": 10, "fuse_rated_a": 10, "wire_size_mm2": 1}
    with shop.desk.database.write() as session:
        edit = EDIT.validate_python({"kind": "answer", "answers": fuse})
        review.put_on_record(session, shop.desk, shop.accounts["reviewer"], sound, edit, None)
    with shop.desk.database.read() as session:
        standing = {one: sheet_of(session, one).standing for one in (bitten, sound)}
        marks = [standing[one].marks["unreferred"] for one in (bitten, sound)]
    assert [standing[one].route_worst for one in (bitten, sound)] == ["refer", "refer"]
    assert marks == ["remanufacture", "return_to_service"]
    browser = shop.browser("analyst")
    for page in (browser.get("/queue").text, browser.get("/assemblies").text):
        rows = {one: page.split(f'id="order-{one}"')[1].split("</tr>")[0] for one in (bitten, sound)}
        assert all("circuit class open" in row and "route-refer" not in row for row in rows.values())
        assert "route-remanufacture" in rows[bitten] and "route-return_to_service" not in rows[sound]
    for kind in ("", "/evidence"):
        texts = [browser.get(f"/assemblies/{one}{kind}").text for one in (bitten, sound)]
        assert "at worst remanufacture; the circuit class, not answered yet" in texts[0]
        assert "nothing seen asks for work; the circuit class, not answered yet" in texts[1]
        assert "at worst return to service" not in texts[1]


def test_a_job_outlasts_its_worker(shop, blank_photo, eye):
    """What a worker left is taken up again; its late answer does not count twice."""
    number = shop.opened()
    shop.sent(number, blank_photo())
    with shop.desk.database.write() as session:
        task = jobs.take_next(session, "w1.dead")
    with shop.desk.database.write() as session:
        assert jobs.take_next(session, "w2.other") is None
    recover(shop.desk, "w1")
    assert worked(shop) == 1
    with shop.desk.database.write() as session:
        assert not jobs.still_mine(session, task)
        assert session.query(tables.Assessment).count() == 1


def test_a_photograph_that_stops_every_worker_is_given_up(shop, blank_photo, eye):
    """After three workers it has failed with a line that says so, and the line moves on."""
    number = shop.opened()
    shop.sent(number, blank_photo())
    for _ in range(jobs.MOST_ATTEMPTS):
        with shop.desk.database.write() as session:
            assert jobs.take_next(session, "w1.dead") is not None
        recover(shop.desk)
    with shop.desk.database.read() as session:
        sheet = sheet_of(session, number)
        assert sheet.photographs[0].job_state == "failed"
        assert "stopped 3 times" in sheet.photographs[0].job_error
        assert sheet.standing.state != "assessing"


@pytest.mark.parametrize("harm", ["gone", "altered"])
def test_a_harmed_photograph_fails_its_job_with_the_reason(shop, blank_photo, eye, harm):
    """The worker goes on with the next one."""
    number = shop.opened()
    path = shop.desk.store.path(shop.sent(number, blank_photo(1)).sha256, ".jpg")
    shop.sent(number, blank_photo(2))
    path.unlink() if harm == "gone" else path.write_bytes(b"other")
    assert worked(shop) == 2
    with shop.desk.database.read() as session:
        states = [(p.job_state, p.job_error) for p in sheet_of(session, number).photographs]
    assert states[0][0] == "failed"
    assert "backup" in states[0][1]
    assert states[1] == ("done", None)


def test_several_workers_never_take_the_same_job(shop, blank_photo):
    """Four at once on ten jobs: each job is taken once."""
    number = shop.opened()
    for n in range(10):
        shop.sent(number, blank_photo(n))
    taken = []

    def take(name):
        for _ in range(12):
            with shop.desk.database.write() as session:
                task = jobs.take_next(session, name)
            if task is not None:
                taken.append(task.job_id)

    threads = [threading.Thread(target=take, args=(f"w{n}.x",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(taken) == sorted(set(taken))
    assert len(taken) == 10


def test_a_vehicle_that_was_here_before_is_named_and_decides(shop, blank_photo, eye, drawn):
    """The same damage 10 days ago: the warning says which order, and the recurrence rule asks for the cause."""
    bitten = drawn.truth("x.jpg", [drawn.region("rodent", 500, 40)])
    old = shop.opened("A-1", "LT 4711")
    eye[shop.sent(old, blank_photo(1)).sha256] = bitten
    worked(shop)
    with shop.desk.database.write() as session:
        session.get(tables.Assembly, old).made_at = now() - timedelta(days=10)
    new = shop.opened("A-2", "lt4711")
    eye[shop.sent(new, blank_photo(2)).sha256] = bitten
    worked(shop)
    with shop.desk.database.read() as session:
        visits = earlier_visits(session, "LT-4711", now(), new)
        assert [(v.shop_order, v.days, v.labels) for v in visits] == [("A-1", 10, ("rodent",))]
        rules = {rule.id: rule.verdict for rule in sheet_of(session, new).decision.rules}
        assert rules["recurrence"] == "violated"
        before = {rule.id: rule.verdict for rule in sheet_of(session, old).decision.rules}
        assert before["recurrence"] != "violated"


def standing(shop, number, **values):
    with shop.desk.database.write() as session:
        row = session.get(tables.Standing, number)
        for name, value in ({"state": "to_review"} | values).items():
            setattr(row, name, value)


def test_the_queue_puts_first_what_matters(shop):
    """Unsafe beats unsure, novel and near a limit together; among equals, who waits longest."""
    start = now() - timedelta(days=1)
    wanted = [
        (UNSAFE, 5),
        (UNSURE | NOVEL | NEAR_LIMIT, 0),
        (UNSURE, 0),
        (NOVEL, 1),
        (NOVEL, 2),
        (NEAR_LIMIT, 0),
        (0, 0),
    ]
    numbers = [shop.opened(f"A-{n}", f"V {n}") for n in range(len(wanted))]
    for number, (value, hours) in reversed(list(zip(numbers, wanted, strict=True))):
        standing(shop, number, urgency=value, waiting_since=start + timedelta(hours=hours))
    standing(shop, shop.opened("B", "V"), state="reviewed", urgency=UNSAFE)
    with shop.desk.database.read() as session:
        assert [row.assembly_id for row in queue.review_queue(session).rows] == numbers


def decision(route, worst, rules=()):
    nothing = {key: [] for key in ("open_questions", "actions", "causes", "cautions")}
    return Decision(route=route, route_worst=worst, wires_to_repair=None, rules=list(rules), **nothing)


def rule(value, u95, limit=152.4, verdict="met"):
    measured = Measure(value=value, u95=u95)
    return RuleResult(id="r", verdict=verdict, measured=measured, limit=limit, unit="mm", says="", source="")


@pytest.mark.parametrize(
    ("route", "worst", "unsafe"),
    [
        ("return_to_service", "return_to_service", True),
        ("repair_in_vehicle", "repair_in_vehicle", False),
        ("repair_in_vehicle", "refer", True),
        ("remanufacture", "refer", False),
        ("undecided", "refer", False),
        ("refer", "refer", False),
    ],
)
def test_unsafe_if_wrong_is_what_goes_out_on_the_models_word(route, worst, unsafe):
    """A careful answer, or none, releases nothing."""
    assert urgency([], decision(route, worst)) == (UNSAFE if unsafe else 0)


def test_near_a_limit_is_within_twice_the_uncertainty():
    """On either side; a count without uncertainty is not near, it is over or under."""
    assert is_near_limit(rule(160, 4))
    assert is_near_limit(rule(146, 4, verdict="violated"))
    assert not is_near_limit(rule(161, 4))
    assert not is_near_limit(rule(152.4, 0))
    assert urgency([], decision("refer", "refer", [rule(160, 4)])) == NEAR_LIMIT


def test_the_list_is_narrowed_by_words_label_route_vehicle_and_day(shop):
    """Each filter alone and together; signs that mean something to the database mean nothing here."""
    a = shop.opened("A-100", "LT 4711", customer_says="Smells burnt, 50%_off")
    b = shop.opened("B-200", "QX 9")
    standing(shop, a, label="rodent", route="refer", opened_at=now() - timedelta(days=5))
    standing(shop, b, label="abrasion", route="undecided")
    day = (now() - timedelta(days=5)).astimezone().strftime("%Y-%m-%d")

    def found(**filters):
        with shop.desk.database.read() as session:
            return [row.assembly_id for row in queue.assemblies(session, queue.Filters(**filters)).rows]

    assert found() == [b, a]
    assert found(text="burnt a-100") == [a]
    assert found(text="%_off") == [a]
    assert found(text="5_%") == []
    assert found(label="rodent") == found(route="refer") == found(vehicle="lt 47") == found(until=day) == [a]
    assert found(since=day) == [b, a]
    assert found(label="rodent", route="undecided") == []
    with pytest.raises(Invalid, match="expected a date"):
        found(since="yesterday")


def test_a_page_beyond_the_last_is_the_last(shop):
    """Also where rows went away meanwhile."""
    for n in range(queue.PAGE_ROWS + 1):
        shop.opened(f"A-{n}", f"V {n}")
    with shop.desk.database.read() as session:
        rows = queue.assemblies(session, queue.Filters(), 99)
    assert (rows.number, rows.pages, len(rows.rows), rows.total) == (2, 2, 1, queue.PAGE_ROWS + 1)


def test_a_signed_off_assembly_leaves_the_queue_until_something_new_is_seen(shop, blank_photo, eye):
    """A sign-off in conflict does not count, and a new photograph brings the assembly back."""
    number = shop.opened()
    shop.sent(number, blank_photo(1))
    worked(shop)

    def sign_off(conflicting):
        with shop.desk.database.write() as session:
            session.add(
                tables.ReviewEntry(
                    assembly_id=number,
                    kind="sign_off",
                    payload={},
                    person_id=shop.accounts["reviewer"].id,
                    conflicting=conflicting,
                    model_version="m",
                    rules_sha256="r",
                )
            )
            session.flush()
            return refresh(session, shop.desk, number).state

    assert sign_off(True) == "to_review"
    assert sign_off(False) == "reviewed"
    shop.sent(number, blank_photo(2))
    worked(shop)
    with shop.desk.database.read() as session:
        assert sheet_of(session, number).standing.state == "to_review"
