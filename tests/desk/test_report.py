"""The report page: names are escaped, nothing is fetched, layers switch by keyboard, paper and phone fit."""

import re
from dataclasses import replace
from html import unescape
from pathlib import Path

import numpy as np
import pytest

from desk.assess import AssessSettings
from desk.batch import Entry, Run, assess_all
from desk.overlay import LAYERS, _cover, _distances, shapes
from desk.report import report_html
from desk.truth_findings import findings_from_truth
from desk.wording import ROUTE_WORDS
from models.repair import Answers, decide, load_rules
from vision.findings import Measure, Question

SETTINGS = AssessSettings((), load_rules(), Answers(circuit_class="none"))
NASTY = "<img src=x onerror=alert(1)>&'.jpg"


@pytest.fixture
def page_of(bench, drawn, perfect_eye, tmp_path):
    """Write the report on the drawn bench, with one photograph that has a covering's name, and give its path."""
    drawn.write_case(bench, drawn.truth(NASTY, [drawn.region("earlier_repair", 300, 60)], [drawn.sleeve(300, 130.0)]))
    run = assess_all(sorted(bench.glob("*.jpg")), SETTINGS)
    run = Run((*run.entries, Entry(Path("x"), None, "expected JPEG, got <b>x</b>; copy it again", 0.1)), None)
    file = tmp_path / "report.html"
    file.write_text(report_html(run), "utf-8")
    return file


def test_names_and_messages_are_escaped(page_of):
    """A file name is other people's text and never markup."""
    text = page_of.read_text("utf-8")
    assert "<img src=x" not in text and "<b>x</b>" not in text
    assert "&lt;img src=x onerror=alert(1)&gt;" in text


def test_the_page_asks_for_nothing_and_its_layers_switch(page_of, browser):
    """In Chromium: no request but the file itself, no console error; space on a checkbox hides its layer and badges."""
    page = browser.new_page(viewport={"width": 1200, "height": 900})
    requests, errors = [], []
    page.on("request", lambda r: requests.append(r.url))
    page.on("console", lambda m: errors.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda e: errors.append(str(e)))
    page.goto(page_of.as_uri())
    outside = [url for url in requests if not url.startswith(("file:", "data:"))]
    assert (outside, errors) == ([], [])
    first = page.locator(".view").first
    region = first.locator("svg .l-regions path").first
    badge = first.locator(".badge.l-regions").first
    assert region.is_visible() and badge.is_visible()
    first.locator("input.t-regions").focus()
    page.keyboard.press("Space")
    assert not region.is_visible() and not badge.is_visible()
    assert first.locator("svg .l-terminations path").first.is_visible()
    page.keyboard.press("Space")
    assert region.is_visible()
    page.close()


def test_the_overlay_lies_where_the_damage_is(page_of, browser):
    """On the screen, the outline's box is the drawn damage's box of the picture, scaled: within a pixel."""
    page = browser.new_page(viewport={"width": 1000, "height": 900})
    page.goto(page_of.as_uri())
    view = page.locator("section.photo", has_text="bitten.jpg").locator(".view")
    picture, outline = view.locator("img").bounding_box(), view.locator("svg .l-regions path").bounding_box()
    scale = picture["width"] / 640
    assert outline["x"] - picture["x"] == pytest.approx(500 * scale, abs=3)
    assert outline["width"] == pytest.approx(40 * scale, abs=4)
    page.close()


@pytest.mark.parametrize("name", ["Photograph bitten.jpg: large", "Close-up of r0: large"])
def test_a_picture_opens_large_by_keyboard_and_escape_closes_it(page_of, browser, name):
    """It fills the window, its outline still on it; everything below stays where it was, and so does the focus."""
    page = browser.new_page(viewport={"width": 1200, "height": 900})
    page.goto(page_of.as_uri())
    section = page.locator("section.photo", has_text="bitten.jpg")
    button, below = section.get_by_role("button", name=name), section.locator("article.region dl")
    button.focus()
    before, place = button.bounding_box(), below.bounding_box()
    page.keyboard.press("Enter")
    large, outline = button.bounding_box(), button.locator(".l-regions path").bounding_box()
    assert large["width"] == pytest.approx(min(1200, 900 * large["width"] / large["height"]), abs=2)
    assert large["width"] > 1.1 * before["width"] and below.bounding_box() == place
    assert large["x"] <= outline["x"] and outline["x"] + outline["width"] <= large["x"] + large["width"]
    page.keyboard.press("Escape")
    assert button.bounding_box() == before
    assert button.evaluate("b => b === document.activeElement")
    page.close()


def test_a_picture_opens_large_by_a_click_also_on_the_damage(page_of, browser):
    """A click on the outline opens it, the next one closes it; each picture is in the file once."""
    page = browser.new_page(viewport={"width": 1200, "height": 900})
    page.goto(page_of.as_uri())
    view = page.locator("section.photo", has_text="bitten.jpg").locator(".view")
    for open_now in (True, False):
        view.locator("svg .l-regions path").first.click()
        assert view.locator(".stage").evaluate("s => s.matches(':popover-open')") is open_now
    pictures = re.findall(r"data:image/jpeg;base64,[^\"]+", page_of.read_text("utf-8"))
    assert len(pictures) == len(set(pictures)) == page.locator("img").count()
    page.close()


def test_a_picture_is_larger_than_a_phone_and_scrolls(page_of, browser):
    """On a screen of 360 px the large picture is wider than the screen, and can be pushed sideways."""
    page = browser.new_page(viewport={"width": 360, "height": 740})
    page.goto(page_of.as_uri())
    stage = page.locator(".view .stage").first
    stage.locator("button").click()
    inside, seen = stage.evaluate("s => [s.scrollWidth, s.clientWidth]")
    assert (seen, inside) == (360, pytest.approx(0.8 * 740 * 640 / 480, abs=2))
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stays_legible_on_a_phone(page_of, browser, scheme):
    """At 360 px nothing runs out of the screen, and body text stands off its ground by 7:1 (WCAG 2, level AAA)."""
    page = browser.new_page(viewport={"width": 360, "height": 740}, color_scheme=scheme)
    page.goto(page_of.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert contrast(page, ".card p b") >= 7
    page.close()


def contrast(page, selector):
    """Contrast ratio of text and card ground (WCAG 2 relative luminance)."""
    read = "e => [getComputedStyle(e).color, getComputedStyle(e.closest('.card')).backgroundColor]"
    colours = page.locator(selector).first.evaluate(read)

    def luminance(css):
        channels = [int(float(v)) / 255 for v in css[css.index("(") + 1 : -1].split(",")[:3]]
        linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted(luminance(css) for css in colours)
    return (high + 0.05) / (low + 0.05)


def test_a_rule_and_a_measure_are_shown_with_unit_and_limit(page_of):
    """The sleeve's distance, its limit and the verdict can all be read."""
    text = page_of.read_text("utf-8")
    assert "termination-distance" in text and "152.4 mm" in text and "130 mm" in text
    assert "% seen of what is in the picture" in text and "of the assembly seen" not in text


def test_the_glance_table_says_the_worst_route_beside_the_route(page_of):
    """Each row as the decisions give them: the worst where it is another than the route, which is then provisional."""
    rows = re.findall(r'<td data-h="route">(.*?)</td>', page_of.read_text("utf-8"))
    said = [re.sub("<[^>]*>", "", row) for row in rows]
    run = assess_all(sorted(page_of.parent.rglob("*.jpg")), SETTINGS)
    decisions = [entry.findings.decision for entry in run.entries if entry.findings is not None]
    worst = [d for d in decisions if d.route_worst != d.route]
    assert len(said) == len(decisions) >= 2 and worst
    assert sum(" at worst " in row for row in said) == len(worst)
    now = [ROUTE_WORDS[d.route] + " (provisional)" * (d in worst and d.route != "undecided") for d in decisions]
    assert sorted(said) == sorted(
        one + (f" at worst {ROUTE_WORDS[d.route_worst]}" if d in worst else "")
        for one, d in zip(now, decisions, strict=True)
    )


def test_open_questions_are_counted_each_also_where_those_in_the_same_words_stand_as_one(bench, perfect_eye):
    """As the order of the same photograph counts them; the list says why it is shorter."""
    entry, other = assess_all([bench / "bitten.jpg", bench / "whole.jpg"], SETTINGS).entries
    shells = [Question(ask=f"t{k}: is the shell sound?", why="w", changes="housing: replaced") for k in (1, 2)]
    fuse = Question(ask="Which fuse?", why="w", changes="fuse-coordination: corrected")
    decision = entry.findings.decision.model_copy(update={"open_questions": [*shells, fuse]})
    found = entry.findings.model_copy(update={"decision": decision})
    page = report_html(Run((replace(entry, findings=found), other), None))
    assert re.findall(r'data-h="open questions">(\d+)<', page)[0] == "3"
    assert "3, those in the same words as one" in page and page.count("is the shell sound?") == 1
    decision = decision.model_copy(update={"open_questions": [shells[0], fuse]})
    page = report_html(Run((replace(entry, findings=found.model_copy(update={"decision": decision})), other), None))
    assert re.findall(r'data-h="open questions">(\d+)<', page)[0] == "2" and "2, those in the same" not in page


def test_each_caution_stands_once_and_what_is_particular_beside_its_photograph(bench, perfect_eye):
    """Of a burnt, a bitten and a sound one: what holds for both at work at the top, masks and ash where they belong; a
    report of one photograph keeps all of them in its place."""
    paths = sorted(bench.glob("*.jpg"))
    run = assess_all(paths, SETTINGS)
    decisions = {entry.path.name: entry.findings.decision for entry in run.entries}
    burnt, bitten = (set(decisions[name].cautions) for name in ("fused.jpg", "bitten.jpg"))
    assert len(burnt & bitten) >= 4 and burnt - bitten and bitten - burnt and len(decisions["whole.jpg"].cautions) == 1
    page = unescape(report_html(run))
    top, *places = re.split(r'<section class="card photo"', page)
    said = dict(zip(sorted(decisions), places, strict=True))
    for text in burnt | bitten:
        once = [name for name in decisions if text in said[name]]
        assert page.count(text) == len(once) + (text in top)
        assert once == ([] if text in burnt & bitten else ["fused.jpg"] if text in burnt else ["bitten.jpg"])
        assert (text in top) == (text in burnt & bitten)
    alone = unescape(report_html(assess_all([bench / "bitten.jpg"], SETTINGS)))
    assert all(alone.count(text) == 1 and text in alone.split("card photo")[1] for text in bitten)


def test_a_distance_is_drawn_along_the_wire_to_its_termination(drawn):
    """From the near edge at x = 300 px back to the housing at x = 40 px, on y = 240 px."""
    known = drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)])
    (distance,) = [shape for shape in shapes(findings_from_truth(known)) if shape.layer == "distances"]
    numbers = [float(v) for v in distance.path.replace("M", " ").replace("L", " ").split()]
    assert (numbers[0], numbers[1], numbers[-2], numbers[-1]) == (40.0, 240.0, 300.0, 240.0)
    assert distance.badge == "130 mm"


def test_every_length_laid_over_a_photograph_is_said_in_the_readers_unit(drawn):
    """130 mm are 130 / 25.4 = 5.12 in; a wire's diameter of 2 mm is 0.08 in (1 in = 25.4 mm, ISO 80000-3)."""
    findings = findings_from_truth(drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)]))
    laid = shapes(findings, unit="in")
    said = " ".join(shape.title + shape.badge for shape in laid)
    assert "5.12 in" in said and "0.08" in said and " mm" not in said


def test_a_distance_too_wide_to_use_stands_in_no_number_on_the_picture(drawn):
    """143 ± 160 mm on both sides of every limit: by hand, as tables say; 143 ± 5 mm and a ruler's 143 mm in numbers."""
    findings = findings_from_truth(drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)]))
    shown = []
    for u95 in (160.0, 5.0, 0.0):
        region = findings.regions[0].model_copy(update={"to_termination_mm": Measure(value=143.0, u95=u95)})
        photo = findings.model_copy(update={"regions": [region]})
        decision = decide([photo], Answers(circuit_class="none"), load_rules())
        (distance,) = [shape for shape in shapes(photo, decision) if shape.layer == "distances"]
        shown.append((distance.badge, distance.title))
    far = f"{findings.regions[0].id} to termination: "
    assert shown == [
        ("measure by hand", far + "not measured well enough: between 0 and 303 mm; measure by hand"),
        ("143.0 ± 5.0 mm", far + "143.0 ± 5.0 mm"),
        ("143 mm", far + "143 mm"),
    ]


def test_the_report_shows_a_wide_distance_by_its_decisions_limits(bench, perfect_eye, monkeypatch):
    """130 ± 120 mm says nothing beside the shop's limit of 152.4 mm; it is clear of one of 5 mm, and of use there."""
    (path,) = sorted(bench.glob("bitten.jpg"))
    run = assess_all([path], SETTINGS)
    wide = {"to_termination_mm": Measure(value=130.0, u95=120.0)}
    (found,) = [entry.findings for entry in run.entries]
    region = found.regions[0].model_copy(update=wide)
    for limit, said in ((152.4, "measure by hand"), (5.0, "130 ± 120 mm")):
        rules = [
            rule.model_copy(update={"limit": limit if rule.id == "termination-distance" else rule.limit})
            for rule in found.decision.rules
        ]
        decision = found.decision.model_copy(update={"rules": rules})
        photo = found.model_copy(update={"regions": [region], "decision": decision})
        page = report_html(Run((Entry(path, photo, None, 0.1),), None))
        ((title, badge),) = re.findall(r'<span class="badge l-distances" title="([^"]*)"[^>]*>([^<]*)<', page)
        assert badge == said and title.endswith(said)


def test_the_words_of_a_distance_cover_no_other_badge(drawn):
    """A region's name where the middle of its way lies: the words stand elsewhere on the way; where all is taken, in
    the middle."""
    findings = findings_from_truth(drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)]))
    (free,) = [shape for shape in shapes(findings) if shape.layer == "distances"]
    size = (findings.photo.width_px, findings.photo.height_px)
    (moved,) = _distances(findings, size, [(free.at, "r1")])
    assert moved.path == free.path and abs(moved.at[0] - free.at[0]) + abs(moved.at[1] - free.at[1]) > 0.03
    everywhere = [((x / 50, y / 50), "r1") for x in range(51) for y in range(51)]
    assert _distances(findings, size, everywhere)[0].at == free.at


def test_the_words_of_a_short_way_stand_beside_it(drawn):
    """Each place on the way is taken by the name of the region that it starts from: the words stand below or above."""
    findings = findings_from_truth(drawn.truth("a.jpg", [drawn.region("rodent", 60, 60)]))
    (region,) = [shape for shape in shapes(findings) if shape.layer == "regions"]
    (distance,) = [shape for shape in shapes(findings) if shape.layer == "distances"]
    assert not _cover((distance.at, distance.badge), (region.at, region.badge))
    assert abs(distance.at[1] - region.at[1]) < 0.15


@pytest.mark.parametrize("number", [1, 2, 6])
def test_names_of_places_close_together_stand_apart_with_lines_back(drawn, number):
    """A single one stands where it stood; of several none covers another, and a line leads from far ones back."""
    close = [drawn.region("rodent", 400 + 6 * k, 30, f"r{k}") for k in range(number)]
    findings = findings_from_truth(drawn.truth("a.jpg", close))

    def names(apart):
        return [one for one in shapes(findings, apart=apart) if one.layer in ("regions", "terminations") and one.badge]

    stood, moved = names(False), names(True)
    assert [one.badge for one in moved] == [one.badge for one in stood] and len(moved) >= number
    pairs = [(a, b) for k, a in enumerate(moved) for b in moved[k + 1 :]]
    assert not any(_cover((a.at, a.badge), (b.at, b.badge)) for a, b in pairs)
    places = [[one.at for one in some if one.layer == "regions"] for some in (moved, stood)]
    assert (places[0] == places[1]) == (number == 1)
    far = [one for one, was in zip(moved, stood, strict=True) if np.hypot(*np.subtract(one.at, was.at)) > 0.06]
    leaders = [one for one in shapes(findings, apart=True) if one.kind == "leader"]
    assert len(leaders) == len(far) and bool(far) == (number == 6)
    size = findings.photo.width_px, findings.photo.height_px
    starts = {tuple(float(v) for v in one.path[1:].split("L")[0].split()) for one in leaders}
    assert starts <= {tuple(round(a * s, 1) for a, s in zip(was.at, size, strict=True)) for was in stood}


def test_no_distance_is_drawn_where_no_end_was_followed(drawn):
    """A wire that leaves the photograph on both sides has no termination to draw to."""
    findings = findings_from_truth(drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)]))
    open_ended = findings.model_copy(
        update={"wires": [w.model_copy(update={"ends": [None, None]}) for w in findings.wires]}
    )
    assert not [shape for shape in shapes(open_ended) if shape.layer == "distances"]


def test_every_layer_has_a_switch_in_the_style():
    """A layer without its style rule could not be hidden."""
    style = (Path(__file__).parents[2] / "desk" / "templates" / "style.css").read_text("utf-8")
    for layer in LAYERS:
        assert f".t-{layer}:not(:checked)) .stage .l-{layer}" in style


def test_a_wire_not_followed_is_counted_as_a_stretch(bench, perfect_eye):
    """Its trace has an open end; where all are followed from end to end nothing is said of more stretches."""
    (path,) = sorted(bench.glob("bitten.jpg"))
    (found,) = [entry.findings for entry in assess_all([path], SETTINGS).entries]
    for ends, said in ((["h0", None], True), (["h0", "h1"], False)):
        photo = found.model_copy(update={"wires": [found.wires[0].model_copy(update={"ends": ends})]})
        page = report_html(Run((Entry(path, photo, None, 0.1),), None))
        assert "All that was measured: 1 stretch of wire" in page
        assert ("stands here in several stretches" in page) == said
