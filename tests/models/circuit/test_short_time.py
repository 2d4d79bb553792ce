"""Closed forms of fast heating against their published examples."""

import math

import pytest

from models.circuit.short_time import (
    adiabatic_k,
    adiabatic_time_s,
    onderdonk_time_s,
    preece_current_a,
)

CIRCULAR_MIL_MM2 = math.pi / 4 * 0.0254**2


@pytest.mark.parametrize(("amperes", "inches"), [(10, 0.0098), (100, 0.0457), (300, 0.0950)])
def test_preece_melts_the_printed_diameters(amperes, inches):
    """Preece's table for copper, a = 10244: the diameter is printed to a tenth of a mil."""
    assert preece_current_a(inches * 25.4) == pytest.approx(amperes, rel=0.02)
    assert preece_current_a(1.0) == pytest.approx(80.0, abs=0.1)


def test_onderdonk_gives_the_recomputed_examples():
    """AWG 16 at 168.9 A melts in 5 s; 4110 circular mils at 400 A in 2.26 s (form of the equation from memory)."""
    assert onderdonk_time_s(2581 * CIRCULAR_MIL_MM2, 168.9) == pytest.approx(5.0, rel=2e-3)
    assert onderdonk_time_s(4110 * CIRCULAR_MIL_MM2, 400.0) == pytest.approx(2.26, abs=0.005)


def test_the_misprinted_onderdonk_is_not_what_we_compute():
    """A copied example has 234 − Ta: at 25 °C it gives a time a tenth longer than the equation."""
    wrong = math.log10((1083 - 25) / (234 - 25) + 1) / 33 * (2581 / 168.9) ** 2
    assert wrong == pytest.approx(5.5, abs=0.15)
    assert onderdonk_time_s(2581 * CIRCULAR_MIL_MM2, 168.9) < 0.93 * wrong
    # a hotter start melts sooner; the misprint has it the other way round beyond its pole
    assert onderdonk_time_s(1.0, 100.0, 90.0) < onderdonk_time_s(1.0, 100.0, 20.0)


@pytest.mark.parametrize(("start", "end", "k"), [(70, 160, 115), (90, 250, 143)])
def test_the_adiabatic_factor_is_the_standards(start, end, k):
    """IEC 60364-5-54: k of PVC and of cross-linked polyethylene."""
    assert adiabatic_k(start, end) == pytest.approx(k, abs=0.1)


def test_the_adiabatic_time_is_the_recomputed_one():
    """S = 0.5 mm², 100 A, k = 115: 0.331 s."""
    assert adiabatic_time_s(0.5, 100.0, 115.0) == pytest.approx(0.331, abs=5e-4)


def test_onderdonk_and_the_adiabatic_equation_agree():
    """Two derivations of the same heat: to melting, within 3 %."""
    k = adiabatic_k(25.0, 1083.0)
    assert adiabatic_time_s(1.0, 150.0, k) == pytest.approx(onderdonk_time_s(1.0, 150.0, 25.0), rel=0.03)
