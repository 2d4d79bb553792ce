"""Labels that a shop added to those every model knows, in a file of its own in the data folder."""

from __future__ import annotations

import json
import logging
import re
import tomllib
from collections.abc import Collection, Iterable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from sqlalchemy.orm import Session

from desk.errors import DeskError, one_line
from desk.records.database import hold
from desk.wording import say_label
from models.damage.files import write_file
from vision.findings import LABELS
from vision.recognise import OTHER_CLASSES

log = logging.getLogger("loomtriage.labels")
LABELS_FILE = "labels.toml"
MOST_LABELS = 20
_HELD = LABELS_FILE  # what both ways hold; the file itself locks no rows
_NAME = re.compile(r"[a-z][a-z_]{2,39}")
_TAKEN = (*LABELS, *OTHER_CLASSES, "unjudged")
"""Names with a meaning of their own in training: a damage called `wire` would be learnt as a sound wire."""
_SAID = {"novel", "unsure", *map(say_label, LABELS)}
"""What the desk says of places already: a label that reads the same could not be told from it."""


@dataclass(frozen=True)
class LabelChange:
    """One change of the shop's labels: when, by whom, `added` or `removed`, and which."""

    at: str
    by: str
    what: str
    label: str


@dataclass(frozen=True)
class OwnLabels:
    """The labels in their order, which is that of the keys, and every change made at the desk, oldest first."""

    labels: tuple[str, ...] = ()
    changes: tuple[LabelChange, ...] = ()


class AddedLabels:
    """The labels of one data folder as they are now, whichever process changed them; the file is read each time.

    A file that somebody spoilt while the desk runs keeps nobody from working: the labels last read go on.
    """

    def __init__(self, data: Path) -> None:
        self._data, self._last, self._wrong = data, read_labels(data), ""

    def now(self) -> tuple[str, ...]:
        """The labels that can be given."""
        try:
            self._last, self._wrong = read_labels(self._data), ""
        except DeskError as error:
            if one_line(error) != self._wrong:  # once, not with every page
                log.warning("%s; the labels last read go on", one_line(error))
            self._wrong = one_line(error)
        return self._last


def keep_while_given(session: Session, given: Iterable[str | None]) -> None:
    """Let nobody remove a label of the shop until this write ends; before it is looked up whether it is there."""
    if any(label is not None and label not in LABELS for label in given):
        hold(session, _HELD, alone=False)


def keep_from_being_given(session: Session) -> None:
    """Let nobody give a label of the shop until this write ends."""
    hold(session, _HELD, alone=True)


def read_labels(data: Path) -> tuple[str, ...]:
    """The labels of `labels.toml`, none where there is no file. Raises DeskError."""
    return read_own(data).labels


def read_own(data: Path) -> OwnLabels:
    """Labels and changes of `labels.toml` (`labels = ["corrosion"]` is enough). Raises DeskError."""
    path = data / LABELS_FILE
    try:
        told = tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return OwnLabels()
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DeskError(f'{path}: expected labels = ["corrosion"], got {error}: mend the file') from error
    names, changes = told.get("labels"), told.get("changes", [])
    known = set(told) | {"changes"} == {"labels", "changes"} and _are_changes(changes)
    if not known or not isinstance(names, list) or not all(isinstance(n, str) for n in names):
        raise DeskError(
            f'{path}: expected labels = ["corrosion"] and nothing else but the changes the desk notes below, got '
            f"{str(told)[:80]}: mend the file"
        )
    for n, name in enumerate(names):
        if wrong := refusal(name, names[:n]):
            raise DeskError(f"{path}: {wrong}")
    if len(names) > MOST_LABELS:
        raise DeskError(f"{path}: expected {MOST_LABELS} labels at most, got {len(names)}: take some out")
    return OwnLabels(tuple(names), tuple(LabelChange(**one) for one in changes))


def refusal(name: str, others: Collection[str]) -> str | None:
    """Why a name cannot be a label beside the others of the shop: expected, got, what to do; None where it can."""
    if not _NAME.fullmatch(name):
        better = re.sub(r"[^a-z]+", "_", name.lower()).strip("_")
        free = _NAME.fullmatch(better) and better not in (*_TAKEN, *others) and say_label(better) not in _SAID
        advice = f"call it {better}" if free else "rename it"
        return f"expected a name of small letters and _ (3 to 40 of them), got {name[:60]!r}: {advice}"
    if name in _TAKEN or name in others:
        return f"expected a new label, got {name}, which is there already: choose another name"
    return None


def refusal_of_new(name: str, others: Collection[str]) -> str | None:
    """The same for a label that is added now; one that would read like something else is refused, too."""
    if not refusal(name, others) and say_label(name) in _SAID:
        return f"expected a new label, got {name}, which reads like one the desk says already: choose another name"
    if len(others) >= MOST_LABELS:
        return f"expected {MOST_LABELS} labels of the shop at most, got one more: remove one that nobody used"
    return refusal(name, others)


def write_own(data: Path, own: OwnLabels) -> None:
    """Replace the file whole or not at all."""
    lines = [f"labels = {_quoted(own.labels)}"]
    for change in own.changes:
        lines += ["", "[[changes]]", *(f"{f.name} = {_quoted(getattr(change, f.name))}" for f in fields(change))]
    write_file(data / LABELS_FILE, ("\n".join(lines) + "\n").encode())


def _quoted(value: object) -> str:
    """Text or a list of it as TOML writes it, which is how JSON does but for one control character."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")


def _are_changes(value: Any) -> bool:
    names = {f.name for f in fields(LabelChange)}
    return isinstance(value, list) and all(
        isinstance(one, dict) and set(one) == names and all(isinstance(v, str) for v in one.values()) for one in value
    )
