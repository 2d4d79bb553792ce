"""People of the shop: first set-up, one-time links, roles, lock-out and sessions."""

from datetime import timedelta

import pytest

from desk.records import tables
from desk.records.columns import now
from desk.shop import people, signing_in
from desk.shop.desk import open_desk
from desk.shop.errors import Invalid, LinkUsed, NotAllowed, SignInFailed
from desk.shop.people import Account

PASSWORD = "seven wires in a row"


@pytest.fixture
def desk(tmp_path):
    """An empty desk."""
    opened = open_desk(tmp_path / "data")
    yield opened
    opened.database.close()


@pytest.fixture
def boss(desk):
    """The first administrator, by the set-up link."""
    with desk.database.write() as session:
        token = people.first_link(session)
    with desk.database.write() as session:
        return people.use_link(session, token, PASSWORD, "Boss", "The Boss")


def test_the_first_link_makes_the_administrator_once(desk):
    """The link works once, and there is no second one when somebody has an account."""
    with desk.database.write() as session:
        token = people.first_link(session)
    with desk.database.write() as session:
        account = people.use_link(session, token, PASSWORD, "Boss", "The Boss")
    assert (account.login, account.roles) == ("boss", {"administrator"})
    with desk.database.write() as session:
        assert people.first_link(session) is None
        with pytest.raises(LinkUsed):
            people.use_link(session, token, PASSWORD, "second", "Second")


def test_a_link_from_an_earlier_start_stops_working(desk):
    """Only the newest printed link is good."""
    with desk.database.write() as session:
        first = people.first_link(session)
    with desk.database.write() as session:
        second = people.first_link(session)
    with desk.database.read() as session:
        with pytest.raises(LinkUsed):
            people.link_is_for(session, first)
        assert people.link_is_for(session, second) is None


def test_only_the_newest_link_of_a_person_works(desk, boss):
    """The first went astray and a second was made: whoever finds the first can set no password with it."""
    with desk.database.write() as session:
        ada, astray = people.add_person(session, boss, "ada", "Ada", ["intake"])
        _, others = people.add_person(session, boss, "bea", "Bea", ["intake"])
    with desk.database.write() as session:
        newest = people.new_link(session, boss, ada.id)
    with desk.database.read() as session:
        with pytest.raises(LinkUsed):
            people.link_is_for(session, astray)
        assert people.link_is_for(session, newest).login == "ada" and people.link_is_for(session, others).login == "bea"


def test_a_link_of_a_closed_account_is_worth_nothing_even_when_it_is_opened_again(desk, boss):
    """And none is made for it while it is closed."""
    with desk.database.write() as session:
        ada, token = people.add_person(session, boss, "ada", "Ada", ["intake"])
        people.change_person(session, boss, ada.id, ["intake"], active=False)
        with pytest.raises(LinkUsed):
            people.use_link(session, token, PASSWORD)
        with pytest.raises(Invalid, match="which is closed: open it first"):
            people.new_link(session, boss, ada.id)
        people.change_person(session, boss, ada.id, ["intake"], active=True)
        with pytest.raises(LinkUsed):
            people.use_link(session, token, PASSWORD)


def test_a_link_that_an_earlier_version_left_to_a_closed_account_is_refused(desk, boss):
    """It closed the account and nothing else: neither the page nor its form answers with a fault."""
    with desk.database.write() as session:
        ada, token = people.add_person(session, boss, "ada", "Ada", ["intake"])
        session.get(tables.Person, ada.id).active = False
    with desk.database.write() as session:
        with pytest.raises(LinkUsed):
            people.link_is_for(session, token)
        with pytest.raises(LinkUsed):
            people.use_link(session, token, PASSWORD)
    with desk.database.read() as session:
        assert session.get(tables.Person, ada.id).password_hash is None


def test_a_new_password_signs_out_browsers_and_programs(desk, boss):
    """Whoever knew the old one is out."""
    with desk.database.write() as session:
        opened = {kind: signing_in.open_session(session, "boss", kind)[0] for kind in ("browser", "program")}
        link = people.new_link(session, boss, boss.id)
    with desk.database.write() as session:
        assert all(signing_in.who_is(session, token, kind) for kind, token in opened.items())
        people.use_link(session, link, PASSWORD + " more")
        assert not any(signing_in.who_is(session, token, kind) for kind, token in opened.items())


def test_a_link_grows_too_old(desk):
    """After 48 hours somebody must make a new one."""
    with desk.database.write() as session:
        token = people.first_link(session)
        session.get(tables.OneTimeLink, people.token_hash(token)).ends_at = now() - timedelta(seconds=1)
    with desk.database.read() as session, pytest.raises(LinkUsed, match="too old"):
        people.link_is_for(session, token)


def test_neither_passwords_nor_tokens_are_kept(desk, boss):
    """The database file holds hashes only (Argon2id, RFC 9106)."""
    with desk.database.write() as session:
        token, _ = signing_in.open_session(session, "boss")
        hashed = session.get(tables.Person, boss.id).password_hash
    desk.database.close()
    content = b"".join(path.read_bytes() for path in desk.data.glob("desk.sqlite*"))
    assert hashed.startswith("$argon2id$")
    assert hashed.encode() in content
    assert PASSWORD.encode() not in content
    assert token.encode() not in content


@pytest.mark.parametrize("password", ["short", "x" * 201, "aaaaaaaaaaaa", "abababababab", "boss.boss.boss"])
def test_a_weak_password_is_refused(desk, boss, password):
    """Too short, too long, one letter repeated, or the name itself."""
    with desk.database.write() as session:
        _, token = people.add_person(session, boss, "boss.boss.boss", "Twin", ["intake"])
    with desk.database.write() as session, pytest.raises(Invalid, match="password: expected"):
        people.use_link(session, token, password)


def test_only_an_administrator_adds_people(desk, boss):
    """Whatever page the request came from."""
    reviewer = Account(boss.id, "boss", "Boss", frozenset({"reviewer"}))
    with desk.database.write() as session, pytest.raises(NotAllowed):
        people.add_person(session, reviewer, "friend", "Friend", ["administrator"])


def test_the_last_administrator_keeps_the_keys(desk, boss):
    """Neither closing the account nor taking the role away leaves a shop without one; a second one frees the first."""
    for roles, active in ((["intake"], True), (["administrator"], False)):
        with desk.database.write() as session, pytest.raises(Invalid, match="at least one administrator"):
            people.change_person(session, boss, boss.id, roles, active)
    with desk.database.write() as session:
        _, token = people.add_person(session, boss, "second", "Second", ["administrator"])
    with desk.database.write() as session, pytest.raises(Invalid):  # has no password yet: cannot hold the keys
        people.change_person(session, boss, boss.id, ["intake"], True)
    with desk.database.write() as session:
        people.use_link(session, token, PASSWORD)
    with desk.database.write() as session:
        assert people.change_person(session, boss, boss.id, ["intake"], True).roles == {"intake"}


def test_a_closed_account_is_signed_out_at_once(desk, boss):
    """Its session is worth nothing the moment it is closed."""
    with desk.database.write() as session:
        account, token = people.add_person(session, boss, "guest", "Guest", ["intake"])
        people.use_link(session, token, PASSWORD)
        token, _ = signing_in.open_session(session, "guest")
    with desk.database.read() as session:
        assert signing_in.who_is(session, token)[0].login == "guest"
    with desk.database.write() as session:
        people.change_person(session, boss, account.id, ["intake"], False)
    with desk.database.read() as session:
        assert signing_in.who_is(session, token) is None
        assert signing_in.password_of(session, "guest") is None


def test_five_wrong_passwords_lock_the_name_and_time_opens_it(desk, boss):
    """Locked for a quarter of an hour, also against the right password; another name is not touched."""
    for _ in range(signing_in.LOCK_AFTER):
        with desk.database.write() as session:
            signing_in.refuse_when_locked(session, "boss", "192.0.2.1")
            signing_in.note_failure(session, "boss", "192.0.2.1")
    with desk.database.read() as session:
        with pytest.raises(SignInFailed, match="wait 15 minutes"):
            signing_in.refuse_when_locked(session, "boss", "192.0.2.2")
        signing_in.refuse_when_locked(session, "other", "192.0.2.1")
    with desk.database.write() as session:
        for row in session.query(tables.SignInFailure):
            row.made_at = now() - signing_in.LOCK_FOR - timedelta(seconds=1)
    with desk.database.read() as session:
        signing_in.refuse_when_locked(session, "boss", "192.0.2.1")


def test_many_names_from_one_address_lock_the_address(desk):
    """Trying one password on many names is stopped too."""
    with desk.database.write() as session:
        for n in range(signing_in.LOCK_AFTER_FROM_ADDRESS):
            signing_in.note_failure(session, f"name{n}", "192.0.2.9")
    with desk.database.read() as session:
        with pytest.raises(SignInFailed):
            signing_in.refuse_when_locked(session, "new", "192.0.2.9")
        signing_in.refuse_when_locked(session, "new", "192.0.2.10")


def test_a_session_left_alone_ends(desk, boss):
    """After half a day without a request the browser is signed out."""
    with desk.database.write() as session:
        token, _ = signing_in.open_session(session, "boss")
    with desk.database.write() as session:
        session.get(tables.Session, people.token_hash(token)).seen_at = now() - timedelta(hours=13)
    with desk.database.read() as session:
        assert signing_in.who_is(session, token) is None


def test_what_happened_to_an_account_is_kept(desk, boss):
    """Who made it and who changed its roles can be read later."""
    with desk.database.write() as session:
        account, _ = people.add_person(session, boss, "ann", "Ann", ["intake"])
        people.change_person(session, boss, account.id, ["intake", "reviewer"], True)
    with desk.database.read() as session:
        rows = session.query(tables.PersonEvent).filter_by(person_id=account.id)
        assert [(row.event, row.by_id) for row in rows] == [("made", boss.id), ("roles", boss.id)]
