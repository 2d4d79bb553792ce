"""Turns the JSON object of a layout file into a MatLayout, and back, naming every mistake by its place."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from vision.layout import SCHEMA, Box, LayoutError, Marker, MatLayout, Patch, Pattern, Ruler, Text

_KEYS = {
    "schema", "name", "kind", "page_mm", "markers", "background_srgb", "patches", "pattern", "boxes", "rulers", "texts",
}  # fmt: skip


class _Reader:
    """Reads fields of one JSON object and notes what is wrong instead of stopping."""

    def __init__(self, data: Any, place: str, mistakes: list[str]):
        self.place, self.mistakes = place, mistakes
        self.data: dict[str, Any] = data if isinstance(data, dict) else {}
        if not isinstance(data, dict):
            self._wrong("", "an object", data)

    def _wrong(self, key: str, expected: str, got: Any) -> None:
        name = f"{self.place}.{key}".strip(".")
        shown = "nothing" if got is None else repr(got)[:40]
        self.mistakes.append(f"{name}: expected {expected}, got {shown}")

    def text(self, key: str) -> str:
        value = self.data.get(key)
        if not isinstance(value, str):
            self._wrong(key, "text", value)
            return ""
        return value

    def choice(self, key: str, allowed: tuple[str, ...]) -> Any:
        value = self.data.get(key)
        if value not in allowed:
            self._wrong(key, " or ".join(allowed), value)
            return allowed[0]
        return value

    def number(self, key: str) -> float:
        value: Any = self.data.get(key)
        if not _is_number(value):
            self._wrong(key, "a number", value)
            return 1.0
        return float(value)

    def integer(self, key: str) -> int:
        value = self.data.get(key)
        if not isinstance(value, int) or isinstance(value, bool):
            self._wrong(key, "a whole number", value)
            return 0
        return value

    def numbers(self, key: str, count: int, whole: bool = False) -> Any:
        value: Any = self.data.get(key)
        ok = isinstance(value, list) and len(value) == count and all(map(_is_number, value))
        if not ok or (whole and any(v != int(v) for v in value)):
            self._wrong(key, f"{count} {'whole ' if whole else ''}numbers", value)
            return (1,) * count
        return tuple(int(v) if whole else float(v) for v in value)


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < 1e7


def _marker(r: _Reader) -> Marker:
    return Marker(r.text("dictionary"), r.integer("id"), r.numbers("centre_mm", 2), r.number("side_mm"))


def _patch(r: _Reader) -> Patch:
    lab = r.numbers("lab", 3) if r.data.get("lab") is not None else None
    return Patch(r.text("name"), r.numbers("rect_mm", 4), r.numbers("srgb", 3, whole=True), lab)


def _box(r: _Reader) -> Box:
    return Box(r.numbers("rect_mm", 4), r.numbers("srgb", 3, whole=True))


def _ruler(r: _Reader) -> Ruler:
    return Ruler(
        r.numbers("start_mm", 2), r.choice("axis", ("x", "y")), r.integer("length_mm"), r.numbers("tick_mm", 3),
        r.number("line_mm"), r.numbers("srgb", 3, whole=True),
    )  # fmt: skip


def _text(r: _Reader) -> Text:
    return Text(r.numbers("at_mm", 2), r.number("cap_mm"), r.text("text"), r.numbers("srgb", 3, whole=True))


def _pattern(r: _Reader) -> Pattern:
    return Pattern(
        r.choice("kind", ("dots",)), r.numbers("rect_mm", 4), r.number("pitch_mm"), r.number("radius_mm"),
        r.numbers("srgb", 3, whole=True),
    )  # fmt: skip


def layout_from_data(data: Any, where: str) -> MatLayout:
    """A checked layout; LayoutError names every mistake of types and of geometry at once."""
    mistakes: list[str] = []
    top = _Reader(data, "", mistakes)
    top.choice("schema", (SCHEMA,))
    mistakes += [f"unknown field {key!r}" for key in sorted(set(top.data) - _KEYS)]

    def many(key: str, read: Callable[[_Reader], Any], needed: bool = False) -> tuple[Any, ...]:
        items = top.data.get(key, None if needed else [])
        if not isinstance(items, list):
            top._wrong(key, "a list", items)
            return ()
        good = []
        for i, item in enumerate(items):
            before = len(mistakes)
            part = read(_Reader(item, f"{key}[{i}]", mistakes))
            if len(mistakes) == before:
                good.append(part)
        return tuple(good)

    pattern = top.data.get("pattern")
    fields: dict[str, Any] = {
        "name": top.text("name") or "unnamed",
        "kind": top.choice("kind", ("mat", "card")),
        "page_mm": top.numbers("page_mm", 2),
        "markers": many("markers", _marker, needed=True),
        "background_srgb": top.numbers("background_srgb", 3, whole=True),
        "patches": many("patches", _patch),
        "pattern": None if pattern is None else _pattern(_Reader(pattern, "pattern", mistakes)),
        "boxes": many("boxes", _box),
        "rulers": many("rulers", _ruler),
        "texts": many("texts", _text),
    }
    return _build(fields, mistakes, where)


def _build(fields: dict[str, Any], mistakes: list[str], where: str) -> MatLayout:
    """Build it; where types were wrong too, add what the geometry says and refuse once."""
    try:
        layout = MatLayout(**fields)
    except LayoutError as error:
        known = [m for m in error.mistakes if not (mistakes and "at least one marker" in m)]
        raise LayoutError(where, mistakes + known) from error
    if mistakes:
        raise LayoutError(where, mistakes)
    return layout


def data_from_layout(layout: MatLayout) -> dict[str, Any]:
    """The JSON object; empty and absent parts are left out."""
    data = {"schema": SCHEMA} | asdict(layout)
    del data["print_u95_rel"]  # of one printout, not of the layout
    for printed in (*data["markers"], *filter(None, [data["pattern"]])):
        del printed["stretch"]
    for patch in data["patches"]:
        if patch["lab"] is None:
            del patch["lab"]
    return {key: value for key, value in data.items() if value not in (None, (), [])}


def layout_text(layout: MatLayout) -> str:
    """The text of the layout's file, one printed thing a line."""
    parts = []
    for key, value in data_from_layout(layout).items():
        if isinstance(value, (list, tuple)) and isinstance(value[0], dict):
            rows = ",\n".join("    " + json.dumps(item) for item in value)
            parts.append(f"  {json.dumps(key)}: [\n{rows}\n  ]")
        else:
            parts.append(f"  {json.dumps(key)}: {json.dumps(value)}")
    return "{\n" + ",\n".join(parts) + "\n}\n"
