"""Review entries on record: kept with what they were based on, applied, in conflict, signed off; nothing is lost."""

import pytest
from sqlalchemy import select

from desk.records import tables
from desk.records.columns import LONG_AGO
from desk.review.edits import EDIT
from desk.shop import review
from desk.shop.errors import Contradicted, Invalid, StillOpen, Unjudged
from desk.shop.standing import refresh, refresh_old
from desk.truth_findings import findings_from_truth
from tests.desk.signing import sign_off


@pytest.fixture
def bench_case(shop, drawn):
    """An assembly with one assessed photograph of bitten wires, its number and the photograph's hash."""
    assembly_id = shop.opened()
    findings = findings_from_truth(drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)]), "aaaa1111")
    with shop.desk.database.write() as session:
        photograph = tables.Photograph(
            assembly_id=assembly_id, sha256="aaaa1111", suffix=".jpg", name="a.jpg", face="face_a", size_bytes=1,
            width_px=640, height_px=480, made_by=shop.accounts["intake"].id,
        )  # fmt: skip
        session.add(photograph)
        session.flush()
        session.add(
            tables.Assessment(
                photograph_id=photograph.id, findings=findings.model_dump(mode="json", by_alias=True), label="rodent",
                model_version="truth", feature_version="truth", rules_sha256=shop.desk.rules_sha256, seconds=1.0,
            )
        )  # fmt: skip
        session.flush()
        refresh(session, shop.desk, assembly_id)
    return assembly_id


def put(shop, assembly_id, who, based_on, **edit):
    with shop.desk.database.write() as session:
        return review.put_on_record(
            session, shop.desk, shop.accounts[who], assembly_id, EDIT.validate_python(edit), based_on
        )


def standing(shop, assembly_id):
    with shop.desk.database.read() as session:
        return session.get_one(tables.Standing, assembly_id)


RELABEL = {"kind": "relabel", "photo": "aaaa1111", "region": "r0"}


def test_a_corrected_label_is_kept_with_all_that_it_was_based_on(shop, bench_case):
    """Who, model and rules stand in the row; the queue shows the new label; the assessment is untouched."""
    done = put(shop, bench_case, "reviewer", None, **RELABEL, label="abrasion")
    assert not done.conflicting and done.review.photos[0].label == "abrasion"
    assert standing(shop, bench_case).label == "abrasion"
    with shop.desk.database.read() as session:
        row = session.scalars(select(tables.ReviewEntry)).one()
        kept = session.scalars(select(tables.Assessment.findings)).one()
    assert (row.person_id, row.model_version) == (shop.accounts["reviewer"].id, "truth")
    assert row.rules_sha256 == shop.desk.rules_sha256 and kept["regions"][0]["label"] == "rodent"
    assert {(c.field, c.before) for c in done.review.changes if c.region} == {("label", "rodent")}


def test_an_edit_that_does_not_fit_is_refused_and_leaves_no_row(shop, bench_case):
    """The region is not there."""
    with pytest.raises(Invalid, match="expected one of its regions"):
        put(shop, bench_case, "reviewer", None, kind="delete", photo="aaaa1111", region="r7")
    with shop.desk.database.read() as session:
        assert session.scalars(select(tables.ReviewEntry)).all() == []


def test_the_later_of_two_reviewers_loses_nothing(shop, bench_case):
    """Both saw no entry: the second is kept and waits; settled, it counts, and nobody can sign off before."""
    first = put(shop, bench_case, "reviewer", None, **RELABEL, label="abrasion")
    second = put(shop, bench_case, "administrator", None, **RELABEL, label="external_heat")
    assert second.conflicting and second.review.conflicts == [second.id]
    assert second.review.photos[0].regions[0].label == "abrasion"
    with pytest.raises(Invalid, match="settle it first"), shop.desk.database.write() as session:
        sign_off(session, shop.desk, shop.accounts["reviewer"], bench_case, second.id)
    settled = put(shop, bench_case, "administrator", second.id, kind="settle", entry=second.id, keep=True)
    assert settled.review.conflicts == [] and settled.review.photos[0].regions[0].label == "external_heat"
    assert first.id < second.id < settled.id


def test_a_sign_off_ends_the_review_until_something_newer_comes(shop, bench_case):
    """Signed with everything seen: reviewed. Another edit: to review again."""
    done = put(shop, bench_case, "reviewer", None, **RELABEL, label="abrasion")
    with pytest.raises(Invalid, match="reload the page"), shop.desk.database.write() as session:
        sign_off(session, shop.desk, shop.accounts["reviewer"], bench_case, None)
    with shop.desk.database.write() as session:
        signed = sign_off(session, shop.desk, shop.accounts["reviewer"], bench_case, done.id)
    assert standing(shop, bench_case).state == "reviewed"
    put(shop, bench_case, "reviewer", signed, **RELABEL, label="rodent")
    assert standing(shop, bench_case).state == "to_review"


def test_an_entry_of_another_assembly_is_no_base(shop, bench_case):
    """A forged number is refused."""
    with pytest.raises(Invalid, match="expected an entry of this assembly"):
        put(shop, bench_case, "reviewer", 999, **RELABEL, label="abrasion")


def signed(shop, assembly_id, based_on, unlooked=(), despite=()):
    with shop.desk.database.write() as session:
        return sign_off(session, shop.desk, shop.accounts["reviewer"], assembly_id, based_on, unlooked, despite)


def directly(shop, assembly_id, based_on, despite=()):
    """Signed off with what is named, and nothing else let stand."""
    with shop.desk.database.write() as session:
        return review.sign_off(session, shop.desk, shop.accounts["reviewer"], assembly_id, based_on, (), despite)


def test_a_place_nobody_judged_is_signed_off_only_by_name(shop, bench_case):
    """Without it, or with another place's name, the refusal lists it; with it, the row keeps that it was let stand."""
    for unlooked in ((), ("aaaa1111:r9",)):
        with pytest.raises(Unjudged, match="places that nobody has judged: r0; look at each") as refused:
            signed(shop, bench_case, None, unlooked)
        assert refused.value.places == ["r0"]
    number = signed(shop, bench_case, None, ("aaaa1111:r0",))
    with shop.desk.database.read() as session:
        kept = session.get_one(tables.ReviewEntry, number).payload
    assert kept["unlooked"] == ["aaaa1111:r0"] and kept["named"] == []


def test_an_unsure_place_is_never_signed_off_without_its_name(shop, bench_case):
    """No confirmation stands in for it; named, the sign-off keeps what the model and what the person called it."""
    with shop.desk.database.write() as session:
        row = session.scalars(select(tables.Assessment)).one()
        findings = dict(row.findings)
        unsure = {"unsure": True, "candidates": ["rodent", "abrasion"]}
        findings["regions"] = [region | unsure for region in findings["regions"]]
        row.findings = findings  # stands for an assessment that came out so
    with pytest.raises(Unjudged, match="unsure or novel"):
        signed(shop, bench_case, None, ("aaaa1111:r0",))
    done = put(shop, bench_case, "reviewer", None, **RELABEL, label="abrasion")
    number = signed(shop, bench_case, done.id)
    with shop.desk.database.read() as session:
        named = session.get_one(tables.ReviewEntry, number).payload["named"]
    assert named == [{"place": "aaaa1111:r0", "model": "rodent", "unsure": True, "people": "abrasion"}]


def test_an_answer_that_a_photograph_contradicts_is_signed_off_only_by_name(shop, bench_case):
    """Copper answered as covered where 8 mm are bare in the picture: refused without it, then kept on record."""
    done = put(shop, bench_case, "reviewer", None, kind="answer", answers={"copper": {"r0": "covered"}})
    line = "r0: copper was answered as covered, the photograph shows 8 ± 0 mm bare: look again"
    for despite in ((), (line.replace("8", "9"),)):
        with pytest.raises(Contradicted, match="mend each, or say that you let it stand") as refused:
            signed(shop, bench_case, done.id, ("aaaa1111:r0",), despite)
        assert refused.value.lines == [line]
    number = signed(shop, bench_case, done.id, ("aaaa1111:r0",), (line,))
    with shop.desk.database.read() as session:
        assert session.get_one(tables.ReviewEntry, number).payload["contradicted"] == [line]


def test_a_sign_off_keeps_no_contradiction_where_there_is_none(shop, bench_case):
    """What a caller names beyond what stands there does not go on record."""
    number = signed(shop, bench_case, None, ("aaaa1111:r0",), ("r0: something else",))
    with shop.desk.database.read() as session:
        assert session.get_one(tables.ReviewEntry, number).payload["contradicted"] == []


ENDS = "At r0: are both ends of every damaged wire known, by housing and cavity?"


def test_an_open_question_that_may_worsen_the_route_is_signed_off_only_by_name(shop, bench_case):
    """Refused without its words and with others; named, it is kept; the fuse, which worsens nothing, is not asked."""
    done = put(shop, bench_case, "reviewer", None, kind="confirm", photo="aaaa1111", region="r0")
    reviewer = shop.browser("reviewer")
    assert reviewer.get(f"/api/v1/assemblies/{bench_case}/review").json()["still_open"] == [ENDS]
    asked = [question.ask for question in done.review.after.open_questions]
    assert len(asked) == 2 and "Which fuse was found" in asked[1]
    for despite in ((), ("At r9: something else?",)):
        with pytest.raises(StillOpen, match=r"got 1: At r0.*answer each, or say that you let it stand") as refused:
            directly(shop, bench_case, done.id, despite)
        assert refused.value.lines == [ENDS]
    number = directly(shop, bench_case, done.id, (ENDS, "At r9: something else?"))
    with shop.desk.database.read() as session:
        assert session.get_one(tables.ReviewEntry, number).payload["still_open"] == [ENDS]


def test_a_program_that_lets_no_open_question_stand_is_refused(shop, bench_case):
    """Over the API as in the dialog: without `despite` nothing is signed off, with it the entry's number comes."""
    done = put(shop, bench_case, "reviewer", None, kind="confirm", photo="aaaa1111", region="r0")
    reviewer, address = shop.browser("reviewer"), f"/api/v1/assemblies/{bench_case}/review"
    refused = reviewer.post(f"{address}/sign-off", json={"based_on": done.id})
    assert refused.status_code == 422 and "no open question that may still change the route" in refused.text
    left = reviewer.get(address).json()["still_open"]
    assert reviewer.post(f"{address}/sign-off", json={"based_on": done.id, "despite": left}).status_code == 201


def test_where_no_answer_can_worsen_the_route_the_sign_off_asks_nothing(shop, bench_case):
    """The ends are known; the fuse is still asked about, yet whatever it is, the route stays: signed as before."""
    put(shop, bench_case, "reviewer", None, kind="confirm", photo="aaaa1111", region="r0")
    with shop.desk.database.read() as session:
        seen = review.newest_entry(session, bench_case)
    done = put(shop, bench_case, "reviewer", seen, kind="answer", answers={"both_ends_identified": {"r0": True}})
    assert done.review.after.open_questions and done.review.after.route == "repair_in_vehicle"
    number = directly(shop, bench_case, done.id)
    with shop.desk.database.read() as session:
        assert session.get_one(tables.ReviewEntry, number).payload["still_open"] == []


def test_a_refusal_says_three_open_questions_and_counts_the_others():
    """Short enough to read."""
    said = str(StillOpen([f"At r{n}: known?" for n in range(7)]))
    assert "got 7: At r0: known?; At r1: known?; At r2: known?; and 4 more; answer each" in said


@pytest.mark.parametrize("faces", [("face_a",), ("face_a", "face_b", "close_up")])
def test_the_assembly_says_after_the_sign_off_too_what_no_photograph_shows(shop, drawn, faces):
    """Before it and after it the same line, as long as something is missing."""
    assembly_id, browser = shop.opened(), shop.browser("reviewer")
    for k, face in enumerate(faces):
        shop.assessed(assembly_id, f"{k}aaa1111", drawn.truth(f"{k}.jpg", []))
        with shop.desk.database.write() as session:
            session.query(tables.Photograph).filter_by(sha256=f"{k}aaa1111").one().face = face
    missing = "Still missing: other face, close-up." if len(faces) == 1 else None
    for signed_yet in (False, True):
        if signed_yet:
            with shop.desk.database.write() as session:
                seen = review.newest_entry(session, assembly_id)
                sign_off(session, shop.desk, shop.accounts["reviewer"], assembly_id, seen)
        text = browser.get(f"/assemblies/{assembly_id}").text
        assert (missing in text) if missing else ("Still missing" not in text)


def test_lists_say_that_a_label_is_unsure(shop, bench_case):
    """The list, the assembly's page and the API name the candidates until somebody has named the place."""
    with shop.desk.database.write() as session:
        row = session.scalars(select(tables.Assessment)).one()
        unsure = {"unsure": True, "candidates": ["rodent", "abrasion"]}
        row.findings = row.findings | {"regions": [region | unsure for region in row.findings["regions"]]}
        session.flush()
        refresh(session, shop.desk, bench_case)
    browser = shop.browser("reviewer")
    for address in ("/queue", "/assemblies", f"/assemblies/{bench_case}"):
        assert "unsure: rodent bites or abrasion" in browser.get(address).text, address
    mark = browser.get("/api/v1/queue").json()["rows"][0]["marks"][0]
    assert mark == {"label": "rodent", "unsure": True, "novel": False, "candidates": ["rodent", "abrasion"]}
    put(shop, bench_case, "reviewer", None, **RELABEL, label="abrasion")
    assert "unsure: rodent" not in browser.get(f"/assemblies/{bench_case}").text


def test_standings_that_a_migration_left_are_made_again(shop, bench_case):
    """The worker's idle moments compute them from the rows; when none is left it says so."""
    with shop.desk.database.write() as session:
        row = session.get_one(tables.Standing, bench_case)
        row.made_at, row.marks = LONG_AGO, {"all": [], "photographs": {}}
    assert (refresh_old(shop.desk), refresh_old(shop.desk)) == (1, 0)
    assert standing(shop, bench_case).marks["all"][0]["label"] == "rodent"
