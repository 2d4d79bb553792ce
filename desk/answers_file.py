"""A file to fill in with the answers to an assessment's open questions, in the form that `--answers` reads."""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Mapping, Sequence

from desk.review.asked import Asked, Field, asked
from desk.review.by_place import by_place
from models.repair import Answers, Rules
from models.repair.answers import SAME
from models.repair.case import open_case, perhaps_one
from vision.findings import PhotoFindings, Question

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_UNITS = {"mm": "mm", "mm2": "mm²", "ampere": "A", "number": "a whole number", "text": "in words"}


def answers_template(
    assembly: str,
    questions: Sequence[Question],
    rules: Rules,
    given: Answers | None = None,
    others: Sequence[Question] = (),
    photos: Sequence[PhotoFindings] = (),
) -> str:
    """TOML text: answers given before, then every open question as a remark with the lines that answer it.

    Each answer stands once: one given before whose question is open again in its question's place, one for the whole
    assembly by place where one place is asked about.

    others : questions that no answers file closes (the plan's, answered at the bench); photos : the assembly's
    """
    wanted = [(one, field) for question in questions for one in [asked(question, rules)] for field in one.fields]
    given = by_place(given or Answers(), {f.name for one, f in wanted if one.on is not None}, photos, rules)
    told, again = dict(given_answers(given)), {answer_name(one, field) for one, field in wanted}
    before = [f"{name} = {value}" for name, value in told.items() if name not in again]
    lines = [
        f"# Answers to the open questions on {_remark(assembly)}.",
        "# Take the # away before what you know, and choose or fill in. What is not known stays as it is.",
    ]
    lines += ["", "# answered before", *before] if before else []
    shown: set[str] = set()
    for question in questions:
        one = asked(question, rules)
        lines += ["", f"# {_remark(question.ask)}"]
        if not one.fields:
            lines.append("# (a new photograph answers this; a place in doubt: the --rules that the assessment had)")
        for field in one.fields:
            lines.append(_line_for(one, field, told, shown))
            shown.add(answer_name(one, field))
    lines += _same_asked(photos, given, rules)
    for question in others:
        lines += ["", f"# {_remark(question.ask)}", "# (of the plan: answered with --bench or --circuits)"]
    return "\n".join(lines) + "\n"


def _same_asked(photos: Sequence[PhotoFindings], given: Answers, rules: Rules) -> list[str]:
    """Lines for places of two photographs that may be one; said so, they are counted and planned once."""
    pairs = perhaps_one(open_case(photos, given, rules)) if len(photos) > 1 else []
    lines = []
    for one, other in pairs:
        lines += [
            "",
            f"# Are {_remark(other.ref)} and {_remark(one.ref)} one place seen twice? First the one that shows less.",
            f"#{_name(SAME[0], other.ref)} = {_quoted(one.ref)}    # or {SAME[1]}, where it shows the other side",
        ]
    return lines


def _line_for(one: Asked, field: Field, told: Mapping[str, str], shown: Collection[str]) -> str:
    """The line that answers; what was answered before stands in it, for a second line of the name is no TOML."""
    name = answer_name(one, field)
    if name in shown:
        return f"# (as above: {name})"
    if name not in told:
        return f"#{answer_line(one, field)}"
    others = [value for value in _choices(field) if value != told[name]]
    return f"{name} = {told[name]}    # answered before" + (f"; or {', '.join(others)}" if others else "")


def given_answers(given: Answers) -> list[tuple[str, str]]:
    """Names and values of answers, as TOML writes them."""
    found = []
    for name, value in given.model_dump(mode="json", exclude_defaults=True).items():
        each = value.items() if isinstance(value, dict) else [(None, value)]
        found += [(_name(name, on), _quoted(one)) for on, one in each]
    return found


def answer_name(one: Asked, field: Field) -> str:
    """The answer's name in the file: `flex_test.r1`, `distances_mm."photo 2.jpg:r1"`, `wire_count`."""
    return _name(field.name, one.on)


def answer_names(question: Question, rules: Rules) -> list[str]:
    """The names under which an open question is answered; none where only a new photograph does."""
    one = asked(question, rules)
    return [answer_name(one, field) for field in one.fields]


def answer_line(one: Asked, field: Field) -> str:
    """One answer with the first of its choices, the others beside it; a value that is typed is left empty."""
    name = answer_name(one, field)
    if not field.choices:
        return f"{name} = " + ('""' if field.kind == "text" else "") + f"    # {_UNITS[field.kind]}"
    first, *others = _choices(field)
    return f"{name} = {first}" + (f"    # or {', '.join(others)}" if others else "")


def _choices(field: Field) -> list[str]:
    return [value if value in ("true", "false") else _quoted(value) for value, _ in field.choices]


def _name(name: str, on: str | None) -> str:
    return name if on is None else f"{name}.{on if _BARE.fullmatch(on) else _quoted(on)}"


def _quoted(value: object) -> str:
    """As TOML writes it: its strings, numbers and truths are JSON's, but for a sign that JSON leaves bare."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _remark(text: str) -> str:
    """On one line, without signs that no TOML remark may hold."""
    return "".join(sign if sign.isprintable() else " " for sign in " ".join(text.split()))
