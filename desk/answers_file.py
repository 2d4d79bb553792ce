"""A file to fill in with the answers to an assessment's open questions, in the form that `--answers` reads."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence

from desk.review.asked import Asked, Field, asked
from models.repair import Rules
from vision.findings import Question

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_UNITS = {"mm": "mm", "mm2": "mm²", "ampere": "A", "number": "a whole number", "text": "in words"}


def answers_template(assembly: str, questions: Sequence[Question], rules: Rules) -> str:
    """TOML text: every open question as a remark, and under it the lines that answer it, each still a remark."""
    head = [
        f"# Answers to the open questions on {' '.join(assembly.split())}.",
        "# Take the # away before what you know, and choose or fill in. What is not known stays as it is.",
    ]
    shown: set[str] = set()
    for question in questions:
        one = asked(question, rules)
        head += ["", f"# {' '.join(question.ask.split())}"]
        if not one.fields:
            head.append("# (only a new photograph answers this)")
        for field in one.fields:
            line = answer_line(one, field)
            head.append(f"#{line}" if line not in shown else f"# (as above: {answer_name(one, field)})")
            shown.add(line)
    return "\n".join(head) + "\n"


def answer_name(one: Asked, field: Field) -> str:
    """The answer's name in the file: `flex_test.r1`, `distances_mm."photo 2.jpg:r1"`, `wire_count`."""
    if one.on is None:
        return field.name
    return f"{field.name}.{one.on if _BARE.fullmatch(one.on) else json.dumps(one.on, ensure_ascii=False)}"


def answer_names(question: Question, rules: Rules) -> list[str]:
    """The names under which an open question is answered; none where only a new photograph does."""
    one = asked(question, rules)
    return [answer_name(one, field) for field in one.fields]


def answer_line(one: Asked, field: Field) -> str:
    """One answer with the first of its choices, the others beside it; a value that is typed is left empty."""
    name = answer_name(one, field)
    if not field.choices:
        return f"{name} = " + ('""' if field.kind == "text" else "") + f"    # {_UNITS[field.kind]}"
    first, *others = (value if value in ("true", "false") else json.dumps(value) for value, _ in field.choices)
    return f"{name} = {first}" + (f"    # or {', '.join(others)}" if others else "")
