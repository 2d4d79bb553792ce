"""Seeds of fresh scenes: each used once, none that a model or its base learnt from."""

import pytest

from desk.errors import DeskError
from desk.learning.compare import fresh_scenes
from desk.learning.generated import FIRST_SEED
from desk.learning.seeds import FRESH_SEED, reserve, taught_seeds, used_seeds
from desk.learning.shelf import Shelf


@pytest.fixture
def shelf(tmp_path):
    return Shelf(tmp_path)


def test_scenes_of_a_comparison_are_used_once_and_never_those_of_a_training(shelf):
    """48 scenes of eight kinds use six seeds; the next comparison goes on after them; a model that learnt from there
    is stepped over; what was reserved stays used when the comparison breaks off."""
    assert reserve(shelf, 48, "a", []) == FRESH_SEED
    assert reserve(shelf, 7, "b", []) == FRESH_SEED + 6
    taught = {"seeds": [FRESH_SEED + 5, FRESH_SEED + 15]}
    assert reserve(shelf, 16, "c", [taught]) == FRESH_SEED + 15
    assert [(u.by, u.first, u.count) for u in used_seeds(shelf)] == [
        ("a", FRESH_SEED, 6), ("b", FRESH_SEED + 6, 1), ("c", FRESH_SEED + 15, 2),
    ]  # fmt: skip
    names = {(case.scene.scenario, case.scene.seed) for case in fresh_scenes(48, FRESH_SEED)}
    assert len(names) == 48 and {seed for _, seed in names} == set(range(FRESH_SEED, FRESH_SEED + 6))
    corrected = {"snapshot": "0" * 12, "settings": {"seed": 0, "scenes": 96}}
    assert taught_seeds(corrected) == [(FIRST_SEED, FIRST_SEED + 12)]
    (shelf.data / "learning" / "seeds.json").write_text("[1]")
    with pytest.raises(DeskError, match="damaged file"):
        reserve(shelf, 7, "d", [])


def test_scenes_that_the_base_of_a_taught_model_learnt_from_are_stepped_over(shelf):
    """Two taught models are compared, their base is not among them; its card says seeds, theirs say the base's."""
    taught = {"snapshot": "0" * 12, "settings": {"scenes": 8}, "base": {"seeds": [FRESH_SEED, FRESH_SEED + 40]}}
    assert taught_seeds(taught) == [(FRESH_SEED, FRESH_SEED + 40), (FIRST_SEED, FIRST_SEED + 1)]
    assert reserve(shelf, 48, "a", [taught]) == FRESH_SEED + 40
