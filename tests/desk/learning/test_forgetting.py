"""A finder taught from few corrections gets better on what was corrected and no worse on what it knew."""

from dataclasses import replace

import numpy as np
import pytest

from desk.cell_truth import CELL_CLASSES
from desk.finder_training import around
from desk.learning.cells import PhotoCells
from desk.learning.finder import _scene, _Teacher, teach_finder
from desk.learning.finder_kept import Losses, chosen, kinds_of_cells, losses_by_kind, together
from desk.learning.finder_rows import CellSettings, targets
from desk.learning.page_values import limits_of
from desk.training_set import CellLesson
from models.damage.finder import Finder, TwoPasses, mean_answer, new_pass, second_pass_input

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
    """Two parts, each fitted on thirty drawn photographs, with two hidden layers as the shipped one has."""
    parts = []
    for start in (0, 1000):
        seen = [photograph(start + k) for k in range(30)]
        x, y = np.concatenate([c.features for c in seen]), np.concatenate([c.classes for c in seen])
        first = (new_pass((24,), 0, 12).fit(x, y),)
        both = [second_pass_input(c.features, mean_answer(first, c.features), around(lesson(c))) for c in seen]
        parts.append(TwoPasses(first, (new_pass((48, 24), 1, 12).fit(np.concatenate(both), y),)))
    return Finder(CELL_CLASSES, NAMES, tuple(parts))


CORRECTED = [(photograph(2000 + k, reviewed=True), k % 2) for k in range(16)]
MIXED_IN = [photograph(3000 + k) for k in range(16)]
QUICK = CellSettings(per_class=900, least=120)
FRESH, FRESH_OF_SHOP = [photograph(4000 + k) for k in range(12)], [photograph(5000 + k, True) for k in range(12)]


@pytest.fixture(scope="module")
def taught(shipped):
    """Taught from the corrected photographs and those mixed in."""
    return teach_finder(shipped, CORRECTED, MIXED_IN, QUICK, 0)


def test_few_corrections_teach_what_is_corrected_and_cost_nothing_elsewhere(shipped, taught):
    """On photographs that neither saw: bites of the shop are told far better, all else as well as before."""
    assert loss(taught.final, FRESH) < loss(shipped, FRESH) + 0.02
    assert loss(taught.final, FRESH_OF_SHOP, BITTEN) < loss(shipped, FRESH_OF_SHOP, BITTEN) - 0.3
    assert taught.kept.ridge is not None


def test_how_far_it_is_is_told_from_the_first_photograph_on(shipped):
    """Looking at all of them with the finder as it is takes a minute: until then a page had nothing to say."""
    told = []
    teach_finder(shipped, CORRECTED[:2], MIXED_IN[:2], QUICK, 0, lambda *one: told.append(one))
    parts = len(shipped.parts)
    assert told == [
        *(("asking the finder as it is", n, 4) for n in range(5)),
        *(("teaching the finder", n, 2 + parts) for n in range(3 + parts)),
    ]


def test_the_choice_is_what_the_finder_does_on_the_other_fold(shipped, taught):
    """The losses that the choice rests on, asked again of the finders that learnt nothing from each fold."""
    kept = taught.kept
    before = [losses_of(shipped.part(k), MIXED_IN[1 - k :: 2]) for k in (0, 1)]
    after = [losses_of(taught.other[1 - k], MIXED_IN[1 - k :: 2]) for k in (0, 1)]
    for told, each in ((kept.before, before), (kept.losses[kept.ridge], after)):
        asked = np.mean([np.concatenate([one[c] for one in each]).mean() for c in each[0]])
        assert told.generated == pytest.approx(asked, rel=1e-3)
    bitten = [[c for c, fold in CORRECTED if fold == k] for k in (0, 1)]
    own, now = (
        np.mean([losses_of(finders[k], bitten[k])[BITTEN].mean() for k in (0, 1)])
        for finders in ({k: shipped.part(1 - k) for k in (0, 1)}, taught.other)
    )
    assert now < own - 0.1 and kept.losses[kept.ridge].corrected < kept.before.corrected


def losses_of(finder, photographs):
    p = np.concatenate([finder.probabilities(c.features, around(lesson(c))) for c in photographs])
    y = np.concatenate([c.classes for c in photographs])
    return {c: -np.log(p[y == c, c]) for c in np.unique(y)}


def test_a_label_of_the_shop_is_learnt_from_few_and_costs_little_elsewhere(shipped):
    """Sixteen examples suffice to name most of the new damage on photographs not seen.

    One answer more to choose from costs some of the rest, which looks like it here and there.
    """
    corrected = [(photograph(6000 + k, True, ("corrosion",)), k % 2) for k in range(16)]
    taught = teach_finder(shipped, corrected, MIXED_IN, QUICK, 0).final
    new = taught.classes.index("corrosion")
    fresh = [photograph(7000 + k, True, ("corrosion",)) for k in range(8)]
    said = np.concatenate([taught.probabilities(c.features, around(lesson(c))).argmax(axis=1) for c in fresh])
    y = np.concatenate([c.classes for c in fresh])
    assert (said[y == new] == new).mean() > 0.5 and (said[y != new] == new).mean() < 0.03
    assert loss(taught, FRESH) < loss(shipped, FRESH) + 0.05


def test_generated_scenes_alone_change_nothing(shipped):
    """They are said to be what the finder answered: taught with them it stays what it was, whatever their truth."""
    told = []
    for photos in (MIXED_IN[:6], [scrambled(c, k) for k, c in enumerate(MIXED_IN[:6])]):
        scenes = tuple(_scene(shipped, shipped.classes, c, k % 2) for k, c in enumerate(photos))
        teacher = _Teacher(shipped, len(shipped.classes), scenes, QUICK, 0)
        told.append(teacher.learnt(0, range(len(scenes)), (1e-2,)))
    x = shipped.parts[0]
    c = FRESH[0]
    before = x.probabilities(c.features, around(lesson(c)))
    for one in told:
        after = TwoPasses(x.first, one.ends[1e-2]).probabilities(c.features, around(lesson(c)))
        assert np.abs(after - before).max() < 5e-3


def scrambled(cells, seed):
    """The photograph with classes that are not its own."""
    return replace(cells, classes=np.random.default_rng(seed).permutation(cells.classes))


def test_one_photograph_of_a_new_label_spoils_no_choice(shipped, taught):
    """The part that saw none of the label is not asked for it: as much is learnt of all else as without it."""
    without = taught.kept
    extra = (photograph(6000, True, ("corrosion",)), 0)
    with_it = teach_finder(shipped, [extra, *CORRECTED], MIXED_IN, QUICK, 0).kept
    assert with_it.ridge is not None and with_it.before.corrected == pytest.approx(without.before.corrected, abs=0.1)


def test_corrections_of_one_fold_alone_choose_nothing(shipped):
    """Who was taught by them cannot be asked, who can be asked was not taught: chance would choose."""
    alone = [(cells, 0) for cells, fold in CORRECTED if fold == 0]
    taught = teach_finder(shipped, alone, MIXED_IN, QUICK, 0)
    assert taught.kept.ridge is None and taught.final.parts[0].second[0] is shipped.parts[0].second[0]
    open_ = [(replace(cells, classes=np.full(len(cells), -1)), fold) for cells, fold in CORRECTED[:2]]
    assert teach_finder(shipped, open_, [], QUICK, 0).kept.ridge is None  # nothing was judged there
    rusty = photograph(6000, True, ("corrosion",))
    only = replace(rusty, classes=np.where(rusty.classes == len(CELL_CLASSES), rusty.classes, -1))
    assert teach_finder(shipped, [(only, 0), CORRECTED[1]], [], QUICK, 0).kept.ridge is None  # nothing left to ask


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
    assert taught.kept.ridge is None
    before = shipped.probabilities(c.features, around(lesson(c)))
    assert np.allclose(taught.final.probabilities(c.features, around(lesson(c))), before, atol=1e-6)


def test_what_is_gained_on_corrections_may_cost_as_much_elsewhere():
    """By hand: from 1.0 and 2.0, one gains 0.5 for 0.1, the other 0.1 more for 0.3 more."""
    before = Losses(1.0, 2.0)
    losses = {0.1: Losses(1.1, 1.5), 0.01: Losses(1.4, 1.4), 0.001: Losses(1.101, 1.0)}  # the last loses too much
    assert chosen(losses, before).ridge == 0.1
    assert chosen({0.1: Losses(0.95, 2.1), 0.01: Losses(2.1, 1.0)}, before).ridge is None
    assert chosen({0.1: Losses(1.0625, 1.9375)}, before).ridge is None  # as much lost as gained
    assert chosen({0.1: Losses(None, 1.0)}, Losses(None, 2.0)).ridge is None
    assert chosen({0.1: Losses(0.9, None)}, Losses(1.0, None)).ridge is None
    told = chosen(losses, before).as_dict()
    assert told["ridge"] == 0.1 and told["losses"]["0.1"] == {"generated": 1.1, "corrected": 1.5}


def test_a_finder_that_kept_nothing_is_said_to_be_the_shipped_one():
    """Said of a card that tells so, not of one that kept something; where nothing could be asked, that is said."""
    card = {"snapshot": "a", "candidates": {}, "shipped_lessons": 1, "held_out_assemblies": ["A-1"]}

    def said(**kept):
        return any("finds places as the shipped model" in line for line in limits_of(card | kept))

    both = {"generated": 0.5, "corrected": 0.7}
    assert said(finder_kept={"ridge": None, "before": both}) and not said(finder_kept={"ridge": 0.01, "before": both})
    assert not said() and not said(finder_kept={"first": {"share": 0.0}, "second": {"share": 0.5}})
    assert said(finder_kept={"first": {"share": 0.0}, "second": {"share": 0.0}})  # as versions before kept it
    few = card | {"finder_kept": {"ridge": None, "before": {"generated": None, "corrected": None}}}
    assert any("too few assemblies" in line for line in limits_of(few))


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


def test_all_but_the_corrected_damage_is_said_to_be_what_was_answered():
    """By hand: of a sound cell a review tells only that; generated scenes teach the finder's own answers."""
    answers = np.zeros((3, len(CELL_CLASSES)))
    answers[:, [0, 1, BITTEN]] = [0.3, 0.1, 0.6]
    got = targets(np.array([BITTEN, 1, 0]), answers, True, CELL_CLASSES)
    assert got[0].tolist() == np.eye(len(CELL_CLASSES))[BITTEN].tolist()
    assert got[1:, [0, 1]] == pytest.approx(np.tile([0.75, 0.25], (2, 1))) and got.sum(axis=1) == pytest.approx(1)
    assert np.array_equal(targets(np.array([BITTEN, 1, -1]), answers, False, CELL_CLASSES), answers)
