"""The models of a desk: which there are, which one is in use, and how that changed; changed whole or not at all."""

from __future__ import annotations

import fcntl
import os
import re
import shutil
import tempfile
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from desk.errors import DeskError, one_line
from desk.learning.comparison import Comparison
from desk.learning.corrected import LearningValue
from desk.learning.shelf import Shelf
from desk.records.columns import now
from models.damage.card import CARD_HASH_FILE, SHIPPED, ModelError, keep_card_hash, other_library, read_card
from models.damage.files import write_file
from vision.cells import FEATURE_VERSION

if TYPE_CHECKING:
    from models.damage.store import DamageModel

# What opens a model brings scikit-learn along: it waits inside the functions, for the pages ask for cards only.
SHIPPED_NAME = "shipped"
PROMOTED, ROLLED_BACK = "promoted", "rolled back"
IN_USE_FILE = "in_use.json"
COMPARED_FILE = "compared.json"
LEAST_REASON, LEAST_WHY_ALL_THE_SAME = 3, 10
"""Letters of the reason for rolling back, and of that for promoting a model that something speaks against."""
_VERSION = re.compile(r"[a-z]+-[0-9a-f]{10}")


class ModelRefused(DeskError):
    """A model that is not put into use: expected, got, what to do. The one in use goes on working."""


class Change(LearningValue):
    """One change of the model in use. `reason`: what was written, empty where none was needed."""

    at: str
    by: str
    what: str
    version: str
    before: str
    reason: str

    @property
    def words(self) -> str:
        """What was done with which version."""
        return f"{self.what} {'to ' if self.what == ROLLED_BACK else ''}{self.version}"


class InUse(LearningValue):
    """The version in use (`shipped`: the one that came with loomtriage) and every change, oldest first."""

    version: str = SHIPPED_NAME
    changes: tuple[Change, ...] = ()


def in_use(shelf: Shelf) -> InUse:
    """Which model is in use; the shipped one where nobody ever changed it."""
    path = shelf.models / IN_USE_FILE
    try:
        return InUse.model_validate_json(path.read_bytes())
    except FileNotFoundError:
        return InUse()
    except ValidationError as error:
        raise ModelRefused(
            f"expected which model is in use in {path}, got {error.errors()[0]['msg']}: bring the file back, or take "
            "it away to use the shipped model"
        ) from error


def folder_of(shelf: Shelf, version: str) -> Path:
    """Where a version lies; ModelRefused where there is none of that name."""
    if version == SHIPPED_NAME:
        return SHIPPED
    if not _VERSION.fullmatch(version) or not (shelf.models / version).is_dir():
        known = ", ".join([SHIPPED_NAME, *versions(shelf)])
        raise ModelRefused(f"expected a model of this desk ({known}), got {version!r}: loomtriage model list names all")
    return shelf.models / version


def folder_in_use(data: Path) -> Path:
    """Where the model lies that answers at the desk of this data folder."""
    shelf = Shelf(data)
    return folder_of(shelf, in_use(shelf).version)


def folders_in_turn(data: Path) -> list[Path]:
    """Folders of the model in use and of those before it, newest first, the shipped one last: who answers if not it."""
    shelf = Shelf(data)
    try:
        used = in_use(shelf)
    except ModelRefused:
        return [SHIPPED]
    names = dict.fromkeys([used.version, *reversed(way_back(used)), SHIPPED_NAME])
    kept = [shelf.models / name for name in names if _VERSION.fullmatch(name)]
    shipped = list(names).index(SHIPPED_NAME)
    return [*kept[:shipped], SHIPPED]


def name_of(folder: Path) -> str:
    """The version that lies in a folder."""
    return SHIPPED_NAME if folder == SHIPPED else folder.name


def versions(shelf: Shelf) -> list[str]:
    """Versions kept here, oldest first; the shipped one is not among them."""
    found = [path for path in shelf.models.glob("*-*") if _VERSION.fullmatch(path.name) and path.is_dir()]
    return [path.name for path in sorted(found, key=lambda p: (p.stat().st_mtime, p.name))]


def keep_model(shelf: Shelf, model: DamageModel) -> Path:
    """Put a trained model on the shelf, whole or not at all; it is proposed, not in use."""
    from models.damage.store import save_model

    shelf.models.mkdir(parents=True, exist_ok=True)
    target = shelf.models / model.version
    if target.is_dir():
        return target
    making = Path(tempfile.mkdtemp(dir=shelf.models, prefix=".making-"))
    try:
        save_model(model, making)
        os.chmod(making, 0o755)
        os.rename(making, target)
    except BaseException:
        shutil.rmtree(making, ignore_errors=True)
        raise
    return target


def usable_model(folder: Path) -> DamageModel:
    """The model of a folder; ModelRefused where it cannot answer here: altered, foreign, other versions."""
    from models.damage.store import load_model

    try:
        model = load_model(folder)
    except ModelError as error:
        raise ModelRefused(f"model {folder.name}: {error}") from error
    if why := other_features(model.card):
        raise ModelRefused(f"model {folder.name}: {why}")
    if folder != SHIPPED and not (folder / CARD_HASH_FILE).exists():  # kept by a version that hashed no cards
        keep_card_hash(folder)
    return model


def other_features(card: dict[str, Any]) -> str | None:
    """Why a model's features are not those of this version; None where they are."""
    made_with = str(card.get("feature_version"))
    if made_with == FEATURE_VERSION:
        return None
    return (
        f"expected a model of feature version {FEATURE_VERSION}, got {made_with}: train it again (loomtriage "
        "retrain), the corrected set stays valid"
    )


def cannot_answer(card: dict[str, Any]) -> str | None:
    """Why a model cannot answer here, as far as its card tells; None where it does not."""
    return other_library(card) or other_features(card)


def card_of(shelf: Shelf, version: str) -> dict[str, Any]:
    """The card of a version, without loading the model; ModelRefused where it cannot be read."""
    try:
        return read_card(folder_of(shelf, version))
    except ModelError as error:
        raise ModelRefused(f"model {version}: {error}") from error


def to_compare_with(shelf: Shelf, version: str) -> str:
    """The version in use, which a proposed one is held against; ModelRefused where it is the same or none that was
    trained here (the shipped one's folder belongs to every desk: no comparison is laid there)."""
    used = in_use(shelf).version
    if version == SHIPPED_NAME:
        raise ModelRefused(
            f"expected a model trained here, got {SHIPPED_NAME}: the page of a trained one compares it with "
            f"{SHIPPED_NAME} while that is in use"
        )
    if version == used:
        raise ModelRefused(f"expected another model than the one in use, got {version}: name another")
    return used


def keep_comparison(shelf: Shelf, comparison: Comparison) -> None:
    """Lay a comparison beside the model it is about."""
    write_file(folder_of(shelf, comparison.proposed) / COMPARED_FILE, comparison.model_dump_json(indent=1).encode())


def comparison_of(shelf: Shelf, version: str) -> Comparison | None:
    """The newest comparison of a version, whatever it was compared with; None where there is none."""
    try:
        return Comparison.model_validate_json((folder_of(shelf, version) / COMPARED_FILE).read_bytes())
    except FileNotFoundError:
        return None
    except ValidationError as error:
        raise ModelRefused(f"model {version}: expected its comparison, got a damaged file: compare it again") from error


def is_with(shelf: Shelf, comparison: Comparison | None, used: str) -> bool:
    """Whether a comparison is one with the model in use. The shipped model keeps its name when loomtriage brings
    another: its content tells."""
    if comparison is None or comparison.in_use != used:
        return False
    if used != SHIPPED_NAME:
        return True
    try:
        return comparison.in_use_content == card_of(shelf, SHIPPED_NAME).get("content_sha256")
    except ModelRefused:
        return False


@dataclass(frozen=True)
class ModelLine:
    """One model in a list. trained_on : what it learnt from, or why its files cannot be read; called : what answers
    call it; cannot : why it cannot answer here, None where nothing on its card says so; stands : whether the
    comparison is with the model in use now."""

    version: str
    used: bool
    trained_on: str
    comparison: Comparison | None
    called: str = ""
    cannot: str | None = None
    stands: bool = False


def model_lines(shelf: Shelf) -> list[ModelLine]:
    """Every model, the shipped one first. A damaged one says so: the list must help to roll back just then."""
    used = in_use(shelf).version
    return [_line(shelf, version, used) for version in (SHIPPED_NAME, *versions(shelf))]


def _line(shelf: Shelf, version: str, used: str) -> ModelLine:
    try:
        card = card_of(shelf, version)
        compared = comparison_of(shelf, version) if version != SHIPPED_NAME else None
    except ModelRefused as error:
        return ModelLine(version, version == used, str(error), None)
    return ModelLine(
        version, version == used, str(card["trained_on"]), compared, str(card.get("version", version)),
        cannot_answer(card), is_with(shelf, compared, used),
    )  # fmt: skip


@dataclass(frozen=True)
class Others:
    """Versions that can be asked what they would say, newest first; `amiss`: why the shipped one is not among them
    though it did not answer alone, None where nothing is wrong with it."""

    names: tuple[str, ...] = ()
    amiss: str | None = None


def others_than(shelf: Shelf, answered: Collection[str]) -> Others:
    """All versions but the one that alone answered.

    answered : versions as answers name them
    """
    names = tuple(n for n in reversed(versions(shelf)) if set(answered) != {n} and not _cannot(shelf, n))
    try:
        shipped = str(card_of(shelf, SHIPPED_NAME).get("version"))  # answers do not call it "shipped"
    except ModelRefused as error:
        return Others(names, one_line(error))
    return Others(names if set(answered) == {shipped} else (*names, SHIPPED_NAME))


def _cannot(shelf: Shelf, version: str) -> bool:
    """Whether a card tells that its model cannot answer; one that cannot be read is named, and refused with why."""
    try:
        return cannot_answer(card_of(shelf, version)) is not None
    except ModelRefused:
        return False


def promote(shelf: Shelf, version: str, by: str, reason: str = "") -> InUse:
    """Put a proposed model into use. It must have been compared with the one in use; what speaks against it needs a
    written reason. ModelRefused otherwise; the one in use goes on.
    """
    with alone(shelf):
        now_in_use = in_use(shelf)
        if version == now_in_use.version:
            raise ModelRefused(f"expected another model than the one in use, got {version}: nothing to change")
        folder = folder_of(shelf, version)
        usable_model(folder)
        compared = comparison_of(shelf, version)
        if compared is None or not is_with(shelf, compared, now_in_use.version):
            earlier = "an earlier " if compared and compared.in_use == now_in_use.version else ""
            against = "none" if compared is None else f"one with {earlier}{compared.in_use}"
            raise ModelRefused(
                f"model {version}: expected a comparison with {now_in_use.version}, the model in use, got {against}: "
                f"run loomtriage model compare {version}"
            )
        if compared.objections and len(reason.strip()) < LEAST_WHY_ALL_THE_SAME:
            got = repr(reason.strip()) if reason.strip() else "none"
            raise ModelRefused(
                f"model {version}: expected nothing against it, or a written reason (--reason) of "
                f"{LEAST_WHY_ALL_THE_SAME} letters or more, got {got}; against it: {'; '.join(compared.objections)}"
            )
        return _switch(shelf, now_in_use, version, by, PROMOTED, reason.strip())


def way_back(used: InUse) -> list[str]:
    """Versions that rolling back leads through, the next one last: what was in use before each promotion that still
    stands. A version that was rolled back from is not among them."""
    back: list[str] = []
    for change in used.changes:
        if change.what == ROLLED_BACK and change.version in back:
            del back[_last(back, change.version) :]
        else:
            back.append(change.before)
    return back


def _last(names: list[str], name: str) -> int:
    return len(names) - 1 - names[::-1].index(name)


def rollback(shelf: Shelf, by: str, reason: str) -> InUse:
    """Go back to the model that was in use before the newest promotion that still stands; done again, one further. One
    that cannot answer any more is passed over and named. ModelRefused where there is none, or without a reason."""
    if len(reason.strip()) < LEAST_REASON:
        raise ModelRefused(
            f"expected why the model before is better ({LEAST_REASON} letters or more), got {reason.strip()!r}"
        )
    with alone(shelf):
        now_in_use = in_use(shelf)
        back, passed = way_back(now_in_use), []
        while back:
            version = back.pop()
            try:
                usable_model(folder_of(shelf, version))
            except ModelRefused as error:
                passed.append(f"passed over {version} ({one_line(error)})")
            else:
                return _switch(shelf, now_in_use, version, by, ROLLED_BACK, "; ".join([reason.strip(), *passed]))
        raise ModelRefused(
            "expected an earlier model to go back to, got none: "
            + ("; ".join(passed) or f"{now_in_use.version} is in use and was before every change")
        )


def _switch(shelf: Shelf, was: InUse, version: str, by: str, what: str, reason: str) -> InUse:
    """One file replaced by another: a kill in the middle leaves the old or the new model in use."""
    change = Change(at=now().isoformat(), by=by, what=what, version=version, before=was.version, reason=reason)
    will = InUse(version=version, changes=(*was.changes, change))
    write_file(shelf.models / IN_USE_FILE, will.model_dump_json(indent=1).encode())
    return will


@contextmanager
def alone(shelf: Shelf) -> Iterator[None]:
    """One change at a time."""
    shelf.models.mkdir(parents=True, exist_ok=True)
    handle = os.open(shelf.models / ".lock", os.O_RDWR | os.O_CREAT, 0o600)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)
