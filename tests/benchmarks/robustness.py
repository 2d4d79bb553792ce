"""Where answers stop holding as photographs get worse: `python tests/benchmarks/robustness.py FOLDER [--every N]`.

FOLDER holds photographs with truth files; every N-th of each label is taken (default 1). Each is made worse in one way,
step by step, and assessed as `loomtriage assess` does: `--kinds blur,noise,...` picks ways, `--save FILE` keeps every
answer, a file that is there already is gone on with. `--model FOLDER`: another model than the shipped one.

blur: Gaussian, sigma in mm on the mat. noise: Gaussian, sigma in 8-bit levels. quality: of the JPEG. exposure: stops,
in linear light. light: colour temperature in K of the lamp, for a camera that keeps daylight's white. resolution: mm
per pixel, of photographs that are finer. tilt: nothing is altered, the photographs are sorted by the slant that their
mat shows, degrees. Unaltered ones are written anew, too (JPEG, quality 95).

Printed per step: macro-F1; how many that were right unaltered are lost, and of how many of those the quality gate asked
for a retake that concerns the label; the share asked at all; truth within U95 of lengths and diameters that were given,
and the share given; the share asked for lengths or diameters. Below it, per way, where each stops holding: macro-F1
where the interval of its fall, photographs drawn, lies below zero (not judged by tilt); U95 where Wilson's interval
lies below that of the unaltered ones or below 0.95, whichever is lower. Few photographs show only large falls.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from held_out import confusions, difference, macro_f1
from PIL import Image

from desk.assess import AssessSettings, assess_photo
from desk.evaluate import Case, find_cases, true_findings
from desk.evaluate_scoring import score
from desk.statistics import Estimate, wilson
from models.repair import Answers, decide, load_rules
from sample_images.truth import Truth
from vision.findings import LABELS
from vision.layout import builtin_layouts
from vision.mat import MatView, find_mat
from vision.reading import Photo, read_photo

ASKS = {
    "label": {"all", "label", "colour"},
    "length": {"all", "length"},
    "wire_diameter": {"all", "length", "diameter"},
}
"""What a retake concerns that speaks for each figure."""
LEVELS: dict[str, tuple[float, ...]] = {
    "blur": (0.15, 0.3, 0.6, 1.0),
    "noise": (8, 16, 32),
    "quality": (60, 30, 12),
    "exposure": (-3, -2, -1, 0.7, 1.4),
    "light": (2700, 4000, 9000),
    "resolution": (0.35, 0.5, 0.7),
}
TILTS = (0, 10, 20, 30, 90)
UNALTERED = "unaltered"
_JPEG = 95


@dataclass(frozen=True)
class Answer:
    """One photograph at one step. asked : measures of its retakes; covered : by kind, of each true value (None: not
    measured)."""

    photo: str
    way: str
    level: float
    true: str
    said: str | None
    asked: list[str]
    covered: dict[str, list[bool | None]]


def to_linear(bgr: np.ndarray) -> np.ndarray:
    """sRGB to linear light, 0..1 (IEC 61966-2-1)."""
    v = bgr.astype(np.float32) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def to_bytes(linear: np.ndarray) -> np.ndarray:
    """Linear light to 8-bit sRGB; what is beyond it is clipped."""
    v = np.clip(linear, 0, 1)
    return np.round(255 * np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)).astype(np.uint8)


def lamp(kelvin: float) -> np.ndarray:
    """(3,) linear blue, green, red of a black body's light, green 1, for a camera balanced to 6504 K.

    Chromaticity of the Planckian locus after Kang, Moon, Hong, Lee, Cho, Kim 2002 (from memory).
    """

    def bgr(t: float) -> np.ndarray:
        u = 1000 / t
        if t < 4000:
            x = -0.2661239 * u**3 - 0.2343589 * u**2 + 0.8776956 * u + 0.179910
            y = -0.9549476 * x**3 - 1.37418593 * x**2 + 2.09137015 * x - 0.16748867
        else:
            x = -3.0258469 * u**3 + 2.1070379 * u**2 + 0.2226347 * u + 0.240390
            y = 3.0817580 * x**3 - 5.87338670 * x**2 + 3.75112997 * x - 0.37001483
        xyz = np.array([[[x / y, 1.0, (1 - x - y) / y]]], np.float32)
        rgb = cv2.cvtColor(xyz, cv2.COLOR_XYZ2RGB)[0, 0]
        return np.maximum(rgb[::-1], 0.02)

    gain = bgr(kelvin) / bgr(6504.0)
    return gain / gain[1]


def worsened(bgr: np.ndarray, way: str, level: float, mm_per_px: float) -> np.ndarray:
    """The picture made worse; only `resolution` changes its size."""
    if way == "blur":
        return cv2.GaussianBlur(bgr, (0, 0), level / mm_per_px)
    if way == "noise":
        noise = np.random.default_rng(1).normal(0, level, bgr.shape).astype(np.float32)
        return np.clip(np.round(bgr + noise), 0, 255).astype(np.uint8)
    if way == "exposure":
        return to_bytes(to_linear(bgr) * 2.0**level)
    if way == "light":
        return to_bytes(to_linear(bgr) * lamp(level).astype(np.float32))
    if way == "resolution":
        shrink = mm_per_px / level
        size = (max(1, round(bgr.shape[1] * shrink)), max(1, round(bgr.shape[0] * shrink)))
        return cv2.resize(bgr, size, interpolation=cv2.INTER_AREA)
    return bgr


def resized(truth: Truth, width_px: int, height_px: int) -> Truth:
    """The truth of the same photograph at another size: every pixel coordinate follows, millimetres stay."""
    factor = np.array([width_px / truth.width_px, height_px / truth.height_px])

    def follow(value: Any, key: str = "") -> Any:
        if isinstance(value, dict):
            return {k: follow(v, k) for k, v in value.items()}
        if key.endswith("_px") and isinstance(value, list | tuple) and value:
            flat = np.asarray(value, float) if isinstance(value[0], int | float) else None
            return [follow(v, key) for v in value] if flat is None else tuple((flat + 0.5) * factor - 0.5)
        return [follow(v) for v in value] if isinstance(value, list) else value

    data = follow(truth.model_dump())
    size = {"width_px": width_px, "height_px": height_px, "mm_per_px_centre": truth.mm_per_px_centre / factor[0]}
    return Truth.model_validate(data | size)


def answer(case: Case, bgr: np.ndarray, way: str, level: float, settings: AssessSettings, folder: Path) -> Answer:
    """Assess one photograph at one step."""
    picture = worsened(bgr, way, level, case.truth.mm_per_px_centre)
    path = folder / f"{case.path.stem}.jpg"
    quality = int(level) if way == "quality" else _JPEG
    Image.fromarray(np.ascontiguousarray(picture[..., ::-1])).save(path, quality=quality)
    truth = resized(case.truth, picture.shape[1], picture.shape[0]).model_copy(update={"photo": path.name})
    found = assess_photo(path, settings)
    found = found.model_copy(update={"decision": decide([found], settings.answers, settings.rules)})
    known = score(truth, true_findings(truth, settings), found, 0.0, None)
    covered: dict[str, list[bool | None]] = {"length": [], "wire_diameter": []}
    for one in known.compared:
        if truth.mat is not None and one.kind in covered:
            covered[one.kind].append(one.covered)
    asked = [r.measure for r in found.retake if truth.mat is not None or not r.fault.startswith("no mat")]
    return Answer(case.path.stem, way, level, known.true_label, known.label, asked, covered)


def slant(photo: Photo) -> float | None:
    """Degrees between the camera's axis and the vertical to the mat; None where there is no mat."""
    view = find_mat(photo, builtin_layouts())
    return view.tilt_deg if isinstance(view, MatView) else None


def all_answers(
    cases: Sequence[Case], ways: Sequence[str], keep: Path | None, settings: AssessSettings
) -> tuple[list[Answer], dict[str, float]]:
    """Every photograph at every step, and the slants; those kept are not made again."""
    kept = json.loads(keep.read_text("utf-8")) if keep and keep.exists() else {"answers": [], "slants": {}}
    answers, slants = [Answer(**row) for row in kept["answers"]], kept["slants"]
    known = {(a.photo, a.way, a.level) for a in answers}
    steps = [(UNALTERED, 0.0), *((way, level) for way in ways for level in LEVELS.get(way, ()))]
    with tempfile.TemporaryDirectory() as folder:
        for number, case in enumerate(cases, 1):
            photo = read_photo(case.path)
            if case.path.stem not in slants:
                slants[case.path.stem] = slant(photo)
            for way, level in steps:
                already = way == "resolution" and case.truth.mm_per_px_centre > 0.95 * level
                if not already and (case.path.stem, way, level) not in known:
                    answers.append(answer(case, photo.bgr, way, level, settings, Path(folder)))
            if keep:
                keep.write_text(json.dumps({"answers": [asdict(a) for a in answers], "slants": slants}), "utf-8")
            print(f"\r{number} of {len(cases)} photographs", end="", flush=True)
    print()
    names = {case.path.stem for case in cases}
    return [a for a in answers if a.photo in names], slants


def _counts(answers: Sequence[Answer]) -> np.ndarray:
    number = {name: i for i, name in enumerate(LABELS)}
    truth = np.array([number[a.true] for a in answers])
    said = np.array([-1 if a.said is None else number[a.said] for a in answers])
    return confusions(truth, said, np.array([a.photo for a in answers]), len(LABELS))


def _share(answers: Sequence[Answer], kind: str) -> tuple[Estimate, float]:
    """Truth within U95 of those measured, and the share measured."""
    all_of = [c for a in answers for c in a.covered[kind]]
    known = [c for c in all_of if c is not None]
    return wilson(sum(known), len(known)), len(known) / max(len(all_of), 1)


def _asked(answers: Sequence[Answer], figure: str) -> float:
    return sum(any(m in ASKS[figure] for m in a.asked) for a in answers) / max(len(answers), 1)


@dataclass(frozen=True)
class Step:
    """One row. stops : for label, length and wire_diameter, whether it no longer holds here."""

    way: str
    name: str
    says: str
    stops: dict[str, bool]
    asked: dict[str, float]


def step(way: str, name: str, here: Sequence[Answer], plain: Sequence[Answer]) -> Step:
    """Figures of one step against the same photographs unaltered."""
    f1 = macro_f1(_counts(here))
    right = {a.photo for a in plain if a.said == a.true}
    lost = [a for a in here if a.photo in right and a.said != a.true]
    noticed = sum(any(m in ASKS["label"] for m in a.asked) for a in lost)
    names = {a.photo for a in here}
    as_they_were = [a for a in plain if a.photo in names]
    stops = {"label": difference(_counts(here), _counts(as_they_were)).high < 0}
    asked = {figure: _asked(here, figure) for figure in ASKS}
    says = f"{f1!s:24}{len(lost):4d}{noticed:6d}{asked['label']:8.0%}"
    for kind in ("length", "wire_diameter"):
        share, given = _share(here, kind)
        base, _ = _share(plain, kind)
        if share.value is None or share.high is None:
            says += f"{'–':>10}{given:7.0%}{asked[kind]:7.0%}"
            stops[kind] = False
            continue
        stops[kind] = share.high < min(0.95, base.low if base.low is not None else 0.95)
        says += f"{share.value:6.0%}/{share.n:<3d}{given:7.0%}{asked[kind]:7.0%}"
    return Step(way, name, f"{len(here):4d}  {says}", stops, asked)


def steps_of(answers: Sequence[Answer], slants: dict[str, float], ways: Sequence[str]) -> Iterator[Step]:
    """Every row of the table, best first."""
    plain = [a for a in answers if a.way == UNALTERED]
    yield step(UNALTERED, "", plain, plain)
    for way in ways:
        if way == "tilt":
            for low, high in pairwise(TILTS):
                here = [a for a in plain if (t := slants.get(a.photo)) is not None and low <= t < high]
                if here:
                    yield step(way, f"{low} to {high}", here, plain)
            continue
        for level in LEVELS[way]:
            here = [a for a in answers if (a.way, a.level) == (way, level)]
            if here:
                yield step(way, f"{level:g}", here, plain)


def verdicts(steps: Sequence[Step], ways: Sequence[str]) -> Iterator[str]:
    """One line per way and figure: where it stops holding, and whether the gate had asked there."""
    for way in ways:
        for figure in ASKS:
            first = next((s for s in steps if s.way == way and s.stops[figure]), None)
            if first is None:
                yield f"{way:11}{figure:14} no fall shown at any step"
            else:
                share = first.asked[figure]
                says = "asked for a retake" if share > 0.5 else "NOT ASKED for a retake"
                yield f"{way:11}{figure:14} stops holding at {first.name}: {says} ({share:.0%} of the photographs)"


def chosen(cases: Sequence[Case], every: int, label_of: Callable[[Case], str]) -> list[Case]:
    """Every N-th case of each true label."""
    seen: Counter[str] = Counter()
    out = []
    for case in cases:
        label = label_of(case)
        if seen[label] % every == 0:
            out.append(case)
        seen[label] += 1
    return out


def main() -> None:
    """The table, and what it says."""
    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--kinds", default=",".join([*LEVELS, "tilt"]))
    parser.add_argument("--save", type=Path)
    parser.add_argument("--model", type=Path)
    options = parser.parse_args()
    ways = options.kinds.split(",")
    if odd := set(ways) - {*LEVELS, "tilt"}:
        raise SystemExit(f"--kinds: expected some of {', '.join([*LEVELS, 'tilt'])}, got {', '.join(odd)}")
    cases = chosen(find_cases(options.folder)[0], options.every, lambda case: case.truth.labels[0])
    settings = AssessSettings(tuple(builtin_layouts()), load_rules(None), Answers(), model=options.model)
    answers, slants = all_answers(cases, ways, options.save, settings)
    print(f"{'':24}{'n':>3}  {'macro-F1':24}lost asked  asked   length given  asked  diam. given  asked")
    rows = []
    for row in steps_of(answers, slants, ways):
        rows.append(row)
        print(f"{row.way:11}{row.name:>12} {row.says}")
    print("\n".join(verdicts(rows, ways)))


if __name__ == "__main__":
    main()
