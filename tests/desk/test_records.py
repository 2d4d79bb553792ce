"""The records: moments, migrations, the photograph store, clear lines for what goes wrong, backup and restore."""

import errno
import hashlib
import io
import json
import os
import re
import sqlite3
import tarfile
import threading
from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import inspect, text
from sqlalchemy.exc import IntegrityError

from desk.errors import DeskError
from desk.records import database as databases
from desk.records import errors, photo_store, tables
from desk.records.backup import read_backup, write_backup
from desk.records.columns import LONG_AGO
from desk.records.database import open_database
from desk.records.migrate import migrate, newest, revision_of
from desk.records.photo_store import open_store
from desk.shop import people
from desk.shop.papers import add_paper, number_of


@pytest.fixture
def database(ready_address):
    """A database with this version's tables."""
    opened = open_database(ready_address)
    yield opened
    opened.close()


def person(login="ann", **more):
    return tables.Person(login=login, name="Ann", roles="intake", **more)


def test_a_moment_comes_back_as_the_same_moment_in_utc(database):
    """Whatever zone it was written in, and on SQLite too, which itself forgets zones."""
    written = datetime(2026, 3, 1, 9, 30, 15, 123456, tzinfo=timezone(timedelta(hours=-5)))
    with database.write() as session:
        session.add(person(made_at=written))
    with database.read() as session:
        read = session.query(tables.Person).one().made_at
    assert read == written
    assert read.tzinfo == UTC


def test_a_moment_without_zone_is_refused(database):
    """Nobody could say later when it was."""
    with pytest.raises(Exception, match="time zone"), database.write() as session:
        session.add(person(made_at=datetime(2026, 3, 1)))


def test_a_block_that_fails_keeps_none_of_its_rows(database):
    """All or nothing."""
    with pytest.raises(RuntimeError), database.write() as session:
        session.add(person())
        session.flush()
        raise RuntimeError
    with database.read() as session:
        assert session.query(tables.Person).count() == 0


def test_a_row_that_points_nowhere_is_refused(database):
    """Foreign keys hold on SQLite too, where they are off unless asked for."""
    with pytest.raises(IntegrityError), database.write() as session:
        session.add(tables.Assembly(shop_order="A", shop_order_key="a", made_by=4711))


def test_sqlite_keeps_its_rows_through_a_power_cut(tmp_path):
    """Write-ahead log, and every commit waits for the disk (synchronous FULL is 2)."""
    database = open_database(f"sqlite:///{tmp_path / 'x.sqlite'}")
    with database.engine.connect() as connection:
        asked = [connection.execute(text(f"PRAGMA {name}")).scalar() for name in ("journal_mode", "synchronous")]
    assert asked == ["wal", 2]
    database.close()


def test_many_writers_at_once_wait_for_each_other(database):
    """Eight threads adding rows: none is refused, none is lost."""

    def add(n):
        for k in range(5):
            with database.write() as session:
                session.query(tables.Person).count()  # reads first: on SQLite such a writer could not wait otherwise
                session.add(person(f"p{n}-{k}"))

    threads = [threading.Thread(target=add, args=(n,)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with database.read() as session:
        assert session.query(tables.Person).count() == 40


def test_migrating_gives_the_tables_that_the_code_knows(database):
    """Columns and indexes of the migrated database are those of the tables' definitions."""
    found = inspect(database.engine)
    for table in tables.Table.metadata.sorted_tables:
        assert {c["name"] for c in found.get_columns(table.name)} == set(table.columns.keys()), table.name
        assert {i["name"] for i in found.get_indexes(table.name)} >= {i.name for i in table.indexes}, table.name


def test_a_database_of_the_first_version_is_brought_here_with_its_rows(empty_address):
    """Rows written under the first schema are there after migrating, and migrating again changes nothing."""
    database = open_database(empty_address)
    migrate(database, "v0001")
    with database.engine.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO person (login, name, roles, active, unit, theme, made_at) "
                "VALUES ('old', 'Old Hand', 'reviewer', :yes, 'in', 'dark', '2026-01-02 03:04:05')"
            ),
            {"yes": True},
        )
    migrate(database)
    migrate(database)
    assert revision_of(database) == newest()
    with database.read() as session:
        row = session.query(tables.Person).one()
        assert (row.login, row.unit, row.active) == ("old", "in", True)
    database.close()


def test_the_second_version_fills_its_columns_from_what_the_first_one_kept(empty_address):
    """Unsure from the findings; marks from labels and urgency (4: unsure), to be made again; nothing is lost."""
    database = open_database(empty_address)
    migrate(database, "v0001")
    when = "2026-01-02 03:04:05"
    rows = [
        "INSERT INTO person (id, login, name, roles, active, unit, theme, made_at) "
        "VALUES (1, 'old', 'Old Hand', 'reviewer', true, 'mm', 'auto', :when)",
        "INSERT INTO assembly (id, shop_order, shop_order_key, made_at, made_by) VALUES (7, 'A-1', 'a1', :when, 1)",
        "INSERT INTO photograph (id, assembly_id, sha256, suffix, name, face, size_bytes, width_px, height_px, made_at,"
        " made_by) VALUES (3, 7, 'ff', '.jpg', 'a.jpg', 'face_a', 1, 2, 2, :when, 1)",
        *(
            "INSERT INTO assessment (photograph_id, findings, label, model_version, feature_version, rules_sha256,"
            f" seconds, made_at) VALUES (3, '{json.dumps(found)}', 'rodent', 'm', 'f', 'r', 1.0, :when)"
            for found in ({"unsure": False, "regions": [{"unsure": True}]}, {"unsure": False, "regions": []})
        ),
        "INSERT INTO standing (assembly_id, state, shop_order, vehicle, search, label, labels, urgency, questions,"
        " photographs, waiting_since, opened_at, made_at) VALUES (7, 'to_review', 'A-1', 'LT', 'a-1', 'rodent',"
        """ '["rodent"]', 6, 0, 1, :when, :when, :when)""",
    ]
    with database.engine.begin() as connection:
        for row in rows:
            # a colon inside the findings is no parameter
            connection.execute(text(re.sub(r'":', r'"\\:', row)), {"when": when})
    migrate(database)
    with database.read() as session:
        assert [row.unsure for row in session.query(tables.Assessment).order_by(tables.Assessment.id)] == [True, False]
        standing = session.query(tables.Standing).one()
        assert standing.marks["all"] == [{"label": "rodent", "unsure": True, "novel": False, "candidates": []}]
        assert (standing.made_at, standing.shop_order, standing.urgency) == (LONG_AGO, "A-1", 6)
        assert session.query(tables.Photograph).one().name == "a.jpg"
    database.close()


def test_papers_on_file_keep_the_numbers_they_were_issued_under(empty_address):
    """Order 1, quote 2 and order 3 of the version that counted all together; the next of each goes on after its kind.

    An order of now is 4, a quote 3, a closing 1.
    """
    database = open_database(empty_address)
    migrate(database, "v0003")
    when = "2026-01-02 03:04:05"
    rows = [
        "INSERT INTO person (id, login, name, roles, active, unit, theme, made_at) "
        "VALUES (1, 'old', 'Old Hand', 'reviewer', true, 'mm', 'auto', :when)",
        "INSERT INTO assembly (id, shop_order, shop_order_key, made_at, made_by) VALUES (7, 'A-1', 'a1', :when, 1)",
        *(
            "INSERT INTO paper (assembly_id, kind, payload, follows_id, made_at, made_by) "
            f"VALUES (7, '{kind}', '{{}}', {follows}, :when, 1)"
            for kind, follows in (("order", "NULL"), ("quote", 1), ("order", "NULL"))
        ),
    ]
    with database.engine.begin() as connection:
        for row in rows:
            connection.execute(text(row), {"when": when})
    migrate(database)
    with database.write() as session:
        person = people.account_of(session.query(tables.Person).one())
        made = [add_paper(session, person, 7, kind, {}) for kind in ("order", "quote", "closing")]
        found = session.query(tables.Paper).order_by(tables.Paper.id).all()
        kept = [(row.id, row.kind, row.number) for row in found[:3]]
        assert kept == [(1, "order", 1), (2, "quote", 2), (3, "order", 3)]
        assert [number_of(session, one) for one in made] == [4, 3, 1]
        assert found[1].follows_id == 1
    database.close()


def test_an_intake_on_file_keeps_the_shop_order_it_was_opened_under(empty_address):
    """What is corrected later is told from it."""
    database = open_database(empty_address)
    migrate(database, "v0004")
    when = "2026-01-02 03:04:05"
    rows = [
        "INSERT INTO person (id, login, name, roles, active, unit, theme, made_at) "
        "VALUES (1, 'old', 'Old Hand', 'intake', true, 'mm', 'auto', :when)",
        *(
            f"INSERT INTO assembly (id, shop_order, shop_order_key, made_at, made_by) VALUES ({n}, 'A-{n}', 'a{n}',"
            " :when, 1)"
            for n in (1, 2)
        ),
        *(
            "INSERT INTO intake (assembly_id, vehicle, vehicle_key, customer_says, circuit_class, mats, made_at,"
            f" made_by) VALUES ({n}, 'LT', 'lt', '', 'none', 1, :when, 1)"
            for n in (2, 1, 2)
        ),
        "INSERT INTO photograph (assembly_id, sha256, suffix, name, face, size_bytes, width_px, height_px, made_at,"
        " made_by) VALUES (1, 'ff', '.jpg', 'a.jpg', 'face_b', 1, 2, 2, :when, 1)",
    ]
    with database.engine.begin() as connection:
        for row in rows:
            connection.execute(text(row), {"when": when})
    migrate(database)
    with database.read() as session:
        intakes = session.query(tables.Intake).order_by(tables.Intake.id)
        assert [row.shop_order for row in intakes] == ["A-2", "A-1", "A-2"]
        photograph = session.query(tables.Photograph).one()
        assert (photograph.face_now, photograph.counts) == ("face_b", True)
    database.close()


def test_a_database_of_a_newer_version_is_left_alone(database):
    """It says so instead of guessing."""
    with database.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = 'v9999'"))
    with pytest.raises(errors.RecordsError, match="newer loomtriage"):
        migrate(database)


def test_a_locked_database_is_said_in_one_line(tmp_path, monkeypatch):
    """Another program that holds the file: what is wrong and what to do."""
    monkeypatch.setattr(databases, "BUSY_MS", 50)
    database = open_database(f"sqlite:///{tmp_path / 'x.sqlite'}")
    migrate(database)
    other = sqlite3.connect(tmp_path / "x.sqlite")
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(errors.DatabaseBusy, match="another program holds it"), database.write() as session:
        session.add(person())
    other.close()
    database.close()


def test_a_full_database_is_said_in_one_line(tmp_path):
    """SQLite's own limit on pages stands for a full disk; what was there stays."""
    database = open_database(f"sqlite:///{tmp_path / 'x.sqlite'}")
    migrate(database)
    with database.write() as session:
        session.add(person())
    with pytest.raises(errors.DiskFull, match="make room"), database.write() as session:
        pages = session.execute(text("PRAGMA page_count")).scalar()
        session.execute(text(f"PRAGMA max_page_count={pages}"))
        session.add(tables.PersonEvent(person_id=1, event="x", detail="y" * 200_000))
        session.flush()
    with database.read() as session:
        assert session.query(tables.Person).count() == 1
    database.close()


@pytest.mark.parametrize(
    ("written", "says"),
    [("nonsense", "expected an address"), ("mysql://x/y", "sqlite or postgresql"), ("sqlite://", "would not last")],
)
def test_an_address_that_cannot_be_used_is_said(written, says):
    """Before anything is started."""
    with pytest.raises(errors.RecordsError, match=says):
        open_database(written)


def test_a_server_that_does_not_answer_is_said():
    """Port 1 has no PostgreSQL."""
    database = open_database("postgresql+psycopg://nobody@127.0.0.1:1/none")
    with pytest.raises(errors.DatabaseOut, match="expected a database that answers"):
        migrate(database)


@pytest.fixture
def store(tmp_path):
    return open_store(tmp_path / "photos")


def put(store, tmp_path, content=b"a photograph", suffix=".jpg"):
    file = tmp_path / "in"
    file.write_bytes(content)
    sha256 = hashlib.sha256(content).hexdigest()
    return sha256, store.take_in(file, sha256, suffix)


def test_a_photograph_lies_under_its_hash_once(store, tmp_path):
    """The same content again is the same file."""
    sha256, path = put(store, tmp_path)
    assert put(store, tmp_path)[1] == path
    assert path.parent.name == sha256[:2]
    assert [p.read_bytes() for p in store.files()] == [b"a photograph"]
    assert store.checked(sha256, ".jpg") == path


def test_a_photograph_that_is_gone_or_altered_is_said(store, tmp_path):
    """By which one, and what to do."""
    sha256, path = put(store, tmp_path)
    path.write_bytes(b"another photograph")
    with pytest.raises(errors.PhotoAltered, match=sha256[:12]):
        store.checked(sha256, ".jpg")
    path.unlink()
    with pytest.raises(errors.PhotoMissing, match="backup"):
        store.checked(sha256, ".jpg")


@pytest.mark.parametrize("sha256", ["../../etc/passwd", "a" * 63, "A" * 64, "", "a" * 64 + "/.."])
def test_only_a_hash_leads_to_a_file(store, sha256):
    """No name that somebody sends becomes a path."""
    with pytest.raises(errors.PhotoMissing):
        store.path(sha256, ".jpg")


def test_a_full_disk_is_said_before_and_while_writing(store, tmp_path, monkeypatch):
    """Room is asked for first; where it runs out all the same, the line is as clear."""
    with pytest.raises(errors.DiskFull, match="make room"):
        store.room_for(10**18)

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(photo_store.os, "replace", full)
    with pytest.raises(errors.DiskFull, match="nothing that was acknowledged is lost"):
        put(store, tmp_path)


def filled(shop, blank_photo):
    """A shop with an assembly, a circuit list in it, and two photographs."""
    columns = "circuit,colour,size_mm2,from,from_cavity,to,to_cavity,length_mm,fuse_A,duty,class"
    circuits = f"{columns}\nC1,RD,0.5,X1,1,X2,1,900,10,continuous,\n".encode()
    assembly_id = shop.opened(customer_says="Größe <b>", circuit_list=circuits, circuit_list_name="list.csv")
    return [shop.sent(assembly_id, blank_photo(n, f"p{n}.jpg")).sha256 for n in (1, 2)]


def rows_of(database):
    with database.engine.connect() as connection:
        kept = [t for t in tables.Table.metadata.sorted_tables if t.name not in ("session", "one_time_link")]
        return {t.name: [tuple(r) for r in connection.execute(t.select().order_by(*t.primary_key))] for t in kept}


def test_backup_and_restore_bring_everything_back(shop, blank_photo, tmp_path):
    """Every row of every table and every photograph's bytes, into an SQLite desk, from whichever database."""
    hashes = filled(shop, blank_photo)
    done = write_backup(shop.desk.database, shop.desk.store, tmp_path / "b.tar")
    assert (done.photographs, done.amiss) == (2, [])
    other = open_database(f"sqlite:///{tmp_path / 'other.sqlite'}")
    store = open_store(tmp_path / "other-photos")
    assert read_backup(tmp_path / "b.tar", other, store).amiss == []
    assert rows_of(other) == rows_of(shop.desk.database)
    for sha256 in hashes:
        assert store.checked(sha256, ".jpg").read_bytes() == shop.desk.store.checked(sha256, ".jpg").read_bytes()
    with other.write() as session:  # numbers go on after the restored ones
        session.add(person("new"))
    other.close()


def test_a_backup_goes_into_each_database(shop, blank_photo, tmp_path):
    """Back into the same kind and numbered on, so that new rows find free numbers."""
    filled(shop, blank_photo)
    write_backup(shop.desk.database, shop.desk.store, tmp_path / "b.tar")
    with shop.desk.database.engine.begin() as connection:
        for table in reversed(tables.Table.metadata.sorted_tables):
            connection.execute(table.delete())
    read_backup(tmp_path / "b.tar", shop.desk.database, open_store(tmp_path / "more"))
    with shop.desk.database.write() as session:
        session.add(person("new"))
    with shop.desk.database.read() as session:
        assert session.query(tables.Person).count() == 5


def test_restoring_over_a_desk_is_refused(shop, blank_photo, tmp_path):
    """What is there is never mixed with what comes."""
    filled(shop, blank_photo)
    write_backup(shop.desk.database, shop.desk.store, tmp_path / "b.tar")
    before = rows_of(shop.desk.database)
    with pytest.raises(errors.RecordsError, match="expected an empty desk"):
        read_backup(tmp_path / "b.tar", shop.desk.database, shop.desk.store)
    assert rows_of(shop.desk.database) == before


def test_a_backup_names_what_is_missing_or_altered(shop, blank_photo, tmp_path):
    """And holds everything else."""
    first, second = filled(shop, blank_photo)
    shop.desk.store.path(first, ".jpg").unlink()
    shop.desk.store.path(second, ".jpg").write_bytes(b"other")
    done = write_backup(shop.desk.database, shop.desk.store, tmp_path / "b.tar")
    assert done.photographs == 0
    assert [first[:12] in done.amiss[0] or first[:12] in done.amiss[1], len(done.amiss)] == [True, 2]


def test_a_tar_with_other_names_or_altered_photographs_writes_nothing_outside(shop, blank_photo, tmp_path):
    """Names that climb out of the folder are passed over; a photograph whose bytes changed is named, not taken."""
    filled(shop, blank_photo)
    write_backup(shop.desk.database, shop.desk.store, tmp_path / "b.tar")
    evil = tmp_path / "evil.tar"
    with tarfile.open(tmp_path / "b.tar") as old, tarfile.open(evil, "w") as new:
        for member in old.getmembers():
            data = old.extractfile(member).read()
            if member.name.startswith("photos/"):
                data = b"x" + data[1:]
            member.size = len(data)
            new.addfile(member, io.BytesIO(data))
        member = tarfile.TarInfo("photos/../../outside.jpg")
        new.addfile(member)
    other = open_database(f"sqlite:///{tmp_path / 'o.sqlite'}")
    done = read_backup(evil, other, open_store(tmp_path / "deep" / "photos"))
    other.close()
    assert not list(tmp_path.rglob("outside.jpg"))
    assert done.photographs == 0
    assert len(done.amiss) == 4  # two altered in the tar, and so two rows without their photograph


@pytest.mark.parametrize("content", [b"", b"no tar at all", json.dumps({}).encode()])
def test_a_file_that_is_no_backup_is_said(tmp_path, content):
    """One line, and no half-filled desk."""
    file = tmp_path / "b.tar"
    file.write_bytes(content)
    database = open_database(f"sqlite:///{tmp_path / 'o.sqlite'}")
    with pytest.raises(DeskError, match="expected a backup"):
        read_backup(file, database, open_store(tmp_path / "photos"))
    assert revision_of(database) is None
    database.close()
