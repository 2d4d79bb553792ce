"""The answers an order was decided with, as questions and answers in plain words."""

from __future__ import annotations

from models.repair import Answers
from vision.findings import Finding

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
    "housing_state": ("Is the housing sound or damaged?", ""),
    "looked_over": ("Looked over what the photographs do not show: is anything more damaged?", ""),
    "wire_count": ("How many different wires need repair, earlier repairs counted?", ""),
    "fuse_found_a": ("Which fuse was found?", "A"),
    "fuse_rated_a": ("Which fuse does the circuit call for?", "A"),
    "wire_size_mm2": ("What size is the wire?", "mm²"),
    "load_current_a": ("What current does the load draw?", "A"),
    "circuit_length_mm": ("How long is the circuit?", "mm"),
    "same_damage_days": ("How long ago was the same damage on this vehicle?", "days"),
}
"""Every answer there is: its question, and the unit of a number."""


class Answered(Finding):
    """One answer that was given. `name`: as in the answers file; `on`: the place it is about, None for all of it."""

    name: str
    on: str | None
    question: str
    answer: str

    def asked(self) -> str:
        """The question with its place."""
        return self.question if self.on is None else f"{self.on}: {self.question[:1].lower()}{self.question[1:]}"


def answers_given(answers: Answers) -> tuple[Answered, ...]:
    """What was answered, in the order of the questions; what was not is left out."""
    found: list[Answered] = []
    for name, (question, unit) in QUESTIONS.items():
        value = getattr(answers, name)
        if value is None:
            continue
        by_place = value if isinstance(value, dict) else {None: value}
        found += [
            Answered(name=name, on=on, question=question, answer=_said(name, one, unit)) for on, one in by_place.items()
        ]
    return tuple(found)


def _said(name: str, value: object, unit: str) -> str:
    """The answer in print; names that people gave (ends of an overload) keep their writing."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:.10g} {unit}".rstrip()
    return str(value) if name == "overload_ends" else str(value).replace("_", " ")
