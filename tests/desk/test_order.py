"""The work order: from an assessment to data and paper, and its closing; every mistake is one line."""

import json
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest

from desk import cli
from desk.order_make import class_of
from desk.order_model import Order
from desk.sheet import printable
from models.repair import Answers, decide, load_rules
from models.repair.bench import BenchNotes, BenchWire
from vision.findings import (
    AssemblyFindings,
    Count,
    Housing,
    Measure,
    ModelInfo,
    PhotoFindings,
    PhotoInfo,
    Region,
    RegionRef,
    Scale,
    Splice,
    Termination,
    Wire,
)
from vision.reading import read_photo

BENCH = (
    '[connectors]\nh1 = "X1"\n[[wire]]\nid = "w1"\ncircuit = "C1"\nbefore_mm = 300\ndamage_mm = 40\nafter_mm = 1060\n'
)
LIST = (
    "circuit,colour,size_mm2,from,from_cavity,to,to_cavity,length_mm,fuse_A,duty,class\n"
    "C1,RD,1.5,X1,1,X7,3,1400,15,continuous,none\nC2,BU,0.5,X1,2,X8,1,1650,7.5,intermittent,none\n"
)


def measure(value, u95=1.0):
    """A measure."""
    return Measure(value=value, u95=u95)


def drawn_photo(path):
    """A red wire on white, 640 x 480 px."""
    picture = np.full((480, 640, 3), 250, np.uint8)
    cv2.line(picture, (60, 240), (600, 240), (40, 40, 200), 12)
    cv2.imwrite(str(path), picture)
    return read_photo(path)


def findings(photo, regions=(), splices=(), cracked=False):
    """What a good photograph of that wire says."""
    wire = Wire(
        id="w1", colour="RD", diameter_mm=measure(2.0, 0.1), size_candidates_mm2=[], centreline_mm=None,
        centreline_px=[(float(x), 240.0) for x in range(60, 601, 20)], length_mm=measure(900.0, 2.0), ends=["h1", "t2"],
    )  # fmt: skip
    shell = [(20.0, 200.0), (60.0, 200.0), (60.0, 280.0), (20.0, 280.0)]
    return PhotoFindings(
        photo=PhotoInfo(name=photo.name, sha256=photo.sha256, width_px=640, height_px=480),
        usable=True, retake=[], scale=Scale(source="mat", mm_per_px=0.5, u95_rel=0.01),
        label=regions[0].label if regions else "sound", labels=[r.label for r in regions], probabilities={},
        unsure=False, candidates=[], novel=False, inspected_share=0.95, regions=list(regions), wires=[wire],
        terminations=[Termination(id="h1", kind="housing", position_mm=None, position_px=(60, 240), rings_px=[shell])],
        housings=[Housing(id="h1", rings_px=[shell], cracked=cracked, crack_length_mm=None,
                          missing_area_mm2=measure(0.0), displaced_terminals=0, cavities=4)],
        coverings=[], splices=list(splices), decision=None,
        model=ModelInfo(version="0", feature_version="0", trained_on="nothing"), missing=[],
    )  # fmt: skip


def bite(x=300.0):
    """A bite of 40 mm (80 px) whose near edge lies x mm from the terminal."""
    ring = [(300.0, 230.0), (380.0, 230.0), (380.0, 250.0), (300.0, 250.0)]
    return Region(
        id="r1", label="rodent", probabilities={}, unsure=False, candidates=[], novel=False, rings_px=[ring],
        rings_mm=None, length_mm=measure(40.0), area_mm2=None,
        wires_affected=Count(value=1, low=1, high=1, wire_ids=["w1"]),
        exposed_copper_mm=measure(20.0), to_termination_mm=measure(x), continues_under_covering=False, evidence=[],
    )  # fmt: skip


def sleeve(name, x_px, to_termination):
    """A repair sleeve on the wire."""
    ring = [(x_px, 230.0), (x_px + 30, 230.0), (x_px + 30, 250.0), (x_px, 250.0)]
    return Splice(
        id=name, wire_id="w1", position_mm=None, position_px=(x_px, 240.0), rings_px=[ring], origin="repair",
        to_termination_mm=measure(to_termination), to_next_splice_mm=measure(150.0),
    )  # fmt: skip


def decided(item):
    """The findings with the decision on them."""
    answers = Answers(circuit_class="none", fuse_found_a=10.0, fuse_rated_a=10.0, wire_size_mm2=1.0)
    return item.model_copy(update={"decision": decide([item], answers, load_rules())})


@pytest.fixture
def case(tmp_path):
    """An assessment of one bitten wire with its photograph, circuit list and bench notes beside it."""
    photo = drawn_photo(tmp_path / "before.jpg")
    one = decided(findings(photo, [bite()]))
    (tmp_path / "a.json").write_text(one.model_dump_json(by_alias=True) + "\n", "utf-8")
    (tmp_path / "list.csv").write_text(LIST, "utf-8")
    (tmp_path / "bench.toml").write_text(BENCH, "utf-8")
    return tmp_path


def pages(path):
    """The words of each page."""
    document = pypdfium2.PdfDocument(path)
    return [page.get_textpage().get_text_range() for page in document], document


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_the_printed_order_says_what_to_do_on_the_paper_asked_for(case, paper, size_mm):
    """Route, cautions, plan, cut list, tests, choice and signatures; the photograph is on it."""
    out = case / "o.pdf"
    more = ["--circuits", str(case / "list.csv"), "--bench", str(case / "bench.toml"), "--paper", paper]
    assert cli.run(["order", str(case / "a.json"), "-o", str(out), *more]) == 0
    words, document = pages(out)
    text = "\n".join(words)
    for part in ("repair in vehicle", "battery", "Repair plan", "Cut list", "190 mm", "1.5 mm² or larger", "C1: 15 A",
                 "EXAMPLE PRICES", "new assembly", "tested by", "X1, cavity 1", "nest"):  # fmt: skip
        assert part.lower() in text.lower(), part
    assert "NOT FOUND" not in text
    assert document[0].get_size() == pytest.approx(tuple(mm * 72 / 25.4 for mm in size_mm), abs=0.1)
    assert all(f"page {i} of {len(words)}" in page for i, page in enumerate(words, 1))


def test_an_order_referred_by_the_circuit_list_offers_no_way_round_and_no_repair_steps(case):
    """One circuit is a restraint circuit: its caution and Stop, and nothing that sounds like a limit in the way."""
    (case / "list.csv").write_text(LIST.replace("continuous,none", "continuous,restraint"), "utf-8")
    out = case / "o.pdf"
    more = ["--circuits", str(case / "list.csv"), "--bench", str(case / "bench.toml")]
    assert cli.run(["order", str(case / "a.json"), "-o", str(out), *more]) == 0
    text = " ".join(" ".join(pages(out)[0]).split())
    assert "refer to the maker's procedure" in text and "Restraint circuits can fire" in text and "Stop." in text
    for part in ("exclude each other", "there would be a way", "The decision asks for", "Cut list", "Open questions"):
        assert part not in text, part


def test_the_reasons_of_an_order_referred_by_the_list_name_the_circuit_as_violated(case, capsys):
    """In JSON and on paper; the class answered at intake was none, and another list leaves the row as it was."""
    (case / "restraint.csv").write_text(LIST.replace("continuous,none", "continuous,restraint"), "utf-8")
    bench, out = ["--bench", str(case / "bench.toml")], case / "o.pdf"
    said = {}
    for name in ("restraint.csv", "list.csv"):
        command = ["order", str(case / "a.json"), "--circuits", str(case / name), *bench]
        assert cli.run([*command, "-o", str(out), "--json"]) == 0
        order = Order.model_validate_json(capsys.readouterr().out)
        said[name] = next(rule for rule in order.decision.rules if rule.id == "circuit-class")
        paper = " ".join(" ".join(pages(out)[0]).split())
        assert ("circuit C1, class restraint: the maker's procedure" in paper) == (name == "restraint.csv")
        assert "W1" not in paper  # a wire keeps its name at the beginning of a sentence
    assert said["restraint.csv"].verdict == "violated" and "C1" in said["restraint.csv"].says
    assert said["list.csv"].verdict == "met"


def test_the_order_on_screen_has_the_same_in_plain_lines(case, capsys):
    """Without a file and without JSON."""
    assert cli.run(["order", str(case / "a.json"), "--bench", str(case / "bench.toml")]) == 0
    out = capsys.readouterr().out
    for part in ("repair in vehicle", "new piece, 190 mm", "order of work", "EXAMPLE PRICES", "cautions", "battery"):
        assert part in out, part


def test_the_order_in_json_reads_back_and_is_the_same_every_time(case, capsys):
    """But for the time it was written."""
    found = []
    for _ in range(2):
        assert cli.run(["order", str(case / "a.json"), "--json"]) == 0
        found.append(Order.model_validate_json(capsys.readouterr().out))
    assert found[0].model_copy(update={"made_at": ""}) == found[1].model_copy(update={"made_at": ""})
    assert found[0].work.plan.status == "planned" and found[0].photos_not_found == []


def test_a_photograph_that_is_not_there_or_not_the_same_is_said_on_the_sheet(case, capsys):
    """Another picture under the same name is not shown in its place."""
    drawn_photo(case / "before.jpg")
    with (case / "before.jpg").open("ab") as file:
        file.write(b"x")
    out = case / "o.pdf"
    assert cli.run(["order", str(case / "a.json"), "-o", str(out)]) == 0
    assert "before.jpg: photograph not found" in capsys.readouterr().err
    assert "PHOTOGRAPH NOT FOUND: before.jpg" in "\n".join(pages(out)[0])


def test_photographs_in_another_folder_are_found_there(case):
    """By name and hash."""
    (case / "elsewhere").mkdir()
    (case / "before.jpg").rename(case / "elsewhere" / "before.jpg")
    out = case / "o.pdf"
    assert cli.run(["order", str(case / "a.json"), "-o", str(out), "--photos", str(case / "elsewhere")]) == 0
    assert "NOT FOUND" not in "\n".join(pages(out)[0])


def test_a_housing_swap_prints_its_pin_map_with_plugs(case):
    """Cavities 3 and 4 are not in the list."""
    one = decided(findings(read_photo(case / "before.jpg"), cracked=True))
    (case / "a.json").write_text(one.model_dump_json(by_alias=True), "utf-8")
    out = case / "o.pdf"
    (case / "bench.toml").write_text('[connectors]\nh1 = "X1"\n', "utf-8")
    more = ["--circuits", str(case / "list.csv"), "--bench", str(case / "bench.toml")]
    assert cli.run(["order", str(case / "a.json"), "-o", str(out), *more]) == 0
    text = "\n".join(pages(out)[0])
    assert "Pin map: X1" in text and text.count("PLUG") == 2 and "X7:3" in text and "secondary lock" in text


def test_several_photographs_of_one_assembly_make_one_order(case, capsys):
    """The decision is the assembly's; regions are named by photograph."""
    one = findings(read_photo(case / "before.jpg"), [bite()])
    two = findings(drawn_photo(case / "other.png"))
    answers = Answers(circuit_class="none", both_ends_identified=True)
    whole = AssemblyFindings(
        assembly="A-17", photos=[one.photo.sha256, two.photo.sha256],
        regions=[RegionRef(photo=one.photo.sha256, id="r1")], decision=decide([one, two], answers, load_rules()),
    )  # fmt: skip
    lines = [item.model_dump_json(by_alias=True) for item in (one, two, whole)]
    (case / "a.json").write_text("\n".join(lines), "utf-8")
    assert cli.run(["order", str(case / "a.json"), "--json"]) == 0
    order = Order.model_validate_json(capsys.readouterr().out)
    assert order.assembly == "A-17" and [w.wire for w in order.work.plan.wires] == ["before.jpg:w1"]
    (case / "a.json").write_text("\n".join(lines[:2]), "utf-8")
    assert cli.run(["order", str(case / "a.json"), "--json"]) == 2
    assert "expected one decided assembly, got 2 photographs" in capsys.readouterr().err


def test_names_of_any_letters_and_length_print(case):
    """Line breaks, other scripts, control letters, a name longer than the page is wide."""
    data = json.loads((case / "a.json").read_text("utf-8"))
    data["photo"]["name"] = "漢字\n\x00" + "Ž" * 300 + ".jpg"
    data["decision"]["cautions"] = ["x" * 4000, "a\tb\u2028c **bold** __u__"]
    (case / "a.json").write_text(json.dumps(data), "utf-8")
    out = case / "o.pdf"
    assert cli.run(["order", str(case / "a.json"), "-o", str(out)]) == 0
    assert "Ž" * 50 in "".join(pages(out)[0])
    assert "??" in "".join(pages(out)[0])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "got none"),
        ("{", "no JSON"),
        ("[1]", "got a list"),
        ('{"kind": "truth"}', "got kind 'truth'"),
        ('{"kind": "photo", "schema": "1"}', "expected the fields of schema 1"),
        ("[" * 100_000, "no JSON"),
        ('{"kind": "photo", "inspected_share": NaN}', "NaN is no number"),
        ('{"kind": "photo", "inspected_share": 1e999}', "1e999 is no number"),
    ],
)
def test_a_foreign_or_broken_assessment_is_one_line_and_nothing_is_written(case, capsys, text, said):
    """Exit status 2, the old order stays as it was."""
    (case / "a.json").write_text(text, "utf-8")
    out = case / "o.pdf"
    out.write_text("old", "utf-8")
    assert cli.run(["order", str(case / "a.json"), "-o", str(out)]) == 2
    error = capsys.readouterr().err
    assert said in error and error.count("\n") == 1 and "a.json" in error
    assert out.read_text("utf-8") == "old"


def test_every_other_mistake_is_one_line_too(case, capsys):
    """Missing files, unwritable output, contradictory limits, wrong prices, a wrong list."""
    (case / "rules.toml").write_text("[splice-spacing]\nmin_mm = 400\n", "utf-8")
    (case / "prices.toml").write_text("[price]\njoint = -1\n", "utf-8")
    (case / "bad.csv").write_text(LIST.replace("BU", "XX"), "utf-8")
    assessment, out = str(case / "a.json"), str(case / "o.pdf")
    for arguments, said in [
        ([str(case / "none.json"), "-o", out], "none.json"),
        ([assessment, "-o", str(case / "no" / "o.pdf")], "-o"),
        ([assessment, "-o", out, "--rules", str(case / "rules.toml")], "min_section_mm"),
        ([assessment, "-o", out, "--prices", str(case / "prices.toml")], "price.joint"),
        ([assessment, "-o", out, "--circuits", str(case / "bad.csv")], "line 3"),
        ([assessment, "-o", out, "--bench", str(case / "none.toml")], "none.toml"),
        ([assessment, "-o", out, "--photos", str(case / "none")], "--photos"),
    ]:
        assert cli.run(["order", *arguments]) == 2, said
        error = capsys.readouterr().err
        assert said in error and error.count("\n") == 1, error
    assert not (case / "o.pdf").exists()


def test_a_plan_that_breaks_a_limit_is_one_line_and_nothing_is_written(case, capsys, monkeypatch):
    """Both commands that plan, when the check of a plan finds fault with it."""
    out = case / "o.pdf"
    order_it = ["order", str(case / "a.json"), "--bench", str(case / "bench.toml"), "-o", str(out)]
    splice_it = ["splice", "--length", "1500", "--damage", "600..680"]
    monkeypatch.setattr("models.repair.plan.broken_limits", lambda *_: ["w1: joint at 9 mm", "w2: joint at 8 mm"])
    for command in (order_it, splice_it):
        assert cli.run(command) == 2
        said = capsys.readouterr()
        assert said.err.startswith(f"loomtriage: {command[0]}: plan: expected joints that keep every limit, got w1: ")
        assert "w2: joint at 8 mm" in said.err and said.err.count("\n") == 1 and said.out == ""
    assert not out.exists()


@pytest.fixture
def ordered(case, capsys):
    """The order of the case as a file, and a way to assess the finished repair."""
    cli.run(["order", str(case / "a.json"), "--json"])
    (case / "order.json").write_text(capsys.readouterr().out, "utf-8")

    def after(*splices):
        photo = drawn_photo(case / "after.png")
        item = decided(findings(photo, splices=splices))
        (case / "after.json").write_text(item.model_dump_json(by_alias=True), "utf-8")
        return ["close", str(case / "order.json"), str(case / "after.json")]

    return after


def test_an_order_is_closed_by_lawful_sleeves(ordered, capsys):
    """Two sleeves where two were planned, both far enough from the terminal."""
    assert cli.run(ordered(sleeve("s1", 250.0, 280.0), sleeve("s2", 450.0, 430.0))) == 0
    assert "closed." in capsys.readouterr().out


def test_an_order_is_not_closed_by_a_sleeve_too_near_and_says_so(ordered, capsys):
    """In words and in JSON."""
    command = ordered(sleeve("s1", 100.0, 60.0), sleeve("s2", 450.0, 430.0))
    assert cli.run(command) == 0
    out = capsys.readouterr().out
    assert "NOT closed" in out and "NOT MET" in out and "152.4" in out
    assert cli.run([*command, "--json"]) == 0
    outcome = json.loads(capsys.readouterr().out)
    assert outcome["kind"] == "closing" and outcome["state"] == "not_met"


def test_what_cannot_be_told_says_how_it_is_settled(case, ordered, capsys):
    """One sleeve seen of two; the count by hand and the ruler close it."""
    command = ordered(sleeve("s1", 250.0, 153.0))
    assert cli.run(command) == 0
    assert "to settle it" in capsys.readouterr().out
    (case / "answers.toml").write_text("[distances_mm]\ns1 = 160.0\n", "utf-8")
    assert cli.run([*command, "--joints", "2", "--ruler-checked", "--answers", str(case / "answers.toml")]) == 0
    assert ": closed." in capsys.readouterr().out


def test_photographs_of_another_assembly_close_nothing(case, ordered, capsys):
    """The name given with --assembly is the order's own; it is told which one was expected."""
    command = ordered(sleeve("s1", 250.0, 280.0), sleeve("s2", 450.0, 430.0))
    one = json.loads((case / "after.json").read_text("utf-8"))
    for name, status in (("another", 2), ("before", 0)):
        whole = {"kind": "assembly", "schema": "1", "assembly": name, "photos": [one["photo"]["sha256"]], "regions": []}
        lines = [json.dumps({**one, "decision": None}), json.dumps({**whole, "decision": one["decision"]})]
        (case / "after.json").write_text("\n".join(lines), "utf-8")
        assert cli.run(command) == status
        assert ("expected photographs of assembly before" in capsys.readouterr().err) == bool(status)


def test_the_order_s_own_photographs_close_nothing(case, ordered, capsys):
    """They show the damage, not the repair; and files given the wrong way round are named."""
    ordered(sleeve("s1", 250.0, 280.0))
    assert cli.run(["close", str(case / "order.json"), str(case / "a.json")]) == 2
    assert "finished repair" in capsys.readouterr().err
    assert cli.run(["close", str(case / "after.json"), str(case / "order.json")]) == 2
    assert "give ORDER first" in capsys.readouterr().err
    (case / "answers.toml").write_text("[distances_mm]\ns9 = 160.0\n", "utf-8")
    again = ["close", str(case / "order.json"), str(case / "after.json"), "--answers", str(case / "answers.toml")]
    assert cli.run(again) == 2
    assert "s9" in capsys.readouterr().err


def test_the_closing_sheet_shows_the_finished_repair_and_what_is_not_met(case, ordered):
    """Photograph, checks, tests to sign."""
    out = case / "closing.pdf"
    assert cli.run([*ordered(sleeve("s1", 100.0, 60.0), sleeve("s2", 450.0, 430.0)), "-o", str(out)]) == 0
    text = "\n".join(pages(out)[0])
    for part in ("NOT closed", "after.png", "VIOLATED", "152.4", "Continuity", "closed by"):
        assert part in text, part
    assert "NOT FOUND" not in text


def test_answers_from_the_bench_decide_the_order_anew(case, capsys):
    """Sound copper under the magnifier: a sleeve instead of a new piece; the circuit class stays as it was asked."""
    shown = bite().model_copy(update={"exposed_copper_mm": None})
    one = decided(findings(read_photo(case / "before.jpg"), [shown]))
    (case / "a.json").write_text(one.model_dump_json(by_alias=True), "utf-8")
    (case / "answers.toml").write_text('copper = "covered"\n', "utf-8")
    assert cli.run(["order", str(case / "a.json"), "--json", "--answers", str(case / "answers.toml")]) == 0
    order = Order.model_validate_json(capsys.readouterr().out)
    assert [step.action for step in order.decision.actions] == ["sleeve"]
    assert order.work.route == "repair_in_vehicle" and order.work.plan.wires == ()
    (case / "answers.toml").write_text("copper = 3\n", "utf-8")
    assert cli.run(["order", str(case / "a.json"), "--json", "--answers", str(case / "answers.toml")]) == 2
    assert "answer copper" in capsys.readouterr().err


def test_the_order_lists_the_answers_it_was_given_and_no_others(case, capsys):
    """On paper, on screen and in JSON; the class of the intake was not given here, and without --answers none are."""
    (case / "answers.toml").write_text("both_ends_identified = true\n[distances_mm]\nr1 = 301.5\n", "utf-8")
    out, plain = case / "o.pdf", ["order", str(case / "a.json")]
    told = [*plain, "--answers", str(case / "answers.toml")]
    assert cli.run([*told, "-o", str(out), "--json"]) == 0
    order = Order.model_validate_json(capsys.readouterr().out)
    assert [(one.name, one.on, one.answer) for one in order.answers] == [
        ("both_ends_identified", None, "yes"), ("distances_mm", "r1", "301.5 mm"),
    ]  # fmt: skip
    assert cli.run(told) == 0
    screen, paper = capsys.readouterr().out, " ".join(" ".join(pages(out)[0]).split())
    assert "answers given:" in screen and "Answers given at the bench" in paper
    for text in (screen, paper):
        assert "r1: how far along the wire from the nearest termination? 301.5 mm" in text
    assert cli.run([*plain, "-o", str(out), "--json"]) == 0
    assert Order.model_validate_json(capsys.readouterr().out).answers == ()
    assert "Answers given" not in "\n".join(pages(out)[0])


@pytest.mark.parametrize("circuit_class", ["none", "restraint", "high_voltage", None])
def test_the_class_asked_at_intake_is_known_from_the_decision(case, circuit_class):
    """So that new answers never forget a referred circuit."""
    item = findings(read_photo(case / "before.jpg"), [bite()])
    assert class_of(decide([item], Answers(circuit_class=circuit_class), load_rules())) == circuit_class


def test_every_field_of_the_bench_notes_is_in_the_readme():
    """A field nobody knows of is filled in by nobody."""
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    for field in {*BenchNotes.model_fields, *BenchWire.model_fields} - {"wire"}:
        assert field in readme, field
    assert "[[wire]]" in readme


def test_letters_the_printer_does_not_have_become_readable_ones():
    """Accents fall off, signs become words, and nothing else is lost."""
    assert printable("Škoda-č ≥ 5 Ω ± 2 mm² – „x“") == "Škoda-c at least 5 Ohm ± 2 mm² – „x“"
    assert printable("漢") == "?"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--length", "900"], "153 to 747 mm"),
        (["--length", "900", "--damage", "300..360"], "join in a new piece"),
        (["--length", "900", "--damage", "60..90"], "new lead of 173 mm"),
        (["--length", "300", "--damage", "100..120"], "end to end"),
        (["--length", "300", "--damage", "100..120", "--no-lead", "both"], "No lawful repair"),
        (["--length", "900", "--branch", "450", "--closed", "200..300", "--joint", "600"], "490 to 560 mm"),
    ],
)
def test_one_question_about_a_joint_is_answered_without_a_photograph(arguments, said, capsys):
    """Where it may lie, and the cheapest lawful repair."""
    assert cli.run(["splice", *arguments]) == 0
    assert said in capsys.readouterr().out


def test_a_joint_s_place_in_json(capsys):
    """Stretches and the plan."""
    assert cli.run(["splice", "--length", "900", "--damage", "300..360", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["plan"]["status"] == "planned" and said["joint_may_lie_mm"][0][0] == 153


@pytest.mark.parametrize("damage", ["30-40", "40..30", "800..950"])
def test_a_stretch_that_is_none_is_one_line(damage, capsys):
    """Wrong form, turned round, beyond the wire."""
    assert cli.run(["splice", "--length", "900", "--damage", damage]) == 2
    assert capsys.readouterr().err.count("\n") == 1
