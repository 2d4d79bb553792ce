"""What the terminal shows, and what becomes of it when its reader goes away."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from desk import cli
from desk.batch import Entry, Run
from desk.console import print_run
from desk.truth_findings import findings_from_truth
from models.repair import Answers, decide, load_rules
from vision.findings import AssemblyFindings, Measure


def run(capsys, *arguments):
    """Exit status, standard output, lines on standard error."""
    status = cli.run([str(a) for a in arguments])
    captured = capsys.readouterr()
    return status, captured.out, captured.err.splitlines()


def cautions(told):
    """What `run` printed after all answers, on one line."""
    return " ".join(told[1].split("Before anything is touched")[1].split())


def test_the_default_answer_is_a_table(bench, perfect_eye, capsys):
    """Photograph, label in words, route in words."""
    status, out, _ = run(capsys, "assess", bench, "--circuit-class", "none")
    assert status == 0
    assert "fused.jpg" in out and "external heat" in out and "remanufacture" in out


def test_each_caution_is_said_once_and_names_what_it_does_not_hold_for_all_of(bench, perfect_eye, capsys):
    """Two photographs, general cautions in common; steps are said in words."""
    status, out, _ = run(capsys, "assess", str(bench), "--circuit-class", "none")
    lines = [line.strip() for line in out.splitlines() if "caution" in line]
    assert status == 0 and len(lines) == len(set(lines)) > 3
    assert sum("Disconnect the battery" in line for line in lines) == 1
    assert not any("_" in line for line in out.splitlines() if line.strip().startswith("do "))


def test_photographs_of_one_assembly_are_held_against_the_limits_of_its_decision(drawn, capsys):
    """28 ± 107 mm is certainly nearer than 152.4: a number, though no photograph has a decision of its own."""
    found = findings_from_truth(drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)]))
    near = found.regions[0].model_copy(update={"to_termination_mm": Measure(value=28.0, u95=107.0)})
    found = found.model_copy(update={"regions": [near], "decision": None})
    decision = decide([found], Answers(circuit_class="none"), load_rules())
    whole = AssemblyFindings(assembly="A-1", photos=[found.photo.sha256], regions=[], decision=decision)
    print_run(Run((Entry(Path("a.jpg"), found, None, 0.1),), whole))
    out = capsys.readouterr().out
    assert "28 (0 to 135) mm" in out and "measure by hand" not in out


def copied(case, folder, name="photo.jpg"):
    """A drawn photograph and its truth under another name."""
    folder.mkdir(exist_ok=True)
    shutil.copy(case, folder / name)
    truth = json.loads(case.with_suffix(".json").read_text()) | {"photo": name}
    (folder / name).with_suffix(".json").write_text(json.dumps(truth))
    return folder / name


def test_a_caution_counts_photographs_or_speaks_for_the_assembly(bench, perfect_eye, capsys, tmp_path):
    """Four bitten and one burnt: masks are for four photographs; as one assembly the cautions name no photograph."""
    paths = [copied(bench / "bitten.jpg", tmp_path / "many", f"{k}.jpg") for k in range(4)]
    paths.append(copied(bench / "fused.jpg", tmp_path / "many", "fused.jpg"))
    assert "(4 photographs)" in cautions(run(capsys, "assess", *paths))
    together = cautions(run(capsys, "assess", *paths, "--assembly", "A-1"))
    assert "mask" in together and "photographs)" not in together and ".jpg" not in together


def test_a_caution_of_one_of_two_photographs_of_one_name_says_so(bench, perfect_eye, capsys, tmp_path):
    """Two phones, two folders, one name: a mask is asked for at one of them."""
    paths = [copied(bench / f"{kind}.jpg", tmp_path / kind) for kind in ("bitten", "fused")]
    said = cautions(run(capsys, "assess", *paths))
    assert "mask" in said and "(photo.jpg)" in said


READ_TRUTH = """
from pathlib import Path
import desk.assess
import desk.parallel
from desk import cli
from desk.foreign_truth import read_truth
from desk.truth_findings import findings_from_truth
from vision.reading import read_photo

def assess_photo(path, settings):
    return findings_from_truth(read_truth(Path(path).with_suffix(".json")), read_photo(path).sha256)

desk.assess.assess_photo = assess_photo
desk.parallel.workers_for = lambda photographs: 1
cli.main()
"""


PHOTO_LOST = READ_TRUTH.replace(
    "cli.main()",
    """
import desk.report
from vision.reading import PhotoError

def lost(*_):
    raise PhotoError("expected a photograph, got none: it was taken away")

desk.report.report_html = lost
cli.main()
""",
)

HELPER_GONE = """
import os
import desk.batch
from desk import cli

def asked(*_):
    reads, writes = os.pipe()
    os.close(reads)
    os.write(writes, b"to a helper")

desk.batch.assess_all = asked
cli.main()
"""


def piped_into_nothing(*arguments, program=READ_TRUTH):
    """The command in a process of its own, its standard output a pipe that nobody reads; status, standard error."""
    reads, writes = os.pipe()
    os.close(reads)
    try:
        done = subprocess.run(
            [sys.executable, "-c", program, *map(str, arguments)], stdout=writes, stderr=subprocess.PIPE, check=False
        )
    finally:
        os.close(writes)
    return done.returncode, done.stderr.decode().splitlines()


@pytest.mark.parametrize("more", [("--json",), ("--json", "--assembly", "A-1"), ()], ids=["lines", "assembly", "table"])
def test_a_reader_that_goes_away_early_takes_no_report_away(bench, tmp_path, more):
    """`assess ... | head -1`: all photographs are in the report, nothing is complained of, the status is 0."""
    page = tmp_path / "report.html"
    assert piped_into_nothing("assess", bench, *more, "--report", page) == (0, [f"Report: {page}"])
    assert all(name in page.read_text("utf-8") for name in ("fused.jpg", "bitten.jpg", "whole.jpg"))
    assert piped_into_nothing("assess", bench, *more) == (0, [])


def test_a_photograph_that_cannot_be_read_is_told_though_nobody_reads_the_answers(bench, tmp_path):
    """Status 2 and its line, as with a reader."""
    (bench / "empty.jpg").write_bytes(b"")
    (bench / "empty.json").write_text((bench / "whole.json").read_text())
    status, errors = piped_into_nothing("assess", bench, "--json", "--report", tmp_path / "r.html")
    assert status == 2 and "empty.jpg" in errors[0]


@pytest.mark.parametrize("more", [("--json",), ("--json", "--assembly", "A-1"), ()], ids=["lines", "assembly", "table"])
def test_a_report_that_cannot_be_written_is_told_though_nobody_reads_the_answers(bench, tmp_path, more):
    """A photograph was taken away and so was the reader: status 2 and why, as with a reader."""
    page = tmp_path / "report.html"
    status, errors = piped_into_nothing("assess", bench, *more, "--report", page, program=PHOTO_LOST)
    assert status == 2 and len(errors) == 1 and "taken away" in errors[0]


def test_a_helper_that_went_away_is_no_reader_that_did(bench):
    """Its pipe breaks while standard output is read: the command fails and says so."""
    arguments = [sys.executable, "-c", HELPER_GONE, "assess", str(bench)]
    done = subprocess.run(arguments, capture_output=True, text=True, check=False)
    assert done.returncode == 1 and "BrokenPipeError" in done.stderr


def test_a_calculator_whose_reader_went_away_ends_quietly():
    """It prints tables of its own."""
    assert piped_into_nothing("wire", "--size", "1.0", "--load", "10") == (0, [])


def test_a_photograph_named_like_markup_is_shown_as_it_is(bench, perfect_eye, capsys):
    """Brackets in a name are no style for the terminal."""
    (bench / "fused.jpg").rename(bench / "[red]x.jpg")
    (bench / "fused.json").write_text((bench / "fused.json").read_text().replace("fused.jpg", "[red]x.jpg"))
    (bench / "fused.json").rename(bench / "[red]x.json")
    _, out, _ = run(capsys, "assess", bench / "[red]x.jpg")
    assert "[red]x.jpg" in out
