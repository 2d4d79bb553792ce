"""Evidence in words: signs that are there, none of what is not."""

import pytest

from vision.evidence import _SIGNS, RegionSigns, words
from vision.findings import LABELS


def signs(**values):
    """All signs of a candidate at nothing, but for those given."""
    plain = {f"{name}{end}": 0.0 for name in _SIGNS for end in ("", "_top", "_over_sound")}
    return RegionSigns(plain | {"share_of_bundle": 0.5, "mean_width_mm": 4.0} | values)


def told(label, signs, length_mm):
    """Where millimetres are real."""
    return words(label, signs, length_mm, scaled=True)


@pytest.mark.parametrize("label", ["external_heat", "rodent", "abrasion", "electrical_overload", "earlier_repair"])
def test_what_is_not_there_is_no_evidence(label):
    """No share of nothing, no crumbs that were not seen, no lumps or ragged edges where there are none."""
    said = [one.says for one in told(label, signs(), 40.0)]
    assert not [text for text in said if "lump" in text or "ragged" in text]
    assert not [text for text in said if text.startswith("0%") or " 0%" in text or text.startswith("no ")]


def test_what_is_there_is_named_with_its_size():
    """A third of the valleys lost, char in 45 %, copper in 30 %."""
    heat = signs(**{"valleys_per_mm": 0.4, "valleys_per_mm_over_sound": -0.2, "black_share_1.2mm_top": 0.45})
    said = [one.says for one in told("external_heat", heat, 40.0)]
    assert any(text.startswith("33% of the valleys") and "40 mm" in text for text in said)
    assert any("45%" in text for text in said)
    bitten = signs(**{"copper_share_1.2mm_top": 0.3, "crumbs_14mm_top": 0.9})
    assert {"copper shows in up to 30%", "crumbs beside the wires"} <= {w.says for w in told("rodent", bitten, None)}


def test_a_wear_is_called_smooth_where_its_outline_is():
    """A ragged one is worn too, but not said to be smooth."""
    smooth, ragged = (
        [one.says for one in told("abrasion", signs(edge_rough_4mm_top=rough), None)] for rough in (0.004, 0.03)
    )
    assert any("smooth" in text for text in smooth) and not any("smooth" in text for text in ragged)


def test_sleeves_found_as_one_place_are_not_said_to_be_one():
    """8 mm wide: one thick sleeve or two thin ones side by side."""
    (wide,) = [one.says for one in told("earlier_repair", signs(mean_width_mm=8.0), None) if one.feature == "width"]
    assert wide == "8.0 mm wide: one sleeve, or several side by side"


def test_without_a_scale_no_width_is_told():
    """Its millimetres would be assumed ones."""
    said = words("earlier_repair", signs(mean_width_mm=8.0), None, scaled=False)
    assert said and all(one.feature != "width" for one in said)


@pytest.mark.parametrize("label", [*LABELS, None])
def test_without_a_scale_no_words_hold_millimetres(label):
    """Every sign there is, of every label."""
    every = signs(
        edge_rough_4mm_top=0.3, **{"copper_share_1.2mm_top": 0.4, "black_share_1.2mm_top": 0.4}, crumbs_14mm_top=2.0
    )
    assert not any("mm" in one.says for one in words(label, every, None, scaled=False))
