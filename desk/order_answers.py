"""The answers an order was decided with, as questions and answers in plain words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from desk.wording import say_label
from models.repair import Answers
from models.repair.answers import SAME
from models.repair.spots import is_own
from models.repair.words import LABEL_WORDS
from vision.findings import Finding, PhotoFindings

QUESTIONS: dict[str, tuple[str, str]] = {
    "circuit_class": ("Which class are the circuits?", ""),
    "labels": ("What damaged this place?", ""),
    "flex_test": ("Insulation bent gently by hand: does it crack?", ""),
    "parts_by_hand": ("Fused wires parted by hand: do they part, or does the insulation tear?", ""),
    "copper": ("Copper under the magnifier: covered, bare or damaged?", ""),
    "nicked_strands": ("How many strands are nicked?", ""),
    "broken_strands": ("How many strands are broken?", ""),
    "both_ends_identified": ("Are both ends of every damaged wire known, by housing and cavity?", ""),
    "overload_ends": ("At which splice or terminal does the discolouration stop?", ""),
    "distances_mm": ("How far along the wire from the nearest termination?", "mm"),
    "spacings_mm": ("How far along the wire from the next splice or branch?", "mm"),
    "splice_origin": ("A factory joint or a repair?", ""),
    "splices_on_one_wire": ("What is the largest number of repair splices in one wire?", ""),
    "further_splices": ("Repaired wires followed to both ends: are there further splices or sleeves?", ""),
    "housing_state": ("Is the housing sound or damaged, or is it not a housing at all?", ""),
    "looked_over": ("Looked over what the photographs do not show: is anything more damaged?", ""),
    "wire_count": ("How many different wires need repair, earlier repairs counted?", ""),
    "fuse_found_a": ("Which fuse was found?", "A"),
    "fuse_rated_a": ("Which fuse does the circuit call for?", "A"),
    "wire_size_mm2": ("What size is the wire?", "mm²"),
    "load_current_a": ("What current does the load draw?", "A"),
    "circuit_length_mm": ("How long is the circuit?", "mm"),
    "same_damage_days": ("How long ago was the same damage on this vehicle?", "days"),
    "same_place": ("Which place of another photograph is it, seen from the same side?", ""),
    "other_side": ("Which place of another photograph is it the other side of?", ""),
}
"""Every answer there is: its question, and the unit of a number."""
_TREATED = "By which rules is {label}, a label of the shop's own, treated?"
_THOSE_OF = "those of "
_NONE: Mapping[str, str] = MappingProxyType({})


class Answered(Finding):
    """One answer that was given. `name`: as in the answers file; `on`: the place it is about, None for all of it."""

    name: str
    on: str | None
    question: str
    answer: str

    def asked(self) -> str:
        """The question with its place."""
        return self.question if self.on is None else f"{self.on}: {self.question[:1].lower()}{self.question[1:]}"


def own_labels(photos: Sequence[PhotoFindings]) -> dict[str, str]:
    """The labels that a shop added, by the names of the places that carry them."""
    own = [(photo.photo, region) for photo in photos for region in photo.regions if is_own(region)]
    names = [(f"{photo.name}:{r.id}", f"{photo.sha256[:8]}:{r.id}", r.id) for photo, r in own]
    return {name: str(r.label) for (_, r), every in zip(own, names, strict=True) for name in every}


def answers_given(answers: Answers, own: Mapping[str, str] = _NONE) -> tuple[Answered, ...]:
    """What was answered, in the order of the questions; what was not is left out.

    own : labels that the shop added, by place; there the answer is how the rules treat it, and no other name for it
    """
    found: list[Answered] = []
    for name, (question, unit) in QUESTIONS.items():
        value = getattr(answers, name)
        if value is None:
            continue
        by_place = value if isinstance(value, dict) else {None: value}
        found += [
            _treated(on, own[on], one)
            if name == "labels" and on is not None and on in own
            else Answered(name=name, on=on, question=question, answer=_said(name, one, unit))
            for on, one in by_place.items()
        ]
    return tuple(found)


def _treated(on: str, label: str, like: str) -> Answered:
    """How a place with a label of the shop's own is treated."""
    question = _TREATED.format(label=say_label(label))
    return Answered(name="labels", on=on, question=question, answer=_THOSE_OF + say_label(like))


def label_answered(answer: str) -> str | None:
    """The label that an answer about a place gives it, or by whose rules the place is treated; None: no label."""
    said = answer.removeprefix(_THOSE_OF)
    return next((label for label, words in LABEL_WORDS.items() if words == said), None)


def _said(name: str, value: object, unit: str) -> str:
    """The answer in print; names that people gave (ends of an overload) keep their writing."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:.10g} {unit}".rstrip()
    if name == "labels":
        return say_label(str(value))
    return str(value) if name in ("overload_ends", *SAME) else str(value).replace("_", " ")
