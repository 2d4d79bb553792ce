"""Assesses one photograph: from its file to findings."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from desk.compose import Composer
from desk.notes import scale_of_mat
from desk.recognition import recognised
from desk.together import sheets_seen
from models.damage.card import SHIPPED, ModelError
from models.damage.namer import Named
from models.damage.store import DamageModel, load_model
from models.damage.strange import LEVEL
from models.repair import Answers, Rules, photo_label
from vision.cells import FEATURE_VERSION
from vision.findings import NO_ASSEMBLY, Housing, Missing, ModelInfo, PhotoFindings, PhotoInfo, Region, Retake, Scale
from vision.layout import MatLayout
from vision.mat import MatView
from vision.quality import usable
from vision.reading import Photo, read_photo
from vision.recognise import WireCandidate, groups_of_one_cause, merged
from vision.regions import Candidate
from vision.sight import FirstLook, first_look
from vision.strange import strange_patches
from vision.wires import trace_wires

_SURELY_SOUND = 0.95
_MAY_BE = 0.05


@dataclass(frozen=True)
class AssessSettings:
    """What an assessment needs beside the photograph; plain values, so that it travels to another process.

    `model` is the folder of the model that answers, None for the shipped one;
    `mm_per_px` is a scale stated by the person, used where no mat is found; `assembly` names the one assembly that all
    photographs show, or is None where each photograph is an assembly of its own.
    """

    layouts: tuple[MatLayout, ...]
    rules: Rules
    answers: Answers
    mm_per_px: float | None = None
    assembly: str | None = None
    model: Path | None = None


def model_in_use(folder: Path | None = None) -> DamageModel:
    """The model of a folder (the shipped one without it), loaded once; refused when its features are not this
    version's."""
    return loaded_model(folder or SHIPPED)


@cache
def loaded_model(folder: Path) -> DamageModel:
    """As `model_in_use`, of a folder that is named: one key of the cache for each model."""
    model = load_model(folder)
    made_with = model.card.get("feature_version")
    if made_with != FEATURE_VERSION:
        raise ModelError(
            f"expected a model of feature version {FEATURE_VERSION}, got {made_with}; "
            "run `loomtriage retrain --from-samples`"
        )
    return model


def assess_photo(path: Path, settings: AssessSettings) -> PhotoFindings:
    """Read, see, recognise, name and measure one photograph; the decision is taken by the caller.

    Raises PhotoError when the file cannot be read and ModelError when the model cannot be used.
    """
    model = model_in_use(settings.model)
    photo = read_photo(path)
    look = first_look(photo, settings.layouts, settings.mm_per_px)
    return findings_of(look, model, settings.rules)


def findings_of(look: FirstLook, model: DamageModel, rules: Rules) -> PhotoFindings:
    """The findings on one photograph that was looked at."""
    if len(look.cells.xy) == 0:
        return _nothing_seen(look, model)
    look, scene = recognised(look, model.finder)
    composer = Composer(look, scene, model, trace_wires(look, scene))
    regions, doubts, found = _wire_regions(composer)
    shell_regions, housings, shell_doubts, broken = _shells(composer, len(regions))
    found += broken
    regions += shell_regions
    regions += _strange_regions(composer, len(regions), found)
    is_usable = usable(look.retake)
    sheets, unplaced = sheets_seen(look.sheets, look.canvas) if look.sheets else ([], [])
    composer.missing += unplaced
    findings = PhotoFindings(
        photo=_info(look.photo),
        usable=is_usable,
        retake=look.retake,
        scale=composer.scale(),
        sheets=sheets,
        label=None,
        labels=_labels(regions),
        probabilities={name: 0.0 for name in model.labels},
        unsure=False,
        candidates=[],
        novel=False,
        inspected_share=composer.inspected_share(),
        regions=regions,
        wires=composer.wires(),
        terminations=composer.terminations(),
        housings=housings,
        coverings=composer.coverings(),
        splices=composer.finish_splices(),
        decision=None,
        model=_model_info(model),
        missing=[],
    )
    label = photo_label(findings, rules)
    leading = _leading(findings, label)
    update: dict[str, object] = {"label": label, "missing": composer.missing}
    if label == "sound":
        update["labels"] = ["sound"]
    if leading is not None:
        update |= {
            "probabilities": leading.probabilities,
            "unsure": leading.unsure,
            "candidates": leading.candidates,
            "novel": leading.novel,
        }
    else:
        update |= _whole(_whole_probabilities(model, doubts + shell_doubts))
    if label is None:
        composer.absent("label", "the only finds are novel" if regions else _why_no_label(findings, rules))
    return findings.model_copy(update=update)


def _wire_regions(composer: Composer) -> tuple[list[Region], list[Named], list[np.ndarray]]:
    """Regions on wires that are not sound, the names of those that were taken for sound, and the regions' cells."""
    candidates = composer.scene.wire_candidates
    if not candidates:
        return [], [], []
    named = list(zip(candidates, _names(composer.model, candidates), strict=True))
    doubts = [n for _, n in named if n.label == "sound"]
    damaged = [(c, n) for c, n in named if n.label != "sound"]
    regions: list[Region] = []
    groups = groups_of_one_cause(composer.scene, [c for c, _ in damaged], [n.label for _, n in damaged])
    for members in groups:
        candidate, name = damaged[members[0]]
        if len(members) > 1:
            candidate = merged(composer.scene, [damaged[i][0] for i in members])
            again = _names(composer.model, [candidate])[0]
            # pieces that each look like one damage are that damage, whatever their union looks like
            name = again if again.label == name.label else name
        regions.append(composer.wire_region(f"r{len(regions) + 1}", candidate, name))
    return regions, doubts, [c.region.cells for c, _ in damaged]


def _strange_regions(composer: Composer, before: int, found: list[np.ndarray]) -> list[Region]:
    """Novel regions: what looks strange and is no part of a damage that has a name. found : cells of those."""
    model, look = composer.model, composer.look
    if model.strangeness is None:
        return []
    scores = model.strangeness.scores(look.cells.names, look.cells.features)
    regions: list[Region] = []
    for patch in strange_patches(look.grid, scores, LEVEL, model.strangeness.least_mass, found):
        candidate = composer.scene.describe(Candidate(patch.cells, "strange", float(scores[patch.cells].sum())))
        named = replace(_names(model, [candidate])[0], novel=True)
        share = float(scores[patch.cells].mean())
        regions.append(composer.wire_region(f"r{before + len(regions) + 1}", candidate, named, share))
    return regions


def _names(model: DamageModel, candidates: list[WireCandidate]) -> list[Named]:
    if not candidates:
        return []
    return model.wires.name(candidates[0].signs.names, np.stack([c.signs.vector() for c in candidates]))


def _shells(composer: Composer, before: int) -> tuple[list[Region], list[Housing], list[Named], list[np.ndarray]]:
    """Regions on housings, all housings, the names of those taken for whole, and the cells of the broken ones."""
    candidates = composer.scene.shell_candidates
    if not candidates:
        return [], [], [], []
    names = composer.model.shells.name(candidates[0].signs.names, np.stack([c.signs.vector() for c in candidates]))
    regions: list[Region] = []
    housings: list[Housing] = []
    doubts: list[Named] = []
    broken: list[np.ndarray] = []
    for candidate, named in zip(candidates, names, strict=True):
        housings.append(composer.housing(candidate, named))
        if named.label == "connector":
            regions.append(composer.shell_region(f"r{before + len(regions) + 1}", candidate, named))
            broken.append(candidate.cells)
        else:
            doubts.append(named)
    return regions, housings, doubts, broken


def _labels(regions: list[Region]) -> list[str]:
    return list(dict.fromkeys(r.label for r in regions if r.label is not None and not r.novel))


def _leading(findings: PhotoFindings, label: str | None) -> Region | None:
    """The region that gives the photograph its label, or the largest when only novel ones were found."""
    mine = [r for r in findings.regions if r.label == label and not r.novel] or list(findings.regions)
    return max(mine, key=lambda r: (r.length_mm.value if r.length_mm else 0.0, _area_px(r)), default=None)


def _area_px(region: Region) -> float:
    """Area of the outline by the shoelace formula, for regions without a scale."""
    total = 0.0
    for ring in region.rings_px:
        x, y = np.array(ring).T
        total += abs(float(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1)))) / 2
    return total


def _whole(probabilities: dict[str, float]) -> dict[str, object]:
    """Fields of a photograph without regions: unsure unless it is sound almost certainly."""
    likely = sorted((n for n, p in probabilities.items() if p >= _MAY_BE), key=lambda n: -probabilities[n])
    unsure = probabilities["sound"] < _SURELY_SOUND
    return {"probabilities": probabilities, "unsure": unsure, "candidates": likely if unsure else []}


def _whole_probabilities(model: DamageModel, doubts: list[Named]) -> dict[str, float]:
    """Of a photograph without regions: the rate at which such photographs are sound (measured on scenes not
    trained on), the rest shared as the rejected candidates' probabilities, or as what was missed there."""
    rates = dict(model.card["no_region_rates"])
    worst = max((1 - d.probabilities.get("sound", 0.0) for d in doubts), default=0.0)
    sound = rates["sound"] * (1 - worst)
    others = {n: v for n, v in rates.items() if n != "sound"}
    for named in doubts:
        for n, p in named.probabilities.items():
            if n != "sound":
                others[n] = others.get(n, 0.0) + p
    total = sum(others.values()) or 1.0
    out = {n: (1 - sound) * others.get(n, 0.0) / total for n in model.labels}
    out["sound"] = sound
    scale = sum(out.values())
    return {n: out[n] / scale for n in model.labels}


def _why_no_label(findings: PhotoFindings, rules: Rules) -> str:
    if not findings.usable:
        return "the photograph is not usable"
    seen, needed = findings.inspected_share, rules.inspection.min_inspected_share
    return f"only {seen:.0%} was seen of what is in the picture; {needed:.0%} are needed"


def _info(photo: Photo) -> PhotoInfo:
    return PhotoInfo(
        name=photo.name,
        sha256=photo.sha256,
        width_px=photo.width_px,
        height_px=photo.height_px,
        taken_at=photo.taken_at,
    )


def _model_info(model: DamageModel) -> ModelInfo:
    return ModelInfo(
        version=model.version, feature_version=model.card["feature_version"], trained_on=model.card["trained_on"]
    )


def _nothing_seen(look: FirstLook, model: DamageModel) -> PhotoFindings:
    advice = Retake(
        fault=NO_ASSEMBLY,
        advice="lay the assembly on the mat, fill the picture with it, and photograph again",
        measure="all",
    )
    missing = [Missing(field="label", reason=NO_ASSEMBLY), Missing(field="probabilities", reason=NO_ASSEMBLY)]
    scale = Scale(source="none")
    if isinstance(look.view, MatView):
        scale = scale_of_mat(look.view)
    else:
        missing.append(Missing(field="scale.mm_per_px", reason=look.view.reason))
    return PhotoFindings(
        photo=_info(look.photo),
        usable=False,
        retake=[*look.retake, advice],
        scale=scale,
        label=None,
        labels=[],
        probabilities={},
        unsure=False,
        candidates=[],
        novel=False,
        inspected_share=0.0,
        regions=[],
        wires=[],
        terminations=[],
        housings=[],
        coverings=[],
        splices=[],
        decision=None,
        model=_model_info(model),
        missing=missing,
    )
