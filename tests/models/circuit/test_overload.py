"""Which load explains overload damage."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_bvp

from models.circuit.errors import CircuitError
from models.circuit.heat import heated_wire, steady_current_a
from models.circuit.insulation_table import CLASSES
from models.circuit.overload import load_that_explains
from models.circuit.wire_table import wire_size

WIRE = heated_wire(wire_size(0.5), CLASSES["B"])


def test_far_from_the_terminal_it_is_what_a_long_wire_bears():
    """Between the class limit with little heat shed and 50 K above it with much."""
    fast, slow = WIRE.bounds()
    found = load_that_explains(WIRE, CLASSES["B"], 500.0, 150.0)
    assert found.low_a == pytest.approx(steady_current_a(fast, 100.0))
    assert found.high_a == pytest.approx(steady_current_a(slow, 150.0), rel=0.01)
    assert found.plausible and found.assumptions


def test_damage_near_the_terminal_needs_a_fin_solved_by_scipy():
    """The upper current against a boundary value problem, solved by SciPy with losses linear in temperature."""
    found = load_that_explains(WIRE, CLASSES["B"], 300.0, 40.0)
    _, slow = WIRE.bounds()
    far = next(t for t in np.arange(150.0, 400.0, 0.1) if steady_current_a(slow, t) >= found.high_a)
    cooling = math.sqrt(
        390 * 0.5e-6 * (far - 40) / (found.high_a**2 * slow.ohm_per_m_20c * (1 + 0.00393 * (far - 20)))
    )  # m, from the heat balance far from the ends
    x = np.linspace(0, 0.38, 400)
    solved = solve_bvp(
        lambda x, y: np.vstack([y[1], (y[0] - (far - 40)) / cooling**2]),
        lambda a, b: np.array([a[0], b[0]]),
        x,
        np.zeros((2, x.size)),
    )
    assert 40 + solved.sol(0.040)[0] == pytest.approx(150.0, abs=1.0)


def test_damage_up_to_the_terminal_has_no_upper_end():
    """And the words say that a hot terminal explains it as well."""
    found = load_that_explains(WIRE, CLASSES["B"], 300.0, 0.0)
    assert found.high_a is None and "hot terminal" in found.says


def test_damage_that_stops_far_from_the_terminal_is_no_overload():
    """A uniform current heats the wire right up to where the terminal cools it."""
    assert not load_that_explains(WIRE, CLASSES["B"], 100.0, 400.0).plausible


@settings(max_examples=20, deadline=None)
@given(st.floats(20.0, 1000.0), st.floats(3.0, 150.0), st.floats(1.0, 100.0))
def test_damage_nearer_to_the_terminal_never_means_less_current(damaged, distance, nearer):
    """Upper end; the lower end does not depend on it."""
    here = load_that_explains(WIRE, CLASSES["B"], damaged, distance + nearer)
    near = load_that_explains(WIRE, CLASSES["B"], damaged, distance)
    assert near.high_a is None or (here.high_a is not None and near.high_a >= here.high_a * (1 - 1e-6))
    assert near.low_a == here.low_a


@pytest.mark.parametrize(("damaged", "distance"), [(0.0, 10.0), (-5.0, 10.0), (50.0, -1.0), (math.nan, 1.0)])
def test_impossible_lengths_are_refused(damaged, distance):
    """One line each."""
    with pytest.raises(CircuitError, match="expected a number of mm"):
        load_that_explains(WIRE, CLASSES["B"], damaged, distance)
