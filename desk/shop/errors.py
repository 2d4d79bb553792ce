"""Typed refusals of the shop's functions; each is one line that is shown to the person as it stands."""

from __future__ import annotations

from desk.errors import DeskError


class Refused(DeskError):
    """A request that the shop does not carry out."""


class Invalid(Refused):
    """Something typed in cannot be used; `field` names what it was typed into."""

    def __init__(self, field: str, text: str) -> None:
        self.field = field
        super().__init__(text)


class SignInNeeded(Refused):
    """Nobody is signed in, or no longer."""


class SignInFailed(Refused):
    """Name and password do not belong together, or too many attempts failed."""


class NotAllowed(Refused):
    """The person's roles do not include this."""


class StaleForm(Refused):
    """A form that was opened in another session or before somebody else changed what it shows."""


class LinkUsed(Refused):
    """A one-time link that is unknown, was used, or is too old."""


class TooLarge(Refused):
    """More bytes than are taken."""


class NotAPhotograph(Refused):
    """A file that cannot be read as a photograph."""
