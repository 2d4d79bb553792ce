"""Three-valued comparison of a measured value with a limit, and the order of routes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from vision.findings import Action, Count, Measure, Question, Route, Verdict

GUARD_PER_U95 = 1.645 / 1.96
"""ISO 14253-1:2017, default 95 % probability, one-sided: guard band 1.645 u, with u = U95 / 1.96."""

ROUTES: tuple[Route, ...] = ("return_to_service", "repair_in_vehicle", "remanufacture", "refer")
SERVICE, REPAIR, REMANUFACTURE, REFER = range(4)
_VERDICT_ORDER: dict[Verdict, int] = {"not_applicable": 0, "met": 1, "cannot_tell": 2, "violated": 3}


def route_rank(route: Route) -> int:
    """0 return_to_service, 1 repair_in_vehicle, 2 remanufacture, 3 refer; `undecided` has no rank."""
    if route not in ROUTES:
        raise ValueError(f"expected a decided route ({', '.join(ROUTES)}), got {route!r}: ask route_worst instead")
    return ROUTES.index(route)


def guard(measure: Measure) -> float:
    """Width of the guard band on either side of a limit, in the unit of the measure."""
    return GUARD_PER_U95 * measure.u95


def at_most(measure: Measure | None, limit: float) -> Verdict:
    """Verdict against an upper limit. A lower bound can break the limit but never prove it kept."""
    if measure is None:
        return "cannot_tell"
    if measure.value - guard(measure) > limit:
        return "violated"
    kept = measure.value + guard(measure) <= limit and not measure.low_bound
    return "met" if kept else "cannot_tell"


def at_least(measure: Measure | None, limit: float) -> Verdict:
    """Verdict against a lower limit. A lower bound can prove the limit kept but never broken."""
    if measure is None:
        return "cannot_tell"
    if measure.value - guard(measure) >= limit:
        return "met"
    broken = measure.value + guard(measure) < limit and not measure.low_bound
    return "violated" if broken else "cannot_tell"


def beyond(measure: Measure | None, limit: float, zero_within: float) -> Verdict:
    """As `at_most`, for a limit of about zero, which no uncertain measure could be proved to keep.

    A value is believed to keep the limit when its upper end exceeds it by no more than `zero_within`.
    """
    verdict = at_most(measure, limit)
    if verdict == "violated":
        return verdict
    return at_most(measure, limit + zero_within)


def why_broken(measure: Measure | None, limit: float, unit: str) -> str:
    """Which band decided that an upper limit is broken, where value ± U95 holds the limit all the same; else empty.

    A reader who sees 35 (0 to 70) mm beside a limit of 0 mm would take the verdict for a mistake.
    """
    if measure is None or at_most(measure, limit) != "violated" or measure.value - measure.u95 > limit:
        return ""
    return f", more than {measure.value - guard(measure):.1f} {unit} by the one-sided 95 % band of a limit"


def count_at_most(low: int, high: int | None, limit: int) -> Verdict:
    """Verdict on a count known to lie in [low, high]; `high` None: no upper end is known."""
    if low > limit:
        return "violated"
    return "met" if high is not None and high <= limit else "cannot_tell"


WIDE = 4.0
"""An interval whose upper end is more than so many times its lower end tells no more than a look does."""
LEAST_MM, LEAST_WIRES = 5.0, 1
"""What the lower end is taken for at least: a difference of so little matters to nobody at the bench."""


def too_wide(measure: Measure | None, limits: Sequence[float]) -> bool:
    """Whether a length decides nothing: wide, and on both sides of every limit that it is held against.

    A measure that keeps or breaks a limit by its one-sided band is of use however wide it is. A lower bound, a count
    by hand and a stated value are what they are.
    """
    if measure is None or measure.low_bound or measure.u95 == 0:
        return False
    least, most = max(measure.value - measure.u95, LEAST_MM), measure.value + measure.u95
    return most > WIDE * least and all(abs(measure.value - limit) <= guard(measure) for limit in limits)


def count_too_wide(count: Count | None, limits: Sequence[float]) -> bool:
    """The same of a number of wires, of which a limit may not be exceeded."""
    if count is None or count.low == count.high:
        return False
    return count.high > WIDE * max(count.low, LEAST_WIRES) and all(count.low <= one < count.high for one in limits)


def gravest(verdicts: Iterable[Verdict]) -> Verdict:
    """The gravest of several verdicts that all hold."""
    return max(verdicts, key=_VERDICT_ORDER.__getitem__, default="not_applicable")


def either(verdicts: Iterable[Verdict]) -> Verdict:
    """The verdict when one of several holds and it is not known which."""
    found = set(verdicts)
    return found.pop() if len(found) == 1 else "cannot_tell"


@dataclass(frozen=True)
class Hit:
    """What one rule says of one thing (region, joint, housing or the whole assembly).

    `floor`: rank of the route it demands for certain (safe defaults included);
    `worst`: the rank if its questions went the wrong way; `needs`: the route is
    undecided while what is certain lies below this rank. `repairs` and
    `splices`: whether wires get repaired, and by a joint: no, maybe, yes.
    """

    rule: str
    verdict: Verdict
    says: str
    on: str = ""
    measured: Measure | None = None
    limit: float | None = None
    unit: str | None = None
    floor: int = SERVICE
    worst: int = SERVICE
    needs: int = SERVICE
    repairs: str = "no"
    splices: str = "no"
    sleeve_only: bool = False
    questions: tuple[Question, ...] = ()
    actions: tuple[Action, ...] = field(default=())

    @property
    def worst_rank(self) -> int:
        """The worst rank this rule can lead to."""
        return max(self.floor, self.worst, self.needs)


def gravity(hit: Hit) -> tuple[int, int]:
    """Sort key: the gravest verdict first, then the gravest route."""
    return _VERDICT_ORDER[hit.verdict], hit.worst_rank
