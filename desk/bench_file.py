"""A file to fill in with what the ruler says of the damaged wires, in the form that `--bench` reads."""

from __future__ import annotations

import json
from collections.abc import Sequence

from desk.order_model import Order
from vision.findings import PhotoFindings, Wire

MOST_WIRES = 12
_HEAD = (
    "# Fill in and take the # away, of one wire after the other; what is not known stays as it is.",
    "# All millimetres run along the wire from its start; start and end are housing and cavity (X1:3).",
    "# Where it is so, add to a wire: keep_out_mm = [[100, 200]] for a closed or flexing part,",
    "# start_renewable = false or end_renewable = false for an end that takes no new terminal.",
    "",
    "#branch_points_mm = []    # where the assembly branches; an empty list: nowhere",
)


def wants_bench(order: Order) -> bool:
    """Whether the order's plan waits for what only a ruler says."""
    plan = order.work.plan
    return order.work.route != "refer" and plan is not None and plan.status == "open" and bool(order.work.questions)


def unnamed_housings(order: Order) -> list[str]:
    """Housings to be renewed of which nobody said which connector of the circuit list they are."""
    asked = "\n".join(question.ask for question in order.work.questions)
    return [pins.housing for pins in order.work.pins if pins.connector is None and f"{pins.housing}: which" in asked]


def wires_to_note(order: Order) -> int:
    """For how many wires there must be room: as many as there may be to repair, within reason."""
    count = order.decision.wires_to_repair
    return max(5, min(MOST_WIRES, count.high)) if count is not None else 5


def bench_template(order: Order, photos: Sequence[PhotoFindings]) -> str:
    """TOML text: what the plan asks as remarks, a line for each housing without a name, and where wires are to be
    measured a block for each that may be damaged, colours as seen."""
    asked = [f"# {' '.join(question.ask.split())}" for question in order.work.questions]
    measured = wants_bench(order)
    head = _HEAD if measured else ("# Fill in and take the # away, of [connectors], too.",)
    lines = [f"# Measured at the bench on {' '.join(order.assembly.split())}.", *asked, "", *head]
    unnamed = unnamed_housings(order)
    if unnamed:
        lines += ["", "#[connectors]    # housing in the photograph = connector of the circuit list"]
        lines += [f'#{json.dumps(name, ensure_ascii=False)} = ""' for name in unnamed]
    if not measured:
        return "\n".join(lines) + "\n"
    seen = _touched(photos)
    for number in range(max(len(seen), wires_to_note(order))):
        lines += ["", *_block(seen[number] if number < len(seen) else None, number + 1)]
    return "\n".join(lines) + "\n"


def _touched(photos: Sequence[PhotoFindings]) -> list[Wire]:
    """The wires that were traced through damage; of several photographs none, for an id names no one wire there."""
    if len(photos) != 1:
        return []
    named = {name for region in photos[0].regions if region.wires_affected for name in region.wires_affected.wire_ids}
    return [wire for wire in photos[0].wires if wire.id in named][:MOST_WIRES]


def _block(wire: Wire | None, number: int) -> list[str]:
    name = wire.id if wire is not None else f"wire {number}"
    colour = (
        f"{json.dumps(wire.colour, ensure_ascii=False)}    # as seen" if wire is not None else '"RD/WH"    # or another'
    )
    return [
        "#[[wire]]",
        f"#id = {json.dumps(name)}",
        '#circuit = ""    # of the circuit list: colour, size and ends come from there',
        f"#colour = {colour}",
        "#size_mm2 = ",
        '#start = ""',
        '#end = ""',
        "#before_mm =     # from the start to the damage",
        "#damage_mm =     # the damage",
        "#after_mm =      # from the damage to the end",
        "#joints_mm = []  # joints there already",
    ]
