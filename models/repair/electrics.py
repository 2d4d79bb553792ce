"""Rules on the circuit's electrical side: the fuse over its wire, and the voltage drop after the repair."""

from __future__ import annotations

from dataclasses import replace

from models.circuit.drop import Contact, Segment, drop, segment_of
from models.circuit.errors import CircuitError
from models.circuit.fuse_coordination import Coordination, Zone, coordinate
from models.circuit.fuse_table import fuse
from models.circuit.heat import heated_wire
from models.circuit.insulation_table import insulation_class
from models.circuit.wire_table import WireSize, wire_size
from models.repair.case import Case
from models.repair.limits import DropBudget, FuseCoordination
from models.repair.verdicts import REPAIR, Hit, at_most
from models.repair.words import volts
from vision.findings import Action, Measure


def fuse_coordination(case: Case) -> Hit:
    """The fuse found against the circuit's rating, the shop's table for the wire's size, and the wire's own heat.

    Larger than the circuit calls for, or too large for the wire's heat, breaks the rule; so does too large for the
    table where nobody said what the circuit calls for. Where circuit and table differ, the maker's word is not
    overruled by the shop's table: the size and the diagram are looked at again. The calculation alone never proves the
    rule kept: it knows neither the load that the rating was chosen for nor the place where the wire lies.
    """
    answers, limits = case.answers, case.rules.fuse_coordination
    found, rated, size = answers.fuse_found_a, answers.fuse_rated_a, answers.wire_size_mm2
    largest = limits.largest_for(size) if size is not None else None
    limit = rated if rated is not None else largest
    measured = Measure(value=found, u95=0.0) if found is not None else None
    hit = Hit("fuse-coordination", "cannot_tell", "", "fuse", measured, limit, "A", worst=REPAIR)
    heats, heat_says = _over_wire(found, size, limits)
    if found is not None and ((limit is not None and found > limit) or heats == "no"):
        belongs = _belongs(rated, largest) if limit is not None and found > limit else ""
        says = f"fuse of {found:g} A found{belongs}: not returned to service until corrected{heat_says}"
        action = Action(action="correct_fuse", on="fuse", why=says)
        return replace(hit, verdict="violated", says=says, floor=REPAIR, actions=(action,))
    if found is not None and rated is not None and largest is not None and rated <= largest:
        says = f"fuse of {found:g} A found, {rated:g} A called for, at most {largest:g} A for {size:g} mm²{heat_says}"
        return replace(hit, verdict="met", says=says, worst=0)
    asked = case.question("fuse-coordination", "fuse", "too large a fuse is corrected before return to service")
    says = f"cannot tell whether the fuse protects its wire{heat_says}"
    if rated is not None and largest is not None and rated > largest:
        differ = f"the circuit calls for {rated:g} A and the shop's table allows at most {largest:g} A for {size:g} mm²"
        says = f"{differ}; {says}"
        asked = asked.model_copy(update={"ask": f"Measure the wire and read the diagram: {differ}. Which is right?"})
    return replace(hit, says=says, questions=(asked,))


def _belongs(rated: float | None, largest: float | None) -> str:
    if rated is None:
        return f" where the shop's table allows at most {largest:g} A"
    table = f", and the shop's table at most {largest:g} A" if largest is not None and largest < rated else ""
    return f" where the circuit calls for {rated:g} A{table}"


def _over_wire(found_a: float | None, size_mm2: float | None, limits: FuseCoordination) -> tuple[str, str]:
    """What the calculation says of the fuse over its wire (yes, no, cannot_tell), and the same in words."""
    if found_a is None or size_mm2 is None:
        return "cannot_tell", ""
    insulation = insulation_class(limits.insulation_class)
    try:
        wire = heated_wire(wire_size(size_mm2), insulation, ambient_c=limits.ambient_c)
        found = coordinate(found_a, wire, insulation)
    except CircuitError as error:  # a size or a rating of no table, which a bench answer may well be
        return "cannot_tell", f"; not calculated: {error}"
    place = f"calculated for a single wire of class {insulation.name} in {limits.ambient_c:g} °C still air"
    return found.protects, f"; {in_words(found)} ({place})"


def in_words(found: Coordination) -> str:
    """Where the fuse protects its wire and where not, by load current."""
    if found.protects == "yes":
        body = "standard-body " if fuse(found.rating_a).made_large_too else ""
        slower = "; a large-body one is slower, by how much is not known" if body else ""
        return (
            f"a {found.rating_a:g} A {body}fuse opens before this wire's insulation is damaged at every load current "
            f"up to {found.currents_a[-1]:.4g} A, beyond which the fuse standard gives no times{slower}"
        )
    if found.steady_latest_a == 0:
        return "the place alone is too hot for this insulation, whatever the fuse"
    doubtful = _spans(found.doubtful)
    if found.protects == "no":
        says = f"{_spans(found.unprotected)} a {found.rating_a:g} A fuse lets the wire's insulation be damaged first"
        return says + (f" (in doubt {doubtful})" if doubtful else "")
    return f"{doubtful} it cannot be told whether a {found.rating_a:g} A fuse opens before the insulation is damaged"


def _spans(zones: tuple[Zone, ...]) -> str:
    return " and ".join(f"from {zone.from_a:.1f} to {zone.to_a:.1f} A" for zone in zones)


def drop_budget(case: Case, joined: bool) -> Hit | None:
    """Voltage drop after repair, where current, size and length are known; otherwise a note with the plan.

    How many joints the plan will make is not known here: kept with as many as the rules allow is kept, broken with a
    single one is broken.
    """
    if not joined:
        return None
    limits, answers = case.rules.drop_budget, case.answers
    known = answers.load_current_a, answers.wire_size_mm2, answers.circuit_length_mm
    limit = limits.max_v
    note = f"after repair, measure the drop under load: at most {limit:g} V, and equal loads stay equal"
    hit = Hit("drop-budget", "cannot_tell", note, "assembly", None, limit, "V")
    if any(value is None for value in known):
        return hit
    current, mm2, length_mm = (float(value) for value in known if value is not None)
    try:
        size = wire_size(mm2)
    except CircuitError as error:
        return replace(hit, says=f"{note}; not calculated: {error}")
    most = max(case.rules.splices_per_wire.max_splices, answers.splices_on_one_wire or 0, 1)
    before, least, worst = (drop(feed(size, length_mm, n, limits), current) for n in (0, 1, most))
    verdict = "violated" if at_most(least, limit) == "violated" else at_most(worst, limit)
    joints = "1 joint" if most == 1 else f"{most} joints"
    says = (
        f"{current:g} A over {length_mm:g} mm of {size.says()}: {volts(before)} before the repair, "
        f"{volts(worst)} with {joints}, budget {limit:g} V; equal loads stay equal"
    )
    hit = replace(hit, verdict=verdict, says=says, measured=worst)
    if verdict != "violated":
        return hit
    action = Action(action="change_plan", on="assembly", why=f"{says}: fewer joints or the next larger wire")
    return replace(hit, actions=(action,))


def feed(
    size: WireSize, length_mm: float, splices: int, limits: DropBudget, terminals: int = 2
) -> list[Segment | Contact]:
    """A circuit of one wire with a terminal at either end and so many splices, by the shop's contact resistances."""
    return [
        segment_of(size, length_mm, limits.conductor_c),
        Contact("terminal", terminals, limits.terminal_mohm, limits.terminal_u95_mohm),
        Contact("splice", splices, limits.splice_mohm, limits.splice_u95_mohm),
    ]
