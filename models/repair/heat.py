"""Rules for heat: insulation melted together, insulation aged by heat, and circuits that overheated themselves."""

from __future__ import annotations

from models.repair.answers import answer_for
from models.repair.case import Case
from models.repair.spots import Spot
from models.repair.verdicts import REMANUFACTURE, REPAIR, Hit, beyond, why_broken
from models.repair.words import IN_SCOPE, length, several
from vision.findings import Action, Measure, Verdict


def fused_insulation(spot: Spot, label: str, case: Case) -> Hit | None:
    """Neighbours melted together over any length; None where the region cannot be that.

    Of a circuit that overheated itself no photograph tells: what sticks to it is found when the wires are parted, which
    is done before anything is cut. Until then the repair goes on, and may end in remanufacture.
    """
    limits = case.rules.fused_insulation
    measured, verdict = _fusion(spot, case)
    if label not in ("external_heat", "electrical_overload"):
        return None
    affected = spot.region.wires_affected
    # one wire has no neighbour; but where the photograph shows a melted mass, a mass is what looks like one wire
    if _shown(spot, case)[1] != "violated" and verdict != "violated" and affected is not None and affected.high <= 1:
        return None
    says = f"{spot.ref}: neighbouring wires melted together over {length(measured)}"
    if verdict == "violated":
        says += why_broken(measured, limits.max_mm, "mm")
        if answer_for(case.answers.parts_by_hand, spot.ref) == "parts":
            says += (
                " (answered: they part by hand; what the photograph shows beyond doubt stands, name the place anew if "
            )
            says += "it is wrong)"
        actions = (Action(action="remanufacture", on=spot.ref, why=says + "; " + limits.why),)
        return _fused(spot, case, verdict, measured, says, floor=REMANUFACTURE, repairs="yes", actions=actions)
    if verdict == "met":
        return _fused(spot, case, verdict, measured, f"{spot.ref}: no neighbours melted together", repairs="no")
    asked = case.question("fused-insulation", spot.ref, "torn insulation means remanufacture")
    if label == "electrical_overload" and measured is None:
        says = f"{spot.ref}: whether neighbours stick to the wire that overheated shows when they are parted"
        return _fused(spot, case, verdict, measured, says, worst=REMANUFACTURE, questions=(asked,))
    says = f"{spot.ref}: cannot tell whether neighbours are melted together ({length(measured)})"
    return _fused(spot, case, verdict, measured, says, needs=REMANUFACTURE, repairs="maybe", questions=(asked,))


def _fused(spot: Spot, case: Case, verdict: Verdict, measured: Measure | None, says: str, **more: object) -> Hit:
    limit = case.rules.fused_insulation.max_mm
    return Hit("fused-insulation", verdict, says, spot.ref, measured, limit, "mm", **more)  # type: ignore[arg-type]


def _fusion(spot: Spot, case: Case) -> tuple[Measure | None, Verdict]:
    """The fused length and its verdict; a hand test settles what the photograph leaves open, tearing always counts."""
    measured, verdict = _shown(spot, case)
    by_hand = case.answers.parts_by_hand
    parting = answer_for(by_hand, spot.ref)
    if parting == "tears":
        return measured, "violated"
    doubtful = spot.region.unsure or spot.region.novel
    # against what a photograph shows only a test of that very place speaks, and only where the place was doubtful
    if parting == "parts" and (verdict == "cannot_tell" or (doubtful and isinstance(by_hand, dict))):
        return measured, "met"
    if verdict == "violated" and not spot.certain:
        # sound wires lying close look melted together too: as long as it is open what the place is, no assembly is
        # given up for it without a hand on the wires
        return measured, "cannot_tell"
    return measured, verdict


def _shown(spot: Spot, case: Case) -> tuple[Measure | None, Verdict]:
    """The fused length and what the photograph alone says of it."""
    limits = case.rules.fused_insulation
    measured = spot.evidence("fused_length", limits.unstated_u95_mm)
    return measured, beyond(measured, limits.max_mm, limits.zero_within_mm)


def heat_aged(spot: Spot, label: str, case: Case) -> Hit | None:
    """Browned, hardened or bubbled but not fused: it counts as lost until it passes the flex test."""
    if label != "external_heat" or (_fusion(spot, case)[1] == "violated" and case.rules.fused_insulation.applies):
        return None
    flex = answer_for(case.answers.flex_test, spot.ref)
    extent = spot.region.length_mm
    over = f"{spot.ref}: insulation aged by heat over {length(extent)}"
    if flex == "no_cracks":
        return Hit("heat-aged", "met", f"{over}; it bends without cracking", spot.ref, extent, None, "mm")
    replace = Action(action="splice_in_section", on=spot.ref, why=f"{over}: replace the stretch on every wire affected")
    if flex == "cracks":
        says = f"{over}; it cracks when bent"
        return Hit(
            "heat-aged", "violated", says, spot.ref, extent, None, "mm",
            floor=REPAIR, repairs="yes", splices="yes", actions=(replace,),
        )  # fmt: skip
    asked = case.question("heat-aged", spot.ref, "insulation that bends uncracked stays, else it is replaced")
    says = f"{over}; until the flex test is made the stretch counts as lost"
    return Hit(
        "heat-aged", "cannot_tell", says, spot.ref, extent, None, "mm",
        floor=REPAIR, repairs="maybe", splices="maybe", questions=(asked,), actions=(replace,),
    )  # fmt: skip


def overload_extent(spot: Spot, label: str, case: Case) -> Hit | None:
    """A circuit that overheated itself is replaced from where the discolouration stopped to its other end."""
    if label != "electrical_overload":
        return None
    stops = case.answers.overload_ends.get(spot.ref)
    extent = spot.region.length_mm
    says = f"{spot.ref}: a circuit overheated by its own current over {length(extent)}"
    where = f"from {stops} to its other end" if stops else "from where the discolouration stopped to its other end"
    actions = (
        Action(
            action="check_fuse",
            on=spot.ref,
            why="A wire overheats behind too large a fuse or a bridge, or at a loose contact that no fuse sees.",
        ),
        Action(action="part_neighbours", on=spot.ref, why=_neighbours(case)),
        Action(action="inspect_ends", on=spot.ref, why=_AT_THE_ENDS),
        Action(action="replace_circuit", on=spot.ref, why=f"{says}: replace it {where}, marked neighbours too"),
        Action(
            action="find_cause",
            on=spot.ref,
            why="What overheated it is found and mended before power returns: a short, a seized motor, an added load, "
            "a loose terminal.",
        ),
    )
    asked = case.question("overload-extent", spot.ref, "how much of the circuit is replaced")
    questions = () if stops else (asked,)
    return Hit(
        "overload-extent", "violated", says, spot.ref, extent, None, "mm",
        floor=REPAIR, repairs="yes", questions=questions, actions=actions,
    )  # fmt: skip


_AT_THE_ENDS = (
    "A terminal that is discoloured or grips loosely is replaced with its lead, a cavity that is browned or softened "
    "with its housing, and so is what it mates with. Mark such a housing as damaged and write the order anew."
)


def _neighbours(case: Case) -> str:
    """What is looked for when the wires beside a burnt one are parted, and when to stop."""
    joins = "A neighbour that is stained, hardened or blistered is repaired, too, and counts."
    limits = case.rules.wire_count
    more = f"more than {several(limits.max_wires, 'wire')} {IN_SCOPE[limits.scope]}" if limits.applies else ""
    torn = "insulation that tears" if case.rules.fused_insulation.applies else ""
    stop = " or ".join(reason for reason in (torn, more) if reason)
    return f"{joins} STOP at {stop}: the assembly is rebuilt." if stop else joins
