"""Passwords: what is asked of one, and its Argon2id hash."""

from __future__ import annotations

import threading
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerifyMismatchError

from desk.shop.errors import Invalid

SHORTEST, LONGEST = 10, 200
_HASHER = PasswordHasher()
# Each hash takes 64 MB; many people signing in at once must not take all memory.
_AT_ONCE = threading.BoundedSemaphore(2)


def check_password(password: str, login: str) -> None:
    """Raise Invalid unless the password is long enough and not the name itself."""
    if not SHORTEST <= len(password) <= LONGEST:
        raise Invalid(
            "password",
            f"password: expected {SHORTEST} to {LONGEST} characters, got {len(password)}: "
            "a few words in a row are easy to remember",
        )
    if password.casefold() in (login.casefold(), login.casefold() * 2) or len(set(password)) < 4:
        raise Invalid("password", "password: expected one that cannot be guessed, got the name or one letter repeated")


def hash_password(password: str) -> str:
    """The hash that is kept."""
    with _AT_ONCE:
        return _HASHER.hash(password)


def is_password(hashed: str | None, password: str) -> bool:
    """Whether it is the password; takes as long for an account that does not exist, so that none can be found out."""
    with _AT_ONCE:
        try:
            return _HASHER.verify(hashed or _nobodys(), password[:LONGEST]) and hashed is not None
        except (VerifyMismatchError, InvalidHashError):
            return False


@cache
def _nobodys() -> str:
    return _HASHER.hash("nobody's password")
