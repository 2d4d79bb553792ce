"""The drawing of the plan: what is marked on the wires, read off the printed page."""

import numpy as np
import pypdfium2
import pytest

from desk.order_drawing import draw_plan
from desk.sheet import Sheet
from models.repair import load_rules
from models.repair.branch import Branch, BranchWire, Mark, Stretch, plan_limits
from models.repair.plan import merged, plan_branch

LIMITS = plan_limits(load_rules())
PX_PER_MM = 8.0
NAMES_AND_EDGE_MM = 36.0
"""What the wires leave free of the sheet's width: names on the left, an end's box on the right."""


def wire():
    """A wire of 1500 mm with 80 mm of damage, 600 mm along the branch."""
    return BranchWire(id="w1", length_mm=1500.0, damage=(Stretch(from_mm=600.0, to_mm=680.0),))


def planned(*points):
    """The plan of a branch with branch points at these stations; no station given: nobody looked."""
    marks = tuple(Mark(at_mm=at) for at in points) if points else None
    return plan_branch(Branch(wires=(wire(),), branch_points=marks), LIMITS)


def printed(plan):
    """Words and (H, W) gray picture of each page of a sheet with nothing but the drawing, and the sheet's width."""
    sheet = Sheet("a4", "drawing", "foot")
    draw_plan(sheet, plan)
    document = pypdfium2.PdfDocument(bytes(sheet.output()))
    words = [" ".join(page.get_textpage().get_text_range().split()) for page in document]
    pictures = [page.render(scale=PX_PER_MM * 25.4 / 72, grayscale=True).to_numpy().squeeze() for page in document]
    return words, pictures, sheet.epw


def test_a_branch_stands_on_the_drawing_at_its_place_to_scale_and_in_black():
    """Two drawings differ by the branch alone: their marks lie 650 mm of 1500 apart, and they are black."""
    (one, (here,), wide), (other, (there,), _) = (printed(planned(at)) for at in (350.0, 1000.0))
    assert "branch 350" in one[0] and "branch 1000" in other[0] and "Diamond" in one[0]
    rows = slice(int(26 * PX_PER_MM), int(36 * PX_PER_MM))  # the wire's row, below the line of names
    changed = np.abs(here[rows].astype(int) - there[rows].astype(int)) > 100
    columns = np.flatnonzero(changed.any(axis=0))
    cut = np.argmax(np.diff(columns)) + 1
    left, right = columns[:cut], columns[cut:]
    apart = ((right[0] + right[-1]) - (left[0] + left[-1])) / 2 / PX_PER_MM
    assert apart == pytest.approx(650.0 / 1500.0 * (wide - NAMES_AND_EDGE_MM), abs=0.3)
    for band in (left, right):
        assert (band[-1] - band[0]) / PX_PER_MM == pytest.approx(2.8, abs=0.8)  # a diamond, not a line alone
    assert here[rows][:, left].min() < 60 and there[rows][:, right].min() < 60


def test_a_branch_beyond_the_wires_is_named_and_one_nobody_looked_for_is_not_drawn():
    """The drawing is as long as its wires; without branch points the legend has no sign for them."""
    words = printed(planned(350.0, 2000.0))[0][0]
    assert "Branches beyond the drawing: 2000 mm" in words and "branch 2000" not in words
    assert planned().branch_points_mm is None and "ranch" not in printed(planned())[0][0].replace("the branch", "")


def test_branches_are_named_again_on_every_page_the_drawing_needs():
    """Thirty wires do not fit on one page."""
    many = planned(350.0).model_copy(update={"wires": planned(350.0).wires * 30})
    words, _, _ = printed(many)
    assert len(words) > 1 and all("branch 350" in page for page in words if "w1" in page)


def test_branches_of_several_plans_are_each_named_once():
    """The same stations stand on each; a plan whose branch nobody looked at adds none."""
    one, two, none = planned(350.0, 1000.0), planned(1000.0, 1200.0), planned()
    assert merged([one, none, two]).branch_points_mm == (350.0, 1000.0, 1200.0)
    assert merged([none]).branch_points_mm is None
