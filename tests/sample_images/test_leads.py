"""Leads on a bench: many housings in one picture, every second one broken, all told apart in the truth."""

import numpy as np
import pytest

from sample_images.leads import render_leads
from sample_images.scene import SceneSettings

SMALL = SceneSettings(width_px=1000, closeup=False)


@pytest.fixture(scope="module")
def leads():
    """A small picture of leads."""
    return render_leads(5, SMALL)


def test_the_same_seed_shows_the_same_leads(leads):
    """Bytes and truth repeat; another seed shows others."""
    again, truth = render_leads(5, SMALL)
    assert np.array_equal(again, leads[0]) and truth == leads[1]
    assert not np.array_equal(render_leads(6, SMALL)[0], again)


def test_wires_and_ends_of_all_leads_are_told_apart(leads):
    """No two wires or housings share a name, and each wire runs between two housings of one lead."""
    _, truth = leads
    assert len(truth.housings) >= 6
    names = [housing.id for housing in truth.housings]
    assert len(set(names)) == len(names)
    wires = [wire.id for wire in truth.wires]
    assert len(set(wires)) == len(wires)
    for wire in truth.wires:
        first, second = sorted(int(end[1:]) for end in wire.ends)
        assert first % 2 == 0 and second == first + 1


def test_every_break_lies_at_a_housing_of_its_own(leads):
    """Regions are of housings alone; several are broken, several whole."""
    _, truth = leads
    assert {region.label for region in truth.regions} == {"connector"}
    broken = [h for h in truth.housings if h.cracked or h.missing_area_mm2 or h.displaced_terminals]
    assert 0 < len(broken) < len(truth.housings)
    assert len({region.id for region in truth.regions}) == len(truth.regions)
