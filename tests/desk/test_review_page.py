"""The review in Chromium: a dragged corner, a label by keyboard, undo, conflict, questions; it fits its screen."""

import os
import threading

import pytest
import uvicorn
from playwright.sync_api import expect, sync_playwright

from desk.hosting import listening
from desk.records import tables
from desk.review.edits import EDIT
from desk.shop import review
from desk.shop.worker import work_once
from desk.truth_findings import findings_from_truth

CHROMIUM = os.environ.get("LOOMTRIAGE_CHROMIUM", "/usr/bin/chromium")
PHONE, DESKTOP = {"width": 390, "height": 844}, {"width": 1600, "height": 1000}


@pytest.fixture(scope="module")
def chromium():
    """Chromium that fetches nothing by itself."""
    flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=flags)
        yield browser
        browser.close()


@pytest.fixture
def case(shop, monkeypatch, drawn, tmp_path):
    """An assembly with one drawn photograph: bites at x 400 to 440 and 500 to 540 px, half a millimetre a pixel."""
    known = drawn.truth("x.jpg", [drawn.region("rodent", 400, 40), drawn.region("rodent", 500, 40, "r1")])
    path = drawn.write_case(tmp_path, known)
    monkeypatch.setattr("desk.assess.assess_photo", lambda path, settings: findings_from_truth(known, path.stem))
    assembly_id = shop.opened()
    shop.sent(assembly_id, path)
    assert work_once(shop.desk, "w1.test")
    return assembly_id


@pytest.fixture
def served(shop):
    """The shop's desk on a port."""
    with listening("127.0.0.1", 0) as listener:
        server = uvicorn.Server(uvicorn.Config(shop.app, log_level="error", lifespan="off"))
        thread = threading.Thread(target=server.run, args=([listener],))
        thread.start()
        shop.address = f"http://127.0.0.1:{listener.getsockname()[1]}"
        yield shop
        server.should_exit = True
        thread.join()


@pytest.fixture
def open_review(served, case, chromium):
    """Open the review as the reviewer; errors of scripts and requests to anywhere else fail the test."""
    contexts, strange = [], []

    def opened(size=DESKTOP, scheme="light"):
        context = chromium.new_context(viewport=size, color_scheme=scheme)
        contexts.append(context)
        context.add_cookies([{"name": "desk_session", "value": served.tokens["reviewer"], "url": served.address}])
        page = context.new_page()
        page.on("request", lambda r: strange.append(r.url) if not r.url.startswith((served.address, "blob:")) else None)
        page.on("pageerror", lambda e: strange.append(str(e)))
        page.on("console", lambda m: strange.append(m.text) if "Content Security Policy" in m.text else None)
        page.goto(f"{served.address}/assemblies/{case}/review")
        page.locator("#places button").first.wait_for()
        return page

    yield opened
    for context in contexts:
        context.close()
    assert strange == []


def rows(shop):
    """What lies in the records, the oldest first."""
    with shop.desk.database.read() as session:
        return session.query(tables.ReviewEntry).order_by(tables.ReviewEntry.id).all()


def as_administrator(shop, assembly_id, based_on, **edit):
    """Another person's entry."""
    with shop.desk.database.write() as session:
        return review.put_on_record(
            session, shop.desk, shop.accounts["administrator"], assembly_id, EDIT.validate_python(edit), based_on
        )


def sha_of(page):
    """The photograph's hash."""
    return page.locator("[data-place]").first.get_attribute("data-place").split(":")[0]


def test_a_label_is_corrected_with_the_keyboard_alone_and_the_route_follows(open_review, served):
    """J to the second place, 1 for heat: the rules change at once, the row says on what; U takes back, Y restores."""
    page = open_review()
    page.keyboard.press("j")
    expect(page.locator("#places [aria-current]")).to_contain_text("r1")
    expect(page.locator("#places [aria-current]")).to_be_focused()
    page.keyboard.press("1")
    expect(page.locator("#places [aria-current]")).to_contain_text("external heat")
    expect(page.locator("#places [aria-current]")).to_contain_text("judged")
    expect(page.locator("#said")).to_contain_text("r1 named external heat; route")
    expect(page.locator("#change")).to_contain_text("heat-aged")
    kept = rows(served)
    assert [(row.kind, row.payload["region"], row.payload["label"]) for row in kept] == [
        ("relabel", "r1", "external_heat")
    ]
    assert kept[0].rules_sha256 == served.desk.rules_sha256 and kept[0].model_version
    page.locator("body").press("u")
    expect(page.locator("#places [data-place$=':r1']")).to_contain_text("rodent")
    page.locator("body").press("y")
    expect(page.locator("#places [data-place$=':r1']")).to_contain_text("external heat")
    assert [row.kind for row in rows(served)] == ["relabel", "withdraw", "withdraw"]


def test_a_dragged_corner_makes_the_damage_longer(open_review, served):
    """The right end of a bite of 40 px is dragged by 60 px of the photograph: 20 mm become 50 mm along the wire."""
    page = open_review()
    expect(page.locator("#places [data-place$=':r0']")).to_contain_text("long 20")
    page.locator("#places [data-place$=':r0']").click()
    page.keyboard.press("e")
    dots = page.locator("circle.corner")
    expect(dots).to_have_count(4)
    scale = page.evaluate("document.querySelector('.view svg').getScreenCTM().a")
    for i in range(4):
        if float(dots.nth(i).get_attribute("cx")) > 420:
            box = dots.nth(i).bounding_box()
            x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
            page.mouse.move(x, y)
            page.mouse.down()
            page.mouse.move(x + 30 * scale, y, steps=4)
            page.mouse.move(x + 60 * scale, y, steps=4)
            page.mouse.up()
    page.keyboard.press("Enter")
    expect(page.locator("#places [data-place$=':r0']")).to_contain_text("long 50")
    kept = rows(served)[-1]
    assert kept.kind == "redraw"
    assert max(x for x, _ in kept.payload["rings_px"][0]) == pytest.approx(500, abs=1.5)


def test_an_outline_is_corrected_with_the_keyboard_alone(open_review, served):
    """E, N to a corner, arrow keys, Enter: that corner moved, the others stay."""
    page = open_review()
    page.locator("#places [data-place$=':r0']").focus()
    page.keyboard.press("e")
    start = page.evaluate("[...document.querySelectorAll('circle')].map(c => Number(c.getAttribute('cx')))")
    page.keyboard.press("n")
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("Enter")
    expect(page.locator("#entries")).to_contain_text("outline drawn anew")
    after = [x for x, _ in rows(served)[-1].payload["rings_px"][0]]
    moved = [i for i, (a, b) in enumerate(zip(start, after, strict=True)) if abs(a - b) > 0.2]
    assert moved == [1] and after[1] > start[1] + 5


def test_a_place_is_added_split_and_deleted(open_review):
    """A and Enter add one where the view is; S and Enter make two of it; X takes one away."""
    page = open_review()
    page.keyboard.press("0")
    page.keyboard.press("a")
    page.locator("#draft select").select_option("abrasion")
    page.locator("#draft button").first.click()
    expect(page.locator("#places [data-place$=':a1']")).to_contain_text("abrasion")
    page.locator("body").press("s")
    page.locator("body").press("Enter")
    expect(page.locator("#places li")).to_have_count(4)
    page.locator("body").press("x")
    expect(page.locator("#places li")).to_have_count(3)


def test_a_conflict_keeps_both_versions_until_one_is_chosen(open_review, served, case):
    """The page was opened before somebody else answered: its entry waits, both are shown, then it is let count."""
    page = open_review()
    sha = sha_of(page)
    as_administrator(served, case, None, kind="relabel", photo=sha, region="r0", label="abrasion")
    page.locator("#places [data-place$=':r0']").focus()
    page.keyboard.press("1")
    expect(page.locator(".conflict")).to_contain_text("administrator: x.jpg r0: abrasion")
    expect(page.locator("#places [data-place$=':r0']")).to_contain_text("abrasion")
    expect(page.locator("#notice")).to_contain_text("somebody else had answered meanwhile")
    assert len(rows(served)) == 2 and rows(served)[1].conflicting
    page.get_by_role("button", name="Let this one count").click()
    expect(page.locator(".conflict")).to_have_count(0)
    expect(page.locator("#places [data-place$=':r0']")).to_contain_text("external heat")
    assert [row.kind for row in rows(served)] == ["relabel", "relabel", "settle"]


def test_an_open_question_is_answered_in_place(open_review, served):
    """The first question with a choice: answered, it is asked no more and stands on record."""
    page = open_review()
    first = page.locator("#questions li").filter(has=page.locator("select")).first
    text = first.locator("strong").inner_text()
    first.locator("select").select_option(index=1)
    first.get_by_role("button", name="Answer").click()
    expect(page.locator("#entries")).to_contain_text("answered")
    expect(page.locator("#questions")).not_to_contain_text(text)
    assert rows(served)[-1].kind == "answer"


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_the_page_fits_its_screen(open_review, size):
    """No sideways scrolling; every button has a name and is large enough to hit."""
    page = open_review(size)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    small = page.evaluate(
        "[...document.querySelectorAll('#side button')]"
        ".filter(b => b.offsetHeight && (b.offsetHeight < 40 || !b.innerText)).length"
    )
    assert small == 0


def test_others_may_not_review(served, case):
    """The role is checked on the server, for the page and for the entries."""
    client = served.browser("intake")
    assert client.get(f"/assemblies/{case}/review").status_code == 403
    assert client.post(f"/api/v1/assemblies/{case}/review/entries", json={}).status_code == 403
    edit = {"kind": "delete", "photo": "0", "region": "nope"}
    answer = served.browser("reviewer").post(f"/api/v1/assemblies/{case}/review/entries", json={"edit": edit})
    assert answer.status_code == 422 and "expected a photograph of this assembly" in answer.json()["error"]
