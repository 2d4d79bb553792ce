"""Drawing in the review, in Chromium: corners dragged and stepped, places added, cut and deleted, a known length."""

import pytest
from playwright.sync_api import expect

from desk.records import tables
from tests.desk.review_page.screens import rows

expect.set_options(timeout=20_000)  # a busy machine is no fault of the pages


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


def test_corners_are_added_and_removed_by_button_and_escape_changes_nothing(open_review, served):
    """Four corners, five, four again, never fewer than three; Escape leaves the outline as it was."""
    page = open_review()
    page.locator("body").press("e")
    dots = page.locator("circle.corner")
    expect(dots).to_have_count(4)
    page.get_by_role("button", name="New corner").click()
    expect(dots).to_have_count(5)
    for _ in range(4):
        page.get_by_role("button", name="Remove corner").click()
    expect(dots).to_have_count(3)
    page.keyboard.press("Escape")
    expect(dots).to_have_count(0)
    expect(page.locator("#said")).to_have_text("drawing left; nothing was changed")
    assert rows(served) == []


def test_a_known_length_without_a_click_draws_nothing(open_review):
    """No line yet, and no complaint of the browser about one without points."""
    page, strange = open_review(), []
    page.on("console", lambda m: strange.append(m.text) if m.type == "error" else None)
    page.locator("body").press("r")
    expect(page.locator("#draft")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.locator("#draft")).to_be_hidden()
    assert strange == []


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


def crossed(page):
    """Drag a new place's first corner over its right side, name it and keep it: an outline that crosses itself."""
    dots = page.locator("circle.corner")
    expect(dots).to_have_count(4)
    (x, y), (right, low) = (middle_of(dots.nth(i)) for i in (0, 2))
    drag(page, (x, y), (right + (right - x), (y + low) / 2))
    page.keyboard.press("3")
    page.keyboard.press("Enter")
    expect(page.locator("#notice")).to_contain_text("does not cross itself, got one that does")


def middle_of(locator):
    """Where the middle of something stands on the screen, px."""
    box = locator.bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def drag(page, start, end):
    """Take what lies at one point of the screen to another."""
    page.mouse.move(*start)
    page.mouse.down()
    page.mouse.move(*end, steps=4)
    page.mouse.up()


def test_a_new_place_has_no_name_until_a_person_gives_it_one(open_review, served):
    """Keep, and Enter, are refused in one line and the drawing stays; A, 3, an arrow key and Enter make rodent bites of
    it, a corner moved."""
    page = open_review()
    page.keyboard.press("0")
    page.keyboard.press("a")
    names = page.locator("#draft select")
    expect(names).to_be_focused()
    expect(names).to_have_value("")
    page.locator("#draft button").first.click()
    expect(page.locator("#notice p")).to_have_text(
        "Not done. expected a name for the damage at a1, got none: choose one from the list or press its number"
    )
    page.keyboard.press("Enter")
    expect(page.locator("#notice p")).to_contain_text("expected a name")
    page.keyboard.press("7")  # sound: nobody adds a place to say so
    expect(names).to_have_value("")
    expect(page.locator("circle.corner")).to_have_count(4)
    page.keyboard.press("3")
    expect(names).to_have_value("rodent")
    expect(page.locator("#notice p")).to_have_count(0)
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    expect(page.locator("#places [data-place$=':a1']")).to_contain_text("rodent bites")
    (kept,) = rows(served)
    corners = kept.payload["rings_px"][0]
    assert kept.payload["label"] == "rodent" and corners[0][0] > corners[3][0]


def test_a_sign_off_does_not_throw_away_a_drawing(open_review, served):
    """Refused while a place is drawn and while corners are moved, each in a line; left, the sign-off goes on."""
    page = open_review()
    for key, said in (("a", "a place is being drawn"), ("e", "an outline is being changed")):
        page.locator("body").press(key)
        page.get_by_role("button", name="sign off").click()
        expect(page.locator("#notice p")).to_have_text(f"Not done. {said}: keep it or leave it first")
        expect(page.get_by_role("dialog")).to_have_count(0)
        expect(page.locator("circle.corner")).to_have_count(4)
        expect(page.locator("#draft")).to_be_visible()
        page.locator("#draft").get_by_role("button", name="Leave").click()
        expect(page.locator("#notice p")).to_have_count(0)
    page.get_by_role("button", name="sign off").click()
    expect(page.get_by_role("dialog")).to_be_visible()
    assert rows(served) == []


def test_what_was_wrong_with_a_drawing_is_not_said_of_the_next_one(open_review, served):
    """A crossed outline is refused; left, or its corner dragged back, nothing of it stands there any more."""
    page = open_review()
    page.keyboard.press("0")
    page.keyboard.press("a")
    crossed(page)
    page.keyboard.press("Escape")
    expect(page.locator("#notice p")).to_have_count(0)
    page.keyboard.press("a")
    expect(page.locator("#notice p")).to_have_count(0)
    crossed(page)
    now, right, left = (middle_of(page.locator("circle.corner").nth(i)) for i in (0, 1, 3))
    drag(page, now, (left[0], right[1]))
    expect(page.locator("#notice p")).to_have_count(0)
    page.keyboard.press("Enter")
    expect(page.locator("#places [data-place$=':a1']")).to_contain_text("rodent bites")
    assert [row.kind for row in rows(served)] == ["add"]


def test_two_clicks_on_a_known_length_give_the_scale(open_review, served, case):
    """Without a mat there is no length; two clicks about 200 px apart, typed as 100 mm: 40 px of damage are 20 mm."""
    with served.desk.database.write() as session:
        row = session.query(tables.Assessment).one()
        findings = dict(row.findings)
        findings["scale"] = {"source": "none", "mm_per_px": None, "u95_rel": None}
        findings["wires"] = [wire | {"centreline_mm": None} for wire in findings["wires"]]
        findings["regions"] = [region | {"length_mm": None, "rings_mm": None} for region in findings["regions"]]
        session.add(
            tables.Assessment(
                photograph_id=row.photograph_id, findings=findings, label="rodent", model_version="m",
                feature_version="f", rules_sha256="r", seconds=1.0,
            )
        )  # fmt: skip
    page = open_review()
    expect(page.locator("#places [data-place$=':r0']")).to_contain_text("long –")
    page.keyboard.press("0")
    page.keyboard.press("r")
    box = page.locator(".view").bounding_box()
    scale = page.evaluate("document.querySelector('.view svg').getScreenCTM().a")
    for x in (200, 200 + 200 * scale):
        page.mouse.click(box["x"] + x, box["y"] + box["height"] / 4)
    page.locator("#draft input[name=length]").fill("100")
    page.keyboard.press("Enter")
    expect(page.locator("#places [data-place$=':r0']")).to_contain_text("long 20")
    kept = rows(served)[-1]
    assert kept.kind == "reference" and kept.payload["length_mm"] == 100
    assert kept.payload["to_px"][0] - kept.payload["from_px"][0] == pytest.approx(200, abs=2)
