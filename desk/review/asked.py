"""Which answer closes an open question: the answer's name, the place it is about, and what may be answered."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from models.circuit.circuit_list import CLASSES
from models.repair import Rules
from models.repair.words import label_words, labels_in
from vision.findings import LABELS, Question

Kind = Literal["choice", "mm", "number", "ampere", "text", "mm2"]
DAMAGE = tuple(label for label in LABELS if label != "sound")


@dataclass(frozen=True)
class Field:
    """One field to fill in. `choices`: (value, words), empty for what is typed."""

    name: str
    words: str
    kind: Kind
    choices: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Asked:
    """An open question with the fields that close it; none where only a new photograph does."""

    question: Question
    on: str | None
    fields: tuple[Field, ...]


_YES_NO = (("true", "yes"), ("false", "no"))
_BY_RULE: dict[str, tuple[Field, ...]] = {
    "circuit-class": (
        Field("circuit_class", "circuit class", "choice", tuple((c, c.replace("_", " ")) for c in CLASSES)),
    ),
    "heat-aged": (Field("flex_test", "bent", "choice", (("cracks", "it cracks"), ("no_cracks", "it does not crack"))),),
    "fused-insulation": (
        Field("parts_by_hand", "parted by hand", "choice", (("parts", "they part"), ("tears", "insulation tears"))),
    ),
    "conductor-damage": (
        Field(
            "copper",
            "copper",
            "choice",
            (("covered", "covered"), ("bare", "bare, strands whole"), ("damaged", "nicked or cut")),
        ),
    ),
    "overload-extent": (Field("overload_ends", "stops at", "text"),),
    "termination-distance": (Field("distances_mm", "distance", "mm"),),
    "splice-spacing": (Field("spacings_mm", "distance", "mm"),),
    "splices-per-wire": (Field("splices_on_one_wire", "splices", "number"),),
    "earlier-repair": (
        Field("splice_origin", "it is", "choice", (("factory", "a factory joint"), ("repair", "a repair"))),
    ),
    "housing": (
        Field(
            "housing_state",
            "housing",
            "choice",
            (("sound", "sound"), ("damaged", "damaged"), ("not_a_housing", "not a housing at all")),
        ),
    ),
    "wire-count": (Field("wire_count", "wires", "number"),),
    "inspection": (
        Field(
            "looked_over",
            "looked over",
            "choice",
            (("nothing_more", "nothing more"), ("more_damage", "more damage")),
        ),
    ),
    "fuse-coordination": (
        Field("fuse_found_a", "fuse found", "ampere"),
        Field("fuse_rated_a", "fuse called for", "ampere"),
        Field("wire_size_mm2", "wire size", "mm2"),
    ),
    "drop-budget": (
        Field("load_current_a", "current of the load", "ampere"),
        Field("circuit_length_mm", "length of the circuit", "mm"),
        Field("wire_size_mm2", "wire size", "mm2"),
    ),
}
_FURTHER = Field("further_splices", "further ones", "choice", (("none", "none"), ("some", "there are")))
_ENDS = Field("both_ends_identified", "both ends known", "choice", _YES_NO)
_WHICH = re.compile(r"Which damage is (?P<on>.+): (?P<names>[a-z ,]+)\?", re.DOTALL)
_WHOLE = ("circuit_class", "looked_over", "wire_count", "splices_on_one_wire")


def asked(question: Question, rules: Rules) -> Asked:
    """The question with what closes it; the place is read back out of the words that the rules file gives it.

    Nothing closes a question asked in the words of other rules: its place cannot be told.
    """
    which = _WHICH.fullmatch(question.ask)
    if which is not None:
        likely = labels_in(which["names"])
        # whoever looks may see what the photograph did not make likely, or that nothing is damaged
        others = [label for label in DAMAGE if label not in likely]
        # a label that the shop added is only asked which known damage it is treated like
        named = question.why.startswith("No rule knows ")
        names = likely if named else [*likely, *(["sound"] if "sound" not in likely else []), *others]
        choices = tuple((label, label_words(label)) for label in names)
        return Asked(question, which["on"], (Field("labels", "damage", "choice", choices),))
    rule = question.changes.split(":")[0]
    fields = _BY_RULE.get(rule, ())
    if not fields or fields[0].name in _WHOLE:
        return Asked(question, None, fields)
    limits = rules.of(rule)
    if rule == "conductor-damage":
        on = _place(limits.ask_ends, question.ask)  # type: ignore[attr-defined]
        if on is not None:
            return Asked(question, on, (_ENDS,))
    if rule == "splice-spacing" and question.ask == limits.ask_further:  # type: ignore[attr-defined]
        return Asked(question, None, (_FURTHER,))
    on = _place(limits.ask, question.ask)
    # a place that cannot be read would make the answer one for the whole assembly
    return Asked(question, on, fields if on is not None or "{on}" not in limits.ask else ())


def _place(template: str, ask: str) -> str | None:
    """What stands in a question where its template says {on}; None where the words are other ones."""
    if "{on}" not in template:
        return None
    pattern = "(?P<on>.+)".join(re.escape(part) for part in template.split("{on}", 1))
    found = re.fullmatch(pattern.replace(re.escape("{on}"), ".+"), ask, re.DOTALL)
    return found["on"] if found else None
