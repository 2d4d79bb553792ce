"""The mixed-integer programme as data: columns, rows, the variables of the joints, and what a plan costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from models.repair.branch import BranchWire, Mark


@dataclass(frozen=True)
class Weights:
    """What one joint, one new terminal and one metre of new wire cost; any one unit, the same for all three."""

    joint: float = 6.0
    terminal: float = 8.0
    wire_per_m: float = 12.0

    def __post_init__(self) -> None:
        if min(self.joint, self.terminal, self.wire_per_m) < 0:
            raise ValueError(f"weights must not be negative, got {self}")


@dataclass(frozen=True)
class JointVar:
    """A joint that may be made: its wire, the columns of its place and of whether it is made, and where it may lie.

    `rest` is the place taken when it is not made.
    """

    wire: BranchWire
    x: int
    active: int
    windows: tuple[tuple[int, int], ...]
    rest: int


@dataclass(frozen=True)
class OldVar:
    """An existing joint in a gap, and the column that says it stays."""

    wire: BranchWire
    mark: Mark
    stays: int


@dataclass
class Programme:
    """Whole-numbered columns and the rows over them: (coefficients by column, lower, upper)."""

    cost: list[float] = field(default_factory=list)
    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)
    rows: list[tuple[dict[int, float], float, float]] = field(default_factory=list)
    joints: list[JointVar] = field(default_factory=list)
    old: list[OldVar] = field(default_factory=list)

    def column(self, low: float, high: float, cost: float = 0.0) -> int:
        """A new whole-numbered column."""
        self.cost.append(cost)
        self.low.append(low)
        self.high.append(high)
        return len(self.cost) - 1

    def exactly(self, terms: dict[int, float], value: float) -> None:
        """Sum of coefficient times column = value."""
        self.rows.append((terms, value, value))

    def at_most(self, terms: dict[int, float], high: float) -> None:
        """Sum of coefficient times column <= high."""
        self.rows.append((terms, -float("inf"), high))

    def at_least(self, terms: dict[int, float], low: float, when: Sequence[tuple[int, int]] = ()) -> None:
        """Sum of coefficient times column >= low, wherever every column of `when` has the value beside it."""
        least = sum(c * (self.low[i] if c > 0 else self.high[i]) for i, c in terms.items())
        if least >= low:
            return
        big = low - least
        row, bound = dict(terms), low
        for column, value in when:
            row[column] = row.get(column, 0.0) + (-big if value else big)
            bound -= big if value else 0.0
        self.rows.append((row, bound, float("inf")))
