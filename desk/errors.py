"""The desk's typed errors; their text is one line: expected, got, what to do."""

from __future__ import annotations


class DeskError(ValueError):
    """A wrong argument or a file that cannot be used; shown to the person as it stands."""


def one_line(error: BaseException) -> str:
    """The error's text on a single line, so that it stays one entry in a log."""
    return "; ".join(line.strip() for line in str(error).splitlines() if line.strip())
