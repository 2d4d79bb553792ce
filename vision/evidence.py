"""Physical signs of a damage region: named features with units, and the same in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.bundles import BundleGraph
from vision.cell_patches import LEARNT, LEAST_LOG
from vision.cells import Cells
from vision.findings import Evidence
from vision.regions import Candidate, Extent

_SIGNS: tuple[str, ...] = (
    "light_1mm", "chroma_1mm", "light_spread_1mm", "light_spread_3mm", "chroma_spread_3mm",
    "copper_share_1.2mm", "copper_share_3mm", "black_share_1.2mm", "black_share_7mm", "brown_share_3mm",
    "glint_share_3mm", "edge_rough_4mm", "edge_rough_10mm", "crumbs_14mm", "along_change_1.5mm", "along_change_4mm",
    "across_step", "across_light_step", "valleys_per_mm", "valley_depth", "coherence_2.5mm", "coherence_8mm",
    "turn_2.5mm", "energy_2.5mm", "break_near_3mm", "break_far_6mm", "break_near_11mm", "break_median",
    "change_light", "change_a", "change_b", "wire_runs_on", "dark_line_2mm", "bright_line_2mm", "width_across_mm",
    "depth_mm", "half_width_mm", "cover_2mm", "cover_5mm",
    "lane_light_spread", "lane_colour_spread", "lane_step_mean", "lane_step_10mm", "lane_step_far_min",
    "lane_own_light", "lane_own_colour", "lane_end_light", "lane_end_colour", "lane_dark_share", "lane_brown_share",
    "lane_inside_share", "interruption", "interruption_mm", "interruption_side_mm", "interruption_light",
    "interruption_chroma", "interruption_a", "interruption_b", "piece_light", "piece_chroma", "piece_light_spread",
    "piece_colour_spread", "piece_copper_share", "piece_dark_share", "piece_end_step_min",
    "copper_spot_log_area", "copper_spot_log_length", "copper_spot_log_width", "copper_spot_ragged",
    "char_spot_log_area", "char_spot_log_length", "char_spot_log_width", "char_spot_ragged",
)  # fmt: skip
"""Cell features that are summed up over a region."""

_SEEN = 2.0
"""Differences of lightness or hue below this (CIELAB units) are none that a person sees, and no evidence."""

_TRACE = 0.02
"""A smaller share of a surface is none that a person would point at."""


@dataclass(frozen=True)
class RegionSigns:
    """The description of one candidate that the namer reads. values : named features, in a fixed order."""

    values: dict[str, float]

    @property
    def names(self) -> tuple[str, ...]:
        """Names in order."""
        return tuple(self.values)

    def vector(self) -> np.ndarray:
        """(F,) float32."""
        return np.array(list(self.values.values()), np.float32)


_LEAST_SEEN_MM2 = 4.0
_BESIDE_WIDEST = 1 / 3
_BREAKS = {
    "fracture": "looks cracked or fractured",
    "hollow": "looks as if a lock had broken off",
    "piece": "pieces lie on or beside it",
    "terminal": "looks as if terminals stood out",
}


def reference_cells(cells: Cells, wire_probability: np.ndarray, damage: np.ndarray) -> np.ndarray:
    """(N,) bool: cells that show the same assembly's sound wires, to compare a damage with."""
    sound = (wire_probability > 0.6) & ~damage
    return sound if sound.sum() >= 20 else ~damage


def learnt_names(cells: Cells) -> list[str]:
    """Names of what a learnt eye says of the cells, where one looked."""
    return [name for name in cells.names if name.startswith(LEARNT)]


def usual_signs(cells: Cells, reference: np.ndarray) -> np.ndarray:
    """Median of each sign over the (N,) bool reference cells (all where there is none), to compare regions with."""
    base = cells.features[reference] if reference.any() else cells.features
    columns = np.ascontiguousarray(base[:, [cells.names.index(name) for name in _SIGNS]].T)
    return np.median(columns, axis=1)


@dataclass(frozen=True)
class View:
    """What a candidate is described from: all cells of the photograph, and what the finder says of them.

    probabilities : (N, C) in the order of `classes`; usual : of `usual_signs`; on_bundle : (N,) bool, cells on wires
    and coverings; stretches : for each damage (N,) the number of the connected stretch that is suspected of it, or -1
    """

    cells: Cells
    probabilities: np.ndarray
    classes: tuple[str, ...]
    usual: np.ndarray
    on_bundle: np.ndarray
    stretches: dict[str, np.ndarray]

    def stretch_of(self, candidate: Candidate) -> np.ndarray:
        """(n,) cells of a candidate and of what is suspected of its damage in one piece with it."""
        number = self.stretches.get(candidate.hint)
        if number is None:
            return candidate.cells
        mine = number[candidate.cells]
        return np.union1d(candidate.cells, np.flatnonzero(np.isin(number, mine[mine >= 0])))


def region_signs(
    candidate: Candidate, view: View, extents: tuple[Extent, Extent], graph: BundleGraph, cell_mm: float
) -> RegionSigns:
    """Describe a candidate on wires: its signs, against the same assembly's sound wires, and its extents.

    extents : of the candidate, and of the suspected stretch that it stands out of
    """
    extent, wide = extents
    cells, usual, mine = view.cells, view.usual, candidate.cells
    values: dict[str, float] = {}
    elsewhere = view.on_bundle.copy()
    elsewhere[mine] = False
    around = view.probabilities[elsewhere] if elsewhere.any() else np.zeros((1, len(view.classes)))
    # what the finder suspects along the whole bundle is the bundle's look, not a damage's
    suspected = np.percentile(around, 90, axis=0)
    for k, name in enumerate(view.classes):
        column = view.probabilities[mine, k]
        values[f"finder_{name}"] = float(column.mean())
        values[f"finder_{name}_top"] = float(np.percentile(column, 90))
        values[f"finder_{name}_elsewhere"] = float(suspected[k])
    for name in learnt_names(cells):
        column = cells.column(name)
        values[name] = float(column[mine].mean())
        values[f"{name}_top"] = float(np.percentile(column[mine], 90))
        values[f"{name}_elsewhere"] = float(np.percentile(column[elsewhere], 90)) if elsewhere.any() else LEAST_LOG
    columns = cells.features[mine][:, [cells.names.index(name) for name in _SIGNS]]
    means, tops = columns.mean(axis=0), np.percentile(columns, 90, axis=0)
    for name, mean, top, sound in zip(_SIGNS, means.tolist(), tops.tolist(), usual.tolist(), strict=True):
        values[name] = mean
        values[f"{name}_top"] = top
        values[f"{name}_over_sound"] = mean - sound
    area = len(mine) * cell_mm**2
    length = extent.length_mm or cell_mm * np.sqrt(len(mine))
    bundle = 2 * float(np.median(graph.half_width_mm[extent.feet])) if len(extent.feet) else 0.0
    values["log_area_mm2"] = float(np.log1p(area))
    values["log_length_mm"] = float(np.log1p(length))
    values["mean_width_mm"] = area / max(length, 2.0)
    values["share_of_bundle"] = area / max(length * bundle, area, 1.0)
    values["bundle_width_mm"] = bundle
    values["stretch_log_length_mm"] = float(np.log1p(wide.length_mm or length))
    values["share_of_stretch"] = len(mine) / len(view.stretch_of(candidate))
    values["mass_per_cell"] = candidate.mass / max(len(mine), 1)
    return RegionSigns(values)


def words(label: str | None, signs: RegionSigns, length_mm: float | None, scaled: bool) -> list[Evidence]:
    """The signs that speak for a label, strongest first, in words; ``scaled`` says whether millimetres are real."""
    v = signs.values
    over = f" over {length_mm:.0f} mm" if length_mm else ""
    out: list[Evidence] = []

    def add(feature: str, value: float, unit: str, says: str) -> None:
        out.append(Evidence(feature=feature, value=round(float(value), 3), unit=unit, says=says))

    lost = valleys_lost(signs)
    if label == "external_heat":
        if lost >= _TRACE:
            add("valleys_lost", lost, "share", f"{lost:.0%} of the valleys between neighbouring wires lost{over}")
        lumpy = v["along_change_4mm_over_sound"]
        if lumpy > 0:
            add("along_change", lumpy, "log (L/mm)²", "surface lumpier along the wires than on the sound ones")
        charred = v["black_share_1.2mm_top"]
        if charred >= _TRACE:
            add("black_share", charred, "share", f"charred spots cover up to {charred:.0%}")
    elif label == "electrical_overload":
        change = float(np.hypot(v["change_a"], v["change_b"]))
        add(
            "colour_break", v["break_median"], "ΔE", f"colour leaves the wire's own by ΔE {v['break_median']:.0f}{over}"
        )
        if v["change_light"] <= -_SEEN:
            darker = -v["change_light"]
            add("darkening", darker, "L", f"darker than the continuing wire by {darker:.0f} L")
        if change >= _SEEN:
            add("hue_shift", change, "ΔE", f"hue shifted by {change:.0f} along the wire")
        across = v["share_of_bundle"]
        single = ": single circuits, not the whole bundle" if across < 0.5 else ""
        add("share_of_bundle", across, "share", f"{across:.0%} of the bundle's width{single}")
    elif label == "rodent":
        if v["edge_rough_4mm_top"] >= _TRACE:
            add("edge_rough", v["edge_rough_4mm_top"], "share", f"edges ragged{' at 1-3 mm' if scaled else ''}")
        bare = v["copper_share_1.2mm_top"]
        if bare >= _TRACE:
            add("copper_share", bare, "share", f"copper shows in up to {bare:.0%}")
        if v["crumbs_14mm_top"] > 0.5:
            add("crumbs", v["crumbs_14mm_top"], "log share", "crumbs beside the wires")
    elif label == "abrasion":
        bare = v["copper_share_1.2mm_top"]
        if bare >= _TRACE:
            add("copper_share", bare, "share", f"copper-like surface in up to {bare:.0%}")
        if v["change_light"] >= _SEEN:
            add("lightening", v["change_light"], "L", f"lighter than the continuing wire by {v['change_light']:.0f} L")
        if v["edge_rough_4mm_top"] < _TRACE:
            add("edge_rough", v["edge_rough_4mm_top"], "share", "outline smooth: worn, not bitten")
    elif label == "earlier_repair":
        add(
            "colour_break", v["break_median"], "ΔE", f"another colour than the wire by ΔE {v['break_median']:.0f}{over}"
        )
        if scaled:
            wide = f"{v['mean_width_mm']:.1f} mm wide: one sleeve, or several side by side"
            add("width", v["mean_width_mm"], "mm", wide)
    else:
        add("colour_break", v["break_median"], "ΔE", f"colour leaves the wire's own by ΔE {v['break_median']:.0f}")
    return out


def valleys_lost(signs: RegionSigns) -> float:
    """Share of the valleys between wires that are gone against the same assembly's sound part, 0..1."""
    here = signs.values["valleys_per_mm"]
    usual = here - signs.values["valleys_per_mm_over_sound"]
    return float(np.clip(1 - here / usual, 0, 1)) if usual > 1e-3 else 0.0


def shell_words(signs: RegionSigns, scaled: bool) -> list[Evidence]:
    """The signs of a broken housing in words, the widest first; ``scaled`` says whether millimetres are real.

    What covers much less than the widest sign is left out: around one break a little of every kind is seen. Dark lines
    and corners that lack something are those of whole shells, too, and only said where nothing else is.
    """
    unit = "mm" if scaled else "assumed mm"
    values = signs.values
    found: list[Evidence] = []

    def add(feature: str, value: float, of: str, says: str) -> None:
        found.append(Evidence(feature=feature, value=round(value, 1), unit=of, says=says))

    seen = {kind: values.get(f"seen_{kind}_mm2", 0.0) for kind in _BREAKS}
    least = max(_LEAST_SEEN_MM2, _BESIDE_WIDEST * max(seen.values()))
    for kind in sorted((kind for kind in seen if seen[kind] >= least), key=lambda kind: -seen[kind]):
        longest = values[f"seen_{kind}_longest_mm"]
        long = f", up to {longest:.0f} mm long" if scaled else ""
        add(f"seen_{kind}", seen[kind], f"{unit}²", f"{_BREAKS[kind]}{long}")
    crack, lack, pieces = (values[f"shell_{name}"] for name in ("crack_ridge_mm", "corner_lack_max_mm2", "fragments"))
    if not found:
        of, much = (f" of {crack:.0f} mm", f"{lack:.0f} mm²") if scaled else ("", "something")
        add("crack_ridge", crack, unit, f"crooked dark lines{of} across the shell")
        add("corner_lack", lack, f"{unit}²", f"the outline lacks {much} at a corner")
    if pieces:
        says = f"{pieces:.0f} loose piece{'' if pieces == 1 else 's'} of the shell's colour nearby"
        add("fragments", pieces, "count", says)
    return found
