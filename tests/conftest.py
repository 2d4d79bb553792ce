"""What the tests need beside Python: on Debian it is installed and started, elsewhere the run says what it left out.

Root is needed for that; `LOOMTRIAGE_TEST_INSTALL=no` keeps the machine as it is. Done when this file is read, before
the tests are collected: which of them can run is known then. Where CI is set, nothing may be left out.
"""

from __future__ import annotations

import atexit
import os
import shutil
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

# files run side by side, each on one core; with more threads boosted trees wait for each other ten times as long.
# Set before any library is loaded, and inherited by the workers
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

_POSTGRES_BINS = "/usr/lib/postgresql"
_LONGEST = (
    "test_relearn.py", "test_serve.py", "test_access.py", "test_intake_page.py", "test_review_page.py",
    "test_review_screen.py", "test_screen_photo.py", "test_forgetting.py", "test_mat_pose.py", "test_mat_length.py",
    "test_learning_pages.py", "test_whole_day.py", "test_whole_line.py", "test_things_never_seen.py",
    "test_together.py", "test_scene.py", "test_mat.py", "test_mat_doubt.py",
)  # fmt: skip
"""Files that take longest. They begin first: one that begins last keeps one core busy while the others wait."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Whole files in another order, the tests of each as they stand; workers take them one by one in this order."""
    begins = {name: n for n, name in enumerate(_LONGEST)}
    items.sort(key=lambda item: begins.get(item.path.name, len(begins)))


def _desk_is_asked_for() -> bool:
    """Whether this run takes in the desk's tests: the others need neither browser nor database server."""
    desk = Path(__file__).resolve().parent / "desk"
    paths = [Path(argument.split("::")[0]).resolve() for argument in sys.argv[1:] if not argument.startswith("-")]
    named = [path for path in paths if path.exists()]
    return not named or any(path == desk or desk in path.parents or path in desk.parents for path in named)


def _may_install() -> bool:
    debian = Path("/etc/debian_version").exists() and shutil.which("apt-get") is not None
    return debian and os.geteuid() == 0 and os.environ.get("LOOMTRIAGE_TEST_INSTALL") != "no"


def _postgres_bin() -> Path | None:
    found = sorted(Path(_POSTGRES_BINS).glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    return found[-1].parent if found else None


def _chromium() -> Path:
    return Path(os.environ.get("LOOMTRIAGE_CHROMIUM", "/usr/bin/chromium"))


def _is_complete() -> bool:
    return _chromium().exists() and "LOOMTRIAGE_TEST_POSTGRES" in os.environ


def _install() -> None:
    """Chromium and PostgreSQL by the system's packages, whichever is missing."""
    absent = [] if _chromium().exists() else ["chromium"]
    absent += [] if _postgres_bin() or "LOOMTRIAGE_TEST_POSTGRES" in os.environ else ["postgresql"]
    absent += [] if shutil.which("ps") else ["procps"]
    if not absent:
        return
    print(f"installing for the tests: {', '.join(absent)} (LOOMTRIAGE_TEST_INSTALL=no leaves them out)", flush=True)
    path = f"{os.environ.get('PATH', '')}:/usr/local/sbin:/usr/sbin:/sbin"  # dpkg asks for it, a user's may lack it
    quiet = {"env": os.environ | {"DEBIAN_FRONTEND": "noninteractive", "PATH": path}, "stdout": subprocess.DEVNULL}
    for command in (["update", "-q"], ["install", "-y", "-q", "--no-install-recommends", *absent]):
        done = subprocess.run(["apt-get", *command], check=False, **quiet)
        if done.returncode != 0:
            print(f"apt-get {command[0]} failed: the tests that need {', '.join(absent)} are left out", flush=True)
            return


def _start_postgres() -> None:
    """A server of this run's own on a free port, gone with it; its address goes where the desk's tests look."""
    tools = _postgres_bin()
    if tools is None or "LOOMTRIAGE_TEST_POSTGRES" in os.environ:
        return
    home = Path(tempfile.mkdtemp(prefix="loomtriage-postgres-"))
    shutil.chown(home, "postgres")

    def run(*command: str | Path) -> None:
        whole = [str(part) for part in command]
        owner = {"user": "postgres", "group": "postgres", "extra_groups": []}
        done = subprocess.run(whole, cwd=home, capture_output=True, text=True, check=False, **owner)
        if done.returncode != 0:
            raise RuntimeError(f"expected {Path(command[0]).name} to succeed, got: {done.stderr.strip()[-300:]}")

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    run(tools / "initdb", f"--pgdata={home}/data", "--auth=trust", "--encoding=UTF8", "--locale=C")
    options = f"-p {port} -c fsync=off -c listen_addresses=127.0.0.1 -c unix_socket_directories={home}"
    start = (tools / "pg_ctl", f"--pgdata={home}/data", f"--log={home}/log", "--wait", f"--options={options}", "start")
    run(*start)

    def stop() -> None:
        run(tools / "pg_ctl", f"--pgdata={home}/data", "--mode=immediate", "stop")
        shutil.rmtree(home, ignore_errors=True)

    atexit.register(stop)
    os.environ["LOOMTRIAGE_TEST_POSTGRES"] = f"postgresql+psycopg://postgres@127.0.0.1:{port}/postgres"


# workers of pytest-xdist find everything prepared by the run that started them
if "PYTEST_XDIST_WORKER" not in os.environ and _desk_is_asked_for():
    if _may_install():
        _install()
        _start_postgres()
    if os.environ.get("CI") and not _is_complete():
        pytest.exit("expected Chromium and PostgreSQL for the tests where CI is set, got a machine without", 2)
