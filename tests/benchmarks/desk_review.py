"""How long a review page takes to open in Chromium: places listed, and the first photograph of 12 megapixels seen."""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import threading
import time
from pathlib import Path

import cv2
import numpy as np
import uvicorn
from playwright.sync_api import sync_playwright

from desk.hosting import listening
from desk.pages.app import make_app
from desk.records import tables
from desk.records.photo_store import hash_of
from desk.shop import people, signing_in
from desk.shop.assemblies import IntakeForm, open_assembly
from desk.shop.desk import Desk, open_desk
from desk.shop.standing import refresh
from desk.truth_findings import findings_from_truth
from sample_images.truth import Truth, TruthRegion, TruthWire

CHROMIUM = os.environ.get("LOOMTRIAGE_CHROMIUM", "/usr/bin/chromium")
WIDE, HIGH, PHOTOS, PLACES, WIRES = 4000, 3000, 4, 6, 20
SEEN = "() => [...document.querySelectorAll('.sheet img')].some(i => i.complete && i.naturalWidth)"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--times", type=int, default=10)
    times = parser.parse_args().times
    with tempfile.TemporaryDirectory() as folder:
        desk = open_desk(Path(folder))
        assembly_id, token = filled(desk, Path(folder))
        with listening("127.0.0.1", 0) as listener:
            server = uvicorn.Server(uvicorn.Config(make_app(desk), log_level="error", lifespan="off"))
            thread = threading.Thread(target=server.run, args=([listener],))
            thread.start()
            address = f"http://127.0.0.1:{listener.getsockname()[1]}"
            try:
                measured(f"{address}/assemblies/{assembly_id}/review", address, token, times)
            finally:
                server.should_exit = True
                thread.join()


def filled(desk: Desk, folder: Path) -> tuple[int, str]:
    """An assembly with four photographs of 12 megapixels, six places and twenty traced wires on each."""
    rng = np.random.default_rng(3)
    with desk.database.write() as session:
        person = tables.Person(login="rex", name="Rex", roles="reviewer,intake", password_hash="x")
        session.add(person)
        session.flush()
        token, _ = signing_in.open_session(session, "rex")
        assembly_id, _ = open_assembly(session, people.account_of(person), IntakeForm("B-1", "LT 1", "none"))
        for number in range(PHOTOS):
            file = folder / f"{number}.jpg"
            small = rng.integers(60, 200, (HIGH // 8, WIDE // 8, 3), dtype=np.uint8)
            cv2.imwrite(str(file), cv2.resize(small, (WIDE, HIGH), interpolation=cv2.INTER_CUBIC))
            sha = hash_of(file)
            desk.store.take_in(file, sha, ".jpg")
            photograph = tables.Photograph(
                assembly_id=assembly_id, sha256=sha, suffix=".jpg", name=f"{number}.jpg", face="face_a", size_bytes=1,
                width_px=WIDE, height_px=HIGH, made_by=person.id,
            )  # fmt: skip
            session.add(photograph)
            session.flush()
            found = findings_from_truth(truth(number), sha).model_dump(mode="json", by_alias=True)
            session.add(
                tables.Assessment(
                    photograph_id=photograph.id, findings=found, label="rodent", model_version="m",
                    feature_version="f", rules_sha256=desk.rules_sha256, seconds=1.0,
                )
            )  # fmt: skip
        session.flush()
        refresh(session, desk, assembly_id)
    return assembly_id, token


def truth(number: int) -> Truth:
    """Straight wires across the photograph and bites on the first of them."""
    lines = [[(float(x), 200.0 + 120 * n) for x in range(100, 3900, 20)] for n in range(WIRES)]
    wires = [
        TruthWire(
            id=f"w{n}", colour="RD", diameter_mm=2.0, centreline_px=line,
            centreline_mm=[(x / 10, y / 10) for x, y in line], height_mm=[1.0] * len(line), length_mm=380.0,
            ends=[None, None],
        )
        for n, line in enumerate(lines)
    ]  # fmt: skip
    regions = []
    for n in range(PLACES):
        x, y = 400.0 + 500 * n, 190.0 + 120 * n
        ring = [(x, y), (x + 200, y), (x + 200, y + 20), (x, y + 20)]
        regions.append(
            TruthRegion(
                id=f"r{n}", label="rodent", signs=["bare_copper"], rings_px=[ring],
                rings_mm=[[(a / 10, b / 10) for a, b in ring]], visible_px=4000, length_mm=20.0, area_mm2=40.0,
                wires_affected=1, wire_ids=[f"w{n}"], exposed_copper_mm=8.0, to_termination_mm=200.0,
            )
        )  # fmt: skip
    return Truth(
        photo=f"{number}.jpg", width_px=WIDE, height_px=HIGH, seed=number, scenario="drawn", mat="drawn",
        mm_per_px_centre=0.1, labels=["rodent"], regions=regions, wires=wires, terminations=[], housings=[],
        coverings=[], splices=[], camera=None,
    )  # fmt: skip


def measured(page_address: str, address: str, token: str, times: int) -> None:
    """Open the page in a fresh browser context each time; the first opening also makes the small pictures."""
    flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
    listed, seen = [], []
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=flags)
        for _ in range(times + 1):
            context = browser.new_context(viewport={"width": 1600, "height": 1000})
            context.add_cookies([{"name": "desk_session", "value": token, "url": address}])
            page = context.new_page()
            start = time.perf_counter()
            page.goto(page_address, wait_until="commit")
            page.locator("#places button").first.wait_for()
            listed.append(time.perf_counter() - start)
            page.wait_for_function(SEEN)
            seen.append(time.perf_counter() - start)
            context.close()
        browser.close()
    print(
        f"{PHOTOS} photographs of 12 MP, {PHOTOS * PLACES} places; first opening {seen[0]:.2f} s (makes the pictures)"
    )
    for words, values in (("places listed", listed[1:]), ("first photograph seen", seen[1:])):
        print(f"{words:<22} median {statistics.median(values):.2f} s   worst {max(values):.2f} s")


if __name__ == "__main__":
    main()
