"""Standard output whose reader may go away before all is said (`| head`): then nothing is wrong, and nothing is lost.

Click and rich end a command with status 1 there; here BrokenPipeError comes through to whoever knows what is still to
be done without a reader.
"""

from __future__ import annotations

import os
import sys

import click


class ReaderGone(Exception):
    """Nobody reads standard output any more. No OSError, for click would end the process on it."""


class PipedGroup(click.Group):
    """Commands that a closed pipe leaves as ReaderGone."""

    def invoke(self, ctx: click.Context) -> object:
        try:
            return super().invoke(ctx)
        except BrokenPipeError as error:
            raise ReaderGone from error


def read_by_nobody() -> None:
    """Send what is still said to nobody, what is left in the stream's buffer too: no later word fails again."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
