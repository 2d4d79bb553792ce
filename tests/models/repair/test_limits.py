"""The rules file: published values, a shop's own limits, and mistakes that are all named at once."""

import pytest

from models.circuit.circuit_list import CLASSES, REFERABLE_CLASSES
from models.repair import RULE_IDS, RulesError, load_rules


def written(tmp_path, text):
    path = tmp_path / "shop.toml"
    path.write_text(text, encoding="utf-8")
    return path


def mistakes(tmp_path, text):
    with pytest.raises(RulesError) as caught:
        load_rules(written(tmp_path, text))
    return caught.value.mistakes, str(caught.value)


def test_six_inches_are_152_4_millimetres_exactly():
    """1 in = 25.4 mm by definition (international inch, 1959)."""
    assert load_rules().termination_distance.min_mm == pytest.approx(6 * 25.4, abs=1e-12)


def test_the_defaults_are_the_trade_s():
    """Six wires, 40 mm between joints, two joints in a wire, 60 days: common practice and this project's defaults."""
    rules = load_rules()
    assert (rules.wire_count.max_wires, rules.wire_count.scope) == (6, "assembly")
    assert (rules.splice_spacing.min_mm, rules.splices_per_wire.max_splices, rules.recurrence.within_days) == (
        40.0,
        2,
        60,
    )
    assert set(rules.circuit_class.refer) == set(REFERABLE_CLASSES)


def test_the_rules_file_refers_any_class_of_the_circuit_list_but_none_and_no_other(tmp_path):
    """Both files speak of the same classes; a class of neither is a mistake that names what may stand there."""
    assert set(CLASSES) == {"none", *REFERABLE_CLASSES} and len(CLASSES) == len(REFERABLE_CLASSES) + 1
    for name in REFERABLE_CLASSES:
        rules = load_rules(written(tmp_path, f'[circuit-class]\nrefer = ["{name}"]\n'))
        assert rules.circuit_class.refer == (name,)
    for name in ("none", "lighting"):
        _, said = mistakes(tmp_path, f'[circuit-class]\nrefer = ["{name}"]\n')
        assert "circuit-class.refer.0" in said and all(one in said for one in REFERABLE_CLASSES)


def test_every_rule_names_its_source():
    """A limit without a source cannot be defended later."""
    rules = load_rules()
    assert all(len(rules.of(rule).source) > 20 for rule in RULE_IDS)
    assert "no published source" in rules.termination_distance.source


def test_a_shop_changes_one_limit_and_keeps_the_rest(tmp_path):
    """The shop's file is laid over the defaults key by key."""
    rules = load_rules(written(tmp_path, "[wire-count]\nmax_wires = 4\n"))
    assert rules.wire_count.max_wires == 4
    assert rules.wire_count.scope == "assembly"
    assert rules.splice_spacing == load_rules().splice_spacing


def test_three_mistakes_are_reported_at_once_with_key_expected_and_got(tmp_path):
    """A shop corrects its file in one go."""
    text = '[wire-count]\nmax_wires = "six"\nscop = "branch"\n[splice-spacing]\nmin_mm = -4.0\n'
    found, message = mistakes(tmp_path, text)
    by_key = {mistake.key: mistake for mistake in found}
    assert set(by_key) == {"wire-count.max_wires", "wire-count.scop", "splice-spacing.min_mm"}
    assert by_key["wire-count.max_wires"].expected == "a whole number"
    assert by_key["wire-count.max_wires"].got == "'six'"
    assert by_key["wire-count.scop"].expected == "no such key"
    assert "greater than or equal to 0" in by_key["splice-spacing.min_mm"].expected
    assert len(message.splitlines()) == 3
    assert all(line.startswith("shop.toml: ") for line in message.splitlines())


def test_an_unknown_rule_is_a_mistake(tmp_path):
    """A misspelt section would silently change nothing."""
    found, _ = mistakes(tmp_path, "[wire_count]\nmax_wires = 4\n")
    assert [mistake.key for mistake in found] == ["wire_count"]


def test_contradictory_limits_are_named_beside_the_other_mistakes(tmp_path):
    """A fuse that shrinks as the wire grows, more broken strands than nicked ones, and a wrong type: three lines."""
    text = (
        "[fuse-coordination]\nlargest_fuse_a = [[0.5, 10.0], [1.0, 7.5]]\n"
        "[conductor-damage]\nbroken_strands_allowed = 3\nnicked_strands_allowed = 1\n"
        "[heat-aged]\napplies = 1\n"
    )
    found, _ = mistakes(tmp_path, text)
    assert {mistake.key for mistake in found} == {
        "fuse-coordination.largest_fuse_a",
        "conductor-damage.broken_strands_allowed",
        "heat-aged.applies",
    }


@pytest.mark.parametrize("value", ["nan", "inf", "true", "1e9", '"40"'])
def test_a_limit_that_is_no_sensible_length_is_refused(tmp_path, value):
    """Not a number, infinite, a truth value, a kilometre, text."""
    found, _ = mistakes(tmp_path, f"[splice-spacing]\nmin_mm = {value}\n")
    assert [mistake.key for mistake in found] == ["splice-spacing.min_mm"]


def test_a_section_that_is_no_section_is_one_mistake(tmp_path):
    """`housing = 3` replaces a whole section by a number."""
    found, _ = mistakes(tmp_path, "housing = 3\n")
    assert [mistake.key for mistake in found] == ["housing"]


def test_a_file_that_is_no_toml_or_not_there_is_one_clear_line(tmp_path):
    """Expected a readable TOML file."""
    found, message = mistakes(tmp_path, "max wires: 6")
    assert found[0].expected == "valid TOML"
    assert len(message.splitlines()) == 1
    with pytest.raises(RulesError, match="expected a readable TOML file"):
        load_rules(tmp_path / "absent.toml")
    (tmp_path / "shop.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RulesError, match="expected text in UTF-8"):
        load_rules(tmp_path / "shop.toml")


def test_the_largest_fuse_follows_the_next_smaller_wire_of_the_table():
    """A wire between two rows is protected as the thinner one; below the table there is no answer."""
    fuses = load_rules().fuse_coordination
    assert fuses.largest_for(1.25) == fuses.largest_for(1.0) == 15.0
    assert fuses.largest_for(0.1) is None


def test_a_new_piece_shorter_than_the_spacing_of_its_joints_is_a_contradiction(tmp_path):
    """Each limit is possible, the two together are not; the line names both."""
    path = tmp_path / "mine.toml"
    path.write_text("[splice-spacing]\nmin_mm = 200\n", "utf-8")
    with pytest.raises(RulesError, match=r"min_section_mm: expected at least min_mm \(200\).*got 150"):
        load_rules(path)
