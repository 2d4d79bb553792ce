"""The heated wire: against SciPy's solver, closed forms, and laws that no wire can break."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from models.circuit.errors import CircuitError
from models.circuit.heat import (
    HeatedWire,
    copper_temperatures_c,
    heated_wire,
    steady_current_a,
    steady_temperature_c,
    time_to_reach_s,
    times_to_reach_s,
)
from models.circuit.insulation_table import (
    CLASSES,
    LOSS_LESS_REL,
    LOSS_MORE_REL,
    Material,
    bundle_share,
    insulation_class,
)
from models.circuit.short_time import adiabatic_k, adiabatic_time_s, onderdonk_time_s
from models.circuit.surface import film_w_m2k, shed_w_per_m
from models.circuit.wire_table import wire_size

HALF = heated_wire(wire_size(0.5), CLASSES["B"])
FELT = Material("as good as no heat conducted", 1e-6, 1.0)
SIZES = (0.35, 0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0)


def reference(wire, current, times_s, shells=40):
    """Copper temperature by SciPy's stiff solver on a finer grid of cell centres, written apart from the code."""
    r = np.linspace(wire.conductor_mm / 2e3, wire.od_mm / 2e3, shells + 1)
    centre, k = (r[1:] + r[:-1]) / 2, wire.material.conductivity_w_mk
    heat = wire.material.heat_j_m3k * math.pi * (r[1:] ** 2 - r[:-1] ** 2)
    ohm_inner = math.log(centre[0] / r[0]) / (2 * math.pi * k)
    ohm = np.log(centre[1:] / centre[:-1]) / (2 * math.pi * k)
    ohm_outer = math.log(r[-1] / centre[-1]) / (2 * math.pi * k)
    copper = 3.45e6 * wire.copper_mm2 * 1e-6

    def surface(inside):
        low, high = wire.ambient_c, max(inside, wire.ambient_c)
        for _ in range(45):
            middle = (low + high) / 2
            short = (inside - middle) / ohm_outer > float(wire.shed(middle))
            low, high = (middle, high) if short else (low, middle)
        return low

    def slope(_, y):
        power = current**2 * wire.ohm_per_m_20c * (1 + 0.00393 * (y[0] - 20))
        flow = np.empty(shells + 1)
        flow[0] = (y[0] - y[1]) / ohm_inner
        flow[1:-1] = (y[1:-1] - y[2:]) / ohm
        flow[-1] = (y[-1] - surface(y[-1])) / ohm_outer
        return np.concatenate([[(power - flow[0]) / copper], (flow[:-1] - flow[1:]) / heat])

    start = np.full(shells + 1, wire.ambient_c)
    done = solve_ivp(slope, (0, times_s[-1]), start, method="LSODA", t_eval=times_s, rtol=1e-6, atol=1e-6)
    return done.y[0]


@pytest.mark.parametrize(("current", "times"), [(15.0, (5, 30, 120, 600)), (40.0, (0.5, 2, 5)), (300.0, (0.01, 0.05))])
def test_the_temperature_in_time_is_scipys(current, times):
    """SciPy's LSODA, forty rings instead of eight, another grid: within 1 % of the rise."""
    expected = reference(HALF, current, np.array(times, float))
    found = copper_temperatures_c(HALF, current, np.array(times, float))
    assert found - 40 == pytest.approx(expected - 40, rel=0.01)


def test_the_time_to_a_temperature_is_when_the_temperature_is_reached():
    """Both functions tell the same story."""
    seconds = time_to_reach_s(HALF, 25.0, 120.0)
    assert copper_temperatures_c(HALF, 25.0, np.array([seconds]))[0] == pytest.approx(120.0, abs=0.2)


def test_in_the_long_run_the_temperature_settles_where_heat_in_is_heat_out():
    """Steady temperature of the march, of the closed form, and of the balance written out here."""
    settled = steady_temperature_c(HALF, 15.0)
    assert copper_temperatures_c(HALF, 15.0, np.array([5000.0]))[0] == pytest.approx(settled, abs=0.05)
    power = 15.0**2 * 0.0371 * (1 + 0.00393 * (settled - 20))
    surface = settled - power * math.log(1.6 / HALF.conductor_mm) / (2 * math.pi * 0.17)
    assert float(HALF.shed(surface)) == pytest.approx(power, rel=1e-4)
    assert steady_current_a(HALF, settled) == pytest.approx(15.0, rel=1e-5)


def test_without_losses_the_wire_follows_its_closed_form():
    """Constant heat capacity, no heat conducted away: T = (e^(αht) − 1)(1/α + T0 − 20) + T0, exact."""
    wire = HeatedWire(0.5, 0.94, 1.6, 0.0371, FELT, ambient_c=20.0)
    rate = 60.0**2 * 0.0371 / (3.45e6 * 0.5e-6)
    for seconds in (0.2, 1.0, 2.0):
        expected = 20 + math.expm1(0.00393 * rate * seconds) / 0.00393
        assert copper_temperatures_c(wire, 60.0, np.array([seconds]))[0] == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("current", [100.0, 400.0])
def test_without_losses_it_is_the_adiabatic_equation(current):
    """IEC 60364-5-54, k from 40 to 160 °C; pure copper of 0.5 mm²: within 1 %."""
    wire = HeatedWire(0.5, 0.94, 1.6, 1.7241e-8 / 0.5e-6, FELT)
    expected = adiabatic_time_s(0.5, current, adiabatic_k(40, 160))
    assert time_to_reach_s(wire, current, 160.0) == pytest.approx(expected, rel=0.01)


def test_without_losses_it_melts_when_onderdonk_says():
    """Onderdonk, 25 °C, within 5 %: his heat capacity and resistance differ a little from IEC's."""
    wire = HeatedWire(1.3078, 1.29, 1.5, 1.7241e-8 / 1.3078e-6, FELT, ambient_c=25.0)
    assert time_to_reach_s(wire, 168.9, 1083.0) == pytest.approx(onderdonk_time_s(1.3078, 168.9), rel=0.05)


def test_a_short_circuit_in_real_insulation_nears_the_adiabatic_time():
    """Heat has no time to leave: a sixth over at 30 ms, and never sooner than with no losses at all."""
    pure = HeatedWire(0.5, 0.94, 1.6, 1.7241e-8 / 0.5e-6, CLASSES["B"].material)
    for current in (400.0, 1000.0, 3000.0):
        ratio = time_to_reach_s(pure, current, 160.0) / adiabatic_time_s(0.5, current, adiabatic_k(40, 160))
        assert 0.995 < ratio < 1 + 0.16 * 400 / current


@settings(max_examples=12, deadline=None)
@given(st.sampled_from(SIZES), st.floats(5.0, 200.0), st.floats(1.05, 3.0), st.sampled_from([85.0, 125.0, 160.0]))
def test_more_current_never_gives_more_time(size, current, more, limit):
    """For any size and limit."""
    wire = heated_wire(wire_size(size), CLASSES["B"])
    times = times_to_reach_s(wire, np.array([current, current * more]), np.array([limit, limit + 20]))
    assert times[1, 0] <= times[0, 0] and times[1, 1] <= times[0, 1]
    assert times[0, 0] <= times[0, 1] and times[1, 0] <= times[1, 1]


@settings(max_examples=20, deadline=None)
@given(st.integers(0, len(SIZES) - 2), st.floats(1.0, 8.0))
def test_a_larger_wire_is_never_hotter(index, current):
    """At the same current, in the long run."""
    smaller, larger = (heated_wire(wire_size(SIZES[i]), CLASSES["B"]) for i in (index, index + 1))
    assert steady_temperature_c(larger, current) <= steady_temperature_c(smaller, current)


@settings(max_examples=20, deadline=None)
@given(st.floats(-20, 80), st.floats(1, 40), st.integers(1, 19), st.floats(90, 200))
def test_a_warmer_place_or_a_thicker_bundle_never_carries_more(ambient, warmer, bundle, limit):
    """Steady current falls with ambient and with the number of loaded wires."""
    size = wire_size(1.0)
    here = steady_current_a(heated_wire(size, CLASSES["B"], ambient_c=ambient, bundle=bundle), limit)
    hotter = steady_current_a(heated_wire(size, CLASSES["B"], ambient_c=ambient + warmer, bundle=bundle), limit)
    fuller = steady_current_a(heated_wire(size, CLASSES["B"], ambient_c=ambient, bundle=bundle + 1), limit)
    assert hotter < here and fuller <= here


def test_a_bundle_carries_the_published_share():
    """IEC 60364-5-52 (from memory): two loaded wires 0.80, nine 0.50; the small rise in between stays free."""
    assert bundle_share(2) == pytest.approx(0.8) and bundle_share(9) == pytest.approx(0.5)
    free, nine = (steady_current_a(heated_wire(wire_size(1.0), CLASSES["B"], bundle=n), 100.0) for n in (1, 9))
    assert 0.45 < nine / free < 0.58


def test_where_the_air_is_already_too_hot_nothing_may_flow():
    """Class A at 85 °C ambient: no current at all, and the limit is reached at once."""
    wire = heated_wire(wire_size(1.0), CLASSES["A"], ambient_c=85.0)
    assert steady_current_a(wire, 85.0) == 0.0
    assert time_to_reach_s(wire, 1.0, 85.0) == 0.0


def test_a_current_the_wire_bears_never_reaches_the_limit():
    """And a very large one leaves no steady temperature below melting copper."""
    assert time_to_reach_s(HALF, 0.99 * steady_current_a(HALF, 100.0), 100.0) == math.inf
    assert time_to_reach_s(HALF, 1.01 * steady_current_a(HALF, 100.0), 100.0) < 3600
    assert steady_temperature_c(HALF, 200.0) is None
    assert steady_temperature_c(HALF, 0.0) == 40.0
    assert time_to_reach_s(HALF, 0.0, 100.0) == math.inf


def test_the_surface_sheds_what_a_hand_calculation_says():
    """Churchill and Chu by hand, 1.6 mm, 100 °C in 40 °C, air at 70 °C: Ra 12.3, Nu 1.183, h 21.7; radiated 8.3."""
    assert film_w_m2k(100.0, 40.0, 1.6) == pytest.approx(21.7, rel=0.01)
    assert float(shed_w_per_m(100.0, 40.0, 1.6)) == pytest.approx(math.pi * 0.0016 * 60 * (21.7 + 8.31), rel=0.01)


@pytest.mark.parametrize("od_mm", [1.2, 1.6, 2.4, 4.3])
@pytest.mark.parametrize("surface", [60.0, 100.0, 150.0, 250.0])
def test_other_correlations_lie_within_the_stated_uncertainty(od_mm, surface):
    """Morgan (1975) and Kuehn and Goldstein (1976) for horizontal cylinders, from memory; air tables at 70 °C."""
    ra = 9.80665 / (273.15 + (surface + 40) / 2) * (surface - 40) * (od_mm / 1000) ** 3 / (2.00e-5 * 2.85e-5)
    c, n = (1.02, 0.148) if ra < 100 else (0.85, 0.188)
    thin = 0.518 * ra**0.25 * (1 + (0.559 / 0.70) ** 0.6) ** (-5 / 12)
    kuehn = 2 / math.log(1 + 2 / (thin**15 + (0.1 * ra ** (1 / 3)) ** 15) ** (1 / 15))
    radiated = 0.9 * 5.67e-8 * ((surface + 273.15) ** 4 - 313.15**4)
    ours = float(shed_w_per_m(surface, 40.0, od_mm)) / (math.pi * od_mm / 1000)
    for nusselt in (c * ra**n, kuehn):
        theirs = nusselt * 0.0293 / (od_mm / 1000) * (surface - 40) + radiated
        assert (1 - LOSS_LESS_REL) * ours < theirs < (1 + LOSS_MORE_REL) * ours


@pytest.mark.parametrize(
    ("mm2", "od_mm", "amperes"),
    [(0.75, 2.6, 15), (1.0, 2.7, 19), (1.5, 3.1, 24), (2.5, 3.7, 32), (4, 4.3, 42), (6, 4.9, 54)],
)
def test_published_currents_of_single_cables_lie_within_the_band(mm2, od_mm, amperes):
    """DIN VDE 0298-4 (from memory): single PVC cable free in air at 30 °C, conductor at 70 °C; cable as IEC 60228."""
    wire = heated_wire(wire_size(mm2, "class 5"), CLASSES["A"], ambient_c=30.0, od_mm=od_mm)
    fast, slow = (steady_current_a(bound, 70.0) for bound in wire.bounds())
    assert fast < amperes < slow


def test_the_fast_wire_has_the_least_copper_its_resistance_allows():
    """0.5 mm² of at most 37.1 mΩ/m may be 0.465 mm² of pure copper; the slow one has all of it, and it is pure."""
    fast, slow = HALF.bounds()
    assert fast.copper_mm2 == pytest.approx(17.241 / 37.1, rel=1e-4) and fast.ohm_per_m_20c == 0.0371
    assert slow.copper_mm2 == 0.5 and slow.ohm_per_m_20c == pytest.approx(0.034482, rel=1e-4)


@settings(max_examples=8, deadline=None)
@given(st.sampled_from(SIZES), st.floats(1.3, 30.0), st.sampled_from(["A", "C", "F"]))
def test_the_bounds_hold_the_best_estimate_between_them(size, over, insulation):
    """At every current the fast wire is never later, the slow one never sooner, and a warmer place never later."""
    wire = heated_wire(wire_size(size), CLASSES[insulation])
    limit = CLASSES[insulation].limit_c
    amperes = over * steady_current_a(wire, limit)
    fast, slow = wire.bounds()
    warmer = heated_wire(wire_size(size), CLASSES[insulation], ambient_c=60.0)
    early, here, late, warm = (time_to_reach_s(w, amperes, limit) for w in (fast, wire, slow, warmer))
    assert early <= here <= late and warm <= here


def test_insulation_classes_are_the_standards():
    """ISO 6722: A 85, B 100, C 125, D 150, E 175, F 200, G 225, H 250 °C."""
    assert [CLASSES[name].limit_c for name in "ABCDEFGH"] == [85, 100, 125, 150, 175, 200, 225, 250]
    assert insulation_class("b") is CLASSES["B"]
    with pytest.raises(CircuitError, match="A \\(85 °C\\)"):
        insulation_class("Z")


@pytest.mark.parametrize(
    "change", [{"od_mm": 0.5}, {"ambient_c": 300.0}, {"ambient_c": math.nan}, {"copper_mm2": -1.0}, {"bundle": 0}]
)
def test_an_impossible_wire_cannot_be_built(change):
    """Each with a line that says what was expected."""
    values = dict(copper_mm2=0.5, conductor_mm=0.94, od_mm=1.6, ohm_per_m_20c=0.037, material=FELT)
    with pytest.raises(CircuitError, match="expected"):
        HeatedWire(**{**values, **change})


def test_a_size_without_an_outside_diameter_asks_for_one():
    """Measured and stated, it is taken."""
    with pytest.raises(CircuitError, match="measure and state it"):
        heated_wire(wire_size(10.0), CLASSES["B"])
    assert heated_wire(wire_size(10.0), CLASSES["B"], od_mm=6.0).od_mm == 6.0


@pytest.mark.parametrize("current", [-1.0, math.inf, math.nan, 1e9])
def test_an_impossible_current_is_refused_at_once(current):
    """Instead of being marched through time for ever."""
    for ask in (
        lambda: time_to_reach_s(HALF, current, 100.0),
        lambda: steady_temperature_c(HALF, current),
        lambda: copper_temperatures_c(HALF, current, np.array([1.0])),
    ):
        with pytest.raises(CircuitError, match="current: expected"):
            ask()
    with pytest.raises(CircuitError, match="where copper melts"):
        time_to_reach_s(HALF, 10.0, 2000.0)


def test_the_largest_current_is_still_computed():
    """A hundred thousand ampere: microseconds, in finite time."""
    assert 0 < time_to_reach_s(HALF, 1e5, 160.0) < 1e-6
    assert copper_temperatures_c(HALF, 1e5, np.array([10.0]))[0] >= 1083
