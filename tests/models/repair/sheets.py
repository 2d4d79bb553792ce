"""Worksheets for tests: two wires bitten beside an invented circuit list, and wires noted at the bench."""

from models.circuit.circuit_list import parse_circuit_list
from models.repair.bench import BenchWire
from models.repair.prices import load_prices
from models.repair.worksheet import worksheet

PRICES = load_prices()
HEAD = "circuit,colour,size_mm2,from,from_cavity,to,to_cavity,length_mm,fuse_A,duty,class\n"
LIST = parse_circuit_list(
    (
        HEAD
        + "C1,RD,1.5,X1,1,X7,3,1400,15,continuous,none\n"
        + "C2,BU,0.5,X1,2,X8,1,1650,7.5,intermittent,none\n"
        + "C3,BN,2.5,X1,4,G2,,900,,,restraint\n"
    ).encode()
)


def bitten(bench, **fields):
    """Two wires bitten to the copper over 40 mm, 300 mm from a terminal, measured to 1 mm."""
    return bench.region("rodent", exposed_copper_mm=bench.m(20.0), **fields)


def traced(bench, *names):
    """Wires seen from housing to housing."""
    return [bench.wire(name, ends=("h1", "h2"), length_mm=bench.m(900.0, 2.0)) for name in names]


def sheet_of(bench, photos, circuits=(), notes=None, **answers):
    """Decide and lay out the work."""
    found = bench.decision(*photos, **answers)
    return worksheet(photos, found, bench.rules, PRICES, circuits, notes)


def noted(**fields):
    """One wire of 900 mm in the bench notes, 40 mm of damage at 300 mm."""
    plain = dict(id="w1", before_mm=300.0, damage_mm=40.0, after_mm=560.0)
    return BenchWire(**(plain | fields))
