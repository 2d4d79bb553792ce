"""Coverings of one photograph, the trunks beneath them, and how many wires those may hold."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from desk.notes import NO_SCALE, Notes
from vision.findings import Covering, Measure, Ring
from vision.grid import outlines
from vision.measure import RawMeasure, runs_under_covering
from vision.parts import Part
from vision.recognise import Scene
from vision.regions import extent_along
from vision.trunks import Trunk, trunk_beneath
from vision.uncertainty import Budget, Source
from vision.wires import TracedWire

_TIE_MM = 7.0
"""A band narrower than this is a cable tie: ties are some 5 mm wide at most, nobody winds so little tape."""
_NO_TRUNK = "no bundle could be traced under the covering"
_NO_WIRES = "no wire beside the covering could be measured"


@dataclass
class Covered(Notes):
    """What lies beneath the coverings, as far as it can be told from outside."""

    traced: list[TracedWire]
    _trunks: dict[str, Trunk] = field(default_factory=dict, kw_only=True)

    def coverings(self) -> list[Covering]:
        """All coverings, with their length along the bundle."""
        out = []
        for part in self.scene.coverings:
            assert part.mask is not None
            at = f"coverings[{part.id}]"
            ys, xs = np.nonzero(part.mask[::4, ::4])
            extent = extent_along(self.scene.graph, np.stack([xs, ys], axis=1) * 4.0, self.look.canvas.px_per_mm)
            raw = RawMeasure(extent.length_mm, _NO_TRUNK)
            length = self.measured(f"{at}.length_mm", "covering_length_mm", np.zeros(0), raw)
            trunk = self._trunk(part)
            if trunk.wires is None:
                self.absent(f"{at}.wires", _NO_WIRES if trunk.width_mm else _NO_TRUNK)
            out.append(
                Covering(
                    id=part.id,
                    kind="tie" if length is not None and length.value < _TIE_MM else part.kind,
                    rings_px=self.part_rings(part),
                    length_mm=length,
                    width_mm=self.with_scale(f"{at}.width_mm", trunk.width_mm, _NO_TRUNK),
                    wires=trunk.wires,
                )
            )
        return out

    def _trunk(self, part: Part) -> Trunk:
        """The bundle beneath a covering, measured once."""
        if part.id not in self._trunks:
            self._trunks[part.id] = trunk_beneath(self.look, self.scene, part, self.traced)
        return self._trunks[part.id]

    def room_beneath(self, cells: np.ndarray) -> int:
        """How many wires at most run under the coverings that these cells reach; 0 where there are none."""
        reached = [p for p in self.scene.coverings if runs_under_covering(self.look, _only(self.scene, p), cells)]
        counts = [self._trunk(part).wires for part in reached]
        return max((count.high for count in counts if count is not None), default=0)

    def with_scale(
        self, where: str, measure: Measure | None, reason: str, line: np.ndarray | None = None
    ) -> Measure | None:
        """A measure from the picture alone with the scale's uncertainty added, or None with the reason noted."""
        if not self.scaled or measure is None:
            self.absent(where, reason if self.scaled else NO_SCALE)
            return None
        own = [Source.of_u95(one.name, one.u95) for one in measure.sources]
        return Budget(measure.value, (*own, *self.scale_sources(measure.value, line))).measure(measure.low_bound, 3)

    def part_rings(self, part: Part) -> list[Ring]:
        """Outlines of a part in the photograph; none of a cut end."""
        return [] if part.mask is None else [self.ring_px(r) for r in outlines(part.mask, 4.0, 1.5)]


def _only(scene: Scene, part: Part) -> Scene:
    """The scene as if this were its only covering."""
    return replace(scene, coverings=[part])
