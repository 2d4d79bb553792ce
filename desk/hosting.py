"""Hosts the desk: locks its data folder, starts its workers and its web server, and stops them together."""

from __future__ import annotations

import fcntl
import os
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import uvicorn

from desk.errors import DeskError
from desk.pages.app import make_app
from desk.shop import people
from desk.shop.desk import Desk, open_desk
from desk.shop.recovery import WorkerPlan, recover
from desk.shop.uploads import sweep
from desk.worker_pool import workers_running

LOCAL = ("127.0.0.1", "localhost", "::1")
Say = Callable[[str], None]


@dataclass(frozen=True)
class HostingPlan:
    """What `serve` was told."""

    data: Path
    database: str | None
    host: str
    port: int
    https: bool
    workers: int
    mats: tuple[Path, ...]
    rules: Path | None
    prices: Path | None = None


def host_desk(plan: HostingPlan, say: Say) -> int:
    """Serve until stopped; returns the exit status."""
    with locked(plan.data), listening(plan.host, plan.port) as listener:
        opened = open_desk(plan.data, plan.database, plan.rules, plan.mats, plan.https, plan.prices)
        desk = replace(opened, has_workers=plan.workers > 0)
        address = address_of(plan.host, listener)
        recover(desk)  # the folder's lock is ours: whoever ran these jobs is gone
        sweep(desk)
        for line in greeting(desk, plan, address):
            say(line)
        config = uvicorn.Config(
            make_app(desk), log_level="warning", access_log=False, server_header=False, proxy_headers=plan.https,
            forwarded_allow_ips="127.0.0.1", timeout_keep_alive=30, timeout_graceful_shutdown=10,
        )  # fmt: skip
        with workers_running(worker_plans(plan), say):
            uvicorn.Server(config).run(sockets=[listener])
    return 0


def worker_plans(plan: HostingPlan) -> list[WorkerPlan]:
    """What each worker process is told: those that assess, and one more for analysts' long work."""
    told = (plan.data, plan.database, plan.mats, plan.rules, os.getpid())
    assess = [WorkerPlan(f"w{n + 1}", *told) for n in range(plan.workers)]
    return [*assess, WorkerPlan("learner", *told, learns=True)] if assess else []


def greeting(desk: Desk, plan: HostingPlan, address: str) -> Iterator[str]:
    """What is said at the start: where the desk is, the set-up link while there is nobody, and a word on TLS."""
    yield f"The desk is at {address} and keeps its records in {plan.data.resolve()}. Ctrl-C stops it."
    with desk.database.write() as session:
        token = people.first_link(session)
    if token is not None:
        yield f"Nobody has an account yet. Open this link once, within 48 hours: {address}/set-up/{token}"
    if plan.workers == 0:
        yield (
            "Caution: nobody assesses here (--workers 0): photographs and analysts' work are kept and wait for a start "
            "with --workers 1."
        )
    if plan.host not in LOCAL and not plan.https:
        yield (
            "Caution: passwords and photographs travel unencrypted. Put the desk behind TLS: leave --host out, "
            f"let a web server with a certificate pass https requests on to http://127.0.0.1:{listener_port(address)}, "
            "and add --https."
        )


def listener_port(address: str) -> str:
    """The port at the end of an address."""
    return address.rsplit(":", 1)[-1]


def address_of(host: str, listener: socket.socket) -> str:
    """The address to type into a browser on this machine."""
    port = listener.getsockname()[1]
    shown = "127.0.0.1" if host in ("0.0.0.0", "") else host
    return f"http://[{shown}]:{port}" if ":" in shown else f"http://{shown}:{port}"


@contextmanager
def locked(data: Path) -> Iterator[None]:
    """Hold the data folder: two desks on one folder would both believe that they own its jobs."""
    try:
        data.mkdir(parents=True, exist_ok=True)
        handle = os.open(data / "desk.lock", os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as error:
        raise DeskError(f"--data: expected a folder, got {data} ({error.strerror}): name another place") from error
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise DeskError(
                f"--data: expected a folder that no desk uses, got {data}, which one serves already: "
                "stop that one or name another folder"
            ) from error
        yield
    finally:
        os.close(handle)


@contextmanager
def listening(host: str, port: int) -> Iterator[socket.socket]:
    """A socket that listens, or one clear line."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        listener = socket.create_server((host, port), family=family, backlog=256)
    except OSError as error:
        raise DeskError(
            f"--host, --port: expected a free address, got {host} port {port} ({error.strerror}): "
            "stop what uses it or name another with --port"
        ) from error
    with listener:
        yield listener
