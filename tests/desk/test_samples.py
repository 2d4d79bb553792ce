"""Photographs with readable truth as files: in turn, whole, the same for the same seed whoever renders them."""

import cv2
import pytest

from desk import cli
from desk.errors import DeskError
from desk.foreign_truth import read_truth
from desk.samples import make_samples
from desk.truth_findings import findings_from_truth
from models.repair import Answers, decide, load_rules
from sample_images.saving import scenes_in_turn
from sample_images.scene import SCENARIOS
from sample_images.truth import Truth

WIDTH = 500


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


def test_written_samples_carry_scenario_and_seed_in_turn(tmp_path):
    """JSON lies beside each JPEG and reads back as Truth; each is told of; no temporary file stays."""
    told = []
    paths = make_samples(tmp_path, 2, 40, WIDTH, on_progress=lambda: told.append(1))
    assert [p.name for p in paths] == ["sound_00040.jpg", "external_heat_00040.jpg"] and len(told) == 2
    for path in paths:
        truth = Truth.model_validate_json(path.with_suffix(".json").read_text("utf-8"))
        picture = cv2.imread(str(path))
        assert picture is not None and picture.shape == (truth.height_px, truth.width_px, 3)
    assert len(list(tmp_path.iterdir())) == 4


def test_every_kind_comes_once_before_a_seed_is_over():
    """Nine pictures: all kinds with the first seed, the first kind with the next."""
    assert scenes_in_turn(9, 5) == [*((5, name) for name in SCENARIOS), (6, SCENARIOS[0])]


def test_several_processes_write_the_same_bytes(tmp_path):
    """Rendered here and by two helpers."""
    here, there = tmp_path / "here", tmp_path / "there"
    for folder, workers in ((here, 1), (there, 2)):
        folder.mkdir()
        make_samples(folder, 2, 41, WIDTH, "rodent", workers=workers)
    names = sorted(path.name for path in here.iterdir())
    assert len(names) == 4 and names == sorted(path.name for path in there.iterdir())
    assert all((here / name).read_bytes() == (there / name).read_bytes() for name in names)


def test_what_cannot_be_made_is_said_in_a_line(tmp_path):
    """A kind of damage that there is none of; a width that no picture has."""
    with pytest.raises(DeskError, match="--scenario: expected one of sound,"):
        make_samples(tmp_path, 1, 0, WIDTH, "flood")
    with pytest.raises(DeskError, match="samples: width_px: expected 200 to 6000, got 7"):
        make_samples(tmp_path, 4, 0, 7)
    assert list(tmp_path.iterdir()) == []
