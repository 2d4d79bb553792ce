"""The report: one self-contained HTML page on all photographs of a run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import jinja2

from desk import plain_signs, wording
from desk.overlay import LAYERS, Shape, path_of, shapes
from desk.pictures import CLOSE_UP_SIDE_PX, close_up_box, data_uri
from models.repair.assembly import shows_none
from vision.findings import Decision, PhotoFindings, Region
from vision.reading import read_photo

if TYPE_CHECKING:  # what assesses opens a model: whoever draws a page does without
    from desk.batch import Entry, Run
    from desk.demo_truth import Told

TEMPLATES = Path(__file__).parent / "templates"
_NOTHING: Mapping[str, Told] = MappingProxyType({})


@dataclass(frozen=True)
class CloseUp:
    """A region seen near: picture and outline, `view_box` in original pixels."""

    picture: str
    view_box: str
    path: str
    width: int
    height: int


@dataclass(frozen=True)
class PhotoView:
    """One photograph as the page shows it."""

    anchor: str
    findings: PhotoFindings
    picture: str
    shapes: Sequence[Shape]
    close_ups: dict[str, CloseUp]
    told: Told | None = None


def environment() -> jinja2.Environment:
    """Templates with escaping always on: photograph names and answers are other people's text."""
    env = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.globals.update(
        plain_sign=plain_signs.plain_sign,
        spoilt=plain_signs.spoilt,
        say_label=wording.say_label,
        say_region=wording.say_region,
        say_measure=wording.say_measure,
        say_measured=wording.say_measured,
        say_counted=wording.say_counted,
        say_to_repair=wording.say_to_repair,
        say_sources=wording.say_sources,
        say_count=wording.say_count,
        say_answer=wording.say_answer,
        shows_none=shows_none,
        waits_for_assembly=wording.waits_for_assembly,
        say_limit=wording.say_limit,
        say_step=wording.say_step,
        say_by=wording.say_by,
        say_rule=wording.say_rule,
        say_rule_id=wording.say_rule_id,
        say_changes=wording.say_changes,
        asked_together=wording.asked_together,
        route_words=wording.ROUTE_WORDS,
        is_provisional=wording.is_provisional,
        say_route_now=wording.say_route_now,
        say_worst_of=wording.say_worst_of,
        verdict_words=wording.VERDICT_WORDS,
    )
    return env


def report_html(
    run: Run, title: str | None = None, made_at: datetime | None = None, told: Mapping[str, Told] = _NOTHING
) -> str:
    """The page as text. Photographs are read again for their pictures; `made_at` defaults to now (UTC).

    told : of photographs with truth, by path, what was really there
    """
    of_all = run.assembly.decision if run.assembly else None
    views = [
        _view(i, entry, told.get(str(entry.path)), of_all)
        for i, entry in enumerate(run.entries)
        if entry.findings is not None
    ]
    decisions = [view.findings.decision for view in views if view.findings.decision is not None]
    return (
        environment()
        .get_template("report.html.j2")
        .render(
            views=views,
            waits=all(wording.waits_for_assembly(view.findings, of_all or view.findings.decision) for view in views),
            unread=[entry.error for entry in run.entries if entry.error is not None],
            assembly=run.assembly,
            title=title or _title(run),
            cautions=wording.cautions_of_all(decisions) if len(decisions) > 1 else [],
            layers=("truth", *LAYERS) if told else LAYERS,
            truth=_truth_values(told),
            made_at=(made_at or datetime.now(UTC)).strftime("%Y-%m-%d %H:%M UTC"),
            models=sorted({view.findings.model.version for view in views}),
        )
    )


def _title(run: Run) -> str:
    return "Damage report" if run.assembly is None else f"Assembly {run.assembly.assembly}"


def _truth_values(told: Mapping[str, Told]) -> dict[str, Any] | None:
    """How many answers are what, and what those words mean; None where no truth is known."""
    if not told:
        return None
    from desk.demo_truth import WORDS, summary

    return {"summary": summary(told), "words": list(WORDS.values())}


def _view(index: int, entry: Entry, told: Told | None, together: Decision | None) -> PhotoView:
    findings = entry.findings
    assert findings is not None
    photo = read_photo(entry.path)
    return PhotoView(
        anchor=f"photo-{index + 1}",
        findings=findings,
        picture=data_uri(photo.bgr),
        shapes=[*shapes(findings, findings.decision or together, apart=True), *(told.shapes if told else ())],
        close_ups={region.id: close_up(photo.bgr, region) for region in findings.regions if region.rings_px},
        told=told,
    )


def close_up(bgr: Any, region: Region) -> CloseUp:
    """The region's part of the picture at full resolution, with its outline. bgr : (H, W, 3) uint8."""
    height, width = bgr.shape[:2]
    x, y, w, h = close_up_box(region.rings_px, width, height)
    picture = data_uri(bgr[y : y + h, x : x + w], CLOSE_UP_SIDE_PX)
    return CloseUp(picture, f"{x - 0.5} {y - 0.5} {w} {h}", path_of(region.rings_px), w, h)
