"""An assembly after its review: every entry in its order, the decision taken anew, and what changed."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

from desk.review.applying import applied
from desk.review.by_place import by_place
from desk.review.changes import Change, DecisionChange, changes_between, decision_change
from desk.review.edits import (
    Add,
    Answer,
    Confirm,
    EditError,
    Entry,
    NameEnd,
    Relabel,
    Settle,
    Split,
    Withdraw,
)
from desk.review.history import in_force, waiting, withdrawn
from desk.review.noting import Noted, field_of, noted, said_of
from desk.review.places import present
from models.repair import Answers, AnswersError, Rules, decide
from models.repair.answers import SAME, DamageLabel
from models.repair.bench import BenchNotes
from models.repair.case import open_case, seen_as_answered
from models.repair.measured import with_measured
from models.repair.references import places_for
from models.repair.spots import is_own
from vision.findings import Decision, Finding, PhotoFindings

_GIVES_LABEL = (Confirm, Relabel, Add)
_NOT_COUNTING = (
    "expected a photograph of this assembly that counts for the decision, got another one (taken back, or of the "
    "finished repair): reload the page"
)


class SetAside(Finding):
    """An entry that stays on record and does not count, and why; `in_part`: the others of its answers do."""

    entry: int
    reason: str
    in_part: bool = False

    @property
    def words(self) -> str:
        """How it stands, in words."""
        return "set aside in part" if self.in_part else "set aside"


class Reviewed(Finding):
    """The findings after the review beside the untouched originals, and the decision before and after.

    `judged`: places whose label a person gave or confirmed, `photo:region`; `conflicts`: entries that wait to be
    settled; `answers`: all that hold; `treated`: by entry, the labels of the shop's own, by place, of which it said how
    the rules treat them; `notes`: wires measured with a ruler, for the work order's plan. `photos` are without what
    was answered to be no housing: no wire ends there any more, and no distance goes there.
    """

    originals: list[PhotoFindings]
    photos: list[PhotoFindings]
    answers: Answers
    treated: dict[int, dict[str, str]]
    notes: BenchNotes
    before: Decision
    after: Decision
    changes: list[Change]
    decided: DecisionChange
    judged: list[str]
    set_aside: list[SetAside]
    conflicts: list[int]


def reviewed(photos: Sequence[PhotoFindings], entries: Sequence[Entry], answers: Answers, rules: Rules) -> Reviewed:
    """Apply the entries in the order of their ids. `answers`: those of the intake, under what the entries answer.

    Pure; the originals stay as they are. An entry that does not fit any more (what it was made on was taken back)
    is set aside with its reason, so that a history can always be read; of several answers only those that do not fit.
    """
    course = _Course(photos, answers, rules)
    for entry in in_force(entries):
        course.take(entry)
    before, after = decide(photos, answers, rules), course.decision()
    return Reviewed(
        originals=list(photos),
        photos=seen_as_answered([course.photos[photo.photo.sha256] for photo in photos], course.answers, rules),
        answers=course.answers,
        treated=course.treated,
        notes=course.notes,
        before=before,
        after=after,
        changes=course.changes,
        decided=decision_change(before, after),
        judged=list(course.judged),
        set_aside=course.set_aside,
        conflicts=waiting(entries),
    )


def fits(
    photos: Sequence[PhotoFindings], entries: Sequence[Entry], answers: Answers, rules: Rules, new: Entry
) -> Reviewed:
    """The review with one more entry; EditError where that entry does not fit."""
    if isinstance(new.edit, Withdraw | Settle):
        _refers(entries, new.edit)
    found = reviewed(photos, [*entries, new], answers, rules)
    for item in found.set_aside:
        if item.entry == new.id:
            raise EditError(item.reason)
    return found


def _refers(entries: Sequence[Entry], edit: Withdraw | Settle) -> None:
    known = {entry.id: entry for entry in entries}
    if edit.entry not in known:
        raise EditError(f"expected an entry of this assembly, got number {edit.entry}: reload the page")
    if isinstance(edit, Settle) and edit.entry not in waiting(entries):
        raise EditError(f"expected an entry in conflict, got number {edit.entry}, which is none: reload the page")
    if isinstance(edit, Withdraw) and edit.entry in withdrawn(entries):
        raise EditError(
            f"expected an entry that counts, got number {edit.entry}, which was taken back: reload the page"
        )


class _Course:
    """The findings and answers while entries are taken one after the other."""

    def __init__(self, photos: Sequence[PhotoFindings], answers: Answers, rules: Rules) -> None:
        self.photos = {photo.photo.sha256: photo for photo in photos}
        self.answers, self.rules = answers, rules
        self.notes = BenchNotes()
        self.changes: list[Change] = []
        self.set_aside: list[SetAside] = []
        self.judged: dict[str, None] = {}
        self.treated: dict[int, dict[str, str]] = {}

    def take(self, entry: Entry) -> None:
        """One entry; set aside with its reason where it does not fit."""
        try:
            if isinstance(entry.edit, Answer):
                self._answer(entry, entry.edit)
            elif isinstance(entry.edit, Noted):
                self._noted(entry, entry.edit)
            elif not isinstance(entry.edit, Withdraw | Settle):
                self._edit(entry, entry.edit)
        except EditError as error:
            self.set_aside.append(SetAside(entry=entry.id, reason=str(error)))

    def _edit(self, entry: Entry, edit: Any) -> None:
        before = self.photos.get(edit.photo)
        if before is None:
            raise EditError(_NOT_COUNTING)
        after = applied(before, edit, self.rules)
        self.photos[edit.photo] = after
        self.changes += changes_between(entry.id, before, after)
        region = getattr(edit, "region", None)
        if isinstance(edit, _GIVES_LABEL):
            ids = [region] if region else [r.id for r in after.regions if r.label and not r.unsure and not r.novel]
            self.judged |= dict.fromkeys(f"{edit.photo}:{id}" for id in ids)
        if edit.kind in ("redraw", "split", "delete"):
            self._forget(entry, after, edit.region, "distances_mm")
        if isinstance(edit, Relabel):
            self._forget(entry, after, edit.region, "labels")
            if edit.label == "earlier_repair" and isinstance(self.answers.copper, dict):
                self._forget(entry, after, edit.region, "copper")  # a wire's copper, and none in a sleeve
        if isinstance(edit, Split):
            self.judged.pop(f"{edit.photo}:{edit.into}", None)
        # at once: one that is added later under the name of one that is gone is another place
        self.answers = known_places(self.answers, list(self.photos.values()))

    def _answer(self, entry: Entry, edit: Answer) -> None:
        """Its answers that fit; the others are set aside, each with its reason."""
        photos = list(self.photos.values())
        self.answers = known_places(self.answers, photos)  # what was said of a place that is gone refuses nothing new
        given, wrong = self._fitting(present(edit.answers, photos), photos)
        treated: dict[str, Any] = {}
        for ref, label in self._of_every_view(given, photos):
            try:
                treated |= self._named(entry, photos, ref, label)
            except EditError as error:
                wrong[f"labels.{ref}"] = str(error)
        kept = given.without(wrong)
        if wrong:
            in_part = bool(kept.model_dump(exclude_defaults=True))
            self.set_aside.append(SetAside(entry=entry.id, reason="; ".join(wrong.values()), in_part=in_part))
        self._keep(entry, kept.model_copy(update={"labels": treated}))

    def _of_every_view(self, given: Answers, photos: Sequence[PhotoFindings]) -> list[tuple[str, DamageLabel]]:
        """What places were answered to be, each with its other views: it is said of them, too."""
        if not given.labels:
            return []
        views = open_case(photos, merged(self.answers, given, photos, self.rules), self.rules).places
        named = {(one.seen_as or one.ref): one.ref for one in views}
        found: dict[str, DamageLabel] = {}
        for ref, label in given.labels.items():
            place = named.get(ref, ref)
            found |= {ref: label} | {name: label for name, of in named.items() if of == place}
        return list(found.items())

    def _fitting(self, given: Answers, photos: Sequence[PhotoFindings]) -> tuple[Answers, dict[str, str]]:
        """The answers that can be used, and why not, by name, of those that cannot."""
        wrong = self._mistakes(given, photos)
        kept = given.without(wrong)
        if wrong and (more := self._mistakes(kept, photos)):
            return Answers(), wrong | more  # it does not go with what was answered before
        return kept, wrong

    def _mistakes(self, given: Answers, photos: Sequence[PhotoFindings]) -> dict[str, str]:
        """Why answers cannot be used together with those before, by name."""
        try:
            open_case(photos, merged(self.answers, given, photos, self.rules), self.rules)
        except AnswersError as error:
            return {
                name: _NOT_COUNTING if _elsewhere(name, photos) else line
                for name, line in zip(error.names, error.lines, strict=True)
            }
        return {}

    def _named(self, entry: Entry, photos: Sequence[PhotoFindings], ref: str, label: DamageLabel) -> dict[str, Any]:
        """A place that was answered to be this; by the place, how one of a shop's own label is treated."""
        photo, region = _place_of(photos, ref)
        own = self._own_label(photo, region)
        if own is None:  # the place itself is named, so that a later name can change it
            self._edit(entry, Relabel(photo=photo, region=region, label=label))
            return {}
        if label == "sound":
            raise EditError(f"expected a damage that {ref} is treated like, got sound: name the place itself")
        self.treated.setdefault(entry.id, {})[ref] = own
        return {ref: label}  # it keeps the shop's name, which is learnt later; the rules go by the answer

    def _keep(self, entry: Entry, given: Answers) -> None:
        together = merged(self.answers, given, list(self.photos.values()), self.rules)
        for name in given.model_dump(exclude_defaults=True):
            was, now = getattr(self.answers, name), getattr(together, name)
            if was != now:
                self.changes.append(
                    Change(entry=entry.id, photo="", region=None, field=f"answers.{name}", before=was, after=now)
                )
        self.answers = together

    def _noted(self, entry: Entry, edit: Noted) -> None:
        photos = list(self.photos.values())
        before, self.notes = self.notes, noted(self.notes, edit, photos)
        was, now = said_of(before, edit, photos), said_of(self.notes, edit, photos)
        at = {"photo": edit.photo, "region": edit.end} if isinstance(edit, NameEnd) else {"photo": "", "region": None}
        self.changes.append(Change(entry=entry.id, field=field_of(edit), before=was, after=now, **at))

    def _own_label(self, sha256: str, region: str) -> str | None:
        """The label that the shop added, where the place carries one for sure: no rule knows it."""
        found = next((r for r in self.photos[sha256].regions if r.id == region), None)
        return found.label if found is not None and is_own(found) else None

    def _forget(self, entry: Entry, photo: PhotoFindings, region: str, field: str) -> None:
        """A distance typed for the former outline says nothing of the new one, and how a place of the former name is
        treated says nothing of the new name."""
        refs = {region, f"{photo.photo.name}:{region}", f"{photo.photo.sha256[:8]}:{region}"}
        was = getattr(self.answers, field)
        kept = {key: value for key, value in was.items() if key not in refs}
        if len(kept) != len(was):
            self.changes.append(
                Change(
                    entry=entry.id, photo=photo.photo.sha256, region=region, field=f"answers.{field}", before=was,
                    after=kept,
                )
            )  # fmt: skip
            self.answers = self.answers.model_copy(update={field: kept})

    def decision(self) -> Decision:
        """The decision on what is left; answers about places that are gone are not asked for any more."""
        photos = list(self.photos.values())
        self.answers = known_places(self.answers, photos)
        return decide(photos, with_measured(photos, self.answers, self.notes, self.rules), self.rules)


def _elsewhere(name: str, photos: Sequence[PhotoFindings]) -> bool:
    """Whether an answer (`field.place`) is about a place of a photograph that is none of these."""
    head, colon, _ = name.partition(".")[2].rpartition(":")
    known = {part for photo in photos for part in (photo.photo.name, photo.photo.sha256[:8])}
    return bool(colon) and head not in known


def _place_of(photos: Sequence[PhotoFindings], ref: str) -> tuple[str, str]:
    """Hash of the photograph and the region's id, by the name that the rules give a place."""
    name, _, region = ref.rpartition(":")
    for photo in photos:
        if name in ("", photo.photo.name, photo.photo.sha256[:8]) and any(r.id == region for r in photo.regions):
            return photo.photo.sha256, region
    raise EditError(f"expected a place of this assembly, got {ref}: reload the page")


def merged(old: Answers, new: Answers, photos: Sequence[PhotoFindings], rules: Rules) -> Answers:
    """The answers together; the newer stands. Where it is about one place, what was said before of all of them goes on
    for the others."""
    update: dict[str, Any] = {}
    names = list(new.model_dump(exclude_defaults=True))
    old = by_place(old, [name for name in names if isinstance(getattr(new, name), dict)], photos, rules)
    for name in names:
        was, now = getattr(old, name), getattr(new, name)
        update[name] = {**was, **now} if isinstance(was, dict) and isinstance(now, dict) else now
    for name, other in (SAME, SAME[::-1]):  # seen from the same side now, and no longer from the other
        left = update.get(other, getattr(old, other))
        update[other] = {place: of for place, of in left.items() if place not in getattr(new, name)}
    return old.model_copy(update=update)


def known_places(answers: Answers, photos: Sequence[PhotoFindings]) -> Answers:
    """The answers without those about places that are no longer there, or are no longer what was answered about."""
    update: dict[str, Any] = {}
    for name, value in answers:
        if isinstance(value, dict):
            known = _names(name, photos)
            update[name] = {
                key: given for key, given in value.items() if key in known and (name not in SAME or given in known)
            }
    return answers.model_copy(update=update)


def _names(answer: str, photos: Sequence[PhotoFindings]) -> Collection[str]:
    """What an answer of this name may be about, as people and the rules write it."""
    found: set[str] = set()
    for photo in photos:
        for id in places_for(answer, photo):
            found |= {id, f"{photo.photo.name}:{id}", f"{photo.photo.sha256[:8]}:{id}"}
    return found
