"""Labels that a shop added to those every model knows, in a file of its own in the data folder."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from desk.errors import DeskError
from vision.findings import LABELS
from vision.recognise import OTHER_CLASSES

LABELS_FILE = "labels.toml"
_NAME = re.compile(r"[a-z][a-z_]{2,39}")
_MOST = 20
_TAKEN = (*LABELS, *OTHER_CLASSES, "unjudged")
"""Names with a meaning of their own in training: a damage called `wire` would be learnt as a sound wire."""


def read_labels(data: Path) -> tuple[str, ...]:
    """The labels of `labels.toml` (`labels = ["corrosion"]`), none where there is no file. Raises DeskError."""
    path = data / LABELS_FILE
    if not path.exists():
        return ()
    try:
        told = tomllib.loads(path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DeskError(f'{path}: expected labels = ["corrosion"], got {error}: mend the file') from error
    names = told.get("labels")
    if set(told) != {"labels"} or not isinstance(names, list) or not all(isinstance(n, str) for n in names):
        raise DeskError(
            f'{path}: expected labels = ["corrosion"] and nothing else, got {str(told)[:80]}: mend the file'
        )
    wrong = [n for n in names if not _NAME.fullmatch(n)]
    if wrong:
        raise DeskError(f"{path}: expected names of small letters and _ (3 to 40 of them), got {wrong[0]!r}: rename it")
    known = [n for n in names if n in _TAKEN or names.count(n) > 1]
    if known or len(names) > _MOST:
        got = f"{known[0]}, which is there already" if known else f"{len(names)} labels; at most {_MOST} are taken"
        raise DeskError(f"{path}: expected new labels, got {got}: take it out")
    return tuple(names)
