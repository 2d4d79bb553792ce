"""Figures over the months, their charts, and everything on record as files."""

import csv
import io
import json
import re
from datetime import UTC, datetime, timedelta
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from desk import charts
from desk.charts import Dot, Line
from desk.figures import Named, Turnaround, figures, say_days, spread, unit_of
from desk.records import tables
from desk.shop import export
from desk.shop.export import neutral

MARCH, APRIL = datetime(2026, 3, 10, 12, tzinfo=UTC), datetime(2026, 4, 10, 12, tzinfo=UTC)


def test_every_figure_is_counted_in_its_month():
    """Worked out by hand: of four March answers one was unsure; the April place was named anew, the March one kept."""
    found = figures(
        [(MARCH, "rodent"), (MARCH, "rodent"), (APRIL, None)],
        [(MARCH, True), (MARCH, False), (MARCH, False), (MARCH, False), (APRIL, False)],
        [Turnaround(MARCH, 1.0, None), Turnaround(MARCH, 3.0, 9.0), Turnaround(APRIL, None, None)],
        [
            Named(1, MARCH, "rodent", False, "rodent", "rodent"), Named(2, APRIL, "rodent", False, "abrasion"),
            Named(2, APRIL, "connector", True, "rodent"), Named(3, APRIL, None, False, "rodent"),
        ],
    )  # fmt: skip
    march, april = found.months
    assert (march.month, march.assemblies, april.assemblies) == ("2026-03", 2, 1)
    assert (march.unsure.value, march.unsure.n, april.unsure.value) == (0.25, 4, 0.0)
    assert (march.signed.median, march.closed.median, march.closed.n) == (2.0, 9.0, 1)
    assert april.signed.median is None
    assert (march.right.value, april.right.value, april.right.n) == (1.0, 0.0, 1)  # the unsure one is no sure label
    assert [(label, share.value) for label, share in found.mix] == [("rodent", 2 / 3), (None, 1 / 3)]
    assert found.kappa_people.n == 1 and found.kappa_model.n == 3


def test_the_middle_half_is_that_of_the_quartiles():
    """1 to 5: quartiles 2 and 4 (linear interpolation, Hyndman and Fan 1996, type 7); nothing gives nothing."""
    assert spread([5.0, 1.0, None, 2.0, 3.0, 4.0]) == type(spread([]))(3.0, 2.0, 4.0, 5)
    assert spread([None]).median is None


@pytest.mark.parametrize(
    ("days", "says"),
    [
        ([0.001], ("1.4 min", "1.4 to 1.4 min")),
        ([10 / 1440, 20 / 1440, 30 / 1440], ("20 min", "15 to 25 min")),
        ([0.25], ("6.0 h", "6.0 to 6.0 h")),
        ([2.0, 4.0], ("3.0 days", "2.5 to 3.5 days")),
        ([], ("–", "")),
    ],
)
def test_a_turnaround_is_said_in_a_unit_that_fits(days, says):
    """Minutes, hours or days, and the middle half in the same one."""
    assert say_days(spread(days)) == says


@given(st.lists(st.floats(0, 400), min_size=1, max_size=6))
def test_one_unit_holds_all_times_of_a_chart(days):
    """The longest is at least one of it, but for minutes, and below 120 unless it is days."""
    unit, per_day = unit_of(days)
    longest = max(days) * per_day
    assert (unit == "min" or longest >= 2) and (unit == "days" or longest <= 120)


def test_a_chart_puts_its_values_where_the_axis_says():
    """0 lies on the lowest line, 100 on the highest, 50 half way; a month without a value has no mark."""
    svg = ElementTree.fromstring(
        charts.lines("x", ["a", "b", "c", "d"], [Line("y", "a", [Dot(0), Dot(50, 40, 60), Dot(None), Dot(100)])], 100)
    )
    marks = [(float(dot.get("cx")), float(dot.get("cy"))) for dot in svg.iter("circle")]
    grid = [float(re.search(r"(?<= )[\d.]+", p.get("d"))[0]) for p in svg.iter("path") if p.get("class") == "grid"]
    assert [y for _, y in marks] == [max(grid), pytest.approx((max(grid) + min(grid)) / 2, abs=0.1), min(grid)]
    assert marks[1][0] - marks[0][0] == pytest.approx((marks[2][0] - marks[1][0]) / 2)
    assert "style" not in ElementTree.tostring(svg).decode()


def test_bars_are_as_long_as_their_values_and_text_stays_text():
    """Half the value, half the bar; HTML in a word is shown."""
    svg = ElementTree.fromstring(charts.bars("x", [("<b>", 2.0, "2"), ("c", 1.0, "1"), ("d", 0.0, "0")]))
    wide = [float(bar.get("width")) for bar in svg.iter("rect")]
    assert wide[0] == 2 * wide[1] and wide[2] == 0
    assert next(text.text for text in svg.iter("text")) == "<b>"


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\t=1", "\r=1"])
def test_a_cell_that_begins_like_a_formula_is_only_text(text):
    """An apostrophe before it (OWASP, CSV injection); numbers and other words stay as they are."""
    assert neutral(text) == f"'{text}"
    assert neutral("A-17") == "A-17"


@pytest.fixture
def rows(shop, drawn):
    """An assembly with an evil name, one assessed photograph with an evil file name."""
    assembly_id = shop.opened("=HYPERLINK(1)", '@vehicle,"x"', customer_says="-2+3\nsecond line")
    known = drawn.truth("+cmd.jpg", [drawn.region("rodent", 400, 40)])
    shop.assessed(assembly_id, "ab" * 32, known)
    return assembly_id


def table(shop, name, role="analyst"):
    answer = shop.browser(role).get(f"/exports/{name}.csv")
    assert answer.headers["content-disposition"] == f'attachment; filename="{name}.csv"'
    return list(csv.DictReader(io.StringIO(answer.content.decode("utf-8"), newline="")))


def test_everything_comes_as_csv_that_reads_back(shop, rows):
    """Each list has its rows; evil names are text; measures are numbers with their U95; no password leaves."""
    assert table(shop, "photographs")[0]["name"] == "'+cmd.jpg"
    assert table(shop, "assemblies")[0]["shop_order"] == "'=HYPERLINK(1)"
    intake = table(shop, "intakes")[0]
    assert (intake["vehicle"], intake["customer_says"]) == ('\'@vehicle,"x"', "'-2+3\nsecond line")
    place = table(shop, "places")[0]
    assert (place["label"], float(place["length_mm"]), place["assembly"]) == ("rodent", 20.0, str(rows))
    people = table(shop, "people")
    assert len(people) == 4 and "password_hash" not in people[0]
    for name in export.NAMES:
        table(shop, name)


def test_everything_comes_as_one_json_document(shop, rows):
    """All lists by name, findings whole, text as it is; a single list alone too; no password leaves."""
    browser = shop.browser("administrator")
    found = json.loads(browser.get("/exports/everything.json").content)
    assert set(found) == set(export.NAMES)
    assert found["photographs"][0]["name"] == "+cmd.jpg"
    assert found["assessments"][0]["findings"]["regions"][0]["label"] == "rodent"
    assert "password" not in json.dumps(found)
    alone = json.loads(browser.get("/api/v1/exports/photographs.json").content)
    assert alone == {"photographs": found["photographs"]}


def test_what_there_is_no_export_of_is_said(shop):
    """Neither a session nor another file."""
    for name in ("session", "everything", "..%2Fdesk"):
        assert shop.browser("analyst").get(f"/exports/{name}.csv").status_code == 404
    assert shop.browser("analyst").get("/exports/people.xlsx").status_code == 422


def test_the_page_shows_numbers_beside_every_chart(shop, rows):
    """Five charts, each with its table; the same numbers by API; empty records say so."""
    page = shop.browser("reviewer").get("/figures").text
    assert page.count('<svg class="chart') == page.count('class="beside"') == 5
    assert "100 %" in page and "Everything on record" not in page
    assert "Everything on record" in shop.browser("analyst").get("/figures").text
    found = shop.browser("analyst").get("/api/v1/figures").json()
    assert found["mix"][0][0] == "rodent" and found["mix"][0][1]["n"] == 1
    assert shop.browser("analyst").get("/figures?months=0").status_code == 422


def test_without_anything_on_record_the_page_says_so(shop):
    """No empty charts."""
    assert "Nothing on record" in shop.browser("analyst").get("/figures").text


def test_a_figure_leaves_out_what_is_older(shop, rows):
    """An assembly of fourteen months ago is in the last 24 months and not in the last 12."""
    with shop.desk.database.write() as session:
        old = datetime.now(UTC) - timedelta(days=425)
        session.query(tables.Standing).update({"opened_at": old, "label": "connector"})
    browser = shop.browser("analyst")
    assert browser.get("/api/v1/figures").json()["mix"] == []
    assert browser.get("/api/v1/figures?months=24").json()["mix"][0][0] == "connector"
