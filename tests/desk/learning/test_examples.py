"""Examples for a card: a few of each label, right and wrong, not all of one assembly."""

import numpy as np

from desk.learning.examples import Example, examples_of, few


def example(assembly, said="rodent", p=0.9, region="r0"):
    """A place given as bites."""
    return Example(assembly=assembly, sha256=assembly, region=region, given="rodent", said=said, p=p, how="unseen")


def test_the_surest_of_each_assembly_come_first():
    """Four places of one assembly and one of another: both are shown before a second one of the first."""
    found = few([example("A", p=0.99 - n / 100, region=f"r{n}") for n in range(4)] + [example("B", p=0.5)])
    assert [(e.assembly, e.p) for e in found] == [("A", 0.99), ("B", 0.5), ("A", 0.98)]


def test_right_and_wrong_ones_are_both_shown_and_not_more_than_a_few():
    """Ten right ones do not push out the only wrong one; candidates that are no place of a review are left out."""
    found = few([example(f"A{n}") for n in range(10)] + [example("B", "abrasion", 0.4)])
    assert [e.right for e in found] == [True, True, True, False]
    p = np.array([[0.9, 0.1], [0.2, 0.8], [0.6, 0.4]])
    shown = [("A", "1", "r0"), ("B", "2", "r1"), ("C", "3", "")]
    told = examples_of(("rodent", "sound"), ["rodent", "rodent", "sound"], p, shown)
    assert [(e.assembly, e.said, e.p, e.right) for e in told] == [
        ("A", "rodent", 0.9, True),
        ("B", "sound", 0.8, False),
    ]
