"""A whole day of a shop in Chromium: intake on a phone, review by hand, order, repair, closing, the analyst's look."""

import io

import pypdfium2
import pytest
from playwright.sync_api import expect

from desk.records import tables
from desk.shop.worker import work_once
from desk.truth_findings import findings_from_truth

expect.set_options(timeout=20_000)  # a busy machine is no fault of the pages

PHONE, DESKTOP = {"width": 390, "height": 844}, {"width": 1600, "height": 1000}


@pytest.fixture
def day(shop, served_with, browser, monkeypatch, drawn, tmp_path):
    """The desk on a port with a worker that knows each drawn photograph's truth, and a browser for everybody."""
    bitten = drawn.truth("bench.jpg", [drawn.region("rodent", 400, 40), drawn.region("rodent", 500, 40, "r1")])
    turned = drawn.truth("turned.jpg", [drawn.region("abrasion", 300, 30)])
    mended = drawn.truth("mended.jpg", [])
    paths = {known.photo: drawn.write_case(tmp_path, known) for known in (bitten, turned, mended)}
    truths = {drawn.sha(paths[known.photo]): known for known in (bitten, turned, mended)}
    monkeypatch.setattr(
        "desk.assess.assess_photo", lambda path, settings: findings_from_truth(truths[path.stem], path.stem)
    )
    strange, pages, contexts = [], {}, []
    shop.paths = paths
    with served_with(shop, work_once):

        def sit_down(role, size):
            contexts.append(browser.new_context(viewport=size, has_touch=size is PHONE))
            page = pages[role] = contexts[-1].new_page()
            page.on("request", lambda r: strange.append(r.url) if not r.url.startswith((shop.address, "blob:")) else 0)
            page.on("pageerror", lambda e: strange.append(str(e)))
            page.on("console", lambda m: strange.append(m.text) if "Content Security Policy" in m.text else None)
            page.goto(shop.address)
            page.get_by_label("Sign-in name").fill(role)
            page.get_by_label("Password").fill(shop.password)
            page.get_by_role("button", name="Sign in").click()
            return page

        shop.sit_down = sit_down
        yield shop
        for context in contexts:
            context.close()
    assert strange == []


def test_a_whole_day_of_the_shop(day):
    """Two photographs by phone; a corner dragged, a label corrected by keyboard; signed off with everything judged;
    order printed, quote agreed to; the repair photographed and the order closed; the analyst finds all of it."""
    _intake(day, day.sit_down("intake", PHONE))
    bench = day.sit_down("reviewer", DESKTOP)
    _review(bench)
    _order(day, bench)
    _agreed(day.sit_down("administrator", PHONE), day)
    _closed(bench, day)
    _looked_at(day.sit_down("analyst", DESKTOP), day)


def _intake(day, phone):
    phone.get_by_label("Shop order").fill("A-17")
    phone.get_by_label("Vehicle").fill("LT 4711")
    phone.get_by_label("ordinary circuits only").check()
    phone.get_by_label("What the customer says").fill("mouse nest under the cover")
    phone.get_by_role("button", name="Go on to the photographs").click()
    for number, name in enumerate(("bench.jpg", "turned.jpg"), 1):
        phone.get_by_label("Take a photograph").set_input_files(day.paths[name])
        expect(phone.locator(".sending .note.go")).to_have_count(number)
    phone.get_by_role("link", name="See the answer").click()
    expect(phone.locator(".answer")).to_contain_text("rodent bites", timeout=20_000)


def _review(bench):
    bench.locator("tr", has_text="A-17").get_by_role("link").click()
    expect(bench.locator("#places button")).to_have_count(3)
    expect(bench.locator("#places button").nth(2)).to_contain_text("photo 2 · r0 abrasion")
    bench.locator("#places [data-place$=':r0']").first.click()
    bench.keyboard.press("e")
    dots = bench.locator("circle.corner")
    expect(dots).to_have_count(4)
    scale = bench.evaluate("document.querySelector('.view svg').getScreenCTM().a")
    for i in range(4):
        if float(dots.nth(i).get_attribute("cx")) > 420:
            box = dots.nth(i).bounding_box()
            x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
            bench.mouse.move(x, y)
            bench.mouse.down()
            bench.mouse.move(x + 20 * scale, y, steps=3)
            bench.mouse.up()
    bench.keyboard.press("Enter")
    expect(bench.locator("#places button").first).to_contain_text("long 30")
    bench.locator("#places button").first.focus()
    bench.keyboard.press("Enter")  # right as it is now; on to the next
    expect(bench.locator("#progress")).to_have_text("1 of 3 judged")
    bench.keyboard.press("5")  # the second bite is abrasion
    expect(bench.locator("#places button").nth(1)).to_contain_text("abrasion")
    bench.keyboard.press("Enter")
    expect(bench.locator("#places [aria-current]")).to_contain_text("photo 2 · r0")
    bench.keyboard.press("Enter")
    expect(bench.locator("#progress")).to_have_text("3 of 3 judged")
    wire = bench.locator("#wire")
    for name, text in {"id": "w0", "colour": "RD", "before_mm": "400", "damage_mm": "80", "after_mm": "500"}.items():
        wire.locator(f"[name={name}]").fill(text)
    wire.get_by_role("button").click()
    expect(bench.locator("#wires li")).to_have_count(1)
    bench.locator("#branches").get_by_role("button").click()
    expect(bench.locator("#wire-plan")).to_contain_text("2 new joints")
    bench.get_by_role("button", name="sign off").click()
    expect(bench.get_by_role("dialog")).to_contain_text("may still change the route")
    bench.get_by_role("button", name="Let them stand and sign off").click()
    bench.wait_for_url("**/assemblies/1")


def _order(day, bench):
    bench.get_by_role("button", name="Issue the work order").click()
    address = bench.get_by_role("link", name="Work order 1").get_attribute("href")
    printed = bench.request.get(day.address + address)
    text = "\n".join(p.get_textpage().get_text_range() for p in pypdfium2.PdfDocument(io.BytesIO(printed.body())))
    assert "A-17" in text and "photo 2 · r0" in text and "photo 2:r0" not in text


def _agreed(counter, day):
    counter.goto(f"{day.address}/assemblies/1")
    counter.get_by_role("button", name="Make the quote").click()
    expect(counter.locator("#quotes")).to_contain_text("Example prices")
    counter.get_by_text("Put the customer's answer on record").click()
    counter.locator("input[name=offer]").first.check()
    counter.get_by_label("Who").fill("R. Tanner")
    counter.get_by_label("by telephone").check()
    counter.get_by_role("button", name="Put on record").click()
    expect(counter.locator("#quotes")).to_contain_text("Agreed: repair")
    counter.get_by_role("link", name="Photograph the finished repair").click()
    assert counter.get_by_label("After the repair").is_checked()
    counter.get_by_label("Take a photograph").set_input_files(day.paths["mended.jpg"])
    expect(counter.locator(".sending .note.go")).to_have_count(1)


def _closed(bench, day):
    bench.goto(f"{day.address}/assemblies/1/closing")
    # the form comes when the photographs of the repair are assessed, behind everything else a busy machine does
    bench.get_by_label("New and old joints, counted by hand").fill("2", timeout=90_000)
    bench.get_by_label("measured with a ruler").check()
    bench.get_by_role("button", name="Hold it against the order").click()
    expect(bench.locator("#closing")).to_contain_text("Closed")


def _looked_at(analyst, day):
    analyst.goto(f"{day.address}/assemblies?state=closed&label=rodent")
    expect(analyst.locator("tr", has_text="A-17")).to_contain_text("closed")
    analyst.goto(f"{day.address}/figures")
    expect(analyst.locator(".chart")).to_have_count(5)
    expect(analyst.locator("section", has_text="Model against reviewers").first).to_contain_text("67 %")
    rows = analyst.request.get(f"{day.address}/exports/review_entries.csv").text().splitlines()
    with day.desk.database.read() as session:
        assert len(rows) == 1 + session.query(tables.ReviewEntry).count()
    evidence = analyst.request.get(f"{day.address}/assemblies/1/evidence").text()
    for text in ("confirmed by The reviewer", "R. Tanner agreed to repair", "closed", "after the repair"):
        assert text in evidence, text
