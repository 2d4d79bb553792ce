"""Intake in Chromium at phone size: camera input, progress, a connection that breaks, answers, legible and own."""

import hashlib
import re
import time

import cv2
import numpy as np
import pytest
from playwright.sync_api import expect

from desk.pages import assets
from desk.records import tables
from desk.shop import orders, quotes, review
from desk.shop.assemblies import IntakeForm, open_assembly
from desk.shop.standing import refresh
from desk.shop.worker import work_once
from desk.truth_findings import findings_from_truth
from tests.desk.signing import sign_off

PHONE, DESKTOP = {"width": 390, "height": 844}, {"width": 1440, "height": 900}
NARROW = {"width": 320, "height": 640}  # the narrowest that text has to fit (WCAG 2.2, 1.4.10)


@pytest.fixture
def served(shop, served_with, monkeypatch, drawn):
    """The shop's desk on a port, with a worker that sees bites in everything."""
    known = drawn.truth("x.jpg", [drawn.region("rodent", 500, 40)])
    monkeypatch.setattr("desk.assess.assess_photo", lambda path, settings: findings_from_truth(known, path.stem))
    with served_with(shop, work_once):
        yield shop


@pytest.fixture
def open_page(served, browser):
    """Open a page as somebody; errors of scripts and requests to anywhere else fail the test."""
    contexts, strange = [], []

    def opened(role, address, size=PHONE, scheme="light"):
        context = browser.new_context(viewport=size, color_scheme=scheme, has_touch=size is PHONE)
        contexts.append(context)
        if role:
            context.add_cookies([{"name": "desk_session", "value": served.tokens[role], "url": served.address}])
        page = context.new_page()
        page.on("request", lambda r: strange.append(r.url) if not r.url.startswith((served.address, "blob:")) else None)
        page.on("pageerror", lambda e: strange.append(str(e)))
        page.on("console", lambda m: strange.append(m.text) if "Content Security Policy" in m.text else None)
        page.goto(served.address + address)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert strange == []


def test_the_whole_intake_on_a_phone(open_page, served, blank_photo):
    """Sign in, open, photograph, see usable and the advice, see the answer appear; the reviewer finds it queued."""
    page = open_page(None, "/")
    page.get_by_label("Sign-in name").fill("intake")
    page.get_by_label("Password").fill(served.password)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_label("Shop order").fill("A-17")
    page.get_by_label("Vehicle").fill("LT 4711")
    page.get_by_label("ordinary circuits only").check()
    page.get_by_label("What the customer says").fill("mouse nest under the cover")
    page.get_by_role("button", name="Go on to the photographs").click()
    page.get_by_text("Battery off, gloves; rodents: mask").click()  # one line, which opens
    page.get_by_text("Rodent remains carry disease").wait_for()
    page.get_by_text("Battery off, gloves; rodents: mask").click()
    page.get_by_label("Take a photograph").set_input_files(blank_photo(1, "one.jpg"))
    page.get_by_text("kept, usable").wait_for()
    assert page.get_by_text("lay the assembly on the printed mat").is_visible()
    assert page.get_by_label("Other face").is_checked()  # the face that is missing next
    page.get_by_label("Choose several").set_input_files([blank_photo(n, f"p{n}.jpg") for n in (2, 3, 4)])
    page.locator(".sending .note.go").nth(3).wait_for()
    page.get_by_role("link", name="See the answer").click()
    page.locator(".answer").wait_for()
    assert page.locator(".answer .label-rodent").inner_text() == "rodent bites"
    desk = open_page("reviewer", "/", DESKTOP)
    row = desk.locator("tr", has_text="A-17")
    assert "rodent bites" in row.inner_text()
    row.get_by_role("link").click()
    desk.get_by_role("heading", name="A-17").first.wait_for()


def test_a_connection_that_breaks_goes_on_by_itself(open_page, served, tmp_path):
    """Pieces fail on the way there and on the way back: the photograph arrives once, whole, with nobody touching it."""
    rng = np.random.default_rng(1)
    path = tmp_path / "large.png"
    cv2.imwrite(str(path), rng.integers(0, 255, (700, 1000, 3), dtype="uint8"))
    assert path.stat().st_size > 3 * 512 * 1024
    page = open_page("intake", f"/assemblies/{served.opened()}/photographs")
    seen = []

    def flaky(route):
        if route.request.method != "PUT":
            route.continue_()
            return
        seen.append(route.request.url)
        if len(seen) == 2:
            route.abort("connectionreset")  # never reached the desk
        elif len(seen) == 4:
            route.fetch()  # reached the desk, the answer is lost
            route.abort("connectionreset")
        else:
            route.continue_()

    page.route(re.compile("/uploads/"), flaky)
    page.get_by_label("Take a photograph").set_input_files(path)
    page.locator(".sending .note").first.wait_for(timeout=30000)
    assert "kept" in page.locator(".sending .said").inner_text()
    with served.desk.database.read() as session:
        row = session.query(tables.Photograph).one()
        assert served.desk.store.checked(row.sha256, row.suffix).read_bytes() == path.read_bytes()


def test_a_photograph_is_put_right_where_it_was_sent(open_page, served, blank_photo):
    """Sent again under another face it leads to the one that is here; that is moved, taken back and put back there."""
    number = served.opened()
    page = open_page("intake", f"/assemblies/{number}/photographs")
    page.get_by_label("Take a photograph").set_input_files(blank_photo(1))
    page.get_by_text("kept, usable").wait_for()
    page.get_by_label("Other face").check()
    page.get_by_label("Take a photograph").set_input_files(blank_photo(1))
    page.get_by_text("it is here already as First face; change its face there").wait_for()
    page.get_by_role("link", name="Show it").click()
    here = page.locator("#thumbs li")
    assert here.count() == 1
    here.get_by_text("Change", exact=True).click()  # made by the script, without a reload
    here.get_by_label("It shows the").select_option("other face")
    here.get_by_role("button", name="Change the face").click()
    page.locator("#thumbs li", has_text="Other face").wait_for()
    assert page.locator(".have[data-face=face_a]").inner_text() == "still missing"
    here.get_by_text("Change", exact=True).click()
    here.get_by_label("Why it is taken back").fill("shows another assembly")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    here.get_by_role("button", name="Take it back").click()
    page.get_by_text("does not count: shows another assembly").wait_for()
    page.get_by_role("button", name="Put it back").click()
    page.locator("#thumbs li", has_text="Other face").wait_for()


def test_a_zip_named_jpg_is_said_beside_its_name(open_page, served, tmp_path):
    """And can be sent again or left."""
    path = tmp_path / "shot.jpg"
    path.write_bytes(b"PK\x03\x04" + b"x" * 5000)
    page = open_page("intake", f"/assemblies/{served.opened()}/photographs")
    page.get_by_label("Take a photograph").set_input_files(path)
    page.get_by_text("content is something else").wait_for()
    assert page.get_by_role("button", name="Send again").is_visible()


def test_a_vehicle_seen_before_is_said_while_typing(open_page, served, blank_photo):
    """Before anything is opened."""
    served.sent(served.opened("OLD-1", "LT 4711"), blank_photo())
    end = time.monotonic() + 20
    while time.monotonic() < end:
        with served.desk.database.read() as session:
            if session.query(tables.Assessment).count():
                break
        time.sleep(0.1)
    page = open_page("intake", "/intake")
    page.get_by_label("Vehicle").fill("lt-4711")
    page.get_by_text("Here again within 60 days").wait_for()
    assert page.get_by_text("rodent bites").is_visible()


PAGES = [
    "/intake", "/assemblies/1/photographs", "/assemblies/1", "/assemblies/1/review", "/assemblies/1/closing", "/queue",
    "/assemblies", "/agreement", "/figures", "/people", "/settings",
]  # fmt: skip
UNNAMED = """() => [...document.querySelectorAll('input:not([type=hidden]),select,textarea,button,a')]
    .filter(e => e.checkVisibility() || e.type === 'file')
    .filter(e => !(e.labels?.length || e.ariaLabel || e.textContent.trim() || e.querySelector('img')?.alt))
    .map(e => e.outerHTML)"""
SMALL = """() => [...document.querySelectorAll('button,.button,.ticks label,.face,nav a,select')]
    .filter(e => e.checkVisibility()).filter(e => e.getBoundingClientRect().height < 36).map(e => e.outerHTML)"""
CONTRAST = """() => {
  const channels = css => { const c = document.createElement('canvas'); c.width = c.height = 1;
    const x = c.getContext('2d'); x.fillStyle = css; x.fillRect(0, 0, 1, 1); return x.getImageData(0, 0, 1, 1).data; };
  const light = ([r, g, b]) => { const f = v => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
    return 0.2126 * f(r) + 0.7152 * f(g) + 0.0722 * f(b); };
  const ground = e => { for (; e; e = e.parentElement) { const c = channels(getComputedStyle(e).backgroundColor);
    if (c[3] === 255) return c; } return [255, 255, 255]; };
  const out = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) { const e = walker.currentNode.parentElement;
    if (!walker.currentNode.textContent.trim() || !e.checkVisibility() || e.closest('template,.skip')) continue;
    const [a, b] = [light(channels(getComputedStyle(e).color)), light(ground(e))].sort((x, y) => y - x);
    const ratio = (a + 0.05) / (b + 0.05);
    if (ratio < 4.5) out.push(`${ratio.toFixed(2)} ${walker.currentNode.textContent.trim().slice(0, 40)}`); }
  return out; }"""


def _ordered_and_quoted(served):
    """The assembly signed off, its order issued and quoted, so that its pages show all they can."""
    desk, person = served.desk, served.accounts["administrator"]
    with desk.database.write() as session:
        found = review.review_of(session, desk, 1)
        places = [f"{photo.photo.sha256}:{region.id}" for photo in found.photos for region in photo.regions]
        sign_off(session, desk, person, 1, None, places)
        orders.issue_order(session, desk, person, 1)
        quotes.issue_quote(session, desk, person, 1)


@pytest.mark.looks
@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "light"), (PHONE, "dark"), (DESKTOP, "light"), (DESKTOP, "dark")])
def test_every_page_is_legible_and_named(open_page, served, blank_photo, size, scheme):
    """Nothing runs out of the screen, text stands off by 4.5:1 (WCAG 2.2, 1.4.3), every control has a name, targets
    are large enough for a thumb, and one heading leads."""
    served.sent(served.opened(), blank_photo())
    page = open_page("administrator", "/assemblies/1", size, scheme)
    page.locator(".answer").wait_for(timeout=20_000)
    _ordered_and_quoted(served)
    for address in PAGES:
        page.goto(served.address + address)
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], address
        assert page.evaluate(CONTRAST) == [], address
        assert page.evaluate(UNNAMED) == [], address
        assert page.evaluate(SMALL) == [], address
        assert page.locator("h1").count() == 1, address


CLIPPED = """() => [...document.querySelectorAll('.rail a span')]
  .filter((e) => e.getClientRects().length && e.scrollWidth > e.clientWidth).map((e) => e.textContent)"""


def test_every_page_can_be_reached_from_the_bar_at_the_thumb(open_page):
    """Whoever may see all pages: six in the bar, Learning among them, no word cut off; the others one page further. On
    a wide screen all of them stand at the left, and Settings does not repeat them."""
    page = open_page("administrator", "/settings", NARROW)
    bar = page.get_by_role("navigation", name="Desk").get_by_role("link")
    assert bar.all_inner_texts() == ["Intake", "Queue", "Assemblies", "Figures", "Learning", "Settings"]
    assert page.evaluate(CLIPPED) == []
    beyond = page.get_by_role("navigation", name="More pages").get_by_role("link")
    assert beyond.all_inner_texts() == ["Agreement", "People"]
    bar.get_by_text("Learning").click()
    page.get_by_role("heading", name="Learning", exact=True).wait_for()
    wide = open_page("administrator", "/settings", DESKTOP)
    at_the_left = wide.get_by_role("navigation", name="Desk").get_by_role("link").all_inner_texts()
    assert {"Learning", "Agreement", "People"} < set(at_the_left)
    assert wide.get_by_role("navigation", name="More pages").count() == 0


def test_the_intake_form_by_keyboard_alone(open_page, served):
    """Tab reaches the content first, then every field; arrow keys choose; Enter sends."""
    page = open_page("intake", "/intake", DESKTOP)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    for text in ("A-9", "LT 9"):
        page.keyboard.press("Tab")
        page.keyboard.type(text)
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    page.wait_for_url("**/photographs")
    with served.desk.database.read() as session:
        row = session.query(tables.Intake).one()
        assert (row.vehicle, row.circuit_class) == ("LT 9", "restraint")


def test_the_newest_receipt_stands_first_and_in_view(open_page, served, tmp_path):
    """After one photograph that was kept, a file that is none is sent: its refusal is what the phone shows."""
    good, bad = tmp_path / "good.png", tmp_path / "bad.jpg"
    cv2.imwrite(str(good), np.full((700, 1000, 3), 90, "uint8"))
    bad.write_bytes(b"PK\x03\x04" + bytes(4000))
    page = open_page("intake", f"/assemblies/{served.opened()}/photographs")
    for number, path in enumerate((good, bad), 1):
        page.get_by_label("Take a photograph").set_input_files(path)
        page.locator(".sending .note").nth(number - 1).wait_for(timeout=30000)
    first = page.locator(".sending > li").first
    assert "bad.jpg" in first.inner_text()
    box, rail = first.bounding_box(), page.locator(".rail").bounding_box()
    assert box["y"] >= 0
    assert box["y"] + box["height"] <= rail["y"]


def _said(shop, number, vehicle):
    with shop.desk.database.write() as session:
        return open_assembly(session, shop.accounts["intake"], IntakeForm(f"S-{number}", vehicle, "none"))[0]


def test_a_search_answers_while_typing_and_keeps_the_address_and_the_focus(open_page, served):
    """The field keeps the focus, the count is said, the address can be opened again, Back returns; the form works by
    itself too."""
    for number, vehicle in enumerate(("LT 4711", "LT 4712", "XX 9")):
        with served.desk.database.write() as session:
            refresh(session, served.desk, _said(served, number, vehicle))
    page = open_page("reviewer", "/assemblies", DESKTOP)
    status = page.get_by_role("status")
    assert status.inner_text() == "3 assemblies fit"
    page.get_by_label("Find").press_sequentially("xx")
    page.get_by_text("1 assembly fits").wait_for()
    assert page.locator("tbody tr").count() == 1
    assert page.evaluate("document.activeElement.name") == "text"
    assert "text=xx" in page.url
    page.reload()
    assert (page.get_by_label("Find").input_value(), status.inner_text()) == ("xx", "1 assembly fits")
    page.get_by_label("Find").fill("nothing like it")
    page.get_by_text("0 assemblies fit").wait_for()
    page.get_by_text("widen the search").wait_for()
    page.go_back()
    page.get_by_text("1 assembly fits").wait_for()
    kept = page.evaluate("JSON.stringify([{...localStorage}, {...sessionStorage}])")
    assert "4711" not in kept and "<" not in kept  # the address may stay in the browser, nothing of the records does
    page.get_by_label("Find").fill("lt")
    page.get_by_label("Find").press("Enter")
    page.get_by_text("2 assemblies fit").wait_for()


def test_a_search_after_the_session_ended_leads_to_the_sign_in(open_page, served):
    """Not to an empty list."""
    page = open_page("reviewer", "/assemblies", DESKTOP)
    page.context.clear_cookies()
    page.get_by_label("Find").press_sequentially("x")
    page.get_by_label("Sign-in name").wait_for()


def test_the_queue_looks_again_only_while_something_is_pending(open_page, served, blank_photo):
    """A finished assessment appears by itself, the focus stays on its row, and then nothing more is asked."""
    served.sent(served.opened("Q-1", "LT 1"), blank_photo(1))
    first = open_page("reviewer", "/assemblies/1", DESKTOP)
    first.locator(".answer").wait_for(timeout=20_000)
    with served.desk.database.write() as session:  # one that no worker takes
        job = tables.Job(photograph_id=1, state="running", worker="w9.away", attempts=1)
        session.add(job)
        session.flush()
        number = job.id
    page = open_page("reviewer", "/queue", DESKTOP)
    assert "1 photograph is still being assessed" in page.get_by_role("status").inner_text()
    page.clock.install()  # the page's own time passes as quickly as the test says
    page.reload()
    page.get_by_role("link", name="Q-1").focus()
    asked = []
    page.on("request", lambda r: asked.append(r.url))
    with page.expect_response(lambda r: "/queue?page=1" in r.url):
        page.clock.run_for(4500)
    assert page.evaluate("document.activeElement.textContent") == "Q-1"
    with served.desk.database.write() as session:
        session.get_one(tables.Job, number).state = "done"
    with page.expect_response(lambda r: "/queue?page=1" in r.url):
        page.clock.run_for(4500)
    expect(page.locator("#running")).to_have_text("")
    asked.clear()
    page.clock.run_for(60_000)
    page.wait_for_timeout(200)
    assert asked == []


def test_the_vendored_script_is_the_published_one():
    """SHA-256 of dist/htmx.min.js of the package htmx.org 2.0.11 as its registry hands it out; licence beside it."""
    script = assets.STATIC / "htmx-2.0.11.min.js"
    assert (
        hashlib.sha256(script.read_bytes()).hexdigest()
        == "d6fdc75f204e6bdefa99b69bf1e6d4ac69b8a364f77929f45c13476b4000f717"
    )
    assert "Zero-Clause BSD" in (assets.STATIC / "htmx-2.0.11.LICENSE.txt").read_text("utf-8")
