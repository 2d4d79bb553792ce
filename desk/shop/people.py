"""The people of the shop: accounts, roles, and the one-time links by which they set their passwords."""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from desk.records import tables
from desk.records.columns import now
from desk.records.errors import NotFound
from desk.shop.errors import Invalid, LinkUsed, NotAllowed
from desk.shop.passwords import check_password, hash_password

ROLES = ("intake", "reviewer", "analyst", "administrator")
ROLE_WORDS = {
    "intake": "intake",
    "reviewer": "review",
    "analyst": "analysis",
    "administrator": "administration",
}
_LOGIN = re.compile(r"[a-z0-9][a-z0-9._-]{1,39}")
LINK_LASTS = timedelta(hours=48)
UNITS, THEMES = ("mm", "in"), ("auto", "light", "dark")


@dataclass(frozen=True)
class Account:
    """A person as the pages know them."""

    id: int
    login: str
    name: str
    roles: frozenset[str]
    active: bool = True
    unit: str = "mm"
    theme: str = "auto"

    def may(self, *roles: str) -> bool:
        """Whether one of these roles is theirs; an administrator has all of them; no role asked: anybody may."""
        return not roles or "administrator" in self.roles or not self.roles.isdisjoint(roles)


def account_of(row: tables.Person) -> Account:
    """The account of a row."""
    return Account(
        row.id, row.login, row.name, frozenset(filter(None, row.roles.split(","))), row.active, row.unit, row.theme
    )


def people(session: Session) -> list[Account]:
    """Everybody, by name."""
    return [account_of(row) for row in session.scalars(select(tables.Person).order_by(tables.Person.login))]


def person(session: Session, person_id: int) -> Account:
    """One person by id."""
    return account_of(_row(session, person_id))


def is_empty(session: Session) -> bool:
    """Whether nobody has an account yet."""
    return session.scalar(select(tables.Person.id).limit(1)) is None


def first_link(session: Session) -> str | None:
    """The token of a new set-up link while there is nobody; links made before stop working."""
    if not is_empty(session):
        return None
    return _new_link(session, None)


def add_person(session: Session, by: Account, login: str, name: str, roles: Iterable[str]) -> tuple[Account, str]:
    """A new account and the token of its link, by which the person sets a password nobody else knows."""
    _only_administrators(by)
    login, name, chosen = _login(login), _name(name), _roles(roles)
    if session.scalar(select(tables.Person.id).where(tables.Person.login == login)) is not None:
        raise Invalid("login", f"sign-in name: expected a new one, got {login}, which somebody has: choose another")
    row = tables.Person(login=login, name=name, roles=",".join(chosen))
    session.add(row)
    session.flush()
    _note(session, row.id, by.id, "made", ", ".join(chosen))
    return account_of(row), _new_link(session, row.id)


def new_link(session: Session, by: Account, person_id: int) -> str:
    """The token of a new link for somebody who lost theirs or forgot the password."""
    _only_administrators(by)
    row = _row(session, person_id)
    if not row.active:
        raise Invalid("active", f"expected an open account, got {row.login}, which is closed: open it first")
    _note(session, row.id, by.id, "link made")
    return _new_link(session, row.id)


def change_person(session: Session, by: Account, person_id: int, roles: Iterable[str], active: bool) -> Account:
    """Other roles, or an account closed or opened again; the last administrator keeps the keys."""
    _only_administrators(by)
    row = _row(session, person_id)
    chosen = _roles(roles)
    keeps = active and "administrator" in chosen
    if not keeps and "administrator" in row.roles.split(",") and row.active and _administrators(session) == {row.id}:
        raise Invalid("roles", f"expected at least one administrator, got none without {row.login}: name another first")
    if row.roles != ",".join(chosen):
        _note(session, row.id, by.id, "roles", f"{row.roles} → {','.join(chosen)}")
    if row.active != active:
        _note(session, row.id, by.id, "opened" if active else "closed")
    row.roles, row.active = ",".join(chosen), active
    if not active:
        end_sessions(session, row.id)
        _end_links(session, row.id)
    return account_of(row)


def set_preferences(session: Session, who: Account, unit: str, theme: str) -> None:
    """How numbers and pages look for this person."""
    if unit not in UNITS or theme not in THEMES:
        raise Invalid(
            "unit", f"expected {' or '.join(UNITS)} and {', '.join(THEMES)}, got {unit[:20]} and {theme[:20]}"
        )
    row = _row(session, who.id)
    row.unit, row.theme = unit, theme


def link_is_for(session: Session, token: str) -> Account | None:
    """Whose link it is; None for the first set-up. Raises LinkUsed where it does not work (any more)."""
    link = _link(session, token)
    return None if link.person_id is None else person(session, link.person_id)


def use_link(session: Session, token: str, password: str, login: str = "", name: str = "") -> Account:
    """Set the password a link is for; at the first set-up this makes the first administrator, by `login` and `name`."""
    link = _link(session, token)
    if link.person_id is None:
        login = _login(login)
        row = tables.Person(login=login, name=_name(name), roles="administrator")
    else:
        row = _row(session, link.person_id)
    check_password(password, row.login)
    row.password_hash = hash_password(password)
    session.add(row)
    session.flush()
    link.used_at = now()
    end_sessions(session, row.id)
    _note(session, row.id, row.id, "password set")
    return account_of(row)


def end_sessions(session: Session, person_id: int) -> None:
    """Sign a person out everywhere."""
    for row in session.scalars(select(tables.Session).where(tables.Session.person_id == person_id)):
        session.delete(row)


def token_hash(token: str) -> str:
    """What is kept of a token."""
    return hashlib.sha256(token.encode()).hexdigest()


def _end_links(session: Session, person_id: int | None) -> None:
    """No link of this person (None: of the first set-up) works any more."""
    link = tables.OneTimeLink
    whose = link.person_id.is_(None) if person_id is None else link.person_id == person_id
    for old in session.scalars(select(link).where(whose, link.used_at.is_(None))):
        old.used_at = now()


def _new_link(session: Session, person_id: int | None) -> str:
    """The token of a link; those made for the same person before, which may lie in somebody else's hands, end."""
    _end_links(session, person_id)
    token = secrets.token_urlsafe(32)
    session.add(
        tables.OneTimeLink(
            token_sha256=token_hash(token), person_id=person_id, ends_at=now() + LINK_LASTS, used_at=None
        )
    )
    return token


def _link(session: Session, token: str) -> tables.OneTimeLink:
    link = session.get(tables.OneTimeLink, token_hash(token), with_for_update=True)
    whose = None if link is None or link.person_id is None else _row(session, link.person_id)
    closed = whose is not None and not whose.active  # earlier versions left the links of closed accounts on file
    if link is None or closed or link.used_at is not None or link.ends_at < now():
        raise LinkUsed(
            "expected a set-up link that was not used yet, got one that is unknown, used or too old: "
            "ask the administrator for a new one (nobody set up yet: start the desk again, it prints one)"
        )
    return link


def _administrators(session: Session) -> set[int]:
    rows = session.scalars(select(tables.Person).where(tables.Person.active, tables.Person.password_hash.is_not(None)))
    return {row.id for row in rows if "administrator" in row.roles.split(",")}


def _row(session: Session, person_id: int) -> tables.Person:
    row = session.get(tables.Person, person_id)
    if row is None:
        raise NotFound(f"expected a person of this shop, got number {person_id}: choose one from the list")
    return row


def _only_administrators(by: Account) -> None:
    if not by.may("administrator"):
        raise NotAllowed("expected an administrator, got another role: ask one")


def _note(session: Session, person_id: int, by_id: int | None, event: str, detail: str = "") -> None:
    session.add(tables.PersonEvent(person_id=person_id, by_id=by_id, event=event, detail=detail))


def _login(login: str) -> str:
    login = login.strip().lower()
    if not _LOGIN.fullmatch(login):
        raise Invalid(
            "login",
            f"sign-in name: expected 2 to 40 letters a to z, digits, dot, dash, got {login[:50]!r}: such as bench.two",
        )
    return login


def _name(name: str) -> str:
    name = " ".join(name.split())
    if not 1 <= len(name) <= 120 or not name.isprintable():
        raise Invalid("name", f"name: expected 1 to 120 characters, got {len(name)}: it stands on orders and reviews")
    return name


def _roles(roles: Iterable[str]) -> Sequence[str]:
    given = set(roles)
    if not given or not given <= set(ROLES):
        wrong = ", ".join(sorted(given - set(ROLES))) or "none"
        raise Invalid("roles", f"roles: expected one or more of {', '.join(ROLES)}, got {wrong[:60]}")
    return [role for role in ROLES if role in given]


def count_people(session: Session) -> int:
    """How many accounts there are."""
    return session.scalar(select(func.count()).select_from(tables.Person)) or 0
