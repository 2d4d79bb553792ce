"""What to confirm next: doubtful and diverse cases first, better than chance; what more would buy."""

import numpy as np
import pytest

from desk.errors import DeskError
from desk.learning.next import fit_law, learning_curve, read_curve, simulated, teaching_order, uncertainty, write_curve
from desk.learning.waiting import to_confirm_first
from models.damage.lessons import Lessons

LABELS = ("rodent", "abrasion", "sound")


def rare(n=420, seed=0):
    """Most cases are plainly sound or bitten; a third label hides in two small far corners."""
    rng = np.random.default_rng(seed)
    kind = rng.choice(4, n, p=[0.45, 0.45, 0.05, 0.05])
    centres = np.array([[0, 0, 0, 0], [3, 0, 0, 0], [0, 4, 0, 0], [0, 0, 4, 0]], float)
    x = centres[kind] + rng.normal(0, 0.8, (n, 4))
    names = np.array(["sound", "rodent", "abrasion", "abrasion"])[kind]
    groups = np.array([f"g{k:03}" for k in range(n)])
    return Lessons(("a", "b", "c", "d"), x.astype(np.float32), names, groups, np.ones(n))


def test_uncertainty_is_the_entropy_as_a_share():
    """A sure answer 0, all alike 1, one of two of three: ln 2 / ln 3 by hand."""
    p = np.array([[1, 0, 0], [1 / 3, 1 / 3, 1 / 3], [0.5, 0.5, 0.0]])
    assert uncertainty(p) == pytest.approx([0.0, 1.0, np.log(2) / np.log(3)], abs=1e-6)


def test_no_two_alike_are_taken_one_after_the_other():
    """Two doubtful twins and a doubtful stranger: the stranger comes before the second twin; all come once."""
    x = np.array([[0.0, 0.0], [0.0, 0.0], [5.0, 5.0], [9.0, 0.0]])
    doubt = np.array([0.9, 0.9, 0.6, 0.1])
    order = teaching_order(doubt, x, 4)
    assert order[0] in (0, 1) and order[1] == 2 and sorted(order) == [0, 1, 2, 3]
    assert teaching_order(np.zeros(0), np.zeros((0, 2)), 3) == []


def test_chosen_corrections_reach_a_figure_with_fewer_than_chance():
    """On cases with a rare label: the macro-F1 that chance reaches at the end is reached with fewer corrections."""
    course = simulated(LABELS, rare(), start=12, step=12, rounds=7, runs=4, seed=1)
    goal = max(course.by_chance) - 0.01
    wise, luck = course.needed(goal)
    assert wise is not None and luck is not None and wise < luck
    assert np.mean(course.chosen) > np.mean(course.by_chance)


def test_the_law_of_a_known_curve_is_found_again():
    """0.95 - 1.2 n^-0.4 without noise: its own numbers, and its value at 5000 lessons."""
    n = np.array([50, 100, 200, 400, 800])
    best, gap, rate = fit_law(n, 0.95 - 1.2 * n**-0.4)
    assert (best, gap, rate) == pytest.approx((0.95, 1.2, 0.4), rel=0.02)


def test_figures_that_no_law_follows_are_said_in_one_line(monkeypatch):
    """The fit gives up; whoever trains keeps the model and reads why it has no curve."""

    def gives_up(*args, **kwargs):
        raise RuntimeError("Optimal parameters not found")

    monkeypatch.setattr("desk.learning.next.curve_fit", gives_up)
    with pytest.raises(DeskError, match=r"a power law follows, got 0\.50, 0\.60") as told:
        fit_law(np.array([50, 100]), np.array([0.5, 0.6]))
    assert "\n" not in str(told.value)


def test_a_learning_curve_rises_and_tells_what_more_would_buy(tmp_path):
    """More lessons, better; the extrapolation lies beyond the last figure, within 0..1 and within its range."""
    told = []
    curve = learning_curve(LABELS, rare(300), runs=3, seed=2, on_step=lambda *at: told.append(at))
    assert told == [(k, 3 * 6) for k in range(3 * 6 + 1)], "that it begins, and every forest of every run, is told"
    assert curve.f1[-1] > curve.f1[0] and curve.sizes[-1] > curve.sizes[0]
    (near, low, high), (far, *_) = curve.more[100], curve.more[1000]
    assert low <= near + 0.02 and near <= high + 0.02 and near <= far <= 1.0
    write_curve(tmp_path, curve)
    assert read_curve(tmp_path) == curve and read_curve(tmp_path / "none") is None


def test_waiting_assemblies_are_ranked_by_what_they_teach(shop, drawn):
    """A novel one comes before a sure one; what is not waiting is not named."""
    from desk.truth_findings import findings_from_truth

    known = drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)])
    sure, odd = shop.opened("S-1"), shop.opened("S-2")
    shop.assessed(sure, "a" * 64, known)
    strange = findings_from_truth(known, "b" * 64)
    strange = strange.model_copy(update={"regions": [strange.regions[0].model_copy(update={"novel": True})]})
    _put(shop, odd, strange)
    shop.opened("S-3")
    with shop.desk.database.read() as session:
        found = to_confirm_first(session, 5)
    assert [one.shop_order for one in found] == ["S-2", "S-1"] and found[0].why == "damage of a kind not known"


def _put(shop, assembly_id, findings):
    """A photograph on record with these findings."""
    from desk.records import tables
    from desk.shop.standing import refresh

    with shop.desk.database.write() as session:
        row = tables.Photograph(
            assembly_id=assembly_id, sha256=findings.photo.sha256, suffix=".jpg", name="a.jpg", face="face_a",
            size_bytes=1, width_px=640, height_px=480, made_by=shop.accounts["intake"].id,
        )  # fmt: skip
        session.add(row)
        session.flush()
        session.add(
            tables.Assessment(
                photograph_id=row.id, findings=findings.model_dump(mode="json", by_alias=True), label="rodent",
                model_version="truth", feature_version="truth", rules_sha256=shop.desk.rules_sha256, seconds=1.0,
            )
        )  # fmt: skip
        session.flush()
        refresh(session, shop.desk, assembly_id)
