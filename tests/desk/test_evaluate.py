"""The evaluation: a perfect eye reaches every target, and each kind of mistake moves the figure it should."""

import json

import cv2
import pytest

from desk import cli
from desk.assess import AssessSettings
from desk.batch import Entry
from desk.console import print_evaluation
from desk.errors import DeskError
from desk.evaluate import Case, Evaluation, find_cases, judge
from desk.evaluate_figures import all_figures, confusion
from desk.evaluate_match import match_regions, match_wires
from desk.evaluate_report import evaluation_html
from desk.truth_findings import findings_from_truth
from models.repair import Answers, decide, load_rules
from vision.findings import Measure

SETTINGS = AssessSettings((), load_rules(), Answers(circuit_class="none"))


def answer(findings, **changes):
    """The findings changed, and decided upon as the desk does."""
    changed = findings.model_copy(update=changes)
    return changed.model_copy(update={"decision": decide([changed], SETTINGS.answers, SETTINGS.rules)})


def scored(path, known, findings):
    """Judge one answer (None: not read)."""
    entry = Entry(path, findings, None if findings else "cannot be read", 1.0)
    return judge(Case(path, known), entry, SETTINGS)


def figures(*answers):
    """Figures by key."""
    return {figure.key: figure for figure in all_figures([a.score for a in answers])}


def test_a_perfect_eye_reaches_every_target(bench, perfect_eye, tmp_path, capsys):
    """Through the command: exit status 0, JSON and page written, every decided figure reached."""
    numbers, page = tmp_path / "e.json", tmp_path / "e.html"
    assert cli.run(["evaluate", str(bench), "--json", str(numbers), "--report", str(page)]) == 0
    data = json.loads(numbers.read_text())
    by_key = {figure["key"]: figure for figure in data["figures"]}
    assert data["unsafe_routes"] == []
    assert by_key["macro_f1"]["value"] == 1.0
    assert (by_key["length_error"]["value"], by_key["distance_error"]["value"]) == (0.0, 0.0)
    assert all(figure["reached"] is not False for figure in data["figures"])
    assert data["confusion"]["rows"]["rodent"][data["confusion"]["answered"].index("rodent")] == 1
    assert "macro-F1" in page.read_text() and "http" not in page.read_text().replace("http-equiv", "")


def test_a_route_milder_than_the_truth_is_named(drawn, tmp_path):
    """Fused wires seen as a harmless browning without a region: answered, milder, and first among the mistakes."""
    known = drawn.truth("fused.jpg", [drawn.region("external_heat", 400, 80)])
    path = drawn.write_case(tmp_path, known)
    missed = answer(findings_from_truth(known), regions=[], label="sound", probabilities={"sound": 0.97})
    got = scored(path, known, missed)
    evaluation = Evaluation("f", (got,), tuple(all_figures([got.score])))
    assert got.score.answered and not got.score.too_grave
    assert evaluation.unsafe_names[0].startswith("fused.jpg: answered return to service, the truth is remanufacture")
    assert figures(got)["unsafe_routes"].reached is False
    assert evaluation.worst() == [got]


def test_the_page_shows_the_worst_mistake_with_both_outlines(drawn, tmp_path):
    """The picture of a missed and a false region, the true outline dashed, the words of what is wrong."""
    known = drawn.truth("<i>.jpg", [drawn.region("external_heat", 400, 80)])
    path = drawn.write_case(tmp_path, known)
    wrong = findings_from_truth(drawn.truth("<i>.jpg", [drawn.region("abrasion", 100, 60)]))
    got = scored(path, known, answer(wrong, probabilities={"abrasion": 0.9}))
    page = evaluation_html(Evaluation("f", (got,), tuple(all_figures([got.score]))))
    assert "data:image/jpeg;base64," in page and 'class="truth"' in page and 'class="region"' in page
    assert "Answered abrasion (90%), the truth is external heat." in page
    assert "1 of 1 damages not found." in page and "1 region where nothing is damaged." in page
    assert "<i>" not in page.replace('<i class="', "").replace("<i style=", "")


def test_a_harsher_route_than_the_truth_is_not_unsafe(drawn, tmp_path):
    """A sound assembly called fused is wrong, not unsafe."""
    known = drawn.truth("whole.jpg", [])
    path = drawn.write_case(tmp_path, known)
    fused = findings_from_truth(drawn.truth("whole.jpg", [drawn.region("external_heat", 400, 80)]))
    got = scored(path, known, answer(fused, label="external_heat"))
    assert (got.score.unsafe, got.score.too_grave, got.score.regions_false) == (False, True, 1)
    evaluation = Evaluation("f", (got,), tuple(all_figures([got.score])))
    assert evaluation.too_grave_names == ["whole.jpg: answered remanufacture, the truth is return to service"]
    assert figures(got)["too_grave_share"].estimate.value == 1.0
    in_json = json.loads(evaluation.to_json())["too_grave_routes"]
    assert in_json == ["whole.jpg: answered remanufacture, the truth is return_to_service"]
    assert "Too grave: answered remanufacture" in evaluation_html(evaluation)
    assert confusion([got.score])[1] == [("sound", [1, 0, 0])]


def test_unsafe_routes_are_one_row_with_count_and_share(drawn, tmp_path, capsys):
    """One of two answered milder: 50 % (Wilson: 9.5 to 90.5 %); on screen, on the page, and both keys in the JSON."""
    known = drawn.truth("fused.jpg", [drawn.region("external_heat", 400, 80)])
    path = drawn.write_case(tmp_path, known)
    missed = answer(findings_from_truth(known), regions=[], label="sound", probabilities={"sound": 0.97})
    both = scored(path, known, missed), scored(path, known, findings_from_truth(known))
    evaluation = Evaluation("f", both, tuple(all_figures([got.score for got in both])))
    page, data = evaluation_html(evaluation), json.loads(evaluation.to_json())["figures"]
    print_evaluation(evaluation)
    screen = capsys.readouterr().out
    for text in (page, screen):
        assert "1 (50.0 %)" in text and "9.5 % to 90.5 %" in text and "share of unsafe" not in text
        assert "fused.jpg: answered return to service, the truth is remanufacture" in " ".join(text.split())
    by_key = {figure["key"]: figure for figure in data}
    assert (by_key["unsafe_routes"]["value"], by_key["unsafe_share"]["value"]) == (1, 0.5)
    assert (by_key["too_grave_routes"]["value"], by_key["too_grave_share"]["value"]) == (0, 0)


def test_an_unsure_answer_is_not_an_answer(drawn, tmp_path):
    """Nor is an unusable photograph, nor one that could not be read; each lowers the answered share."""
    known = drawn.truth("bitten.jpg", [drawn.region("rodent", 500, 40)])
    path = drawn.write_case(tmp_path, known)
    plain = findings_from_truth(known)
    right = scored(path, known, answer(plain))
    unsure = scored(path, known, answer(plain, unsure=True, candidates=["rodent", "abrasion"]))
    unusable = scored(path, known, answer(plain, usable=False, label=None))
    unread = scored(path, known, None)
    share = figures(right, unsure, unusable, unread)["answered"].estimate
    assert (share.value, share.n) == (0.25, 4)
    assert unusable.score.label is None


def test_a_photograph_that_cannot_be_measured_does_not_count_against_the_label(drawn, tmp_path):
    """The truth says so."""
    known = drawn.truth("blurred.jpg", [drawn.region("rodent", 500, 40)]).model_copy(update={"usable": False})
    path = drawn.write_case(tmp_path, known)
    got = scored(path, known, answer(findings_from_truth(known), usable=False, label=None))
    assert figures(got)["macro_f1"].estimate.value is None


@pytest.mark.parametrize(
    ("x", "w", "matches"),
    [(300, 100, True), (340, 80, True), (310, 40, True), (395, 100, False), (420, 60, False), (250, 300, True)],
)
def test_regions_match_by_half_the_shorter_stretch_along_the_wire(drawn, x, w, matches):
    """Truth 300 to 400 px, 3 mm = 6 px dilation; worked out by hand on the x axis."""
    known = drawn.truth("a.jpg", [drawn.region("rodent", 300, 100)])
    got = findings_from_truth(drawn.truth("a.jpg", [drawn.region("rodent", x, w)]))
    pairs, false = match_regions(known, got)
    assert pairs == ([(0, 0)] if matches else [])
    assert false == ([] if matches else [0])


def test_one_answered_region_stands_for_one_true_region_only(drawn):
    """An outline over everything does not find both damages; the second one is missed, not false."""
    both = [drawn.region("rodent", 100, 60), drawn.region("rodent", 500, 60, region_id="r1")]
    known = drawn.truth("a.jpg", both)
    got = findings_from_truth(drawn.truth("a.jpg", [drawn.region("rodent", 60, 540)]))
    pairs, false = match_regions(known, got)
    assert (len(pairs), false) == (1, [])


def test_a_housing_is_matched_by_area(drawn):
    """No wire runs through a crack; the outline of the whole housing holds it."""
    crack = drawn.region("connector", 20, 10, rings_px=[drawn.box(20, 225, 6, 20)], wire_ids=[])
    whole = drawn.region("connector", 20, 10, rings_px=[drawn.box(10, 220, 30, 40)], wire_ids=[])
    pairs, _ = match_regions(drawn.truth("a.jpg", [crack]), findings_from_truth(drawn.truth("a.jpg", [whole])))
    assert pairs == [(0, 0)]


def test_pieces_beside_a_broken_housing_are_no_find_of_the_break_and_no_false_one(drawn):
    """Seen on the bench 100 px away: not where the housing broke, but of that break; ground beside them is false."""
    piece = drawn.box(120, 225, 20, 20)
    broken = drawn.region("connector", 20, 10, rings_px=[drawn.box(20, 225, 6, 20)], wire_ids=[], pieces_px=[piece])
    on_piece = drawn.region("connector", 20, 10, rings_px=[drawn.box(122, 227, 16, 16)], wire_ids=[])
    on_ground = drawn.region("connector", 20, 10, rings_px=[drawn.box(160, 227, 16, 16)], wire_ids=[])
    bitten = drawn.region("rodent", 20, 10, rings_px=[drawn.box(122, 227, 16, 16)], wire_ids=[])
    for answered, false in ((on_piece, []), (on_ground, [0]), (bitten, [0])):
        got = findings_from_truth(drawn.truth("a.jpg", [answered]))
        assert match_regions(drawn.truth("a.jpg", [broken]), got) == ([], false)


def test_a_wire_is_matched_with_the_longest_trace_along_it(drawn):
    """Two pieces follow it, a third runs elsewhere."""
    known = drawn.truth("a.jpg", [])
    (wire,) = findings_from_truth(known).wires
    short = wire.model_copy(update={"centreline_px": [(100.0, 241.0), (200.0, 241.0)]})
    long = wire.model_copy(update={"centreline_px": [(220.0, 239.0), (600.0, 239.0)]})
    away = wire.model_copy(update={"centreline_px": [(0.0, 400.0), (640.0, 400.0)]})
    assert match_wires(known, [short, away, long]) == [(0, 2)]


def test_coverage_counts_how_often_the_truth_lies_within_u95(drawn, tmp_path):
    """Length 20 mm true; 22 ± 3 covers it, 22 ± 1 does not; a lower bound of 15 does, of 25 ± 1 does not."""
    known = drawn.truth("a.jpg", [drawn.region("rodent", 500, 40)])
    path = drawn.write_case(tmp_path, known)
    plain = findings_from_truth(known)
    answers = []
    for value, u95, low in ((22, 3, False), (22, 1, False), (15, 1, True), (25, 1, True)):
        region = plain.regions[0].model_copy(update={"length_mm": Measure(value=value, u95=u95, low_bound=low)})
        answers.append(scored(path, known, answer(plain, regions=[region])))
    got = figures(*answers)
    assert got["coverage_length"].estimate.value == 0.5
    assert got["coverage_length"].reached is None  # four cases cannot tell
    assert got["length_error"].estimate.value == pytest.approx(0.1)  # lower bounds are left out
    assert got["length_error"].estimate.n == 2


def test_counts_of_wires_and_ground_colours_have_figures_of_their_own(drawn, tmp_path):
    """An interval one short of the truth holds nothing; another stripe is a wrong code on the right ground."""
    truth = drawn.truth("a.jpg", [drawn.region("rodent", 500, 40)])
    path = drawn.write_case(tmp_path, truth)
    known = findings_from_truth(truth)
    true = known.regions[0].wires_affected.value
    short = known.regions[0].wires_affected.model_copy(update={"value": true + 2, "low": true + 1, "high": true + 3})
    off = known.regions[0].model_copy(update={"wires_affected": short})
    striped = [w.model_copy(update={"colour": f"{w.colour.split('/')[0]}/XX"}) for w in known.wires]
    right = figures(scored(path, truth, answer(known)))
    wrong = figures(scored(path, truth, answer(known, regions=[off, *known.regions[1:]], wires=striped)))
    n = right["count_within"].estimate.n
    assert n >= 1
    assert (right["count_within"].estimate.value, right["count_error"].estimate.value) == (1.0, 0.0)
    assert wrong["count_within"].estimate.value == pytest.approx(1 - 1 / n)
    assert wrong["base_colour_right"].estimate.value == right["base_colour_right"].estimate.value == 1.0
    assert wrong["colour_right"].estimate.value == 0.0


def test_a_measure_that_is_missing_lowers_its_presence(drawn, tmp_path):
    """One of two lengths is absent; a region not found lacks its length too."""
    known = drawn.truth("a.jpg", [drawn.region("rodent", 500, 40)])
    path = drawn.write_case(tmp_path, known)
    plain = findings_from_truth(known)
    bare = plain.regions[0].model_copy(update={"length_mm": None})
    got = figures(
        scored(path, known, answer(plain)),
        scored(path, known, answer(plain, regions=[bare])),
        scored(path, known, answer(plain, regions=[])),
    )
    assert got["presence_length"].estimate.value == pytest.approx(1 / 3)


def test_a_truth_file_without_its_photograph_is_an_error_line(bench, perfect_eye, capsys):
    """The others are evaluated; exit status 2."""
    (bench / "fused.jpg").unlink()
    assert cli.run(["evaluate", str(bench)]) == 2
    captured = capsys.readouterr()
    assert len(captured.err.splitlines()) == 1 and "fused.jpg" in captured.err
    assert "macro-F1" in captured.out


def test_a_true_label_that_no_answer_can_be_is_said(bench, perfect_eye, capsys):
    """A misspelt one would quietly cost the figures; the rest is evaluated."""
    file = bench / "fused.json"
    truth = json.loads(file.read_text())
    old = truth["labels"][0]
    file.write_text(file.read_text().replace(f'"{old}"', '"corroded"'))
    assert cli.run(["evaluate", str(bench)]) == 0
    captured = capsys.readouterr()
    assert "no answer can be right where the truth is corroded" in captured.err and "macro-F1" in captured.out
    assert len(captured.err.splitlines()) == 1


def test_a_photograph_of_another_size_than_its_truth_is_an_error_line(bench, perfect_eye, capsys):
    """A downsized copy would put every outline in the wrong place."""
    path = bench / "fused.jpg"
    cv2.imwrite(str(path), cv2.resize(cv2.imread(str(path)), (320, 240)))
    assert cli.run(["evaluate", str(bench)]) == 2
    errors = capsys.readouterr().err.splitlines()
    assert len(errors) == 1 and "640 x 480" in errors[0] and "320 x 240" in errors[0]


def test_a_folder_without_truth_is_refused(tmp_path):
    """One line that says what to do."""
    with pytest.raises(DeskError, match="samples"):
        find_cases(tmp_path)
    with pytest.raises(DeskError, match="expected a folder"):
        find_cases(tmp_path / "absent")
