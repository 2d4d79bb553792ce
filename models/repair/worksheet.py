"""The work on one assembly, ready for the bench: plan, cut list, parts, order of work, pin maps, tests and offers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from models.circuit.circuit_list import Circuit
from models.repair.actions import in_working_order
from models.repair.answers import Answers
from models.repair.bench import BenchNotes, BenchWire
from models.repair.branch import plan_limits
from models.repair.case import Case, open_case
from models.repair.conductor import joint_undecided
from models.repair.left_alone import left_alone
from models.repair.limits import Rules
from models.repair.listed import class_row, perhaps_referred, referred_wires, with_both_lengths
from models.repair.no_housing import NOT_A_HOUSING
from models.repair.offers import Amounts, Offer, offers
from models.repair.old_joints import old_joints_asked
from models.repair.pins import PinMap, pin_map
from models.repair.plan import Plan, WirePlan, merged, plan_branch
from models.repair.plan_input import CUTTING_STEPS, Known, known_wires
from models.repair.prices import Prices
from models.repair.spots import Spot
from models.repair.steps import overfused, steps_of_work, tests_afterwards, too_large
from models.repair.texts import cautions_of_work
from models.repair.verdicts import REFER, REMANUFACTURE, route_rank
from models.repair.words import several, wires
from vision.findings import Action, Decision, Finding, Housing, PhotoFindings, Question, Route, RuleResult


class CutLine(Finding):
    """One piece of new wire to cut."""

    wire: str
    circuit: str | None
    colour: str
    size: str
    kind: str
    length_mm: float
    note: str


class PartLine(Finding):
    """One kind of part and how many; None where the number must be counted at the bench."""

    part: str
    count: int | None
    note: str = ""


class Worksheet(Finding):
    """All of it. `plan` is None where the route leaves none to be made; `says` tells why.

    `route` is the decision's, or graver where no lawful plan exists; `route_why` says so then. `circuit_class` is the
    row of that rule where the circuit list knows more than the decision did. `route_worst_unreferred`: the worst but
    for a circuit class that nobody answered or that the list leaves open, None where that refers nothing.
    `measured`: the wires noted at the bench, as they were noted.
    """

    route: Route
    route_worst: Route
    route_why: str | None
    plan: Plan | None
    says: str
    questions: tuple[Question, ...]
    cut: tuple[CutLine, ...]
    parts: tuple[PartLine, ...]
    steps: tuple[str, ...]
    pins: tuple[PinMap, ...]
    tests: tuple[str, ...]
    cautions: tuple[str, ...]
    offers: tuple[Offer, ...]
    currency: str
    invented_prices: bool
    circuit_class: RuleResult | None = None
    route_worst_unreferred: Route | None = None
    measured: tuple[BenchWire, ...] = ()


def worksheet(
    photos: Sequence[PhotoFindings],
    decision: Decision,
    rules: Rules,
    prices: Prices,
    circuits: Sequence[Circuit] = (),
    notes: BenchNotes | None = None,
    answers: Answers | None = None,
) -> Worksheet:
    """Plan and paper for one decided assembly. Pure: the same input gives the same worksheet.

    photos : as `seen_as_answered`; answers : those that the decision was taken with
    """
    notes = notes or BenchNotes()
    case = open_case(photos, _about_what_is_seen(answers or Answers()), rules)
    known, plan, says = _planned(photos, decision, rules, prices, circuits, notes, answers or Answers())
    if plan is not None:
        asked = [*decision.open_questions, *known.questions, *plan.questions]
        plan = plan.model_copy(update={"left_alone": left_alone(case, decision, plan, asked, notes)})
        plan = with_both_lengths(plan, known.circuits, {wire.id for wire in notes.wire})
    why, row = None, class_row(known, decision, rules)
    worst = _graver(decision.route_worst, plan.route if plan is not None else None)
    unreferred = _graver(decision.route_worst_unreferred or decision.route_worst, plan.route if plan else None)
    if perhaps_referred(known, rules):
        worst = _graver(worst, "refer")
    if plan is not None and plan.route is not None and _certain(plan, decision, notes):
        why = f"was {decision.route.replace('_', ' ')}; {plan.says}"
        decision = decision.model_copy(update={"route": plan.route, "actions": _rebuilt(decision, plan)})
    elif decision.route == "return_to_service" and notes.wire:
        why = f"was return to service; {several(len(notes.wire), 'wire')} noted at the bench to be repaired"
        decision = decision.model_copy(update={"route": "repair_in_vehicle"})
        worst = _graver(worst, decision.route)
        unreferred = _graver(unreferred, decision.route)
    pins, asked = _pin_maps(photos, decision, circuits, notes)
    open_ones = [] if decision.route == "refer" else decision.open_questions
    asked += too_large(overfused(known.circuits, rules), rules, open_ones)
    asked += _ends_not_there(case, notes) if plan is not None else []
    questions = [*known.questions, *(plan.questions if plan else ()), *asked]
    amounts = _amounts(case, decision, pins)
    nothing = decision.route == "return_to_service"
    return Worksheet(
        route=decision.route,
        route_worst=worst,
        route_why=why,
        plan=plan,
        says=says,
        questions=tuple({q.ask: q for q in questions}.values()),
        cut=_cut_list(plan, known, notes),
        parts=_parts(plan, decision, pins, amounts),
        steps=steps_of_work(decision, plan, pins),
        pins=pins,
        tests=tests_afterwards(decision, plan, known.circuits, rules, pins),
        cautions=cautions_of_work(decision.cautions, _classes(known), not nothing),
        offers=() if nothing else offers(plan, says, amounts, prices),
        currency=prices.currency,
        invented_prices=prices.invented,
        circuit_class=row,
        route_worst_unreferred=unreferred if unreferred != worst else None,
        measured=notes.wire,
    )


def _classes(known: Known) -> set[str]:
    return {circuit.circuit_class for circuit in known.circuits.values() if circuit.circuit_class is not None}


def _certain(plan: Plan, decision: Decision, notes: BenchNotes) -> bool:
    """Whether the plan's route holds: not while it is open whether its wires need repair at all."""
    return plan.route == "refer" or bool(notes.wire) or decision.route != "undecided"


def _graver(one: Route, other: Route | None) -> Route:
    return one if other is None else max(one, other, key=route_rank)


def _rebuilt(decision: Decision, plan: Plan) -> list[Action]:
    """The steps once the plan proved impossible."""
    code = "refer" if plan.route == "refer" else "remanufacture"
    instead = Action(action=code, on="assembly", why=plan.says)
    return in_working_order([*decision.actions, instead], REFER if plan.route == "refer" else REMANUFACTURE)


_WAITS = "open: whether wires are cut waits for an answer about their copper, or about what the damage is"


_WAITS_FOR_JOINTS = "open: where further joints lie, and how many, waits for an answer or for joints_mm in the notes"


def _waits(decision: Decision, rules: Rules, notes: BenchNotes) -> str:
    """What a plan waits for though its wires were measured, or before they are; empty where it waits for nothing."""
    if not notes.wire and any(joint_undecided(question) for question in decision.open_questions):
        return _WAITS
    # somebody said that there are further sleeves, or two seen lie at an unknown spacing: new joints find no place yet
    places = ("splice-spacing:", "splices-per-wire:")
    unasked = rules.splice_spacing.ask_further
    asked = any(q.changes.startswith(places) and q.ask != unasked for q in decision.open_questions)
    return _WAITS_FOR_JOINTS if asked and not any(wire.joints_mm for wire in notes.wire) else ""


def _unnoted(decision: Decision, notes: BenchNotes) -> list[Question]:
    """Asked where more wires are noted at the bench than the decision counts, or fewer than the photographs show and
    nobody counted them."""
    count, noted = decision.wires_to_repair, len(notes.wire)
    if count is not None and 0 < count.high < noted:
        return [
            Question(
                ask=f"{several(noted, 'wire')} are noted at the bench, the decision counts {wires(count)} to repair: "
                "how many are there?",
                why="Limits go by the count, the plan by the notes. A count in all (`wire_count`) or at the places "
                "puts it right.",
                changes="wire-count: whether so many wires are repaired",
            )
        ]
    if count is None or not noted or count.low == count.high or noted >= count.value:
        return []
    are = "is" if noted == 1 else "are"
    return [
        Question(
            ask=f"{several(noted, 'wire')} {are} noted at the bench, the photographs show {wires(count)} to "
            "repair, earlier repairs counted: how many are there?",
            why="A wire that nobody noted gets no new piece.",
            changes="wire-count: a wire that is not noted is not in the plan",
        )
    ]


def _planned(
    photos: Sequence[PhotoFindings], decision: Decision, rules: Rules, prices: Prices,
    circuits: Sequence[Circuit], notes: BenchNotes, answers: Answers,
) -> tuple[Known, Plan | None, str]:  # fmt: skip
    if decision.route in ("remanufacture", "refer"):
        words = {"remanufacture": "the assembly is remanufactured", "refer": "the maker's procedure decides"}
        return Known(), None, f"no repair in the vehicle: {words[decision.route]}"
    known = known_wires(photos, decision, rules, circuits, notes, answers)
    wanted = any(step.action in CUTTING_STEPS for step in decision.actions)
    waits = _waits(decision, rules, notes)
    known.questions += _unnoted(decision, notes)
    if not known.branches and not wanted:
        if decision.route == "undecided":
            return known, None, "open: the decision's questions come first"
        if waits:
            return known, Plan(status="open", says=waits), waits
        return known, Plan(status="planned", says="no wire needs a new piece"), "no wire needs a new piece"
    if not known.branches:
        says = "open: the wires are not measured well enough to place joints"
        return known, Plan(status="open", says=says, questions=tuple(known.questions)), says
    plan = _beyond_the_rules(known, rules, notes)
    if plan is None:
        limits, weights = plan_limits(rules), prices.weights()
        plan = merged([plan_branch(branch, limits, weights) for branch in known.branches], known.checks)
    known.questions += old_joints_asked(plan, known.branches, rules) if notes.wire else []
    if waits and plan.status == "planned":
        return (
            known,
            plan.model_copy(update={"status": "open", "says": f"{plan.says}; {waits}"}),
            f"{plan.says}; {waits}",
        )
    if known.questions and plan.status == "planned":
        says = f"{plan.says}; still open, see the questions"
        return known, plan.model_copy(update={"status": "open", "says": says}), says
    return known, plan, plan.says


def _beyond_the_rules(known: Known, rules: Rules, notes: BenchNotes) -> Plan | None:
    """What the circuit list and the bench notes add to the rules: a circuit that is referred, or too many wires."""
    words = referred_wires(known, rules)
    if words:
        return Plan(status="impossible", says="; ".join(words), conflicts=words, route="refer")
    count, limit = len(notes.wire), rules.wire_count  # wires of the photographs are counted by the decision
    if limit.applies and limit.scope != "location" and count > limit.max_wires:
        says = f"{count} wires to repair, limit {limit.max_wires}"
        return Plan(status="impossible", says=says, conflicts=(says,), route="remanufacture")
    return None


def _pin_maps(
    photos: Sequence[PhotoFindings], decision: Decision, circuits: Sequence[Circuit], notes: BenchNotes
) -> tuple[tuple[PinMap, ...], list[Question]]:
    if decision.route in ("remanufacture", "refer"):
        return (), []
    found, asked = [], []
    for step in decision.actions:
        if step.action == "replace_housing":
            one, question = pin_map(step.on, _housing(photos, step.on), circuits, notes.connectors)
            found.append(one)
            asked += [question] if question else []
    return tuple(found), asked


def _ends_not_there(case: Case, notes: BenchNotes) -> list[Question]:
    """Asked where the notes name an end that no photograph shows: that a connector is named there would be lost."""
    there: set[str] = set()
    for index, photo in enumerate(case.photos):
        ids = [*(end.id for end in photo.terminations), *(shell.id for shell in photo.housings)]
        there |= {case.name(index, end) for end in ids}
    several_photos = " Of several photographs it is noted with its photograph, as questions name it."
    return [
        Question(
            ask=f"{name} is noted as connector {connector}, but no photograph shows such an end: which is it?",
            why="The pin map and the wires' circuits follow it." + (several_photos if len(case.photos) > 1 else ""),
            changes="housing: which wire belongs in which cavity",
        )
        for name, connector in notes.connectors.items()
        if name not in there
    ]


def _housing(photos: Sequence[PhotoFindings], ref: str) -> Housing | None:
    name, _, bare = ref.rpartition(":")
    here = [p for p in photos if not name or name in (p.photo.name, p.photo.sha256[:8])]
    return next((h for p in here for h in p.housings if h.id == bare), None)


def _about_what_is_seen(answers: Answers) -> Answers:
    """Without those about what is no housing, which is left out of the photographs already."""
    states = {name: state for name, state in answers.housing_state.items() if state != NOT_A_HOUSING}
    return answers.model_copy(update={"housing_state": states})


def _amounts(case: Case, decision: Decision, pins: Sequence[PinMap]) -> Amounts:
    photos = case.photos
    sleeved = {step.on for step in decision.actions if step.action == "sleeve"}
    counts = [spot.region.wires_affected for spot in case.spots if spot.ref in sleeved]
    opened = any(step.action == "open_covering" for step in decision.actions)
    lengths = [c.length_mm.value for p in photos for c in p.coverings if c.length_mm is not None]
    return Amounts(
        sleeved_wires=sum(count.high if count else 1 for count in counts),
        moved_wires=sum(pin.circuit is not None for one in pins for pin in one.pins),
        housings=len(pins),
        plugs=sum(pin.plug is True for one in pins for pin in one.pins),
        covering_mm=sum(lengths) if opened else 0.0,
        rodent=any(_likeliest(spot) == "rodent" for spot in case.spots),
    )


def _likeliest(spot: Spot) -> str | None:
    """What a place is said to be: at the bench, else by the photograph, be it unsure."""
    return spot.labels[0] if len(spot.labels) == 1 else spot.region.label


def _size_words(one: WirePlan, known: Known) -> str:
    circuit = known.circuits.get(one.wire)
    if circuit is not None:
        return f"{circuit.size.says()} or larger"
    return f"{one.size_mm2:g} mm² or larger" if one.size_mm2 else "as the old wire or larger: measure it"


def _cut_list(plan: Plan | None, known: Known, notes: BenchNotes) -> tuple[CutLine, ...]:
    """Of a circuit that no list holds the name that was noted stands alone."""
    named = {wire.id: wire.circuit for wire in notes.wire}
    lines = []
    for one in plan.wires if plan else ():
        circuit = known.circuits.get(one.wire)
        colour = one.colour or "as the old wire"
        lines += [
            CutLine(
                wire=one.wire,
                circuit=circuit.circuit if circuit else named.get(one.wire),
                colour=colour,
                size=_size_words(one, known),
                kind={"section": "new piece", "lead": "new lead", "whole": "whole wire"}[piece.kind],
                length_mm=piece.cut_mm,
                note=f"same colour and stripe ({colour}), or tag both ends with it",
            )
            for piece in one.pieces
        ]
    return tuple(lines)


def _parts(plan: Plan | None, decision: Decision, pins: Sequence[PinMap], amounts: Amounts) -> tuple[PartLine, ...]:
    """Joints and terminals by wire size, then seals, sleeves, housings and plugs."""
    joints: Counter[str] = Counter()
    terminals: Counter[str] = Counter()
    ends: dict[str, list[str]] = {}
    for one in plan.wires if plan else ():
        size = f"{one.size_mm2:g} mm²" if one.size_mm2 else "size to be measured"
        joints[size] += len(one.joints)
        for piece in one.pieces:
            terminals[size] += len(piece.terminals)
            ends.setdefault(size, []).extend(piece.terminals)
    lines = [PartLine(part=f"splice with sealing sleeve, {size}", count=n) for size, n in sorted(joints.items()) if n]
    for size, number in sorted(terminals.items()):
        if number:
            where = "; ".join(dict.fromkeys(ends[size]))
            lines.append(PartLine(part=f"terminal, {size}", count=number, note=f"as the one taken out: {where}"))
    if sum(terminals.values()):
        lines.append(PartLine(part="wire seal", count=sum(terminals.values()), note="where the cavity has one"))
    if amounts.sleeved_wires:
        lines.append(
            PartLine(part="insulation sleeve", count=amounts.sleeved_wires, note="past the worn part both ways")
        )
    for shell in pins:
        name = shell.connector or shell.housing
        lines.append(PartLine(part=f"housing {name} with its secondary lock", count=1, note="same cavities and keying"))
        plugs = sum(pin.plug is True for pin in shell.pins)
        listed = shell.connector is not None and any(pin.plug for pin in shell.pins)
        lines.append(
            PartLine(part=f"cavity plugs for {name}", count=plugs if listed else None, note="carry over or renew")
        )
    here = decision.route not in ("remanufacture", "refer")
    if here and any(step.action == "open_covering" for step in decision.actions):
        lines.append(PartLine(part="tape or conduit as taken off", count=None, note="close what was opened"))
    return tuple(lines)
