"""Lays an assembly out on a page: trunk, branches, housings, rings, sizes; damage comes later."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images import harness as hs
from sample_images.hard_parts import HardPart
from sample_images.parts_housing import HousingDamage, make_housing
from sample_images.parts_terminal import make_ring
from sample_images.sprites import Sprite

Floats = NDArray[Any]


@dataclass
class Wish:
    """What a scene asks of its assembly."""

    page_mm: tuple[float, float]
    far: bool = False  # damage shall lie far from every termination
    few: bool = False
    housing_damage: HousingDamage | None = None
    damaged_code: int = 0
    thick: bool = False  # many wires of the thicker kind


@dataclass
class Assembly:
    """The assembly and its hard parts; `broken` is the id of the damaged housing."""

    harness: hs.Harness
    hard: dict[str, HardPart]
    loose: list[HardPart] = field(default_factory=list)
    broken: str | None = None


def _count(rng: np.random.Generator, few: bool) -> int:
    if few:
        return int(rng.integers(2, 7))
    low, high = [(2, 5), (4, 9), (8, 16), (16, 31)][int(rng.choice(4, p=[0.17, 0.43, 0.3, 0.1]))]
    return int(rng.integers(low, high))


def assemble(
    rng: np.random.Generator, wish: Wish, px_per_mm: float, more: np.random.Generator | None = None
) -> Assembly:
    """Draw an assembly that fits the page; with `more` most housings have uncommon features."""
    w, h = wish.page_mm
    box = (24.0, 34.0, w - 24, h - 30)
    count = _count(rng, wish.few)
    sizes = hs.wire_sizes(rng, count)
    if wish.thick:
        sizes = np.where(rng.random(count) < 0.6, rng.uniform(1.8, 3.3, count), sizes)
    room = w - 90
    open_end = bool(rng.random() < ((0.4 if w > 350 else 0.8) if wish.far else 0.08))
    if open_end:
        trunk = _run_out(rng, box)
    elif wish.far:
        trunk = hs.lay_trunk(rng, box, float(rng.uniform(1.15, 1.55) * room), 1.5)
    else:
        trunk = hs.lay_trunk(
            rng, box, float(rng.uniform(min(140, room * 0.8), room)), float(rng.choice([0.15, 0.5, 0.9]))
        )
    plans, ends = hs.plan_wires(rng, trunk, count, open_end, w > 350, wish.far)
    for i, plan in enumerate(plans):
        for end in (plan.start, plan.stop):
            end.wires.append(i)
    hard, loose, broken = _fit_ends(rng, ends, sizes, wish, px_per_mm, more)
    built = hs.build_wires(rng, trunk, plans, ends, sizes)
    if open_end:  # nothing is wound or damaged where the photograph does not look
        u = np.arange(built.start_u, built.end_u, 2.0)
        xy = trunk.at(u)[0]
        gone = (xy < np.array(box[:2])).any(1) | (xy > np.array(box[2:])).any(1)
        built.end_u = float(u[int(np.argmax(gone))]) if gone.any() else built.end_u
    return Assembly(built, hard, loose, broken)


def _run_out(rng: np.random.Generator, box: tuple[float, float, float, float]) -> hs.Path:
    """A trunk that starts on the page and leaves the photograph."""
    side = int(rng.choice([-1, 1]))
    x = box[0] + 25 if side > 0 else box[2] - 25
    start = np.array([x, rng.uniform(box[1] + 30, box[3] - 30)])
    aim = np.arctan2((box[1] + box[3]) / 2 - start[1] + rng.normal(0, 25), side * (box[2] - box[0]))
    return hs.wander(rng, start, float(aim), 760.0, 0.15)


def _fit_ends(
    rng: np.random.Generator,
    ends: list[hs.End],
    sizes: Floats,
    wish: Wish,
    px_per_mm: float,
    more: np.random.Generator | None,
) -> tuple[dict[str, HardPart], list[HardPart], str | None]:
    hard: dict[str, HardPart] = {}
    loose: list[HardPart] = []
    broken = None
    if wish.housing_damage is not None:
        options = [e for e in ends if e.kind == "housing" and e.wires]
        weight = np.array([len(e.wires) for e in options], float)  # a fracture of a large one is seen better
        broken = options[int(rng.choice(len(options), p=weight / weight.sum()))].id
    for end in ends:
        if end.id is None or not end.wires:
            continue
        od = float(sizes[end.wires].max())
        if end.kind == "housing":
            damage = wish.housing_damage if end.id == broken else None
            sprite, pieces = make_housing(rng, len(end.wires), damage, px_per_mm, od, featured(more))
            part = HardPart(sprite, end.xy, end.heading, wish.damaged_code if damage else 0)
            hard[end.id] = part
            loose += lay_pieces(rng, part, pieces, wish.damaged_code)
            assign(rng, end, sprite)
        elif end.kind == "ring":
            sprite = make_ring(rng, od, px_per_mm)
            hard[end.id] = HardPart(sprite, end.xy, end.heading)
            assign(rng, end, sprite)
    return hard, loose, broken


def featured(more: np.random.Generator | None) -> np.random.Generator | None:
    """Dice for one housing's uncommon features; None for one that has none."""
    return more.spawn(1)[0] if more is not None and more.random() < 0.8 else None


def assign(rng: np.random.Generator, end: hs.End, sprite: Sprite) -> None:
    """Give each wire of an end a cavity: in the order of the wires, so that they fan out with few crossings."""
    free = len(sprite.entries_mm)
    need = len(end.wires)
    taken = sorted(rng.choice(free, min(need, free), replace=False))
    displaced = [k for k, x in enumerate(sprite.entry_x_mm) if abs(x) > 0.01 and k not in taken]
    for k in displaced[: len(taken)]:
        taken[int(rng.integers(len(taken)))] = k
    for j, wire in enumerate(end.wires):
        k = int(taken[j % len(taken)])
        y, z = sprite.entries_mm[k]
        end.entries[wire] = (float(sprite.entry_x_mm[k]), float(y), float(z))


def lay_pieces(rng: np.random.Generator, part: HardPart, pieces: list[Sprite], code: int) -> list[HardPart]:
    """Broken pieces beside the housing's front, marked as its own breaks are."""
    length, width, _ = part.sprite.size_mm
    out = []
    for piece in pieces:
        side = rng.choice([-1, 1])
        away = rng.uniform(3, 16) if max(piece.size_mm[:2]) < 2.5 else rng.uniform(5, 30)
        own = np.array([[rng.uniform(0, length + 10), side * (width / 2 + away)]])
        turn = float(rng.uniform(0, 6.28))
        out.append(HardPart(piece, part.place(own)[0], turn, code, by_kind=part.by_kind))
    return out
