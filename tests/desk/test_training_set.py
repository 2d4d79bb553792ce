"""What a housing as a candidate is taught: the truth of the one that it shows."""

from desk.training_set import _housing_of
from sample_images.truth import Truth, TruthHousing, TruthRegion


def housing(id, ring, cracked):
    return TruthHousing(
        id=id, colour="BK", rings_px=[ring] if ring else [], cracked=cracked, crack_length_mm=9.0 if cracked else 0.0,
        missing_area_mm2=0.0, displaced_terminals=0, cavities=4,
    )  # fmt: skip


def square(x):
    return [(x, 0.0), (x + 10.0, 0.0), (x + 10.0, 10.0), (x, 10.0)]


def test_a_broken_housing_that_is_not_seen_is_not_taken_for_the_one_that_is():
    """It has no outline to be near to anything; it stopped a whole training. The nearest of those seen is meant."""
    region = TruthRegion(
        id="d1", label="connector", signs=[], rings_px=[square(100.0)], rings_mm=None, visible_px=100, length_mm=9.0,
        area_mm2=None, wires_affected=0, wire_ids=[], exposed_copper_mm=None, to_termination_mm=None,
    )  # fmt: skip
    scene = Truth(
        photo="a.jpg", width_px=200, height_px=100, seed=0, scenario="connector", mat=None, mm_per_px_centre=0.3,
        labels=["connector"], regions=[region], wires=[], terminations=[], housings=[], coverings=[], splices=[],
        camera=None,
    )  # fmt: skip
    ends = [housing("t1", None, True), housing("t2", square(0.0), True), housing("t3", square(90.0), True)]
    assert _housing_of(region, scene.model_copy(update={"housings": ends})).id == "t3"
    assert _housing_of(region, scene.model_copy(update={"housings": ends[:1]})) is None
