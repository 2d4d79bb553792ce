"""What the circuit list says of the classes of the circuits under repair: referred, perhaps referred, or nothing."""

from __future__ import annotations

from models.circuit.circuit_list import Circuit
from models.repair.limits import Rules
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
