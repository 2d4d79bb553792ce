"""What the review page shows of an assembly, as plain values: places, questions, decision and history in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from types import MappingProxyType
from typing import Any

from desk.order_asked import asked_ends
from desk.overlay import path_of, shapes
from desk.pages.review_same import not_joined, same_places
from desk.pages.units import say_length, say_sources_of
from desk.review.asked import Field, asked
from desk.review.changes import DecisionChange
from desk.review.edits import Entry, Settle, Withdraw
from desk.review.history import in_force, waiting, withdrawn
from desk.review.noting import ends_of
from desk.review.places import place_name, unjudged
from desk.review.reviewed import Reviewed
from desk.review.telling import entry_words, names_of, presented, wire_words
from desk.wording import (
    ROUTE_WORDS,
    VERDICT_WORDS,
    is_provisional,
    say_by,
    say_count,
    say_counted,
    say_label,
    say_measured,
    say_places,
    say_plan,
    say_route_now,
    say_rule,
    say_step,
    say_to_repair,
    say_worst_of,
)
from models.repair import Answers, Rules
from models.repair.bench import BenchWire
from models.repair.references import prefixes
from vision.findings import Decision, PhotoFindings, Region, Ring, RuleResult

_NONE: Mapping[str, dict[str, Any]] = MappingProxyType({})
_LAYERS = ("wires", "distances", "coverings", "terminations")


def state(
    found: Reviewed, entries: Sequence[Entry], newest: int | None, login: str, rules: Rules, unit: str,
    pictures: dict[str, dict[str, Any]], plan: str | None = None, connectors: Sequence[str] = (),
) -> dict[str, Any]:  # fmt: skip
    """Everything that the page draws. `pictures`: id, number, file and face of each photograph by its hash.

    `plan`: what the work order's plan would say, where wires were measured for it. `connectors`: of the circuit list,
    where there is one: the ends seen are then named on the photographs, to be told which of them they are.
    """
    several = len(found.photos) > 1
    same, perhaps_one = same_places(found, rules)
    return {
        "newest": newest,
        "unit": unit,
        "photos": [
            photo_state(photo, found, pictures[photo.photo.sha256], unit, bool(connectors), same)
            for photo in found.photos
        ],
        "perhaps_one": perhaps_one,
        "decision": decision_state(found.after, unit),
        "change": change_lines(found.decided, found.after.rules),
        "questions": [
            {
                "ask": say_places(one.question.ask),
                "why": say_places(one.question.why),
                "on": one.on,
                "fields": [asdict(f) | {"given": _given(f, found.answers)} for f in one.fields],
            }
            for one in (asked(question, rules) for question in found.after.open_questions)
        ],
        "unjudged": [
            {
                "place": f"{photo.photo.sha256}:{region.id}",
                "name": place_name(photo, region.id, several),
                "words": _words(region),
                "must_be_named": region.unsure or region.novel or region.label is None,
            }
            for photo, region in unjudged(found.photos, found.judged)
        ],
        "wires": [_wire_state(wire, unit) for wire in found.notes.wire],
        "branches": _branch_words(found, unit),
        "traced": _traced(found),
        "connectors": list(connectors),
        "ends": _ends(found) if connectors else [],
        "plan": say_places(say_plan(plan)) if plan else None,
        "entries": entry_states(found, entries, login, {sha: one["number"] for sha, one in pictures.items()}),
        "undo": undo_of(entries, login),
        "redo": redo_of(entries, login),
    }


def photo_state(
    photo: PhotoFindings, found: Reviewed, picture: dict[str, Any], unit: str, all_ends: bool = False,
    same: Mapping[str, dict[str, Any]] = _NONE,
) -> dict[str, Any]:  # fmt: skip
    """One photograph with its places; px of the upright original. same : of each place, which others it is"""
    sha = photo.photo.sha256
    return {
        **picture,
        "sha256": sha,
        "name": photo.photo.name,
        "width_px": photo.photo.width_px,
        "height_px": photo.photo.height_px,
        "scale": photo.scale.source,
        "not_joined": not_joined(photo),
        "regions": [
            {"same": same.get(f"{sha}:{region.id}")}
            | region_state(
                region,
                place_name(photo, region.id, len(found.photos) > 1),
                f"{sha}:{region.id}" in found.judged,
                unit,
                found.after,
            )
            for region in photo.regions
        ],
        "layers": layer_states(photo, found, unit, all_ends),
    }


def layer_states(photo: PhotoFindings, found: Reviewed, unit: str, all_ends: bool = False) -> list[dict[str, Any]]:
    """What is drawn beside the places; splices, and the housings and terminals that open questions name, have a `name`.

    all_ends : every housing and terminal has one, for all may be told which connector of the circuit list they are

    at : where the name stands, px: the outline's lowest point, so that it covers no place's name. A splice that is a
    place, too, has that one's.
    """
    places = {region.id for region in photo.regions}
    joints = {splice.id: splice.rings_px for splice in photo.splices}
    drawn: list[dict[str, Any]] = []
    for shape in shapes(photo, found.after, unit):
        if shape.kind == "splice":
            name = "" if shape.badge in places else shape.badge
            drawn.append(_named_shape("splices", shape.path, shape.title, name, joints[shape.badge]))
        elif shape.layer in _LAYERS:
            drawn.append({"layer": shape.layer, "path": shape.path, "title": shape.title})
    ends = asked_ends(photo, found.photos, [question.ask for question in found.after.open_questions])
    drawn += [_named_shape("terminations", path_of(rings), "asked about", i, rings) for i, rings in ends.items()]
    others = {end.id: end.rings_px for end in photo.terminations if all_ends and end.rings_px and end.id not in ends}
    return drawn + [_named_shape("terminations", path_of(rings), i, i, rings) for i, rings in others.items()]


def _named_shape(layer: str, path: str, title: str, name: str, rings: Sequence[Ring]) -> dict[str, Any]:
    low = max((point for ring in rings for point in ring), key=lambda point: point[1])
    return {"layer": layer, "path": path, "title": title, "name": name, "at": low}


def region_state(
    region: Region, name: str, judged: bool, unit: str, decision: Decision | None = None
) -> dict[str, Any]:
    """A region: its label in words and its measures with their uncertainty."""
    return {
        "id": region.id,
        "name": name,
        "label": region.label,
        "words": _words(region),
        "unsure": region.unsure,
        "novel": region.novel,
        "candidates": region.candidates,
        "judged": judged,
        "rings": region.rings_px,
        "length": say_measured(region.length_mm, decision, unit=unit, short=True),
        "to_termination": say_measured(region.to_termination_mm, decision, "termination-distance", unit, short=True),
        "wires": say_counted(region.wires_affected, decision),
        "copper": say_measured(region.exposed_copper_mm, decision, "conductor-damage", unit, short=True),
        "bands": [
            {"name": name, "says": say_length(measure, unit), "sources": say_sources_of(measure, unit)}
            for name, measure in (
                ("length", region.length_mm),
                ("to the nearest terminal", region.to_termination_mm),
                ("bare copper", region.exposed_copper_mm),
            )
            if measure is not None and measure.sources
        ],
        "under_covering": region.continues_under_covering,
    }


def decision_state(decision: Decision, unit: str) -> dict[str, Any]:
    """The decision in words; rules that do not apply are left out."""
    return {
        "route": decision.route,
        "route_words": say_route_now(decision.route, decision.route_worst),
        "provisional": is_provisional(decision.route, decision.route_worst),
        "by": say_by(decision.route_by, decision.rules, decision.route == "undecided"),
        "worst": decision.route_worst,
        "worst_says": say_worst_of(decision),
        "contradicted": [say_places(line) for line in decision.contradicted],
        "rules": [
            {
                "id": rule.id,
                "title": say_rule(rule),
                "verdict": rule.verdict,
                "words": VERDICT_WORDS[rule.verdict],
                "says": say_places(rule.says),
            }
            for rule in decision.rules
            if rule.verdict != "not_applicable"
        ],
        "plan": [
            {"action": action, "why": say_places(why)} for action, why in (say_step(step) for step in decision.actions)
        ],
        "wires": say_to_repair(decision.wires_to_repair, decision),
    }


def change_lines(change: DecisionChange, rules: Sequence[RuleResult]) -> list[str]:
    """What the review changed in the decision, a line for each."""
    lines = []
    if change.route:
        lines.append(f"route: {ROUTE_WORDS[change.route[0]]} → {ROUTE_WORDS[change.route[1]]}")
    if change.route_worst:
        lines.append(f"at worst: {ROUTE_WORDS[change.route_worst[0]]} → {ROUTE_WORDS[change.route_worst[1]]}")
    if change.wires_to_repair:
        lines.append(
            f"wires to repair: {say_count(change.wires_to_repair[0])} → {say_count(change.wires_to_repair[1])}"
        )
    names = {rule.id: say_rule(rule) for rule in rules}
    lines += [f"{names[r.id]}: {VERDICT_WORDS[r.before]} → {VERDICT_WORDS[r.after]}" for r in change.rules]
    for word, asks in (("closed", change.questions_closed), ("opened", change.questions_opened)):
        if asks:
            lines.append(f"questions {word}: {len(asks)}")
    return lines


def entry_states(
    found: Reviewed, entries: Sequence[Entry], login: str, numbers: Mapping[str, int] = MappingProxyType({})
) -> list[dict[str, Any]]:
    """The history, the newest first: who, when, what, and whether it counts. numbers : of the photographs, by hash"""
    gone, doubtful = withdrawn(entries), set(waiting(entries))
    counting = {entry.id for entry in in_force(entries)}
    aside = {item.entry: item for item in found.set_aside}
    names = names_of(found, entries, numbers)
    shown = [presented(entry, found) for entry in entries]
    by_id = {entry.id: entry for entry in shown}
    states = []
    for entry in reversed(shown):
        control = isinstance(entry.edit, Withdraw | Settle)
        standing = "waits" if entry.id in doubtful else "taken back" if entry.id in gone else ""
        if not standing and not control:
            standing = aside[entry.id].words if entry.id in aside else "" if entry.id in counting else "left out"
        states.append(
            {
                "id": entry.id, "person": entry.person, "mine": entry.person == login, "made_at": entry.made_at,
                "kind": entry.edit.kind, "words": entry_words(entry, names, found.treated, by_id),
                "standing": standing,
                "reason": aside[entry.id].reason if entry.id in aside else "", "based_on": entry.based_on,
                "against": against(entry, shown, names, found.treated) if entry.id in doubtful else [],
            }
        )  # fmt: skip
    return states


def against(
    entry: Entry, entries: Sequence[Entry], names: Mapping[str, str], treated: Mapping[int, Mapping[str, str]]
) -> list[str]:
    """What others had put on record that the writer of an entry had not seen."""
    return [
        f"{other.person}: {entry_words(other, names, treated, {one.id: one for one in entries})}"
        for other in entries
        if (entry.based_on or 0) < other.id < entry.id and other.person != entry.person
    ]


def _given(field: Field, answers: Answers) -> str:
    """A number that was answered, while the question is open for another: its field shows it, to be put right there."""
    value = getattr(answers, field.name) if field.kind in ("ampere", "mm2") else None
    return "" if value is None else f"{value:g}"


def _words(region: Region) -> str:
    return "novel damage" if region.novel else say_label(region.label)


def _wire_state(wire: BenchWire, unit: str) -> dict[str, Any]:
    """A wire that was measured, as its form shows it again."""
    words = " ".join(part for part in (wire.id, wire.circuit, wire.colour) if part)
    says = wire_words(wire, lambda mm: say_length(mm, unit))
    return {"id": wire.id, "words": words, "says": says, "noted": wire.model_dump(mode="json")}


def _branch_words(found: Reviewed, unit: str) -> str | None:
    points = found.notes.branch_points_mm
    if points is None:
        return None
    return ", ".join(say_length(at, unit) for at in points) or "none"


def _ends(found: Reviewed) -> list[dict[str, str]]:
    """Every end seen, with the connector that it was named; empty where it was not."""
    several, heads = len(found.photos) > 1, prefixes(found.photos)
    return [
        {
            "photo": photo.photo.sha256,
            "end": end,
            "name": place_name(photo, end, several),
            "connector": found.notes.connectors.get(head + end, ""),
        }
        for head, photo in zip(heads, found.photos, strict=True)
        for end in ends_of(photo)
    ]


def _traced(found: Reviewed) -> list[str]:
    """Names of the wires that the photographs show damaged, to choose from."""
    several = len(found.photos) > 1
    hit = {
        (photo.photo.sha256, wire)
        for photo in found.photos for region in photo.regions if region.wires_affected
        for wire in region.wires_affected.wire_ids
    }  # fmt: skip
    return [
        f"{photo.photo.name}:{wire.id}" if several else wire.id
        for photo in found.photos for wire in photo.wires if (photo.photo.sha256, wire.id) in hit
    ]  # fmt: skip


def undo_of(entries: Sequence[Entry], login: str) -> int | None:
    """The person's newest entry that counts."""
    return max((entry.id for entry in in_force(entries) if entry.person == login), default=None)


def redo_of(entries: Sequence[Entry], login: str) -> int | None:
    """The person's newest taking-back, as long as they have said nothing new since."""
    gone, by_id = withdrawn(entries), {entry.id: entry for entry in entries}
    mine = [entry for entry in entries if entry.person == login]
    said = max((entry.id for entry in mine if not isinstance(entry.edit, Withdraw)), default=0)
    found = [
        entry.id
        for entry in mine
        if isinstance(entry.edit, Withdraw) and entry.id not in gone and entry.id > said
        and not isinstance(by_id[entry.edit.entry].edit, Withdraw)
    ]  # fmt: skip
    return max(found, default=None)
