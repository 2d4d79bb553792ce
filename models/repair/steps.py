"""The order of the work in sentences, and the tests that follow it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from models.circuit.circuit_list import Circuit
from models.circuit.drop import Contact, Segment, drop, resistance, segment_of
from models.circuit.wire_table import UnknownSizeError, WireSize, wire_size
from models.repair.limits import DropBudget, Rules
from models.repair.pins import PinMap
from models.repair.plan import UNSEEN_END, NewPiece, Plan, WirePlan
from vision.findings import Decision, Question

_PLAIN_METER_OHM = 1.0
_FUSE_RULE = "fuse-coordination"
_JOB_WORDS = {
    "retake": "Photograph {on} again.",
    "refer": "Stop.",
    "check_fuse": "Fuse first ({on}): read its rating and look for a bridge.",
    "correct_fuse": "Fit the right fuse.",
    "remanufacture": "Send the assembly to be rebuilt.",
    "inspect_conductor": "Look at the copper at {on}.",
    "part_neighbours": "Part the wires at {on} by hand.",
    "inspect_ends": "Look into both housings that the burnt wire at {on} ends in, and into their mates.",
    "redo_earlier_repair": "Do the earlier repair {on} again: cut it out with its joint.",
    "move_splice": "Move the joint {on}.",
    "sleeve": "Make the insulation good at {on}.",
    "inspect_terminals": "Look at every terminal of {on}.",
    "find_cause": "Find the cause before the vehicle leaves.",
}


def steps_of_work(decision: Decision, plan: Plan | None, pins: Sequence[PinMap]) -> tuple[str, ...]:
    """Every step as one sentence or two, in the order it is done."""
    if decision.route == "return_to_service" and decision.open_questions:
        return ("Nothing is returned before the open questions are answered and this order is written anew.",)
    if decision.route == "return_to_service":
        return ("Nothing to repair. Put coverings and clips back as they were and return it.",)
    found = ["Battery off; wait as long as the maker says. Restraint parts: only by the maker's procedure."]
    found += _jobs(decision, ("refer", "retake", "check_fuse", "remanufacture", "inspect_conductor"))
    if decision.route in ("refer", "remanufacture"):
        return tuple([*found, *_jobs(decision, ("correct_fuse", "find_cause"))])
    if decision.route == "undecided" and plan is None and not pins:
        return (*found, "Answer the open questions, assess again, and write the order anew.")
    if plan is not None and plan.status == "open":
        found.append("Nothing is cut before the open questions are answered and this order is written anew.")
        if not plan.wires and not pins:
            return tuple(found)
    found.append("Photograph the place as found. Tag both ends of every wire before it is cut, by housing and cavity.")
    if any(step.action == "open_covering" for step in decision.actions):
        found.append("Open the covering to 100 mm past the damage on either side, by hand, blade away from the wires.")
        found.append(
            "Look at what lay beneath: where the damage runs on, stop, photograph it on the mat and assess it again; "
            "this order is then written anew."
        )
    found += _jobs(decision, ("part_neighbours", "inspect_ends"))
    if pins and plan is not None and plan.terminals:
        found.append(
            f"{_housings(pins)} replaced below: a new terminal that belongs there stays out of the old housing and "
            "goes straight into the new one."
        )
    for wire in plan.wires if plan else ():
        found.append(wire_step(wire))
    if plan is None or plan.status != "planned":
        found += _jobs(decision, ("redo_earlier_repair", "move_splice"))
    for one in pins:
        found.append(
            f"Housing {one.connector or one.housing}: one wire at a time into the same cavity of the new housing. "
            "Hear or feel the latch, pull to check, tick. Plugs and seals go over. Close the secondary lock last."
        )
    found += _jobs(decision, ("inspect_terminals", "sleeve"))
    found.append("Close the coverings as they were; clips, shields and grommets back in their places.")
    found += _jobs(decision, ("correct_fuse", "find_cause"))
    return tuple([*found, "Photograph the finished repair on the mat, both faces: the order is closed with it."])


def _housings(pins: Sequence[PinMap]) -> str:
    names = [one.connector or one.housing for one in pins]
    return f"Housing {names[0]} is" if len(names) == 1 else f"Housings {', '.join(names)} are"


def _jobs(decision: Decision, wanted: Sequence[str]) -> list[str]:
    steps = [step for code in wanted for step in decision.actions if step.action == code]
    jobs: dict[str, list[str]] = {}
    for step in steps:
        jobs.setdefault(_JOB_WORDS[step.action].format(on=step.on), []).append(sentence(step.why))
    return [" ".join([job, *dict.fromkeys(whys)]) for job, whys in jobs.items()]


def sentence(text: str) -> str:
    """The text as a sentence; a first word that is the name of a wire, file or housing keeps its writing."""
    first = text.split(" ", 1)[0]
    text = text[:1].upper() + text[1:] if first.isalpha() else text
    return text if text.endswith((".", "?")) else text + "."


def wire_step(wire: WirePlan) -> str:
    """What is done on one wire, in a sentence."""
    places = " and ".join(f"{joint.at_mm:g} mm" for joint in wire.joints)
    old = wire.old_joints_removed
    gone = f" With the old piece goes out: {', '.join(old)}." if old else ""
    if wire.method == "replace_circuit":
        cuts = ", ".join(f"{piece.cut_mm:g} mm" for piece in wire.pieces)
        done = f"take it out end to end, draw in a new wire of {cuts}, new terminals at both ends"
    else:
        done = f"cut at {places} from {wire.start}, {'; '.join(map(_joined, wire.pieces))}{_stays(wire)}"
    seal = " Seal every joint, pull to check." if wire.joints else " Pull to check."
    colour = f" ({wire.colour})" if wire.colour else ""
    return f"Wire {wire.wire}{colour}: {done}.{seal}{gone}"


def _joined(piece: NewPiece) -> str:
    """A lead runs to one of the wire's ends: which, or the wrong side is taken out."""
    if piece.kind == "lead":
        return f"join on a new lead of {piece.cut_mm:g} mm to {piece.terminals[0]} with a new terminal"
    return f"join in a new piece of {piece.cut_mm:g} mm"


def _stays(wire: WirePlan) -> str:
    """Which end stays where one lead is new."""
    new = {name for piece in wire.pieces for name in piece.terminals}
    kept = [name for name in (wire.start, wire.end) if name not in new]
    return f"; what runs to {kept[0]} stays" if len(kept) == 1 and kept[0] != UNSEEN_END else ""


def tests_afterwards(
    decision: Decision, plan: Plan | None, circuits: Mapping[str, Circuit], rules: Rules, pins: Sequence[PinMap] = ()
) -> tuple[str, ...]:
    """What is measured before the vehicle is handed back; resistances where the circuit list gives size and length."""
    if decision.route in ("refer", "remanufacture", "return_to_service"):
        return ()
    if decision.route == "undecided" and plan is None:
        return ()
    found = []
    for wire in plan.wires if plan else ():
        found.append(
            f"Continuity {wire.wire}, end to end: {_expected(wire, circuits.get(wire.wire), rules.drop_budget)}"
        )
    found += [
        f"Continuity of every wire moved at housing {one.connector or one.housing}: from its cavity in the new housing "
        "to its far end, and to no neighbour."
        for one in pins
    ]
    found.append(
        "Insulation: each repaired or moved wire against its neighbours and ground, everything unplugged, at the "
        "voltage the maker allows; no reading that moves when the repair is bent by hand."
    )
    found.append(
        f"Drop under load: at most {rules.drop_budget.max_v:g} V over the repaired circuit, load on; like loads "
        "side by side give like readings."
    )
    return tuple([*found, _fuse_test(circuits, rules)])


def _fuse_test(circuits: Mapping[str, Circuit], rules: Rules) -> str:
    """Which fuses go in; a rating of the list that is too large for its wire is never named as the one to fit."""
    wrong = overfused(circuits, rules)
    right = {c.circuit: c.fuse_a for c in circuits.values() if c.fuse_a is not None and c not in wrong}
    named = ", ".join(f"{name}: {rating:g} A" for name, rating in sorted(right.items()))
    fuse = f"Fuse: fitted as the circuit calls for ({named})" if named else "Fuse: fitted as the circuit calls for"
    *first, last = [c.circuit for c in wrong] or [""]
    names = f"{', '.join(first)} or {last}" if first else last
    held = f" NO FUSE INTO {names} before the question about it is answered." if wrong else ""
    return fuse + "; watch the first minutes under load, feel the joints: none gets warm." + held


def overfused(circuits: Mapping[str, Circuit], rules: Rules) -> list[Circuit]:
    """Circuits whose fuse in the list is larger than the rules allow for the wire's size, each once, by name."""
    limits = rules.fuse_coordination
    if not limits.applies:
        return []
    once = {circuit.circuit: circuit for circuit in circuits.values()}
    found = [circuit for _, circuit in sorted(once.items()) if circuit.fuse_a is not None]
    return [c for c in found if (most := limits.largest_for(c.size.mm2)) is not None and (c.fuse_a or 0.0) > most]


def _too_large(circuits: Sequence[Circuit], rules: Rules) -> str:
    """What list and shop's table say of these circuits' fuses, those of one fuse and size together."""
    alike: dict[tuple[float, str, float], list[str]] = {}
    for one in circuits:
        key = one.fuse_a or 0.0, one.size.says(), rules.fuse_coordination.largest_for(one.size.mm2) or 0.0
        alike.setdefault(key, []).append(one.circuit)
    said = [
        f"{'circuit' if len(names) == 1 else 'circuits'} {', '.join(names)}: {listed:g} A in the circuit list, at most "
        f"{most:g} A by the shop's table for {size}"
        for (listed, size, most), names in alike.items()
    ]
    return sentence("; ".join(said))


def too_large(circuits: Sequence[Circuit], rules: Rules, asked: Sequence[Question]) -> list[Question]:
    """What is asked where the list's fuses are too large for their wires, once for all of them.

    asked : by the decision; where it asks for fuse and wire anyway, the list's are said as a reason of that question
    """
    if not circuits:
        return []
    changes = f"{_FUSE_RULE}: which fuse goes in after the repair"
    same = next((question.ask for question in asked if question.changes.startswith(f"{_FUSE_RULE}:")), None)
    said = _too_large(circuits, rules)
    if same is not None:
        return [Question(ask=same, why=said, changes=changes)]
    ask = f"{said} Which fuse and which wire does the maker's diagram call for?"
    return [Question(ask=ask, why=rules.fuse_coordination.why, changes=changes)]


def _expected(wire: WirePlan, circuit: Circuit | None, budget: DropBudget) -> str:
    """Resistance at 20 °C with terminals and joints, and the drop at the fuse's rating before and after the repair."""
    size = circuit.size if circuit is not None else _known_size(wire.size_mm2)
    if size is None:
        return "a closed circuit, no change when it is bent (no expected value: the wire's size is not known)."
    length_mm = circuit.length_mm if circuit is not None else wire.length_mm
    after = _parts(size, length_mm, budget, len(wire.joints) + len(wire.old_joints_kept), 20.0)
    whole = resistance(after)
    most = whole.value + whole.u95
    # a plain meter's own leads and clips are as much as the whole wire: common practice, no published source
    meter = ", by a four-wire meter" if most < _PLAIN_METER_OHM else ""
    says = f"at most {most * 1000:.0f} mΩ at 20 °C{meter} ({size.says()}, {length_mm:g} mm)."
    if circuit is None or circuit.fuse_a is None:
        return says
    old = len(wire.old_joints_kept) + len(wire.old_joints_removed)
    before, now = (
        drop(_parts(size, length_mm, budget, joints, budget.conductor_c), circuit.fuse_a).value
        for joints in (old, len(wire.joints) + len(wire.old_joints_kept))
    )
    over = ""
    if now > budget.max_v:
        over = " Over the budget there: measure at the real load."
        over += " Take the next larger size." if before <= budget.max_v else ""
    return f"{says} Drop at {circuit.fuse_a:g} A, the fuse's rating: {before:.2f} V before, {now:.2f} V after.{over}"


def _known_size(mm2: float | None) -> WireSize | None:
    """The size of the tables; None where the wire's is not known or is a measure that fits none of them."""
    try:
        return wire_size(mm2) if mm2 is not None else None
    except UnknownSizeError:
        return None


def _parts(size: WireSize, length_mm: float, budget: DropBudget, joints: int, temp_c: float) -> list[Segment | Contact]:
    """The wire from terminal to terminal with its contacts."""
    return [
        segment_of(size, length_mm, temp_c),
        Contact("terminal", 2, budget.terminal_mohm, budget.terminal_u95_mohm),
        Contact("splice", joints, budget.splice_mohm, budget.splice_u95_mohm),
    ]
