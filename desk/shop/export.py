"""Hands out everything the records hold, row by row, as CSV that no spreadsheet takes for formulas, or as JSON."""

from __future__ import annotations

import base64
import csv
import io
import json
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import LargeBinary, Table, select
from sqlalchemy.orm import Session

from desk.records import tables
from desk.records.database import Database
from desk.records.errors import NotFound
from desk.shop.standing import urgency_words
from vision.findings import PhotoFindings, Region

_TABLES: dict[str, type[tables.Table]] = {
    "assemblies": tables.Standing,
    "orders_opened": tables.Assembly,
    "intakes": tables.Intake,
    "photographs": tables.Photograph,
    "photograph_changes": tables.PhotographChange,
    "first_answers": tables.FirstAnswer,
    "assessments": tables.Assessment,
    "review_entries": tables.ReviewEntry,
    "papers": tables.Paper,
    "jobs": tables.Job,
    "people": tables.Person,
    "people_events": tables.PersonEvent,
}
PLACES = "places"
NAMES: tuple[str, ...] = (*_TABLES, PLACES)
"""Everything there is; `places` are the damage regions of all assessments, a row each."""
WORDS = {
    "assemblies": "where each assembly stands",
    "orders_opened": "shop orders as they were opened",
    "intakes": "what was said at the counter",
    "photographs": "photographs, by hash",
    "photograph_changes": "photographs moved to another face, taken back, put back",
    "first_answers": "usable, or what to retake",
    "assessments": "findings of the model",
    "review_entries": "every word of the reviews",
    "papers": "orders, quotes, answers, closings",
    "jobs": "how assessing went",
    "people": "accounts",
    "people_events": "what happened to accounts",
    PLACES: "damage places with their measures",
}
_SECRET = {"password_hash"}
_BATCH = 200
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
_MEASURES = ("length_mm", "area_mm2", "to_termination_mm", "exposed_copper_mm")


def csv_lines(database: Database, name: str) -> Iterator[bytes]:
    """The rows under a line of headings, UTF-8; lists and objects as JSON in their cell."""
    known(name)
    with database.read() as session:
        heads = _heads(name)
        yield _line(heads)
        for row in _rows(session, name, for_csv=True):
            yield _line([_cell(row.get(head)) for head in heads])


def json_parts(database: Database, name: str) -> Iterator[bytes]:
    """One object whose field `name` is the list of rows; `everything` holds every list."""
    names = NAMES if name == "everything" else (known(name),)
    with database.read() as session:
        yield b"{"
        for index, one in enumerate(names):
            yield ("," if index else "").encode() + json.dumps(one).encode() + b":["
            for number, row in enumerate(_rows(session, one, for_csv=False)):
                yield (",\n" if number else "\n").encode() + json.dumps(row, ensure_ascii=False).encode()
            yield b"]"
        yield b"}\n"


def known(name: str) -> str:
    """The name where there is such an export; NotFound otherwise."""
    if name not in NAMES:
        raise NotFound(f"expected one of {', '.join(NAMES)}, got {name[:40]!r}: choose from the page of figures")
    return name


def neutral(text: str) -> str:
    """A cell's text that no spreadsheet carries out: one that begins like a formula gets an apostrophe before it."""
    return f"'{text}" if text.startswith(_FORMULA) else text


def _heads(name: str) -> list[str]:
    if name == PLACES:
        measures = [f"{measure}{part}" for measure in _MEASURES for part in ("", "_u95", "_low_bound")]
        return [
            "assessment", "photograph", "assembly", "made_at", "place", "label", "unsure", "novel", "candidates",
            "probability", *measures, "wires", "wires_low", "wires_high", "model_version",
        ]  # fmt: skip
    table = _table(name)
    heads = [column.name for column in table.columns if column.name not in _SECRET]
    large = {column.name for column in table.columns if isinstance(column.type, LargeBinary)}
    left_out = large | ({"findings"} if name == "assessments" else set())
    return [head for head in heads if head not in left_out]


def _table(name: str) -> Table:
    table = _TABLES[name].__table__
    assert isinstance(table, Table)
    return table


def _rows(session: Session, name: str, for_csv: bool) -> Iterator[dict[str, Any]]:
    if name == PLACES:
        yield from _places(session)
        return
    table = _table(name)
    heads = _heads(name) if for_csv else [c.name for c in table.columns if c.name not in _SECRET]
    query = select(*(table.columns[head] for head in heads)).order_by(*table.primary_key)
    for row in session.execute(query.execution_options(yield_per=_BATCH)).mappings():
        plain = {head: _plain(row[head]) for head in heads}
        if name == "assemblies":
            plain["urgency"] = urgency_words(row["urgency"])
        yield plain


def _places(session: Session) -> Iterator[dict[str, Any]]:
    assessment, photograph = tables.Assessment, tables.Photograph
    query = (
        select(assessment.id, assessment.findings, assessment.made_at, assessment.model_version, photograph.id,
               photograph.assembly_id)
        .join(photograph, photograph.id == assessment.photograph_id)
        .order_by(assessment.id)
    )  # fmt: skip
    for number, findings, made_at, version, photo, assembly in session.execute(
        query.execution_options(yield_per=_BATCH)
    ):
        head = {"assessment": number, "photograph": photo, "assembly": assembly, "made_at": made_at.isoformat()}
        for region in PhotoFindings.model_validate(findings).regions:
            yield head | _place(region) | {"model_version": version}


def _place(region: Region) -> dict[str, Any]:
    found: dict[str, Any] = {
        "place": region.id, "label": region.label, "unsure": region.unsure, "novel": region.novel,
        "candidates": list(region.candidates), "probability": region.probabilities.get(region.label or ""),
    }  # fmt: skip
    for name in _MEASURES:
        measure = getattr(region, name)
        found[name] = measure.value if measure else None
        found[f"{name}_u95"] = measure.u95 if measure else None
        found[f"{name}_low_bound"] = measure.low_bound if measure else None
    count = region.wires_affected
    found["wires"], found["wires_low"], found["wires_high"] = (
        (count.value, count.low, count.high) if count else (None, None, None)
    )
    return found


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat()
    return {"base64": base64.b64encode(value).decode()} if isinstance(value, bytes) else value


def _cell(value: Any) -> Any:
    if isinstance(value, Mapping | list):
        return neutral(json.dumps(value, ensure_ascii=False))
    return neutral(value) if isinstance(value, str) else value


def _line(cells: list[Any]) -> bytes:
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerow(cells)
    return out.getvalue().encode("utf-8")
