"""How many different wires need repair: united over regions and joints, never added twice, as an interval."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from vision.findings import Count


@dataclass(frozen=True)
class Share:
    """Wires that one region or joint puts up for repair.

    `low` to `high` wires, `high` None where unknown; `wire_ids` names some or
    all of them. `certain`: they do get repaired. `ends`: where they lead.
    Shares of one `damage` (a number from 0) are one region seen in several photographs. `ref` names the place.
    """

    photo: int
    wire_ids: frozenset[str]
    low: int
    value: int
    high: int | None
    certain: bool
    ends: frozenset[str] = frozenset()
    damage: int = -1
    ref: str = ""


@dataclass(frozen=True)
class Span:
    """A number of wires between `low` and `high` (None: no upper end known), `value` the best guess."""

    low: int
    value: int
    high: int | None

    def count(self, wire_ids: Iterable[str]) -> Count | None:
        """The same as findings; None where no upper end is known."""
        if self.high is None:
            return None
        return Count(value=self.value, low=self.low, high=self.high, wire_ids=sorted(wire_ids))


def united(shares: Sequence[Share]) -> Span:
    """Wires of one assembly. Within a photograph equal ids are one wire; over photographs identity is unknown,
    so there are at least as many wires as the richest photograph shows and at most their sum, damage that was
    recognised as the same taken once.
    """
    photos = sorted({s.photo for s in shares})
    spans = [_one_photo([s for s in shares if s.photo == photo]) for photo in photos]
    once = _each_damage_once(shares)
    most = _sum(_one_photo([s for s in once if s.photo == photo]).high for photo in photos)
    low = max((span.low for span in spans), default=0)
    value = max((span.value for span in spans), default=0)
    return Span(low, value, None if most is None else max(most, value))


def _each_damage_once(shares: Sequence[Share]) -> list[Share]:
    """Of shares of one damage in several photographs the one with the highest upper end, an unknown one above all."""
    kept: dict[object, Share] = {}
    for k, share in enumerate(shares):
        key: object = (k,) if share.damage < 0 else share.damage
        other = kept.get(key)
        if other is None or (other.high is not None and (share.high is None or share.high > other.high)):
            kept[key] = share
    return list(kept.values())


def _sum(highs: Iterable[int | None]) -> int | None:
    total = 0
    for high in highs:
        if high is None:
            return None
        total += high
    return total


def _one_photo(shares: Sequence[Share]) -> Span:
    named = frozenset().union(*(s.wire_ids for s in shares))
    sure = frozenset().union(*(s.wire_ids for s in shares if s.certain and s.low >= len(s.wire_ids)))
    low = max([len(sure), *(s.low for s in shares if s.certain)])
    high = _most(shares, len(named))
    high = None if high is None else max(low, high)
    value = max([low, round(_usual(shares)), *(s.value for s in shares)])
    return Span(low, value if high is None else min(value, high), high)


def _most(shares: Sequence[Share], named: int) -> int | None:
    """Every share as large as it may be: no wire in two of them, and no more than their names and what has none."""
    apart = _sum(s.high for s in shares)
    unnamed = _sum(None if s.high is None else max(0, s.high - len(s.wire_ids)) for s in shares)
    return None if apart is None or unnamed is None else min(apart, named + unnamed)


def _usual(shares: Sequence[Share]) -> float:
    """Wires to expect: a share of fewer wires than it names touches each of those with the same probability."""
    likely: dict[str, float] = {}
    unnamed = 0.0
    for share in shares:
        unnamed += max(0, share.value - len(share.wire_ids))
        for wire in share.wire_ids:
            likely[wire] = max(likely.get(wire, 0.0), min(1.0, share.value / len(share.wire_ids)))
    return sum(likely.values()) + unnamed


def most_at_one_location(shares: Sequence[Share]) -> Span:
    """The largest number of wires in one region or joint."""
    spans = [_one_photo([share]) for share in shares]
    return _largest(spans)


def most_in_one_branch(shares: Sequence[Share]) -> Span:
    """The largest number of wires in one branch: shares whose wires reach a common termination belong together.

    A share whose wires reach no termination in the photograph may belong to any branch.
    """
    groups: list[list[Share]] = []
    for share in (s for s in shares if s.ends):
        touching = [g for g in groups if any(o.photo == share.photo and o.ends & share.ends for o in g)]
        groups = [g for g in groups if g not in touching] + [[share, *(o for g in touching for o in g)]]
    loose = [s for s in shares if not s.ends]
    if not groups:
        least = _largest([_one_photo([s]) for s in loose])
        return Span(least.low, least.value, united(loose).high)
    known = _largest([united(g) for g in groups] + [_one_photo([s]) for s in loose])
    highest = [united([*g, *loose, *_elsewhere(g, shares)]).high for g in groups]
    return Span(known.low, known.value, None if None in highest else max(h for h in highest if h is not None))


def _elsewhere(group: Sequence[Share], shares: Sequence[Share]) -> list[Share]:
    """Shares of other photographs: they may show the same branch."""
    here = {s.photo for s in group}
    return [s for s in shares if s.ends and s.photo not in here]


def _largest(spans: Sequence[Span]) -> Span:
    low = max((span.low for span in spans), default=0)
    value = max((span.value for span in spans), default=0)
    highs = [span.high for span in spans]
    return Span(low, value, None if None in highs else max((h for h in highs if h is not None), default=0))
