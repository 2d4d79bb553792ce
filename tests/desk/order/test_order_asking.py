"""What an order asks, what is answered, and what is to be counted or measured at the bench."""

import tomllib

import cv2

from desk import cli
from desk.order_make import decided_anew, read_sources
from desk.order_model import Assessed, Order
from desk.overlay import ways_to_termination
from models.repair import Answers
from models.repair.bench import BenchNotes, load_bench
from vision.findings import Count, Measure
from vision.reading import read_photo


def test_answers_from_the_bench_decide_the_order_anew(case, capsys, findings, bite, decided):
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


def test_the_open_questions_make_a_file_that_answers_them(case, capsys, findings, bite, decided):
    """Each line is read back once its # is taken away and decides anew; the file is never overwritten."""
    shown = bite().model_copy(update={"exposed_copper_mm": None})
    one = decided(findings(read_photo(case / "before.jpg"), [shown]))
    (case / "a.json").write_text(one.model_dump_json(by_alias=True), "utf-8")
    form, plain = case / "ask.toml", ["order", str(case / "a.json")]
    assert cli.run([*plain, "--ask", str(form)]) == 0
    screen, written = capsys.readouterr(), form.read_text("utf-8")
    assert f"--answers {form}" in screen.err and "Answer: copper.r1" in screen.out
    assert '#copper.r1 = "covered"    # or "bare", "damaged"' in written and tomllib.loads(written) == {}
    lines = [line.removeprefix("#") for line in written.splitlines()]
    form.write_text("\n".join(line for line in lines if " = " in line), "utf-8")
    assert Answers(**tomllib.loads(form.read_text("utf-8"))).copper == {"r1": "covered"}
    assert cli.run([*plain, "--json", "--answers", str(form)]) == 0
    order = Order.model_validate_json(capsys.readouterr().out)
    assert [step.action for step in order.decision.actions] == ["sleeve"]
    assert not (case / "ask-bench.toml").exists()  # what the ruler says is asked once the copper is known
    assert cli.run([*plain, "--ask", str(form)]) == 2
    assert "expected a new file" in capsys.readouterr().err
    second = case / "second.toml"
    assert cli.run([*plain, "--answers", str(form), "--ask", str(second)]) == 0
    assert Answers(**tomllib.loads(second.read_text("utf-8"))).copper == {"r1": "covered"}


def test_a_sleeve_is_answered_about_beside_an_answer_for_all_copper(case, capsys, findings, bite, decided):
    """`copper = "covered"` never counted for the sleeve r2: its line joins that of r1, which keeps its answer."""
    looked = bite().model_copy(update={"exposed_copper_mm": None})
    ring = [(450.0, 230.0), (480.0, 230.0), (480.0, 250.0), (450.0, 250.0)]
    sleeved = bite().model_copy(update={"id": "r2", "label": "earlier_repair", "rings_px": [ring]})
    one = decided(findings(read_photo(case / "before.jpg"), [looked, sleeved]))
    (case / "a.json").write_text(one.model_dump_json(by_alias=True), "utf-8")
    (case / "first.toml").write_text('copper = "covered"\n', "utf-8")
    plain, form = ["order", str(case / "a.json")], case / "second.toml"
    assert cli.run([*plain, "--answers", str(case / "first.toml"), "--ask", str(form)]) == 0
    written = form.read_text("utf-8")
    assert '\ncopper.r1 = "covered"\n' in written and '\n#copper.r2 = "covered"    # or' in written
    form.write_text(written.replace("#copper.r2", "copper.r2"), "utf-8")
    assert Answers(**tomllib.loads(form.read_text("utf-8"))).copper == {"r1": "covered", "r2": "covered"}
    capsys.readouterr()
    assert cli.run([*plain, "--json", "--answers", str(form)]) == 0
    order = Order.model_validate_json(capsys.readouterr().out)
    assert "inspect_conductor" not in [step.action for step in order.decision.actions]


def test_a_referred_order_asks_nothing_that_would_be_answered_at_the_wire(case, capsys):
    """One circuit of the list is a restraint circuit: the file says that no question is open."""
    circuits = (case / "list.csv").read_text("utf-8").replace("continuous,none", "continuous,restraint")
    (case / "list.csv").write_text(circuits, "utf-8")
    more = ["--circuits", str(case / "list.csv"), "--bench", str(case / "bench.toml"), "--ask", str(case / "q.toml")]
    assert cli.run(["order", str(case / "a.json"), *more]) == 0
    assert "no question is open" in capsys.readouterr().err
    assert " = " not in (case / "q.toml").read_text("utf-8")


def test_the_order_lists_the_answers_it_was_given_and_no_others(case, capsys, pages):
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


def test_what_is_too_wide_to_use_is_listed_to_be_counted_and_measured_by_hand(
    case, capsys, findings, bite, decided, pages
):
    """Nought to 42 wires and a length of 11 to 141 mm: in words, with room to write on paper; JSON is as it was."""
    open_ones = {"wires_affected": Count(value=3, low=0, high=42), "length_mm": Measure(value=76.0, u95=65.0)}
    one = decided(findings(read_photo(case / "before.jpg"), [bite().model_copy(update=open_ones)]))
    (case / "a.json").write_text(one.model_dump_json(by_alias=True), "utf-8")
    assert cli.run(["order", str(case / "a.json")]) == 0
    screen = capsys.readouterr().out
    assert "  to be counted and measured by hand:\n" in screen
    assert "wires to repair, earlier repairs counted: between 0 and 42\n" in screen and "wires damaged" not in screen
    assert "r1: length along the wire: between 11 and 141 mm\n" in screen
    assert cli.run(["order", str(case / "a.json"), "-o", str(case / "o.pdf"), "--json"]) == 0
    assert Order.model_validate_json(capsys.readouterr().out).decision.wires_to_repair.high == 42
    paper = " ".join(" ".join(pages(case / "o.pdf")[0]).split())
    assert "To be counted and measured by hand" in paper
    assert "not measured well enough: between 0 and 42; count by hand" in paper


def test_what_was_answered_is_not_to_be_counted_or_measured_again(case, capsys, findings, bite, decided):
    """Wires, the distance and the copper of r1; the length, which no answer gives, and r2's distance stay."""
    wide = {
        "length_mm": Measure(value=76.0, u95=65.0),
        "to_termination_mm": Measure(value=101.0, u95=65.0),
        "wires_affected": Count(value=3, low=0, high=42),
        "exposed_copper_mm": Measure(value=2.0, u95=20.0),
    }
    apart = [[(x + 100, y) for x, y in ring] for ring in bite().rings_px]
    one, two = bite().model_copy(update=wide), bite().model_copy(update=wide | {"id": "r2", "rings_px": apart})
    item = decided(findings(read_photo(case / "before.jpg"), [one, two]))
    (case / "a.json").write_text(item.model_dump_json(by_alias=True), "utf-8")
    plain, answers = ["order", str(case / "a.json")], case / "answers.toml"

    def listed_rows():
        screen = capsys.readouterr().out
        rows = screen.split("to be counted and measured by hand:\n")[1].splitlines()
        return [row.strip() for row in rows[: next(i for i, row in enumerate(rows) if not row.startswith("    "))]]

    assert cli.run(plain) == 0
    assert len(listed_rows()) == 9  # wires in all and at each place, and three lengths at each
    answers.write_text('wire_count = 3\ndistances_mm.r1 = 300\ncopper.r1 = "damaged"\n', "utf-8")
    assert cli.run([*plain, "--answers", str(answers)]) == 0
    assert [row.split(": between")[0] for row in listed_rows()] == [
        "r1: length along the wire", "r2: length along the wire", "r2: near edge to the termination",
        "r2: bare copper, all wires",
    ]  # fmt: skip
    answers.write_text('copper = "damaged"\nlabels.r2 = "sound"\n', "utf-8")
    assert cli.run([*plain, "--answers", str(answers)]) == 0
    assert not any("copper" in row or row.startswith("r2") for row in listed_rows())


def test_what_the_bench_measured_stands_at_the_photographs(case, capsys, findings, bite, decided, pages, monkeypatch):
    """300 mm by ruler and 3 wires counted, of one place of two: in captions and at the line, marked; the rest by hand.

    The closing sheet does the same with what was measured on the finished repair.
    """
    lines = []
    monkeypatch.setattr("desk.order_photos._Canvas.dimension", lambda self, way, said, beside=False: lines.append(said))
    wide = {"to_termination_mm": Measure(value=101.0, u95=65.0), "wires_affected": WIDE_COUNT}
    ring = [(450.0, 230.0), (480.0, 230.0), (480.0, 250.0), (450.0, 250.0)]
    one, two = bite().model_copy(update=wide), bite().model_copy(update=wide | {"id": "r2", "rings_px": [ring]})
    item = decided(findings(read_photo(case / "before.jpg"), [one, two]))
    (case / "a.json").write_text(item.model_dump_json(by_alias=True), "utf-8")
    out, answers = case / "o.pdf", case / "answers.toml"
    plain = ["order", str(case / "a.json"), "-o", str(out)]

    def captions():
        paper = " ".join(" ".join(pages(out)[0]).split())
        return [paper.split(f"{name} rodent bites: along")[1].split("r2 rodent")[0][:260] for name in ("r1", "r2")]

    assert cli.run(plain) == 0
    assert all("measure by hand" in text and "count by hand" in text for text in captions())
    assert "at the bench" not in "".join(captions()) + "".join(lines) and "measure by hand" in lines
    lines.clear()
    answers.write_text("wire_count = 3\ndistances_mm.r1 = 300\n", "utf-8")
    assert cli.run([*plain, "--answers", str(answers)]) == 0
    first, second = captions()
    assert "from the nearest termination 300 mm, at the bench; wires 3 in the assembly, at the bench" in first
    assert "measure by hand; wires 3 in the assembly, at the bench" in second and "count by hand" not in second
    assert "300 mm, at the bench" in lines and "measure by hand" in lines
    capsys.readouterr()
    assert cli.run(["order", str(case / "a.json"), "--json"]) == 0
    (case / "order.json").write_text(capsys.readouterr().out, "utf-8")
    cv2.imwrite(str(case / "after.jpg"), 255 - cv2.imread(str(case / "before.jpg")))
    after = decided(findings(read_photo(case / "after.jpg"), [one, two]))
    (case / "after.json").write_text(after.model_dump_json(by_alias=True), "utf-8")
    closing = ["close", str(case / "order.json"), str(case / "after.json"), "-o", str(out)]
    assert cli.run([*closing, "--answers", str(answers)]) == 0
    assert "termination 300 mm, at the bench" in captions()[0]


WIDE_COUNT = Count(value=3, low=0, high=42, wire_ids=["w1"])


def test_an_order_whose_plan_is_open_gives_room_for_every_wire_on_paper_and_in_a_file(
    case, capsys, findings, bite, decided, pages
):
    """One to three wires bitten: five lines on paper; a file of bench notes that says nothing until it is filled."""
    some = bite().model_copy(update={"wires_affected": Count(value=2, low=1, high=3, wire_ids=["w1"])})
    one = decided(findings(read_photo(case / "before.jpg"), [some]))
    (case / "a.json").write_text(one.model_dump_json(by_alias=True), "utf-8")
    plain, notes = ["order", str(case / "a.json")], case / "q-bench.toml"
    assert cli.run([*plain, "--ask", str(case / "q.toml"), "-o", str(case / "o.pdf")]) == 0
    assert f"--bench {notes}" in capsys.readouterr().err
    paper = " ".join(" ".join(pages(case / "o.pdf")[0]).split())
    assert "The plan is still open: " in paper and "The plan: open" not in paper
    rows = paper.split("Wires measured at the bench, mm along the wire")[1].split("Before:")[0]
    assert rows.split()[-5:] == ["1", "2", "3", "4", "5"] and "cut, mm" in rows
    written = notes.read_text("utf-8")
    assert load_bench(notes) == BenchNotes() and "# r1: which wires are damaged?" in written
    typed = {"size_mm2": "0.5", "start": '"X1:1"', "end": '"X7:3"', "before_mm": "300", "damage_mm": "40",
             "after_mm": "560"}  # fmt: skip
    notes.write_text(filled_in(written, typed), "utf-8")
    (wire,) = load_bench(notes).wire
    assert (wire.id, wire.colour, wire.start, wire.end, wire.size_mm2) == ("w1", "RD", "X1:1", "X7:3", 0.5)
    assert (wire.before_mm, wire.damage_mm, wire.after_mm, list(wire.joints_mm)) == (300.0, 40.0, 560.0, [])
    again = [*plain, "--ask", str(case / "q2.toml"), "--bench", str(notes)]
    assert cli.run(again) == 0 and not (case / "q2-bench.toml").exists()  # measured already
    (case / "q3-bench.toml").write_text("mine", "utf-8")
    assert cli.run([*plain, "--ask", str(case / "q3.toml")]) == 2
    assert not (case / "q3.toml").exists() and (case / "q3-bench.toml").read_text("utf-8") == "mine"


def filled_in(template, typed):
    """The first wire of a file of bench notes as a person fills it in: each value typed, the # taken away but where
    nothing stands."""
    lines = template.splitlines()
    first = lines.index("#[[wire]]")
    last = lines.index("", first)
    block = [line if '= ""' in line else line.removeprefix("#") for line in lines[first:last]]
    named = [(line.removeprefix("#").split(" =")[0], line) for line in block]
    block = [f"{name} = {typed[name]}" if name in typed else line for name, line in named]
    return "\n".join([*lines[:first], *block, *lines[last:]])


def test_bench_notes_that_would_not_be_written_again_may_lie_beside_the_questions(
    case, capsys, findings, bite, decided
):
    """`--bench q-bench.toml --ask q.toml`: the notes are read, no new ones are wanted, and they stay as they are."""
    some = bite().model_copy(update={"wires_affected": Count(value=2, low=1, high=3, wire_ids=["w1"])})
    one = decided(findings(read_photo(case / "before.jpg"), [some]))
    (case / "a.json").write_text(one.model_dump_json(by_alias=True), "utf-8")
    notes = case / "q-bench.toml"
    (case / "bench.toml").rename(notes)
    before = notes.read_text("utf-8")
    assert cli.run(["order", str(case / "a.json"), "--bench", str(notes), "--ask", str(case / "q.toml")]) == 0
    assert (case / "q.toml").exists() and notes.read_text("utf-8") == before


def test_a_housing_to_be_renewed_is_named_in_the_bench_notes(case, capsys, findings, decided):
    """The list knows two: the file beside the questions has a line for it; filled in, it is asked no more."""
    one = decided(findings(read_photo(case / "before.jpg"), cracked=True))
    (case / "a.json").write_text(one.model_dump_json(by_alias=True), "utf-8")
    form, plain = case / "q.toml", ["order", str(case / "a.json"), "--circuits", str(case / "list.csv")]
    assert cli.run([*plain, "--ask", str(form)]) == 0
    assert "h1: which connector of the circuit list is it" in capsys.readouterr().out
    notes = (case / "q-bench.toml").read_text("utf-8")
    assert "#[connectors]" in notes and '#"h1" = ""' in notes
    assert "of [connectors], too" in notes and "wire" not in notes  # there is none to measure
    typed = notes.replace("#[connectors]", "[connectors]").replace('#"h1" = ""', '"h1" = "X1"')
    (case / "q-bench.toml").write_text(typed, "utf-8")
    assert cli.run([*plain, "--bench", str(case / "q-bench.toml")]) == 0
    assert "which connector" not in capsys.readouterr().out


def test_a_thing_that_is_no_housing_leaves_the_order_and_its_distance_is_measured(
    case, capsys, findings, bite, decided
):
    """The file offers it; with it the lead is not planned from the false distance, and the picture draws no way."""
    seen = findings(read_photo(case / "before.jpg"), [bite(40.0)])
    shell = seen.housings[0].model_copy(update={"displaced_terminals": None})
    wire = seen.wires[0].model_copy(update={"ends": ["h1", None]})
    one = decided(seen.model_copy(update={"housings": [shell], "wires": [wire]}))
    (case / "a.json").write_text(one.model_dump_json(by_alias=True), "utf-8")
    form, plain = case / "ask.toml", ["order", str(case / "a.json")]
    assert cli.run([*plain, "--ask", str(form)]) == 0
    assert '#housing_state.h1 = "sound"    # or "damaged", "not_a_housing"' in form.read_text("utf-8")
    capsys.readouterr()
    (case / "answers.toml").write_text(
        'housing_state.h1 = "not_a_housing"\nboth_ends_identified = true\ncopper = "damaged"\n', "utf-8"
    )
    assert cli.run([*plain, "--json", "--answers", str(case / "answers.toml")]) == 0
    order = Order.model_validate_json(capsys.readouterr().out)
    assert "replace_terminal_lead" not in [step.action for step in order.decision.actions]
    assert any(question.ask.startswith("How far along the wire is r1") for question in order.decision.open_questions)
    assert [one.answer for one in order.answers if one.name == "housing_state"] == ["not a housing"]
    told = Answers(housing_state={"h1": "not_a_housing"})
    again = decided_anew(
        Assessed(assembly="a", photos=[one], decision=one.decision), told, read_sources(None, None, None, None)
    )
    assert ways_to_termination(one) and not ways_to_termination(again.photos[0])
