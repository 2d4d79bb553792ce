"""How the review looks in Chromium: it fits its screen, shows the route, opens photographs large and whole."""

import cv2
import numpy as np
import pytest
from playwright.sync_api import expect

from desk.shop.worker import work_once
from desk.truth_findings import findings_from_truth
from tests.desk.drawn_scenes import region, truth
from tests.desk.review_page.screens import DESKTOP, PHONE, rows

expect.set_options(timeout=20_000)  # a busy machine is no fault of the pages


@pytest.mark.looks
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


@pytest.mark.looks
def test_a_photograph_fills_the_window_and_is_still_reviewed_by_its_keys(open_review, served):
    """F opens it, J and Enter judge in it, Esc closes it; drawing leaves it, for its form stands beside."""
    page = open_review()
    stage, view = page.locator(".stage"), page.locator(".view")
    open_now = "s => s.matches(':popover-open')"
    before = view.bounding_box()
    page.locator("body").press("f")
    assert stage.evaluate(open_now)
    wide, high = view.bounding_box()["width"], view.bounding_box()["height"]
    assert wide > 1500 and high > 900
    page.wait_for_function("() => document.querySelector('.sheet').getBoundingClientRect().height > 880")
    page.keyboard.press("Enter")
    expect(page.locator("#progress")).to_have_text("1 of 2 judged")
    assert stage.evaluate(open_now)
    page.keyboard.press("Escape")
    assert not stage.evaluate(open_now) and view.bounding_box() == before
    view.dblclick(position={"x": 20, "y": 20})
    assert stage.evaluate(open_now)
    page.keyboard.press("e")
    expect(page.locator("#draft")).to_be_visible()
    assert not stage.evaluate(open_now)
    assert [row.kind for row in rows(served)] == ["confirm"]


CLOSE = [region("rodent", 380 + 14 * k, 30, f"r{k}") for k in range(5)]
NAMES = """() => [...document.querySelectorAll('.badge')].map(b => b.getBoundingClientRect())
    .map(({left, right, top, bottom}) => [left, right, top, bottom])"""


@pytest.mark.looks
@pytest.mark.parametrize("also", [{"regions": findings_from_truth(truth("x.jpg", CLOSE), "0" * 64).regions}])
@pytest.mark.parametrize("size", [PHONE, {"width": 1280, "height": 900}], ids=["phone", "desktop"])
def test_names_of_places_close_together_stand_apart_with_lines_back(open_review, size):
    """Five places within 86 px: every name can be read, none outside the picture; near enough, each is at its place."""
    page = open_review(size)
    expect(page.locator(".badge")).to_have_count(5)
    names, view = page.evaluate(NAMES), page.locator(".view").bounding_box()
    for k, (left, right, top, bottom) in enumerate(names):
        for other in names[k + 1 :]:
            assert right <= other[0] or other[1] <= left or bottom <= other[2] or other[3] <= top
        assert view["x"] <= left and right <= view["x"] + view["width"] + 1 and view["y"] <= top
    assert page.locator(".leaders .line").get_attribute("d").count("M") >= 3
    for _ in range(12):
        page.get_by_label("face_a: nearer").or_(page.get_by_title("nearer")).first.click()
    assert page.locator(".leaders .line").get_attribute("d") == ""


@pytest.mark.looks
def test_the_route_is_seen_without_scrolling(open_review):
    """On a desktop and on a phone it stands within the first screen."""
    for size in (DESKTOP, PHONE):
        page = open_review(size)
        assert page.locator("#route").bounding_box()["y"] + 30 < size["height"]


@pytest.mark.looks
def test_all_pixels_of_a_large_photograph_are_fetched_when_somebody_goes_near(
    shop, served, drawn, browser, tmp_path, monkeypatch
):
    """It opens with the small picture, which the worker made ahead; going nearer brings the full one."""
    known = drawn.truth("x.jpg", [drawn.region("rodent", 400, 40)])
    known = known.model_copy(update={"width_px": 4000, "height_px": 3000})
    path = tmp_path / "large.jpg"
    cv2.imwrite(str(path), np.full((3000, 4000, 3), 180, np.uint8))
    monkeypatch.setattr("desk.assess.assess_photo", lambda path, settings: findings_from_truth(known, path.stem))
    assembly_id = shop.opened()
    shop.sent(assembly_id, path)
    assert work_once(shop.desk, "w1.test")
    made = {file.name.rsplit("-")[-1] for file in shop.desk.small_pictures.iterdir()}
    assert made == {"thumb.jpg", "small.jpg"}
    context = browser.new_context(viewport=DESKTOP)
    context.add_cookies([{"name": "desk_session", "value": served.tokens["reviewer"], "url": served.address}])
    page, asked = context.new_page(), []
    page.on("request", lambda r: asked.append(r.url.rsplit("/", 1)[-1]))
    page.goto(f"{served.address}/assemblies/{assembly_id}/review", wait_until="networkidle")
    page.wait_for_function("() => document.querySelector('.sheet img')?.naturalWidth === 1280")
    assert "full" not in asked and asked.count("small") == 1
    for _ in range(4):
        page.get_by_role("button", name="nearer").click()
    page.wait_for_function("() => document.querySelector('.sheet img').naturalWidth === 4000")
    assert page.locator(".sheet img").count() == 1
    context.close()
