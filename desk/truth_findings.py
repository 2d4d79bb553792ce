"""Turns the truth of a photograph into findings without uncertainty: the answer a perfect eye would give."""

from __future__ import annotations

from models.repair import Answers
from sample_images.truth import Truth, TruthRegion, TruthSplice, TruthWire
from vision.findings import (
    Count,
    Covering,
    Evidence,
    Housing,
    Measure,
    ModelInfo,
    PhotoFindings,
    PhotoInfo,
    Region,
    Scale,
    Splice,
    Termination,
    Wire,
)

_DISCOLOURED = {"browned", "charred", "blistered"}


def findings_from_truth(truth: Truth, sha256: str = "") -> PhotoFindings:
    """Findings with zero uncertainty and no decision; measures are there even where no mat shows the scale."""
    return PhotoFindings(
        photo=PhotoInfo(name=truth.photo, sha256=sha256, width_px=truth.width_px, height_px=truth.height_px),
        usable=truth.usable,
        retake=[],
        scale=Scale(source="stated", mm_per_px=truth.mm_per_px_centre, u95_rel=0.0),
        label=truth.labels[0] if len(truth.labels) == 1 else None,
        labels=list(truth.labels),
        probabilities={truth.labels[0]: 1.0} if len(truth.labels) == 1 else {},
        unsure=False,
        candidates=[],
        novel=False,
        inspected_share=1.0,
        regions=[_region(region) for region in truth.regions],
        wires=[_wire(wire) for wire in truth.wires],
        terminations=[
            Termination(id=t.id, kind=t.kind, position_mm=t.position_mm, position_px=t.position_px, rings_px=t.rings_px)
            for t in truth.terminations
        ],
        housings=_housings(truth),
        coverings=[
            Covering(id=c.id, kind=c.kind, rings_px=c.rings_px, length_mm=_exact(c.length_mm)) for c in truth.coverings
        ],
        splices=[_splice(splice) for splice in truth.splices],
        decision=None,
        model=ModelInfo(version="truth", feature_version="truth", trained_on="truth file"),
        missing=[],
    )


def knowing_all(answers: Answers) -> Answers:
    """The answers of whoever asks about a truth: it names every splice there is, also where nobody sees it."""
    return answers.model_copy(update={"further_splices": "none"})


def _exact(value: float | None) -> Measure | None:
    return None if value is None else Measure(value=value, u95=0.0)


def _region(region: TruthRegion) -> Region:
    n = region.wires_affected
    return Region(
        id=region.id,
        label=region.label,
        probabilities={region.label: 1.0},
        unsure=False,
        candidates=[],
        novel=False,
        rings_px=region.rings_px,
        rings_mm=region.rings_mm,
        length_mm=_exact(region.length_mm),
        area_mm2=_exact(region.area_mm2),
        wires_affected=Count(value=n, low=n, high=n, wire_ids=region.wire_ids),
        exposed_copper_mm=_exact(region.exposed_copper_mm),
        to_termination_mm=_exact(region.to_termination_mm),
        continues_under_covering=region.continues_under_covering,
        evidence=_evidence(region),
    )


def _evidence(region: TruthRegion) -> list[Evidence]:
    """The features the repair rules read, each known exactly; a sign that is not there is known to be 0."""
    fused = region.length_mm if region.fused_length_mm is None else region.fused_length_mm
    fused = fused if "fused" in region.signs else 0.0
    browned = region.length_mm if _DISCOLOURED & set(region.signs) else 0.0
    worn = region.length_mm if "worn_insulation" in region.signs else 0.0
    cut = region.severed_wires
    found = []
    if region.label in ("external_heat", "electrical_overload"):
        found += _exactly("fused_length", fused, "mm", f"neighbours melted together over {fused:.0f} mm")
        found += _exactly("discoloured_length", browned, "mm", f"insulation discoloured over {browned:.0f} mm")
    if worn:
        found += _exactly("insulation_loss_length", worn, "mm", f"insulation worn over {worn:.0f} mm")
    return found if cut is None else found + _exactly("severed_wires", float(cut), "1", f"{cut} wires severed")


def _exactly(feature: str, value: float, unit: str, says: str) -> list[Evidence]:
    """The feature and, as the rules expect it beside, its uncertainty of 0; words only where the sign is there."""
    return [
        Evidence(feature=feature, value=value, unit=unit, says=says if value else ""),
        Evidence(feature=f"{feature}_u95", value=0.0, unit=unit, says=""),
    ]


def _wire(wire: TruthWire) -> Wire:
    return Wire(
        id=wire.id,
        colour=wire.colour,
        diameter_mm=_exact(wire.diameter_mm),
        size_candidates_mm2=[],
        centreline_mm=wire.centreline_mm,
        centreline_px=wire.centreline_px,
        length_mm=_exact(wire.length_mm),
        ends=list(wire.ends),
    )


def _housings(truth: Truth) -> list[Housing]:
    return [
        Housing(
            id=h.id,
            rings_px=h.rings_px,
            cracked=h.cracked,
            crack_length_mm=_exact(h.crack_length_mm),
            missing_area_mm2=_exact(h.missing_area_mm2),
            displaced_terminals=h.displaced_terminals,
            cavities=h.cavities,
        )
        for h in truth.housings
    ]


def _splice(splice: TruthSplice) -> Splice:
    return Splice(
        id=splice.id,
        wire_id=splice.wire_id,
        position_mm=splice.position_mm,
        position_px=splice.position_px,
        rings_px=splice.rings_px,
        to_termination_mm=_exact(splice.to_termination_mm),
        to_next_splice_mm=_exact(splice.to_next_splice_mm),
        origin=splice.origin,
    )
