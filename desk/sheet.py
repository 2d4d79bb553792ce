"""Printed sheets: a plain page with headings, paragraphs, tables, tick boxes and pictures, black on white."""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Mapping, Sequence
from types import MappingProxyType

from fpdf import FPDF
from fpdf.enums import MethodReturnValue
from fpdf.fonts import FontFace

from desk.order_photos import Picture
from desk.wording import say_places

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
_MARGIN_MM = 14.0
_NOTHING: Mapping[str, str] = MappingProxyType({})
_SAID = {
    "≥ ": "at least ",
    "≥": "at least ",
    "≤": "at most ",
    "Ω": "Ohm",
    "→": "to",
    "−": "-",
    "α": "alpha",
    "\u00a0": " ",
}
_SMALLEST = 0.55
"""A picture may be drawn as small as this share of its size to stay on the page."""
_TIGHT = 0.85
"""The share of its height that a picture has on a tight sheet."""
_HEADING_MM = 10.0
_SIGN_MM = 10.5
"""The height of a box to sign."""
TICK = "\x00"
"""As a cell's text: an empty box to tick."""


def printable(text: str) -> str:
    """The text in letters the printer's own fonts hold; others lose their accents, or become a question mark."""
    text = say_places(text)
    for sign, words in _SAID.items():
        text = text.replace(sign, words)
    return "".join(_letter(letter) for letter in text)


def _letter(letter: str) -> str:
    if letter in "\n\t" or _fits(letter):
        return letter if letter != "\t" else " "
    bare = unicodedata.normalize("NFKD", letter)[0]
    return bare if _fits(bare) else "?"


def _fits(letter: str) -> bool:
    return letter.encode("cp1252", "ignore") != b"" and letter.isprintable()


class Sheet(FPDF):
    """A document whose every page carries its title, page number and foot line."""

    def __init__(self, paper: str, title: str, foot: str, tight: bool = False) -> None:
        """tight : pictures and boxes to write in a little lower, where that saves a page."""
        super().__init__(unit="mm", format=PAPERS_MM[paper])
        self.tight = tight
        self._early = (0, 0.0)
        self.core_fonts_encoding = "windows-1252"
        self.heading, self.foot = " ".join(printable(title).split()), printable(foot)
        self.set_title(self.heading)
        self.set_margins(_MARGIN_MM, 20.0, _MARGIN_MM)
        self.set_auto_page_break(True, margin=17.0)
        self.alias_nb_pages()
        self.add_page()

    def header(self) -> None:
        """Title and page number above a line."""
        self.set_xy(_MARGIN_MM, 9)
        self.set_font("Helvetica", "B", 9)
        self.cell(self.epw - 30, 5, self._cut(self.heading, self.epw - 32))
        self.set_font("Helvetica", "", 9)
        self.cell(30, 5, f"page {self.page_no()} of {{nb}}", align="R")
        self.set_line_width(0.3)
        self.line(_MARGIN_MM, 15.5, self.w - _MARGIN_MM, 15.5)
        self.set_xy(_MARGIN_MM, 20.0)

    def _cut(self, text: str, wide_mm: float) -> str:
        """The text, or as much of it as fits the width in the font that is set."""
        if self.get_string_width(text) <= wide_mm:
            return text
        while text and self.get_string_width(text + "...") > wide_mm:
            text = text[:-1]
        return text + "..."

    def footer(self) -> None:
        """The line every page ends with."""
        self.set_xy(_MARGIN_MM, -13)
        self.set_font("Helvetica", "", 7.5)
        self.multi_cell(self.epw, 3.4, self.foot, align="C")

    def banner(self, text: str, settled: bool = True) -> None:
        """The one thing to be seen first: white on black; what may still change in a frame, and no bolder than text."""
        if not settled:
            self.set_font("Helvetica", "", 13)
            self.set_line_width(0.5)
            self.set_dash_pattern(2.0, 1.2)
            self.cell(self.epw, 11, "  " + printable(text), border=1, new_x="LMARGIN", new_y="NEXT")
            self.set_dash_pattern()
            self.ln(1.5)
            return
        self.set_fill_color(0)
        self.set_text_color(255)
        self.set_font("Helvetica", "B", 15)
        self.cell(self.epw, 11, "  " + printable(text), fill=True, new_x="LMARGIN", new_y="NEXT")
        self.set_text_color(0)
        self.ln(1.5)

    def place(self) -> tuple[int, float]:
        """Page, and mm from its top, where the next thing is drawn."""
        return self.page_no(), self.get_y()

    def page_of(self, name: str) -> str:
        """What a line holds in the place of a later section's page, until `stands_here` knows it. name : one word"""
        return f"{{{name}}}"

    def stands_here(self, name: str) -> None:
        """The section of this name begins on this page: what named its page so far now holds the number."""
        for page in self.pages.values():
            if isinstance(page.contents, bytearray):  # else it is written out already
                page.contents = page.contents.replace(self.page_of(name).encode(), str(self.page_no()).encode())

    def end_early(self, page: int, end_mm: float) -> None:
        """All but the signatures ends this far from the top of that page, where it would reach lower."""
        self._early = page, end_mm

    def _bottom_mm(self) -> float:
        page, end_mm = self._early
        return min(end_mm, self.page_break_trigger) if page == self.page_no() else self.page_break_trigger

    def will_page_break(self, height: float) -> bool:
        """Whether what is so high goes over to the next page; lines and rows ask this of themselves."""
        return super().will_page_break(height) or (not self.in_footer and self.y + height > self._bottom_mm())

    def room(self, height_mm: float) -> None:
        """A new page unless this much is left on the page."""
        if self.get_y() + height_mm > self._bottom_mm():
            self.add_page()

    def section(self, text: str, needs_mm: float = 28.0) -> None:
        """A heading that stays with what follows."""
        self.room(needs_mm)
        self.ln(2.5)
        self.set_font("Helvetica", "B", 11.5)
        self.cell(0, 6, printable(text), new_x="LMARGIN", new_y="NEXT")
        self.set_line_width(0.15)
        self.line(_MARGIN_MM, self.get_y(), self.w - _MARGIN_MM, self.get_y())
        self.ln(1.5)

    def para(self, text: str, bold: bool = False, size: float = 9.5) -> None:
        """A paragraph over the whole width."""
        self.set_font("Helvetica", "B" if bold else "", size)
        self.multi_cell(self.epw, size * 0.47, printable(text), align="L", new_x="LMARGIN", new_y="NEXT")
        self.ln(0.8)

    def items(self, texts: Sequence[str], ticks: bool = False, numbered: bool = False) -> None:
        """Paragraphs hung behind a dash, a number or a box to tick."""
        for number, text in enumerate(texts, 1):
            self.room(9)
            top = self.get_y()
            x = _MARGIN_MM
            if ticks:
                self.box(x + 0.5, top + 0.5)
                x += 6
            if numbered or not ticks:
                self.set_xy(x, top)
                self.set_font("Helvetica", "B", 9.5)
                self.cell(7 if numbered else 4, 4.5, f"{number}." if numbered else "-")
                x += 7 if numbered else 4
            self.set_xy(x, top)
            self.set_font("Helvetica", "", 9.5)
            self.multi_cell(self.w - _MARGIN_MM - x, 4.5, printable(text), align="L", new_x="LMARGIN", new_y="NEXT")
            self.ln(0.9)

    def box(self, x: float, y: float, side: float = 3.4) -> None:
        """An empty box to tick."""
        self.set_line_width(0.3)
        self.rect(x, y, side, side)

    def framed(self, title: str, texts: Sequence[str]) -> None:
        """Paragraphs in a frame, all on one page."""
        self.set_font("Helvetica", "", 9)
        high = 9.0 + sum(self._height(text, self.epw - 8, 4.2) for text in texts)
        self.room(high + 2)
        top = self.get_y()
        self.set_xy(_MARGIN_MM + 2, top + 1.5)
        self.set_font("Helvetica", "B", 10)
        self.cell(0, 5, printable(title), new_x="LMARGIN", new_y="NEXT")
        self.set_font("Helvetica", "", 9)
        for text in texts:
            self.set_x(_MARGIN_MM + 2)
            self.cell(3.5, 4.2, "-")
            self.multi_cell(self.epw - 8, 4.2, printable(text), align="L", new_x="LMARGIN", new_y="NEXT")
        self.set_line_width(0.6)
        self.rect(_MARGIN_MM, top, self.epw, self.get_y() + 1.5 - top)
        self.ln(3.5)

    def _height(self, text: str, wide: float, line: float) -> float:
        """Height of a paragraph in the font that is set."""
        high = self.multi_cell(wide, line, printable(text), align="L", dry_run=True, output=MethodReturnValue.HEIGHT)
        return float(high)  # type: ignore[arg-type]

    def grid(
        self,
        headings: Sequence[str],
        rows: Sequence[Sequence[str]],
        widths: Sequence[float],
        size: float = 8.5,
        row_mm: float | None = None,
    ) -> None:
        """A table whose headings come again on each page; a cell of `TICK` is a box to tick.

        widths : shares; row_mm : least height of a row, where something is to be written into it
        """
        self.set_font("Helvetica", "", size)
        self.set_line_width(0.15)
        bold = FontFace(emphasis="BOLD", fill_color=(228, 228, 228))
        boxes = FontFace(family="ZapfDingbats", size_pt=size + 2)
        with self.table(
            col_widths=tuple(widths), line_height=size * 0.5, text_align="LEFT", headings_style=bold, padding=(0.8, 1.2)
        ) as table:
            for number, row in enumerate([headings, *rows]):
                line = table.row(min_height=row_mm if number else None)
                for text in row:
                    if text == TICK:
                        line.cell("o", style=boxes, align="CENTER")
                    else:
                        line.cell(printable(text))
        self.ln(1.5)

    def picture(self, picture: Picture, caption: str, most_high_mm: float) -> None:
        """A picture over the width or as high as allowed, its caption beneath, both on one page.

        Where little is wanting it is drawn smaller rather than leave the rest of the page empty.
        """
        most_high_mm *= _TIGHT if self.tight else 1.0
        wide = min(self.epw, most_high_mm * picture.width_px / picture.height_px)
        high = wide * picture.height_px / picture.width_px
        self.set_font("Helvetica", "I", 8)
        beneath = self._height(caption, self.epw, 3.8) + 2.5
        left = self._bottom_mm() - self.get_y() - beneath
        if _SMALLEST * high <= left < high:
            wide, high = wide * left / high, left
        self.room(high + beneath)
        x = _MARGIN_MM + (self.epw - wide) / 2
        self.image(io.BytesIO(picture.jpeg), x=x, y=self.get_y(), w=wide, h=high)
        self.set_line_width(0.2)
        self.rect(x, self.get_y(), wide, high)
        self.set_y(self.get_y() + high + 1)
        self.set_font("Helvetica", "I", 8)
        self.multi_cell(self.epw, 3.8, printable(caption), align="C", new_x="LMARGIN", new_y="NEXT")
        self.ln(1.2)

    def _write_in(self, text: str, x: float, y: float, wide: float) -> None:
        """Text in a box, smaller or cut where it is too long for it."""
        size = 9.5
        self.set_font("Helvetica", "", size)
        while self.get_string_width(text) > wide - 1 and size > 6.5:
            size -= 0.5
            self.set_font("Helvetica", "", size)
        shown = text
        while shown and self.get_string_width(shown) > wide - 1:
            shown = shown[:-4] + "..."
        self.set_xy(x, y)
        self.cell(wide, 5, shown)
        self.set_font("Helvetica", "", 7)

    def blanks(self, names: Sequence[str], high_mm: float = 11.0, filled: Mapping[str, str] = _NOTHING) -> None:
        """Boxes side by side to write in, each with its name in the corner; what is known of some, by name."""
        high_mm = self._box_mm(high_mm)
        self.room(high_mm + 3)
        wide, top = self.epw / len(names), self.get_y()
        self.set_line_width(0.2)
        self.set_font("Helvetica", "", 7)
        for index, name in enumerate(names):
            x = _MARGIN_MM + index * wide
            self.rect(x, top, wide, high_mm)
            self.set_xy(x + 0.8, top + 0.6)
            self.cell(wide - 2, 3, printable(name))
            self._write_in(printable(filled.get(name, "")), x + 0.8, top + 4.2, wide - 2)
        self.set_xy(_MARGIN_MM, top + high_mm + 1.5)

    def _box_mm(self, high_mm: float) -> float:
        return high_mm - (2.0 if self.tight else 0.0)

    def signatures_mm(self, boxes: Sequence[Sequence[str]]) -> float:
        """What `signatures` needs, so that all of it stands on one page."""
        return _HEADING_MM + len(boxes) * (self._box_mm(_SIGN_MM) + 1.5) + 2.0

    def signatures(self, boxes: Sequence[Sequence[str]], filled: Mapping[str, str] = _NOTHING) -> None:
        """Boxes to sign, all on one page. boxes : rows of names; filled : what is known of some, by name"""
        self.end_early(0, 0.0)
        self.section("Signatures", needs_mm=self.signatures_mm(boxes))
        for names in boxes:
            self.blanks(names, _SIGN_MM, filled)
