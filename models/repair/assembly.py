"""Rules for the whole assembly: wire count, circuit class, recurrence, coverings, inspection."""

from __future__ import annotations

from dataclasses import replace

from models.repair.case import Case, perhaps_one
from models.repair.counting import Share, Span, most_at_one_location, most_in_one_branch, united
from models.repair.spots import Spot, possible_labels
from models.repair.verdicts import REFER, REMANUFACTURE, REPAIR, Hit, at_most, count_at_most
from models.repair.words import IN_SCOPE, wires
from vision.findings import NO_ASSEMBLY, Action, Count, Measure, PhotoFindings


def wires_to_repair(shares: list[Share], case: Case) -> Count | None:
    """Wires of the assembly that get repaired, earlier repairs counted; None where no upper end is known."""
    typed = case.answers.wire_count
    if typed is not None:
        return Count(value=typed, low=typed, high=typed)
    ids = {wire for share in shares for wire in share.wire_ids}
    one_photo = len({share.photo for share in shares}) == 1  # over several photographs an id names no one wire
    return united(shares).count(ids if one_photo else ())


def wire_count(shares: list[Share], case: Case) -> Hit:
    """Wires to repair against the limit, over the scope the shop set."""
    limits = case.rules.wire_count
    span = _span(shares, case)
    verdict = count_at_most(span.low, span.high, limits.max_wires)
    count = span.count(())
    measured = _measured(span)
    number = wires(count) if count else f"at least {span.low} wires"
    if span.high == 0 and case.answers.wire_count is None:
        number = "no wire was found"
    over = f"to repair {IN_SCOPE[limits.scope]}, earlier repairs counted, limit {limits.max_wires}"
    says = f"{number} {over}{_why_none(span, shares, case)}"
    hit = Hit("wire-count", verdict, says, "assembly", measured, float(limits.max_wires), "wires")
    if verdict == "violated":
        return replace(hit, floor=REMANUFACTURE, actions=(Action(action="remanufacture", on="assembly", why=says),))
    if verdict == "cannot_tell":
        changes = f"more than {limits.max_wires} wires mean remanufacture{_seen_twice(case)}"
        asked = case.question("wire-count", "assembly", changes)
        return replace(hit, needs=REMANUFACTURE, questions=(asked,))
    return hit


def _why_none(span: Span, shares: list[Share], case: Case) -> str:
    """Why the count begins at none though wires were seen damaged: whether they are repaired is not known yet."""
    open_at = [share.ref for share in shares if share.ref and not share.certain]
    if span.low or not open_at or case.answers.wire_count is not None:
        return ""
    more = f" and {len(open_at) - _PLACES_NAMED} more" if len(open_at) > _PLACES_NAMED else ""
    return f"; none, if what is open at {', '.join(open_at[:_PLACES_NAMED])}{more} asks for no repair"


_PLACES_NAMED = 4


def _seen_twice(case: Case) -> str:
    """Which regions may be one damage seen in two photographs, for the person who counts."""
    pairs = perhaps_one(case)
    named = ", ".join(f"{a.ref} and {b.ref}" for a, b in pairs[:_PAIRS_NAMED])
    more = f" and {len(pairs) - _PAIRS_NAMED} more pairs" if len(pairs) > _PAIRS_NAMED else ""
    return f"; look whether these are one damage seen twice: {named}{more}" if pairs else ""


_PAIRS_NAMED = 3


def _span(shares: list[Share], case: Case) -> Span:
    typed = case.answers.wire_count
    if typed is not None:
        return Span(typed, typed, typed)
    scope = case.rules.wire_count.scope
    return {"assembly": united, "branch": most_in_one_branch, "location": most_at_one_location}[scope](shares)


def _measured(span: Span) -> Measure:
    """The span's middle and half its width: value ± U95 is the span. Its lower end where that is all it has."""
    if span.high is None:
        return Measure(value=float(span.low), u95=0.0, low_bound=True)
    return Measure(value=(span.low + span.high) / 2, u95=(span.high - span.low) / 2)


def circuit_class(case: Case) -> Hit:
    """Circuits that follow the maker's procedure; unanswered, nothing returns to service."""
    answered = case.answers.circuit_class
    if answered is None:
        asked = case.question("circuit-class", "assembly", "such a circuit is referred, whatever the damage")
        says = "the circuit class was not asked: nothing returns to service before it is known"
        return Hit("circuit-class", "cannot_tell", says, "assembly", needs=REPAIR, worst=REFER, questions=(asked,))
    words = answered.replace("_", " ")
    if answered in case.rules.circuit_class.refer:
        says = f"{words} circuit: the maker's procedure and licensed people decide"
        action = Action(action="refer", on="assembly", why=says)
        return Hit("circuit-class", "violated", says, "assembly", floor=REFER, actions=(action,))
    says = "no circuit of a class that is referred" if answered == "none" else f"{words} circuit: this shop repairs it"
    return Hit("circuit-class", "met", says, "assembly")


def recurrence(case: Case) -> Hit | None:
    """The same damage on the same vehicle again: its cause was not removed."""
    days = case.answers.same_damage_days
    if days is None or not case.spots:
        return None
    limit = case.rules.recurrence.within_days
    verdict = at_most(Measure(value=float(days), u95=0.0), float(limit))
    says = f"same damage {days} days ago, limit {limit} days"
    measured = Measure(value=float(days), u95=0.0)
    if verdict == "violated":
        return Hit("recurrence", "met", says, "assembly", measured, float(limit), "days")
    action = Action(action="find_cause", on="vehicle", why=f"{says}: the cause is still there")
    return Hit("recurrence", "violated", says, "assembly", measured, float(limit), "days", actions=(action,))


def hidden_damage(spot: Spot, label: str, case: Case) -> Hit | None:
    """Damage that runs on under a covering: what is measured is a lower bound until it is opened."""
    if not spot.region.continues_under_covering:
        return None
    says = f"{spot.ref}: damage runs on under a covering; its lengths are lower bounds"
    asked = case.question("hidden-damage", spot.ref, "what lies beneath may need more")
    action = Action(action="open_covering", on=spot.ref, why=f"{says}. Open it and photograph again.")
    return Hit(
        "hidden-damage", "violated", says, spot.ref,
        floor=REPAIR, worst=REMANUFACTURE, questions=(asked,), actions=(action,),
    )  # fmt: skip


def shows_none(photo: PhotoFindings) -> bool:
    """Whether a photograph that could have shown an assembly shows none. One too dark or blurred to tell says that it
    may be there, and one on which a person drew damage that it is."""
    return not photo.regions and [one.fault for one in photo.retake if one.measure == "all"] == [NO_ASSEMBLY]


def inspection(case: Case) -> list[Hit]:
    """Whether each photograph shows enough to call the rest of the assembly sound."""
    return [_inspected(photo, case) for photo in case.photos]


def _inspected(photo: PhotoFindings, case: Case) -> Hit:
    name, limit = photo.photo.name, case.rules.inspection.min_inspected_share
    share = Measure(value=photo.inspected_share, u95=0.0)
    fault = _fault(photo, limit)
    hit = Hit(
        "inspection",
        "met",
        f"{name}: {photo.inspected_share:.0%} seen of what is in the picture",
        name,
        share,
        limit,
        "1",
    )
    looked = case.answers.looked_over
    if fault is None and looked != "more_damage":
        return hit
    if looked == "nothing_more" and photo.usable:
        return replace(hit, says=f"{name}: {fault}; looked over at the bench, nothing more found")
    says = f"{name}: {fault or 'more damage found at the bench than the photograph shows'}"
    asked = case.question("inspection", name, "what was not seen may be damaged")
    retake = Action(action="retake", on=name, why=says)
    needs = REPAIR if photo.usable and looked != "more_damage" else REMANUFACTURE
    return replace(
        hit, verdict="cannot_tell", says=says, needs=needs, worst=REMANUFACTURE, questions=(asked,), actions=(retake,)
    )


def _fault(photo: PhotoFindings, limit: float) -> str | None:
    """Why this photograph cannot show that nothing more is damaged."""
    if not photo.usable:
        reasons = "; ".join(retake.fault for retake in photo.retake)
        return f"the photograph cannot be judged ({reasons})" if reasons else "the photograph cannot be judged"
    if photo.inspected_share < limit:
        return f"{photo.inspected_share:.0%} seen of what is in the picture, {limit:.0%} wanted"
    damaged = any(possible_labels(region) != ("sound",) for region in photo.regions)
    if not damaged and photo.label != "sound":
        return "no region found, yet the photograph as a whole is not called sound"
    if not damaged and photo.unsure:
        sound = photo.probabilities.get("sound", 0.0)
        return f"no region found, but by the model sound is only {sound:.0%} likely"
    return None
