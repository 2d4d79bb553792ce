"""Which load explains overload damage."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_bvp

from models.circuit.errors import CircuitError
from models.circuit.heat import heated_wire, steady_current_a, steady_temperature_c
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


def edge_by_scipy(wire, current, damaged_mm, to_terminal_mm):
    """Temperature at the damage's edge by SciPy, with the true losses and the resistance where the copper is cool."""
    through = 2 * math.pi * wire.material.conductivity_w_mk / math.log(wire.od_mm / wire.conductor_mm)
    surfaces = np.linspace(40.0, 400.0, 400)
    shed = wire.shed(surfaces)
    copper = surfaces + shed / through
    x = np.linspace(0, (damaged_mm + 2 * to_terminal_mm) / 1000, 600)
    from_end = np.minimum(x, x[-1] - x)

    def slope(_, y):
        made = current**2 * wire.ohm_per_m_20c * (1 + 0.00393 * (y[0] - 20))
        return np.vstack([y[1], (np.interp(y[0], copper, shed) - made) / (390 * wire.copper_mm2 * 1e-6)])

    far = steady_temperature_c(wire, current)
    guess = np.vstack([40 + (far - 40) * np.minimum(1, from_end / 0.05), 0 * x])
    solved = solve_bvp(slope, lambda a, b: np.array([a[0] - 40, b[0] - 40]), x, guess, tol=1e-4, max_nodes=20_000)
    assert solved.success
    return float(solved.sol(to_terminal_mm / 1000)[0])


@pytest.mark.parametrize("distance", [25.0, 40.0, 80.0, 150.0])
def test_damage_near_the_terminal_needs_a_fin_solved_by_scipy(distance):
    """Our fin takes linear losses: the upper current is never too small, and at most a tenth too large."""
    high = load_that_explains(WIRE, CLASSES["B"], 300.0, distance).high_a
    _, slow = WIRE.bounds()
    assert edge_by_scipy(slow, high, 300.0, distance) >= 150.0 > edge_by_scipy(slow, high / 1.1, 300.0, distance)


def test_damage_up_to_the_terminal_has_no_upper_end():
    """And the words say that a hot terminal explains it as well."""
    found = load_that_explains(WIRE, CLASSES["B"], 300.0, 0.0)
    assert found.high_a is None and "hot terminal" in found.says


def test_a_terminal_cools_no_farther_than_along_the_wire_that_sheds_least():
    """λ = √(k S ΔT / (I² R)) by hand: 390 W/(m K), 0.4647 mm² of copper, 60 K, R at 40 °C."""
    fast, _ = WIRE.bounds()
    made = steady_current_a(fast, 100.0) ** 2 * 0.0371 * (1 + 0.00393 * 20)
    expected_mm = 1000 * math.sqrt(390 * 0.4647e-6 * 60 / made)
    assert load_that_explains(WIRE, CLASSES["B"], 300.0, 40.0).cooling_mm == pytest.approx(expected_mm, rel=1e-3)


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
