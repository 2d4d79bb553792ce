"""One place in two photographs, said so in Chromium: counted and asked about once, taken back with U."""

import pytest
from playwright.sync_api import expect

from desk.shop.worker import work_once
from tests.desk.review_page.screens import rows

expect.set_options(timeout=20_000)


@pytest.fixture
def other(served, case, drawn, tmp_path):
    """One more photograph of the assembly, of its other face."""
    path = drawn.write_case(tmp_path, drawn.truth("y.jpg", [drawn.region("rodent", 420, 40)]))
    served.sent(case, path, "face_b")
    assert work_once(served.desk, "w1.test")


def test_a_place_is_said_to_be_one_of_another_photograph(other, open_review, served, tmp_path):
    """Photo 2's first place is photo 1's first, seen from the other side."""
    page = open_review()
    twice = page.locator("#seen-twice")
    expect(twice).to_contain_text("Perhaps one place seen twice")
    expect(twice.locator("li").first).to_have_text("photo 1 · r0 and photo 2 · r0")
    expect(twice).to_contain_text("Why photographs were not joined")
    page.locator("#places button", has_text="photo 2 · r0").click()
    form = page.locator("#same-place")
    form.locator("[name=of]").select_option("photo 1:r0")
    form.locator("[name=side]").select_option("other_side")
    form.locator("button").click()
    expect(page.locator("#place")).to_contain_text("Another view of photo 1 · r0, from its other side")
    expect(page.locator("#places button", has_text="photo 2 · r0")).to_contain_text("another view of photo 1 · r0")
    expect(page.locator("#questions")).not_to_contain_text("photo 2 · r0")
    expect(twice.locator("li").first).to_have_text("photo 1 · r1 and photo 2 · r1")
    expect(page.locator("#entries")).to_contain_text("photo 1 · r0")
    page.screenshot(path=str(tmp_path / "same.png"), full_page=True)
    kept = rows(served)[-1].payload["answers"]["other_side"]
    assert [(view.rpartition(":")[2], place.rpartition(":")[2]) for view, place in kept.items()] == [("r0", "r0")]
    page.locator("#places button").first.click()
    expect(page.locator("#place")).to_contain_text("Other photographs show this place, too.")
    page.locator("body").press("u")
    expect(page.locator("#places button", has_text="photo 2 · r0")).not_to_contain_text("another view")
