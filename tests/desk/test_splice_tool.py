"""The command `splice`: where one joint may lie, without a photograph."""

import json

import pytest

from desk import cli


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--length", "900"], "153 to 747 mm"),
        (["--length", "900", "--damage", "300..360"], "join in a new piece"),
        (["--length", "900", "--damage", "60..90"], "new lead of 173 mm"),
        (["--length", "300", "--damage", "100..120"], "end to end"),
        (["--length", "900", "--damage", "300..360"], "\nCut at "),
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
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and "wire wire" not in said
