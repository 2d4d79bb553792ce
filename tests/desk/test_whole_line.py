"""The whole line on real pixels: a made photograph goes in, a measured decision and a page come out."""

import json

import pytest

from desk import cli
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
    reasons = {item["field"]: item["reason"] for item in data["missing"]}
    for region in data["regions"]:
        for field in ("length_mm", "area_mm2", "exposed_copper_mm", "to_termination_mm", "wires_affected"):
            if region[field] is None:
                assert any(region["id"] in name and field in name for name in reasons), (region["id"], field)


def test_the_evaluation_runs_on_made_photographs(made, capsys, tmp_path):
    """The command reads the truth beside them and gives every figure."""
    numbers = tmp_path / "e.json"
    assert cli.run(["evaluate", str(made), "--json", str(numbers)]) == 0
    figures = {figure["key"]: figure for figure in json.loads(numbers.read_text())["figures"]}
    assert figures["macro_f1"]["n"] == 1
    assert figures["seconds"]["value"] > 0
