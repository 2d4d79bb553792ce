"""How many corrected scenes a namer needs with and without choosing them: a simulation on kept generated lessons.

    .venv/bin/python tests/benchmarks/teaching_order.py FOLDER

FOLDER holds the `*.lessons.npz` of generated scenes that a training from corrections kept.
"""

import sys
from pathlib import Path

from desk.learning.next import learning_curve, simulated
from desk.retrain import WIRE_LABELS
from models.damage.lessons import lessons_of, load_lessons, together

START, STEP, ROUNDS, RUNS = 16, 6, 8, 6


def main(folder: Path) -> None:
    """Print both courses, what each needs for the figures that chance reaches, and the learning curve."""
    lessons = lessons_of([])
    for path in sorted(folder.glob("*.lessons.npz")):
        lessons = together(lessons, load_lessons(path)["wires"])
    print(f"{len(lessons)} candidates of {len(set(lessons.groups.tolist()))} scenes")
    course = simulated(WIRE_LABELS, lessons, START, STEP, ROUNDS, RUNS, seed=0)
    for n, wise, luck in zip(course.groups, course.chosen, course.by_chance, strict=True):
        print(f"{n:4} scenes  chosen {wise:.3f}  by chance {luck:.3f}")
    for goal in sorted({round(f1, 2) for f1 in course.by_chance[2:]}):
        print(f"macro-F1 {goal:.2f}: chosen {course.needed(goal)[0]}, by chance {course.needed(goal)[1]} scenes")
    curve = learning_curve(WIRE_LABELS, lessons)
    print("curve", dict(zip(curve.sizes, curve.f1, strict=True)), "more:", curve.more)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
