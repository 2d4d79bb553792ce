"""The work order: from an assessment to data and paper; every mistake is one line."""

import json
import re

import cv2
import numpy as np
import pytest

from desk import cli
from desk.order_answers import Answered
from desk.order_make import class_of
from desk.order_model import Order, read_assessment
from desk.order_pages import order_pdf
from desk.order_photos import region_picture, whole_picture
from desk.pictures import close_up_box
from desk.sheet import printable
from desk.wording import say_measure
from models.repair import Answers, decide, load_rules
from vision.findings import AssemblyFindings, Count, Measure, RegionRef
from vision.reading import read_photo


def listed(case):
    """The circuit list beside the assessment."""
    return (case / "list.csv").read_text("utf-8")


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_the_printed_order_says_what_to_do_on_the_paper_asked_for(case, paper, size_mm, pages):
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


def test_an_order_referred_by_the_circuit_list_offers_no_way_round_and_no_repair_steps(case, pages):
    """One circuit is a restraint circuit: its caution and Stop, and nothing that sounds like a limit in the way."""
    (case / "list.csv").write_text(listed(case).replace("continuous,none", "continuous,restraint"), "utf-8")
    out = case / "o.pdf"
    more = ["--circuits", str(case / "list.csv"), "--bench", str(case / "bench.toml")]
    assert cli.run(["order", str(case / "a.json"), "-o", str(out), *more]) == 0
    text = " ".join(" ".join(pages(out)[0]).split())
    assert "refer to the maker's procedure" in text and "Restraint circuits can fire" in text and "Stop." in text
    for part in ("exclude each other", "there would be a way", "The decision asks for", "Cut list", "Open questions"):
        assert part not in text, part


def test_the_reasons_of_an_order_referred_by_the_list_name_the_circuit_as_violated(case, capsys, pages):
    """In JSON and on paper; the class answered at intake was none, and another list leaves the row as it was."""
    (case / "restraint.csv").write_text(listed(case).replace("continuous,none", "continuous,restraint"), "utf-8")
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


def test_what_was_measured_at_the_bench_stands_on_the_order(case, pages):
    """As it was noted, with the name of its circuit though there is no list, and no blank rows once the plan stands."""
    out = case / "o.pdf"
    assert cli.run(["order", str(case / "a.json"), "--bench", str(case / "bench.toml"), "-o", str(out)]) == 0
    paper = " ".join(" ".join(pages(out)[0]).split())
    assert "PROVISIONAL" not in paper.split("Repair plan")[1][:40]
    row = paper.split("Wires measured at the bench")[1].split("cut, mm", 1)[1]
    assert row.split()[:9] == ["1", "w1,", "C1", "300", "40", "1060", "190", "Cut", "list"]


def test_what_a_bench_note_leaves_to_the_circuit_list_stands_in_its_row(case, pages):
    """Colour, size and both ends, as the plan has them; blank boxes would be filled in by hand a second time."""
    (case / "list.csv").write_text(
        "circuit,colour,size_mm2,from,from_cavity,to,to_cavity,length_mm,fuse_A,duty,class\n"
        "C1,RD/WH,1.5,X7,3,X8,5,1400,10,continuous,none\n",
        encoding="utf-8",
    )
    out = case / "o.pdf"
    arguments = ["--bench", str(case / "bench.toml"), "--circuits", str(case / "list.csv"), "-o", str(out)]
    assert cli.run(["order", str(case / "a.json"), *arguments]) == 0
    paper = " ".join(" ".join(pages(out)[0]).split())
    row = paper.split("Wires measured at the bench")[1].split("cut, mm", 1)[1].split("Cut list")[0]
    assert all(part in row for part in ("RD/WH", "1.5", "X7", "X8")), row


def test_the_printed_order_ends_in_pdf(case, capsys):
    """What is written for paper under another name opens nowhere."""
    assert cli.run(["order", str(case / "a.json"), "-o", str(case / "o.txt")]) == 2
    assert "ending in .pdf, got" in capsys.readouterr().err and not (case / "o.txt").exists()


def test_the_order_in_json_reads_back_and_is_the_same_every_time(case, capsys):
    """But for the time it was written."""
    found = []
    for _ in range(2):
        assert cli.run(["order", str(case / "a.json"), "--json"]) == 0
        found.append(Order.model_validate_json(capsys.readouterr().out))
    assert found[0].model_copy(update={"made_at": ""}) == found[1].model_copy(update={"made_at": ""})
    assert found[0].work.plan.status == "planned" and found[0].photos_not_found == []


def test_a_photograph_that_is_not_there_or_not_the_same_is_said_on_the_sheet(case, capsys, drawn_photo, pages):
    """Another picture under the same name is not shown in its place."""
    drawn_photo(case / "before.jpg")
    with (case / "before.jpg").open("ab") as file:
        file.write(b"x")
    out = case / "o.pdf"
    assert cli.run(["order", str(case / "a.json"), "-o", str(out)]) == 0
    assert "before.jpg: photograph not found" in capsys.readouterr().err
    assert "PHOTOGRAPH NOT FOUND: before.jpg" in "\n".join(pages(out)[0])


def test_photographs_in_another_folder_are_found_there(case, pages):
    """By name and hash."""
    (case / "elsewhere").mkdir()
    (case / "before.jpg").rename(case / "elsewhere" / "before.jpg")
    out = case / "o.pdf"
    assert cli.run(["order", str(case / "a.json"), "-o", str(out), "--photos", str(case / "elsewhere")]) == 0
    assert "NOT FOUND" not in "\n".join(pages(out)[0])


def test_a_housing_swap_prints_its_pin_map_with_plugs(case, findings, decided, pages):
    """Cavities 3 and 4 are not in the list."""
    one = decided(findings(read_photo(case / "before.jpg"), cracked=True))
    (case / "a.json").write_text(one.model_dump_json(by_alias=True), "utf-8")
    out = case / "o.pdf"
    (case / "bench.toml").write_text('[connectors]\nh1 = "X1"\n', "utf-8")
    more = ["--circuits", str(case / "list.csv"), "--bench", str(case / "bench.toml")]
    assert cli.run(["order", str(case / "a.json"), "-o", str(out), *more]) == 0
    text = "\n".join(pages(out)[0])
    assert "Pin map: X1" in text and text.count("PLUG") == 2 and "X7:3" in text and "secondary lock" in text


def test_several_photographs_of_one_assembly_make_one_order(case, capsys, drawn_photo, findings, bite):
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


def test_names_of_any_letters_and_length_print(case, pages):
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
    (case / "bad.csv").write_text(listed(case).replace("BU", "XX"), "utf-8")
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


def test_an_order_names_the_rules_behind_its_route_and_none_where_the_plan_worsens_it(case, capsys, pages):
    """On screen and on paper; where the plan makes the worst route graver than the decision does, no rule has."""
    out = case / "o.pdf"
    more = ["--circuits", str(case / "list.csv"), "--bench", str(case / "bench.toml")]
    assert cli.run(["order", str(case / "a.json"), *more]) == 0
    assert "  the decision: by “Copper damaged”\n" in capsys.readouterr().out
    assert cli.run(["order", str(case / "a.json"), *more, "-o", str(out), "--json"]) == 0
    assert "The route is set by “Copper damaged”." in " ".join(" ".join(pages(out)[0]).split())
    order = Order.model_validate_json(capsys.readouterr().out)
    decision = order.decision.model_copy(update={"route_worst": "remanufacture", "route_worst_by": ["wire-count"]})
    same = order.work.model_copy(update={"route_worst": "remanufacture"})
    graver = order.work.model_copy(update={"route_worst": "refer"})
    unasked = {"route_worst": "refer", "route_worst_unreferred": "remanufacture"}
    open_class = decision.model_copy(update=unasked | {"route_worst_unreferred_by": ["wire-count"]})
    both = order.model_copy(update={"decision": open_class, "work": order.work.model_copy(update=unasked)})
    assert both.says_worst().startswith("at worst remanufacture (by “Wires to repair”); the circuit class")
    assert both.says_route() == "repair in vehicle (provisional)"
    said = [order.model_copy(update={"decision": decision, "work": work}).says_worst() for work in (same, graver)]
    assert said == ["at worst remanufacture (by “Wires to repair”)", "at worst refer to the maker's procedure"]


def test_a_class_that_only_the_list_leaves_open_is_said_to_be_the_lists(case, capsys, findings, bite, decided):
    """No such circuit at intake, two red ones in the list and one of them restraint; with r2 more than six wires."""
    rows = "A1,RD,1.5,X1,1,X7,3,900,15,continuous,restraint\nA2,RD,1.5,X1,2,X7,4,900,15,continuous,none\n"
    (case / "list.csv").write_text(listed(case).splitlines()[0] + "\n" + rows, "utf-8")
    said = []
    open_count = {"id": "r2", "wires_affected": Count(value=1, low=1, high=7, wire_ids=["w1"])}
    for more in ([], [bite().model_copy(update=open_count)]):
        one = decided(findings(read_photo(case / "before.jpg"), [bite(), *more]))
        (case / "a.json").write_text(one.model_dump_json(by_alias=True), "utf-8")
        assert cli.run(["order", str(case / "a.json"), "--circuits", str(case / "list.csv"), "--json"]) == 0
        order = Order.model_validate_json(capsys.readouterr().out)
        assert (order.work.route_worst, order.work.circuit_class.verdict) == ("refer", "cannot_tell")
        said.append((order.work.route_worst_unreferred, order.says_worst()))
    assert [worst for worst, _ in said] == ["repair_in_vehicle", "remanufacture"]
    assert said[0][1].startswith("no worse by the damage; by the circuit list")
    assert said[1][1].startswith("at worst remanufacture (by “Wires to repair”; “Copper damaged”); by the circuit list")
    assert not any("not answered" in words for _, words in said)


def test_an_order_on_screen_says_the_wrong_fuse_and_one_on_paper_that_it_is_provisional(
    case, capsys, findings, bite, decided, pages
):
    """30 A found where 10 A belong, while the plan is open: one to three wires are bitten."""
    some = bite().model_copy(update={"wires_affected": Count(value=2, low=1, high=3, wire_ids=["w1"])})
    one = decided(findings(read_photo(case / "before.jpg"), [some]))
    (case / "a.json").write_text(one.model_dump_json(by_alias=True), "utf-8")
    (case / "answers.toml").write_text("fuse_found_a = 30\nfuse_rated_a = 10\nwire_size_mm2 = 0.75\n", "utf-8")
    told = ["order", str(case / "a.json"), "--answers", str(case / "answers.toml")]
    assert cli.run(told) == 0
    screen = capsys.readouterr().out
    assert "rules not kept:" in screen
    assert "Fuse sized for its wire (fuse-coordination): fuse of 30 A found where the circuit calls for 10 A" in screen
    assert cli.run([*told, "-o", str(case / "o.pdf")]) == 0
    head = " ".join(pages(case / "o.pdf")[0][0].split())
    assert "PROVISIONAL, 1 open question and 1 of the plan first. " in head


def test_an_order_whose_route_is_settled_says_beneath_it_what_is_open_and_where(case, capsys, findings, bite, pages):
    """The plan is made, the fuse is still asked for: whatever it is, the wire is repaired in the vehicle."""
    one = findings(read_photo(case / "before.jpg"), [bite()])
    known = Answers(circuit_class="none", both_ends_identified={"r1": True}, copper={"r1": "damaged"})
    one = one.model_copy(update={"decision": decide([one], known, load_rules())})
    (case / "a.json").write_text(one.model_dump_json(by_alias=True), "utf-8")
    bench = ["--bench", str(case / "bench.toml"), "--circuits", str(case / "list.csv")]
    assert cli.run(["order", str(case / "a.json"), *bench]) == 0
    route, _, open_ones = capsys.readouterr().out.splitlines()[:3]
    assert route.endswith(": repair in vehicle")
    assert re.fullmatch(r"  \d+ questions? (is|are) open, see below; the route stays, whatever the answers.", open_ones)
    assert cli.run(["order", str(case / "a.json"), *bench, "-o", str(case / "o.pdf")]) == 0
    words = [" ".join(text.split()) for text in pages(case / "o.pdf")[0]]
    told = re.search(r"open, see page (\d+); the route stays, whatever the answers\.", words[0])
    assert [str(n) for n, text in enumerate(words, 1) if "Open questions, answer first" in text] == [told[1]]
    assert words[0].index("Route: repair in vehicle") < told.start()


@pytest.mark.parametrize("circuit_class", ["none", "restraint", "high_voltage", None])
def test_the_class_asked_at_intake_is_known_from_the_decision(case, circuit_class, findings, bite):
    """So that new answers never forget a referred circuit."""
    item = findings(read_photo(case / "before.jpg"), [bite()])
    assert class_of(decide([item], Answers(circuit_class=circuit_class), load_rules())) == circuit_class


def test_letters_the_printer_does_not_have_become_readable_ones():
    """Accents fall off, signs become words, and nothing else is lost."""
    assert printable("Škoda-č ≥ 5 Ω ± 2 mm² – „x“") == "Škoda-c at least 5 Ohm ± 2 mm² – „x“"
    assert printable("漢") == "?"


def test_the_pictures_print_no_length_that_is_too_wide_to_use(case, findings, bite, monkeypatch):
    """101 ± 65 mm to the terminal and 40 ± 30 mm of damage: measured by hand; narrow ones stand in numbers."""
    lines = []
    monkeypatch.setattr("desk.order_photos._Canvas.dimension", lambda self, way, said, beside=False: lines.append(said))
    wide = {"to_termination_mm": Measure(value=101.0, u95=65.0), "length_mm": Measure(value=40.0, u95=30.0)}
    for changes, said in ((wide, ["measure by hand"] * 2), ({}, ["300.0 ± 1.0 mm", "40.0 ± 1.0 mm"])):
        region, photo = bite().model_copy(update=changes), read_photo(case / "before.jpg")
        found = findings(photo, [region])
        decision = decide([found], Answers(circuit_class="none"), load_rules())
        whole_picture(photo.bgr, found, decision=decision)
        region_picture(photo.bgr, found, region, decision)
        assert lines == said
        lines.clear()


def test_the_pictures_write_lengths_as_their_captions_do(case, findings, bite, monkeypatch):
    """With ±, which the letters of the pictures hold; a name of any letters is written, too."""
    written = []
    draw = cv2.putText
    monkeypatch.setattr(cv2, "putText", lambda image, said, *more: (written.append(said), draw(image, said, *more)))
    region, photo = bite().model_copy(update={"label": "rodent"}), read_photo(case / "before.jpg")
    region_picture(photo.bgr, findings(photo, [region]), region, None, "caf\u00e9 \u65e5\n\udcff")
    assert say_measure(region.length_mm) in written and "±" in say_measure(region.length_mm)
    assert any("caf\u00e9 \u65e5 ?" in said for said in written)
    signs = []
    for sign in "±?":
        signs.append(np.full((40, 40), 255, np.uint8))
        draw(signs[-1], sign, (5, 30), cv2.FONT_HERSHEY_SIMPLEX, 1.0, 0, 2)
    assert (signs[0] != signs[1]).any()  # what the letters lack is drawn as a question mark


def test_the_line_of_a_close_up_is_as_long_as_what_it_measures(case, findings, bite, monkeypatch):
    """A bite of 40 mm with a crumb 60 px beside it: the line spans the bite's 80 px, not the 160 px of both."""
    ways = []
    monkeypatch.setattr("desk.order_photos._Canvas.dimension", lambda self, way, said, beside=False: ways.append(way))
    crumb = [(450.0, 232.0), (460.0, 232.0), (460.0, 240.0), (450.0, 240.0)]
    region = bite().model_copy(update={"rings_px": [*bite().rings_px, crumb]})
    wire_is_short = {"centreline_px": [(float(x), 240.0) for x in range(60, 381, 20)]}
    photo = read_photo(case / "before.jpg")
    found = findings(photo, [region])
    found = found.model_copy(update={"wires": [found.wires[0].model_copy(update=wire_is_short)]})
    region_picture(photo.bgr, found, region)
    (way,) = ways
    assert np.linalg.norm(way[-1] - way[0]) == pytest.approx(80, abs=16)
    assert way[:, 1].min() >= 249, "below the bite"


def test_no_page_of_an_order_carries_the_signatures_alone(case, capsys, tmp_path, pages):
    """An order that grows line by line, so that its end falls at every height: the last page also holds its last table,
    or more; nothing is lost on the way."""
    assert cli.run(["order", str(case / "a.json"), "--json"]) == 0
    order = Order.model_validate_json(capsys.readouterr().out)
    one = Answered(name="wire_count", on=None, question="How many?", answer="3")
    photos = read_assessment(case / "a.json").photos
    pages_long = set()
    for lines in range(0, 48, 2):
        (tmp_path / "o.pdf").write_bytes(
            order_pdf(order.model_copy(update={"answers": (one,) * lines}), photos, {}, "a4")
        )
        texts = pages(tmp_path / "o.pdf")[0]
        pages_long.add(len(texts))
        assert "Signatures" in texts[-1] and "What caused it" in "".join(texts)
        assert len(texts[-1].split("Signatures")[0].split()) > 20, lines
        assert "".join(texts).count("How many?") == lines
    assert len(pages_long) > 1


def test_no_letters_cover_the_damage_in_its_close_up(case, findings, bite):
    """Within the bite the picture is as it was drawn, but for the outline."""
    photo = read_photo(case / "before.jpg")
    region = bite()
    near = region_picture(photo.bgr, findings(photo, [region]), region)
    shown = cv2.imdecode(np.frombuffer(near.jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)
    x, y, w, h = close_up_box(region.rings_px, 640, 480)
    scale = shown.shape[1] / w
    points = (np.asarray(region.rings_px[0]) - (x, y)) * scale
    left, top = points.min(0).astype(int) + 20
    right, bottom = points.max(0).astype(int) - 20
    plain = cv2.resize(cv2.imread(str(case / "before.jpg"), 0)[y : y + h, x : x + w], shown.shape[::-1])
    changed = np.abs(shown.astype(int) - plain)[top:bottom, left:right] > 60
    assert changed.mean() < 0.02


def test_a_whole_wire_says_why_it_is_cut_longer_than_it_was_measured(case, capsys, pages):
    """On paper under the cut list and on screen: 300 mm by the ruler, 1 mm of doubt and a joint's 20 mm; a wire that
    is joined has no such line."""
    short = "before_mm = 130\ndamage_mm = 40\nafter_mm = 130\n"
    (case / "short.toml").write_text(f'[[wire]]\nid = "w1"\n{short}', "utf-8")
    for name, expected in (("short.toml", True), ("bench.toml", False)):
        told = ["order", str(case / "a.json"), "--bench", str(case / name)]
        assert cli.run(told) == 0
        screen = capsys.readouterr().out
        assert cli.run([*told, "-o", str(case / "o.pdf")]) == 0
        paper = " ".join(" ".join(pages(case / "o.pdf")[0]).split())
        for text in (" ".join(screen.split()), paper):
            assert ("A whole wire is cut longer than the old one (w1 by 21 mm)" in text) == expected
            assert ("321 mm" in text) == expected


def test_four_fuses_too_large_by_the_list_are_said_once_on_paper_and_screen(case, capsys, findings, bite, pages):
    """The decision asks for fuse and wire; what the list gives stands beneath that, and one line holds the fuses."""
    rows = "".join(f"C{n},RD,1.5,X1,{n},X7,{n},1400,30,continuous,none\n" for n in range(1, 5))
    (case / "list.csv").write_text(listed(case).splitlines()[0] + "\n" + rows, "utf-8")
    one = findings(read_photo(case / "before.jpg"), [bite()])
    one = one.model_copy(update={"decision": decide([one], Answers(circuit_class="none"), load_rules())})
    (case / "a.json").write_text(one.model_dump_json(by_alias=True), "utf-8")
    wires = "".join(
        f'[[wire]]\nid = "w{n}"\ncircuit = "C{n}"\nbefore_mm = 300\ndamage_mm = 40\nafter_mm = 1060\n'
        for n in range(1, 5)
    )
    (case / "four.toml").write_text(wires, "utf-8")
    told = ["order", str(case / "a.json"), "--circuits", str(case / "list.csv"), "--bench", str(case / "four.toml")]
    assert cli.run(told) == 0
    screen = " ".join(capsys.readouterr().out.split())
    assert cli.run([*told, "-o", str(case / "o.pdf")]) == 0
    paper = " ".join(" ".join(pages(case / "o.pdf")[0]).split())
    for text in (screen, paper):
        assert text.count("Which fuse was found") == 1 and text.count("30 A in the circuit list") == 1
        assert text.count("NO FUSE INTO") == 1
    assert cli.run([*told, "--ask", str(case / "ask.toml")]) == 0
    assert (case / "ask.toml").read_text("utf-8").count("Which fuse was found") == 1
