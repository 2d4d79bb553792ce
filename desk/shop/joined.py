"""The photographs of an assembly joined, kept while nothing changes: a review asks for them at every stroke."""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Sequence
from threading import Lock

from desk.together import together
from vision.findings import PhotoFindings

_KEPT = 64
_known: OrderedDict[bytes, tuple[PhotoFindings, ...]] = OrderedDict()
_lock = Lock()


def joined(photos: Sequence[PhotoFindings]) -> tuple[PhotoFindings, ...]:
    """`together`, the last `_KEPT` answers kept; the same findings give the same answer, whoever asks."""
    key = hashlib.sha256("\n".join(photo.model_dump_json() for photo in photos).encode()).digest()
    with _lock:
        if key in _known:
            _known.move_to_end(key)
            return _known[key]
    found = tuple(together(photos))
    with _lock:
        _known[key] = found
        while len(_known) > _KEPT:
            _known.popitem(last=False)
    return found
