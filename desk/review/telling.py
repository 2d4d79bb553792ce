"""Says entries of a review in a few words, with their places named as they are now."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType

from desk.order_answers import answers_given
from desk.review.edits import (
    Answer,
    Branches,
    CountWires,
    Entry,
    MeasureWire,
    NameEnd,
    Relabel,
    Settle,
    Typed,
    Withdraw,
)
from desk.review.places import present
from desk.review.reviewed import Reviewed
from desk.wording import say_label, say_places
from models.repair.bench import BenchWire

KIND_WORDS = {
    "confirm": "confirmed",
    "relabel": "named anew",
    "redraw": "outline drawn anew",
    "add": "added",
    "split": "split in two",
    "delete": "deleted",
    "typed": "measure typed in",
    "count_wires": "wires counted",
    "measure_wire": "wire measured",
    "branches": "branches",
    "name_end": "connector named",
    "reference": "reference length",
    "answer": "question answered",
    "withdraw": "taken back",
    "settle": "conflict settled",
}
_TYPED = {
    "length_mm": "length",
    "to_termination_mm": "to the nearest terminal",
    "exposed_copper_mm": "bare copper",
    "area_mm2": "area",
}


def entry_words(
    entry: Entry,
    names: Mapping[str, str],
    treated: Mapping[int, Mapping[str, str]],
    others: Mapping[int, Entry] = MappingProxyType({}),
) -> str:
    """An entry in a few words.

    names : of the photographs by hash; treated : as in `Reviewed`; others : entries by number, one of which it may
    be about
    """
    edit = entry.edit
    if isinstance(edit, Withdraw | Settle):
        about = others.get(edit.entry)
        if about is None:
            meant = f"entry {edit.entry}"
        elif isinstance(edit, Withdraw) and isinstance(about.edit, Withdraw):
            return f"counts again: {entry_words(about, names, treated, others).removeprefix('taken back: ')}"
        else:  # a reader of paper finds no entry by its number
            meant = entry_words(about, names, treated, others)
        kept = ("kept " if edit.keep else "left out ") if isinstance(edit, Settle) else ""
        return f"{KIND_WORDS[edit.kind]}: {kept}{meant}"
    if isinstance(edit, Answer):
        given = answers_given(edit.answers, treated.get(entry.id, {}))
        return "answered: " + "; ".join(say_places(f"{one.asked()} {one.answer}") for one in given)
    if isinstance(edit, MeasureWire):
        return f"wire {edit.wire.id}: {wire_words(edit.wire, lambda mm: f'{mm:g} mm')}"
    if isinstance(edit, Branches):
        return "branches: " + (", ".join(f"{at:g} mm" for at in edit.at_mm) or "none along the wires measured")
    region, photo = getattr(edit, "end" if isinstance(edit, NameEnd) else "region", None), names.get(edit.photo, "")
    where = region if region and len(names) == 1 else " · ".join(part for part in (photo, region) if part)
    what = KIND_WORDS[edit.kind]
    if isinstance(edit, Relabel):
        what = say_label(edit.label)
    elif isinstance(edit, Typed):
        what = f"{_TYPED[edit.field]} {edit.value:g} {'mm²' if edit.field == 'area_mm2' else 'mm'}"
    elif isinstance(edit, NameEnd):
        what = f"connector {edit.connector}"
    elif isinstance(edit, CountWires):
        what = f"{edit.wires} wires counted"
    return f"{where}: {what}"


def names_of(found: Reviewed, entries: Iterable[Entry], numbers: Mapping[str, int]) -> dict[str, str]:
    """Names of the photographs reviewed, and of others that entries were made on before they were taken back.

    numbers : of all photographs of the assembly, by hash
    """
    here = {photo.photo.sha256: photo.photo.name for photo in found.photos}
    about = {getattr(entry.edit, "photo", None) for entry in entries}
    return here | {sha: f"photo {number}" for sha, number in numbers.items() if sha in about and sha not in here}


def wire_words(wire: BenchWire, say: Callable[[float], str]) -> str:
    """What was measured of a wire and where no joint or terminal may come. say : how a length in mm is written"""
    says = [f"{say(wire.before_mm)} to the damage, {say(wire.damage_mm)} of it, {say(wire.after_mm)} on"]
    if wire.start or wire.end:
        says.insert(0, f"from {wire.start or 'an end not named'} to {wire.end or 'an end not named'}")
    if wire.joints_mm:
        says.append("joints at " + ", ".join(map(say, wire.joints_mm)))
    if wire.keep_out_mm:
        says.append("closed or flexing " + ", ".join(f"{say(a)} to {say(b)}" for a, b in wire.keep_out_mm))
    fixed = [side for side, new in (("start", wire.start_renewable), ("end", wire.end_renewable)) if not new]
    return "; ".join([*says, *(f"no new terminal at its {side}" for side in fixed)])


def presented(entry: Entry, found: Reviewed) -> Entry:
    """The entry with its places named as they are now."""
    if not isinstance(entry.edit, Answer):
        return entry
    answers = present(entry.edit.answers, found.photos)
    return entry.model_copy(update={"edit": entry.edit.model_copy(update={"answers": answers})})
