"""The sign-off of a review, in Chromium: what it asks about, and what it leaves open for the order."""

from playwright.sync_api import expect

from desk.review.edits import EDIT
from desk.shop import review
from tests.desk.review_page.screens import rows

expect.set_options(timeout=20_000)  # a busy machine is no fault of the pages


def judge_both(page):
    """Confirm the two places by key."""
    for judged in ("1 of 2 judged", "2 of 2 judged"):
        page.locator("body").press("Enter")
        expect(page.locator("#progress")).to_have_text(judged)


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


def ends_at(page, place):
    """The question whether both ends are known at a place."""
    return page.locator("#questions li").filter(has_text=f"At {place}: are both ends")


def test_a_sign_off_names_the_answers_that_were_not_sent_and_sends_them(open_review, served):
    """A choice and a number: named in words, sent as an entry each, then asked about no more; the sign-off goes on."""
    page = open_review()
    judge_both(page)
    ends_at(page, "r0").locator("select").select_option("true")
    fuse = page.locator("#questions li").filter(has=page.locator("input[name=fuse_found_a]"))
    fuse.locator("[name=fuse_found_a]").fill("15")
    page.get_by_role("button", name="sign off").click()
    asked = page.get_by_role("dialog")
    expect(asked.get_by_role("heading")).to_contain_text("2 answers are not sent yet, 2 open questions may still")
    lines = asked.locator("#unjudged-unsent li")
    expect(lines.first).to_have_text("At r0: are both ends of every damaged wire known, by housing and cavity? yes")
    expect(lines.last).to_contain_text("fuse found 15 A")
    asked.get_by_role("button", name="Send the answers").click()
    expect(asked.get_by_role("heading")).to_have_text("1 open question may still change the route")
    expect(lines).to_have_count(0)
    given = [row.payload["answers"] for row in rows(served) if row.kind == "answer"]
    assert [sorted(name for name, value in one.items() if value) for one in given] == [
        ["both_ends_identified"],
        ["fuse_found_a"],
    ]


def test_a_number_sent_with_a_comma_is_sent(open_review, served):
    """The fuse is on record while its question waits for the wire: the field shows it, and nothing is left to send."""
    page = open_review()
    judge_both(page)
    fuse = page.locator("#questions li").filter(has=page.locator("input[name=fuse_found_a]"))
    fuse.locator("[name=fuse_found_a]").fill("7,50")
    fuse.locator("[name=fuse_found_a]").press("Enter")
    expect(fuse.locator("[name=fuse_found_a]")).to_have_value("7.5")
    page.get_by_role("button", name="sign off").click()
    asked = page.get_by_role("dialog")
    expect(asked.get_by_role("heading")).to_have_text("2 open questions may still change the route")


def test_an_answer_not_sent_that_cannot_be_read_keeps_the_sign_off_waiting(open_review, served):
    """What is wrong is said, nothing is on record, and the text stays to be put right; or it is left out on purpose."""
    page = open_review()
    judge_both(page)
    fuse = page.locator("#questions li").filter(has=page.locator("input[name=fuse_found_a]"))
    fuse.locator("[name=fuse_found_a]").fill("fifteen")
    page.get_by_role("button", name="sign off").click()
    page.get_by_role("dialog").get_by_role("button", name="Send the answer").click()
    expect(page.locator("#notice")).to_contain_text("got fifteen: type a number")
    expect(page.get_by_role("dialog")).to_have_count(0)
    expect(fuse.locator("[name=fuse_found_a]")).to_have_value("fifteen")
    page.get_by_role("button", name="sign off").click()
    page.get_by_role("button", name="Let them stand and sign off").click()
    page.wait_for_url("**/assemblies/1")
    assert [row.kind for row in rows(served)] == ["confirm", "confirm", "sign_off"]


def test_an_answer_not_sent_is_asked_about_where_nothing_else_is(open_review, served):
    """The fuse alone: the dialog asks about it, and the sign-off may go without it."""
    page = open_review()
    judge_both(page)
    for place in ("r0", "r1"):
        ends_at(page, place).locator("select").select_option("true")
        ends_at(page, place).locator("select").press("Enter")
        expect(ends_at(page, place)).to_have_count(0)
    page.locator("#questions [name=fuse_found_a]").fill("15")
    page.get_by_role("button", name="sign off").click()
    asked = page.get_by_role("dialog")
    expect(asked.get_by_role("heading")).to_have_text("1 answer is not sent yet")
    expect(asked.locator("#unjudged-why")).to_be_empty()
    asked.get_by_role("button", name="Sign off without").click()
    page.wait_for_url("**/assemblies/1")
    assert rows(served)[-1].kind == "sign_off"


def test_enter_in_a_list_sends_like_enter_in_a_number(open_review, served):
    """With a choice it is an answer on record; with none it says what is missing; no place is confirmed by it."""
    page = open_review()
    choice = ends_at(page, "r0").locator("select")
    choice.press("Enter")
    expect(page.locator("#notice")).to_contain_text("expected an answer, got nothing")
    choice.select_option("true")
    choice.press("Enter")
    expect(ends_at(page, "r0")).to_have_count(0)
    assert [row.kind for row in rows(served)] == ["answer"]


def test_the_dialog_says_three_open_questions_and_counts_the_others(open_review):
    """Seven stand there as three and a number."""
    page = open_review()
    said = page.evaluate(
        """async () => {
          const { askBeforeSigning } = await import([...document.querySelectorAll('link[rel=modulepreload]')]
            .find((link) => link.href.includes('review_panel')).href);
          const decision = { contradicted: [], route_words: 'undecided', worst_says: 'at worst remanufacture' };
          const still_open = [1, 2, 3, 4, 5, 6, 7].map((n) => `question ${n}`);
          askBeforeSigning({ unjudged: [], decision, still_open }, [], {});
          return [...document.querySelectorAll('#unjudged li')].map((line) => line.textContent);
        }"""
    )
    assert said == ["question 1", "question 2", "question 3", "and 4 more"]
