"""What the customer may choose: the repair, a remanufactured or a new assembly, each with its time and price."""

from __future__ import annotations

from models.repair.plan import Plan
from models.repair.prices import Prices
from vision.findings import Finding


class Offer(Finding):
    """One way, its minutes of work and price, and what it stands on; None where it cannot be had, and `says` why."""

    name: str
    minutes: float | None
    price: float | None
    warranty_months: int | None
    says: str


class Amounts(Finding):
    """What is counted besides the wires of the plan."""

    sleeved_wires: int = 0
    moved_wires: int = 0
    housings: int = 0
    plugs: int = 0
    covering_mm: float = 0.0
    rodent: bool = False


def offers(plan: Plan | None, why_not: str, amounts: Amounts, prices: Prices) -> tuple[Offer, ...]:
    """The repair first, then the whole assemblies. The repair has no price while its plan is open."""
    table = prices.assembly
    repair = _repair(plan, amounts, prices) if plan is not None and plan.status == "planned" else None
    whole = [
        ("new assembly", table.new_minutes, table.new, table.warranty_new_months),
    ]
    rebuilt = (table.remanufactured_minutes, table.remanufactured, table.warranty_remanufactured_months)
    whole.insert(0, ("remanufactured assembly", *rebuilt))
    return (
        repair or Offer(name="repair", minutes=None, price=None, warranty_months=None, says=why_not),
        *(
            Offer(
                name=name,
                minutes=minutes,
                price=round(price + prices.labour(minutes), 2),
                warranty_months=months,
                says="assembly and its fitting",
            )
            for name, minutes, price, months in whole
        ),
    )


def _repair(plan: Plan, amounts: Amounts, prices: Prices) -> Offer:
    minutes = repair_minutes(plan, amounts, prices)
    material = repair_material(plan, amounts, prices)
    price = prices.labour(minutes) + material
    says = f"{minutes:.0f} min of work, material {material:.2f} {prices.currency}"
    return Offer(
        name="repair", minutes=round(minutes, 1), price=round(price, 2),
        warranty_months=prices.assembly.warranty_repair_months, says=says,
    )  # fmt: skip


def repair_minutes(plan: Plan, amounts: Amounts, prices: Prices) -> float:
    """Minutes of work of the repair."""
    table = prices.minutes
    return (
        table.setting_up
        + plan.joints * table.joint
        + plan.terminals * table.terminal
        + plan.new_wire_mm / 1000 * table.wire_per_m
        + amounts.sleeved_wires * table.sleeve
        + amounts.moved_wires * table.cavity
        + amounts.covering_mm / 1000 * table.open_covering_per_m
        + (len(plan.wires) + amounts.sleeved_wires + amounts.moved_wires) * table.tests_per_wire
    )


def repair_material(plan: Plan, amounts: Amounts, prices: Prices) -> float:
    """Price of the parts of the repair."""
    table = prices.price
    wire = sum(
        piece.cut_mm / 1000 * table.wire_per_m_mm2 * (one.size_mm2 or table.unknown_size_mm2)
        for one in plan.wires
        for piece in one.pieces
    )
    return (
        wire
        + plan.joints * table.joint
        + plan.terminals * (table.terminal + table.seal)
        + amounts.sleeved_wires * table.sleeve
        + amounts.housings * table.housing
        + amounts.plugs * table.plug
        + amounts.rodent * table.surcharge_rodent
    )
