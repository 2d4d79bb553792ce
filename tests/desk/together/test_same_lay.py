"""Whether an assembly lay still: on generated assemblies that did, that were shifted, turned and turned over."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from desk.same_lay import NotStill, Still, drawn, same_lay
from vision.sheets import HOME, Place

SEEDS = range(100, 130)


def _answer(table: SimpleNamespace, seed: int, move: object = None) -> Still | NotStill:
    rng = np.random.default_rng(seed)
    made = table.assembly(seed)
    first = table.photograph(made, "a.jpg", (0, 260), rng)
    second = table.photograph(made, "b.jpg", (120, 420), rng, *([move] if move is not None else []))
    a, b = drawn(first, HOME), drawn(second, HOME)
    assert a is not None and b is not None
    return same_lay(a, b)


def test_assemblies_that_lay_still_are_recognised_in_two_of_three_at_least(table: SimpleNamespace):
    """30 assemblies, cameras at both sides: joined but where a straight bundle tells nothing; traces within 4 mm."""
    answers = [_answer(table, seed) for seed in SEEDS]
    still = [a for a in answers if isinstance(a, Still)]
    assert len(still) >= 20 and all(a.apart_mm < 4 for a in still)
    assert np.mean([a.same_face for a in still]) > 0.9


@pytest.mark.parametrize("kind", ["shifted", "pulled along", "turned", "turned over"])
def test_an_assembly_that_was_moved_is_joined_in_no_case(table: SimpleNamespace, kind: str):
    """30 assemblies shifted by 7 mm or more, or turned by 6 degrees or more, or turned over: none is taken as still."""
    rng = np.random.default_rng(5)
    for seed in SEEDS:
        sign = rng.choice([-1, 1], 2)
        move = {
            "shifted": table.Move(shift_mm=tuple(sign * rng.uniform(7, 40, 2))),
            "pulled along": table.Move(shift_mm=(float(sign[0] * rng.uniform(9, 40)), 0.0)),
            "turned": table.Move(turn=float(sign[0] * rng.uniform(0.1, 0.6))),
            "turned over": table.Move(over=True),
        }[kind]
        assert isinstance(_answer(table, seed, move), NotStill), seed


def test_the_answer_does_not_depend_on_the_frame_nor_on_the_order(table: SimpleNamespace):
    """Both photographs in a frame turned and shifted, and swapped."""
    rng = np.random.default_rng(1)
    made = table.assembly(100)
    photos = [table.photograph(made, name, window, rng) for name, window in (("a", (0, 260)), ("b", (120, 420)))]
    there = Place(-200.0, 90.0, 2.2, np.zeros((3, 3)))
    a, b = (drawn(p, HOME) for p in photos)
    c, d = (drawn(p, there) for p in photos)
    assert a and b and c and d
    here, turned, swapped = same_lay(a, b), same_lay(c, d), same_lay(b, a)
    assert isinstance(here, Still) and isinstance(turned, Still) and isinstance(swapped, Still)
    assert turned.apart_mm == pytest.approx(here.apart_mm, abs=0.05)


def test_photographs_without_overlap_say_how_much_is_needed(table: SimpleNamespace):
    """Left and right of the page."""
    rng = np.random.default_rng(2)
    made = table.assembly(101)
    a, b = (drawn(table.photograph(made, n, w, rng), HOME) for n, w in (("a", (0, 200)), ("b", (205, 420))))
    assert a is not None and b is not None
    answer = same_lay(a, b)
    assert isinstance(answer, NotStill) and "60 mm are needed" in answer.reason


def test_a_photograph_without_traces_has_nothing_to_compare(table: SimpleNamespace):
    """No wire, no drawing."""
    photo = table.photograph(table.assembly(100), "a", (0, 260), np.random.default_rng(3))
    assert drawn(photo.model_copy(update={"wires": []}), HOME) is None
