"""Whether both ends of bitten and burnt wires are in the picture: `python tests/benchmarks/ends_in_view.py FOLDER...`.

Takes photographs with truth files, whole, and those with a bite cropped so that its bundle is cut off 3 mm (on two
opposite sides) or 30 mm (on a third) beyond it; only crops that cut a bitten wire off count. `open_ends` 0 says that
every end is in the picture: right where all affected wires end at terminations, wrong elsewhere, and on every crop.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from desk.assess import model_in_use
from desk.foreign_truth import read_truth
from desk.recognition import find_scene, seen_by
from desk.training_set import _matching, _near_rasters, as_photo
from models.damage.store import DamageModel
from sample_images.truth import Truth
from vision.layout import builtin_layouts
from vision.reading import Photo, read_photo
from vision.recognise import Scene
from vision.sight import FirstLook, first_look
from vision.ways import open_ends

DAMAGES = ("rodent", "external_heat")
_AT_BITE_MM = 15.0
_LEAST_SHARE = 0.25


def seen(photo: Photo, model: DamageModel) -> tuple[FirstLook, Scene] | None:
    """What the tool recognises; None where it sees no assembly."""
    look = first_look(photo, builtin_layouts())
    if len(look.cells.xy) == 0:
        return None
    look = seen_by(look, model.finder.eye)
    return look, find_scene(look, model.finder)


def whole(photo: Photo, truth: Truth, model: DamageModel) -> Iterator[tuple[bool, bool]]:
    """Of every damage found: whether all its wires end in the picture, and whether that is said."""
    got, wires = seen(photo, model), {wire.id: wire for wire in truth.wires}
    for candidate in got[1].wire_candidates if got else ():
        region = _matching(got[0], candidate.region.cells, _near_rasters(truth), False) if got else None
        if got and region is not None and region.label in DAMAGES and candidate.region.hint in DAMAGES:
            ends = [wires[id].ends for id in region.wire_ids if id in wires]
            yield bool(ends) and all(None not in pair for pair in ends), open_ends(*got, candidate) == 0


def crops(photo: Photo, truth: Truth, turn: int) -> Iterator[tuple[Photo, np.ndarray]]:
    """The cropped photographs and (2,) px of the bite in each. turn : which sides are cut."""
    bite = next((region for region in truth.regions if region.label == "rodent"), None)
    if bite is None:
        return
    high, wide = photo.bgr.shape[:2]
    at = np.concatenate([np.asarray(ring) for ring in bite.rings_px])
    for side, mm in ((turn % 4, 3.0), ((turn + 2) % 4, 3.0), ((turn + 1) % 4, 30.0)):
        more = mm / truth.mm_per_px_centre
        least, most = np.zeros(2), np.array([wide, high], float)
        axis = side // 2
        if side % 2:
            least[axis] = max(0.0, at[:, axis].min() - more)
        else:
            most[axis] = min(most[axis], at[:, axis].max() + more)
        lines = [np.asarray(wire.centreline_px) for wire in truth.wires if wire.id in bite.wire_ids]
        cut = any(((line < least) | (line > most)).any() for line in lines)
        x0, y0, x1, y1 = (int(v) for v in (*least, *most))
        if cut and (x1 - x0) * (y1 - y0) >= _LEAST_SHARE * wide * high:
            yield as_photo(np.ascontiguousarray(photo.bgr[y0:y1, x0:x1]), photo.name), at.mean(axis=0) - [x0, y0]


def on_crop(photo: Photo, bite_px: np.ndarray, truth: Truth, model: DamageModel) -> Iterator[bool]:
    """Of every place found at the bite: whether all ends are said to be in the picture."""
    got = seen(photo, model)
    for candidate in got[1].wire_candidates if got else ():
        assert got is not None
        xy = got[0].canvas.to_photo_px(got[0].cells.xy[candidate.region.cells])
        if np.linalg.norm(xy - bite_px, axis=1).min() * truth.mm_per_px_centre <= _AT_BITE_MM:
            yield open_ends(*got, candidate) == 0


def main(folders: list[str]) -> None:
    """Print counts per folder."""
    model = model_in_use()
    for folder in map(Path, folders):
        places: list[tuple[bool, bool]] = []
        cropped: list[bool] = []
        for file in sorted(folder.glob("*.json")):
            truth = read_truth(file)
            if not any(region.label in DAMAGES for region in truth.regions):
                continue
            photo = read_photo(file.parent / truth.photo)
            places += whole(photo, truth, model)
            for crop, bite_px in crops(photo, truth, sum(map(ord, file.stem))):
                cropped += on_crop(crop, bite_px, truth, model)
        inside = [said for known, said in places if known]
        outside = [said for known, said in places if not known]
        print(
            f"{folder}: all ends inside {len(inside)}, said of {sum(inside)}; an end outside {len(outside)}, said of "
            f"{sum(outside)}; places on crops {len(cropped)}, said of {sum(cropped)}",
            flush=True,
        )


if __name__ == "__main__":
    with threadpool_limits(1):
        main(sys.argv[1:])
