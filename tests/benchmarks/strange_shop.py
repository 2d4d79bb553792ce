"""What corrections of half of a stranger's photographs do for the other half, whole: teach, keep, evaluate both models.

    python tests/benchmarks/strange_shop.py FOLDER WORK [--swap] [--scenes N]

FOLDER holds photographs with truth files, made by somebody else; every other one of each label is reviewed as its
truth has it (found places confirmed, renamed or rejected, misses added), a model is taught from these on a desk in
WORK, and both models answer the other half and the reviewed one (`--swap` exchanges the halves). The taught model is
kept in WORK only.
"""

from __future__ import annotations

import argparse
import hashlib
import time
from pathlib import Path

from desk.assess import AssessSettings, findings_of
from desk.evaluate import Case, Evaluation, evaluate_folder, find_cases
from desk.evaluate_match import match_regions
from desk.learning.corrected import Place, ReviewedPhoto, snapshot_of
from desk.learning.model_shelf import keep_model
from desk.learning.relearn import RelearnSettings, relearn
from desk.learning.shelf import Shelf
from desk.records.photo_store import open_store
from models.damage.store import DamageModel, load_model
from models.repair import Answers, load_rules
from vision.cells import FEATURE_VERSION
from vision.layout import builtin_layouts
from vision.reading import read_photo
from vision.sight import first_look

_DAY = "2031-02-03T10:00:00"
_SHOWN = ("macro_f1", "unsafe_routes", "answered", "regions_found", "false_regions", "region_labels")


def reviewed(case: Case, model: DamageModel, work: Path) -> ReviewedPhoto:
    """The photograph put into the store, with what somebody who knows the truth makes of the model's places."""
    data = case.path.read_bytes()
    sha = hashlib.sha256(data).hexdigest()
    part = work / f"{sha[:8]}.part"
    part.write_bytes(data)
    open_store(work / "photos").take_in(part, sha, case.path.suffix)
    truth = case.truth
    findings = findings_of(first_look(read_photo(case.path), builtin_layouts()), model, load_rules())
    pairs, false = match_regions(truth, findings)
    said = {i: findings.regions[j].label for i, j in pairs}
    places = []
    for i, region in enumerate(truth.regions):
        was = said.get(i)
        verdict = "added" if i not in said else "confirmed" if was == region.label else "corrected"
        places.append(_place(f"t{i}", verdict, region.label, was, region.rings_px))
    for j in false:
        region = findings.regions[j]
        places.append(_place(f"f{j}", "rejected", "sound", region.label, region.rings_px))
    return ReviewedPhoto(
        assembly=case.path.stem, sha256=sha, suffix=case.path.suffix, name=case.path.name, width_px=truth.width_px,
        height_px=truth.height_px, mm_per_px=truth.mm_per_px_centre, has_mat=truth.mat is not None, taken_at=None,
        signed_off_at=_DAY, model_version=model.version, blind=False, route="undecided", route_worst="remanufacture",
        places=places,
    )  # fmt: skip


def _place(name: str, verdict, label: str, was: str | None, rings) -> Place:
    return Place(
        region=name, verdict=verdict, label=label, was=was, rings_px=rings, reviewer="truth", judged_at=_DAY
    )  # fmt: skip


def halves(cases: list[Case]) -> tuple[list[Case], list[Case]]:
    """Every other photograph of each set of labels."""
    by_labels = sorted(cases, key=lambda c: (sorted({r.label for r in c.truth.regions}), c.path.name))
    return by_labels[0::2], by_labels[1::2]


def say(name: str, evaluation: Evaluation) -> None:
    """The figures that labels and regions have, with their intervals."""
    for figure in evaluation.figures:
        if figure.key in _SHOWN:
            print(f"{name:8} {figure.name:40} {figure.say_value():>8}  {figure.say_interval()}")
    for line in evaluation.unsafe_names:
        print(f"{name:8} unsafe: {line}")


def main() -> None:
    """Review one half, teach, evaluate both models on the other."""
    args = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    args.add_argument("folder", type=Path)
    args.add_argument("work", type=Path)
    args.add_argument("--swap", action="store_true")
    args.add_argument("--scenes", type=int, default=96)
    told = args.parse_args()
    told.work.mkdir(parents=True, exist_ok=True)
    learn, ask = halves(find_cases(told.folder)[0])
    learn, ask = (ask, learn) if told.swap else (learn, ask)
    base, shelf = load_model(), Shelf(told.work)
    photos = [reviewed(case, base, told.work) for case in learn]
    snapshot = snapshot_of(photos, FEATURE_VERSION, _DAY)
    print(f"{len(learn)} photographs reviewed: {snapshot.counts()}", flush=True)
    start = time.perf_counter()
    done = relearn(snapshot, base, shelf, builtin_layouts(), RelearnSettings(scenes=told.scenes))
    print(f"taught in {time.perf_counter() - start:.0f} s; finder: {done.model.card['finder_kept']}", flush=True)
    kept = keep_model(shelf, done.model)
    for half, cases in (("asked", ask), ("reviewed", learn)):
        print(f"{half} half, {len(cases)} photographs")
        for name, model in (("shipped", None), ("taught", kept)):
            settings = AssessSettings(builtin_layouts(), load_rules(), Answers(circuit_class="none"), model=model)
            say(name, evaluate_folder(told.folder, cases, settings))


if __name__ == "__main__":
    main()
