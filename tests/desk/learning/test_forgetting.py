"""A finder taught from few corrections gets better on what was corrected and no worse on what it knew."""

import numpy as np
import pytest

from desk.cell_truth import CELL_CLASSES
from desk.finder_training import around
from desk.learning.cells import PhotoCells
from desk.learning.finder import teach_finder
from desk.learning.finder_kept import Losses, chosen, kinds_of_cells, losses_by_kind, together
from desk.learning.finder_rows import CellSettings, as_answered
from desk.learning.page_values import limits_of
from desk.training_set import CellLesson
from models.damage.finder import Finder, TwoPasses, mean_answer, new_pass, second_pass_input
from models.damage.update import UpdateSettings

HIGH, EACH, WIDE = 12, 3, 10
NAMES = tuple(f"f{k}" for k in range(WIDE))
CENTRES = np.random.default_rng(1).normal(0, 1.6, (len(CELL_CLASSES) + 1, WIDE))
BITTEN = CELL_CLASSES.index("rodent")
ASIDE = np.eye(WIDE)[0] * 3.0
"""How bites of this shop differ from those that the finder knows."""


def photograph(seed, reviewed=False, extra=()):
    """A drawn photograph: stripes of cells of every class, whose looks differ from photograph to photograph.

    A reviewed one says of sound cells only that nothing is damaged, and its bites look like this shop's.
    """
    rng = np.random.default_rng(seed)
    names = (*CELL_CLASSES, *extra)
    columns = np.repeat(rng.permutation(len(names)), EACH)
    y = np.tile(columns, HIGH)
    x = CENTRES[y] + rng.normal(0, 0.9, (len(names), WIDE))[y] + rng.normal(0, 0.7, (len(y), WIDE))
    if reviewed:
        x[y == BITTEN] += ASIDE
    wide = len(columns)
    place = np.arange(len(y)) % wide
    steps = np.arange(-19, 20)
    lanes = np.arange(len(y))[:, None] + steps
    lanes[(place[:, None] + steps < 0) | (place[:, None] + steps >= wide)] = -1
    xy = np.stack([place, np.arange(len(y)) // wide], axis=1) * 8.0
    said = np.where(y < CELL_CLASSES.index("external_heat"), 0, y) if reviewed else y
    no = np.zeros(len(y), bool)
    return PhotoCells(NAMES, xy, x.astype(np.float32), lanes, said, names, no, reviewed)


def loss(finder, photographs, only=None):
    """Log loss, the mean over classes (or of one class)."""
    p = np.concatenate([finder.probabilities(c.features, around(lesson(c))) for c in photographs])
    y = np.concatenate([c.classes for c in photographs])
    each = [-np.log(np.maximum(p[y == c, c], 1e-6)).mean() for c in ([only] if only else np.unique(y))]
    return float(np.mean(each))


def lesson(cells):
    return CellLesson(cells.names, cells.xy, cells.features, cells.classes, cells.lanes)


@pytest.fixture(scope="module")
def shipped():
    """Two parts, each fitted on thirty drawn photographs."""
    parts = []
    for start in (0, 1000):
        seen = [photograph(start + k) for k in range(30)]
        x, y = np.concatenate([c.features for c in seen]), np.concatenate([c.classes for c in seen])
        first = (new_pass((24,), 0, 12).fit(x, y),)
        both = [second_pass_input(c.features, mean_answer(first, c.features), around(lesson(c))) for c in seen]
        parts.append(TwoPasses(first, (new_pass((24,), 1, 12).fit(np.concatenate(both), y),)))
    return Finder(CELL_CLASSES, NAMES, tuple(parts))


CORRECTED = [(photograph(2000 + k, reviewed=True), k % 2) for k in range(6)]
MIXED_IN = [photograph(3000 + k) for k in range(6)]
QUICK = CellSettings(per_class=400, least=120, update=UpdateSettings(rate=1e-3, epochs=8))
FRESH, FRESH_OF_SHOP = [photograph(4000 + k) for k in range(12)], [photograph(5000 + k, True) for k in range(12)]


def test_few_corrections_teach_what_is_corrected_and_cost_nothing_elsewhere(shipped):
    """On photographs that neither saw: bites of the shop are told far better, all else as well as before."""
    taught = teach_finder(shipped, CORRECTED, MIXED_IN, QUICK, 0)
    assert loss(taught.final, FRESH) < loss(shipped, FRESH) + 0.02
    assert loss(taught.final, FRESH_OF_SHOP, BITTEN) < loss(shipped, FRESH_OF_SHOP, BITTEN) - 0.3
    assert taught.kept["first"].share > 0


def test_the_choice_is_what_the_finder_does_on_the_other_fold(shipped):
    """The losses that the choice rests on, asked again of the finders that learnt nothing from each fold."""
    taught = teach_finder(shipped, CORRECTED, MIXED_IN, QUICK, 0)
    first, second = taught.kept["first"], taught.kept["second"]
    assert second.losses[0.0] == first.losses[first.share]  # a second pass as it was
    each = [losses_of(taught.other[k], MIXED_IN[k::2]) for k in (0, 1)]
    asked = np.mean([np.concatenate([one[c] for one in each]).mean() for c in each[0]])
    assert second.losses[second.share].generated == pytest.approx(asked, rel=1e-3)


def losses_of(finder, photographs):
    p = np.concatenate([finder.probabilities(c.features, around(lesson(c))) for c in photographs])
    y = np.concatenate([c.classes for c in photographs])
    return {c: -np.log(p[y == c, c]) for c in np.unique(y)}


def test_a_label_of_the_shop_is_learnt_from_few_and_costs_little_elsewhere(shipped):
    """Six examples suffice to name most of the new damage on photographs not seen.

    One answer more to choose from costs some of the rest, which looks like it here and there.
    """
    corrected = [(photograph(6000 + k, True, ("corrosion",)), k % 2) for k in range(6)]
    taught = teach_finder(shipped, corrected, MIXED_IN, QUICK, 0).final
    new = taught.classes.index("corrosion")
    fresh = [photograph(7000 + k, True, ("corrosion",)) for k in range(8)]
    said = np.concatenate([taught.probabilities(c.features, around(lesson(c))).argmax(axis=1) for c in fresh])
    y = np.concatenate([c.classes for c in fresh])
    assert (said[y == new] == new).mean() > 0.5 and (said[y != new] == new).mean() < 0.03
    assert loss(taught, FRESH) < loss(shipped, FRESH) + 0.05


def test_the_same_seed_gives_the_same_finder(shipped):
    """Twice the same answers, bit for bit."""
    one, two = (teach_finder(shipped, CORRECTED[:4], MIXED_IN[:2], QUICK, 3).final for _ in range(2))
    c = FRESH[0]
    answers = [finder.probabilities(c.features, around(lesson(c))) for finder in (one, two)]
    assert np.array_equal(*answers)


def test_without_generated_scenes_nothing_is_kept_but_new_outputs(shipped):
    """Nothing tells then what was forgotten."""
    taught = teach_finder(shipped, CORRECTED[:2], [], QUICK, 0)
    c = FRESH[0]
    assert {choice.share for choice in taught.kept.values()} == {0.0}
    before = shipped.probabilities(c.features, around(lesson(c)))
    assert np.allclose(taught.final.probabilities(c.features, around(lesson(c))), before, atol=1e-6)


def test_most_is_learnt_that_costs_next_to_nothing():
    """By hand: half is best on corrections among what loses at most a hundredth of 1.0; a larger share loses more."""
    before = Losses(1.0, 2.0)
    losses = {0.0: before, 0.5: Losses(1.009, 1.5), 1.0: Losses(1.011, 1.0)}
    assert chosen(losses, before).share == 0.5
    assert chosen({0.0: before, 0.5: Losses(0.9, 2.1), 1.0: Losses(1.3, 1.0)}, before).share == 0.0
    assert chosen({0.0: Losses(None, 2.0), 1.0: Losses(None, 1.0)}, Losses(None, 2.0)).share == 0.0
    assert chosen({0.0: Losses(1.0, None), 1.0: Losses(0.9, None)}, Losses(1.0, None)).share == 0.0
    told = chosen(losses, before).as_dict()
    assert told["share"] == 0.5 and told["losses"]["0.5"] == {"generated": 1.009, "corrected": 1.5}


def test_a_finder_that_kept_nothing_is_said_to_be_the_shipped_one():
    """Said of a card whose both shares are 0, not of one that kept some, nor of one made before there were shares."""
    card = {"snapshot": "a", "candidates": {}, "shipped_lessons": 1, "held_out_assemblies": ["A-1"]}

    def said(*shares):
        kept = {str(k): {"share": share} for k, share in enumerate(shares)}
        return any("finds places as the shipped model" in line for line in limits_of(card | {"finder_kept": kept}))

    assert said(0.0, 0.0) and not said(0.0, 0.25) and not said()


def test_each_kind_of_cell_counts_alike_however_many_there_are():
    """Worked by hand: two classes, 3 and 1 cells, p 0.5 and 0.25: (ln 2 + ln 4) / 2; false finds are a kind."""
    y = np.array([0, 0, 0, BITTEN, 0, BITTEN, -1])
    reviewed = np.array([False] * 4 + [True] * 3)
    rejected = np.array([False] * 4 + [True, False, False])
    kinds = kinds_of_cells(y, rejected, reviewed, CELL_CLASSES, np.random.default_rng(0))
    assert {kind: rows.tolist() for kind, rows in kinds.items()} == {
        (False, "ground"): [0, 1, 2], (False, "rodent"): [3], (True, "false find"): [4], (True, "rodent"): [5],
    }  # fmt: skip
    p = np.full((7, len(CELL_CLASSES)), 0.5)
    p[3] = p[5] = 0.25
    got = together([losses_by_kind(p, y, kinds)])
    assert got.generated == pytest.approx((np.log(2) + np.log(4)) / 2) and got.corrected == pytest.approx(got.generated)


def test_drawn_classes_are_as_frequent_as_they_were_answered():
    """Classes that are not among those asked are never drawn; every epoch draws anew."""
    answers = np.tile([0.2, 0.5, 0.1, 0.2], (20000, 1))
    drawn = as_answered(answers, np.array([0, 1, 3]), 2, np.random.default_rng(0))
    assert drawn.shape == (2, 20000) and (drawn[0] != drawn[1]).any()
    for one in drawn:
        assert np.bincount(one) / 20000 == pytest.approx([2 / 9, 5 / 9, 0, 2 / 9], abs=0.012)
