"""The whole line on real pixels: a made photograph goes in, a measured decision and a page come out."""

import json

import cv2
import numpy as np
import pytest

from desk import cli
from models.damage.store import load_model
from vision.findings import LABELS, PhotoFindings


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """One photograph of melted wires on a mat, made as the samples are."""
    folder = tmp_path_factory.mktemp("made")
    more = ["--count", "1", "--seed", "7", "--width", "1600", "--scenario", "external_heat"]
    assert cli.run(["samples", *more, "-o", str(folder)]) == 0
    return folder


def test_a_made_photograph_is_assessed_by_the_contract(made, capsys, tmp_path):
    """JSON that loads back, a scale from the mat, regions with measures, a decision, and the page beside it."""
    page = tmp_path / "report.html"
    status = cli.run(["assess", str(made), "--json", "--circuit-class", "none", "--report", str(page)])
    findings = PhotoFindings.model_validate_json(capsys.readouterr().out)
    assert status == 0
    assert findings.scale.source == "mat"
    assert findings.label in LABELS
    assert sum(findings.probabilities.values()) == pytest.approx(1.0, abs=1e-6)
    assert findings.decision is not None
    assert findings.photo.name in page.read_text("utf-8")


def test_every_absent_measure_has_its_reason(made, capsys):
    """Null lengths, areas, copper and distances of regions are named in `missing`."""
    cli.run(["assess", str(made), "--json"])
    data = json.loads(capsys.readouterr().out)
    assert data["regions"], "a scene of melted wires must give regions"
    reasons = {item["field"]: item["reason"] for item in data["missing"]}
    for region in data["regions"]:
        for field in ("length_mm", "area_mm2", "exposed_copper_mm", "to_termination_mm", "wires_affected"):
            if region[field] is None:
                assert any(region["id"] in name and field in name for name in reasons), (region["id"], field)


def test_several_processes_give_the_same_answers_in_the_same_order(made, capsys, tmp_path):
    """Two helpers, the photograph between one that is empty and one of nothing: lines, complaint and status are those
    of one process."""
    cv2.imwrite(str(tmp_path / "c.png"), np.full((300, 400, 3), 230, np.uint8))
    (tmp_path / "a.jpg").write_bytes(b"")
    photos = [str(tmp_path / "a.jpg"), *map(str, made.glob("*.jpg")), str(tmp_path / "c.png")]
    told = []
    for workers in ("1", "2"):
        status = cli.run(["assess", *photos, "--json", "--workers", workers])
        told.append((status, *capsys.readouterr()))
    assert told[0] == told[1] and told[0][0] == 2
    assert told[0][1].count("\n") == 2 and "a.jpg" in told[0][2]


def test_the_evaluation_runs_on_made_photographs(made, capsys, tmp_path):
    """The command reads the truth beside them and gives every figure."""
    numbers = tmp_path / "e.json"
    assert cli.run(["evaluate", str(made), "--json", str(numbers)]) == 0
    figures = {figure["key"]: figure for figure in json.loads(numbers.read_text())["figures"]}
    assert figures["macro_f1"]["n"] == 1
    assert figures["seconds"]["value"] > 0


def test_a_stated_scale_beyond_reason_is_one_line(made, capsys):
    """A scale that makes the picture 16 m wide is refused for a photograph without a mat; nothing hangs."""
    bare = ["samples", "--count", "1", "--seed", "9", "--width", "800", "--scenario", "sound", "-o", str(made.parent)]
    assert cli.run(bare) == 0
    photo = next(made.parent.glob("sound_*.jpg"))
    blank = made.parent / "blank.jpg"
    cv2.imwrite(str(blank), np.full((300, 400, 3), 200, np.uint8))
    assert cli.run(["assess", str(blank), "--mm-per-px", "20"]) == 2
    assert capsys.readouterr().err.count("expected a stated scale") == 1
    assert cli.run(["assess", str(photo), str(blank), "--json"]) == 0


def test_a_blank_picture_says_what_to_do(made, capsys):
    """No assembly: read, not usable, no label, the advice is there, exit status 0."""
    blank = made.parent / "empty.png"
    cv2.imwrite(str(blank), np.full((600, 800, 3), 230, np.uint8))
    assert cli.run(["assess", str(blank), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["usable"] is False
    assert data["label"] is None
    assert any("no assembly" in item["fault"] for item in data["retake"])
    assert data["decision"]["route"] != "return_to_service"


def test_a_missing_model_is_one_line(monkeypatch, tmp_path, capsys, made):
    """Without the shipped model the command says how to make one."""
    from desk import assess

    assess.loaded_model.cache_clear()
    monkeypatch.setattr(assess, "load_model", lambda folder: load_model(tmp_path))
    try:
        assert cli.run(["assess", str(made)]) == 2
    finally:
        assess.loaded_model.cache_clear()
    assert "retrain" in capsys.readouterr().err
