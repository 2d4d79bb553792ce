"""The command `splice`: where a joint may lie in one wire, and its cheapest lawful repair, without a photograph."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import click

from desk.errors import DeskError, one_line

_STRETCH = re.compile(r"(\d+(?:\.\d+)?)\.\.(\d+(?:\.\d+)?)")


class _Stretch(click.ParamType):
    """`FROM..TO` in millimetres."""

    name = "FROM..TO"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        if isinstance(value, tuple):
            return value
        found = _STRETCH.fullmatch(str(value).strip())
        if found is None or float(found[1]) > float(found[2]):
            self.fail(f"expected millimetres as FROM..TO with FROM not above TO, got {value!r}, for instance 300..345")
        return float(found[1]), float(found[2])


_PLACE = click.FloatRange(min=0.0, max=100_000.0)


@click.command()
@click.option(
    "--length", type=click.FloatRange(1.0, 100_000.0), required=True, metavar="MM", help="Terminal to terminal."
)
@click.option("--damage", type=_Stretch(), multiple=True, metavar="FROM..TO", help="Damage, mm from one terminal.")
@click.option("--joint", "joints", type=_PLACE, multiple=True, metavar="MM", help="A joint that is there already.")
@click.option("--branch", "branches", type=_PLACE, multiple=True, metavar="MM", help="A branch of the assembly.")
@click.option(
    "--closed", type=_Stretch(), multiple=True, metavar="FROM..TO", help="A part that stays closed or flexes."
)
@click.option("--no-lead", type=click.Choice(["start", "end", "both"]), help="Terminals that cannot be renewed.")
@click.option("--rules", type=click.Path(path_type=Path), metavar="TOML", help="Your limits over the default ones.")
@click.option("--prices", type=click.Path(path_type=Path), metavar="TOML", help="Your times and prices.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on standard output.")
def splice(
    length: float,
    damage: tuple[tuple[float, float], ...],
    joints: tuple[float, ...],
    branches: tuple[float, ...],
    closed: tuple[tuple[float, float], ...],
    no_lead: str | None,
    rules: Path | None,
    prices: Path | None,
    as_json: bool,
) -> int:
    """Where may a joint lie in this wire, and how is it repaired with the least work?"""
    from pydantic import ValidationError

    from models.repair import RulesError, load_rules
    from models.repair.branch import Branch, BranchWire, Mark, Stretch, WireEnd, plan_limits
    from models.repair.plan import plan_branch
    from models.repair.plan_rows import lawful_stretches
    from models.repair.plan_solve import BrokenPlanError, PlanError
    from models.repair.prices import PricesError, load_prices

    try:
        limits, table = plan_limits(load_rules(rules)), load_prices(prices)
        wire = BranchWire(
            id="wire",
            length_mm=length,
            start=WireEnd(name="the start", renewable=no_lead not in ("start", "both")),
            end=WireEnd(name="the end", renewable=no_lead not in ("end", "both")),
            damage=tuple(Stretch(from_mm=a, to_mm=b) for a, b in damage),
            splices=tuple(Mark(at_mm=at, ref=f"joint at {at:g} mm") for at in joints),
            keep_out=tuple(Stretch(from_mm=a, to_mm=b) for a, b in closed),
        )
        branch = Branch(wires=(wire,), branch_points=tuple(Mark(at_mm=at) for at in branches))
    except (RulesError, PricesError) as error:
        raise DeskError(one_line(error)) from error
    except ValidationError as error:
        words = str(error.errors()[0]["msg"]).removeprefix("Value error, ").removeprefix("wire wire: ")
        raise DeskError(f"splice: {words}: measure all places from the same terminal") from error
    free = lawful_stretches(branch, wire, limits)
    try:
        plan = plan_branch(branch, limits, table.weights()) if damage else None
    except (BrokenPlanError, PlanError) as error:
        raise DeskError(f"splice: {one_line(error)}") from error
    if as_json:
        said = {"joint_may_lie_mm": free, "plan": plan.model_dump(mode="json") if plan else None}
        click.echo(json.dumps(said, ensure_ascii=False))
        return 0
    where = ", ".join(f"{a} to {b} mm" for a, b in free) or "nowhere"
    stays = " while the old joints stay" if joints else ""
    click.echo(f"A joint may lie{stays}: {where} (from the start).")
    for line in _told(plan) if plan is not None else []:
        click.echo(line)
    return 0


def _told(plan: Any) -> list[str]:
    """The plan in words."""
    from models.repair.steps import sentence, wire_step

    if plan.status != "planned":
        return [f"No lawful repair: {plan.says}."]
    # there is but one wire, and it has no name
    lines = [sentence(wire_step(wire).removeprefix(f"Wire {wire.wire}: ")) for wire in plan.wires]
    return [*lines, *(f"Why: {wire.why}." for wire in plan.wires)]
