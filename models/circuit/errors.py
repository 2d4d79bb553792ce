"""The typed errors of circuit knowledge; their text is one line: expected, got, what to do."""

from __future__ import annotations


class CircuitError(ValueError):
    """A value that circuit knowledge cannot work with."""


class UnknownSizeError(CircuitError):
    """A wire size that stands in no table."""


class UnknownFuseError(CircuitError):
    """A fuse rating that does not exist."""


def positive(name: str, value: float, unit: str, most: float = 1e6) -> float:
    """The value, when it is a number above 0 and at most `most`; else a CircuitError that says so."""
    if not 0 < value <= most:  # False for NaN, too
        raise CircuitError(f"{name}: expected a number of {unit} above 0 and at most {most:g}, got {value:g}")
    return value


def not_negative(name: str, value: float, unit: str, most: float = 1e6) -> float:
    """The value, when it is a number from 0 to `most`; else a CircuitError that says so."""
    if not 0 <= value <= most:
        raise CircuitError(f"{name}: expected a number of {unit} from 0 to {most:g}, got {value:g}")
    return value
