"""Which housings and terminals of a photograph the questions of an order name, so that the picture marks them."""

from __future__ import annotations

import re
from collections.abc import Sequence

from vision.findings import PhotoFindings, Question, Ring

_SHORT_SHA = 8


def asked_ends(photo: PhotoFindings, questions: Sequence[Question], several: bool) -> dict[str, list[Ring]]:
    """Outlines in px of the upright original, by id, of every housing and terminal that a question names.

    several : whether the order has more photographs; questions then name a place with its photograph
    """
    ends = {end.id: end.rings_px for end in photo.terminations} | {one.id: one.rings_px for one in photo.housings}
    heads = [f"{photo.photo.name}:", f"{photo.photo.sha256[:_SHORT_SHA]}:"] if several else [""]
    text = "\n".join(question.ask for question in questions)
    return {name: rings for name, rings in ends.items() if rings and any(_names(text, head + name) for head in heads)}


def _names(text: str, ref: str) -> bool:
    """Whether the text holds this name as a whole: `t1` neither in `t12` nor in another photograph's `b.jpg:t1`."""
    return re.search(rf"(?<![\w:]){re.escape(ref)}(?!\w)", text) is not None
