"""The decision on one assembly: every rule over all its photographs, the route, and what would close the gaps."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from models.repair import assembly, electrics, splices
from models.repair.actions import cheapest_first, in_working_order
from models.repair.answers import Answers
from models.repair.case import Case, open_case
from models.repair.contradicted import contradicted
from models.repair.counting import Share, united
from models.repair.housing import housing_shells
from models.repair.limits import RULE_IDS, RuleLimits, Rules
from models.repair.texts import causes_of, cautions_for
from models.repair.verdicts import ROUTES, SERVICE, Hit, gravest, gravity, route_rank
from models.repair.worlds import Judged, judge, judge_all, share_of
from vision.findings import Decision, PhotoFindings, Question, Region, Route, RuleResult

__all__ = ["decide", "leading_label", "may_worsen", "photo_label", "route_rank"]


def decide(photos: Sequence[PhotoFindings], answers: Answers, rules: Rules) -> Decision:
    """Decide on one assembly from all its photographs, in any order. Pure: the same input gives the same decision."""
    case = open_case(photos, answers, rules)
    judged = judge_all(case)
    shares = _shares(judged, case)
    whole = _assembly_hits(judged, shares, case)
    floor, needs, worst = _ranks(judged, whole)
    others = [hit for hit in whole if (hit.rule, hit.verdict) != _CLASS_OPEN]
    unreferred = _ranks(judged, others)[2] if len(others) < len(whole) else worst
    labels = {label for item in judged for label in item.spot.labels if item.spot.certain}
    labels |= {"connector"} if any(h.rule == "housing" and h.verdict == "violated" for h in whole) else set()
    may_be = {label for spot in case.spots for label in spot.labels}  # a caution holds for what the damage may be
    actions = [action for item in judged for action in item.actions()] + [a for hit in whole for a in hit.actions]
    route: Route = "undecided" if floor < needs else ROUTES[floor]
    handled = bool(case.spots) or route != "return_to_service"
    return Decision(
        route=route,
        route_worst=ROUTES[worst],
        route_by=_waited_for(judged, whole, floor) if floor < needs else _set_by(judged, whole, floor),
        route_worst_by=_may_worsen(judged, whole, worst) if worst > floor else [],
        route_worst_unreferred=ROUTES[unreferred] if unreferred < worst else None,
        route_worst_unreferred_by=_may_worsen(judged, others, unreferred) if floor < unreferred < worst else [],
        open_questions=cheapest_first(_questions(case, judged, whole), floor),
        wires_to_repair=assembly.wires_to_repair(shares, case),
        actions=in_working_order(actions, floor),
        rules=[_result(rule_id, judged, whole, case) for rule_id in RULE_IDS],
        causes=causes_of(labels),
        cautions=cautions_for(labels | may_be, case.answers.circuit_class, handled),
        contradicted=contradicted(case, united(shares).low),
    )


def may_worsen(photos: Sequence[PhotoFindings], answers: Answers, rules: Rules) -> list[Question]:
    """The open questions whose answer may bring a graver route than the one that is certain, the cheapest first."""
    case = open_case(photos, answers, rules)
    judged = judge_all(case)
    whole = _assembly_hits(judged, _shares(judged, case), case)
    floor = _ranks(judged, whole)[0]
    return cheapest_first([(q, worst) for q, worst in _questions(case, judged, whole) if worst > floor], floor)


_CLASS_OPEN = ("circuit-class", "cannot_tell")
"""What the rule says as long as nobody answered the class, which alone may refer any assembly whatever is seen."""


def _shares(judged: Sequence[Judged], case: Case) -> list[Share]:
    """Of every place once, whichever of its views puts wires up for repair."""
    shares: dict[str, Share] = {}
    for item in judged:
        share, known = item.share(), shares.get(item.spot.ref)
        if share is not None and (known is None or share.certain > known.certain):
            shares[item.spot.ref] = share
    found, shared = list(shares.values()), set(shares)
    spots = {spot.ref: spot for spot in case.spots}
    for joint in case.joints:
        if joint.origin == "factory" or joint.spot in shared:
            continue
        if joint.spot is not None and (joint.ref == joint.spot or spots[joint.spot].region.wires_affected is not None):
            found.append(share_of(spots[joint.spot], joint.certain))
            shared.add(joint.spot)
            continue
        ids = frozenset({joint.wire} if joint.wire else ())
        found.append(Share(joint.photo, ids, int(joint.certain), 1, 1, joint.certain))
    return found


def _assembly_hits(judged: Sequence[Judged], shares: list[Share], case: Case) -> list[Hit]:
    planned = any(hit.splices != "no" for item in judged for world in item.worlds for hit in world)
    joined = planned or any(joint.origin != "factory" for joint in case.joints)
    single = [
        assembly.circuit_class(case),
        assembly.wire_count(shares, case),
        electrics.fuse_coordination(case),
        electrics.drop_budget(case, joined),
        assembly.recurrence(case),
    ]
    hits = [hit for hit in single if hit is not None]
    hits += splices.joint_rules(case) + housing_shells(case) + assembly.inspection(case)
    return [hit for hit in hits if case.rules.of(hit.rule).applies]


def _ranks(judged: Sequence[Judged], whole: Sequence[Hit]) -> tuple[int, int, int]:
    """Certain rank, rank below which the route is undecided, worst rank."""
    floor = max([SERVICE, *(item.floor for item in judged), *(hit.floor for hit in whole)])
    needs = max([SERVICE, *(item.needs for item in judged), *(hit.needs for hit in whole)])
    worst = max([floor, *(item.worst for item in judged), *(hit.worst_rank for hit in whole)])
    return floor, needs, worst


def _set_by(judged: Sequence[Judged], whole: Sequence[Hit], floor: int) -> list[str]:
    """The rules that demand the route whatever is answered; of an open label, those that demand it of some label."""
    hits = [hit for item in judged if item.floor >= floor for world in item.worlds for hit in world]
    return _in_order(hit.rule for hit in [*hits, *whole] if hit.floor >= floor) if floor > SERVICE else []


def _waited_for(judged: Sequence[Judged], whole: Sequence[Hit], floor: int) -> list[str]:
    """What an undecided route waits for."""
    hits = [*(hit for item in judged for world in item.worlds for hit in world), *whole]
    waiting = [hit.rule for hit in hits if hit.needs > floor]
    by_label = any(item.needs > floor and not item.spot.certain for item in judged)
    return _in_order([*waiting, *(["label"] if by_label else [])])


def _may_worsen(judged: Sequence[Judged], whole: Sequence[Hit], worst: int) -> list[str]:
    hits = [*(hit for item in judged for world in item.worlds for hit in world), *whole]
    return _in_order(hit.rule for hit in hits if hit.worst_rank >= worst)


def _in_order(rules: Iterable[str]) -> list[str]:
    found = set(rules)
    return [rule for rule in ("label", *RULE_IDS) if rule in found]


def _questions(case: Case, judged: Sequence[Judged], whole: Sequence[Hit]) -> list[tuple[Question, int]]:
    """What is asked. Of an assembly that no photograph shows nothing is: it has to be photographed first."""
    if all(assembly.shows_none(photo) for photo in case.photos):
        return []
    asked = [pair for item in judged for pair in item.questions()]
    # of a joint that may be none the label is asked first
    open_labels = {item.spot.ref for item in judged if not item.spot.certain}
    return asked + [(q, hit.worst_rank) for hit in whole if hit.on not in open_labels for q in hit.questions]


def _result(rule_id: str, judged: Sequence[Judged], whole: Sequence[Hit], case: Case) -> RuleResult:
    limits = case.rules.of(rule_id)
    if not limits.applies:
        says = f"{limits.title}: switched off in this shop's rules"
        return _plain(rule_id, limits, says)
    hits = [hit for item in judged if (hit := item.hit(rule_id)) is not None]
    hits += [hit for hit in whole if hit.rule == rule_id]
    if not hits:
        return _plain(rule_id, limits, f"{limits.title}: nothing here that this rule judges")
    chief = max(hits, key=gravity)
    return RuleResult(
        id=rule_id,
        title=limits.title,
        verdict=gravest(hit.verdict for hit in hits),
        measured=chief.measured,
        limit=chief.limit,
        unit=chief.unit,
        says="; ".join([chief.says, *(hit.says for hit in hits if hit is not chief and hit.verdict == chief.verdict)]),
        source=limits.source,
    )


def _plain(rule_id: str, limits: RuleLimits, says: str) -> RuleResult:
    return RuleResult(
        id=rule_id, title=limits.title, verdict="not_applicable", measured=None, limit=None, unit=None, says=says,
        source=limits.source,
    )  # fmt: skip


def leading_label(photo: PhotoFindings, rules: Rules, answers: Answers | None = None) -> str | None:
    """Label of the region with the gravest certain route, then the longest, then the largest; None without a label."""
    case = open_case([photo], answers or Answers(), rules)
    ranked = [(_region_rank(judge(spot, case), case), spot.region) for spot in case.spots]
    named = [(rank, region) for rank, region in ranked if region.label not in (None, "sound") and not region.novel]
    if not named:
        return None
    return max(named, key=lambda pair: (pair[0], *_extent(pair[1])))[1].label


def photo_label(photo: PhotoFindings, rules: Rules) -> str | None:
    """The photograph's label: the leading one, `sound` when no region was found and enough was seen, else None."""
    if not photo.usable:
        return None
    if any(region.label != "sound" or region.novel for region in photo.regions):
        return leading_label(photo, rules)
    return "sound" if photo.inspected_share >= rules.inspection.min_inspected_share else None


def region_route(photo: PhotoFindings, region_id: str, rules: Rules, answers: Answers | None = None) -> Route:
    """The route that one region demands for certain, taken alone."""
    case = open_case([photo], answers or Answers(), rules)
    ranks = [_region_rank(judge(spot, case), case) for spot in case.spots if spot.ref == region_id]
    return ROUTES[max(ranks, default=SERVICE)]


def _region_rank(item: Judged, case: Case) -> int:
    """Certain rank of one region, its joints included."""
    joints = {joint.ref for joint in case.joints if joint.spot == item.spot.ref}
    applied = [hit for hit in splices.joint_rules(case) if case.rules.of(hit.rule).applies]
    return max([item.floor, *(hit.floor for hit in applied if hit.on in joints)])


def _extent(region: Region) -> tuple[float, float]:
    length, area = region.length_mm, region.area_mm2
    return (length.value if length else 0.0), (area.value if area else 0.0)
