"""Reads the card of a kept model and guards it by a hash; what that takes is light, the model itself is not opened."""

from __future__ import annotations

import hashlib
import json
from importlib.metadata import version
from pathlib import Path
from typing import Any

from models.damage.files import write_file

MODEL_FILE = "model.skops"
CARD_FILE = "card.json"
CARD_HASH_FILE = "card_hash.json"
SHIPPED = Path(__file__).resolve().parent / "shipped"


class ModelError(ValueError):
    """The model file cannot be used; the message says what was expected, what came and what to do."""


def keep_card_hash(folder: Path) -> None:
    """Lay the hash of the card as it is now beside it; from then on an altered card is refused."""
    digest = hashlib.sha256((folder / CARD_FILE).read_bytes()).hexdigest()
    write_file(folder / CARD_HASH_FILE, (json.dumps({"card_sha256": digest}) + "\n").encode())


def read_card(folder: Path) -> dict[str, Any]:
    """The card of a model, without loading it; ModelError where it is missing or not the one that was kept.

    A card from before hashes of cards were kept has none beside it and is taken as it stands.
    """
    try:
        data = (folder / CARD_FILE).read_bytes()
        kept = _kept_hash(folder)
        card: Any = json.loads(data)
    except (OSError, ValueError) as error:
        raise ModelError(
            f"expected a model and its card in {folder}, got {error}; bring both back, or train it again with "
            "`loomtriage retrain`"
        ) from error
    found = hashlib.sha256(data).hexdigest()
    if kept is not None and kept != found:
        raise ModelError(
            f"expected the card that was kept with the model in {folder} (hash {kept[:12]}), got another (hash "
            f"{found[:12]}); it was altered: bring it back or train again"
        )
    if not isinstance(card, dict) or "trained_on" not in card:
        raise ModelError(f"expected the card of a model in {folder}, got another file; bring it back or train again")
    return card


def other_library(card: dict[str, Any]) -> str | None:
    """Why the scikit-learn that is installed cannot read a model; None where it can."""
    made_with, here = str(card.get("libraries", {}).get("scikit-learn", "an unknown version")), version("scikit-learn")
    if made_with.split(".")[:2] == here.split(".")[:2]:
        return None
    return (
        f"the model was trained with scikit-learn {made_with}, got {here}; install that version or run "
        "`loomtriage retrain --from-samples`"
    )


def _kept_hash(folder: Path) -> str | None:
    """The kept hash of a card; None where none was kept; ValueError where its file is damaged."""
    try:
        data = (folder / CARD_HASH_FILE).read_bytes()
    except FileNotFoundError:
        return None
    kept = json.loads(data)
    if not isinstance(kept, dict) or not isinstance(kept.get("card_sha256"), str):
        raise ValueError(f"a damaged {CARD_HASH_FILE}")
    return str(kept["card_sha256"])
