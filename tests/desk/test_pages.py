"""The pages and the JSON API over HTTP: who may, what cannot be used, what is never lost or leaked."""

import io
import re
import zipfile
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from starlette.testclient import TestClient

from desk.pages import assets
from desk.pages.app import ROUTERS, make_app
from desk.pages.units import say_length
from desk.records import tables
from desk.records.errors import DatabaseBusy
from desk.shop.queue import PAGE_ROWS
from desk.shop.worker import work_once
from desk.truth_findings import findings_from_truth
from vision.findings import Measure

NASTY = "<script>alert(1)</script>\"'&<img src=x onerror=alert(2)>"


@pytest.fixture
def eye(monkeypatch, drawn):
    """Assess without looking: every photograph shows bites."""
    known = drawn.truth("x.jpg", [drawn.region("rodent", 500, 40)])
    monkeypatch.setattr("desk.assess.assess_photo", lambda path, settings: findings_from_truth(known, path.stem))


ROUTES = [
    # method, address, who may: everybody else signed in is refused, and nobody gets in without signing in
    ("GET", "/intake", {"intake"}),
    ("POST", "/intake", {"intake"}),
    ("GET", "/intake/earlier?vehicle=x", {"intake"}),
    ("GET", "/assemblies/1/intake", {"intake"}),
    ("POST", "/assemblies/1/intake", {"intake"}),
    ("GET", "/assemblies/1/photographs", {"intake"}),
    ("POST", "/assemblies/1/photographs", {"intake"}),
    ("GET", "/queue", {"reviewer", "analyst"}),
    ("GET", "/people", set()),
    ("POST", "/people", set()),
    ("POST", "/people/1", set()),
    ("POST", "/people/1/link", set()),
    ("GET", "/assemblies", {"intake", "reviewer", "analyst"}),
    ("GET", "/assemblies/1", {"intake", "reviewer", "analyst"}),
    ("GET", "/assemblies/1/waiting", {"intake", "reviewer", "analyst"}),
    ("GET", "/photographs/1/small", {"intake", "reviewer", "analyst"}),
    ("GET", "/settings", {"intake", "reviewer", "analyst"}),
    ("POST", "/settings", {"intake", "reviewer", "analyst"}),
    ("POST", "/assemblies/1/orders", {"reviewer"}),
    ("GET", "/orders/1.pdf", {"intake", "reviewer", "analyst"}),
    ("POST", "/assemblies/1/quotes", {"intake", "reviewer"}),
    ("GET", "/quotes/1.pdf", {"intake", "reviewer", "analyst"}),
    ("POST", "/assemblies/1/approvals", {"intake", "reviewer"}),
    ("GET", "/assemblies/1/closing", {"reviewer"}),
    ("POST", "/assemblies/1/closing", {"reviewer"}),
    ("GET", "/closings/1.pdf", {"intake", "reviewer", "analyst"}),
    ("GET", "/assemblies/1/evidence", {"intake", "reviewer", "analyst"}),
    ("GET", "/assemblies/1/review", {"reviewer"}),
    ("GET", "/assemblies/1/opinion", {"reviewer"}),
    ("POST", "/assemblies/1/opinion", {"reviewer"}),
    ("GET", "/agreement", {"reviewer", "analyst"}),
    ("GET", "/figures", {"reviewer", "analyst"}),
    ("GET", "/exports/photographs.csv", {"analyst"}),
    ("GET", "/learning", {"analyst"}),
    ("POST", "/learning/snapshots", {"analyst"}),
    ("POST", "/learning/snapshots/import", {"analyst"}),
    ("GET", "/learning/snapshots/1.json", {"analyst"}),
    ("POST", "/learning/retrain", {"analyst"}),
    ("GET", "/learning/runs/1", {"analyst"}),
    ("POST", "/learning/runs/1/stop", {"analyst"}),
    ("POST", "/learning/models/1/compare", {"analyst"}),
    ("POST", "/learning/models/1/answer", {"analyst"}),
    ("POST", "/assemblies/1/other-model", {"analyst"}),
    ("GET", "/learning/models/1", {"analyst"}),
    ("GET", "/learning/models/1/card.json", {"analyst"}),
    ("GET", "/learning/models/1/differing/1.jpg", {"analyst"}),
    ("POST", "/learning/models/1/promote", {"analyst"}),
    ("POST", "/learning/rollback", {"analyst"}),
    ("GET", "/learning/doubts", {"analyst"}),
    ("POST", "/learning/doubts/back", {"analyst"}),
    ("GET", "/learning/drift", {"analyst"}),
    ("GET", "/api/v1/figures", {"reviewer", "analyst"}),
    ("GET", "/api/v1/exports/photographs.csv", {"analyst"}),
    ("GET", "/api/v1/assemblies/1/review", {"reviewer"}),
    ("POST", "/api/v1/assemblies/1/review/entries", {"reviewer"}),
    ("POST", "/api/v1/assemblies/1/review/sign-off", {"reviewer"}),
    ("GET", "/api/v1/assemblies/1/papers", {"intake", "reviewer", "analyst"}),
    ("POST", "/api/v1/assemblies/1/orders", {"reviewer"}),
    ("POST", "/api/v1/assemblies/1/quotes", {"intake", "reviewer"}),
    ("POST", "/api/v1/assemblies/1/approvals", {"intake", "reviewer"}),
    ("POST", "/api/v1/assemblies/1/closing", {"reviewer"}),
    ("GET", "/api/v1/assemblies/1/closing", {"reviewer"}),
    ("GET", "/api/v1/orders/1.pdf", {"intake", "reviewer", "analyst"}),
    ("GET", "/api/v1/quotes/1.pdf", {"intake", "reviewer", "analyst"}),
    ("GET", "/api/v1/closings/1.pdf", {"intake", "reviewer", "analyst"}),
    ("GET", "/api/v1/assemblies/1/evidence", {"intake", "reviewer", "analyst"}),
    ("GET", "/api/v1/agreement", {"reviewer", "analyst"}),
    ("GET", "/api/v1/opinions", {"reviewer"}),
    ("GET", "/api/v1/assemblies/1/opinion", {"reviewer"}),
    ("POST", "/api/v1/assemblies/1/opinion", {"reviewer"}),
    ("GET", "/api/v1/learning/snapshots", {"analyst"}),
    ("GET", "/api/v1/learning/snapshots/1", {"analyst"}),
    ("GET", "/api/v1/learning/models", {"analyst"}),
    ("GET", "/api/v1/learning/models/1", {"analyst"}),
    ("GET", "/api/v1/learning/doubts", {"analyst"}),
    ("GET", "/api/v1/learning/next", {"analyst"}),
    ("GET", "/api/v1/learning/drift", {"analyst"}),
    ("GET", "/api/v1/learning/runs", {"analyst"}),
    ("POST", "/api/v1/learning/runs", {"analyst"}),
    ("GET", "/api/v1/learning/runs/1", {"analyst"}),
    ("POST", "/api/v1/learning/runs/1/stop", {"analyst"}),
    ("GET", "/api/v1/assemblies", {"intake", "reviewer", "analyst"}),
    ("POST", "/api/v1/assemblies", {"intake"}),
    ("GET", "/api/v1/queue", {"reviewer", "analyst"}),
    ("GET", "/api/v1/assemblies/1", {"intake", "reviewer", "analyst"}),
    ("GET", "/api/v1/assemblies/1/findings", {"intake", "reviewer", "analyst"}),
    ("GET", "/api/v1/assemblies/1/uploads/key-0001", {"intake"}),
    ("GET", "/api/v1/assemblies/1/intake", {"intake"}),
    ("POST", "/api/v1/assemblies/1/intake", {"intake"}),
    ("GET", "/api/v1/visits?vehicle=x", {"intake"}),
    ("GET", "/api/v1/people", set()),
    ("POST", "/api/v1/people", set()),
    ("POST", "/api/v1/people/1", set()),
    ("POST", "/api/v1/people/1/link", set()),
    ("PUT", "/api/v1/assemblies/1/uploads/key-0001?offset=0&size=1&face=face_a", {"intake"}),
]


@pytest.mark.parametrize(("method", "address", "who"), ROUTES)
def test_every_page_checks_the_role_on_the_server(shop, method, address, who):
    """The administrator passes everywhere; others by their role; nobody without a session."""
    for role in ("intake", "reviewer", "analyst", "administrator"):
        status = shop.browser(role).request(method, address).status_code
        assert (status != 403) == (role in who or role == "administrator"), (role, status)
        assert status != 500
    answer = shop.browser().request(method, address)
    assert answer.status_code in (401, 303)
    assert answer.status_code != 303 or answer.headers["location"].startswith("/sign-in")


def test_no_route_was_forgotten_above():
    """Every address of the app but the doors themselves is in the list of who may."""
    doors = {"/sign-in", "/sign-out", "/set-up/{token}", "/", "/api/v1/session", "/api/v1/openapi.json", "/static"}
    listed = {(method, address.split("?")[0]) for method, address, _ in ROUTES}
    seen = set()
    for router in ROUTERS:
        for route in router.routes:
            filled = (
                route.path.replace("{size}", "small")
                .replace("{key}", "key-0001")
                .replace("{name}.{kind}", "photographs.csv")
                .replace("{file}", "1.jpg")
            )
            if route.path not in doors:
                seen |= {(m, re.sub(r"\{\w+\}|\d+", "0", filled)) for m in route.methods - {"HEAD"}}
    assert len(seen) > 20
    assert seen <= {(m, re.sub(r"\d+", "0", a)) for m, a in listed}


@pytest.mark.parametrize("address", ["/assemblies/999", "/assemblies/-1", "/assemblies/99999999999999999999", "/nope"])
def test_a_forged_number_leads_nowhere(shop, address):
    """A clear page with 404, and the same as JSON."""
    assert shop.browser("administrator").get(address).status_code in (404, 422)
    answer = shop.browser("administrator").get("/api/v1" + address)
    assert answer.status_code in (404, 422)
    assert "expected" in answer.json()["error"] or "integer" in answer.json()["error"]


@pytest.mark.parametrize("token", [None, "0" * 64, "x"])
def test_a_form_without_the_sessions_token_changes_nothing(shop, token):
    """Stale or forged: 409 with what to do, for pages and API alike; another session's token is no better."""
    browser = shop.browser("administrator")
    del browser.headers["X-Form-Token"]
    form = {"login": "new", "name": "New", "roles": "intake"} | ({"form_token": token} if token else {})
    answer = browser.post("/people", data=form)
    assert answer.status_code == 409
    assert "reload the page" in answer.text
    other = shop.browser("intake").form["form_token"]
    assert browser.post("/people", data=form | {"form_token": other}).status_code == 409
    assert browser.post("/api/v1/assemblies", json={}).status_code in (409, 422)
    with shop.desk.database.read() as session:
        assert session.query(tables.Person).count() == 4


def test_signing_in_from_another_sites_form_is_refused(shop):
    """Nobody is signed in as somebody else without noticing."""
    form = {"login": "intake", "password": shop.password}
    for headers in ({"sec-fetch-site": "cross-site"}, {"origin": "https://elsewhere.example"}):
        assert shop.browser().post("/sign-in", data=form, headers=headers).status_code == 409
    good = shop.browser().post("/sign-in", data=form, headers={"sec-fetch-site": "same-origin"})
    cookie = good.headers["set-cookie"].lower()
    assert good.status_code == 303
    assert "httponly" in cookie
    assert "samesite=lax" in cookie


@pytest.mark.parametrize("then", ["//evil.example", "https://evil.example", "/\\evil.example", "javascript:alert(1)"])
def test_signing_in_leads_to_this_desk_only(shop, then):
    """An address smuggled into the link is not followed."""
    form = {"login": "intake", "password": shop.password, "then": then}
    assert shop.browser().post("/sign-in", data=form).headers["location"] == "/"


def test_a_wrong_name_and_a_wrong_password_are_answered_alike(shop):
    """Nobody can find out who has an account; after five failures also the right password waits."""
    browser = shop.browser()
    wrong = [browser.post("/sign-in", data={"login": n, "password": "x"}) for n in ("intake", "nobody-here")]
    said = [re.search(r"role=\"alert\">(.*?)</p>", answer.text, re.S)[1] for answer in wrong]
    assert (wrong[0].status_code, said[0]) == (wrong[1].status_code, said[1])
    for _ in range(4):
        browser.post("/sign-in", data={"login": "intake", "password": "x"})
    locked = browser.post("/sign-in", data={"login": "intake", "password": shop.password})
    assert locked.status_code == 401
    assert "wait 15 minutes" in locked.text


def test_signing_out_ends_the_session(shop):
    """The cookie is worth nothing afterwards, whoever kept it."""
    browser = shop.browser("intake")
    assert browser.get("/intake").status_code == 200
    assert browser.post("/sign-out", data=browser.form).status_code == 303
    assert shop.browser("intake").get("/intake").status_code == 303


def test_every_answer_keeps_the_page_to_itself(shop):
    """Scripts and styles of this desk only, no frames, no caching of people's data."""
    for address in ("/sign-in", "/queue", "/nope", "/api/v1/queue", "/static/desk.css"):
        headers = shop.browser("administrator").get(address).headers
        assert "default-src 'none'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert address.startswith("/static") or headers["cache-control"] == "no-store"


def test_scripts_have_the_hash_of_all_of_them_in_their_address(shop):
    """The page names them by it, a module imports its neighbours beside it, browsers keep them; another file's change
    changes all addresses, and an old address still gives the present file, to be asked for again."""
    page = shop.browser("administrator").get("/queue").text
    version = re.search(r"/static/([0-9a-f]{12})/desk.css", page)[1]
    browser = shop.browser()
    for name in sorted(path.name for path in assets.STATIC.iterdir()):
        answer = browser.get(f"/static/{version}/{name}")
        assert answer.headers["cache-control"].endswith("immutable"), name
        for imported in re.findall(r'(?m)^import .* from "(.*?)"', answer.text if name.endswith(".js") else ""):
            assert browser.get(f"/static/{version}/{imported.removeprefix('./')}").status_code == 200
    old = browser.get("/static/000000000000/review.js")
    assert (old.status_code, old.headers["cache-control"]) == (200, "no-cache")
    assert browser.get(f"/static/{version}/..%2fapp.py").status_code == 404
    assert browser.get(f"/static/{version}/nope.js").status_code == 404


class Tags(HTMLParser):
    """The tags and event attributes of a page."""

    def __init__(self, text):
        super().__init__()
        self.found = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.found.append(tag)
        assert not any(name.startswith("on") or name == "style" for name, _ in attrs), attrs


def test_html_in_every_text_field_stays_text(shop, blank_photo, eye):
    """Order, vehicle, customer's words, file name, person's name, search: shown as typed, on every page."""
    browser = shop.browser("administrator")
    fields = {"shop_order": NASTY[:60], "vehicle": NASTY[:80], "customer_says": NASTY, "circuit_class": "none"}
    opened = browser.post("/intake", data=fields | browser.form)
    assert opened.status_code == 303, opened.text
    photo = ("photographs", (NASTY + ".jpg", blank_photo().read_bytes(), "image/jpeg"))
    sent = browser.post(opened.headers["location"], data={"face": "face_a"} | browser.form, files=[photo])
    assert "kept, usable" in sent.text
    browser.post("/people", data={"login": "nasty", "name": NASTY, "roles": "intake"} | browser.form)
    while work_once(shop.desk, "w1.x"):
        pass
    number = opened.headers["location"].split("/")[2]
    pages = ["/assemblies", f"/assemblies?text={NASTY}", f"/assemblies?since={NASTY}", "/queue", "/people"]
    pages += [f"/assemblies/{number}", f"/assemblies/{number}/photographs", f"/assemblies/{number}/intake"]
    for address in pages:
        text = browser.get(address).text
        assert "<script>alert" not in text
        assert "<img src=x" not in text
        assert Tags(text).found.count("script") <= 1
    assert "&lt;script&gt;alert(1)" in browser.get(f"/assemblies/{number}").text
    bad = browser.post("/intake", data=fields | {"circuit_class": NASTY} | browser.form)
    assert bad.status_code == 422
    assert "<script>alert" not in bad.text


def test_a_form_that_cannot_be_used_comes_back_as_it_was_typed(shop):
    """With the mistake in one line, and nothing to type again."""
    browser = shop.browser("intake")
    form = {"shop_order": "A-17", "vehicle": "LT 1", "customer_says": "fuse 12 blows", "circuit_class": "", "mats": "2"}
    answer = browser.post("/intake", data=form | browser.form)
    assert answer.status_code == 422
    for typed in ("A-17", "LT 1", "fuse 12 blows", 'value="2"', "circuit class: expected"):
        assert typed in answer.text


def test_the_camera_is_asked_for_and_each_mistake_is_answered_alone(shop, blank_photo):
    """Three files in one form, one of them a zip: two are kept, one is named."""
    number, browser = shop.opened(), shop.browser("intake")
    page = browser.get(f"/assemblies/{number}/photographs").text
    assert 'capture="environment"' in page
    assert page.count("still missing") == 3
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("a.txt", "x" * 1000)
    files = [
        ("photographs", ("a.jpg", blank_photo(1).read_bytes(), "image/jpeg")),
        ("photographs", ("zip.jpg", packed.getvalue(), "image/jpeg")),
        ("photographs", ("b.jpg", blank_photo(2).read_bytes(), "image/jpeg")),
    ]
    answer = browser.post(f"/assemblies/{number}/photographs", data={"face": "face_b"} | browser.form, files=files)
    assert answer.status_code == 200
    assert answer.text.count("kept, usable") == 2
    assert "content is something else" in answer.text
    assert answer.text.count("still missing") == 2
    with shop.desk.database.read() as session:
        assert session.query(tables.Photograph).count() == 2


def test_a_photograph_of_200_mb_is_refused_before_it_is_read(shop):
    """By its announced length, and by counting where none was announced; other forms take far less."""
    number, browser = shop.opened(), shop.browser("intake")
    address = f"/assemblies/{number}/photographs"
    declared = browser.post(address, content=b"x", headers={"content-length": "200000000"})
    assert declared.status_code == 413

    def endless():
        for _ in range(200):
            yield b"x" * 1_000_000

    put = f"/api/v1/assemblies/{number}/uploads/key-0001?offset=0&size=200000000&face=face_a"
    assert browser.put(put, content=endless()).status_code == 413
    small = f"/api/v1/assemblies/{number}/uploads/key-0001?offset=0&size=1000&face=face_a"
    answer = browser.put(small, content=endless())
    assert answer.status_code == 413
    assert "expected" in answer.json()["error"]
    assert browser.post("/intake", data={"customer_says": "x" * 7_000_000} | browser.form).status_code == 413
    assert not [p for p in shop.desk.incoming.iterdir() if p.stat().st_size > 1000]


def test_a_photograph_in_pieces_over_the_api(shop, blank_photo, eye):
    """Half of it, asked how much is there, the rest: answered with usable, and again when repeated as a whole."""
    number, browser = shop.opened(), shop.browser("intake")
    data = blank_photo().read_bytes()
    base = f"/api/v1/assemblies/{number}/uploads/key-0001"
    query = f"size={len(data)}&face=face_a&name=..%2F..%2Fa.jpg"
    assert browser.get(base).json() == {"received": 0}
    assert browser.put(f"{base}?offset=0&{query}", content=data[:500]).json() == {"received": 500}
    lost = browser.put(f"{base}?offset=0&{query}", content=data[:500])  # the answer was lost, the phone repeats
    assert (lost.status_code, lost.json()["received"]) == (409, 500)
    answer = browser.put(f"{base}?offset=500&{query}", content=data[500:]).json()
    assert (answer["usable"], answer["again"], answer["name"]) == (True, False, "a.jpg")
    whole = browser.put(f"{base}?offset=0&{query}", content=data).json()
    assert (whole["id"], whole["again"]) == (answer["id"], True)
    original = browser.get(f"/photographs/{answer['id']}/original")
    assert original.content == data
    assert original.headers["content-disposition"].startswith("attachment")
    work_once(shop.desk, "w1.x")
    state = browser.get(f"/api/v1/assemblies/{number}").json()
    assert state["photographs"][0]["assessment"] == "done"
    assert state["decision"]["route"] == "undecided"
    assert browser.get(f"/api/v1/assemblies/{number}/findings").json()[0]["schema"] == "1"


def test_a_harmed_photograph_is_said_on_its_page(shop, blank_photo):
    """Altered or gone: 410 with what to do, never another picture."""
    number, browser = shop.opened(), shop.browser("reviewer")
    receipt = shop.sent(number, blank_photo())
    path = shop.desk.store.path(receipt.sha256, ".jpg")
    path.write_bytes(b"other")
    answer = browser.get(f"/photographs/{receipt.photograph_id}/small")
    assert answer.status_code == 410
    assert "bring it back from a backup" in answer.text
    path.unlink()
    assert browser.get(f"/photographs/{receipt.photograph_id}/original").status_code == 410
    assert browser.get(f"/photographs/{receipt.photograph_id}/..%2f..%2fdesk.sqlite").status_code == 404


def test_a_program_signs_in_with_a_token_and_needs_no_form_token(shop):
    """The same functions by bearer token; signed out, the token is worth nothing."""
    program = shop.browser()
    token = program.post("/api/v1/session", json={"login": "intake", "password": shop.password}).json()["token"]
    program.headers["Authorization"] = f"Bearer {token}"
    body = {"shop_order": "A-1", "vehicle": "LT 1", "circuit_class": "shielded"}
    first, again = (program.post("/api/v1/assemblies", json=body).json() for _ in range(2))
    assert (first["is_new"], again) == (True, {"id": first["id"], "is_new": False})
    assert program.get("/api/v1/queue").status_code == 403
    assert program.post("/api/v1/assemblies", json=body | {"circuit_class": "x"}).json()["field"] == "circuit_class"
    assert program.delete("/api/v1/session").status_code == 204
    assert program.get("/api/v1/assemblies").status_code == 401


def test_the_api_is_described(shop):
    """Every address of the API is in the description, which is served by the desk itself."""
    paths = shop.browser().get("/api/v1/openapi.json").json()["paths"]
    expected = {address.split("?")[0] for _, address, _ in ROUTES if address.startswith("/api/")}
    expected = {address.replace("photographs.csv", "*.*") for address in expected}
    described = {re.sub(r"\{\w+\}", "*", path) for path in paths}
    assert {re.sub(r"/1\b|key-0001", lambda m: "/*" if m[0] == "/1" else "*", a) for a in expected} <= described


def test_lengths_are_said_in_the_persons_unit(shop):
    """152.4 mm are 6 inches exactly (1 in = 25.4 mm, ISO 80000-3); the choice is kept."""
    assert (say_length(152.4), say_length(152.4, "in")) == ("152.4 mm", "6.00 in")
    assert say_length(Measure(value=254.0, u95=25.4), "in") == "10.0 ± 1.0 in"
    assert say_length(None, "in") == "–"
    browser = shop.browser("intake")
    assert browser.post("/settings", data={"unit": "in", "theme": "dark"} | browser.form).status_code == 303
    page = browser.get("/settings").text
    assert 'data-unit="in"' in page
    assert 'data-theme="dark"' in page
    assert browser.post("/settings", data={"unit": "ell", "theme": "dark"} | browser.form).status_code == 422


def test_a_long_list_has_pages(shop):
    """The way on and back keeps the filters."""
    for n in range(PAGE_ROWS + 1):
        shop.opened(f"A-{n}", "LT 1" if n % 2 else "LT 2")
    page = shop.browser("analyst").get("/assemblies?text=a-").text
    assert 'href="?text=a-&amp;page=2"' in page
    assert page.count('class="order"') == PAGE_ROWS


def test_an_intake_is_corrected_over_the_api_and_a_stale_one_refused(shop):
    """The same function as the page's; the second correction on the same state gets 409."""
    number, browser = shop.opened(), shop.browser("intake")
    shown = browser.get(f"/api/v1/assemblies/{number}/intake").json()
    body = {"based_on": shown["id"], "vehicle": "LT 2", "circuit_class": "shielded"}
    assert browser.post(f"/api/v1/assemblies/{number}/intake", json=body).json()["vehicle"] == "LT 2"
    assert browser.post(f"/api/v1/assemblies/{number}/intake", json=body).status_code == 409
    assert [v["shop_order"] for v in browser.get("/api/v1/visits?vehicle=lt2").json()] == ["A-1"]


def test_an_administrator_manages_people_over_the_api(shop):
    """Made, given a link that works once, closed."""
    browser = shop.browser("administrator")
    made = browser.post("/api/v1/people", json={"login": "ann", "name": "Ann", "roles": ["intake"]}).json()
    link = browser.post(f"/api/v1/people/{made['id']}/link").json()["link"]
    form = {"password": "eight wires in a row", "again": "eight wires in a row"}
    assert shop.browser().post(link, data=form).status_code == 303
    assert shop.browser().post(link, data=form).status_code == 410
    closed = browser.post(f"/api/v1/people/{made['id']}", json={"roles": ["intake"], "active": False}).json()
    assert closed["active"] is False
    assert "ann" in [person["login"] for person in browser.get("/api/v1/people").json()]


def test_a_full_disk_is_said_to_the_phone_and_the_photograph_can_be_sent_again(shop, blank_photo, monkeypatch):
    """507 with what to do; when there is room, what arrived is gone on with."""
    number, browser = shop.opened(), shop.browser("intake")
    data = blank_photo().read_bytes()
    address = f"/api/v1/assemblies/{number}/uploads/key-0001?offset={{}}&size={len(data)}&face=face_a"
    assert browser.put(address.format(0), content=data[:100]).status_code == 200
    with monkeypatch.context() as patch:
        patch.setattr("desk.records.photo_store.SPARE_BYTES", 10**18)
        answer = browser.put(address.format(100), content=data[100:])
        assert answer.status_code == 507
        assert "make room" in answer.json()["error"]
    assert browser.put(address.format(100), content=data[100:]).json()["usable"] is True


def test_records_that_do_not_answer_are_said_without_details(shop, monkeypatch):
    """503 in one line; a mistake of the program itself shows nothing of its inside."""

    def busy(*_):
        raise DatabaseBusy("expected the database to be free, got database is locked: close the other program")

    monkeypatch.setattr("desk.shop.signing_in.who_is", busy)
    answer = shop.browser("intake").get("/intake")
    assert answer.status_code == 503
    assert "close the other program" in answer.text

    def broken(*_):
        raise ZeroDivisionError("secret inside")

    monkeypatch.setattr("desk.shop.signing_in.who_is", broken)
    browser = TestClient(shop.app, raise_server_exceptions=False, cookies={"desk_session": "x"})
    answer = browser.get("/intake")
    assert (answer.status_code, "secret" in answer.text) == (500, False)


def test_behind_tls_the_cookie_travels_encrypted_only(shop):
    """With `--https`."""
    app = make_app(replace(shop.desk, https=True))
    form = {"login": "intake", "password": shop.password}
    cookie = TestClient(app, follow_redirects=False).post("/sign-in", data=form).headers["set-cookie"]
    assert "Secure" in cookie
