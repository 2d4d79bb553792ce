"""Lets two models answer the same photographs that neither learnt from: second opinions, kept out, generated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

from desk.assess import findings_of
from desk.errors import DeskError
from desk.evaluate_match import match_regions
from desk.evaluate_scoring import is_answered, is_milder
from desk.learning.comparison import Answer, Comparison, Pair, SetName, compared
from desk.learning.corrected import Place, ReviewedPhoto, Snapshot
from desk.learning.differing import draw, fresh_folder
from desk.learning.model_shelf import folder_of, keep_comparison, to_compare_with, usable_model
from desk.learning.seeds import reserve
from desk.learning.shelf import Shelf
from desk.learning.truths import truth_of
from desk.parallel import Progress, counted, pool_map
from desk.records.columns import now
from desk.records.errors import PhotoAltered, PhotoMissing
from desk.records.photo_store import PhotoStore
from desk.training_set import SceneJob
from desk.truth_findings import findings_from_truth, knowing_all
from models.damage.store import DamageModel, load_model
from models.repair import Answers, Rules, decide, leading_label
from sample_images.scene import SCENARIOS
from sample_images.truth import Truth
from vision.findings import Decision, PhotoFindings
from vision.layout import MatLayout
from vision.reading import Photo, PhotoError, read_photo
from vision.sight import first_look

_PLAIN = Answers(circuit_class="none")


@dataclass(frozen=True)
class Case:
    """A photograph to hold both models against: a reviewed one, or a scene to be rendered."""

    set_name: SetName
    reviewed: ReviewedPhoto | None = None
    scene: SceneJob | None = None

    def load(self, store: PhotoStore) -> tuple[Photo, Truth]:
        """The picture and what is true of it."""
        if self.reviewed is not None:
            path = store.checked(self.reviewed.sha256, self.reviewed.suffix)
            return read_photo(path), truth_of(self.reviewed)
        assert self.scene is not None
        return self.scene.load()


def fresh_scenes(count: int, first_seed: int) -> list[Case]:
    """Every scenario in turn, as a shop's photographs show them."""
    n = len(SCENARIOS)
    return [Case("generated", scene=SceneJob(SCENARIOS[i % n], first_seed + i // n)) for i in range(count)]


def held_out(snapshot: Snapshot | None, learnt: Sequence[str], kept_out: Sequence[str]) -> tuple[list[Case], int]:
    """Photographs drawn for second opinions on which both people agree, then those kept out of both trainings; and
    how many were left out because nobody gave a second opinion yet or both people differ.
    """
    cases, out = [], 0
    for photo in snapshot.photos if snapshot else ():
        if photo.blind:
            agreed = agreed_on(photo)
            cases += [] if agreed is None else [Case("second opinions", agreed)]
            out += agreed is None
        elif photo.assembly in kept_out and photo.assembly not in learnt:
            cases.append(Case("kept out", photo))
    return cases, out


def agreed_on(photo: ReviewedPhoto) -> ReviewedPhoto | None:
    """The photograph with what two people said alike; None where they differ or the second was not asked.

    Somebody who judges blind sees only the places that the model found: an added one rests on the reviewer alone.
    """
    places: list[Place] = []
    for place in photo.places:
        if place.verdict != "added" and (place.second is None or place.second != place.label):
            return None
        places.append(place.model_copy(update={"verdict": "confirmed"}) if place.verdict == "unjudged" else place)
    return photo.model_copy(update={"places": places})


def compare_models(
    shelf: Shelf,
    version: str,
    snapshot: Snapshot | None,
    rules: Rules,
    layouts: Sequence[MatLayout],
    scenes: int,
    workers: int,
    on_progress: Progress | None = None,
) -> Comparison:
    """Hold a proposed model against the one in use and lay the comparison beside it. Its ``scenes`` are fresh: no model
    learnt from them and no earlier comparison used them."""
    used = to_compare_with(shelf, version)
    folders = (folder_of(shelf, used), folder_of(shelf, version))
    cards = [usable_model(folder).card for folder in folders]
    learnt = [name for card in cards for name in card.get("learnt_assemblies", [])]
    kept = [name for card in cards for name in card.get("held_out_assemblies", [])]
    cases, left_out = held_out(snapshot, learnt, kept)
    first_seed = reserve(shelf, scenes, version, cards) if scenes else None
    cases += fresh_scenes(scenes, first_seed) if first_seed is not None else []
    if not cases:
        raise DeskError("model compare: expected photographs to compare on, got none: raise --scenes")
    bench = Bench(folders, PhotoStore(shelf.data / "photos"), rules, tuple(layouts), fresh_folder(shelf, version))
    work = partial(_pair, bench=bench)
    done = counted(pool_map(work, cases, workers), len(cases), "answering with both models", on_progress)
    pairs = list(done)
    read = [pair for pair in pairs if pair is not None]
    if not read:
        raise DeskError("model compare: expected photographs that can be read, got none: raise --scenes")
    left_out += len(pairs) - len(read)
    content = cards[0].get("content_sha256")
    found = compared(read, version, used, now().isoformat(), left_out, first_seed, content)
    keep_comparison(shelf, found)
    return found


@dataclass(frozen=True)
class Bench:
    """What a pair of answers needs. folders : of the model in use and the proposed one; pictures : where they go."""

    folders: tuple[Path, Path]
    store: PhotoStore
    rules: Rules
    layouts: tuple[MatLayout, ...]
    pictures: Path


@cache
def _loaded(folder: Path) -> DamageModel:
    return load_model(folder)


def _pair(case: Case, bench: Bench) -> Pair | None:
    try:
        photo, truth = case.load(bench.store)
    except (PhotoMissing, PhotoAltered, PhotoError):
        return None
    look = first_look(photo, bench.layouts)
    first, second = (findings_of(look, _loaded(folder), bench.rules) for folder in bench.folders)
    answers = [_answer(truth, findings, case, bench.rules) for findings in (first, second)]
    true = true_findings(truth, case.reviewed, bench.rules).label
    assert true is not None
    name = truth.photo if case.reviewed is None else f"{case.reviewed.assembly}, {case.reviewed.name}"
    sha = case.reviewed.sha256 if case.reviewed else None
    differs = answers[0].label != answers[1].label
    drawn = draw(bench.pictures, f"{case.set_name} {name}", photo.bgr, truth, first, second) if differs else None
    return Pair(case.set_name, name, sha, true, len(truth.regions), answers[0], answers[1], drawn)


def true_findings(truth: Truth, reviewed: ReviewedPhoto | None, rules: Rules) -> PhotoFindings:
    """The truth as findings, with its leading label and the decision that follows from it (a review's own is kept)."""
    plain = findings_from_truth(truth)
    label = leading_label(plain, rules) or "sound"
    if reviewed is None:
        decision = decide([plain], knowing_all(_PLAIN), rules)
    else:
        decision = Decision.model_validate(_EMPTY | {"route": reviewed.route, "route_worst": reviewed.route_worst})
    return plain.model_copy(update={"label": label, "decision": decision})


_EMPTY: dict[str, object] = {
    "open_questions": [], "wires_to_repair": None, "actions": [], "rules": [], "causes": [], "cautions": [],
}  # fmt: skip


def _answer(truth: Truth, findings: PhotoFindings, case: Case, rules: Rules) -> Answer:
    true = true_findings(truth, case.reviewed, rules)
    findings = findings.model_copy(update={"decision": decide([findings], _PLAIN, rules)})
    pairs, false = match_regions(truth, findings)
    named = {i: findings.regions[j].label for i, j in pairs}
    places: list[tuple[str, str | None]] = [(r.label, named.get(i)) for i, r in enumerate(truth.regions)]
    places += [("sound", findings.regions[j].label) for j in false]
    said = max(findings.probabilities, key=lambda name: findings.probabilities[name], default=None)
    answered = is_answered(findings, true)
    return Answer(
        label=findings.label if findings.usable else None,
        leading_p=findings.probabilities[said] if said else None,
        leading_right=said == true.label,
        answered=answered,
        unsafe=answered and is_milder(findings, true),
        places=tuple(places) or (("sound", "sound"),),
        found=len(pairs),
        false=len(false),
    )
