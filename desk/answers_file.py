"""A file to fill in with the answers to an assessment's open questions, in the form that `--answers` reads."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence

from desk.review.asked import Asked, Field, asked
from models.repair import Answers, Rules
from vision.findings import Question

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_UNITS = {"mm": "mm", "mm2": "mm²", "ampere": "A", "number": "a whole number", "text": "in words"}


def answers_template(
    assembly: str,
    questions: Sequence[Question],
    rules: Rules,
    given: Answers | None = None,
    others: Sequence[Question] = (),
) -> str:
    """TOML text: answers given before as they are, then every open question as a remark with the lines that answer it.

    others : questions that no answers file closes (the plan's, answered at the bench)
    """
    lines = [
        f"# Answers to the open questions on {_remark(assembly)}.",
        "# Take the # away before what you know, and choose or fill in. What is not known stays as it is.",
    ]
    told = given_lines(given) if given is not None else []
    lines += ["", "# answered before", *told] if told else []
    shown: set[str] = set()
    for question in questions:
        one = asked(question, rules)
        lines += ["", f"# {_remark(question.ask)}"]
        if not one.fields:
            lines.append("# (a new photograph answers this; a place in doubt: the --rules that the assessment had)")
        for field in one.fields:
            line = answer_line(one, field)
            lines.append(f"#{line}" if line not in shown else f"# (as above: {answer_name(one, field)})")
            shown.add(line)
    for question in others:
        lines += ["", f"# {_remark(question.ask)}", "# (of the plan: answered with --bench or --circuits)"]
    return "\n".join(lines) + "\n"


def given_lines(given: Answers) -> list[str]:
    """Answers as lines of TOML."""
    lines = []
    for name, value in given.model_dump(mode="json", exclude_defaults=True).items():
        by_place = value.items() if isinstance(value, dict) else [(None, value)]
        lines += [f"{_name(name, on)} = {_quoted(one)}" for on, one in by_place]
    return lines


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
    first, *others = (value if value in ("true", "false") else _quoted(value) for value, _ in field.choices)
    return f"{name} = {first}" + (f"    # or {', '.join(others)}" if others else "")


def _name(name: str, on: str | None) -> str:
    return name if on is None else f"{name}.{on if _BARE.fullmatch(on) else _quoted(on)}"


def _quoted(value: object) -> str:
    """As TOML writes it: its strings, numbers and truths are JSON's, but for a sign that JSON leaves bare."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _remark(text: str) -> str:
    """On one line, without signs that no TOML remark may hold."""
    return "".join(sign if sign.isprintable() else " " for sign in " ".join(text.split()))
