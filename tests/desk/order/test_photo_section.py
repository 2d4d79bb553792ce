"""The photographs on printed sheets: read once, however often a sheet is drawn to make its pages come out."""

import cv2
import pytest

from desk import cli, order_photos
from desk.closing_pages import closing_pdf
from desk.order_model import Order
from desk.order_pages import order_pdf
from desk.sheet import Sheet
from models.repair.after import Closing
from vision.reading import read_photo


@pytest.fixture
def order(case, capsys):
    """The order of the case, and a way to give it more tests, so that its end falls at every height."""
    assert cli.run(["order", str(case / "a.json"), "--json"]) == 0
    plain = Order.model_validate_json(capsys.readouterr().out)

    def longer(lines):
        tests = (*plain.work.tests, *["Pull at the joint: it holds."] * lines)
        return plain.model_copy(update={"work": plain.work.model_copy(update={"tests": tests})})

    return longer


@pytest.fixture
def two_photos(case, findings, bite):
    """Two photographs, the first with two bites, the second with one, and their files by hash."""
    darker = cv2.convertScaleAbs(cv2.imread(str(case / "before.jpg")), alpha=0.9)  # a sheet holds like pictures once
    cv2.imwrite(str(case / "again.png"), darker)
    one, two = (read_photo(case / name) for name in ("before.jpg", "again.png"))
    photos = [findings(one, [bite(), bite().model_copy(update={"id": "r2"})]), findings(two, [bite()])]
    return photos, {one.sha256: case / "before.jpg", two.sha256: case / "again.png"}


@pytest.fixture
def told(monkeypatch):
    """The names of the files read and the sheets begun from here on."""
    read, begun = [], []
    begin = Sheet.__init__

    def counted(path):
        read.append(path.name)
        return read_photo(path)

    def init(self, *args, **more):
        begun.append(self)
        begin(self, *args, **more)

    monkeypatch.setattr(order_photos, "read_photo", counted)
    monkeypatch.setattr(Sheet, "__init__", init)
    return read, begun


def ordered(order, photos, files):
    return order_pdf(order, photos, files, "a4")


def closed(order, photos, files):
    return closing_pdf(order, Closing(state="closed", checks=()), photos, files, "a4")


@pytest.mark.parametrize("printed", [ordered, closed])
def test_each_photograph_is_read_once_however_often_the_sheet_is_drawn(order, two_photos, told, printed):
    """Three close-ups and two whole pictures, on sheets of which some are drawn several times."""
    photos, files = two_photos
    read, begun = told
    drawn = set()
    for lines in range(0, 40, 4):
        read.clear()
        begun.clear()
        pdf = printed(order(lines), photos, files)
        assert sorted(read) == ["again.png", "before.jpg"] and pdf.count(b"/Subtype /Image") == 5
        drawn.add(len(begun))
    assert max(drawn) > 1


def test_a_photograph_that_can_no_longer_be_read_is_said_to_be_missing(case, order, two_photos, pages):
    """The other one is shown all the same."""
    photos, files = two_photos
    (case / "again.png").write_bytes(b"no photograph")
    (case / "o.pdf").write_bytes(ordered(order(0), photos, files))
    words = " ".join(" ".join(pages(case / "o.pdf")[0]).split())
    assert "PHOTOGRAPH NOT FOUND: again.png" in words and "again.png:r1 rodent" not in words
    assert "before.jpg:r2 rodent" in words
