"""Wire sizes: published geometry and resistance, sizes that exist in no table, and one OD table in two rooms."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.circuit.errors import CircuitError, UnknownSizeError
from models.circuit.wire_table import (
    FAMILIES,
    awg_diameter_mm,
    awg_size,
    nearest_awg,
    parse_size,
    resistance_at,
    wire_size,
    wire_sizes,
)
from vision import wire_sizes as seen

# Printed table of solid copper wire at 20 °C (ASTM B258 geometry): gauge, d mm, mm², mΩ/m
PRINTED = [
    (24, 0.5106, 0.2047, 84.21),
    (22, 0.6438, 0.3255, 52.96),
    (20, 0.8118, 0.5176, 33.31),
    (18, 1.0237, 0.8230, 20.95),
    (16, 1.2908, 1.3087, 13.17),
    (14, 1.6277, 2.0809, 8.285),
    (12, 2.0525, 3.3088, 5.211),
    (10, 2.5882, 5.2612, 3.277),
    (8, 3.2636, 8.3656, 2.061),
]


@pytest.mark.parametrize(("awg", "d_mm", "mm2", "mohm"), PRINTED)
def test_gauges_are_what_the_printed_table_says(awg, d_mm, mm2, mohm):
    """ASTM B258: diameter, area and resistance of solid copper."""
    size = awg_size(awg)
    assert awg_diameter_mm(awg) == pytest.approx(d_mm, abs=6e-5)
    assert size.mm2 == pytest.approx(mm2, abs=6e-5)
    assert size.ohm_per_m_20c * 1000 == pytest.approx(mohm, rel=4e-4)


def test_a_step_of_the_gauge_is_the_published_ratio():
    """ASTM B258: 1.1229322 from one gauge to the next."""
    assert awg_diameter_mm(11) / awg_diameter_mm(12) == pytest.approx(1.1229322, abs=1e-7)


@pytest.mark.parametrize(
    ("family", "mm2", "mohm"),
    [
        ("class 5", 0.5, 39.0),  # IEC 60228
        ("class 5", 10, 1.91),
        ("class 2", 2.5, 7.41),
        ("AV", 0.85, 20.8),  # JIS C 3406
        ("AV", 5, 3.52),
        ("thin wall", 1.5, 12.7),  # ISO 6722-1, from memory
    ],
)
def test_resistances_are_the_standards(family, mm2, mohm):
    """Maximum resistance at 20 °C, read by size and family."""
    assert wire_size(mm2, family).ohm_per_m_20c == pytest.approx(mohm / 1000)


@pytest.mark.parametrize("family", FAMILIES)
def test_no_row_is_mistyped(family):
    """A larger wire has less resistance, and R × area stays within 17 % of pure copper: stranding and tinning."""
    sizes = wire_sizes(family)
    assert [s.ohm_per_m_20c for s in sizes] == sorted((s.ohm_per_m_20c for s in sizes), reverse=True)
    for size in sizes:
        assert 1.7241e-8 * 0.98 < size.ohm_per_m_20c * size.copper_mm2 * 1e-6 < 1.7241e-8 * 1.17, size
        assert size.source


def test_the_av_rows_add_up():
    """JIS C 3406: conductor + 2 × wall is the usual diameter (walls 0.6, 0.6, 0.6, 0.6, 0.7, 0.8); most is above it."""
    usual = [2.2, 2.4, 2.7, 3.1, 3.8, 4.6]
    for size, wall, od in zip(wire_sizes("AV"), (0.6, 0.6, 0.6, 0.6, 0.7, 0.8), usual, strict=True):
        assert size.conductor_mm + 2 * wall == pytest.approx(od)
        assert od < size.od_mm("thick") < od + 0.35


@pytest.mark.parametrize(("wall", "family"), [("thin", "thin wall"), ("thick", "AV")])
def test_both_rooms_hold_the_same_outside_diameters(wall, family):
    """The seeing side keeps its own copy, since neither room may import the other's tables."""
    copy = {cable.size_mm2: cable.most_mm for cable in seen.FAMILIES[family]}
    assert {mm2: wire_size(mm2).od_mm(wall) for mm2 in copy} == copy


def test_resistance_rises_with_temperature_as_published():
    """AC 43.13-1B: L2 = 254.5·L1/(234.5 + T2), 60 °C gives 0.8642, so resistance rises by its inverse."""
    assert 1 / resistance_at(1.0, 60.0) == pytest.approx(0.8642, abs=1e-4)
    assert resistance_at(5.0, 20.0) == 5.0


@pytest.mark.parametrize("text", ["0.5", "0.5 mm2", " 0.50mm² ", ".5 mm^2"])
def test_a_size_is_read_as_people_write_it(text):
    """Area with or without its unit."""
    assert parse_size(text) == wire_size(0.5)


@pytest.mark.parametrize("text", ["AWG20", "awg 20", "20 AWG", "#20", "0.518"])
def test_a_gauge_is_read_as_people_write_it(text):
    """Gauge before or after, and the area of a gauge."""
    assert parse_size(text).awg == 20


@pytest.mark.parametrize("text", ["", "thick", "-0.5", "0.5 m", "nan", "1e400", "0"])
def test_what_is_no_size_is_refused_in_one_line(text):
    """And never taken for a number."""
    with pytest.raises(UnknownSizeError) as caught:
        parse_size(text)
    assert "expected" in str(caught.value) and "\n" not in str(caught.value)


def test_a_size_in_no_table_names_its_neighbours():
    """So that a slip of the pen is found at once."""
    with pytest.raises(UnknownSizeError, match=r"expected 0\.5 or 0\.75 mm², got 0\.6 mm²"):
        wire_size(0.6)
    with pytest.raises(UnknownSizeError, match=r"expected 10 mm²"):
        wire_size(700.0)
    with pytest.raises(UnknownSizeError, match="AWG 30 to AWG 0"):
        awg_size(31)
    with pytest.raises(CircuitError, match="wire family"):
        wire_size(0.5, "class 9")


def test_a_size_without_its_own_diameter_takes_one_between_its_neighbours():
    """Interpolated and said so; outside the table there is none."""
    assert 2.1 < awg_size(16).od_mm("thin") < 2.4 and awg_size(16).od_interpolated
    assert wire_size(10.0).od_mm("thin") is None
    assert not wire_size(0.5).od_interpolated


def test_the_nearest_gauge_is_the_one_people_name():
    """The usual pairing of metric sizes with gauges."""
    assert [nearest_awg(a) for a in (0.22, 0.35, 0.5, 0.85, 1.25, 2.0, 3.0, 5.0)] == [24, 22, 20, 18, 16, 14, 12, 10]


@given(st.floats(0.05, 50.0))
def test_any_area_has_a_gauge_within_one_step(mm2):
    """Even gauges differ by a factor 1.59 in area, so the nearest is within its root (inside the range of gauges)."""
    ratio = awg_size(nearest_awg(mm2)).mm2 / mm2
    assert max(ratio, 1 / ratio) <= math.sqrt(1.1229322**4) + 1e-6
