"""What a review changed: single values with what they were before, and the decision."""

from __future__ import annotations

from typing import Any

from vision.findings import Count, Decision, Finding, Measure, PhotoFindings, Region, Route, Verdict

_FIELDS = (
    "label", "unsure", "novel", "rings_px", "length_mm", "area_mm2", "wires_affected", "exposed_copper_mm",
    "to_termination_mm", "continues_under_covering",
)  # fmt: skip


class Change(Finding):
    """One value that an entry changed. `region` None: of the photograph; `before` or `after` None: there was none."""

    entry: int
    photo: str
    region: str | None
    field: str
    before: Any
    after: Any


class RuleChange(Finding):
    """A rule that says something else after the review."""

    id: str
    before: Verdict
    after: Verdict


class DecisionChange(Finding):
    """What the review changed in the decision; empty where it changed nothing."""

    route: tuple[Route, Route] | None
    route_worst: tuple[Route, Route] | None
    wires_to_repair: tuple[Count | None, Count | None] | None
    rules: list[RuleChange]
    questions_closed: list[str]
    questions_opened: list[str]

    @property
    def any(self) -> bool:
        """Whether anything changed."""
        moved = self.route or self.route_worst or self.wires_to_repair
        return bool(moved or self.rules or self.questions_closed or self.questions_opened)


def changes_between(entry: int, before: PhotoFindings, after: PhotoFindings) -> list[Change]:
    """Every value of the photograph's regions, housings, joints and scale that differs."""
    sha = after.photo.sha256
    was, now = {r.id: r for r in before.regions}, {r.id: r for r in after.regions}
    found = []
    for id in dict.fromkeys([*was, *now]):
        one, other = was.get(id), now.get(id)
        if one is None or other is None:
            found.append(
                Change(entry=entry, photo=sha, region=id, field="region", before=_said(one), after=_said(other))
            )
            continue
        found += [
            Change(entry=entry, photo=sha, region=id, field=name, before=_plain(getattr(one, name)),
                   after=_plain(getattr(other, name)))
            for name in _FIELDS
            if getattr(one, name) != getattr(other, name)
        ]  # fmt: skip
    for name in ("scale", "housings", "splices", "label"):
        if getattr(before, name) != getattr(after, name):
            found.append(
                Change(entry=entry, photo=sha, region=None, field=name, before=_plain(getattr(before, name)),
                       after=_plain(getattr(after, name)))
            )  # fmt: skip
    return found


def _said(region: Region | None) -> dict[str, Any] | None:
    return None if region is None else region.model_dump(mode="json")


def _plain(value: Any) -> Any:
    if isinstance(value, Finding | Measure):
        return value.model_dump(mode="json")
    return [_plain(item) for item in value] if isinstance(value, list) else value


def decision_change(before: Decision, after: Decision) -> DecisionChange:
    """What differs between two decisions on one assembly."""
    verdicts = {rule.id: rule.verdict for rule in before.rules}
    asked, still = [q.ask for q in before.open_questions], [q.ask for q in after.open_questions]
    return DecisionChange(
        route=(before.route, after.route) if before.route != after.route else None,
        route_worst=(before.route_worst, after.route_worst) if before.route_worst != after.route_worst else None,
        wires_to_repair=(before.wires_to_repair, after.wires_to_repair)
        if before.wires_to_repair != after.wires_to_repair
        else None,
        rules=[
            RuleChange(id=rule.id, before=verdicts[rule.id], after=rule.verdict)
            for rule in after.rules
            if rule.verdict != verdicts[rule.id]
        ],
        questions_closed=[ask for ask in dict.fromkeys(asked) if ask not in still],
        questions_opened=[ask for ask in dict.fromkeys(still) if ask not in asked],
    )
