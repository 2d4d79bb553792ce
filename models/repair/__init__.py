"""Repairability rules and the repair plan."""

from models.repair.answers import CIRCUIT_CLASSES, Answers, AnswersError
from models.repair.assembly import shows_none
from models.repair.decide import decide, leading_label, may_worsen, photo_label, region_route
from models.repair.limits import RULE_IDS, Mistake, Rules, RulesError, load_rules
from models.repair.verdicts import ROUTES, route_rank

__all__ = [
    "CIRCUIT_CLASSES",
    "ROUTES",
    "RULE_IDS",
    "Answers",
    "AnswersError",
    "Mistake",
    "Rules",
    "RulesError",
    "decide",
    "leading_label",
    "load_rules",
    "may_worsen",
    "photo_label",
    "region_route",
    "route_rank",
    "shows_none",
]
