"""The review in Chromium: a dragged corner, a label by keyboard, undo, conflict, questions, sign-off."""

import pytest
from playwright.sync_api import expect

from desk.records import tables
from desk.review.edits import EDIT
from desk.shop import review
from desk.shop.worker import work_once
from desk.truth_findings import findings_from_truth
from tests.desk.review_page.screens import rows
from vision.findings import Housing, Splice

expect.set_options(timeout=20_000)  # a busy machine is no fault of the pages


def as_administrator(shop, assembly_id, based_on, **edit):
    """Another person's entry."""
    with shop.desk.database.write() as session:
        return review.put_on_record(
            session, shop.desk, shop.accounts["administrator"], assembly_id, EDIT.validate_python(edit), based_on
        )


def sha_of(page):
    """The photograph's hash."""
    return page.locator("[data-place]").first.get_attribute("data-place").split(":")[0]


def judge_both(page):
    """Confirm the two places by key."""
    for judged in ("1 of 2 judged", "2 of 2 judged"):
        page.locator("body").press("Enter")
        expect(page.locator("#progress")).to_have_text(judged)


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
    expect(page.locator("#change")).to_contain_text("Heat-aged insulation")
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
    assert rows(served) == []


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


def test_what_a_sign_off_leaves_open_for_the_order_stands_beside_it(open_review, served):
    """Both ends, twice, and the fuse; the number falls with an answer, and the line opens to what is asked."""
    page = open_review()
    line = page.locator("#left-open")
    expect(line.locator("summary")).to_have_text("3 questions are open; the order will be provisional")
    first = page.locator("#questions li").filter(has=page.locator("select")).first
    asked = first.locator("strong").inner_text()
    first.locator("select").select_option(index=1)
    first.get_by_role("button", name="Answer").click()
    expect(line.locator("summary")).to_have_text("2 questions are open; the order will be provisional")
    line.locator("summary").click()
    expect(line.locator("li")).to_have_count(2)
    expect(line).not_to_contain_text(asked)


def test_a_conflict_keeps_both_versions_until_one_is_chosen(open_review, served, case):
    """The page was opened before somebody else answered: its entry waits, both are shown, then it is let count."""
    page = open_review()
    sha = sha_of(page)
    as_administrator(served, case, None, kind="relabel", photo=sha, region="r0", label="abrasion")
    page.locator("#places [data-place$=':r0']").focus()
    page.keyboard.press("1")
    expect(page.locator(".conflict")).to_contain_text("administrator: r0: abrasion")
    expect(page.locator("#places [data-place$=':r0']")).to_contain_text("abrasion")
    expect(page.locator("#notice")).to_contain_text("somebody else had answered meanwhile")
    assert len(rows(served)) == 2 and rows(served)[1].conflicting
    page.get_by_role("button", name="Let this one count").click()
    expect(page.locator(".conflict")).to_have_count(0)
    expect(page.locator("#places [data-place$=':r0']")).to_contain_text("external heat")
    assert [row.kind for row in rows(served)] == ["relabel", "relabel", "settle"]


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
    typed = page.locator("#questions li").filter(has=page.locator("input[inputmode=decimal]")).first
    typed.locator("input").first.fill("fifteen")
    typed.get_by_role("button", name="Answer").click()
    expect(page.locator("#notice")).to_contain_text("got fifteen: type a number")


def test_others_may_not_review(served, case):
    """The role is checked on the server, for the page and for the entries."""
    client = served.browser("intake")
    assert client.get(f"/assemblies/{case}/review").status_code == 403
    assert client.post(f"/api/v1/assemblies/{case}/review/entries", json={}).status_code == 403
    edit = {"kind": "delete", "photo": "0", "region": "nope"}
    answer = served.browser("reviewer").post(f"/api/v1/assemblies/{case}/review/entries", json={"edit": edit})
    assert answer.status_code == 422 and "expected a photograph of this assembly" in answer.json()["error"]


@pytest.fixture
def two_photographs(served, drawn, tmp_path, monkeypatch):
    """An assembly with two drawn photographs, one place in each, both called r0; the hashes in order."""
    found = []
    for name, x in (("x.jpg", 400), ("y.jpg", 300)):
        found.append((drawn.truth(name, [drawn.region("rodent", x, 40)]), name))
    paths = [drawn.write_case(tmp_path, known) for known, _ in found]
    by_sha = {drawn.sha(path): known for path, (known, _) in zip(paths, found, strict=True)}
    monkeypatch.setattr(
        "desk.assess.assess_photo", lambda path, settings: findings_from_truth(by_sha[path.stem], path.stem)
    )
    assembly_id = served.opened("A-2")
    for path in paths:
        served.sent(assembly_id, path)
        assert work_once(served.desk, "w1.test")
    return assembly_id, list(by_sha)


def test_enter_leads_over_all_photographs_and_places_have_names_of_their_own(open_review, served, two_photographs):
    """Both places are r0: each is named with its photograph; Enter confirms and stands on the other photograph's."""
    assembly_id, (first, second) = two_photographs
    page = open_review()
    page.goto(f"{served.address}/assemblies/{assembly_id}/review")
    rows_ = page.locator("#places button")
    expect(rows_.nth(0)).to_contain_text("photo 1 · r0 rodent bites")
    expect(rows_.nth(1)).to_contain_text("photo 2 · r0 rodent bites")
    expect(page.locator("#questions")).to_contain_text("photo 2 · r0")
    page.locator("body").press("Enter")
    expect(page.locator("#places [aria-current]")).to_have_attribute("data-place", f"{second}:r0")
    expect(page.locator("#progress")).to_have_text("1 of 2 judged")
    page.keyboard.press("Enter")
    expect(page.locator("#progress")).to_have_text("2 of 2 judged")
    page.keyboard.press("Enter")  # nothing is left: nothing more goes on record
    expect(page.locator("#said")).to_contain_text("every place is judged")
    assert [(row.kind, row.payload["photo"]) for row in rows(served)] == [("confirm", first), ("confirm", second)]


def test_a_sign_off_asks_about_places_nobody_judged(open_review, served):
    """Both are listed; "look" leads to the first; "let them stand" signs off and keeps on record which they were."""
    page = open_review()
    page.get_by_role("button", name="sign off").click()
    asked = page.get_by_role("dialog")
    expect(asked).to_contain_text("2 places nobody has judged")
    expect(asked.locator("#unjudged-places li")).to_have_count(2)
    asked.get_by_role("button", name="Look at them").click()
    expect(asked).to_have_count(0)
    page.keyboard.press("Enter")
    expect(page.locator("#progress")).to_have_text("1 of 2 judged")
    page.get_by_role("button", name="sign off").click()
    expect(page.get_by_role("dialog").locator("#unjudged-places li")).to_have_count(1)
    page.get_by_role("button", name="Let them stand and sign off").click()
    page.wait_for_url("**/assemblies/1")
    kept = rows(served)[-1]
    assert kept.kind == "sign_off" and [place[-3:] for place in kept.payload["unlooked"]] == [":r1"]


def test_a_sign_off_asks_about_answers_that_the_photograph_contradicts(open_review, served):
    """In the same dialog: named, "look again" leads to them, and what is let stand is on record word for word."""
    page = open_review()
    with served.desk.database.write() as session:
        answer = EDIT.validate_python({"kind": "answer", "answers": {"copper": {"r1": "covered"}}})
        review.put_on_record(session, served.desk, served.accounts["reviewer"], 1, answer, None)
    page.reload()
    page.locator("#places button").first.wait_for()
    judge_both(page)
    page.get_by_role("button", name="sign off").click()
    asked = page.get_by_role("dialog")
    expect(asked.get_by_role("heading")).to_contain_text("1 answer a photograph contradicts")
    expect(asked.locator("#unjudged-answers li")).to_have_text(
        ["r1: copper was answered as covered, the photograph shows 8 ± 0 mm bare: look again"]
    )
    asked.get_by_role("button", name="Look again").click()
    expect(page.locator("#contradicted")).to_be_focused()
    page.get_by_role("button", name="sign off").click()
    page.get_by_role("button", name="Let them stand and sign off").click()
    page.wait_for_url("**/assemblies/1")
    kept = rows(served)[-1].payload
    assert kept["unlooked"] == [] and [line[:22] for line in kept["contradicted"]] == ["r1: copper was answere"]


def test_a_sign_off_asks_about_open_questions_that_may_worsen_the_route(open_review, served):
    """Named with the route at worst; "look again" leads to the questions; answered, one click signs off."""
    page = open_review()
    judge_both(page)
    page.get_by_role("button", name="sign off").click()
    asked = page.get_by_role("dialog")
    expect(asked.get_by_role("heading")).to_have_text("2 open questions may still change the route")
    expect(asked.locator("#unjudged-worst")).to_contain_text("at worst remanufacture (by “Copper damaged”)")
    lines = [f"At {place}: are both ends of every damaged wire known, by housing and cavity?" for place in ("r0", "r1")]
    expect(asked.locator("li")).to_have_text(lines)
    asked.get_by_role("button", name="Look again").click()
    expect(page.locator("#h-questions")).to_be_focused()
    page.get_by_role("button", name="sign off").click()
    page.get_by_role("button", name="Let them stand and sign off").click()
    page.wait_for_url("**/assemblies/1")
    assert rows(served)[-1].payload["still_open"] == lines
    with served.desk.database.write() as session:
        answer = EDIT.validate_python({"kind": "answer", "answers": {"both_ends_identified": {"r0": True, "r1": True}}})
        review.put_on_record(session, served.desk, served.accounts["reviewer"], 1, answer, rows(served)[-1].id)
    page.goto(f"{served.address}/assemblies/1/review")
    page.locator("#places button").first.wait_for()
    page.get_by_role("button", name="sign off").click()
    page.wait_for_url("**/assemblies/1")
    assert rows(served)[-1].payload["still_open"] == []


def test_the_dialog_says_three_open_questions_and_counts_the_others(open_review):
    """Seven stand there as three and a number."""
    page = open_review()
    said = page.evaluate(
        """async () => {
          const { askBeforeSigning } = await import([...document.querySelectorAll('link[rel=modulepreload]')]
            .find((link) => link.href.includes('review_panel')).href);
          const decision = { contradicted: [], route_words: 'undecided', worst_says: 'at worst remanufacture' };
          const still_open = [1, 2, 3, 4, 5, 6, 7].map((n) => `question ${n}`);
          askBeforeSigning({ unjudged: [], decision, still_open }, () => {}, () => {});
          return [...document.querySelectorAll('#unjudged li')].map((line) => line.textContent);
        }"""
    )
    assert said == ["question 1", "question 2", "question 3", "and 4 more"]


BOX = [(200.0, 234.0), (260.0, 234.0), (260.0, 246.0), (200.0, 246.0)]
SHELL = [(10.0, 220.0), (40.0, 220.0), (40.0, 260.0), (10.0, 260.0)]
JOINT = Splice(
    id="s1", wire_id="w0", position_mm=(115.0, 120.0), position_px=(230.0, 240.0), rings_px=[BOX],
    to_termination_mm=None, to_next_splice_mm=None, origin="repair",
)  # fmt: skip
DOUBTED = Housing(
    id="h0", rings_px=[SHELL], cracked=None, crack_length_mm=None, missing_area_mm2=None, displaced_terminals=None,
    cavities=None,
)  # fmt: skip


@pytest.mark.parametrize("also", [{"splices": [JOINT], "housings": [DOUBTED]}])
def test_what_a_question_names_has_its_name_in_the_picture(open_review):
    """A splice and a housing that questions name: below its outline; the layer goes off and on by keyboard."""
    page = open_review()
    expect(page.locator("#questions")).to_contain_text("How far along the wire is s1 from the nearest housing")
    expect(page.locator("#questions")).to_contain_text("h0: is the shell free of cracks")
    splice, shell = page.locator(".badge.splices"), page.locator(".badge.terminations")
    expect(splice).to_have_text("s1")
    expect(shell).to_have_text("h0")
    outline = page.locator("path.splices").bounding_box()
    assert splice.bounding_box()["y"] > outline["y"] + outline["height"] / 2
    page.get_by_text("overlays").focus()
    page.keyboard.press("Enter")
    page.get_by_label("splices").focus()
    page.keyboard.press("Space")
    expect(splice).to_have_count(0)
    expect(page.locator("path.splices")).to_have_count(0)
    page.keyboard.press("Space")
    expect(splice).to_have_count(1)


@pytest.mark.parametrize("also", [{"housings": [DOUBTED]}])
def test_what_is_no_housing_leaves_the_questions_and_the_picture(open_review, served):
    """Answered where it is asked; neither its name nor its outline is drawn any more, until that is taken back."""
    page = open_review()
    asked = page.locator("#questions li").filter(has_text="h0: is the shell free of cracks")
    asked.locator("select").select_option(label="not a housing at all")
    asked.get_by_role("button", name="Answer").click()
    expect(page.locator("#entries")).to_contain_text("not a housing")
    expect(asked).to_have_count(0)
    expect(page.locator(".badge.terminations")).to_have_count(0)
    expect(page.locator("path.terminations")).to_have_count(0)
    assert rows(served)[-1].payload["answers"]["housing_state"]
    page.keyboard.press("u")
    expect(asked).to_have_count(1)
    expect(page.locator(".badge.terminations")).to_have_text("h0")


def test_a_housing_that_no_question_names_has_no_name_in_the_picture(open_review):
    """Names stand only where somebody looks for them."""
    page = open_review()
    expect(page.locator("path.terminations")).to_have_count(1)
    expect(page.locator(".badge.low")).to_have_count(0)


def test_measures_counts_and_wires_are_typed_in(open_review, served):
    """A length and a count of a place; a wire from end to end, then the order's plan is said at once."""
    page = open_review()
    place = page.locator("#place")
    place.get_by_label("what was measured").select_option("length_mm")
    place.get_by_label("by ruler, mm").fill("33,5")
    place.get_by_role("button", name="Keep").first.click()
    expect(page.locator("#places [data-place$=':r0']")).to_contain_text("long 33.5")
    place.get_by_label("wires damaged here, counted by hand").fill("many")
    place.get_by_role("button", name="Keep").last.click()
    expect(page.locator("#notice")).to_contain_text("expected how many wires, got many")
    place.get_by_label("wires damaged here, counted by hand").fill("2")
    place.get_by_role("button", name="Keep").last.click()
    expect(page.locator("#places [data-place$=':r0']")).to_contain_text("wires 2")
    wire = page.locator("#wire")
    for name, text in {"id": "w0", "colour": "RD", "before_mm": "300", "damage_mm": "45", "after_mm": "555"}.items():
        wire.locator(f"[name={name}]").fill(text)
    wire.get_by_role("button").click()
    expect(page.locator("#wires")).to_contain_text("w0 RD: 300 mm to the damage, 45 mm of it, 555 mm on")
    expect(page.locator("#wire-plan")).to_contain_text("The work order's plan")
    page.locator("#branches").get_by_role("button").click()
    expect(page.locator("#branch-words")).to_have_text("now: none")
    assert [row.kind for row in rows(served)] == ["typed", "count_wires", "measure_wire", "branches"]
