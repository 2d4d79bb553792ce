"""Likely causes per damage label, and the cautions that go with the work."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from vision.findings import Cause

CAUSES: dict[str, tuple[Cause, ...]] = {
    "external_heat": (
        Cause(
            cause="The assembly lay too near something hot, or a fire or leak of hot gas reached it.",
            look_for="Exhaust parts, turbocharger, heater hoses; missing shields, clips or standoffs; soot and "
            "discoloured neighbours. The colour of insulation does not tell a temperature.",
            prevent="Restore route and shields, keep the distance the maker gives, use wire and covering rated for "
            "the place.",
        ),
    ),
    "electrical_overload": (
        Cause(
            cause="A circuit carried more current than its wire bears for long enough to heat it.",
            look_for="The fuse's history: a rating larger than called for, a bridge, blown fuses lying about; a "
            "chafed wire to ground, a seized motor, added loads, a loose or corroded terminal at the end of the "
            "discolouration.",
            prevent="Fit the fuse that belongs to the wire, mend the short or the load first, give added loads their "
            "own fused feed.",
        ),
    ),
    "rodent": (
        Cause(
            cause="A rodent gnawed the assembly.",
            look_for="Nest material, droppings, tooth marks on hoses and insulation nearby; where the vehicle stands.",
            prevent="Clear food and nests, close the way in where the maker allows, park elsewhere. Bitter tape "
            "over exposed runs and repellents help for a while only; look again after some weeks.",
        ),
    ),
    "connector": (
        Cause(
            cause="A housing was forced, struck, pulled by its wires, or grew brittle.",
            look_for="Locks pried instead of pressed, a run too short or loose, missing clips, signs of impact, "
            "fluids, other brittle plastic nearby.",
            prevent="Release locks by hand as designed, leave slack at the connector, restore clips, replace "
            "brittle mates.",
        ),
    ),
    "abrasion": (
        Cause(
            cause="The assembly rubbed against an edge or a moving part.",
            look_for="Polished metal, missing grommets, clips or ties, a run drawn tight, parts that move past it.",
            prevent="Restore clips and grommets, cover the edge, keep clear of moving parts, add abrasion sleeve.",
        ),
    ),
    "earlier_repair": (
        Cause(
            cause="The assembly was repaired before; what made that needful may still be there.",
            look_for="Repair papers, sleeves elsewhere on the same circuit, an old cause beside the joint.",
            prevent="Keep the rules for joints, write down where they are, remove the first cause.",
        ),
    ),
}

_ALWAYS = (
    "The vehicle maker's procedure and local rules and codes stand above everything said here.",
    "Disconnect the battery and wait the time the maker gives before touching the wiring.",
    "Wear eye protection: cut strands and bits of plastic fly.",
    "Restraint and high-voltage wiring beside the work stays untouched: licensed people only, to the maker's "
    "procedure.",
)
_CLASS_UNKNOWN = (
    "Until the circuit class is known, treat every wire as restraint or high-voltage: no probing, no cutting. "
    "Such circuits are for licensed people following the maker's procedure."
)
_CLASSES: dict[str, str] = {
    "restraint": "Restraint circuits can fire: no meter, no probe, no repair except by licensed people to the maker's "
    "procedure.",
    "high_voltage": "High voltage kills: shut down, lock out and prove dead only by licensed people to the "
    "maker's procedure.",
    "brake_by_wire": "Braking depends on this circuit: only licensed people, to the maker's procedure.",
    "steering_by_wire": "Steering depends on this circuit: only licensed people, to the maker's procedure.",
    "shielded": "A shield cut and joined no longer shields: follow the maker's procedure.",
    "data_pair": "Pitch and length of the twist belong to a data pair: follow the maker's procedure.",
}
_LABELS: dict[str, str] = {
    "rodent": "Rodent remains carry disease. Air the space for at least 30 minutes and stay away meanwhile; rubber or "
    "nitrile gloves and a mask; soak nest and droppings with disinfectant (fresh household bleach, 1 part to 9 of "
    "water) for 5 minutes, then wipe up; never sweep or vacuum dry; wash the gloved hands. A heavy infestation calls "
    "for a fitted respirator. (After the clean-up advice of the CDC; local health rules stand above it.)",
    "external_heat": "Burnt insulation leaves corrosive residue and fine dust: gloves, eye protection, wet wiping, "
    "a mask; no bare skin, no blowing clean.",
    "electrical_overload": "Never fit a larger fuse. A bridged or hot fuse and its holder burn: let them cool, and "
    "find the fault before power returns.",
    "connector": "Broken housings have sharp edges; do not pull on wires to part them.",
}


def causes_of(labels: Collection[str]) -> list[Cause]:
    """Likely causes of the labels, in the order of the labels."""
    return [cause for label, causes in CAUSES.items() if label in labels for cause in causes]


def cautions_for(labels: Collection[str], circuit_class: str | None, handled: bool) -> list[str]:
    """What to mind before and during the work."""
    cautions = list(_ALWAYS) if handled or circuit_class != "none" else [_ALWAYS[0]]
    if circuit_class is None:
        cautions.append(_CLASS_UNKNOWN)
    elif circuit_class in _CLASSES:
        cautions.append(_CLASSES[circuit_class])
    return cautions + [text for label, text in _LABELS.items() if label in labels]


def cautions_of_work(said: Sequence[str], classes: Collection[str], at_work: bool) -> tuple[str, ...]:
    """The decision's cautions with those that the work adds: wires are handled, and the list names their classes."""
    found = [*_ALWAYS, *(text for text in said if text not in _ALWAYS)] if at_work else list(said)
    return tuple(dict.fromkeys([*found, *(text for name, text in _CLASSES.items() if name in classes)]))
