"""Composes the contract's findings of one photograph from what was seen and what the models say of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from desk.covered import Covered
from desk.notes import NO_SCALE
from models.damage.gauges import distance_inputs
from models.damage.namer import Named, with_bites_open
from models.damage.store import DamageModel
from vision.evidence import shell_words, words
from vision.findings import (
    Count,
    Evidence,
    Housing,
    Measure,
    Region,
    Splice,
    Termination,
    Wire,
)
from vision.grid import canvas_mask, outlines, patches
from vision.measure import (
    RawMeasure,
    bundle_factor,
    gauge_inputs,
    height_factor,
    measure_shell,
    measure_wires,
    runs_under_covering,
    shell_damage_mask,
    why_no_way,
)
from vision.recognise import WireCandidate
from vision.regions import Candidate, extent_along
from vision.shell_candidate import ShellCandidate
from vision.uncertainty import ENDS, Budget, Source
from vision.ways import open_ends, ways_to_terminations
from vision.wire_counts import COUNT_SIGNS, count_crossing
from vision.wire_sizes import size_candidates
from vision.wires import TracedWire

_CHAR = "bare copper cannot be told from char on melted insulation; look at it"


@dataclass
class Composer(Covered):
    """Collects one photograph's findings."""

    splices: list[Splice] = field(default_factory=list)
    _feet: list[np.ndarray] = field(default_factory=list)
    _shells: dict[str, dict[str, RawMeasure]] = field(default_factory=dict)

    @property
    def _broken(self) -> np.ndarray:
        return self.scene.probabilities[:, self.model.finder.classes.index("connector")]

    def _shell_measures(self, candidate: ShellCandidate) -> dict[str, RawMeasure]:
        """Raw measures of a housing, taken once."""
        if candidate.part.id not in self._shells:
            self._shells[candidate.part.id] = measure_shell(self.look, candidate, self._broken)
        return self._shells[candidate.part.id]

    def wire_region(self, id: str, candidate: WireCandidate, named: Named, strange: float | None = None) -> Region:
        """A region of damage on wires. ``strange`` : how strange it looks, 0..1, where it is found for that alone and
        has no label."""
        label = named.label if strange is None else None
        raws = measure_wires(self.look, self.scene, candidate)
        inputs = gauge_inputs(self._known_signs(candidate), _values(raws))
        covered = runs_under_covering(self.look, self.scene, candidate.region.cells)
        at = f"regions[{id}]"
        low = {"length_mm": covered, "area_mm2": covered}
        lines = {"length_mm": self._span(candidate)}
        length, area, copper = (
            self.measured(f"{at}.{name}", name, inputs, raws[name], low.get(name, False), lines.get(name))
            for name in ("length_mm", "area_mm2", "exposed_copper_mm")
        )
        if label == "external_heat" and copper is not None:
            # no lesson shows melted insulation with bare copper, and char is as brown
            copper = None
            self.absent(f"{at}.exposed_copper_mm", _CHAR)
        if copper is None or copper.value > 0:
            named = with_bites_open(named)
        distance, goes_to = self._to_termination(f"{at}.to_termination_mm", candidate)
        rings = self._candidate_rings(candidate)
        if strange is None:
            evidence = words(label, candidate.signs, length.value if length else None, self.scaled)
        else:
            evidence = _strange(strange)
        if label == "external_heat":
            fused = self.measured(f"{at}.fused_length", "fused_length_mm", inputs, raws["fused_length_mm"])
            if fused:
                evidence += _with_u95("fused_length", fused, f"neighbours melted together over {fused.value:.0f} mm")
        affected = self._wires_affected(at, candidate, strange is None, named)
        if label == "earlier_repair":
            self._note_splices(candidate, named)
        else:
            cut = sum(part.kind == "cut_end" for part in self.scene.terminations)
            evidence += _ways_on(open_ends(self.look, self.scene, candidate), cut)
        return Region(
            id=id,
            label=label,
            **_said(named, self.model),
            **self._rings(rings),
            length_mm=length,
            area_mm2=area,
            wires_affected=affected,
            exposed_copper_mm=copper,
            to_termination_mm=distance,
            continues_under_covering=covered,
            evidence=evidence,
            to_termination_id=goes_to,
        )

    def _span(self, candidate: WireCandidate) -> np.ndarray:
        """(2, 2) canvas px, the two feet of a damage that lie farthest apart along its main direction."""
        points = self.scene.graph.points[candidate.extent.feet]
        if len(points) < 2:
            return points
        along = (points - points.mean(axis=0)) @ np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][0]
        return points[[along.argmin(), along.argmax()]]

    def _known_signs(self, candidate: WireCandidate) -> np.ndarray:
        """(F,) the candidate's signs that the gauges learnt from; what the finder says of added labels is none."""
        return self._known_named_signs(candidate)[1]

    def _known_named_signs(self, candidate: WireCandidate) -> tuple[list[str], np.ndarray]:
        known = set(self.model.measures["length_mm"].feature_names)
        signs = candidate.signs
        names = [name for name in signs.names if name in known]
        return names, np.array([signs.values[name] for name in names], np.float32)

    def _to_termination(self, where: str, candidate: WireCandidate) -> tuple[Measure | None, str | None]:
        """From the near edge to the termination that the damaged wires most likely end at, and its id."""
        ways = ways_to_terminations(self.look, self.scene, candidate)
        if not ways:
            self.absent(where, why_no_way(self.scene, candidate))
            return None, None
        mm = np.array([way.way_mm for way in ways]) * bundle_factor(self.look, self.scene, candidate)
        signs = np.stack([way.signs for way in ways])
        shares = self.model.ending.shares(signs)
        inputs = distance_inputs(self._known_signs(candidate), signs, mm, shares)
        likely = int(shares.argmax())
        distance = self.measured(
            where, "to_termination_mm", inputs, RawMeasure(float(mm[likely])), line=ways[likely].points
        )
        return distance, ways[likely].part.id if distance is not None else None

    def _wires_affected(self, at: str, candidate: WireCandidate, learnt: bool, named: Named) -> Count | None:
        if not self.traced:
            self.absent(f"{at}.wires_affected", "no single wire could be followed near the damage")
            return None
        cells, heated = candidate.region.cells, _may_be(named, "external_heat")
        counted = count_crossing(self.traced, self.look.cells.xy[cells], self.scene.graph, self.look.canvas.px_per_mm)
        gauge = self.model.counts  # models of earlier versions have none
        # learnt in millimetres; where these are assumed its interval holds as often (benchmark counts_without_scale)
        count = counted.count
        if learnt and gauge is not None:
            names, looks = self._known_named_signs(candidate)
            count = gauge.read(count, (*COUNT_SIGNS, *names), np.append(counted.signs, looks), heated)
            # whatever kinds of damage have taught: wires seen side by side in it may all be touched
            count = count.model_copy(
                update={"high": max(count.high, int(counted.signs[COUNT_SIGNS.index("wires_inside")]))}
            )
        # what a whole covering hides is safe from teeth and wear, and current keeps to its circuit; not so from heat
        beneath = self.room_beneath(cells) if heated else 0
        return count.model_copy(update={"high": max(count.high, beneath)})

    def _rings(self, rings: list[np.ndarray]) -> dict[str, Any]:
        """Outline fields of a region."""
        in_mm = [self.ring_mm(r) for r in rings] if self.scaled else None
        return {"rings_px": [self.ring_px(r) for r in rings], "rings_mm": in_mm}

    def _candidate_rings(self, candidate: WireCandidate) -> list[np.ndarray]:
        member = np.zeros(self.look.grid.index.shape, bool)
        known = self.look.grid.index >= 0
        chosen = np.isin(self.look.grid.index, candidate.region.cells)
        member[known & chosen] = True
        s = self.look.canvas.px_per_mm
        mask = canvas_mask(self.look.grid, member, self.look.canvas.ground.shape, 0.5 * s)
        tight = mask & self.look.foreground.filled
        rings = outlines(tight if tight.any() else mask, 1.0 * s * s)
        return rings or outlines(mask)

    def _note_splices(self, candidate: WireCandidate, named: Named) -> None:
        """One splice per separate sleeve of an earlier repair."""
        member = np.zeros(len(self.look.cells.xy), bool)
        member[candidate.region.cells] = True
        for patch in patches(self.look.grid, member, 3, bridge=1):
            xy = self.look.cells.xy[patch.cells]
            extent = extent_along(self.scene.graph, xy, self.look.canvas.px_per_mm)
            id = f"s{len(self.splices) + 1}"
            self._feet.append(extent.feet)
            position_mm, position_px = self.point(xy.mean(axis=0))
            sleeve = self.scene.describe(Candidate(patch.cells, candidate.region.hint, float(len(patch.cells))))
            distance, goes_to = self._to_termination(f"splices[{id}].to_termination_mm", sleeve)
            mask = canvas_mask(self.look.grid, patch.mask, self.look.canvas.ground.shape)
            self.splices.append(
                Splice(
                    id=id,
                    wire_id=self._nearest_wire(xy.mean(axis=0)),
                    position_mm=position_mm,
                    position_px=position_px,
                    rings_px=[self.ring_px(r) for r in outlines(mask)],
                    to_termination_mm=distance,
                    to_next_splice_mm=None,
                    origin="unknown" if named.unsure else "repair",
                    to_termination_id=goes_to,
                )
            )

    def _nearest_wire(self, xy: np.ndarray) -> str | None:
        best, best_distance = None, 4.0 * self.look.canvas.px_per_mm
        for wire in self.traced:
            distance = float(np.linalg.norm(wire.centreline_px - xy, axis=1).min())
            if distance < best_distance:
                best, best_distance = wire.id, distance
        return best

    def finish_splices(self) -> list[Splice]:
        """Splices with the distance, edge to edge, to the next one on the same wire."""
        done = []
        for i, splice in enumerate(self.splices):
            others = [feet for j, feet in enumerate(self._feet) if j != i and self.splices[j].wire_id == splice.wire_id]
            where = f"splices[{splice.id}].to_next_splice_mm"
            measure = None
            if not self.scaled:
                self.absent(where, NO_SCALE)
            elif splice.wire_id is None or not others:
                self.absent(where, "no other splice was found on the same wire")
            else:
                measure = self._spacing(where, self._feet[i], np.concatenate(others))
            done.append(splice.model_copy(update={"to_next_splice_mm": measure}))
        return done

    def _spacing(self, where: str, mine: np.ndarray, others: np.ndarray) -> Measure | None:
        if len(mine) == 0 or len(others) == 0:
            self.absent(where, "no bundle could be traced under one of the splices")
            return None
        way = float(self.scene.graph.distances_mm(mine)[:, others].min())
        if not np.isfinite(way):
            self.absent(where, "the two splices do not lie on one traced bundle")
            return None
        value = way * height_factor(self.look, 3.0)
        # each edge is known to within two cells
        edge = 2 * self.look.grid.step_px / self.look.canvas.px_per_mm
        ends = Source.of_u95(ENDS, edge * 2**0.5)
        return Budget(value, (ends, *self.scale_sources(value))).measure()

    def shell_region(self, id: str, candidate: ShellCandidate, named: Named) -> Region:
        """A region of damage on a housing: its broken parts, or the whole shell where none can be outlined."""
        at = f"regions[{id}]"
        mask = shell_damage_mask(self.look, candidate, self._broken)
        rings = outlines(mask, 1.0 * self.look.canvas.px_per_mm**2)
        raw = self._shell_measures(candidate)
        inputs = gauge_inputs(candidate.signs.vector(), _values(raw))
        length = self.measured(f"{at}.length_mm", "shell_length_mm", inputs, raw["shell_length_mm"])
        area = self.measured(f"{at}.area_mm2", "shell_area_mm2", inputs, raw["shell_area_mm2"])
        self.absent(f"{at}.wires_affected", "damage of a housing, not of wires")
        self.absent(f"{at}.exposed_copper_mm", "damage of a housing, not of wires")
        evidence = shell_words(candidate.signs, self.scaled)
        return Region(
            id=id,
            label="connector",
            **_said(named, self.model),
            **self._rings(rings),
            length_mm=length,
            area_mm2=area,
            wires_affected=None,
            exposed_copper_mm=None,
            to_termination_mm=Measure(value=0.0, u95=0.0) if self.scaled else None,
            continues_under_covering=False,
            evidence=evidence,
            to_termination_id=candidate.part.id if self.scaled else None,
        )

    def housing(self, candidate: ShellCandidate, named: Named) -> Housing:
        """A housing and its state: cracked only where the label is certain, unknown where it is not."""
        part = candidate.part
        raw = self._shell_measures(candidate)
        broken = named.label == "connector"
        sure = not named.unsure
        at = f"housings[{part.id}]"
        crack = missing = None
        if broken:
            inputs = gauge_inputs(candidate.signs.vector(), _values(raw))
            crack = self.measured(f"{at}.crack_length_mm", "crack_length_mm", inputs, raw["crack_length_mm"])
            missing = self.measured(f"{at}.missing_area_mm2", "missing_area_mm2", inputs, raw["missing_area_mm2"])
        else:
            found = "none was found" if sure else "not certain whether the shell is broken"
            self.absent(f"{at}.crack_length_mm", found)
            self.absent(f"{at}.missing_area_mm2", found)
        for name in ("displaced_terminals", "cavities", "plugs", "seals"):
            self.absent(f"{at}.{name}", "cannot be counted on one photograph from above")
        return Housing(
            id=part.id,
            rings_px=self.part_rings(part),
            cracked=broken if sure else None,
            crack_length_mm=crack,
            missing_area_mm2=missing,
            displaced_terminals=None,
        )

    def terminations(self) -> list[Termination]:
        """All terminations."""
        out = []
        for part in self.scene.terminations:
            mm, px = self.point(part.point)
            out.append(
                Termination(id=part.id, kind=part.kind, position_mm=mm, position_px=px, rings_px=self.part_rings(part))
            )
        return out

    def wires(self) -> list[Wire]:
        """All traced wires."""
        return [self._wire(w) for w in self.traced]

    def _wire(self, traced: TracedWire) -> Wire:
        at = f"wires[{traced.id}]"
        diameter = self.with_scale(f"{at}.diameter_mm", traced.diameter_mm, "nowhere seen whole")
        length = self.with_scale(f"{at}.length_mm", traced.length_mm, "", traced.centreline_px)
        line = traced.centreline_px[:: max(1, len(traced.centreline_px) // 80)]
        return Wire(
            id=traced.id,
            colour=traced.colour,
            diameter_mm=diameter,
            size_candidates_mm2=size_candidates(diameter.value, diameter.u95) if diameter else [],
            centreline_mm=self.ring_mm(line) if self.scaled else None,
            centreline_px=self.ring_px(line),
            length_mm=length,
            ends=list(traced.ends),
        )

    def inspected_share(self) -> float:
        """Seen share of the assembly: coverings and burnt-out pixels are unseen."""
        whole = self.scene.body.copy()
        for part in [*self.scene.housings, *self.scene.terminals]:
            if part.mask is not None:
                whole |= part.mask
        total = float(whole.sum())
        if total == 0:
            return 0.0
        hidden = self.look.even.clipped & self.look.foreground.solid
        for part in self.scene.coverings:
            if part.mask is not None:
                hidden |= part.mask
        return round(1.0 - float((hidden & whole).sum()) / total, 3)


def _values(raws: dict[str, RawMeasure]) -> dict[str, float | None]:
    return {name: raw.value for name, raw in raws.items()}


def _may_be(named: Named, label: str) -> bool:
    """Whether the damage is, or may be, this."""
    return label in (named.candidates or [named.label])


def _said(named: Named, model: DamageModel) -> dict[str, Any]:
    """What the namer said, as fields of a region."""
    return {
        "probabilities": {name: named.probabilities.get(name, 0.0) for name in model.labels},
        "unsure": named.unsure,
        "candidates": named.candidates if named.unsure else [],
        "novel": named.novel,
    }


def _strange(share: float) -> list[Evidence]:
    says = "looks like neither a sound part nor any damage that the tool was taught"
    return [Evidence(feature="strangeness", value=round(share, 3), unit="share", says=says)]


def _ways_on(loose: int | None, cut: int) -> list[Evidence]:
    """Where the bundles end, for both ends of every wire to be in the picture.

    loose : ends at no termination, those at the damage not counted; cut : all cut ends found. Where none is loose, what
    is cut is the damage's own; single wires cut within a bundle end nothing that was followed, and are not among them.
    """
    if loose is None:
        return []
    if loose:
        ends = (
            "1 bundle end leaves the picture or is" if loose == 1 else f"{loose} bundle ends leave the picture or are"
        )
        says = f"{ends} at no termination"
    else:
        stubs = "" if not cut else f", but for {cut} cut end{'s' if cut > 1 else ''} at this damage"
        says = (
            f"every bundle in the picture leads to a housing or terminal at its ends{stubs}; "
            "single wires cut within a bundle do not count as ends here"
        )
    return [Evidence(feature="open_ends", value=float(loose), unit="1", says=says)]


def _with_u95(feature: str, measure: Measure, says: str) -> list[Evidence]:
    return [
        Evidence(feature=feature, value=measure.value, unit="mm", says=says),
        Evidence(feature=f"{feature}_u95", value=measure.u95, unit="mm", says=""),
    ]
