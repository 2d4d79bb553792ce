"""Samples come with readable truth, the same for the same seed; mistakes are one line."""

import pytest

from desk import cli
from desk.foreign_truth import read_truth
from desk.truth_findings import findings_from_truth
from models.repair import Answers, decide, load_rules


def made(folder, *more):
    """Make one small photograph through the command and give its bytes by file name."""
    arguments = ["samples", "--count", "1", "--width", "640", "--scenario", "rodent", "-o", str(folder), *more]
    assert cli.run(arguments) == 0
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_the_same_seed_gives_the_same_bytes(tmp_path):
    """Photograph and truth alike; another seed gives others."""
    first = made(tmp_path / "a", "--seed", "5")
    assert first == made(tmp_path / "b", "--seed", "5")
    assert not set(first.values()) & set(made(tmp_path / "c", "--seed", "6").values())


def test_the_truth_beside_a_sample_can_be_decided_upon(tmp_path):
    """Read back, turned into findings without uncertainty, decided: bitten wires are never returned to service."""
    made(tmp_path / "a", "--seed", "5")
    (file,) = (tmp_path / "a").glob("*.json")
    known = read_truth(file)
    decision = decide([findings_from_truth(known)], Answers(circuit_class="none"), load_rules())
    assert known.labels == ["rodent"]
    assert decision.route != "return_to_service"


@pytest.mark.parametrize(
    "arguments",
    [["--width", "80"], ["--scenario", "flood"], ["--count", "0"], ["--seed", "-1"]],
)
def test_a_wrong_option_is_one_line(tmp_path, capsys, arguments):
    """Exit status 2, nothing written."""
    assert cli.run(["samples", "--count", "1", "-o", str(tmp_path), *arguments]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []
