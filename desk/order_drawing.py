"""Draws the plan of a branch on a sheet: each wire as a line to scale, with what is replaced and where joints lie."""

from __future__ import annotations

from desk.sheet import Sheet, printable
from models.repair.plan import Plan, WirePlan

_ROW_MM = 11.0
_NAME_MM = 30.0


def draw_plan(sheet: Sheet, plan: Plan) -> None:
    """All wires under each other, aligned by their station along the branch; new wire thick, joints as black marks."""
    if not plan.wires:
        return
    left = min(wire.offset_mm for wire in plan.wires)
    right = max(wire.offset_mm + wire.length_mm for wire in plan.wires)
    scale = (sheet.epw - _NAME_MM - 6) / max(1.0, right - left)
    sheet.room(min(len(plan.wires), 18) * _ROW_MM + 8)  # together, unless there are more than a page holds
    for wire in plan.wires:
        sheet.room(_ROW_MM + 8)
        _draw(sheet, wire, sheet.l_margin + _NAME_MM + (wire.offset_mm - left) * scale, scale)
    sheet.set_font("Helvetica", "I", 7.5)
    says = (
        "To scale along the branch. Thin: wire that stays. Thick: new wire. Hatched: damage with its margin. "
        "Block with number: joint, mm from the start."
    )
    sheet.multi_cell(sheet.epw, 3.6, says, new_x="LMARGIN", new_y="NEXT")
    sheet.ln(1)


def _draw(sheet: Sheet, wire: WirePlan, x0: float, scale: float) -> None:
    y = sheet.get_y() + 6.5
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
        sheet.text(at, y - 3, text)
        last = at + wide
    sheet.set_xy(sheet.l_margin, y + _ROW_MM - 6.5)


def _hatch(sheet: Sheet, left: float, right: float, y: float) -> None:
    """A hatched box above the wire."""
    sheet.rect(left, y - 2.4, max(0.4, right - left), 4.8)
    x = left
    while x + 1.2 <= right:
        sheet.line(x, y + 2.4, min(right, x + 1.6), y - 2.4)
        x += 1.6
