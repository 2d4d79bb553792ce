"""The shop's own files, prices and bench notes: what they change, and every mistake at once."""

import pytest

from models.repair.bench import BenchError, load_bench
from models.repair.prices import PricesError, load_prices
from models.repair.texts import CAUSES, cautions_for


def written(folder, text):
    """A TOML file."""
    path = folder / "my.toml"
    path.write_text(text, "utf-8")
    return path


def test_the_shipped_prices_are_marked_as_invented():
    """Nobody takes them for a shop's own."""
    assert load_prices().invented


def test_a_shop_changes_one_price_and_keeps_the_rest(tmp_path):
    """And the mark goes only when the shop takes it away."""
    own = load_prices(written(tmp_path, "[price]\njoint = 2.0\n"))
    assert own.price.joint == 2.0 and own.price.housing == load_prices().price.housing and own.invented
    assert not load_prices(written(tmp_path, "invented = false\n")).invented


def test_dearer_joints_weigh_more_in_the_plan(tmp_path):
    """The plan trades joints against wire as the shop's prices do."""
    own = load_prices(written(tmp_path, "[minutes]\njoint = 60.0\n"))
    assert own.weights().joint == pytest.approx(78.0 + 0.85)
    assert own.weights().wire_per_m == load_prices().weights().wire_per_m


def test_every_mistake_of_a_price_file_has_its_line(tmp_path):
    """A negative price, an unknown key, text for a number."""
    path = written(tmp_path, '[price]\njoint = -1.0\nglue = 2.0\n[minutes]\nsleeve = "long"\n')
    with pytest.raises(PricesError) as caught:
        load_prices(path)
    assert len(caught.value.lines) == 3
    for part in ("price.joint", "price.glue", "minutes.sleeve"):
        assert part in str(caught.value)


@pytest.mark.parametrize(("load", "error"), [(load_prices, PricesError), (load_bench, BenchError)])
def test_a_file_that_is_missing_or_no_toml_is_one_line(tmp_path, load, error):
    """Named, with what was expected."""
    with pytest.raises(error, match="expected a readable TOML file"):
        load(tmp_path / "none.toml")
    with pytest.raises(error, match="expected valid TOML"):
        load(written(tmp_path, "price = [\n"))


def test_every_mistake_of_the_bench_notes_has_its_line(tmp_path):
    """A wire named twice, a joint beyond its end, a stretch turned round, a neighbour nobody noted."""
    wire = '[[wire]]\nid = "w1"\nbefore_mm = 10\ndamage_mm = 5\nafter_mm = 20\n'
    path = written(tmp_path, f'neighbours = [["w1", "w9"]]\n{wire}joints_mm = [99]\n{wire}keep_out_mm = [[9, 3]]\n')
    with pytest.raises(BenchError) as caught:
        load_bench(path)
    assert len(caught.value.lines) == 4
    with pytest.raises(BenchError, match=r"before_mm.*greater than or equal to 0"):
        load_bench(written(tmp_path, wire.replace("10", "-1")))


def test_a_colour_or_a_size_that_no_table_has_is_a_mistake_of_the_bench_notes(tmp_path):
    """Both at once, with the wire's name, what is known, and what came."""
    wire = '[[wire]]\nid = "w1"\nbefore_mm = 10\ndamage_mm = 5\nafter_mm = 20\ncolour = "ZZ"\nsize_mm2 = 0.61\n'
    with pytest.raises(BenchError) as caught:
        load_bench(written(tmp_path, wire))
    colour, size = caught.value.lines
    assert "wire w1: colour: expected codes" in colour and "'ZZ'" in colour
    assert "wire w1: wire size: expected 0.5 or 0.75 mm², got 0.61 mm²" in size


def test_every_damage_brings_the_cautions_it_calls_for():
    """Battery, eyes, restraint and high voltage always; wet clean-up at nests (CDC), dust at burnt insulation."""
    always = " ".join(cautions_for(["abrasion"], "none", handled=True))
    for word in ("battery", "eye protection", "Restraint", "high-voltage", "maker's procedure", "local"):
        assert word in always
    nest = " ".join(cautions_for(["rodent"], "none", handled=True))
    for word in ("30 minutes", "gloves", "mask", "1 part to 9", "5 minutes", "never sweep or vacuum dry"):
        assert word in nest
    assert "mask" in " ".join(cautions_for(["external_heat"], "none", handled=True))


def test_every_damage_says_what_to_look_for_and_what_stops_it_coming_back():
    """The words of the trade for each cause."""
    wanted = {
        "external_heat": ("shields", "clips"), "electrical_overload": ("fuse", "history"),
        "rodent": ("Nest", "food", "repellents"), "abrasion": ("edge", "clips"), "connector": ("Locks",),
    }  # fmt: skip
    for label, words in wanted.items():
        text = " ".join(f"{c.look_for} {c.prevent}" for c in CAUSES[label])
        assert all(word in text for word in words), label
