"""Time and memory of one assessment: `python tests/benchmarks/assess_cost.py PHOTO [--runs N]`.

Brings the photograph to 12 MP (4000 x 3000) when it is another size, writes it as a JPEG of quality 92, and prints the
time from file to findings and decision as a multiple of `cv2.imdecode` of the same JPEG, a table of the stages, and the
process's peak memory. The first run, which loads the model and draws the mat's print, is not counted. One thread. Times
are CPU times, so that other work on the machine disturbs little.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import tempfile
import time
from pathlib import Path
from types import ModuleType
from typing import Any

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")

import cv2
import numpy as np

from desk import assess, recognition
from desk.assess import AssessSettings
from desk.batch import assess_all
from models.repair import Answers, load_rules
from vision import sight
from vision.layout import builtin_layouts

STAGES = {
    "reading": (assess, "read_photo"),
    "finding the mat": (sight, "find_mat"),
    "laying flat": (sight, "lay_on_mat"),
    "laying flat, no mat": (sight, "lay_without_mat"),
    "evening the light": (sight, "even_light"),
    "parting from the page": (sight, "on_white_ground"),
    "parting from a bench": (sight, "on_other_ground"),
    "describing cells": (sight, "describe_cells"),
    "judging quality": (sight, "judge_quality"),
    "looking with the eye": (assess, "seen_by"),
    "recognising": (recognition, "recognise"),
    "tracing wires": (assess, "trace_wires"),
}
"""Stages by name: the module that calls the function, and the function's name in it. What is left is the learned
model, the measures and the decision."""


def timed(module: ModuleType, name: str, spent: list[float]) -> None:
    """Put a clock around a module's function: every call adds its CPU seconds to ``spent``."""
    function = getattr(module, name)

    def clocked(*args: Any, **named: Any) -> Any:
        start = time.process_time()
        try:
            return function(*args, **named)
        finally:
            spent.append(time.process_time() - start)

    setattr(module, name, clocked)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("photo", type=Path)
    parser.add_argument("--runs", type=int, default=5)
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    picture = cv2.imread(str(arguments.photo))
    if picture is None:
        raise SystemExit(f"expected a photograph, got {arguments.photo}")
    if picture.shape[:2] != (3000, 4000):
        picture = cv2.resize(picture, (4000, 3000), interpolation=cv2.INTER_CUBIC)
    settings = AssessSettings(tuple(builtin_layouts()), load_rules(None), Answers(circuit_class="none"))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "twelve.jpg"
        cv2.imwrite(str(path), picture, [cv2.IMWRITE_JPEG_QUALITY, 92])
        del picture
        data = np.frombuffer(path.read_bytes(), np.uint8)
        decode, answer = [], []
        spent: dict[str, list[float]] = {stage: [] for stage in STAGES}
        for stage, (module, name) in STAGES.items():
            timed(module, name, spent[stage])
        for run in range(arguments.runs + 1):
            start = time.process_time()
            cv2.imdecode(data, cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
            middle = time.process_time()
            done = assess_all([path], settings)
            end = time.process_time()
            if not run:  # loads the model
                for times in spent.values():
                    times.clear()
            else:
                decode.append(middle - start)
                answer.append(end - middle)
            if done.entries[0].error:
                raise SystemExit(done.entries[0].error)
    ratio = statistics.median(answer) / statistics.median(decode)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    total = sum(answer)
    seconds = {stage: sum(times) for stage, times in spent.items() if times}
    seconds["all else"] = total - sum(seconds.values())
    print(f"{'stage':24s} {'CPU s':>7s} {'share':>6s} {'x decode':>8s}")
    for stage, cost in sorted(seconds.items(), key=lambda pair: -pair[1]):
        print(f"{stage:24s} {cost / arguments.runs:7.3f} {cost / total:6.1%} {cost / sum(decode):8.1f}")
    print(f"decode {1000 * statistics.median(decode):.0f} ms, answer {1000 * statistics.median(answer):.0f} ms")
    print(f"answer / decode {ratio:.1f}, peak memory {peak:.0f} MB, runs {arguments.runs}")


if __name__ == "__main__":
    main()
