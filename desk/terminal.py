"""Standard output for tables: the terminal, or a file or pipe wide enough for them."""

from __future__ import annotations

from rich.console import Console


class _Output(Console):
    """Lets a closed pipe come through instead of ending the process with status 1."""

    def on_broken_pipe(self) -> None:
        self.quiet = True
        raise BrokenPipeError("expected standard output to be read, got a closed pipe")


def tables(file_width: int = 140) -> Console:
    """Standard output; wide enough for the tables, so many letters, when it goes into a file."""
    console = _Output()
    return console if console.is_terminal else _Output(width=file_width)
