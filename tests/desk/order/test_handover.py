"""An order whose assembly is rebuilt ends with handing it on; by hand is measured only what can still change it."""

import pytest

from desk import cli
from desk.by_hand import by_hand
from desk.order_answers import answers_given
from desk.wording import say_label
from models.repair import Answers, decide, load_rules
from vision.findings import Count, Covering, Evidence, Measure
from vision.reading import read_photo


def signs(**values):
    return [Evidence(feature=name, value=value, unit="mm", says="") for name, value in values.items()]


WIDE = {
    "length_mm": Measure(value=76.0, u95=65.0),
    "to_termination_mm": Measure(value=101.0, u95=95.0),
    "wires_affected": Count(value=5, low=3, high=19),
    "exposed_copper_mm": Measure(value=5.0, u95=20.0),
}


@pytest.fixture
def ordered(case, capsys, findings, bite, pages):
    """Screen and paper of the order of these places, and of its answers."""

    def of(*changes, answers="", **more):
        regions = [bite().model_copy(update={"id": f"r{k}", **change}) for k, change in enumerate(changes, 1)]
        item = findings(read_photo(case / "before.jpg"), regions).model_copy(update=more)
        told = Answers(circuit_class="none", fuse_found_a=10.0, fuse_rated_a=10.0, wire_size_mm2=1.0)
        item = item.model_copy(update={"decision": decide([item], told, load_rules())})
        (case / "a.json").write_text(item.model_dump_json(by_alias=True) + "\n", "utf-8")
        (case / "answers.toml").write_text(f'circuit_class = "none"\n{answers}', "utf-8")
        command = ["order", str(case / "a.json"), "--answers", str(case / "answers.toml")]
        assert cli.run(command) == 0
        screen = capsys.readouterr().out
        assert cli.run([*command, "-o", str(case / "o.pdf")]) == 0
        capsys.readouterr()
        return screen, " ".join(" ".join(pages(case / "o.pdf")[0]).split())

    return of


ELSEWHERE = [[(450.0, 230.0), (520.0, 230.0), (520.0, 250.0), (450.0, 250.0)]]
FUSED = {
    "label": "external_heat",
    "exposed_copper_mm": None,
    "evidence": signs(fused_length=30.0, fused_length_u95=5.0),
}


def test_an_assembly_to_be_rebuilt_is_handed_on_with_all_that_is_known_of_it(ordered):
    """Who takes it, what goes with it, each damage with its measures, what lies under tape; nobody repairs or tests."""
    tape = Covering(id="c1", kind="tape", rings_px=[], length_mm=Measure(value=30.0, u95=2.0))
    screen, paper = ordered(FUSED | {"continues_under_covering": True}, {"rings_px": ELSEWHERE}, coverings=[tape])
    assert "Handing the assembly on to be rebuilt" in paper
    for box in ("handed on to, firm", "handed on by, date", "taken over by, firm, date", "part number of the assembly"):
        assert box in paper
    assert "repaired by" not in paper and "tested by" not in paper and "tape or conduit as taken off" not in paper
    assert "open covering (r1)" not in paper, "nobody here opens what is rebuilt elsewhere"
    for told in (
        "1 photograph as files: before.jpg.", "RODENT REMAINS", "BURNT INSULATION",
        "r1 runs on under a covering", "Nothing was seen under 1 covering: c1 tape, 30 ± 2 mm.",
    ):  # fmt: skip
        assert told in paper and told in screen
    assert "r2 rodent bites: along the wire 40.0 ± 1.0 mm; wires 1; bare copper 20.0 ± 1.0 mm; to the" in screen
    assert "r2 rodent bites 40.0 ± 1.0 mm 1 20.0 ± 1.0 mm 300.0 ± 1.0 mm" in paper


def test_a_repair_ends_with_repair_and_test(ordered):
    """Nothing is handed on."""
    screen, paper = ordered({}, answers="both_ends_identified = true\nfurther_splices = 'none'")
    assert "repaired by, date" in paper and "tested by, date" in paper
    assert "anding the assembly on" not in paper and "handed on" not in paper + screen


def test_what_was_answered_to_be_sound_is_not_handed_on_as_damage(ordered):
    """The bench looked at r2; its distance to r1 was read off a ruler."""
    answers = 'labels.r2 = "sound"\ndistances_mm.r1 = 210\nwire_count = 7\n'
    screen, paper = ordered(FUSED | WIDE | {"exposed_copper_mm": None}, {"rings_px": ELSEWHERE}, answers=answers)
    listed = screen.split("damage found, for the record:\n")[1].split("  to be looked at")[0]
    assert "r2" not in listed and "RODENT" not in paper
    assert "wires 7 in all, at the bench" in listed and "210 mm, at the bench" in listed


def test_nothing_is_measured_by_hand_for_an_assembly_that_is_rebuilt_whatever_it_is(ordered):
    """The intervals stay, as a record, and no line asks anybody to measure."""
    screen, paper = ordered(FUSED | WIDE)
    assert "by hand" not in paper.lower().replace("wires melted together cannot", "") and "by hand:" not in screen
    assert "between 3 and 19" in paper and "between 6 and 196 mm" in paper
    assert "For the record: the route does not change by it." in paper


def test_a_place_that_only_gets_a_sleeve_is_not_measured_to_the_termination(ordered):
    """No joint is made there: how long the sleeve is and how many wires get one is all that is used."""
    worn = WIDE | {"label": "abrasion", "exposed_copper_mm": Measure(value=0.0, u95=0.5)}
    screen, _ = ordered(worn | {"to_termination_mm": Measure(value=300.0, u95=250.0)})
    told = screen.split("to be counted and measured by hand:\n")[1].split("\n  order of work")[0]
    assert "wires to repair" in told and "r1: length along the wire" in told
    assert "near edge to the termination" not in told and "bare copper" not in told


@pytest.mark.parametrize(
    ("change", "answers", "tags"),
    [
        ({"label": None, "unsure": True, "candidates": ["rodent", "abrasion"]}, "", ("PERHAPS RODENT REMAINS",)),
        ({"label": None, "novel": True}, "", ("PERHAPS RODENT REMAINS", "PERHAPS BURNT INSULATION")),
        ({"label": "corrosion"}, "", ("PERHAPS RODENT REMAINS", "PERHAPS BURNT INSULATION")),
        ({"label": "corrosion"}, 'labels.r1 = "rodent"', ("RODENT REMAINS",)),
        ({"label": "abrasion"}, 'labels.r1 = "rodent"', ("RODENT REMAINS",)),
        ({"label": "rodent"}, 'labels.r1 = "abrasion"', ()),
        ({"label": "earlier_repair"}, 'labels.r1 = "external_heat"', ("BURNT INSULATION",)),
        ({"label": "rodent"}, 'labels.r1 = "electrical_overload"', ("BURNT INSULATION",)),
    ],
)
def test_the_tag_names_what_the_damage_is_or_may_be_after_the_answers(ordered, change, answers, tags):
    """As the cautions do: who takes the assembly in wears what they call for."""
    screen, paper = ordered(change, answers=f"{answers}\nwire_count = 9\n")
    assert "Handing the assembly on to be rebuilt" in paper
    for text in (screen, paper):
        assert text.count("Marked on the outside: ") == len(tags)
        assert all(f"Marked on the outside: {tag}, see the cautions" in text for tag in tags)
    assert any("RODENT" in tag for tag in tags) == ("Rodent remains carry disease" in paper)


@pytest.mark.parametrize(
    ("change", "answers", "row"),
    [
        ({"label": "abrasion"}, 'labels.r1 = "rodent"', "r1 rodent bites: "),
        ({"label": "rodent"}, 'labels.r1 = "external_heat"', "r1 external heat: "),
        ({"label": None, "novel": True}, "", "r1 damage of a kind not known: "),
        ({"label": None, "novel": True}, 'labels.r1 = "abrasion"', "r1 abrasion: "),
        ({"label": "corrosion"}, 'labels.r1 = "rodent"', "r1 corrosion: "),
        ({"label": "sound"}, 'labels.r1 = "rodent"', "r1 rodent bites: "),
        (
            {"label": "sound", "unsure": True, "candidates": ["rodent", "sound"]},
            "",
            "r1 unsure: rodent bites or sound: ",
        ),
    ],
)
def test_a_damage_is_handed_on_as_it_was_answered(ordered, change, answers, row):
    """A label of the shop's own keeps its name: the answer is about its rules only."""
    screen, _ = ordered(change, answers=f"{answers}\nwire_count = 9\n")
    assert row in screen.split("damage found, for the record:\n")[1].split("  to be looked at")[0]


def test_a_place_answered_to_be_sound_does_not_run_on_under_a_covering(ordered):
    """r2 is none; r1 does run on. A shop's own label that is treated as sound is none either."""
    hidden = {"continues_under_covering": True, "rings_px": ELSEWHERE}
    for label in ("abrasion", "corrosion"):
        screen, paper = ordered(
            FUSED | {"continues_under_covering": True}, hidden | {"label": label}, answers='labels.r2 = "sound"\n'
        )
        assert "r1 runs on under a covering" in screen and "r1 runs on under a covering" in paper
        assert "r2" not in screen.split("damage found, for the record:\n")[1].split("  to be looked at")[0]


@pytest.mark.parametrize(
    ("origin", "answered", "row"),
    [("repair", "factory", ""), ("unknown", "repair", "s1 repair joint: "), ("factory", "repair", "s1 repair joint: ")],
)
def test_a_joint_is_handed_on_as_it_was_answered(ordered, sleeve, origin, answered, row):
    """A factory joint is no damage."""
    joint = sleeve("s1", 500.0, 300.0).model_copy(update={"origin": origin})
    screen, _ = ordered(FUSED, splices=[joint], answers=f'splice_origin.s1 = "{answered}"\n')
    listed = screen.split("damage found, for the record:\n")[1].split("  to be looked at")[0]
    assert row in listed if row else "s1" not in listed


def test_a_place_that_gives_a_joint_its_distance_is_measured_for_the_joint(findings, bite, sleeve, decided, case):
    """s1 on r1 is too near the next joint and is cut out; its own distance, or a ruler's, would be used instead."""
    wide = Measure(value=400.0, u95=300.0)
    repair = bite().model_copy(update={"label": "earlier_repair", "exposed_copper_mm": Measure(value=0.0, u95=0.5),
                                       "to_termination_mm": wide})  # fmt: skip
    near = {"to_next_splice_mm": Measure(value=10.0, u95=1.0)}
    photo = read_photo(case / "before.jpg")
    told = "r1: near edge to the termination"

    def asked(own_mm, **answers):
        joint = sleeve("s1", 320.0, 0.0).model_copy(update=near | {"to_termination_mm": own_mm})
        seen = findings(photo, [repair], [joint])
        given = Answers(circuit_class="none", fuse_found_a=10.0, fuse_rated_a=10.0, wire_size_mm2=1.0,
                        further_splices="none", **answers)  # fmt: skip
        decision = decide([seen], given, load_rules())
        assert [step.on for step in decision.actions if step.action == "redo_earlier_repair"] == ["s1"]
        return [one.what for one in by_hand([seen], decision, answers_given(given))]

    assert told in asked(None, splice_origin={"s1": "repair"})
    assert told not in asked(None, distances_mm={"s1": 300.0}) + asked(Measure(value=300.0, u95=1.0))


def test_under_its_picture_a_place_carries_the_name_that_the_bench_gave_it(ordered):
    """And says so; another keeps the photograph's."""
    _, paper = ordered({}, {"rings_px": ELSEWHERE}, answers='[labels]\nr1 = "abrasion"\n')
    named = f"r1 {say_label('abrasion')}, at the bench: along the wire"
    kept = f"r2 {say_label('rodent')}: along the wire"
    assert named in paper and kept in paper


def test_a_name_of_the_shops_own_stays_under_its_picture(ordered):
    """The answer says by which rules it is treated, not what it is."""
    _, paper = ordered({"label": "acid_burn"}, answers='[labels]\nr1 = "abrasion"\n')
    assert "r1 acid burn: along the wire" in paper
