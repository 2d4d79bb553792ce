"""Measures and counts in plain words, with their units."""

from __future__ import annotations

from collections.abc import Sequence
from math import floor

from vision.findings import LABELS, Count, Measure

LABEL_WORDS = {
    "external_heat": "external heat",
    "electrical_overload": "electrical overload",
    "rodent": "rodent bites",
    "connector": "connector damage",
    "abrasion": "abrasion",
    "earlier_repair": "earlier repair",
    "sound": "sound",
}
_OR = ", or "


def label_words(label: str) -> str:
    """A label as people read it; one a shop added itself as it is named."""
    return LABEL_WORDS.get(label, label.replace("_", " "))


def choice_of(labels: Sequence[str]) -> str:
    """Labels to choose from within a question: `connector damage, or sound`."""
    *first, last = map(label_words, labels)
    return f"{', '.join(first)}{_OR}{last}" if first else last


def labels_in(choice: str) -> list[str]:
    """The labels of such a choice, and of one as it was written earlier, by the labels' codes: `connector, sound`."""
    known = {label.replace("_", " "): label for label in LABELS} | {label_words(label): label for label in LABELS}
    return [known[name] for name in choice.replace(_OR, ", ").split(", ") if name in known]


def quantity(measure: Measure | None, unit: str) -> str:
    """`62 ± 3 mm`, `at least 59 mm (62 seen)`, `2 (0 to 5) mm` or `an unknown length` in the words of the unit."""
    if measure is None:
        return "an unknown length" if unit == "mm" else f"an unknown number of {unit}"
    if measure.low_bound and measure.u95 and least(measure, 1) <= 0:
        return f"{_short(measure.value)} {unit} that are seen, and more"
    if measure.low_bound:
        seen = f" ({_short(measure.value)} seen)" if measure.u95 else ""
        return f"at least {_short(least(measure, 1))} {unit}{seen}"
    if 0 <= measure.value < measure.u95:  # nothing measured here can be less than nothing
        return f"{_short(measure.value)} (0 to {_short(measure.value + measure.u95)}) {unit}"
    return f"{_short(measure.value)} ± {_short(measure.u95)} {unit}"


def least(measure: Measure, digits: int) -> float:
    """The least that a lower bound surely is, rounded down to so many digits."""
    surely = max(measure.value - measure.u95, 0.0)
    return floor(round(surely * 10**digits, 6)) / 10**digits  # 49.9 - 5.2 is 44.7, whatever the bits say


def length(measure: Measure | None) -> str:
    """A length in millimetres in words."""
    return quantity(measure, "mm")


def volts(measure: Measure) -> str:
    """A voltage drop in words, to the hundredth of a volt."""
    return f"{measure.value:.2f} ± {measure.u95:.2f} V"


IN_SCOPE = {"assembly": "in the assembly", "branch": "in one branch", "location": "at one location"}
"""Over what wires to repair are counted, by the shop's scope."""


def wires(count: Count | None) -> str:
    """`4 wires`, `between 4 and 7 wires`, or `an unknown number of wires`."""
    if count is None:
        return "an unknown number of wires"
    if count.low == count.high:
        return "1 wire" if count.low == 1 else f"{count.low} wires"
    return f"between {count.low} and {count.high} wires"


def several(number: int | str, noun: str, plural: str | None = None) -> str:
    """`1 joint`, `3 joints`, `between 1 and 2 joints`: a number, or one in words, of things."""
    return f"{number} {noun if str(number) == '1' else plural or noun + 's'}"


def _short(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")
