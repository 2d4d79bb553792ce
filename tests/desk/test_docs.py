"""The documents name every command, option, rule, setting, label and file of the desk."""

import re
import tomllib
from pathlib import Path

import click
import pytest

from desk.cli import cli
from desk.wording import ROUTE_WORDS
from models.repair import CIRCUIT_CLASSES, RULE_IDS, load_rules
from models.repair.bench import BenchNotes, BenchWire
from models.repair.words import LABEL_WORDS
from vision.findings import LABELS, AssemblyFindings, PhotoFindings

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")


@pytest.mark.parametrize("name", sorted(cli.commands))
def test_every_command_and_option_is_in_the_readme(name):
    """The command by its call, each option by its long name in the command's paragraph or table."""
    command = cli.commands[name]
    assert f"loomtriage {name}" in README
    within = getattr(command, "commands", {})
    for one in (command, *within.values()):
        for option in (p for p in one.params if isinstance(p, click.Option)):
            assert max(option.opts, key=len) in README, option.opts
    for sub in within:
        assert f"loomtriage {name} {sub}" in README


@pytest.mark.parametrize("rule_id", RULE_IDS)
def test_every_rule_and_setting_is_in_the_readme(rule_id):
    """The rule's own row names each of its settings; those all rules share are named below the table."""
    row = next(line for line in README.splitlines() if line.startswith(f"| `{rule_id}` |"))
    shared = {"applies", "title", "source", "ask", "why"}
    for setting in type(load_rules().of(rule_id)).model_fields:
        assert f"`{setting}`" in (README if setting in shared else row), setting


@pytest.mark.parametrize("rule_id", RULE_IDS)
def test_every_number_in_the_readme_is_the_default(rule_id):
    """`min_mm` (152.4) in a rule's row is what the shipped rules say."""
    row = next(line for line in README.splitlines() if line.startswith(f"| `{rule_id}` |"))
    rule = load_rules().of(rule_id)
    for setting, number in re.findall(r"`(\w+)` \((\d[\d.]*)\)", row):
        assert getattr(rule, setting) == float(number), setting


def test_every_label_route_and_circuit_class_is_in_the_readme():
    """And each label and route has words of its own."""
    for name in (*LABELS, *ROUTE_WORDS, *CIRCUIT_CLASSES):
        assert f"`{name}`" in README, name
    assert set(LABEL_WORDS) == set(LABELS)


def test_every_field_of_the_contract_is_in_the_readme():
    """Fields of both kinds of JSON object."""
    for kind in (PhotoFindings, AssemblyFindings):
        for field in kind.model_fields:
            assert field in ("kind", "schema_") or f"`{field}`" in README, field


def test_every_field_of_the_bench_notes_is_in_the_readme():
    """A field nobody knows of is filled in by nobody."""
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    for field in {*BenchNotes.model_fields, *BenchWire.model_fields} - {"wire"}:
        assert field in readme, field
    assert "[[wire]]" in readme


def test_every_file_of_the_desk_is_on_the_map():
    """A file that is on no map is found by nobody."""
    for file in sorted((ROOT / "desk").glob("*.py")):
        assert file.name == "__init__.py" or f"`{file.name}`" in DEVELOPERS, file.name


def test_ci_runs_the_readmes_test_command():
    """Word for word."""
    commands = [line.strip() for line in README.splitlines() if line.startswith("    .venv/bin/pip install")]
    assert len(commands) == 1
    assert commands[0] in (ROOT / ".ci" / "run").read_text("utf-8")


def test_constraints_pin_every_runtime_dependency():
    """Each dependency of pyproject.toml has one exact version and no address."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    lines = [line for line in (ROOT / "constraints.txt").read_text().splitlines() if not line.startswith("#")]
    assert all(re.fullmatch(r"[\w.-]+==[\w.]+", line) for line in lines)
    pinned = {line.split("==")[0].lower().replace("_", "-") for line in lines}
    needed = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    assert {re.match(r"[\w-]+", item)[0].lower() for item in needed} <= pinned
