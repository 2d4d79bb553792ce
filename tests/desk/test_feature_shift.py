"""Features of two folders compared label by label: closed forms, and a real folder against itself."""

import numpy as np
import pytest

from desk.assess import model_in_use
from desk.evaluate import find_cases
from desk.feature_shift import LEAST, Sample, gather, shifts, shifts_as_dict
from desk.samples import make_samples
from vision.layout import builtin_layouts


def sample(values, labels, names=("width_mm",)):
    """A sample of one feature unless told otherwise."""
    return {"cell": Sample(names, np.asarray(values, float).reshape(len(labels), -1), np.asarray(labels))}


def test_a_feature_moved_by_a_known_amount():
    """The same 200 values 0.5 spreads higher: Wasserstein distance 0.5 by definition, KS as counted by hand."""
    values = np.arange(200.0)
    step = 0.5 * values.std()
    found = shifts(sample(values, ["wire"] * 200), sample(values + step, ["wire"] * 200))
    assert found[0].moved == pytest.approx(0.5)
    apart = np.ceil(step)  # the lowest values, below every moved one
    assert found[0].ks == pytest.approx(apart / 200)


def test_more_of_one_label_is_no_shift():
    """Rodent is wide, abrasion narrow, on both sides alike; one folder merely has more rodents."""
    rng = np.random.default_rng(1)
    wide, narrow = rng.normal(10, 1, 400), rng.normal(2, 1, 400)
    here = sample(np.r_[wide[:300], narrow[:100]], ["rodent"] * 300 + ["abrasion"] * 100)
    there = sample(np.r_[wide[:100], narrow[:300]], ["rodent"] * 100 + ["abrasion"] * 300)
    assert shifts(here, there)[0].ks < 0.12


def test_the_worst_label_is_named_and_few_examples_are_left_out():
    """Only `rodent` moved; `connector` has too few examples on one side and is not compared."""
    base = np.linspace(0, 1, 50)
    here = sample(np.r_[base, base, base], ["abrasion"] * 50 + ["rodent"] * 50 + ["connector"] * 50)
    few = LEAST - 1
    there = sample(np.r_[base, base + 5, base[:few]], ["abrasion"] * 50 + ["rodent"] * 50 + ["connector"] * few)
    found = shifts(here, there)[0]
    assert (found.worst_label, found.worst_ks, found.labels) == ("rodent", 1.0, 2)
    assert found.ks == pytest.approx(0.5)


def test_a_constant_that_changed_has_no_finite_shift():
    """A feature that is one number on either side, and another: said as beyond measure, null in JSON."""
    found = shifts(sample(np.zeros(20), ["wire"] * 20), sample(np.ones(20), ["wire"] * 20))
    assert found[0].ks == 1.0 and found[0].moved == np.inf
    assert shifts_as_dict(found, "x")["features"][0]["moved"] is None


def test_a_folder_has_not_moved_against_itself(tmp_path):
    """Real photographs, read twice: every feature of cells and housings at distance 0."""
    make_samples(tmp_path, 1, 4100, 1200, "connector")
    cases, _ = find_cases(tmp_path)
    here, there = (gather(cases, builtin_layouts(), model_in_use().finder) for _ in range(2))
    found = shifts(here, there)
    assert {shift.of for shift in found} >= {"cell"} and len(found) > 50
    assert max(shift.ks for shift in found) == 0.0
