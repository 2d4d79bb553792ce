"""Answer time of the queue and list pages with 100 000 assessments in the database; aim: p95 at most 100 ms.

.venv/bin/python tests/benchmarks/desk_queue.py [--database ADDRESS] [--assessments 100000]
"""

from __future__ import annotations

import argparse
import random
import statistics
import tempfile
import time
from datetime import timedelta
from pathlib import Path

from sqlalchemy import insert
from starlette.testclient import TestClient

from desk.pages.app import make_app
from desk.records import tables
from desk.records.columns import now
from desk.shop import signing_in
from desk.shop.desk import Desk, open_desk
from vision.findings import LABELS

ROUTES = ("return_to_service", "repair_in_vehicle", "remanufacture", "refer", "undecided")
PHOTOS_EACH = 2
QUEUED_SHARE = 0.3

SURE = {"unsure": False, "novel": False, "candidates": []}
MARKS = {"all": [], "photographs": {}}


def fill(desk: Desk, assessments: int) -> str:
    """Rows as a shop of many years has them, findings of a few kilobytes each; gives an administrator's token."""
    rng = random.Random(1)
    start = now() - timedelta(days=3000)
    count = assessments // PHOTOS_EACH
    findings = {"schema": "1", "filler": "x" * 3000}
    with desk.database.write() as session:
        session.add(tables.Person(login="boss", name="Boss", roles="administrator"))
        session.flush()
        for first in range(1, count + 1, 2000):
            ids = range(first, min(first + 2000, count + 1))
            at = {i: start + timedelta(minutes=80 * i) for i in ids}
            session.execute(
                insert(tables.Assembly),
                [
                    {"id": i, "shop_order": f"A-{i}", "shop_order_key": f"a{i}", "made_at": at[i], "made_by": 1}
                    for i in ids
                ],
            )
            session.execute(insert(tables.Standing), [standing(rng, i, at[i]) for i in ids])
            photos = [(PHOTOS_EACH * i + k, i) for i in ids for k in range(PHOTOS_EACH)]
            common = {
                "suffix": ".jpg",
                "name": "p.jpg",
                "face": "face_a",
                "size_bytes": 1,
                "width_px": 1,
                "height_px": 1,
            }
            session.execute(
                insert(tables.Photograph),
                [common | {"id": p, "assembly_id": i, "sha256": f"{p:064x}", "made_by": 1} for p, i in photos],
            )
            made = {"model_version": "m", "feature_version": "f", "rules_sha256": "r", "seconds": 1.0}
            session.execute(
                insert(tables.Assessment), [made | {"photograph_id": p, "findings": findings} for p, _ in photos]
            )
        token, _ = signing_in.open_session(session, "boss")
    return token


def standing(rng: random.Random, number: int, at: object) -> dict[str, object]:
    label = rng.choice(LABELS)
    vehicle = f"LT {rng.randrange(20000)}"
    return {
        "assembly_id": number, "state": "to_review" if rng.random() < QUEUED_SHARE else "closed",
        "shop_order": f"A-{number}", "vehicle": vehicle, "search": f"a-{number} {vehicle.lower()} said something",
        "label": label, "labels": [label], "marks": MARKS | {"all": [SURE | {"label": label}]},
        "route": rng.choice(ROUTES), "route_worst": rng.choice(ROUTES),
        "urgency": rng.randrange(16), "questions": 3, "photographs": PHOTOS_EACH, "decision": None,
        "waiting_since": at, "opened_at": at,
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--database")
    parser.add_argument("--assessments", type=int, default=100_000)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        desk = open_desk(Path(folder), given.database)
        began = time.perf_counter()
        token = fill(desk, given.assessments)
        took = time.perf_counter() - began
        print(f"{desk.database.url.drivername}: {given.assessments} assessments written in {took:.0f} s")
        client = TestClient(make_app(desk))
        client.cookies.set("desk_session", token)
        pages = {
            "queue": lambda n: f"/queue?page={1 + n % 20}",
            "list": lambda n: f"/assemblies?page={1 + n % 20}",
            "list by label": lambda n: f"/assemblies?label={LABELS[n % len(LABELS)]}",
            "list by words": lambda n: f"/assemblies?text=lt+{n * 37}",
        }
        for name, address in pages.items():
            seconds = []
            for n in range(110):
                began = time.perf_counter()
                answer = client.get(address(n))
                seconds.append(time.perf_counter() - began)
                assert answer.status_code == 200, answer.text
            seconds = sorted(seconds[10:])
            p50, p95 = statistics.median(seconds), seconds[94]
            print(f"{name:14} p50 {1000 * p50:6.1f} ms   p95 {1000 * p95:6.1f} ms")
        desk.database.close()


if __name__ == "__main__":
    main()
