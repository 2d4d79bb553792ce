"""What the desk's tests stand on: drawn photographs, databases, a shop with its people, a browser."""

import hashlib
import os
import secrets
import shutil
import threading
from contextlib import contextmanager
from pathlib import Path

import cv2
import numpy as np
import pytest
import uvicorn
from playwright.sync_api import sync_playwright
from sqlalchemy import create_engine
from sqlalchemy.engine.url import make_url
from sqlalchemy.pool import NullPool
from starlette.testclient import TestClient

from desk.foreign_truth import read_truth
from desk.hosting import listening
from desk.pages.app import make_app
from desk.records import tables
from desk.records.database import open_database
from desk.records.migrate import migrate
from desk.shop import people, signing_in
from desk.shop.assemblies import IntakeForm, open_assembly
from desk.shop.desk import open_desk
from desk.shop.intake import receive
from desk.shop.passwords import hash_password
from desk.shop.standing import refresh
from desk.truth_findings import findings_from_truth
from tests.desk.drawn_scenes import box, region, sleeve, truth, write_case
from vision.reading import read_photo


@pytest.fixture
def bench(tmp_path):
    """A folder with three drawn photographs: fused, bitten, sound."""
    folder = tmp_path / "bench"
    folder.mkdir()
    write_case(folder, truth("fused.jpg", [region("external_heat", 400, 80)]))
    write_case(folder, truth("bitten.jpg", [region("rodent", 500, 40)]))
    write_case(folder, truth("whole.jpg", []))
    return folder


@pytest.fixture
def perfect_eye(monkeypatch):
    """Assess by reading the photograph's truth file: what the desk does with an answer, apart from the seeing."""

    def assess_photo(path, settings):
        photo = read_photo(path)
        findings = findings_from_truth(read_truth(Path(path).with_suffix(".json")), photo.sha256)
        size = {"width_px": photo.width_px, "height_px": photo.height_px}
        return findings.model_copy(update={"photo": findings.photo.model_copy(update=size)})

    monkeypatch.setattr("desk.assess.assess_photo", assess_photo, raising=False)
    monkeypatch.setattr("desk.parallel.workers_for", lambda photographs: 1)  # another process would look for real


@pytest.fixture
def drawn():
    """The drawing helpers, for tests that need other scenes."""

    class Drawn:
        pass

    helpers = Drawn()
    helpers.region, helpers.truth, helpers.sleeve, helpers.box, helpers.write_case = (
        region,
        truth,
        sleeve,
        box,
        write_case,
    )
    helpers.sha = lambda path: hashlib.sha256(path.read_bytes()).hexdigest()
    return helpers


CHROMIUM = os.environ.get("LOOMTRIAGE_CHROMIUM", "/usr/bin/chromium")
collect_ignore = [] if Path(CHROMIUM).exists() else ["test_intake_page.py", "review_page", "test_whole_day.py"]
POSTGRES = os.environ.get("LOOMTRIAGE_TEST_POSTGRES")
"""A PostgreSQL where tests may make and drop databases; without it the desk's tests use SQLite only."""


def pytest_generate_tests(metafunc):
    """What asks for a database runs on every database there is, but for what shows nothing of the database."""
    looks = metafunc.definition.get_closest_marker("looks")
    kinds = ["sqlite", "postgresql"] if POSTGRES and not looks else ["sqlite"]
    for name in {"empty_address", "ready_address"} & set(metafunc.fixturenames):
        metafunc.parametrize(name, kinds, indirect=True)


def pytest_collection_modifyitems(items):
    """Single tests that open a page are left out where there is no browser."""
    if not Path(CHROMIUM).exists():
        collect_ignore.extend(item.name for item in items if "browser" in item.fixturenames)
        items[:] = [item for item in items if "browser" not in item.fixturenames]


def pytest_terminal_summary(terminalreporter):
    """Say plainly what was left out."""
    if collect_ignore:
        terminalreporter.write_line(f"left out: {', '.join(collect_ignore)} (no Chromium at {CHROMIUM})")
    if not POSTGRES:
        terminalreporter.write_line(
            "left out: the desk's tests on PostgreSQL (root on Debian installs it; else set LOOMTRIAGE_TEST_POSTGRES)"
        )


@contextmanager
def postgres_database():
    """A fresh database of the server, dropped afterwards."""
    name = f"desk_{secrets.token_hex(6)}"
    server = create_engine(POSTGRES, isolation_level="AUTOCOMMIT")
    with server.connect() as connection:
        connection.exec_driver_sql(f"CREATE DATABASE {name} TEMPLATE template0")
    try:
        yield make_url(POSTGRES).set(database=name).render_as_string(hide_password=False)
    finally:
        with server.connect() as connection:
            connection.exec_driver_sql(f"DROP DATABASE {name} WITH (FORCE)")
        server.dispose()


def migrated(address):
    """The address, its tables made."""
    database = open_database(address)
    migrate(database)
    database.close()
    return address


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory):
    """A migrated SQLite file; a copy is quicker than migrating again."""
    path = tmp_path_factory.mktemp("template") / "desk.sqlite"
    migrated(f"sqlite:///{path}")
    return path


@pytest.fixture(scope="session")
def postgres_ready():
    """The address of a migrated database on the server, one for all tests, and what empties it."""
    with postgres_database() as address:
        migrated(address)
        engine = create_engine(address, isolation_level="AUTOCOMMIT", poolclass=NullPool)
        with engine.connect() as connection:
            named = connection.exec_driver_sql(
                "SELECT relname, relkind FROM pg_class WHERE relnamespace = 'public'::regnamespace "
                "AND relkind IN ('r', 'S') AND relname <> 'alembic_version'"
            ).all()
            version = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar_one()
        deleted = "; ".join(f"DELETE FROM {name}" for name, kind in named if kind == "r")
        whole = f"UPDATE alembic_version SET version_num = '{version}'"  # a test may pretend to be a newer one
        numbers = ", ".join(f"setval('{name}', 1, false)" for name, kind in named if kind == "S")

        def empty():
            """All rows gone and numbers from 1 again: thirty times quicker than a new database. Whoever is left from
            the test before is sent away; rows that may not be deleted are, for once."""
            with engine.connect() as connection:
                connection.exec_driver_sql(
                    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                    "WHERE datname = current_database() AND pid <> pg_backend_pid()"
                )
                connection.exec_driver_sql("SET session_replication_role = replica")
                connection.exec_driver_sql(f"{deleted}; {whole}; SELECT {numbers}")

        yield address, empty


@pytest.fixture
def empty_address(request, tmp_path):
    """The address of an empty database: a file of SQLite, or a fresh database of the PostgreSQL server."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'desk.sqlite'}"
        return
    with postgres_database() as found:
        yield found


@pytest.fixture
def ready_address(request, tmp_path):
    """The address of a database with this version's tables and no rows."""
    if request.param == "sqlite":
        shutil.copy(request.getfixturevalue("sqlite_template"), tmp_path / "desk.sqlite")
        yield f"sqlite:///{tmp_path / 'desk.sqlite'}"
        return
    address, empty = request.getfixturevalue("postgres_ready")
    empty()
    yield address


PASSWORD = "seven wires in a row"
_HASHED = []


class Shop:
    """A desk with one person of each role, and browsers signed in as them."""

    password = PASSWORD

    def __init__(self, desk):
        self.desk = desk
        self.app = make_app(desk)
        self.accounts, self.tokens = {}, {}
        if not _HASHED:  # slow on purpose, so once for all tests
            _HASHED.append(hash_password(PASSWORD))
        with desk.database.write() as session:
            for role in people.ROLES:
                row = tables.Person(login=role, name=f"The {role}", roles=role, password_hash=_HASHED[0])
                session.add(row)
                session.flush()
                self.accounts[role] = people.account_of(row)
                self.tokens[role], _ = signing_in.open_session(session, role)

    def browser(self, role=None):
        """A client with the role's cookie; `form` holds what its forms must carry."""
        client = TestClient(self.app, follow_redirects=False)
        if role:
            client.cookies.set("desk_session", self.tokens[role])
            client.form = {"form_token": signing_in.form_token(self.tokens[role])}
            client.headers["X-Form-Token"] = client.form["form_token"]
        return client

    def opened(self, shop_order="A-1", vehicle="LT 1", circuit_class="none", **more):
        """The id of a new assembly."""
        with self.desk.database.write() as session:
            form = IntakeForm(shop_order, vehicle, circuit_class, **more)
            assembly_id, _ = open_assembly(session, self.accounts["intake"], form)
            refresh(session, self.desk, assembly_id)
        return assembly_id

    def sent(self, assembly_id, path, face="face_a"):
        """The receipt of a photograph, which is copied first."""
        copy = self.desk.incoming / f"{secrets.token_hex(4)}.part"
        copy.write_bytes(Path(path).read_bytes())
        return receive(self.desk, self.accounts["intake"], assembly_id, copy, Path(path).name, face)

    def assessed(self, assembly_id, sha256, known):
        """Put a photograph on record as if taken in and assessed, with its truth as the findings."""
        findings = findings_from_truth(known, sha256).model_dump(mode="json", by_alias=True)
        with self.desk.database.write() as session:
            photograph = tables.Photograph(
                assembly_id=assembly_id, sha256=sha256, suffix=".jpg", name=known.photo, face="face_a", size_bytes=1,
                width_px=640, height_px=480, made_by=self.accounts["intake"].id,
            )  # fmt: skip
            session.add(photograph)
            session.flush()
            session.add(
                tables.Assessment(
                    photograph_id=photograph.id, findings=findings, label="rodent", model_version="truth",
                    feature_version="truth", rules_sha256=self.desk.rules_sha256, seconds=1.0,
                )
            )  # fmt: skip
            session.flush()
            refresh(session, self.desk, assembly_id)


@pytest.fixture
def shop(ready_address, tmp_path):
    """A shop's desk on each database there is."""
    desk = open_desk(tmp_path / "data", ready_address)
    yield Shop(desk)
    desk.database.close()


@pytest.fixture(scope="module")
def browser():
    """Chromium that fetches nothing by itself."""
    flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM, args=flags)
        yield chromium
        chromium.close()


@contextmanager
def on_a_port(shop, work=None):
    """The shop's desk on a port, with a worker beside it that does `work` again and again; it tells whether there was
    any."""
    stop = threading.Event()

    def work_on():
        while not stop.is_set():
            if not work(shop.desk, "w1.test"):
                stop.wait(0.05)

    with listening("127.0.0.1", 0) as listener:
        server = uvicorn.Server(uvicorn.Config(shop.app, log_level="error", lifespan="off"))
        threads = [threading.Thread(target=server.run, args=([listener],))]
        threads += [threading.Thread(target=work_on)] if work else []
        for thread in threads:
            thread.start()
        shop.address = f"http://127.0.0.1:{listener.getsockname()[1]}"
        yield shop
        server.should_exit = True
        stop.set()
        for thread in threads:
            thread.join()


@pytest.fixture
def served(shop):
    """The shop's desk on a port."""
    with on_a_port(shop):
        yield shop


@pytest.fixture
def served_with():
    """The same with a worker: `with served_with(shop, work_once):`."""
    return on_a_port


@pytest.fixture
def blank_photo(tmp_path):
    """Make a small photograph without a mat: grey with some wires, different for every number."""

    def make(number=0, name="wires.jpg"):
        bgr = np.full((900, 1200, 3), 200, np.uint8)
        for n in range(6):
            y = 200 + 60 * n
            cv2.line(bgr, (60, y), (1100, y + 10 * (number % 7)), (40 * n, 30, 200 - 30 * n), 9)
        cv2.circle(bgr, (200 + number, 700), 20, (0, 0, 0), -1)
        path = tmp_path / name
        cv2.imwrite(str(path), bgr)
        return path

    return make
