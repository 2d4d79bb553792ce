"""Lays solid clutter beside an assembly: no part of the truth, clear of markers, and nowhere before a damage."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images import clutter_things as things
from sample_images.camera import Camera
from sample_images.cloud import Part, Visible, look
from sample_images.hard_parts import HardPart
from sample_images.tubes import Tube
from sample_images.wider import Wider

Floats = NDArray[Any]
CELL_MM = 1.0
_THIN_MM = 2.6
"""What is lower may lie under wires; anything higher keeps clear of them."""
_TRIES = 24
_RODS = {"pen": things.pen, "screwdriver": things.screwdriver, "screw": things.screw, "hex_key": things.hex_key,
         "tie": things.loose_tie}  # fmt: skip
_PLATES = {"pliers": things.pliers, "scissors": things.scissors, "washer": things.washer, "coin": things.coin,
           "clip": things.clip}  # fmt: skip
_ODDS = {"pen": 0.18, "screwdriver": 0.12, "screw": 0.1, "hex_key": 0.05, "tie": 0.14, "pliers": 0.11, "scissors": 0.06,
         "washer": 0.08, "coin": 0.04, "clip": 0.12}  # fmt: skip


def strew(
    rng: np.random.Generator, camera: Camera, seen: Visible, marks: Floats, px_per_mm: float, before: int
) -> Visible:
    """What the camera sees with 1 to 6 kinds of things laid beside; their numbers as parts go on from ``before``.

    marks : (N,4) left, top, width, height mm to keep clear of; now and then the first is not.
    """
    room = _Room(camera, seen, marks[int(rng.random() < 0.15) :])
    laid: list[list[Part]] = []
    for _ in range(int(rng.choice([1, 2, 3, 4, 6], p=[0.3, 0.27, 0.2, 0.13, 0.1]))):
        name = str(rng.choice(list(_ODDS), p=list(_ODDS.values())))
        count = int(rng.integers(1, 5)) if name in ("screw", "washer", "clip", "tie") else 1
        near = bool(rng.random() < 0.35)  # right beside the wires, or anywhere
        dice = rng.spawn(1)[0]
        for own in dice.spawn(count):
            thing = _placed(own, name, room, px_per_mm, near)
            if thing:
                laid.append(thing)
                room.take(thing)
    while laid:
        flat = [part for thing in laid for part in thing]
        owner = np.repeat(np.arange(len(laid)), [len(thing) for thing in laid])
        theirs = look(camera, flat, seen.fine)
        both, hiding = _together(camera, seen, replace(theirs, part=theirs.part + np.int16(before)), owner, before)
        if not len(hiding):
            return both
        laid = [thing for k, thing in enumerate(laid) if k not in hiding]
    return seen


def strewn(more: Wider, camera: Camera, seen: Visible, marks: Floats, px_per_mm: float, before: int) -> Visible:
    """What is seen with the clutter of this scene, if it has any; ``before`` parts are there already."""
    dice = more.dice("clutter")
    return seen if dice is None else strew(dice, camera, seen, marks, px_per_mm, before)


class _Room:
    """Where there is room on the bench: distances to the assembly and to things laid, and marks to keep off."""

    def __init__(self, camera: Camera, seen: Visible, marks: Floats) -> None:
        w, h = camera.width_px, camera.height_px
        self.frame = (w, h)
        self.camera = camera
        corners = camera.to_ground(np.array([[0, 0], [w, 0], [w, h], [0, h]], float))
        self.low = corners.min(0) - 20
        size = np.ceil((corners.max(0) + 20 - self.low) / CELL_MM).astype(int)
        taken = np.zeros((int(size[1]), int(size[0])), np.uint8)
        if len(seen.flat):
            at = ((seen.xyz[::3, :2] - self.low) / CELL_MM).astype(int)
            ok = (at >= 0).all(1) & (at < size).all(1)
            taken[at[ok, 1], at[ok, 0]] = 1
        self.away = cv2.distanceTransform(1 - taken, cv2.DIST_L2, 5) * CELL_MM
        self.laid = np.zeros(taken.shape, np.uint8)
        self.others = np.full(taken.shape, 1e3, np.float32)
        self.kept = marks

    def gap(self, xy: Floats, radius: float) -> float:
        """Room in mm between a footprint (N,2), swollen by ``radius``, and the assembly; far below 0 on marks to keep
        and on things that lie there already."""
        for x, y, w, h in self.kept:
            near = (np.abs(xy - [x + w / 2, y + h / 2]) < [w / 2 + radius + 1, h / 2 + radius + 1]).all(1)
            if near.any():
                return -1e3
        cells = self._cells(xy)
        if self.others[cells].min() < radius + CELL_MM:
            return -1e3
        return float(self.away[cells].min() - radius)

    def take(self, parts: list[Part]) -> None:
        """A thing lies there now."""
        xy, radius, _ = _footprint(parts)
        one = np.ones(self.laid.shape, np.uint8)
        one[self._cells(xy)] = 0
        self.laid |= (cv2.distanceTransform(one, cv2.DIST_L2, 5) * CELL_MM <= radius).astype(np.uint8)
        self.others = cv2.distanceTransform(1 - self.laid, cv2.DIST_L2, 5) * CELL_MM

    def _cells(self, xy: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        at = ((xy - self.low) / CELL_MM).astype(np.int64)
        return np.clip(at[:, 1], 0, self.away.shape[0] - 1), np.clip(at[:, 0], 0, self.away.shape[1] - 1)


def _placed(rng: np.random.Generator, name: str, room: _Room, px_per_mm: float, near: bool) -> list[Part] | None:
    """The thing where there is room for it; `near` takes the nearest place tried, which often touches."""
    shape = int(rng.integers(2**32))

    def made(x: float, y: float, turn: float) -> list[Part]:
        dice = np.random.default_rng(shape)
        if name in _RODS:
            return _RODS[name](dice, x, y, turn)
        return _PLATES[name](dice, x, y, turn, px_per_mm)

    first = made(0.0, 0.0, 0.0)
    print_, radius, top = _footprint(first)
    best: tuple[float, tuple[float, float, float]] | None = None
    for _ in range(_TRIES):
        px = rng.uniform(0.0, 1.0, 2) * room.frame
        (x, y), turn = room.camera.to_ground(px[None])[0], float(rng.uniform(0, 2 * np.pi))
        c, s = np.cos(turn), np.sin(turn)
        gap = room.gap(print_ @ np.array([[c, s], [-s, c]]) + [x, y], radius)
        if gap < (-900 if top < _THIN_MM else 0.5):
            continue
        if best is None or (near and gap < best[0]):
            best = gap, (float(x), float(y), turn)
        if not near:
            break
    return made(*best[1]) if best else None


def _footprint(parts: list[Part]) -> tuple[Floats, float, float]:
    """Points (N,2) mm under a thing that lies at the origin, how far it reaches beyond them, and its height."""
    points, radius, top = [], 0.0, 0.0
    for part in parts:
        if isinstance(part, Tube):
            points.append(part.axis[::4, :2])
            radius = max(radius, float(part.side_mm.max()))
            top = max(top, float((part.axis[:, 2] + part.up_mm).max()))
        elif isinstance(part, HardPart):
            rows, cols = np.nonzero(part.sprite.mask)
            own = np.column_stack([cols, rows])[:: max(1, len(rows) // 400)] - part.sprite.anchor_px
            points.append(part.place(own / part.sprite.px_per_mm))
            radius, top = max(radius, 1.0), max(top, float(part.sprite.height_mm.max()))
    return np.concatenate(points), radius, top


def _together(
    camera: Camera, seen: Visible, other: Visible, owner: NDArray[Any], before: int
) -> tuple[Visible, NDArray[Any]]:
    """Both in one grid, the nearer one in every pixel, and the numbers of things of the other that hide a damage."""
    nothing = np.zeros(0, int)
    if not len(other.flat):
        return seen, nothing
    if not len(seen.flat):
        return other, nothing
    x0, y0 = min(seen.x0, other.x0), min(seen.y0, other.y0)
    rows = max(v.y0 + v.shape[0] for v in (seen, other)) - y0
    cols = max(v.x0 + v.shape[1] for v in (seen, other)) - x0

    def place(v: Visible) -> NDArray[np.int64]:
        r, c = np.divmod(v.flat.astype(np.int64), v.shape[1])
        return (r + v.y0 - y0) * cols + c + v.x0 - x0

    mine, theirs = place(seen), place(other)
    depth = np.full(rows * cols, np.inf, np.float32)
    depth[mine] = camera.project(seen.xyz)[1]
    behind = depth[theirs] <= camera.project(other.xyz)[1]
    damaged = np.zeros(rows * cols, bool)
    damaged[mine[seen.code > 0]] = True
    thing = owner[other.part - before]
    hiding = np.unique(thing[damaged[theirs] & ~behind])
    kept = ~behind
    covered = np.zeros(rows * cols, bool)
    covered[theirs[kept]] = True
    stay = ~covered[mine]
    flat = np.concatenate([mine[stay], theirs[kept]])
    order = np.argsort(flat, kind="stable")
    both = {
        name: np.concatenate([getattr(seen, name)[stay], getattr(other, name)[kept]])[order]
        for name in ("xyz", "normal", "albedo", "gloss", "metal", "code", "part")
    }
    return Visible(x0, y0, (rows, cols), seen.fine, flat[order], **both), hiding
