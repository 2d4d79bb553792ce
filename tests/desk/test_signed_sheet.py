"""Sheets that end with boxes to sign, of every length: read off the printed pages."""

import io
import re
from functools import partial

import pypdfium2
from hypothesis import example, given, settings
from hypothesis import strategies as st
from PIL import Image

from desk.order_photos import Picture
from desk.sheet import PAPERS_MM, TICK, Sheet
from desk.signed_sheet import signed

BOXES = (("repaired by", "tested by"), ("closed by", "customer"))
KINDS = ("lines", "items", "steps", "table", "long", "pictures")
ROWS = st.one_of(st.integers(0, 12), st.integers(38, 46), st.integers(85, 93))
SECTIONS = st.lists(st.tuples(st.sampled_from(KINDS), ROWS), max_size=3)


def photo(width, height):
    """A grey picture for print."""
    out = io.BytesIO()
    Image.new("L", (width, height), 128).save(out, "JPEG")
    return Picture(out.getvalue(), width, height)


WIDE, HIGH = photo(180, 90), photo(90, 120)


def draw(sheet, kind, rows, first):
    """One section of so many lines, each of which names itself `row123.`; a section without any draws nothing."""
    names = [f"row{first + number}." for number in range(rows)]
    if not names:
        return
    if kind == "lines":
        for name in names:
            sheet.para(name)
        return
    sheet.section("section", needs_mm=45 if kind == "table" else 28)
    if kind in ("items", "steps"):
        sheet.items(names, ticks=True, numbered=kind == "steps")
    elif kind == "table":
        sheet.grid(["", "what", "result"], [[TICK, name, "two\nlines"] for name in names], [5, 90, 40])
    elif kind == "long":
        sheet.para(" ".join(f"what is said of {name}" for name in names))
    else:
        for number, name in enumerate(names[:6]):
            sheet.picture(WIDE if number % 2 else HIGH, name, 86 if number % 2 else 55)


def printed(sections, paper):
    """The words of each page of a sheet with these sections and its signatures, and the rows it should have."""
    parts, first = [], 0
    for kind, rows in sections:
        rows = min(rows, 6) if kind == "pictures" else rows
        parts.append(partial(draw, kind=kind, rows=rows, first=first))
        first += rows
    begin = partial(Sheet, paper, "an order", "at the foot of every page")
    document = pypdfium2.PdfDocument(bytes(signed(begin, parts, BOXES).output()))
    return [page.get_textpage().get_text_range() for page in document], first


@given(SECTIONS, st.sampled_from(sorted(PAPERS_MM)))
@example([("lines", 1), ("items", 42)], "a4")
@example([("lines", 1), ("items", 89)], "a4")
@example([("items", 42)], "a4")
@example([("lines", 1), ("steps", 38)], "letter")
@settings(max_examples=50, deadline=None)
def test_no_page_of_a_sheet_carries_the_signatures_alone(sections, paper):
    """Every row stands there once and in its order, no page is empty, and all that is signed stands together below
    something that is signed for."""
    pages, rows = printed(sections, paper)
    assert [int(row) for row in re.findall(r"row(\d+)\.", "".join(pages))] == list(range(rows))
    if rows:
        assert all("row" in page for page in pages)
    assert all(name in pages[-1] for row in BOXES for name in (*row, "Signatures"))
