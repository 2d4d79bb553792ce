"""The command `close`: the finished repair against its order."""

import json

import pytest

from desk import cli
from vision.findings import Count, Measure


@pytest.fixture
def ordered(case, capsys, drawn_photo, findings, decided):
    """The order of the case as a file, and a way to assess the finished repair."""
    cli.run(["order", str(case / "a.json"), "--json"])
    (case / "order.json").write_text(capsys.readouterr().out, "utf-8")

    def after(*splices):
        photo = drawn_photo(case / "after.png")
        item = decided(findings(photo, splices=splices))
        (case / "after.json").write_text(item.model_dump_json(by_alias=True), "utf-8")
        return ["close", str(case / "order.json"), str(case / "after.json")]

    return after


def test_an_order_is_closed_by_lawful_sleeves(ordered, capsys, sleeve):
    """Two sleeves where two were planned, both far enough from the terminal."""
    assert cli.run(ordered(sleeve("s1", 250.0, 280.0), sleeve("s2", 450.0, 430.0))) == 0
    assert "closed." in capsys.readouterr().out


def test_an_order_is_not_closed_by_a_sleeve_too_near_and_says_so(ordered, capsys, sleeve):
    """In words and in JSON."""
    command = ordered(sleeve("s1", 100.0, 60.0), sleeve("s2", 450.0, 430.0))
    assert cli.run(command) == 0
    out = capsys.readouterr().out
    assert "NOT closed" in out and "NOT MET" in out and "152.4" in out
    assert cli.run([*command, "--json"]) == 0
    outcome = json.loads(capsys.readouterr().out)
    assert outcome["kind"] == "closing" and outcome["state"] == "not_met"


def test_what_cannot_be_told_says_how_it_is_settled(case, ordered, capsys, sleeve):
    """One sleeve seen of two; the count by hand and the ruler close it."""
    command = ordered(sleeve("s1", 250.0, 153.0))
    assert cli.run(command) == 0
    assert "to settle it" in capsys.readouterr().out
    (case / "answers.toml").write_text("[distances_mm]\ns1 = 160.0\n", "utf-8")
    assert cli.run([*command, "--joints", "2", "--ruler-checked", "--answers", str(case / "answers.toml")]) == 0
    assert ": closed." in capsys.readouterr().out


def test_the_closing_sheet_asks_to_count_nothing_that_a_limit_settles(
    case, capsys, drawn_photo, findings, bite, decided, ordered, pages
):
    """One to five wires, where six are the limit, and 28 ± 107 mm from the terminal, certainly too near."""
    command = ordered()
    open_ones = {"wires_affected": Count(value=2, low=1, high=5), "to_termination_mm": Measure(value=28.0, u95=107.0)}
    item = decided(findings(drawn_photo(case / "after.png"), [bite().model_copy(update=open_ones)]))
    (case / "after.json").write_text(item.model_dump_json(by_alias=True), "utf-8")
    assert cli.run([*command, "-o", str(case / "c.pdf")]) == 0
    paper = " ".join(" ".join(pages(case / "c.pdf")[0]).split())
    assert "wires 2 (1 to 5)" in paper and "28 (0 to 135) mm" in paper and "by hand;" not in paper
    assert "not measured well enough" not in paper


def test_photographs_of_another_assembly_close_nothing(case, ordered, capsys, sleeve):
    """The name given with --assembly is the order's own; it is told which one was expected."""
    command = ordered(sleeve("s1", 250.0, 280.0), sleeve("s2", 450.0, 430.0))
    one = json.loads((case / "after.json").read_text("utf-8"))
    for name, status in (("another", 2), ("before", 0)):
        whole = {"kind": "assembly", "schema": "1", "assembly": name, "photos": [one["photo"]["sha256"]], "regions": []}
        lines = [json.dumps({**one, "decision": None}), json.dumps({**whole, "decision": one["decision"]})]
        (case / "after.json").write_text("\n".join(lines), "utf-8")
        assert cli.run(command) == status
        assert ("expected photographs of assembly before" in capsys.readouterr().err) == bool(status)


def test_the_order_s_own_photographs_close_nothing(case, ordered, capsys, sleeve):
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


def test_the_closing_sheet_shows_the_finished_repair_and_what_is_not_met(case, ordered, sleeve, pages):
    """Photograph, checks, tests to sign."""
    out = case / "closing.pdf"
    assert cli.run([*ordered(sleeve("s1", 100.0, 60.0), sleeve("s2", 450.0, 430.0)), "-o", str(out)]) == 0
    text = "\n".join(pages(out)[0])
    for part in ("NOT closed", "after.png", "VIOLATED", "152.4", "Continuity", "closed by"):
        assert part in text, part
    assert "NOT FOUND" not in text


def test_a_distance_to_what_is_no_housing_closes_nothing_and_is_not_printed(
    case, ordered, capsys, drawn_photo, findings, bite, decided, sleeve, pages
):
    """Lawful by the photograph as long as the thing h1 counts; a ruler closes it. The sheet shows what is known."""
    command = ordered(sleeve("s1", 250.0, 280.0), sleeve("s2", 450.0, 430.0))
    assert cli.run(command) == 0 and ": closed." in capsys.readouterr().out
    told, out = case / "answers.toml", case / "closing.pdf"
    told.write_text('housing_state.h1 = "not_a_housing"\n', "utf-8")
    assert cli.run([*command, "--answers", str(told)]) == 0
    said = capsys.readouterr().out
    assert ": closed." not in said and "which is no housing: measure it with a ruler" in said
    told.write_text(told.read_text("utf-8") + "distances_mm.s1 = 280\ndistances_mm.s2 = 430\n", "utf-8")
    assert cli.run([*command, "--answers", str(told)]) == 0 and ": closed." in capsys.readouterr().out
    item = decided(findings(drawn_photo(case / "after.png"), [bite(271.0)]))
    (case / "after.json").write_text(item.model_dump_json(by_alias=True), "utf-8")
    for answers, printed in (([], True), (["--answers", str(told)], False)):
        told.write_text('housing_state.h1 = "not_a_housing"\n', "utf-8")
        assert cli.run([*command, *answers, "-o", str(out)]) == 0
        assert ("271" in " ".join(pages(out)[0])) is printed
