"""Draws the plan of a branch on a sheet: each wire as a line to scale, with what is replaced and where joints lie."""

from __future__ import annotations

from collections.abc import Sequence

from desk.sheet import Sheet, printable
from models.repair.plan import Plan, WirePlan

_ROW_MM = 11.0
_NAME_MM = 30.0
_NAMES_MM = 4.0
_WIRE_MM = 6.5
"""From the top of a row to its wire."""


def draw_plan(sheet: Sheet, plan: Plan) -> None:
    """All wires under each other, aligned by their station along the branch; new wire thick, joints as black marks,
    branches as diamonds on dashed lines.
    """
    if not plan.wires:
        return
    left = min(wire.offset_mm for wire in plan.wires)
    right = max(wire.offset_mm + wire.length_mm for wire in plan.wires)
    scale = (sheet.epw - _NAME_MM - 6) / max(1.0, right - left)
    named = plan.branch_points_mm or ()
    points = [at for at in named if left <= at <= right]
    places = [sheet.l_margin + _NAME_MM + (at - left) * scale for at in points]
    sheet.room(min(len(plan.wires), 18) * _ROW_MM + 12)  # together, unless there are more than a page holds
    page = 0
    for wire in plan.wires:
        sheet.room(_ROW_MM + 12)
        if points and sheet.page_no() != page:
            _name_branches(sheet, points, places)
        page = sheet.page_no()
        x0 = sheet.l_margin + _NAME_MM + (wire.offset_mm - left) * scale
        _dash_branches(sheet, places)
        _draw(sheet, wire, x0, scale)
        _mark_branches(sheet, [x for x in places if x0 <= x <= x0 + wire.length_mm * scale])
    sheet.set_font("Helvetica", "I", 7.5)
    sheet.multi_cell(sheet.epw, 3.6, _legend(points, named), new_x="LMARGIN", new_y="NEXT")
    sheet.ln(1)


def _legend(points: Sequence[float], named: Sequence[float]) -> str:
    says = (
        "To scale along the branch. Thin: wire that stays. Thick: new wire. Hatched: damage with its margin. "
        "Dashed box: closed or flexing part. "
        "Block with number: joint, mm from the start."
    )
    if points:
        says += " Diamond on a dashed line: branch of the assembly, mm along it."
    beyond = [at for at in named if at not in points]
    return says + (f" Branches beyond the drawing: {', '.join(f'{at:g}' for at in beyond)} mm." if beyond else "")


def _name_branches(sheet: Sheet, points: Sequence[float], places: Sequence[float]) -> None:
    """A line of names above the wires; points: stations, mm; places: where they are on the sheet, mm."""
    top = sheet.get_y()
    sheet.set_font("Helvetica", "", 7.5)
    last = sheet.l_margin + _NAME_MM - 6
    for at, x in zip(points, places, strict=True):
        text = f"branch {at:g}"
        wide = sheet.get_string_width(text)
        left = max(min(x - wide / 2, sheet.l_margin + sheet.epw - wide), last + 1.5)
        sheet.text(left, top + 3, text)
        last = left + wide
    sheet.set_xy(sheet.l_margin, top + _NAMES_MM)


def _dash_branches(sheet: Sheet, places: Sequence[float]) -> None:
    """Dashed lines over the height of the row that is drawn next, so that they run on from row to row."""
    top = sheet.get_y()
    sheet.set_line_width(0.25)
    sheet.set_dash_pattern(1.1, 0.8)
    for x in places:
        sheet.line(x, top - 0.4, x, top + _ROW_MM - 0.4)
    sheet.set_dash_pattern()


def _mark_branches(sheet: Sheet, places: Sequence[float]) -> None:
    """White diamonds on the wire drawn last, above everything else in its row."""
    y = sheet.get_y() - _ROW_MM + _WIRE_MM
    sheet.set_line_width(0.35)
    sheet.set_fill_color(255)
    for x in places:
        sheet.polygon([(x, y - 1.7), (x + 1.4, y), (x, y + 1.7), (x - 1.4, y)], style="DF")
    sheet.set_fill_color(0)


def _draw(sheet: Sheet, wire: WirePlan, x0: float, scale: float) -> None:
    y = sheet.get_y() + _WIRE_MM
    sheet.set_font("Helvetica", "B", 8.5)
    sheet.set_xy(sheet.l_margin, y - 4)
    sheet.cell(_NAME_MM - 2, 4, printable(f"{wire.wire} {wire.colour or ''}")[:20])
    sheet.set_font("Helvetica", "", 6.5)
    sheet.set_xy(sheet.l_margin, y - 0.4)
    sheet.cell(_NAME_MM - 2, 3, printable(f"from {wire.start}")[:28])
    sheet.set_line_width(0.3)
    sheet.line(x0, y, x0 + wire.length_mm * scale, y)
    for piece in wire.pieces:
        sheet.set_line_width(1.4)
        sheet.line(x0 + piece.from_mm * scale, y, x0 + piece.to_mm * scale, y)
    sheet.set_line_width(0.25)
    for low, high in wire.lost:
        _hatch(sheet, x0 + low * scale, x0 + min(high, wire.length_mm) * scale, y)
    sheet.set_dash_pattern(0.9, 0.6)
    for begin, end_mm in wire.closed:
        sheet.rect(x0 + begin * scale, y - 2.9, max(0.8, (end_mm - begin) * scale), 5.8)
    sheet.set_dash_pattern()
    sheet.set_line_width(0.5)
    for end, known in ((0.0, wire.start), (wire.length_mm, wire.end)):
        if "not seen" in known:
            sheet.set_dash_pattern(0.6, 0.6)
        sheet.rect(x0 + end * scale - 1, y - 1.8, 2, 3.6)
        sheet.set_dash_pattern()
    sheet.set_font("Helvetica", "", 7.5)
    last = -100.0
    for joint in wire.joints:
        x = x0 + joint.at_mm * scale
        sheet.set_fill_color(0)
        sheet.rect(x - 0.8, y - 2.2, 1.6, 4.4, style="F")
        text = f"{joint.at_mm:g}"
        wide = sheet.get_string_width(text)
        at = max(x - wide / 2, last + 1.2)
        sheet.set_fill_color(255)  # a dashed line of a branch does not cross the number
        sheet.rect(at - 0.3, y - 5.2, wide + 0.6, 2.5, style="F")
        sheet.text(at, y - 3, text)
        last = at + wide
    sheet.set_xy(sheet.l_margin, y + _ROW_MM - _WIRE_MM)


def _hatch(sheet: Sheet, left: float, right: float, y: float) -> None:
    """A hatched box above the wire."""
    sheet.rect(left, y - 2.4, max(0.4, right - left), 4.8)
    x = left
    while x + 1.2 <= right:
        sheet.line(x, y + 2.4, min(right, x + 1.6), y - 2.4)
        x += 1.6
