"""A picture of the mat with nothing on it: one clear line, from the printed sheet to the page of the desk."""

import json

import pytest

from desk import cli
from desk.review.edits import EDIT
from desk.shop import review
from desk.shop.worker import work_once
from desk.truth_findings import findings_from_truth
from vision.findings import NO_ASSEMBLY, PhotoFindings, Retake


@pytest.fixture
def eye(monkeypatch, drawn):
    """Assess without looking: no assembly is seen on any photograph."""
    none = findings_from_truth(drawn.truth("x.jpg", []), "0" * 64).model_copy(
        update={
            "usable": False, "label": None, "inspected_share": 0.0, "wires": [], "terminations": [], "housings": [],
            "retake": [Retake(fault=NO_ASSEMBLY, advice="lay the assembly on the mat", measure="all")],
        }
    )  # fmt: skip

    def assess(path, settings):
        info = none.photo.model_copy(update={"sha256": path.stem})
        return none.model_copy(update={"photo": info})

    monkeypatch.setattr("desk.assess.assess_photo", assess)


def test_the_printed_sheet_itself_is_told_to_show_no_assembly(capsys, tmp_path):
    """Really looked at: one line on screen, no route of it, and JSON that reads back with nothing asked."""
    mat, report = tmp_path / "mat.png", tmp_path / "report.html"
    assert cli.run(["mat", "--paper", "a4", "-o", str(mat)]) == 0
    capsys.readouterr()
    assert cli.run(["assess", str(mat), "--report", str(report)]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "no assembly is seen: lay the assembly on the mat" in shown
    page = report.read_text("utf-8")
    for word in ("fuse", "remanufacture", "circuit class", "caution"):
        assert word not in shown, word
    assert "no assembly seen, take it again" in page and "Which fuse" not in page
    assert cli.run(["assess", str(mat), "--json"]) == 0
    found = PhotoFindings.model_validate(json.loads(capsys.readouterr().out))
    assert not found.usable and found.decision.open_questions == [] and found.decision.route == "undecided"


def test_a_class_that_is_referred_is_said_though_nothing_is_seen(capsys, tmp_path):
    """Whoever states that restraint circuits are in it is told to leave it alone, on screen and in the report."""
    mat, report = tmp_path / "mat.png", tmp_path / "report.html"
    assert cli.run(["mat", "--paper", "a4", "-o", str(mat)]) == 0
    capsys.readouterr()
    assert cli.run(["assess", str(mat), "--circuit-class", "restraint", "--report", str(report)]) == 0
    shown, page = " ".join(capsys.readouterr().out.split()), report.read_text("utf-8")
    assert "no assembly is seen: lay the assembly on the mat" in shown and "route: refer" in shown
    assert "refer to the maker&#39;s procedure" in page and "no assembly seen, take it again" in page


def test_the_desk_says_so_and_leads_to_the_photographs(shop, eye, blank_photo):
    """Its face is still missing; once the assembly is photographed the line is gone."""
    number = shop.opened()
    shop.sent(number, blank_photo())
    assert work_once(shop.desk, "w1.test")
    page = shop.browser("intake").get(f"/assemblies/{number}").text
    assert "No assembly is seen on the photographs" in page and "No assembly seen:" in page
    assert "If every open question goes the wrong way" not in page
    answer = shop.browser("intake").get(f"/api/v1/assemblies/{number}").json()
    assert answer["missing_faces"][0] == "face_a" and answer["decision"]["open_questions"] == []


def test_a_place_that_a_person_draws_there_ends_that_and_is_asked_about(shop, eye, blank_photo):
    """The desk overlooked the assembly: no page says that none is there, and the questions on the damage stand."""
    number = shop.opened()
    sha = shop.sent(number, blank_photo()).sha256
    assert work_once(shop.desk, "w1.test")
    rings = [[[100, 100], [300, 100], [300, 160], [100, 160]]]
    edit = EDIT.validate_python({"kind": "add", "photo": sha, "region": "a1", "label": "rodent", "rings_px": rings})
    with shop.desk.database.write() as session:
        found = review.put_on_record(session, shop.desk, shop.accounts["reviewer"], number, edit, None).review
    assert [region.id for region in found.photos[0].regions] == ["a1"] and found.after.open_questions != []
    page = shop.browser("intake").get(f"/assemblies/{number}").text
    assert "No assembly is seen" not in page and "No assembly seen" not in page and "rodent bites" in page
