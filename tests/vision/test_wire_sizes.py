"""Conductor sizes from outside diameters."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision.wire_sizes import FAMILIES, size_candidates

JIS_AV = {0.5: (2.2, 2.4), 0.85: (2.4, 2.6), 1.25: (2.7, 2.9), 2.0: (3.1, 3.4), 3.0: (3.8, 4.1), 5.0: (4.6, 4.9)}
"""Standard and maximum outside diameter of JIS C 3406 type AV, as published."""


@pytest.mark.parametrize("size", JIS_AV)
def test_a_cable_of_the_published_standard_diameter_is_a_candidate(size):
    """JIS C 3406: the table's own diameters find the table's sizes."""
    found = {c.size: c.p for c in size_candidates(JIS_AV[size][0], 0.1)}
    assert found.get(size, 0) >= 0.15


def test_thin_wall_of_the_largest_diameter_for_its_size_is_a_candidate():
    """Thin wall 0.5 mm2, 1.6 mm at most (from memory: wide tolerance)."""
    found = size_candidates(1.5, 0.1)
    assert found[0].size in (0.35, 0.5)
    assert 0.5 in [c.size for c in found]


def test_a_vague_diameter_leaves_more_sizes():
    """More uncertainty never makes the likeliest size likelier."""
    sharp, vague = size_candidates(2.4, 0.05), size_candidates(2.4, 0.8)
    assert len(vague) > len(sharp)
    assert vague[0].p < sharp[0].p


@given(st.floats(0.3, 9.0), st.floats(0.0, 1.5))
def test_probabilities_add_up_and_are_in_order(diameter, u95):
    """Whatever is measured: nothing, or a whole distribution, likeliest first."""
    found = size_candidates(diameter, u95)
    if found:
        assert sum(c.p for c in found) == pytest.approx(1.0)
        assert [c.p for c in found] == sorted((c.p for c in found), reverse=True)
    known = {cable.size_mm2 for family in FAMILIES.values() for cable in family}
    assert {c.size for c in found} <= known


@pytest.mark.parametrize("diameter", [0.4, 8.0])
def test_what_fits_no_cable_has_no_candidates(diameter):
    """Far from every table."""
    assert size_candidates(diameter, 0.1) == []
