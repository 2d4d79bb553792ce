"""Seeds of the scenes that comparisons are made on: each is used once, and none that a model learnt from."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from desk.errors import DeskError
from desk.learning.corrected import LearningValue
from desk.learning.generated import FIRST_SEED
from desk.learning.model_shelf import alone
from desk.learning.shelf import Shelf
from desk.records.columns import now
from models.damage.files import write_file
from sample_images.scene import SCENARIOS

FRESH_SEED = 900_000
"""The first seed of a comparison."""
SEEDS_FILE = "seeds.json"
CARD_SEEDS = ("seeds", "shop_seeds", "wide_seeds")
"""Entries of a card: the first seed of the scenes that a part of the model learnt from, and the first after them."""


class Used(LearningValue):
    """Seeds that are used up: `count` of them from `first`. `by`: the model whose comparison used them."""

    first: int
    count: int
    by: str
    at: str


_ALL = TypeAdapter(list[Used])


def used_seeds(shelf: Shelf) -> list[Used]:
    """What comparisons of this desk have used, oldest first; DeskError where the record is damaged."""
    try:
        return _ALL.validate_json(_path(shelf).read_bytes())
    except FileNotFoundError:
        return []
    except ValidationError as error:
        raise DeskError(
            f"expected the seeds that comparisons used in {SEEDS_FILE}, got a damaged file: bring it back from a backup"
        ) from error


def reserve(shelf: Shelf, scenes: int, by: str, cards: Iterable[dict[str, Any]]) -> int:
    """The first seed of so many scenes, every scenario in turn, which are used up by this: kept before the first scene
    is made, so that a comparison that was broken off is not repeated on scenes whose outcome somebody saw."""
    count = seeds_for(scenes)
    with alone(shelf):
        used = used_seeds(shelf)
        taken = [(one.first, one.first + one.count) for one in used]
        taken += [scenes for card in cards for scenes in taught_seeds(card)]
        first = FRESH_SEED
        for start, end in sorted(taken):
            if start < first + count and first < end:
                first = end
        used.append(Used(first=first, count=count, by=by, at=now().isoformat()))
        _path(shelf).parent.mkdir(parents=True, exist_ok=True)
        write_file(_path(shelf), _ALL.dump_json(used, indent=1))
    return first


def seeds_for(scenes: int) -> int:
    """How many seeds so many scenes need, every scenario in turn."""
    return -(-scenes // len(SCENARIOS))


def taught_seeds(card: dict[str, Any]) -> list[tuple[int, int]]:
    """First seed of the scenes that a model learnt from, and the first after them; of a model taught from corrections
    those of its base, too, where its card keeps them (cards of earlier versions do not)."""
    if "snapshot" not in card:
        return _ranges(card)
    mixed_in = FIRST_SEED, FIRST_SEED + seeds_for(int(card.get("settings", {}).get("scenes", 0)))
    return [*_ranges(card.get("base", {})), mixed_in]


def _ranges(card: dict[str, Any]) -> list[tuple[int, int]]:
    return [tuple(card[name]) for name in CARD_SEEDS if card.get(name)]


def _path(shelf: Shelf) -> Path:
    return shelf.data / "learning" / SEEDS_FILE
