"""What every finding of a photograph needs: places in px and mm, corrected measures, and reasons for absent ones."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from models.damage.store import DamageModel
from vision.findings import Measure, Missing, Ring, Scale
from vision.mat import MatView
from vision.mat_length import path_length
from vision.measure import RawMeasure
from vision.recognise import Scene
from vision.sight import FirstLook
from vision.uncertainty import LEARNT, MARKER_FIT, PRINT_SCALE, STATED_SCALE, Budget, Source

_POINTS = 12  # a line's bends between them change its length, hardly its relative uncertainty
NO_SCALE = "no scale: no mat in the photograph and none stated"


def scale_of_mat(view: MatView) -> Scale:
    """Scale from a mat or a pocket card."""
    card = view.layout.kind == "card"
    return Scale(source="card" if card else "mat", mm_per_px=view.mm_per_px, u95_rel=view.u95_rel)


@dataclass
class Notes:
    """One photograph's look, scene and model; every absent measure leaves its reason in ``missing``."""

    look: FirstLook
    scene: Scene
    model: DamageModel
    missing: list[Missing] = field(default_factory=list, kw_only=True)

    @property
    def scaled(self) -> bool:
        """Whether millimetres are real."""
        return self.look.canvas.mm_known

    @property
    def scale_u95_rel(self) -> float:
        """Relative uncertainty of the scale; a stated scale is taken at 2 %, for nobody states one better."""
        view = self.look.view
        return view.u95_rel if isinstance(view, MatView) else 0.02

    def absent(self, where: str, reason: str) -> None:
        """Note why a field is null."""
        self.missing.append(Missing(field=where, reason=reason))

    def ring_px(self, canvas_ring: np.ndarray) -> Ring:
        """Canvas ring to photograph px."""
        return [(round(float(x), 1), round(float(y), 1)) for x, y in self.look.canvas.to_photo_px(canvas_ring)]

    def ring_mm(self, canvas_ring: np.ndarray) -> Ring:
        """Canvas ring to mm."""
        return [(round(float(x), 2), round(float(y), 2)) for x, y in self.look.canvas.to_mm(canvas_ring)]

    def point(self, canvas_xy: np.ndarray) -> tuple[tuple[float, float] | None, tuple[float, float]]:
        """One canvas point as (mm or None, px)."""
        mm = self.ring_mm(np.atleast_2d(canvas_xy))[0] if self.scaled else None
        return mm, self.ring_px(np.atleast_2d(canvas_xy))[0]

    def measured(
        self,
        where: str,
        name: str,
        inputs: np.ndarray,
        raw: RawMeasure,
        low_bound: bool = False,
        line: np.ndarray | None = None,
    ) -> Measure | None:
        """A raw measure as its gauge reads it, the scale's uncertainty added; None with the reason noted.

        line : (N, 2) canvas px that a length runs along, where it is known
        """
        if not self.scaled:
            self.absent(where, NO_SCALE)
            return None
        if raw.value is None:
            self.absent(where, raw.reason)
            return None
        value, own = self.model.measures[name].read(inputs, raw.value)
        power = 2 if name.endswith("_mm2") else 1
        budget = Budget(value, (Source.of_u95(LEARNT, own), *self.scale_sources(power * value, line)))
        return budget.measure(low_bound)

    def scale_sources(self, value: float, line: np.ndarray | None = None) -> tuple[Source, ...]:
        """What the scale adds to a length (of an area: to twice its value).

        line : (N, 2) canvas px that the length runs along. On several sheets the fit is carried along it; on one the
        scale in its middle says the same.
        """
        view = self.look.view
        if not isinstance(view, MatView):
            return (Source.of_u95(STATED_SCALE, self.scale_u95_rel * value),)
        several = self.look.sheets is not None and len(self.look.sheets.mats) > 1
        if several and line is not None and len(line) > 1 and np.ptp(line, axis=0).max() > 0:
            few = np.linspace(0, len(line) - 1, min(len(line), _POINTS)).round().astype(int)
            along = path_length(view, self.look.canvas.to_photo_px(line[few]))
            return along.scaled(value / along.value).sources
        printed = view.layout.print_u95_rel
        fit = max(view.u95_rel**2 - printed**2, 0.0) ** 0.5
        return Source.of_u95(PRINT_SCALE, printed * value), Source.of_u95(MARKER_FIT, fit * value)

    def scale(self) -> Scale:
        """Where millimetres come from."""
        view = self.look.view
        if isinstance(view, MatView):
            return scale_of_mat(view)
        if self.scaled:
            mm_per_px = self.look.canvas.photo_mm_per_px(self.look.photo.width_px)
            return Scale(source="stated", mm_per_px=mm_per_px, u95_rel=self.scale_u95_rel)
        self.absent("scale.mm_per_px", view.reason)
        return Scale(source="none", assumed_mm_per_px=self.look.canvas.photo_mm_per_px(self.look.photo.width_px))
