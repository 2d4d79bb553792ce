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


class Unjudged(Invalid):
    """A sign-off while places are left that nobody judged. `must_be_named`: no confirmation stands in for a name."""

    def __init__(self, places: list[str], must_be_named: bool) -> None:
        self.places, self.must_be_named = places, must_be_named
        named = ", ".join(places[:8]) + (f" and {len(places) - 8} more" if len(places) > 8 else "")
        do = "name each of them first" if must_be_named else "look at each, or say that you let them stand as shown"
        kind = "unsure or novel places that nobody has named" if must_be_named else "places that nobody has judged"
        super().__init__("sign_off", f"expected every place judged, got {kind}: {named}; {do}")


class Contradicted(Invalid):
    """A sign-off over answers that the photographs contradict, without word that they are let stand."""

    def __init__(self, lines: list[str]) -> None:
        self.lines = lines
        super().__init__(
            "sign_off",
            f"expected no answer at odds with the photographs, got {len(lines)}: {'; '.join(lines)}; "
            "mend each, or say that you let it stand",
        )


class StillOpen(Invalid):
    """A sign-off while open questions may still worsen the route, without word that they are let stand."""

    def __init__(self, lines: list[str]) -> None:
        self.lines = lines
        named = "; ".join(lines[:3]) + (f"; and {len(lines) - 3} more" if len(lines) > 3 else "")
        super().__init__(
            "sign_off",
            f"expected no open question that may still change the route, got {len(lines)}: {named}; "
            "answer each, or say that you let it stand",
        )


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
