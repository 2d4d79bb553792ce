"""The running desk: what was acknowledged survives kill -9, jobs go on after a restart, refusals are clear."""

import re
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import cv2
import httpx2
import numpy as np
import pytest

from desk.records import tables
from desk.records.database import open_database, sqlite_url
from desk.records.photo_store import PhotoStore
from desk.truth_findings import findings_from_truth

PASSWORD = "seven wires in a row"


class Running:
    """A desk in a process of its own."""

    def __init__(self, data, *more):
        self.data = data
        command = [sys.executable, "-m", "desk.cli", "serve", "--data", str(data), "--port", "0", *more]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        self.address = re.search(r"http://\S+", self.line("The desk is at"))[0]

    def line(self, beginning):
        """The next line it prints that begins so."""
        for line in self.process.stdout:
            if line.startswith(beginning):
                return line
        raise AssertionError(f"the desk ended with status {self.process.wait()}")

    def set_up(self):
        """Make the administrator by the printed link, and give a program's client."""
        link = re.search(r"http://\S+/set-up/\S+", self.line("Nobody has an account"))[0]
        form = {"login": "boss", "name": "Boss", "password": PASSWORD, "again": PASSWORD}
        assert httpx2.post(link, data=form).status_code == 303
        return self.client()

    def client(self):
        """A client of the API, signed in."""
        client = httpx2.Client(base_url=self.address, timeout=60)
        token = client.post("/api/v1/session", json={"login": "boss", "password": PASSWORD}).json()["token"]
        client.headers["Authorization"] = f"Bearer {token}"
        return client

    def kill(self):
        """kill -9: nothing is tidied up."""
        self.process.kill()
        self.process.wait()
        self.process.stdout.close()


@pytest.fixture
def start(tmp_path):
    """Start desks on one data folder; all are gone at the end."""
    running = []

    def begin(*more):
        running.append(Running(tmp_path / "data", *more))
        return running[-1]

    yield begin
    for desk in running:
        desk.kill()


@pytest.fixture(scope="module")
def idle(tmp_path_factory):
    """One desk without workers, for what only looks at it."""
    desk = Running(tmp_path_factory.mktemp("idle") / "data", "--workers", "0")
    yield desk
    desk.kill()


def photo(number):
    bgr = np.full((500, 700, 3), 190, np.uint8)
    for n in range(5):
        cv2.line(bgr, (40, 80 + 60 * n), (650, 80 + 60 * n), (20 + number % 200, 30 * n, 120), 8)
    cv2.putText(bgr, str(number), (60, 460), cv2.FONT_HERSHEY_SIMPLEX, 1.5, (0, 0, 0), 3)
    return cv2.imencode(".jpg", bgr)[1].tobytes()


def send(client, assembly_id, data, key):
    query = {"offset": 0, "size": len(data), "face": "close_up", "name": f"{key}.jpg"}
    return client.put(f"/api/v1/assemblies/{assembly_id}/uploads/{key}", params=query, content=data)


def test_what_was_acknowledged_survives_kill_9(start, tmp_path):
    """Three times killed while photographs and intakes stream in: every acknowledged one is there, whole and queued."""
    kept, opened = [], []

    def stream_in(client, base):
        try:
            for n in range(base, base + 1000):
                body = {"shop_order": f"K-{n}", "vehicle": "LT 1", "circuit_class": "none"}
                number = client.post("/api/v1/assemblies", json=body).json()["id"]
                opened.append(number)
                answer = send(client, number, photo(n), f"key-{n:06}")
                if answer.status_code == 200:
                    kept.append(answer.json()["sha256"])
        except httpx2.TransportError:
            return  # killed

    for turn, seconds in enumerate((1.0, 0.37, 1.71)):
        desk = start("--workers", "0")
        client = desk.set_up() if turn == 0 else desk.client()
        threads = [threading.Thread(target=stream_in, args=(client, 10_000 * turn + 2000 * n)) for n in range(3)]
        for thread in threads:
            thread.start()
        before = len(kept)
        time.sleep(seconds)
        while len(kept) == before:
            time.sleep(0.02)
        desk.kill()
        for thread in threads:
            thread.join()
    database = open_database(sqlite_url(tmp_path / "data"))
    store = PhotoStore(tmp_path / "data" / "photos")
    with database.read() as session:
        rows = {row.sha256: row for row in session.query(tables.Photograph)}
        jobs = {row.photograph_id: row.state for row in session.query(tables.Job)}
        assemblies = {row.id for row in session.query(tables.Assembly)}
    database.close()
    assert len(kept) >= 3
    assert set(opened) <= assemblies
    for sha256 in kept:
        assert store.checked(sha256, ".jpg").is_file()
        assert jobs[rows[sha256].id] == "queued"


def test_a_review_that_was_acknowledged_survives_kill_9(start, tmp_path, drawn):
    """Killed twice while a reviewer answers as fast as can be: every answer that was taken stands, in its order, and
    the review goes on from the newest."""
    desk = start("--workers", "0")
    client = desk.set_up()
    body = {"shop_order": "V-1", "vehicle": "LT 1", "circuit_class": "none"}
    number = client.post("/api/v1/assemblies", json=body).json()["id"]
    desk.kill()
    _bitten(tmp_path / "data", number, drawn)
    kept, address = [], f"/api/v1/assemblies/{number}/review"

    def answer(client):
        try:
            newest = client.get(address).json()["newest"]
            while True:
                label = ("rodent", "abrasion")[len(kept) % 2]
                edit = {"kind": "relabel", "photo": "f" * 64, "region": "r0", "label": label}
                given = client.post(f"{address}/entries", json={"based_on": newest, "edit": edit})
                assert given.status_code == 201, given.text
                newest = given.json()["entry"]
                kept.append((newest, label))
        except httpx2.TransportError:
            return  # killed

    for seconds in (0.6, 0.23):
        desk = start("--workers", "0")
        thread = threading.Thread(target=answer, args=(desk.client(),))
        thread.start()
        before = len(kept)
        time.sleep(seconds)
        assert until(lambda before=before: len(kept) > before + 1, 30)
        desk.kill()
        thread.join()
    database = open_database(sqlite_url(tmp_path / "data"))
    with database.read() as session:
        rows = [(row.id, row.payload["label"], row.conflicting) for row in session.query(tables.ReviewEntry)]
    database.close()
    assert len(kept) > 3
    assert {(*entry, False) for entry in kept} <= set(rows)
    assert len(rows) - len(kept) <= 2  # at most the one of each kill whose answer did not arrive


def _bitten(data, number, drawn):
    """Put an assessed photograph on record while no desk runs."""
    found = findings_from_truth(drawn.truth("a.jpg", [drawn.region("rodent", 400, 40)]), "f" * 64)
    database = open_database(sqlite_url(data))
    with database.write() as session:
        photograph = tables.Photograph(
            assembly_id=number, sha256="f" * 64, suffix=".jpg", name="a.jpg", face="face_a", size_bytes=1,
            width_px=640, height_px=480, made_by=1,
        )  # fmt: skip
        session.add(photograph)
        session.flush()
        session.add(
            tables.Assessment(
                photograph_id=photograph.id, findings=found.model_dump(mode="json", by_alias=True), label="rodent",
                model_version="truth", feature_version="truth", rules_sha256="r", seconds=1.0,
            )
        )  # fmt: skip
    database.close()


def test_an_assessment_interrupted_by_kill_9_is_made_after_the_restart(start, tmp_path):
    """With the shipped model: killed while the job runs, done after the next start, once."""
    desk = start("--workers", "1")
    client = desk.set_up()
    body = {"shop_order": "R-1", "vehicle": "LT 1", "circuit_class": "none"}
    number = client.post("/api/v1/assemblies", json=body).json()["id"]
    send(client, number, photo(1), "key-000001")
    state = until(lambda: assessment(client, number) in ("running", "done"), 90)
    assert state
    desk.kill()
    again = start("--workers", "1")
    client = again.client()
    assert until(lambda: assessment(client, number) == "done", 90)
    database = open_database(sqlite_url(tmp_path / "data"))
    with database.read() as session:
        assert session.query(tables.Assessment).count() == 1
    database.close()


def assessment(client, number):
    return client.get(f"/api/v1/assemblies/{number}").json()["photographs"][0]["assessment"]


def until(condition, seconds):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.1)
    return False


def test_ctrl_c_stops_the_desk_and_its_workers(start):
    """Once it serves: with an orderly status, and no process stays behind."""
    desk = start("--workers", "1")
    # before the web server has taken Ctrl-C over, a process started in the background does not hear it
    assert httpx2.get(f"{desk.address}/sign-in", timeout=60).status_code == 200
    children = subprocess.run(["pgrep", "-P", str(desk.process.pid)], capture_output=True, text=True, check=False)
    desk.process.send_signal(signal.SIGINT)
    assert desk.process.wait(60) in (0, 130)
    until = time.monotonic() + 20
    for pid in children.stdout.split():
        while lives(pid):
            assert time.monotonic() < until, f"process {pid} stayed behind"
            time.sleep(0.1)


def lives(pid):
    """Whether a process runs; one that has ended and that nobody has asked after does not."""
    told = subprocess.run(["ps", "-o", "stat=", "-p", pid], capture_output=True, text=True, check=False).stdout.strip()
    return bool(told) and not told.startswith("Z")


def refused(*arguments):
    command = [sys.executable, "-m", "desk.cli", "serve", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    return done.returncode, done.stderr


def test_a_desk_without_workers_says_that_nobody_assesses(idle):
    """Else photographs would wait for ever, and nothing would say why."""
    assert "are kept and wait" in idle.line("Caution: nobody assesses here")


def test_the_web_server_starts_without_what_learns(idle):
    """Scikit-learn, which takes seconds to load, is not in its memory."""
    loaded = (Path("/proc") / str(idle.process.pid) / "maps").read_text()
    assert "numpy" in loaded and "sklearn" not in loaded


def test_a_second_desk_on_the_same_folder_is_refused(idle):
    """One line that says what to do."""
    status, said = refused("--data", idle.data, "--port", "0")
    assert status == 2
    assert "expected a folder that no desk uses" in said
    assert said.count("\n") == 1


def test_a_port_that_is_taken_is_refused(tmp_path):
    """One line that names the option."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        status, said = refused("--data", tmp_path / "d", "--port", taken.getsockname()[1])
    assert status == 2
    assert "--port" in said
