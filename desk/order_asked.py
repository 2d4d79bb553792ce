"""Which housings and terminals of a photograph the questions and steps of an order name: the picture marks them."""

from __future__ import annotations

import re
from collections.abc import Sequence

from vision.findings import PhotoFindings, Ring

_SHORT_SHA = 8


def asked_ends(photo: PhotoFindings, photos: Sequence[PhotoFindings], texts: Sequence[str]) -> dict[str, list[Ring]]:
    """Outlines in px of the upright original, by id, of every housing and terminal that a text names.

    photos : all of the order; where there are several, texts name a place with its photograph
    """
    ends = {end.id: end.rings_px for end in photo.terminations} | {one.id: one.rings_px for one in photo.housings}
    asked = _named("\n".join(texts), photos)
    heads = _heads(photo) if len(photos) > 1 else [""]
    return {name: rings for name, rings in ends.items() if rings and any((head, name) in asked for head in heads)}


def _heads(photo: PhotoFindings) -> list[str]:
    """What may stand before a place of this photograph: its name, or its hash where two have one name."""
    return [f"{photo.photo.name}:", f"{photo.photo.sha256[:_SHORT_SHA]}:"]


def _named(text: str, photos: Sequence[PhotoFindings]) -> set[tuple[str, str]]:
    """Head and id of every place named as a whole: `t1` neither in `t12` nor in another photograph's `b.jpg:t1`.

    The heads of all photographs take the text from left to right, so that `front 1.jpg:h1` is not also `1.jpg:h1`.
    """
    heads = {head for photo in photos for head in _heads(photo)} if len(photos) > 1 else {""}
    longest_first = "|".join(re.escape(head) for head in sorted(heads, key=len, reverse=True))
    return set(re.findall(rf"(?<![\w:])({longest_first})(\w+)", text))
