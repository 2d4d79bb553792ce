"""The calculators: a person's question, an answer in words or JSON, and one line for every mistake."""

import json
import math
import re
import xml.etree.ElementTree as ET

import pytest

from desk import cli
from desk.circuit_tables import say_opening, say_span, say_time

HEADER = "circuit,colour,size_mm2,from,from_cavity,to,to_cavity,length_mm,fuse_A,duty,class\n"


def run(capsys, *arguments):
    status = cli.run([str(a) for a in arguments])
    captured = capsys.readouterr()
    return status, captured.out, captured.err.splitlines()


def answer(capsys, *arguments):
    status, out, errors = run(capsys, *arguments, "--json")
    assert (status, errors) == (0, [])
    return json.loads(out)


def test_20_a_found_where_10_a_belongs_is_answered(capsys):
    """What happened to the wire, and at which currents the fuse no longer protects."""
    found = answer(capsys, "wire", "--size", 0.5, "--fuse", 20, "--belongs", 10, "--load", 22)
    assert found["fuse"]["protects"] == "no"
    (gap,) = [zone for zone in found["fuse"]["zones"] if zone["opens_first"] == "no"]
    assert 14 < gap["from_a"] < 16 and gap["to_a"] == pytest.approx(22.0, rel=1e-3)
    assert found["belongs"]["protects"] == "cannot_tell"
    damage = found["load"]["damaged_after_s"]
    assert 5 < damage["earliest"] < damage["latest"] < 120
    assert found["fuse"]["held"]["current_a"] == pytest.approx(22.0)
    _, out, _ = run(capsys, "wire", "--size", "0.5", "--fuse", "20")
    assert "protects the wire: no" in out and f"from {gap['from_a']:.1f} to 22.0 A" in out


@pytest.mark.parametrize(
    ("fuses", "larger"),
    [(("--fuse", 20, "--belongs", 10), "the fuse that belongs"), (("--fuse", 10), "the fuse found"),
     (("--fuse", 20, "--belongs", 7.5), None), (("--fuse", 7.5), None)],
)  # fmt: skip
def test_a_fuse_above_the_shop_s_table_is_said_to_be(capsys, fuses, larger):
    """0.5 mm²: at most 7.5 A; the one that belongs there is what counts, where it is given."""
    says = "the shop's table allows at most 7.5 A for 0.5 mm²"
    assert answer(capsys, "wire", "--size", 0.5, *fuses)["shop_table"] == (says if larger else None)
    _, out, _ = run(capsys, "wire", "--size", 0.5, *fuses)
    assert (f"{says}: {larger} is larger" in " ".join(out.split())) == bool(larger)


def test_the_shop_s_own_rules_say_what_its_table_allows(capsys, tmp_path):
    """Rules that do not hold fuses against a table say nothing of one."""
    (tmp_path / "rules.toml").write_text("[fuse-coordination]\napplies = false\n", "utf-8")
    rules = ["--rules", tmp_path / "rules.toml"]
    assert answer(capsys, "wire", "--size", 0.5, "--fuse", 20, *rules)["shop_table"] is None


@pytest.mark.parametrize(("classes", "unknown"), [(("none", "none"), False), (("none", ""), True)])
def test_a_list_that_gives_every_class_brings_no_caution_of_an_unknown_one(capsys, tmp_path, classes, unknown):
    """One line without a class is enough for it."""
    rows = [f"C{n},RD,0.5,X1,{n},X2,{n},900,5,,{name}\n" for n, name in enumerate(classes)]
    (tmp_path / "list.csv").write_text(HEADER + "".join(rows), "utf-8")
    cautions = answer(capsys, "circuits", "check", tmp_path / "list.csv")["cautions"]
    assert any("Until the circuit class is known" in text for text in cautions) == unknown


def test_a_list_with_a_class_of_its_own_brings_that_caution(capsys, tmp_path):
    """As the work order of such a list does."""
    rows = "C1,RD,0.5,X1,1,X2,1,900,5,,none\nC2,BU,0.5,X1,2,X2,2,900,5,,restraint\n"
    (tmp_path / "list.csv").write_text(HEADER + rows, "utf-8")
    cautions = answer(capsys, "circuits", "check", tmp_path / "list.csv")["cautions"]
    assert any(text.startswith("Restraint circuits can fire") for text in cautions)


def test_short_circuits_are_held_against_the_closed_forms(capsys):
    """300 A on 0.5 mm²: the adiabatic time from 40 to 150 °C, recomputed here, is the shortest possible."""
    load = answer(capsys, "wire", "--size", 0.5, "--load", 300)["load"]
    k2 = 226**2 * math.log((234.5 + 150) / (234.5 + 40))
    assert load["without_losses"]["overload_limit_after_s"] == pytest.approx(k2 * 0.25 / 9e4, rel=1e-3)
    assert load["overload_limit_after_s"] > 0.85 * load["without_losses"]["overload_limit_after_s"]
    assert (
        answer(capsys, "wire", "--size", 0.5, "--load", 15)["load"]["without_losses"]["overload_limit_after_s"] is None
    )


def test_a_place_too_hot_for_the_insulation_is_said_to_be(capsys):
    """Nothing may flow, and no fuse helps."""
    found = answer(capsys, "wire", "--size", 0.5, "--fuse", 5, "--ambient", 150, "--load", 3)
    assert found["fuse"]["protects"] == "no" and "too hot" in found["fuse"]["says"]
    assert found["steady"][1]["current_a"] == 0 and found["load"]["damaged_after_s"]["latest"] == 0


def test_a_larger_wire_bears_more_and_a_bundle_less(capsys):
    """The table of classes, by gauge and by area."""
    half, one, many = (
        answer(capsys, "wire", "--size", *rest)["steady"][1]["current_a"]
        for rest in (["AWG20"], ["1.0"], ["1.0", "--bundle", "9"])
    )
    assert half < one and many < one


def test_a_test_lead_for_a_10_a_circuit_has_7_5_a(capsys):
    """Common practice, and said to be."""
    found = answer(capsys, "fuse", "--rating", 10)
    assert found["test_lead"]["rating_a"] == 7.5 and "Common practice" in found["test_lead"]["source"]
    assert answer(capsys, "fuse", "--rating", 1)["test_lead"]["rating_a"] is None
    _, out, _ = run(capsys, "fuse", "--rating", 10, "--load", 20)
    assert "7.5 A (brown)" in out and "at 20 A: 0.15 s to 5 s" in out


def test_the_drop_before_and_after_is_held_against_the_budget(capsys):
    """A larger new piece makes up for two splices."""
    arguments = ("drop", "--size", 0.5, "--length", 2000, "--current", 5)
    plain, larger = answer(capsys, *arguments), answer(capsys, *arguments, "--new-size", 0.75, "--new-length", 1000)
    assert plain["before_v"]["value"] < plain["after_v"]["value"]
    assert larger["after_v"]["value"] < plain["before_v"]["value"]
    assert plain["after"] == "met" and answer(capsys, *arguments, "--budget", 0.1)["after"] == "violated"
    # by hand: 2 m at (34.48 + 37.1)/2 mΩ/m and 60 °C, two terminals of 1 mΩ
    assert plain["before_v"]["value"] == pytest.approx(5 * (2 * 0.035791 * 1.1572 + 0.002), rel=1e-3)


def test_like_loads_on_unlike_feeds_are_compared(capsys):
    """Twice the length: half a volt and more between them, and later charged."""
    found = answer(
        capsys, "drop", "--size", 0.5, "--length", 4000, "--current", 5, "--other-length", 2000, "--capacitance", 0.01
    )["equal_loads"]
    assert found["this_v"] < found["other_v"] and found["this_charges_slower_by_s"] > 0


def test_the_better_feed_has_more_and_charges_sooner_never_less_by_a_negative_number(capsys):
    """In words, either way round; a long charge comes in seconds."""
    feeds = ("drop", "--size", 0.5, "--current", 5, "--capacitance", 100)
    better = run(capsys, *feeds, "--length", 2000, "--other-length", 4000)[1]
    worse = run(capsys, *feeds, "--length", 4000, "--other-length", 2000)[1]
    assert "has more by 0." in better and re.search(r"charges to 90 % sooner by [\d.]+ s", better)
    assert "has less by 0." in worse and re.search(r"charges to 90 % later by [\d.]+ s", worse)


def test_the_shops_own_contact_resistances_are_taken(capsys, tmp_path):
    """From the rules file, as are its budget."""
    (tmp_path / "shop.toml").write_text("[drop-budget]\nsplice_mohm = 50.0\nmax_v = 0.2\n")
    found = answer(capsys, "drop", "--size", 1.0, "--length", 1000, "--current", 5, "--rules", tmp_path / "shop.toml")
    assert found["budget_v"] == 0.2 and found["after"] == "violated" and found["before"] == "met"


def test_the_plot_is_a_picture_with_axes_units_and_a_legend_in_words(capsys, tmp_path):
    """Well-formed, no script, nothing fetched; the zones are named, not only coloured."""
    plot = tmp_path / "curve.svg"
    status, _, errors = run(capsys, "wire", "--size", 0.5, "--fuse", 20, "--belongs", 10, "--load", 18, "--plot", plot)
    assert status == 0 and errors == [f"Plot: {plot}"]
    text = plot.read_text("utf-8")
    words = " ".join("".join(e.itertext()) for e in ET.fromstring(text).iter("{http://www.w3.org/2000/svg}text"))
    for wanted in (
        "load current in A",
        "time in s",
        "20 A fuse opens",
        "insulation damaged",
        "10 A fuse",
        "wire first",
    ):
        assert wanted in words
    assert "load of 18 A" in words and "1 min" in words
    assert "script" not in text and text.count("http") == 1  # the namespace


MISTAKES = {
    "a size in no table": ("wire", "--size", "0.6"),
    "a size that is none": ("wire", "--size", "thick"),
    "a size without a diameter": ("wire", "--size", "10"),
    "a diameter within the copper": ("wire", "--size", "0.5", "--od", "0.3"),
    "a fuse that does not exist": ("wire", "--size", "0.5", "--fuse", "12"),
    "a class that does not exist": ("wire", "--size", "0.5", "--insulation", "Z"),
    "a negative load": ("wire", "--size", "0.5", "--load", "-1"),
    "a load that is no number": ("wire", "--size", "0.5", "--load", "nan"),
    "an endless load": ("wire", "--size", "0.5", "--load", "inf"),
    "too hot a place": ("wire", "--size", "0.5", "--ambient", "900"),
    "too many wires": ("wire", "--size", "0.5", "--bundle", "50"),
    "no fuse to plot": ("wire", "--size", "0.5", "--plot", "x.svg"),
    "a fuse that belongs beside none": ("wire", "--size", "0.5", "--belongs", "10"),
    "half of a damage": ("wire", "--size", "0.5", "--damaged", "50"),
    "a plot into no folder": ("wire", "--size", "0.5", "--fuse", "10", "--plot", "/nowhere/x.svg"),
    "no such rating": ("fuse", "--rating", "11"),
    "a load of nothing": ("fuse", "--rating", "10", "--load", "0"),
    "a negative length": ("drop", "--size", "0.5", "--length", "-5", "--current", "5"),
    "no current": ("drop", "--size", "0.5", "--length", "5", "--current", "0"),
    "minus two splices": ("drop", "--size", "0.5", "--length", "5", "--current", "1", "--splices", "-2"),
    "a thinner new piece": (
        "drop", "--size", "0.5", "--length", "500", "--current", "1", "--new-size", "0.35", "--new-length", "100",
    ),
    "a new piece without a length": ("drop", "--size", "0.5", "--length", "500", "--current", "1", "--new-size", "1"),
    "too long a new piece": ("drop", "--size", "0.5", "--length", "500", "--current", "1", "--new-length", "600"),
    "a capacitance with nothing beside it": (
        "drop", "--size", "0.5", "--length", "5", "--current", "1", "--capacitance", "1",
    ),
    "a budget of nothing": ("drop", "--size", "0.5", "--length", "5", "--current", "1", "--budget", "0"),
    "more drop than supply": (
        "drop", "--size", "0.5", "--length", "90000", "--current", "9", "--other-length", "5",
    ),
    "rules that are not there": ("drop", "--size", "0.5", "--length", "5", "--current", "1", "--rules", "none.toml"),
    "a list that is not there": ("circuits", "check", "none.csv"),
}  # fmt: skip


@pytest.mark.parametrize("mistake", sorted(MISTAKES))
def test_a_mistake_is_one_line_and_exit_status_2(capsys, mistake, tmp_path, monkeypatch):
    """Nothing printed, nothing written."""
    monkeypatch.chdir(tmp_path)
    status, out, errors = run(capsys, *MISTAKES[mistake])
    assert (status, out, len(errors)) == (2, "", 1), errors
    assert errors[0].startswith("loomtriage: ") and "expected" in errors[0]
    assert list(tmp_path.iterdir()) == []


def test_a_good_circuit_list_is_shown_with_its_fuses_held_against_its_wires(capsys, tmp_path):
    """A large fuse on a thin wire stands out."""
    file = tmp_path / "list.csv"
    file.write_text(
        HEADER + "L1,RD/WH,0.5,X1,1,X2,1,1200,20,,none\nL2,BK,1.0,X1,2,X2,2,900,10,,\nL3,GN,10,X1,3,X2,3,9,,,\n"
    )
    found = answer(capsys, "circuits", "check", file)
    assert [c["fuse_protects"] for c in found["circuits"]] == ["no", "yes", None]
    assert [c["above_shop_table"] for c in found["circuits"]] == [True, False, False]
    assert "the shop's table allows at most 7.5 A for 0.5 mm²" in found["circuits"][0]["says"], "as its order will say"
    status, out, _ = run(capsys, "circuits", "check", file)
    assert (
        status == 0
        and "3 circuits, no mistakes" in out
        and "L1: the shop's table" in out
        and "L3: no fuse stated" in out
    )


def test_a_bad_circuit_list_is_told_all_its_mistakes_at_once(capsys, tmp_path):
    """One line each on standard error, with file and line, and nothing else."""
    file = tmp_path / "list.csv"
    file.write_text(HEADER + "L1,RX,0.5,X1,1,X2,1,-5,12,,none\nL2,BK,0.6,X1,1,X2,2,900,10,,\n")
    status, out, errors = run(capsys, "circuits", "check", file, "--json")
    assert (status, out) == (2, "")
    assert [line.split(": ")[2] for line in errors] == ["line 2", "line 2", "line 2", "line 3", "line 3"]


@pytest.mark.parametrize(
    "arguments",
    [
        ("wire", "--size", "0.5"),
        ("fuse", "--rating", "10"),
        ("drop", "--size", "0.5", "--length", "100", "--current", "1"),
    ],
)
def test_every_answer_carries_its_cautions_and_sources(capsys, arguments):
    """In words and in JSON: the maker's procedure stands above it."""
    found = answer(capsys, *arguments)
    assert any("maker's procedure" in line for line in found["cautions"]) and found["sources"]
    _, out, _ = run(capsys, *arguments)
    assert "maker's procedure" in " ".join(out.split()) and "source" in out


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (None, "never"),
        (0, "at once"),
        (3e-7, "less than 1 ms"),
        (0.15, "0.15 s"),
        (37.2, "37 s"),
        (600, "10 min"),
        (21600, "6 h"),
        (360000, "100 h"),
    ],
)
def test_times_are_said_as_people_say_them(seconds, words):
    """Two digits, a unit that fits."""
    assert say_time(seconds) == words


def test_spans_are_said_as_people_say_them():
    """Both ends, one where they are alike, and a fuse that need not open."""
    assert say_span({"earliest": 13.0, "latest": None}) == "13 s to never"
    assert say_span({"earliest": None, "latest": None}) == "never"
    assert say_opening({"earliest": 360000.0, "latest": None}) == "holds at least 100 h, no latest time"
