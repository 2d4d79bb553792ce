"""Sheets that end with boxes to sign: drawn so that nobody signs a page that holds nothing else."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from desk.sheet import Sheet

_TWO_ROWS_MM = 8.0
"""A page that ends so much higher gives its last two lines or rows to the next one."""

Part = Callable[[Sheet], None]
"""What draws one section of a document."""


_NOTHING: Mapping[str, str] = MappingProxyType({})


@dataclass(frozen=True)
class _Boxes:
    """rows : of names; filled : what stands in some already"""

    rows: Sequence[Sequence[str]]
    filled: Mapping[str, str]


@dataclass(frozen=True)
class _Draft:
    """A sheet drawn to its end.

    last : number of its last part that drew anything; end : page, and mm from its top, where the parts end; alone :
    whether the signatures stand on a page without any of them
    """

    sheet: Sheet
    last: int
    end: tuple[int, float]
    alone: bool


def signed(
    begin: Callable[[bool], Sheet],
    parts: Sequence[Part],
    boxes: Sequence[Sequence[str]],
    filled: Mapping[str, str] = _NOTHING,
) -> Sheet:
    """The parts one after the other, then the boxes to sign, so that no page carries the signatures alone.

    Where they would begin a page of their own, the sheet is drawn tight; where that is not enough, its last part goes
    over to the next page with them; where that part is too long for it, its last rows do. (Only a single row of a table
    that fills a page by itself leaves them none.) begin : an empty sheet, tight or not; boxes : rows of names; filled :
    what is known of some of them, by name
    """
    drafts = _drafts(begin, parts, _Boxes(boxes, filled))
    first = next(drafts)
    if not first.alone:
        return first.sheet
    return next((draft.sheet for draft in drafts if not draft.alone), first.sheet)


def _drafts(begin: Callable[[bool], Sheet], parts: Sequence[Part], boxes: _Boxes) -> Iterator[_Draft]:
    """The sheet in every way it may be drawn, the one that is best to read first."""
    first = _drawn(begin(False), parts, boxes)
    yield first
    yield _drawn(begin(True), parts, boxes)
    for tight in (False, True):
        yield _drawn(begin(tight), parts, boxes, over=first.last)
    page, end_mm = first.end
    # a picture is drawn smaller rather than go over: then the page ends so early that the signatures fit beneath it
    for earlier_mm in (_TWO_ROWS_MM, first.sheet.signatures_mm(boxes.rows)):
        sheet = begin(False)
        sheet.end_early(page, end_mm - earlier_mm)
        yield _drawn(sheet, parts, boxes)


def _drawn(sheet: Sheet, parts: Sequence[Part], boxes: _Boxes, over: int | None = None) -> _Draft:
    """The parts and the signatures on an empty sheet. over : the part that begins a page."""
    last, top = 0, sheet.place()
    for number, part in enumerate(parts):
        before = sheet.place()
        if number == over and before != top:
            sheet.add_page()
        part(sheet)
        last = number if sheet.place() != before else last
    end = sheet.place()
    sheet.signatures(boxes.rows, boxes.filled)
    return _Draft(sheet, last, end, alone=sheet.page_no() > end[0])
