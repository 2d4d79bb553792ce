"""Leads on a bench: many housings in one picture, every second one broken, all told apart in the truth."""

import cv2
import numpy as np
import pytest

from sample_images.leads import render_leads
from sample_images.scene import SceneSettings
from sample_images.sprites import DAMAGE_HOLLOW

SMALL = SceneSettings(width_px=800, closeup=False)


@pytest.fixture(scope="module")
def leads():
    """A small picture of leads."""
    return render_leads(5, SMALL)


def test_the_same_seed_shows_the_same_leads():
    """Bytes and truth repeat; another seed shows others."""
    tiny = SceneSettings(width_px=300, closeup=False)
    first, again, other = (render_leads(seed, tiny) for seed in (5, 5, 6))
    assert np.array_equal(again.picture, first.picture) and again.truth == first.truth
    assert np.array_equal(again.breaks, first.breaks) and again.broken == first.broken
    assert not np.array_equal(other.picture, first.picture)


def test_wires_and_ends_of_all_leads_are_told_apart(leads):
    """No two wires or housings share a name, and each wire runs between two housings of one lead."""
    truth = leads.truth
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
    truth = leads.truth
    assert {region.label for region in truth.regions} == {"connector"}
    assert 0 < len(leads.broken) < len(truth.housings)
    told = {h.id for h in truth.housings if h.cracked or h.missing_area_mm2 or h.displaced_terminals}
    assert told <= leads.broken
    assert len({region.id for region in truth.regions}) == len(truth.regions)


def test_breaks_are_marked_by_kind_and_however_thin(leads):
    """Every pixel of a region is marked, and thin cracks beyond; the others are not."""
    regions = np.zeros(leads.breaks.shape, np.uint8)
    for region in leads.truth.regions:
        for ring in region.rings_px:
            cv2.fillPoly(regions, [np.round(np.asarray(ring)).astype(np.int32)], 1)
    marked = leads.breaks > 0
    assert marked[regions > 0].mean() > 0.85
    assert marked.sum() > (regions > 0).sum()
    near = cv2.dilate(regions, np.ones((9, 9), np.uint8)) > 0
    assert len(np.unique(leads.breaks)) >= 4
    assert leads.breaks.max() <= DAMAGE_HOLLOW
    assert marked[~near].mean() < 0.002
