"""What a comparison of two models says: which label falls, what is unsafe, where false finds rise, what chance does."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.stats

from desk.learning.comparison import Answer, Pair, compared
from desk.learning.model_text import say_comparison


def answer(label, true, p=0.9, unsafe=False):
    return Answer(label, p, label == true, True, unsafe, ((true, label),), int(label == true), 0)


def pairs(n, mine, other, true="rodent", unsafe=0, name="generated"):
    """n photographs: the model in use answers `mine`, the proposed one `other`."""
    return [
        Pair(name, f"p{k}", None, true, 1, answer(mine, true), answer(other, true, unsafe=k < unsafe))
        for k in range(n)
    ]  # fmt: skip


def test_the_comparison_says_what_falls_and_what_is_unsafe():
    """40 bites that the proposed model calls abrasion: the label falls as a whole; one more unsafe route."""
    found = compared(pairs(40, "rodent", "abrasion") + pairs(40, "rodent", "rodent", unsafe=1), "b", "a", "2031")
    (one,) = found.sets
    assert (one.only_in_use, one.only_proposed) == (40, 0) and one.p < 1e-6
    assert [label.falls for label in one.labels if label.label == "rodent"] == [True]
    assert "unsafe" in found.objections[0] and "rodent falls" in found.objections[1]
    assert one.in_use.macro_f1.value == 1.0 and len(one.differing) == 40


def test_one_photograph_that_got_worse_among_many_is_no_fall():
    """One of 60 is within what chance does; nothing speaks against it."""
    shown = pairs(59, "rodent", "rodent") + pairs(1, "rodent", "abrasion")
    found = compared([*shown, *pairs(20, "rodent", "rodent", name="second opinions")], "b", "a", "2031")
    assert found.objections == []


def falsely(before, after, name="generated"):
    """Photographs with so many false finds of the model in use and of the proposed one."""
    said = answer("rodent", "rodent")
    return [
        Pair(name, f"f{k}", None, "rodent", 1, replace(said, false=a), replace(said, false=b))
        for k, (a, b) in enumerate(zip(before, after, strict=True))
    ]


def more_false(before, after):
    """What speaks against a model with such false finds, of that alone."""
    found = compared(falsely(before, after), "b", "a", "2031")
    return [text for text in found.objections if "false finds" in text], found


def test_false_finds_that_rise_on_photograph_after_photograph_speak_against_it():
    """10 to 16 on 48 photographs: where six get one more and none fewer, the rise is more than its interval; where
    twelve get one more and six fewer, it is what chance does. Reference: SciPy's own paired bootstrap."""
    before = [1] * 10 + [0] * 38
    risen, found = more_false(before, [1] * 16 + [0] * 32)
    change = found.sets[0].false_change
    own = scipy.stats.bootstrap(
        ([0] * 42 + [1] * 6,), np.mean, method="percentile", n_resamples=20_000, random_state=np.random.default_rng(1)
    ).confidence_interval  # fmt: skip
    assert change.value == pytest.approx(6 / 48) and (change.low, change.high) == pytest.approx(tuple(own), abs=0.022)
    assert risen == [
        f"more false finds on generated: 10 to 16 on 48 photographs, change at least {change.low:.2f} per photograph"
    ]
    assert f"change 0.12 ({change.low:.2f} to {change.high:.2f}): more" in say_comparison(found)
    chance, found = more_false(before, [0] * 6 + [1] * 4 + [1] * 12 + [0] * 26)
    assert found.sets[0].proposed.false_regions == 16 and found.sets[0].false_change.low < 0 and not chance
    assert not more_false([1] * 16 + [0] * 32, before)[0], "fewer are none against it"


def test_four_photographs_are_too_few_to_tell_that_false_finds_rise():
    """One more on each: on five photographs it is told, on four it is not."""
    assert more_false([0] * 5, [1] * 5)[0]
    none, found = more_false([0] * 4, [1] * 4)
    assert not none and "too few photographs to tell" in say_comparison(found)


def test_a_comparison_on_too_little_speaks_against_putting_it_into_use():
    """41 scenes and 19 places of this shop: both are named with what is asked for; with one more of each neither is."""
    for scenes, reviewed, count in ((41, 19, 2), (42, 19, 1), (41, 20, 1), (42, 20, 0)):
        shown = pairs(scenes, "rodent", "rodent") + pairs(reviewed, "rodent", "rodent", name="kept out")
        assert len(compared(shown, "b", "a", "2031").objections) == count
    said = compared(pairs(3, "rodent", "rodent"), "b", "a", "2031").objections
    assert "only 3 fresh scenes: at least 42" in said[0] and "only 0 places on photographs of this shop" in said[1]


def test_a_fall_that_no_single_label_tells_is_told_over_all():
    """Seven photographs that the model in use alone names right, none that the proposed one does: exact two-sided p is
    2 * 0.5 ** 7 = 0.0156, and that speaks against it though no label has five places. Three to one is chance."""
    names = ["rodent", "abrasion", "external_heat", "connector", "electrical_overload", "earlier_repair", "sound"]

    def pair(k, true, first, second):
        said = [Answer(label, 0.9, label == true, True, False, ((true, label),), 1, 0) for label in (first, second)]
        return Pair("generated", f"p{k}", None, true, 1, *said)

    worse = [pair(k, name, name, names[(k + 1) % 7]) for k, name in enumerate(names)]
    found = compared(worse, "b", "a", "2031")
    assert found.sets[0].p == pytest.approx(2 * 0.5**7)
    assert not any(label.falls for label in found.sets[0].labels)
    assert "fewer photographs named right on generated: 7 by the model in use alone, 0" in found.objections[0]
    better = [pair(k, p.true, p.proposed.label, p.true) for k, p in enumerate(worse)]
    assert not any("fewer photographs" in line for line in compared(better, "b", "a", "2031").objections)
    assert not any(
        "fewer photographs" in line for line in compared([*worse[:3], *better[:1]], "b", "a", "2031").objections
    )
