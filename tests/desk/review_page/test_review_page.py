"""The review in Chromium: a label by keyboard, conflict, scale, questions, several photographs."""

import pytest
from playwright.sync_api import expect

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
    typed.locator("input").first.fill("-5")
    typed.get_by_role("button", name="Answer").click()
    expect(page.locator("#notice")).to_contain_text("got -5")
    expect(page.locator("#notice")).not_to_contain_text("value error")


def test_what_was_typed_into_a_question_outlives_an_answer_to_another(open_review, served):
    """Also half an answer: the fuse that was found stands in its field while the question is open for the others."""
    page = open_review()
    fuse = page.locator("#questions li").filter(has=page.locator("input[name=fuse_found_a]"))
    fuse.locator("[name=fuse_found_a]").fill("15")
    other = page.locator("#questions li").filter(has=page.locator("select")).first
    text = other.locator("strong").inner_text()
    other.locator("select").select_option(index=1)
    other.get_by_role("button", name="Answer").click()
    expect(page.locator("#questions")).not_to_contain_text(text)
    expect(fuse.locator("[name=fuse_found_a]")).to_have_value("15")
    fuse.get_by_role("button", name="Answer").click()
    expect(page.locator("#entries")).to_contain_text("Which fuse was found? 15 A")
    page.reload()
    expect(fuse.locator("[name=fuse_found_a]")).to_have_value("15")
    expect(fuse.locator("[name=fuse_rated_a]")).to_have_value("")
    assert rows(served)[-1].payload["answers"]["fuse_found_a"] == 15


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
    expect(page.locator("#place")).to_contain_text("Every place is judged: look at the answer and sign off.")
    expect(page.locator("#place .big")).to_have_count(0)
    assert [(row.kind, row.payload["photo"]) for row in rows(served)] == [("confirm", first), ("confirm", second)]


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


OTHER = DOUBTED.model_copy(update={"id": "h1", "rings_px": [[(x + 500.0, y) for x, y in SHELL]]})


@pytest.mark.parametrize("also", [{"housings": [DOUBTED, OTHER]}])
def test_one_answer_is_given_to_all_places_that_are_asked_the_same(open_review, served):
    """Two housings: looked at both, sound with one press, one entry; taken back with one key. The question that is left
    alone has no such button."""
    page = open_review()
    asked = page.locator("#questions li").filter(has_text="is the shell free of cracks")
    expect(asked).to_have_count(2)
    asked.first.locator("select").select_option("sound")
    asked.first.get_by_role("button", name="the same at h0, h1").click()
    expect(asked).to_have_count(0)
    (entry,) = rows(served)
    assert list(entry.payload["answers"]["housing_state"].values()) == ["sound", "sound"]
    page.keyboard.press("u")
    expect(asked).to_have_count(2)
    asked.last.locator("select").select_option("sound")
    asked.last.get_by_role("button", name="Answer").click()
    expect(asked).to_have_count(1)
    expect(asked.get_by_role("button", name="the same at")).to_have_count(0)


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


def test_a_wire_s_closed_parts_and_ends_without_a_new_terminal_are_noted(open_review, served):
    """Beside the wire's lengths, one line where a stretch cannot be read; a wire typed again stands in its place."""
    page = open_review()
    wire = page.locator("#wire")
    for name, text in {"id": "w0", "before_mm": "300", "damage_mm": "45", "after_mm": "555"}.items():
        wire.locator(f"[name={name}]").fill(text)
    wire.locator("summary").click()
    wire.get_by_label("closed or flexing").fill("100")
    wire.get_by_role("button").click()
    expect(page.locator("#notice")).to_contain_text("expected a stretch as 100..200, got 100")
    expect(page.locator("#notice")).to_be_in_viewport()
    expect(wire.get_by_label("closed or flexing")).to_be_in_viewport()
    wire.get_by_label("closed or flexing").fill("100-200")
    wire.get_by_label("no new terminal at its end").check()
    wire.get_by_role("button").click()
    expect(page.locator("#wires")).to_contain_text("closed or flexing 100 mm to 200 mm; no new terminal at its end")
    noted = rows(served)[-1].payload["wire"]
    assert noted["keep_out_mm"] == [[100.0, 200.0]] and not noted["end_renewable"] and noted["start_renewable"]
    expect(wire.locator("[name=before_mm]")).to_have_value("")
    expect(wire.get_by_label("no new terminal at its end")).not_to_be_checked()
    page.reload()
    page.get_by_role("button", name="put wire w0 right").click()
    wire.locator("[name=damage_mm]").fill("50")
    wire.get_by_role("button").click()
    expect(page.locator("#wires")).to_contain_text("50 mm of it, 555 mm on; closed or flexing 100 mm to 200 mm")
    wire.locator("[name=id]").fill("w0")
    wire.locator("[name=id]").press("Tab")
    expect(wire.locator("[name=damage_mm]")).to_have_value("50")
    again = rows(served)[-1].payload["wire"]
    assert again == noted | {"damage_mm": 50.0}


def test_a_wire_laid_along_the_branch_over_the_api_stays_where_it_was_laid(open_review, served, case):
    """The page has no field for it: one length put right there changes that length alone."""
    laid = {"id": "w0", "before_mm": 300, "damage_mm": 45, "after_mm": 555, "offset_mm": 120}
    as_administrator(served, case, None, kind="measure_wire", wire=laid)
    page = open_review()
    page.get_by_role("button", name="put wire w0 right").click()
    page.locator("#wire [name=damage_mm]").fill("50")
    page.locator("#wire").get_by_role("button").click()
    expect(page.locator("#wires")).to_contain_text("50 mm of it")
    assert rows(served)[-1].payload["wire"]["offset_mm"] == 120.0


LISTED = (
    b"circuit,colour,size_mm2,from,from_cavity,to,to_cavity,length_mm,fuse_A,duty,class\n"
    b"C1,RD,0.5,X1,1,X2,1,900,10,continuous,none\n"
)
BROKEN = DOUBTED.model_copy(update={"cracked": True})


@pytest.mark.parametrize("also", [{"housings": [BROKEN]}])
@pytest.mark.parametrize("said", [{"circuit_list": LISTED, "circuit_list_name": "list.csv"}])
def test_an_end_is_told_which_connector_of_the_list_it_is(open_review, served, case):
    """Its name stands in the picture; the order asks no more which it is, and its pin map follows the list."""
    page = open_review()
    expect(page.locator(".badge.terminations")).to_have_text("h0")
    ahead = f"{served.address}/api/v1/assemblies/{case}/review/order"
    question = "h0: which connector of the circuit list is it: X1 or X2?"
    assert question in page.request.get(ahead).json()["asks"]
    form = page.locator("#end-named")
    form.get_by_label("is connector").select_option("X2")
    form.get_by_role("button").click()
    expect(page.locator("#ends")).to_have_text("h0 is X2")
    expect(page.locator("#entries")).to_contain_text("h0: connector X2")
    assert question not in page.request.get(ahead).json()["asks"]
    page.keyboard.press("u")
    expect(page.locator("#ends")).to_be_empty()


def test_without_a_circuit_list_no_connector_is_asked_for(open_review):
    """There is none to choose."""
    expect(open_review().locator("#ends-card")).to_be_hidden()


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
