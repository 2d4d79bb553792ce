"""A label of the shop's own in Chromium: the analyst adds it, the reviewer gives it by its key; both fit a phone."""

import pytest
from playwright.sync_api import expect

from desk.shop.labels import read_own

expect.set_options(timeout=20_000)  # a busy machine is no fault of the pages

SHA = "a" * 64


@pytest.mark.looks
@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_an_analyst_adds_a_label_and_a_reviewer_gives_it_by_its_key(served, drawn, browser, width, scheme):
    """A bad name stands beside its reason, ready to be mended; then key 8 names the place, and the count follows."""
    assembly_id = served.opened()
    served.assessed(assembly_id, SHA, drawn.truth("x.jpg", [drawn.region("rodent", 400, 40)]))
    strange = []

    def opened(role, address):
        context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)
        cookie = {"name": "desk_session", "value": served.tokens[role], "url": served.address}
        context.add_cookies([cookie])
        page = context.new_page()
        page.on("pageerror", lambda error: strange.append(str(error)))
        page.on("request", lambda r: strange.append(r.url) if not r.url.startswith(served.address) else None)
        page.goto(served.address + address)
        return page

    def fits(page):
        return page.evaluate("document.documentElement.scrollWidth <= innerWidth")

    analyst = opened("analyst", "/learning")
    field, add = analyst.get_by_label("A new label"), analyst.get_by_role("button", name="Add it")
    field.fill("Green corrosion")
    add.click()
    expect(analyst.get_by_role("alert")).to_contain_text("call it green_corrosion")
    expect(field).to_have_value("Green corrosion")
    expect(field).to_be_focused()
    expect(field).to_be_in_viewport()
    field.fill("green_corrosion")
    add.click()
    own = analyst.locator("#own")
    expect(own).to_contain_text("10 more assemblies before a training is worth it")
    expect(own.locator("kbd")).to_have_text("8")
    assert own.locator("kbd").bounding_box()["width"] < 40, "a key is no bar"
    assert fits(analyst)
    reviewer = opened("reviewer", f"/assemblies/{assembly_id}/review")
    expect(reviewer.locator("#places button")).to_have_count(1)
    reviewer.keyboard.press("j")
    reviewer.keyboard.press("8")
    expect(reviewer.locator("[data-label=green_corrosion]")).to_have_attribute("aria-pressed", "true")
    expect(reviewer.locator("#entries")).to_contain_text("green corrosion")
    assert fits(reviewer)
    analyst.reload()
    expect(own).to_contain_text("1 under review")
    expect(own.get_by_role("button", name="Remove green corrosion")).to_have_count(0)
    assert read_own(served.desk.data).labels == ("green_corrosion",)
    assert strange == []
