"""Combines named sources of uncertainty into one expanded uncertainty as JCGM 100 (the GUM) says, and lists them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit  # the quantile that scipy.stats.t.ppf gives, which takes long to import

from vision.findings import Measure, UncertaintyShare

MARKER_FIT, PRINT_SCALE, PARALLAX = "marker fit", "print scale", "height above the mat"
EDGES, ENDS = "edge localisation", "where it ends"
SCALE, STATED_SCALE, LENS = "scale", "stated scale", "lens and tilt"
LEARNT = "how far such measures miss on held-out scenes, learnt"
DRAWN = "outline as drawn"
COVERAGE = 0.95
_MANY = float("inf")


@dataclass(frozen=True)
class Source:
    """What one source adds to the standard uncertainty of a measure, in the measure's unit; `freedom`: of its u."""

    name: str
    standard: float
    freedom: float = _MANY

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise ValueError("expected the name of a source of uncertainty, got an empty one; name it")
        if not (np.isfinite(self.standard) and self.standard >= 0):
            raise ValueError(f"{self.name}: expected a standard uncertainty of 0 or more, got {self.standard:g}")
        if not self.freedom > 0:
            raise ValueError(f"{self.name}: expected degrees of freedom above 0, got {self.freedom:g}")

    @classmethod
    def of_limits(cls, name: str, half_width: float) -> Source:
        """Anywhere within +- half_width alike: u = a / sqrt 3 (JCGM 100, 4.3.7)."""
        return cls(name, half_width / 3**0.5)

    @classmethod
    def of_u95(cls, name: str, u95: float) -> Source:
        """An expanded uncertainty that came with a value: u = U / 2 (JCGM 100, 4.3.3)."""
        return cls(name, u95 / 2)


@dataclass(frozen=True)
class Budget:
    """A value and everything that makes it uncertain."""

    value: float
    sources: tuple[Source, ...]

    @property
    def standard(self) -> float:
        """Combined standard uncertainty: root of the sum of squares of independent sources (JCGM 100, 5.1.2)."""
        return float(np.sqrt(sum(s.standard**2 for s in self.sources)))

    @property
    def freedom(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite; JCGM 100, G.4.1)."""
        parts = sum(s.standard**4 / s.freedom for s in self.sources if np.isfinite(s.freedom))
        return self.standard**4 / parts if parts > 0 else _MANY

    @property
    def factor(self) -> float:
        """Coverage factor for 95 %: Student's t for the effective degrees of freedom, 2 at least (6.3.3, G.6.4)."""
        return max(2.0, float(stdtrit(self.freedom, (1 + COVERAGE) / 2))) if np.isfinite(self.freedom) else 2.0

    @property
    def u95(self) -> float:
        """Expanded uncertainty for 95 %."""
        return self.factor * self.standard

    def shares(self) -> dict[str, float]:
        """Each source's share of the variance, largest first; sources of the same name together."""
        total = self.standard**2
        found: dict[str, float] = {}
        for s in self.sources:
            found[s.name] = found.get(s.name, 0.0) + (s.standard**2 / total if total > 0 else 0.0)
        return dict(sorted(found.items(), key=lambda item: -item[1]))

    def with_sources(self, *more: Source) -> Budget:
        """The same value with further independent sources."""
        return Budget(self.value, (*self.sources, *more))

    def scaled(self, factor: float) -> Budget:
        """Value and sources times an exact factor."""
        return Budget(
            self.value * factor, tuple(Source(s.name, s.standard * abs(factor), s.freedom) for s in self.sources)
        )

    def plus(self, other: Budget) -> Budget:
        """The sum of two values: sources of the same name are one cause and add up, others are independent."""
        names = dict.fromkeys(s.name for s in (*self.sources, *other.sources))
        joined = [_joined(name, [s for s in (*self.sources, *other.sources) if s.name == name]) for name in names]
        return Budget(self.value + other.value, tuple(joined))

    def measure(self, low_bound: bool = False, digits: int = 2) -> Measure:
        """As a finding, rounded, with its sources; those of one name together, those that round to nothing left out."""
        factor, total = self.factor, self.standard
        listed = [
            UncertaintyShare(name=name, u95=round(factor * total * share**0.5, digits))
            for name, share in self.shares().items()
        ]
        return Measure(
            value=round(self.value, digits), u95=round(factor * total, digits), low_bound=low_bound,
            sources=[one for one in listed if one.u95 > 0],
        )  # fmt: skip

    def says(self) -> str:
        """The budget in one line, largest source first."""
        listed = ", ".join(f"{name} {share:.0%}" for name, share in self.shares().items() if share >= 0.005)
        return f"{self.value:.2f} ± {self.u95:.2f} ({listed or 'nothing uncertain'})"


def _joined(name: str, sources: list[Source]) -> Source:
    return Source(name, sum(s.standard for s in sources), min(s.freedom for s in sources))


def propagated(of: Callable[..., float], values: Mapping[str, float], standards: Mapping[str, float]) -> Budget:
    """A function's value at named arguments, one source for each argument that is uncertain (JCGM 100, 5.1.3).

    Sensitivities are central differences over one standard uncertainty either way, as 5.1.3, note 2 allows.
    """
    unknown = set(standards) - set(values)
    if unknown:
        raise ValueError(f"expected uncertainties of {', '.join(values)}, got also {', '.join(sorted(unknown))}")
    sources = []
    for name, u in standards.items():
        up, down = (of(**{**values, name: values[name] + sign * u}) for sign in (1, -1))
        sources.append(Source(name, abs(up - down) / 2))
    return Budget(of(**values), tuple(sources))
