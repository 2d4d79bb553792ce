"""What the photographs did not measure well enough to decide anything: to be counted or measured by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from desk.wording import limits_of, say_count_ends, say_ends
from models.repair.verdicts import count_too_wide, too_wide
from vision.findings import Decision, Measure, PhotoFindings, Region


@dataclass(frozen=True)
class ByHand:
    """One thing to be counted or measured, and what the photographs leave open: `between 0 and 42`."""

    what: str
    seen: str


OF_A_REGION: tuple[tuple[str, str, str | None], ...] = (
    ("length along the wire", "length_mm", None),
    ("near edge to the termination", "to_termination_mm", "termination-distance"),
    ("bare copper, all wires", "exposed_copper_mm", "conductor-damage"),
)
"""Measures of a place in words, their fields, and the rule whose limit each is held against."""


def by_hand(photos: Sequence[PhotoFindings], decision: Decision) -> list[ByHand]:
    """Everything of an assembly that is too wide to use, the number of wires to repair first.

    The wires of a place that are all of them are not asked for twice.
    """
    count, limits = decision.wires_to_repair, limits_of(decision, "wire-count")
    all_of_them = say_count_ends(count) if count is not None and count_too_wide(count, limits) else None
    found = [ByHand(_ALL, all_of_them)] if all_of_them else []
    several = len(photos) > 1
    for photo in photos:
        for region in photo.regions:
            ref = f"{photo.photo.name}:{region.id}" if several else region.id
            of_it = [(what, seen) for what, seen in _of(region, decision) if (what, seen) != (_HERE, all_of_them)]
            found += [ByHand(f"{ref}: {what}", seen) for what, seen in of_it]
    return found


_ALL, _HERE = "wires to repair, earlier repairs counted", "wires damaged"


def _of(region: Region, decision: Decision) -> list[tuple[str, str]]:
    found = []
    count = region.wires_affected
    if count is not None and count_too_wide(count, limits_of(decision, "wire-count")):
        found.append((_HERE, say_count_ends(count)))
    for what, field, rule in OF_A_REGION:
        measure: Measure | None = getattr(region, field)
        if measure is not None and too_wide(measure, limits_of(decision, rule)):
            found.append((what, say_ends(measure)))
    return found
