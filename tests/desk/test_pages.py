"""The pages and the JSON API over HTTP: what cannot be used, what is never lost or leaked."""

import io
import re
import zipfile
from html.parser import HTMLParser

import pytest
from starlette.testclient import TestClient

from desk.pages import assets
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


def test_a_list_without_any_assembly_leads_to_the_intake(shop):
    """Whoever may open one gets the link; a search that finds nothing is told apart."""
    assert 'href="/intake">Open the first one' in shop.browser("intake").get("/assemblies").text
    assert "Intake opens the first one" in shop.browser("analyst").get("/assemblies").text
    assert "widen the search" in shop.browser("intake").get("/assemblies?text=x").text
