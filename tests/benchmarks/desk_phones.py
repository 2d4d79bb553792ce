"""Thirty phones send photographs to a running desk at once: nothing is lost; p95 answer time against one assessment.

.venv/bin/python tests/benchmarks/desk_phones.py [--phones 30] [--each 2] [--width 4000]
"""

from __future__ import annotations

import argparse
import re
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import httpx2

from desk.assess import AssessSettings, assess_photo
from desk.samples import make_samples
from models.repair import Answers, load_rules
from vision.layout import builtin_layouts

PASSWORD = "seven wires in a row"
PIECE = 512 * 1024


def signed_in(address: str) -> httpx2.Client:
    client = httpx2.Client(base_url=address, timeout=600)
    token = client.post("/api/v1/session", json={"login": "boss", "password": PASSWORD}).json()["token"]
    client.headers["Authorization"] = f"Bearer {token}"
    return client


def send(client: httpx2.Client, assembly_id: int, key: str, data: bytes) -> tuple[str, float]:
    """The photograph's hash as the desk has it, and seconds from the first piece to the answer."""
    began = time.perf_counter()
    for offset in range(0, len(data), PIECE):
        query = {"offset": offset, "size": len(data), "face": "close_up", "name": f"{key}.jpg"}
        piece = data[offset : offset + PIECE]
        answer = client.put(f"/api/v1/assemblies/{assembly_id}/uploads/{key}", params=query, content=piece)
        answer.raise_for_status()
    return answer.json()["sha256"], time.perf_counter() - began


def main() -> None:
    parser = argparse.ArgumentParser()
    for name, value in (("--phones", 30), ("--each", 2), ("--width", 4000)):
        parser.add_argument(name, type=int, default=value)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        photos = Path(folder) / "photos"
        photos.mkdir()
        make_samples(photos, count=2, seed=1, width=given.width)
        files = sorted(photos.glob("*.jpg"))
        settings = AssessSettings(tuple(builtin_layouts()), load_rules(), Answers())
        assess_photo(files[0], settings)
        one = []
        for file in files:
            began = time.perf_counter()
            assess_photo(file, settings)
            one.append(time.perf_counter() - began)
        command = [sys.executable, "-m", "desk.cli", "serve", "--data", f"{folder}/data", "--port", "0"]
        desk = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        try:
            measure(desk, [file.read_bytes() for file in files], given, statistics.mean(one))
        finally:
            desk.terminate()
            desk.wait()


def measure(desk: subprocess.Popen[str], photos: list[bytes], given: argparse.Namespace, one_s: float) -> None:
    assert desk.stdout is not None
    first, second = desk.stdout.readline(), desk.stdout.readline()
    link = re.search(r"http://\S+/set-up/\S+", second)[0]  # type: ignore[index]
    address = re.search(r"http://[\w.:]+", first)[0]  # type: ignore[index]
    httpx2.post(link, data={"login": "boss", "name": "Boss", "password": PASSWORD, "again": PASSWORD})
    answers: list[tuple[str, float]] = []

    def phone(number: int, client: httpx2.Client, assembly_id: int) -> None:
        for n in range(given.each):
            data = photos[n % len(photos)] + f"phone {number} {n}".encode()  # another hash, the same picture
            answers.append(send(client, assembly_id, f"phone-{number:03}-{n}", data))

    clients = [signed_in(address) for _ in range(given.phones)]
    body = {"vehicle": "LT 1", "circuit_class": "none"}
    ids = [
        c.post("/api/v1/assemblies", json=body | {"shop_order": f"P-{n}"}).json()["id"] for n, c in enumerate(clients)
    ]
    threads = [threading.Thread(target=phone, args=(n, clients[n], ids[n])) for n in range(given.phones)]
    began = time.perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    took = time.perf_counter() - began
    kept = {p["sha256"] for n in ids for p in clients[0].get(f"/api/v1/assemblies/{n}").json()["photographs"]}
    lost = given.phones * given.each - len(kept & {sha256 for sha256, _ in answers})
    seconds = sorted(seconds for _, seconds in answers)
    p95 = seconds[max(0, round(0.95 * len(seconds)) - 1)]
    megabytes = sum(len(p) for p in photos) / len(photos) / 1e6
    print(f"{given.phones} phones, {given.each} photographs of {megabytes:.1f} MB each, in {took:.1f} s; lost: {lost}")
    print(f"answer p50 {statistics.median(seconds):.2f} s, p95 {p95:.2f} s; one assessment {one_s:.2f} s")
    print(f"p95 = {p95 / one_s:.1f} times one assessment")


if __name__ == "__main__":
    main()
