"""What the circuit list says of the circuits under repair: their classes, and lengths other than the ruler's."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from models.circuit.circuit_list import Circuit
from models.repair.limits import Rules
from models.repair.plan import Plan
from models.repair.plan_input import Known
from vision.findings import Decision, RuleResult

_WHO = "the maker's procedure and licensed people decide"


def referred_wires(known: Known, rules: Rules) -> tuple[str, ...]:
    """Each wire that the list says is a circuit of a referred class, in words; empty when the rule is off."""
    found = {
        f"{name} is circuit {_named(circuit)}: {_WHO}"
        for name, circuit in known.circuits.items()
        if _is_referred(circuit, rules)
    }
    return tuple(sorted(found))


def perhaps_referred(known: Known, rules: Rules) -> tuple[str, ...]:
    """Circuits of a referred class that a wire to be cut may be, where the list leaves open which it is."""
    return tuple(sorted({_named(circuit) for circuit in known.perhaps if _is_referred(circuit, rules)}))


def _is_referred(circuit: Circuit, rules: Rules) -> bool:
    return rules.circuit_class.applies and circuit.circuit_class in rules.circuit_class.refer


def _named(circuit: Circuit) -> str:
    return f"{circuit.circuit}, class {(circuit.circuit_class or '').replace('_', ' ')}"


def with_both_lengths(plan: Plan, circuits: Mapping[str, Circuit], measured: Collection[str]) -> Plan:
    """The plan, whose wires say where ruler and circuit list differ: which length is cut, and which one is tested by.

    measured : the wires whose length the ruler gave, by name
    """
    wires = []
    for wire in plan.wires:
        circuit = circuits.get(wire.wire)
        if circuit is not None and wire.wire in measured and abs(circuit.length_mm - wire.length_mm) >= 1:
            both = f"{wire.length_mm:g} mm by the ruler, {circuit.length_mm:g} mm in the circuit list"
            wire = wire.model_copy(update={"why": f"{wire.why}; {both}: cut by the ruler, tested by the list"})
        wires.append(wire)
    return plan.model_copy(update={"wires": tuple(wires)})


def class_row(known: Known, decision: Decision, rules: Rules) -> RuleResult | None:
    """The rule `circuit-class` as the circuit list leaves it; None where the decision's own row stands."""
    row = next((rule for rule in decision.rules if rule.id == "circuit-class"), None)
    if row is None or row.verdict == "violated":
        return None
    intake = f"; at intake: {row.says}" if row.verdict == "met" else ""
    certain, perhaps = referred_wires(known, rules), perhaps_referred(known, rules)
    if certain:
        says = f"by the circuit list {'; '.join(certain)}{intake}"
        return row.model_copy(update={"verdict": "violated", "says": says})
    if perhaps and row.verdict == "met":
        says = f"by the circuit list a wire to be cut may be {' or '.join(perhaps)}{intake}"
        return row.model_copy(update={"verdict": "cannot_tell", "says": says})
    return None
