"""Closes an order: photographs of the repaired assembly held against the same rules and the plan, three-valued."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from models.repair.answers import Answers
from models.repair.case import Case, open_case
from models.repair.decide import decide
from models.repair.limits import Rules
from models.repair.splices import under_covering
from models.repair.verdicts import count_at_most, gravest
from models.repair.words import several
from models.repair.worksheet import Worksheet
from vision.findings import Decision, Finding, PhotoFindings, Verdict

State = Literal["closed", "not_met", "open"]
_JOINT_RULES = ("termination-distance", "splice-spacing", "splices-per-wire", "earlier-repair")

_PLACES = ("termination-distance", "splice-spacing")


class Check(Finding):
    """One thing that must hold before the order is closed, and what settles it while it cannot be told.

    `title`: the name in words of the rule that `what` is; empty where `what` is said in words already.
    """

    what: str
    title: str = ""
    verdict: Verdict
    says: str
    settle: str | None = None


class Closing(Finding):
    """The outcome: `closed` when every check is met, `not_met` when one is broken, otherwise `open`."""

    state: State
    checks: tuple[Check, ...]

    @property
    def unmet(self) -> tuple[Check, ...]:
        """What keeps the order from being closed."""
        return tuple(check for check in self.checks if check.verdict in ("violated", "cannot_tell"))


NOT_REPAIRED = ("remanufacture", "refer")
"""Routes whose order holds no repair that photographs could prove."""


def close_order(
    work: Worksheet,
    photos: Sequence[PhotoFindings],
    answers: Answers,
    rules: Rules,
    joints_counted: int | None = None,
    ruler_checked: bool = False,
) -> Closing:
    """Whether the photographs prove the work done as planned.

    `joints_counted`: joints counted by hand. `ruler_checked`: somebody measured those that no photograph shows.
    """
    if work.route in NOT_REPAIRED:
        says = f"the order's route is {work.route.replace('_', ' ')}: there is no repair to close"
        return Closing(state="not_met", checks=(Check(what="route", verdict="violated", says=says),))
    case = open_case(photos, answers, rules)
    count = _count(work, case, joints_counted)
    in_view = joints_counted is not None or not under_covering(case)
    if answers.further_splices is None and (ruler_checked or (count.verdict == "met" and in_view)):
        # all joints there were to be are accounted for; those no photograph shows are held against the ruler below
        answers = answers.model_copy(update={"further_splices": "none"})
    after = decide(photos, answers, rules)
    checks = [_plan(work), _seen(after), _no_damage(case), count]
    unseen = max(0, _wanted(work) - _found(case)[0])
    checks += [_placed(_rule(after, rule), unseen, ruler_checked) for rule in _JOINT_RULES]
    checks += [_housings(work, case, after)]
    verdict = gravest(check.verdict for check in checks)
    state: State = {"violated": "not_met", "cannot_tell": "open"}.get(verdict, "closed")  # type: ignore[assignment]
    return Closing(state=state, checks=tuple(checks))


def _plan(work: Worksheet) -> Check:
    """An order whose plan was still open says not what had to be done."""
    if work.plan is None or work.plan.status != "planned":
        settle = "Measure the wires, put the numbers into the bench notes and write the order again."
        return Check(
            what="plan",
            verdict="cannot_tell",
            says=f"the order's plan is open: {work.says.removeprefix('open: ')}",
            settle=settle,
        )
    return Check(what="plan", verdict="met", says=work.plan.says)


def _rule(after: Decision, rule_id: str) -> Check:
    result = next(rule for rule in after.rules if rule.id == rule_id)
    settle = None
    if result.verdict == "cannot_tell":
        asked = [q.ask for q in after.open_questions if q.changes.startswith(rule_id)]
        settle = " ".join(dict.fromkeys(asked)) or "Measure it with a ruler, or photograph it nearer."
    return Check(what=rule_id, title=result.title, verdict=result.verdict, says=result.says, settle=settle)


def _wanted(work: Worksheet) -> int:
    """Joints there must be after the repair: new ones, and old ones that stay."""
    if work.plan is None:
        return 0
    return work.plan.joints + sum(len(wire.old_joints_kept) for wire in work.plan.wires)


def _placed(check: Check, unseen: int, ruler_checked: bool) -> Check:
    """A rule for joints is not proved by those seen while others are not, but by a ruler, and then it says so."""
    if unseen == 0 or check.verdict not in ("met", "not_applicable") or check.what not in _PLACES:
        return check
    if ruler_checked:
        joints = several(unseen, "joint")
        says = f"{joints} that no photograph shows: measured with a ruler and lawful, as stated at closing"
        seen = "" if check.verdict == "not_applicable" else f"; {check.says}"
        return check.model_copy(update={"verdict": "met", "says": says + seen})
    settle = "Photograph the others, or measure each with a ruler and say so (--ruler-checked)."
    seen = "" if check.verdict == "not_applicable" else f"; {check.says}"
    says = f"{several(unseen, 'planned joint')} {'is' if unseen == 1 else 'are'} not seen{seen}"
    return check.model_copy(update={"verdict": "cannot_tell", "says": says, "settle": settle})


def _seen(after: Decision) -> Check:
    check = _rule(after, "inspection")
    return check.model_copy(update={"what": "enough seen"})


def _no_damage(case: Case) -> Check:
    sure = [s for s in case.spots if s.certain and s.labels != ("earlier_repair",)]
    doubt = [s for s in case.spots if not s.certain]
    if sure:
        named = ", ".join(f"{s.ref} ({s.labels[0].replace('_', ' ')})" for s in sure)
        return Check(what="damage gone", verdict="violated", says=f"damage is still seen: {named}")
    if doubt:
        named = ", ".join(s.ref for s in doubt)
        settle = "Look at the place: damage, or a repair sleeve?"
        return Check(what="damage gone", verdict="cannot_tell", says=f"cannot tell what {named} is", settle=settle)
    unsure = _unsure_photos(case)
    if unsure:
        says = f"no damage is seen, but what {', '.join(unsure)} shows as a whole is unsure"
        settle = "Look the assembly over: nothing more (looked_over in --answers), or photograph it again."
        return Check(what="damage gone", verdict="cannot_tell", says=says, settle=settle)
    return Check(what="damage gone", verdict="met", says="no damage is seen")


def _unsure_photos(case: Case) -> list[str]:
    """Photographs that prove no absence of damage: as a whole unsure, and nobody looked at the place or all over.

    A photograph is unsure of its chief region, so that an answer on each of its regions settles it.
    """
    found = []
    for index, photo in enumerate(case.photos):
        here = case.seen_in(index)
        told = bool(here) and all(spot.ref in case.answers.labels for spot in here)
        looked = case.answers.looked_over == "nothing_more"
        unsure = photo.unsure or photo.novel or (not here and photo.label != "sound")
        if not photo.usable or (unsure and not told and not looked):
            found.append(photo.photo.name)
    return found


def _count(work: Worksheet, case: Case, counted: int | None) -> Check:
    """Joints found against joints planned: too many are proved by one photograph, too few only by a count by hand."""
    if work.plan is None:
        return Check(what="joints", verdict="not_applicable", says="no plan of joints")
    wanted = _wanted(work)
    low, high = _found(case)
    if counted is not None and counted < low:
        says = f"{several(counted, 'joint')} counted by hand, but the photographs show {low}; {wanted} planned"
        settle = "Count again: the photographs show more joints than were counted."
        return Check(what="joints", verdict="cannot_tell", says=says, settle=settle)
    if counted is not None:
        verdict: Verdict = "met" if counted == wanted else "violated"
        return Check(
            what="joints", verdict=verdict, says=f"{several(counted, 'joint')} counted by hand, {wanted} planned"
        )
    found = low if low == high else f"between {low} and {high}"
    says = f"{several(found, 'joint')} found, {wanted} planned"
    if count_at_most(low, high, wanted) == "violated":
        return Check(what="joints", verdict="violated", says=says)
    if low == high == wanted:
        return Check(what="joints", verdict="met", says=says)
    settle = "Count the new joints by hand and give the number (--joints)."
    return Check(what="joints", verdict="cannot_tell", says=says, settle=settle)


def _found(case: Case) -> tuple[int, int]:
    """Least and greatest number of repair joints in all photographs; two photographs may show the same ones."""
    per_photo = [
        [j for j in case.joints if j.photo == index and j.origin != "factory"] for index in range(len(case.photos))
    ]
    low = max((sum(j.certain for j in joints) for joints in per_photo), default=0)
    return low, sum(len(joints) for joints in per_photo)


def _housings(work: Worksheet, case: Case, after: Decision) -> Check:
    check = _rule(after, "housing")
    if work.pins and not case.shells:
        settle = "Photograph the new housing, or look it over and tick the pin map."
        says = "a housing was to be replaced and none is seen"
        return Check(what="housing", verdict="cannot_tell", says=says, settle=settle)
    return check
