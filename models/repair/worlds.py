"""What the family rules say of one region, when it may carry one of several labels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from models.repair.assembly import hidden_damage
from models.repair.case import Case
from models.repair.conductor import conductor_damage, insulation_only
from models.repair.counting import Share
from models.repair.heat import fused_insulation, heat_aged, overload_extent
from models.repair.housing import housing_region
from models.repair.splices import planned_joints
from models.repair.spots import Spot, is_own
from models.repair.verdicts import SERVICE, Hit, either, gravest, gravity
from models.repair.words import choice_of, label_words
from vision.findings import Action, Question, Verdict

RegionRule = Callable[[Spot, str, Case], Hit | None]
REGION_RULES: tuple[RegionRule, ...] = (
    fused_insulation,
    heat_aged,
    overload_extent,
    conductor_damage,
    insulation_only,
    housing_region,
    hidden_damage,
)


@dataclass(frozen=True)
class Judged:
    """One region judged: for every label it may carry, the rules' hits."""

    spot: Spot
    worlds: tuple[tuple[Hit, ...], ...]
    case: Case

    @property
    def floor(self) -> int:
        """Rank of the route the region demands whichever label is right."""
        return min(max((hit.floor for hit in world), default=SERVICE) for world in self.worlds)

    @property
    def needs(self) -> int:
        """The route is undecided while what is certain lies below this rank."""
        floors = [max((hit.floor for hit in world), default=SERVICE) for world in self.worlds]
        asked = [hit.needs for world in self.worlds for hit in world]
        return max([*asked, max(floors) if min(floors) < max(floors) else SERVICE])

    @property
    def worst(self) -> int:
        """The worst rank any label can lead to."""
        return max((hit.worst_rank for world in self.worlds for hit in world), default=SERVICE)

    def hit(self, rule: str) -> Hit | None:
        """The gravest hit of one rule over the labels, its verdict cannot_tell where the labels disagree."""
        found = [[hit for hit in world if hit.rule == rule] for world in self.worlds]
        every = [hit for hits in found for hit in hits]
        if not every:
            return None
        verdicts: list[Verdict] = [gravest(hit.verdict for hit in hits) for hits in found]
        chief = max(every, key=gravity)
        verdict = either(verdicts)
        if verdict == chief.verdict:
            return chief
        names = choice_of(self.spot.labels)
        return Hit(
            rule, verdict, f"{chief.says}, if the damage is what it may be ({names})", chief.on, chief.measured,
            chief.limit, chief.unit, chief.floor, chief.worst, chief.needs,
        )  # fmt: skip

    def actions(self) -> list[Action]:
        """Steps that are right whichever label is right."""
        sets = [{(a.action, a.on) for hit in world for a in hit.actions} for world in self.worlds]
        common = set.intersection(*sets)
        first = (action for world in self.worlds for hit in world for action in hit.actions)
        return [action for action in first if (action.action, action.on) in common]

    def questions(self) -> list[tuple[Question, int]]:
        """Open questions, each with the worst rank its rule can lead to.

        Where the label is open it is asked first, and besides only what is asked whichever it is: the answer leaves
        the questions of one label instead of all labels' questions at once.
        """
        asked = [[(question, hit.worst_rank) for hit in world for question in hit.questions] for world in self.worlds]
        if self.spot.certain:
            return [pair for world in asked for pair in world]
        label = self.spot.region.label if is_own(self.spot.region) else None
        which = Question(
            ask=f"Which damage is {self.spot.ref}: {choice_of(self.spot.labels)}?",
            why=f"No rule knows {label_words(label)}: it is treated like the one you choose, and keeps its name."
            if label
            else "The photograph cannot tell these apart; what else must be asked depends on it.",
            changes="label: which rules apply to this region",
        )
        common = set.intersection(*({(q.ask, q.changes) for q, _ in world} for world in asked))
        always = [(q, worst) for world in asked for q, worst in world if (q.ask, q.changes) in common]
        return [(which, self.worst), *always]

    def share(self) -> Share | None:
        """The wires this region puts up for repair; None where it can put up none."""
        sleeves = self.case.rules.wire_count.count_sleeved
        ways = [[h.repairs for h in world if sleeves or not h.sleeve_only] for world in self.worlds]
        if all(way == "no" for world in ways for way in world):
            return None
        certain = all("yes" in world for world in ways)
        return share_of(self.spot, certain)


def share_of(spot: Spot, certain: bool) -> Share:
    """The wires of one region; an uncounted region holds at least one."""
    affected = spot.region.wires_affected
    ends = frozenset(end for wire in spot.wires for end in wire.ends if end is not None)
    if affected is None:
        least = spot.least_wires
        return Share(
            spot.photo, frozenset(), least if certain else 0, least, None, certain, ends, spot.damage, spot.ref
        )
    ids, low = frozenset(affected.wire_ids), affected.low if certain else 0
    return Share(
        spot.photo, ids, low, affected.value, max(affected.high, affected.low), certain, ends, spot.damage, spot.ref
    )


def judge(spot: Spot, case: Case) -> Judged:
    """Every label the region may carry, taken in turn; `sound` brings no rule."""
    return Judged(spot, tuple(tuple(_world(spot, label, case)) for label in spot.labels), case)


def judge_all(case: Case) -> list[Judged]:
    """Every place, and what another view of it shows that the place itself does not."""
    judged = [judge(spot, case) for spot in case.spots]
    told = {hit.says for item in judged for world in item.worlds for hit in world}
    for view in case.views:
        item = judge(view, case)
        shows = f"(as {view.seen_as} shows it)"
        worlds = [
            tuple(replace(hit, says=f"{hit.says} {shows}") for hit in world if hit.says not in told)
            for world in item.worlds
        ]
        judged.append(replace(item, worlds=tuple(worlds)))
    return judged


def _world(spot: Spot, label: str, case: Case) -> list[Hit]:
    if label == "sound":
        return []
    found = [rule(spot, label, case) for rule in REGION_RULES]
    hits = [hit for hit in found if hit is not None and case.rules.of(hit.rule).applies]
    return [hit for hit in planned_joints(spot, hits, case) if case.rules.of(hit.rule).applies]
