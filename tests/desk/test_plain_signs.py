"""Signs of damage in words of the bench: no measure of colour stands alone, and its number is kept."""

import re
from collections import defaultdict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from desk.plain_signs import plain_sign, spoilt
from vision.evidence import RegionSigns, words
from vision.findings import LABELS, Retake


@pytest.mark.parametrize(
    ("says", "plain"),
    [
        ("colour leaves the wire's own by ΔE 11", "colour differs plainly from the wire's own (ΔE 11)"),
        (
            "colour leaves the wire's own by ΔE 31 over 35 mm",
            "colour differs very much from the wire's own (ΔE 31) over 35 mm",
        ),
        ("hue shifted by 3 along the wire", "the tint changes slightly along the wire (ΔE 3)"),
        ("lighter than the continuing wire by 4 L", "slightly lighter than the wire beside it (lightness +4)"),
        ("darker than the continuing wire by 20 L", "very much darker than the wire beside it (lightness −20)"),
        ("another colour than the wire by ΔE 18", "another colour than the wire's own (ΔE 18)"),
        ("copper shows in up to 12%", "copper shows in up to 12%"),
    ],
)
def test_signs_are_said_plainly_and_keep_their_number(says, plain):
    """Sentences as findings and records hold them."""
    assert plain_sign(says) == plain


@given(st.sampled_from([*LABELS, None]), st.floats(-60, 60), st.booleans())
def test_no_sign_that_the_seeing_writes_reaches_the_bench_as_a_bare_measure(label, value, scaled):
    """Whatever it measured: numbers are the same, and those of colour stand in brackets."""
    signs = RegionSigns(defaultdict(lambda: value, break_median=abs(value)))  # a distance of colours
    for sign in words(label, signs, 35.0 if scaled else None, scaled):
        plain = plain_sign(sign.says)
        assert re.findall(r"\d+", plain) == re.findall(r"\d+", sign.says)
        outside = re.sub(r"\([^()]*\)", "", plain)
        assert "ΔE" not in outside and not re.search(r"\d L\b|hue shifted", outside)
        assert plain_sign(plain) == plain


@pytest.mark.parametrize(("measure", "says"), [("diameter", "the wires' thickness"), ("all", "everything")])
def test_what_a_better_photograph_is_for_is_said_in_words(measure, says):
    """The codes of the retakes."""
    assert spoilt(Retake(fault="blurred", advice="hold still", measure=measure)) == says
