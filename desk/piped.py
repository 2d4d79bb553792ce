"""Standard output whose reader may go away before all is said (`| head`): then nothing is wrong, and nothing is lost.

Click and rich end a command with status 1 there; here BrokenPipeError comes through to whoever knows what is still to
be done without a reader. One of another pipe, such as that to a helper process, is an error as any other.
"""

from __future__ import annotations

import os
import select
import sys

import click


class ReaderGone(Exception):
    """Nobody reads standard output any more. No OSError, for click would end the process on it."""


class PipedGroup(click.Group):
    """Commands that standard output without a reader leaves as ReaderGone."""

    def invoke(self, ctx: click.Context) -> object:
        try:
            return super().invoke(ctx)
        except BrokenPipeError as error:
            if output_has_reader():  # no OSError goes out: click would end the process on it without a word
                raise RuntimeError("expected every pipe to be read, got one closed that is not our output") from error
            raise ReaderGone from error


def output_has_reader() -> bool:
    """Whether somebody may still read standard output; what is no pipe (a file, a test's catcher) is always read."""
    try:
        output = sys.stdout.fileno()
    except (OSError, ValueError):  # in memory, or closed by ourselves
        return True
    told = select.poll()
    told.register(output, 0)  # errors are told unasked
    return not any(what & (select.POLLERR | select.POLLHUP) for _, what in told.poll(0))


def read_by_nobody() -> None:
    """Send what is still said to nobody, what is left in the stream's buffer too: no later word fails again."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
