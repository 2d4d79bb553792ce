"""Photographs put into a store with what a reviewer would say of them, made from rendered scenes; tiny models."""

import hashlib
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from desk.learning.corrected import Place, ReviewedPhoto, snapshot_of
from desk.learning.shelf import Shelf
from desk.records.photo_store import open_store
from models.damage.finder import Finder, TwoPasses, new_pass, second_pass_input
from models.damage.gauges import fit_ending, fit_gauge
from models.damage.namer import booster, fit_namer
from models.damage.store import DamageModel
from sample_images.crust import with_crust
from sample_images.scene import SceneSettings, render_scene
from vision.cells import FEATURE_VERSION


def stored(shelf, bgr, folder):
    """Keep a picture without loss; its hash."""
    data = cv2.imencode(".png", bgr)[1].tobytes()
    sha = hashlib.sha256(data).hexdigest()
    part = Path(folder) / f"{sha[:8]}.part"
    part.write_bytes(data)
    open_store(shelf.data / "photos").take_in(part, sha, ".png")
    return sha


def place(region, label, verdict="added", was=None, second=None):
    """A place of a photograph as its reviewer left it."""
    return Place(
        region=region.id, verdict=verdict, label=label, was=was, rings_px=region.rings_px, reviewer="reviewer",
        judged_at="2031-02-03T10:00:00", second=second,
    )  # fmt: skip


def photo(assembly, sha, truth, places, blind=False):
    """A reviewed photograph of a rendered scene."""
    return ReviewedPhoto(
        assembly=assembly, sha256=sha, suffix=".png", name=f"{assembly}.png", width_px=truth.width_px,
        height_px=truth.height_px, mm_per_px=truth.mm_per_px_centre, has_mat=truth.mat is not None, taken_at=None,
        signed_off_at="2031-02-03T11:00:00", model_version="shipped", blind=blind, route="undecided",
        route_worst="remanufacture", places=places,
    )  # fmt: skip


def crusted(shelf, folder, seed, label, blind=False, second=None):
    """A scene with a crust, which the reviewer added under a label; picture, truth, and the reviewed photograph."""
    bgr, truth = render_scene(seed, "sound", SceneSettings(no_mat_share=0.0, closeup=False))
    bgr, truth = with_crust(bgr, truth, seed, label)
    sha = stored(shelf, bgr, folder)
    return bgr, truth, photo(f"C-{seed}", sha, truth, [place(truth.regions[-1], label, second=second)], blind)


def bitten(shelf, folder, seed, blind=False):
    """A scene with bites that the reviewer confirmed."""
    bgr, truth = render_scene(seed, "rodent", SceneSettings(no_mat_share=0.0, closeup=False))
    sha = stored(shelf, bgr, folder)
    places = [place(region, region.label, "confirmed", region.label) for region in truth.regions]
    return bgr, truth, photo(f"B-{seed}", sha, truth, places, blind)


@pytest.fixture
def made(helpers_of_photographs):
    """The helpers of this file, for tests."""
    return helpers_of_photographs


@pytest.fixture(scope="session")
def helpers_of_photographs():
    """The same for fixtures that last longer."""

    class Made:
        pass

    helpers = Made()
    helpers.stored, helpers.place, helpers.photo = stored, place, photo
    helpers.crusted, helpers.bitten = crusted, bitten
    helpers.snapshot = lambda photos: snapshot_of(photos, FEATURE_VERSION, "2031-02-04T00:00:00")
    helpers.shelf = Shelf
    return helpers


def few_rounds(seed):
    """The namer's booster with a twentieth of its rounds."""
    return booster(seed).set_params(max_iter=10)


def tiny(seed):
    """A model of two features; it answers nothing useful, but it is whole."""
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(80, 2)).astype(np.float32)
    y = (x[:, 0] > 0).astype(int)
    first = new_pass((4,), seed, 3).fit(x, y)
    second = new_pass((4,), seed, 3).fit(second_pass_input(x, first.predict_proba(x), lambda v: v), y)
    groups = np.arange(80) // 4
    namer, _ = fit_namer(("a", "sound"), ("u", "v"), x, y, groups, seed, few_rounds)
    finder = Finder(("wire", "ground"), ("u", "v"), (TwoPasses((first,), (second,)),))
    raw = rng.uniform(10, 90, 80)
    gauge = fit_gauge(("u", "v"), x, raw, 1.1 * raw, groups, np.ones(80, bool), 5.0, seed)
    card = {"version": f"desk-{seed:010x}", "feature_version": FEATURE_VERSION, "trained_on": "dots"}
    return DamageModel(finder, namer, namer, {"length_mm": gauge}, fit_ending(("u", "v"), x, y > 0, seed), card)


@pytest.fixture(scope="session")
def tiny_model():
    """The tiny model of a seed; its version is the seed as ten hexadecimal digits."""
    return cache(tiny)
