"""Budgets after the GUM: combining, coverage factors, propagation against an independent library, coverage."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import ufloat, umath

from vision.uncertainty import Budget, Source, propagated

SMALL = st.floats(0.001, 0.05)


def test_a_published_budget_of_three_sources():
    """0.00058 / sqrt 3, 0.001 / sqrt 12 and 0.0005 / 2 combine to 0.00051, expanded 0.0010 (a textbook's budget)."""
    sources = (
        Source.of_limits("scale", 0.00058),
        Source.of_limits("resolution", 0.0005),
        Source.of_u95("calibration", 0.0005),
    )
    budget = Budget(1.0, sources)
    assert budget.standard == pytest.approx(0.00051, abs=5e-6)
    assert budget.u95 == pytest.approx(0.0010, abs=3e-5)


def test_few_observations_widen_the_coverage_factor():
    """One source with 4 degrees of freedom: t = 2.776 (table of Student's t; GUM table G.2); many: 2."""
    assert Budget(1, (Source("mean of five", 0.1, 4),)).factor == pytest.approx(2.776, abs=1e-3)
    mixed = Budget(1, (Source("a", 0.1, 4), Source("b", 0.1)))
    assert mixed.freedom == pytest.approx(0.2**2 * 0.1**2 / (0.1**4 / 4))  # (2 a^2)^2 = 4 a^4 over a^4 / 4
    assert Budget(1, (Source("b", 0.1),)).factor == 2.0


@settings(max_examples=80, deadline=None)
@given(st.floats(0.05, 3), st.floats(300, 2000), st.floats(0, 0.4), SMALL, SMALL, SMALL)
def test_propagation_agrees_with_an_independent_library(
    px_mm: float, far: float, turn: float, ua: float, ub: float, uc: float
):
    """A raised length through a camera's height and a turn: value, u and each source as `uncertainties` has them."""
    values = {"scale": px_mm, "camera": far, "turn": turn}
    standards = {"scale": ua * px_mm, "camera": ub * far, "turn": uc}
    budget = propagated(lambda scale, camera, turn: 100 * scale * (1 - 8 / camera) / math.cos(turn), values, standards)
    a, b, c = (ufloat(values[n], standards[n]) for n in values)
    theirs = 100 * a * (1 - 8 / b) / umath.cos(c)
    assert budget.value == pytest.approx(theirs.nominal_value)
    assert budget.standard == pytest.approx(theirs.std_dev, rel=0.02)
    # a difference over one standard uncertainty sees some curvature that a derivative does not
    by_source = {n: s for n, s in zip(values, (theirs.error_components()[v] for v in (a, b, c)), strict=True)}
    for source in budget.sources:
        assert source.standard == pytest.approx(by_source[source.name], rel=0.02, abs=3e-3 * theirs.std_dev)


@given(st.floats(0.1, 5), st.floats(0.1, 5), st.floats(0.1, 5))
def test_common_causes_add_up_and_independent_ones_in_squares(u: float, v: float, w: float):
    """Two stretches on one mat share its print; their own ends are independent (against `uncertainties`)."""
    one = Budget(100, (Source("print", u), Source("end of one", v)))
    two = Budget(50, (Source("print", u / 2), Source("end of two", w)))
    shared = ufloat(0, u)
    theirs = (100 + shared + ufloat(0, v)) + (50 + shared / 2 + ufloat(0, w))
    total = one.plus(two)
    assert total.value == 150 and total.standard == pytest.approx(theirs.std_dev)
    assert sum(total.shares().values()) == pytest.approx(1)
    assert total.scaled(-2).standard == pytest.approx(2 * total.standard)


def test_a_budget_says_its_largest_source_first():
    """Words for the answer; a certain value says so."""
    assert Budget(10, (Source("a", 0.1), Source("b", 0.3))).says() == "10.00 ± 0.63 (b 90%, a 10%)"
    assert Budget(10, ()).says() == "10.00 ± 0.00 (nothing uncertain)"


@pytest.mark.parametrize("make", [
    lambda: Source("", 1), lambda: Source("a", -1), lambda: Source("a", math.nan), lambda: Source("a", 1, 0),
    lambda: propagated(lambda x: x, {"x": 1}, {"y": 1}),
])  # fmt: skip
def test_impossible_sources_cannot_be_built(make):
    """Expected, got."""
    with pytest.raises(ValueError, match="expected"):
        make()


def test_budgets_of_mixed_shapes_cover_95_of_100():
    """3000 sums of a normal, a uniform and a part whose u is itself the estimate of six: 94 to 97 % within U95."""
    rng = np.random.default_rng(1)
    hits = 0
    for _ in range(3000):
        seen = float(rng.normal(0, 0.6 * 6**0.5, 6).std(ddof=1)) / 6**0.5
        budget = Budget(0, (Source("normal", 1.0), Source.of_limits("uniform", 1.5), Source("of six", seen, 5)))
        hits += abs(rng.normal(0, 1) + rng.uniform(-1.5, 1.5) + rng.normal(0, 0.6)) <= budget.u95
    assert 0.94 <= hits / 3000 <= 0.97


@given(st.lists(st.floats(0.01, 5), min_size=1, max_size=6), st.floats(1, 500))
def test_the_sources_of_a_finding_add_up_to_its_u95(standards: list[float], value: float):
    """Squares of what each source would give alone, as independent sources combine (JCGM 100, 5.1.2)."""
    sources = tuple(Source(f"source {i % 3}", u) for i, u in enumerate(standards))
    found = Budget(value, sources).measure(digits=6)
    assert math.sqrt(sum(one.u95**2 for one in found.sources)) == pytest.approx(found.u95, abs=1e-5)
    assert [one.u95 for one in found.sources] == sorted((one.u95 for one in found.sources), reverse=True)


def test_a_source_that_rounds_to_nothing_is_not_listed():
    """0.001 mm beside 2 mm."""
    found = Budget(10.0, (Source("edges", 1.0), Source("print scale", 0.001))).measure()
    assert [(one.name, one.u95) for one in found.sources] == [("edges", 2.0)]
