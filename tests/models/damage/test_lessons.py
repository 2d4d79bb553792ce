"""Recorded lessons come back as they were, and refuse what they were not made for."""

import numpy as np
import pytest

from models.damage.lessons import LessonsError, lessons_of, load_lessons, read_kept, save_lessons, together


def some(labels, names=("a", "b"), group="s"):
    return lessons_of([(names, np.arange(len(names)) + k, label, f"{group}{k}") for k, label in enumerate(labels)])


def test_lessons_come_back_as_they_were(tmp_path):
    """Names, values, labels, groups and weights; one kind may be empty."""
    wires = some(["rodent", "sound"]).counting(3.0)
    save_lessons({"wires": wires, "shell": lessons_of([])}, "abc", tmp_path / "l.npz")
    got = load_lessons(tmp_path / "l.npz", "abc")
    assert got["wires"].names == ("a", "b") and got["wires"].labels.tolist() == ["rodent", "sound"]
    assert np.array_equal(got["wires"].x, [[0, 1], [1, 2]]) and got["wires"].weights.tolist() == [3.0, 3.0]
    assert got["wires"].groups.tolist() == ["s0", "s1"] and len(got["shell"]) == 0
    assert len(together(got["wires"], got["shell"])) == 2


def test_a_damaged_file_of_kept_lessons_is_taken_away(tmp_path):
    """It can be computed again, so it must not stop every later run."""
    path = tmp_path / "l.npz"
    save_lessons({"wires": some(["rodent"])}, "abc", path)
    assert read_kept(path, "abc")["wires"].labels.tolist() == ["rodent"]
    path.write_bytes(path.read_bytes()[:200])
    with pytest.raises(LessonsError, match="taken away, start again"):
        read_kept(path)
    assert not path.exists()


def test_lessons_of_another_model_or_version_are_refused(tmp_path):
    """Another model's, other features, a file cut short, a file that would need pickle."""
    path = tmp_path / "l.npz"
    save_lessons({"wires": some(["rodent"]), "shell": some(["sound"])}, "abc", path)
    with pytest.raises(LessonsError, match="lessons of the model xyz, got those of abc"):
        load_lessons(path, "xyz")
    with pytest.raises(LessonsError, match="same features"):
        together(some(["rodent"]), some(["rodent"], ("a", "c")))
    path.write_bytes(path.read_bytes()[:200])
    with pytest.raises(LessonsError, match="expected recorded lessons"):
        load_lessons(path)
    np.savez(path, made_for=np.array([{"code": 1}], dtype=object), allow_pickle=True)
    with pytest.raises(LessonsError, match="expected recorded lessons"):
        load_lessons(path)
