"""Pin maps of housings that are renewed: which connector of the list it is, its cavities, and new terminals for it."""

from models.repair.bench import BenchNotes
from tests.models.repair.sheets import LIST, bitten, noted, sheet_of


def test_a_housing_swap_has_a_pin_map_with_plugs(bench):
    """Six cavities, three wires of the list: three plugs, cavity by cavity."""
    shell = bench.housing(cracked=True, cavities=6)
    notes = BenchNotes(connectors={"h1": "X1"})
    sheet = sheet_of(bench, [bench.photo(label="sound", housings=[shell])], LIST, notes)
    pins = sheet.pins[0]
    assert pins.connector == "X1"
    assert [(pin.cavity, pin.circuit, pin.plug) for pin in pins.pins] == [
        ("1", "C1", False), ("2", "C2", False), ("3", None, True), ("4", "C3", False), ("5", None, True),
        ("6", None, True),
    ]  # fmt: skip
    assert pins.pins[0].goes_to == "X7:3" and pins.pins[3].goes_to == "G2"
    assert next(p.count for p in sheet.parts if "plugs" in p.part) == 3


def test_a_housing_that_is_not_named_gets_a_blank_map_and_a_question(bench):
    """Two connectors have cavities in the list; which one it is, nobody said."""
    sheet = sheet_of(bench, [bench.photo(label="sound", housings=[bench.housing(cracked=True)])], LIST)
    assert sheet.pins[0].connector is None and all(pin.circuit is None for pin in sheet.pins[0].pins)
    assert any("which connector" in question.ask for question in sheet.questions)


def test_of_several_photographs_a_housing_is_named_with_its_photograph(bench):
    """`h1` alone is another housing in each: it names none, and the question offers the list's connectors."""
    broken = [bench.housing(cracked=True)]
    photos = [bench.photo(label="sound", housings=broken, name=name) for name in ("a.jpg", "b.jpg")]
    sheet = sheet_of(bench, photos, LIST, BenchNotes(connectors={"b.jpg:h1": "X1", "h1": "X7"}))
    assert {pins.housing: pins.connector for pins in sheet.pins} == {"a.jpg:h1": None, "b.jpg:h1": "X1"}
    asked = [question.ask for question in sheet.questions if "which connector" in question.ask]
    assert asked == ["a.jpg:h1: which connector of the circuit list is it: X1, X7 or X8?"]
    (lost,) = [question for question in sheet.questions if "no photograph shows such an end" in question.ask]
    assert lost.ask.startswith("h1 is noted as connector X7") and "with its photograph" in lost.why


def test_a_new_terminal_goes_into_the_new_housing(bench):
    """Where a lead and the housing it belongs to are both renewed; said before the lead is made, and only then."""
    near = noted(before_mm=20.0, after_mm=840.0, start="X1:1")
    told = {"copper": "damaged", "both_ends_identified": True}
    notes = BenchNotes(wire=(near,), connectors={"h1": "X1"}, branch_points_mm=())
    both = bench.photo(bitten(bench), housings=[bench.housing(cracked=True)])
    steps = sheet_of(bench, [both], LIST, notes, **told).steps
    said, lead, swap = (
        next(i for i, s in enumerate(steps) if text in s) for text in ("replaced below", "new lead", "latch")
    )
    assert said < lead < swap and steps[said].startswith("Housing X1 is replaced below")
    whole = sheet_of(bench, [bench.photo(bitten(bench))], LIST, notes, **told).steps
    assert any("new lead" in step for step in whole) and not any("replaced below" in step for step in whole)
