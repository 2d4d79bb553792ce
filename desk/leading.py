"""Chooses the leading region of a photograph: the one with the worst route, then the largest."""

from __future__ import annotations

import numpy as np

from models.repair import Answers, Rules, decide
from vision.findings import PhotoFindings, Region, Ring

ROUTE_RANK = {"return_to_service": 0, "repair_in_vehicle": 1, "remanufacture": 2, "refer": 3}


def leading_region(findings: PhotoFindings, rules: Rules) -> Region | None:
    """The named region whose damage alone would take the assembly the furthest; None where no region has a label."""
    named = [region for region in findings.regions if region.label not in (None, "sound")]
    if not named:
        return None
    return max(named, key=lambda region: (_rank_alone(findings, region, rules), _area_px(region.rings_px)))


def _rank_alone(findings: PhotoFindings, region: Region, rules: Rules) -> int:
    """Rank of the route if this region were the only damage, on an ordinary circuit; undecided counts as its worst."""
    alone = findings.model_copy(
        update={
            "regions": [region],
            "housings": findings.housings if region.label == "connector" else [],
            "splices": findings.splices if region.label == "earlier_repair" else [],
        }
    )
    decision = decide([alone], Answers(circuit_class="none"), rules)
    return ROUTE_RANK[decision.route_worst if decision.route == "undecided" else decision.route]


def _area_px(rings: list[Ring]) -> float:
    total = 0.0
    for ring in rings:
        x, y = np.asarray(ring, float).T
        total += abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
    return total
