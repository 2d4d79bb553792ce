"""Signing in and out, sessions of browsers and programs, and the lock-out after failed attempts."""

from __future__ import annotations

import hashlib
import secrets
from datetime import timedelta

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from desk.records import tables
from desk.records.columns import now
from desk.records.database import hold
from desk.shop.errors import Invalid, SignInFailed
from desk.shop.passwords import is_password
from desk.shop.people import Account, account_of, token_hash

BROWSER_LASTS, BROWSER_IDLE = timedelta(days=14), timedelta(hours=12)
PROGRAM_LASTS = timedelta(days=180)
LOCK_AFTER, LOCK_AFTER_FROM_ADDRESS = 5, 30
LOCK_FOR = timedelta(minutes=15)
_SEEN_EVERY = timedelta(minutes=5)


def refuse_when_locked(session: Session, login: str, address: str) -> None:
    """Raise SignInFailed while too many attempts failed, on this name or from this address."""
    since = now() - LOCK_FOR
    failure = tables.SignInFailure
    for column, value, most in (
        (failure.login, login, LOCK_AFTER),
        (failure.address, address, LOCK_AFTER_FROM_ADDRESS),
    ):
        failed = session.scalar(select(func.count()).where(column == value, failure.made_at > since)) or 0
        if failed >= most:
            minutes = round(LOCK_FOR.total_seconds() / 60)
            raise SignInFailed(
                f"expected fewer than {most} failed attempts in {minutes} minutes, got {failed}: "
                f"wait {minutes} minutes, or ask the administrator for a new link"
            )


def one_after_another(session: Session, login: str, address: str) -> None:
    """Attempts on this name or from this address wait for each other until each has ended: what the others failed is
    then counted. The name first and the address after it, always, so that no two wait for each other for ever."""
    hold(session, f"sign-in:{login}", alone=True)
    hold(session, f"sign-in from:{address}", alone=True)


def password_of(session: Session, login: str) -> str | None:
    """The kept hash of an account that may sign in."""
    person = tables.Person
    return session.scalar(select(person.password_hash).where(person.login == login, person.active))


def clean_login(login: str) -> str:
    """The sign-in name as it is kept, however it was typed."""
    return login.strip().lower()[:80]


def note_failure(session: Session, login: str, address: str) -> SignInFailed:
    """Remember a failed attempt; gives the refusal, the same for a wrong name and a wrong password."""
    session.add(tables.SignInFailure(login=login, address=address[:64]))
    return SignInFailed("expected a name and its password, got a pair that does not fit: type both again")


def open_session(session: Session, login: str, kind: str = "browser", note: str = "") -> tuple[str, Account]:
    """A new session for a person whose password was right: its token, which is kept by the browser or program only."""
    row = session.scalars(select(tables.Person).where(tables.Person.login == login, tables.Person.active)).one()
    token = secrets.token_urlsafe(32)
    lasts = BROWSER_LASTS if kind == "browser" else PROGRAM_LASTS
    session.execute(delete(tables.SignInFailure).where(tables.SignInFailure.login == login))
    session.execute(delete(tables.Session).where(tables.Session.ends_at < now()))
    session.add(
        tables.Session(
            token_sha256=token_hash(token), person_id=row.id, kind=kind, note=note[:80], ends_at=now() + lasts
        )
    )
    return token, account_of(row)


def check_sign_in(kept: str | None, password: str) -> bool:
    """Whether the password fits the kept hash; slow on purpose, so it is called outside of any transaction."""
    if len(password) > 1000:
        raise Invalid("password", f"password: expected at most 1000 characters, got {len(password)}")
    return is_password(kept, password)


def who_is(session: Session, token: str, kind: str = "browser") -> tuple[Account, bool] | None:
    """The person of a session that still runs, and whether it is time to note that they were seen."""
    found = session.execute(
        select(tables.Session, tables.Person)
        .join(tables.Person, tables.Person.id == tables.Session.person_id)
        .where(tables.Session.token_sha256 == token_hash(token), tables.Session.kind == kind)
    ).one_or_none()
    if found is None:
        return None
    row, person = found
    idle = now() - row.seen_at
    if not person.active or row.ends_at < now() or (kind == "browser" and idle > BROWSER_IDLE):
        return None
    return account_of(person), idle > _SEEN_EVERY


def note_seen(session: Session, token: str) -> None:
    """The session was used just now."""
    row = session.get(tables.Session, token_hash(token))
    if row is not None:
        row.seen_at = now()


def close_session(session: Session, token: str) -> None:
    """Sign out: the token is worth nothing from now on."""
    session.execute(delete(tables.Session).where(tables.Session.token_sha256 == token_hash(token)))


def form_token(token: str) -> str:
    """What forms of this session carry against forgery; cannot be turned back into the session's own token."""
    return hashlib.sha256(f"form:{token}".encode()).hexdigest()
