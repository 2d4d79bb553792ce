"""Ways from a damage to terminations, on a drawn trunk with a breakout whose wires have a colour of their own."""

from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from vision.bundles import trace_bundles
from vision.findings import STUB_MM
from vision.parts import Part, bundle_ends
from vision.regions import Extent, extent_along
from vision.ways import WAY_SIGNS, open_ends, ways_to_terminations

S = 5.0
RED, BLUE = (50.0, 60.0, 40.0), (40.0, 10.0, -50.0)


def scene_of(damage_colour):
    """Trunk from x 20 to 220 mm, breakout at x 120 downwards to y 150; the breakout is blue, the trunk is red.

    The damage covers x 150 to 170; the wire under it has `damage_colour` to its right. Terminations: one at the
    trunk's left end, one at the breakout's.
    """
    shape = (160 * 5, 240 * 5)
    raster = np.zeros(shape, np.uint8)
    lab = np.full((*shape, 3), RED, np.float32)
    for line in ([(20, 80), (220, 80)], [(120, 80), (120, 150)]):
        cv2.polylines(raster, [np.round(np.array(line) * S).astype(np.int32)], False, 1, 20)
    lab[90 * 5 :] = BLUE
    lab[: 90 * 5, 171 * 5 : 200 * 5] = damage_colour
    body = raster > 0
    graph = trace_bundles(body, S, np.zeros(shape, bool))
    ys, xs = np.nonzero(raster[::6, ::6])
    xy = np.stack([xs, ys], axis=1) * 6.0
    at = xy / S
    damage = np.flatnonzero((at[:, 0] > 150) & (at[:, 0] < 170))
    beside = np.flatnonzero((at[:, 0] > 172) & (at[:, 0] < 198))
    lanes = np.full((len(xy), len(beside)), -1)
    lanes[damage] = beside
    feet = np.flatnonzero(
        (graph.points[:, 0] > 150 * S) & (graph.points[:, 0] < 170 * S) & (graph.points[:, 1] < 90 * S)
    )
    ends = graph.points[graph.ends] / S
    left, low = graph.ends[ends[:, 0].argmin()], graph.ends[ends[:, 1].argmax()]
    housing = Part("t1", "housing", None, graph.points[left], int(left), 2.0)
    ring = Part("t2", "ring", None, graph.points[low], int(low), 1.0)
    signs = SimpleNamespace(
        values={"share_of_bundle": 0.5, "mean_width_mm": 2.0, "finder_external_heat": 0.0,
                "finder_electrical_overload": 0.0, "finder_earlier_repair": 0.0}
    )  # fmt: skip
    look = SimpleNamespace(
        cells=SimpleNamespace(xy=xy, lanes=lanes), even=SimpleNamespace(lab=lab), canvas=SimpleNamespace(px_per_mm=S)
    )
    scene = SimpleNamespace(graph=graph, housings=[housing], terminals=[ring], body=body)
    candidate = SimpleNamespace(region=SimpleNamespace(cells=damage), extent=Extent(20.0, feet), signs=signs)
    return look, scene, candidate


def sign(way, name):
    """One sign of a way by name."""
    return float(way.signs[WAY_SIGNS.index(name)])


def test_ways_have_the_drawn_lengths_nearest_first():
    """From x 150: 30 to the breakout and 70 down it, 130 to the trunk's left end; a gap to the part is added."""
    ring, housing = ways_to_terminations(*scene_of(RED))
    assert (ring.part.id, housing.part.id) == ("t2", "t1")
    assert ring.way_mm == pytest.approx(30 + 70 + 1, abs=6)
    assert housing.way_mm == pytest.approx(130 + 2, abs=5)
    assert sign(housing, "longer_than_nearest_mm") == pytest.approx(housing.way_mm - ring.way_mm, abs=0.01)


def test_a_way_runs_from_the_damages_edge_to_the_termination():
    """Its first point lies at the damage's near edge, its last where the bundle meets the termination."""
    look, scene, candidate = scene_of(RED)
    for way in ways_to_terminations(look, scene, candidate):
        assert way.points[0] / S == pytest.approx([150, 80], abs=2)
        assert np.allclose(way.points[-1], scene.graph.points[way.part.graph_point])


@pytest.mark.parametrize(("colour", "there"), [(RED, "t1"), (BLUE, "t2")])
def test_the_damaged_wires_own_colour_is_met_where_the_wire_goes(colour, there):
    """A red wire goes on in the red trunk, a blue one in the blue breakout."""
    for way in ways_to_terminations(*scene_of(colour)):
        assert sign(way, "own_colour_there") == (1.0 if way.part.id == there else 0.0)
        assert sign(way, "own_colour_here") == pytest.approx(1.0 if way.part.id == there else 0.0, abs=0.15)


def test_without_a_bundle_or_a_termination_there_is_no_way():
    """Nothing is guessed."""
    look, scene, candidate = scene_of(RED)
    none = SimpleNamespace(region=candidate.region, extent=Extent(None, np.zeros(0, int)), signs=candidate.signs)
    assert ways_to_terminations(look, scene, none) == []
    bare = SimpleNamespace(graph=scene.graph, housings=[], terminals=[], body=scene.body)
    assert ways_to_terminations(look, bare, candidate) == []


TRUNK, BREAKOUT = [(20, 80), (220, 80)], [(120, 80), (120, 150)]
LEFT, RIGHT, LOW = (12, 80), (228, 80), (120, 157)


def bitten(
    lines=(TRUNK, BREAKOUT),
    gone=(),
    parts=(LEFT, RIGHT, LOW),
    damage=(150, 171, 78, 83),
    wide_mm=4,
    border=0,
    body_mm=12,
    box_mm=None,
):
    """Bundles along `lines`, mm, without what lies in the boxes `gone` (x from, x to, y from, y to); housings
    `body_mm` across, or boxes `box_mm` wide and high, at `parts`; the damage in a box. border : mm of the canvas that
    the photograph does not show."""
    shape = (170 * 5, 240 * 5)
    raster = np.zeros(shape, np.uint8)
    for line in lines:
        cv2.polylines(raster, [np.round(np.array(line) * S).astype(np.int32)], False, 1, round(wide_mm * S))
    for x0, x1, y0, y1 in gone:
        raster[round(y0 * S) : round(y1 * S), round(x0 * S) : round(x1 * S)] = 0
    graph = trace_bundles(raster > 0, S, np.zeros(shape, bool))
    ground = np.ones(shape, bool)
    if border:
        ground[:, -round(border * S) :] = False
    taken = []
    for k, at in enumerate(parts):
        mask = np.zeros(shape, np.uint8)
        if box_mm is None:
            cv2.circle(mask, tuple(round(v * S) for v in at), round(body_mm / 2 * S), 1, -1)
        else:
            low, high = (
                tuple(round((v + turn * b / 2) * S) for v, b in zip(at, box_mm, strict=True)) for turn in (-1, 1)
            )
            cv2.rectangle(mask, low, high, 1, -1)
        taken.append(Part(f"t{k + 1}", "housing", (mask > 0) & ground, np.array(at) * S))
    x0, x1, y0, y1 = damage
    xy = np.stack(np.meshgrid(np.arange(x0, x1, 1.0), np.arange(y0, y1, 1.0)), axis=-1).reshape(-1, 2) * S
    rows, columns = np.clip(np.round(xy).astype(int), 0, [shape[1] - 1, shape[0] - 1]).T[::-1]
    xy = xy[raster[rows, columns] > 0]
    look = SimpleNamespace(cells=SimpleNamespace(xy=xy), canvas=SimpleNamespace(px_per_mm=S))
    scene = SimpleNamespace(graph=graph, ends=bundle_ends(graph, taken, ground, S))
    region = SimpleNamespace(cells=np.arange(len(xy)))
    return look, scene, SimpleNamespace(region=region, extent=extent_along(graph, xy, S))


@pytest.mark.parametrize("gone", [(), ((155, 165, 70, 90),)], ids=["whole", "bitten through"])
def test_an_assembly_wholly_in_the_picture_has_no_open_end(gone):
    """The stubs at the bite are none: what they belonged to ends at housings on either side."""
    assert open_ends(*bitten(gone=gone)) == 0


@pytest.mark.parametrize(("gap_mm", "stubs"), [(STUB_MM - 5, True), (STUB_MM + 9, False)], ids=["beside", "apart"])
def test_an_end_is_a_stub_of_the_damage_only_near_it(gap_mm, stubs):
    """The same bundle bitten through, and the damage seen left of its gap: its halves end beside it, or far from it."""
    found = open_ends(
        *bitten(gone=((155, 155 + gap_mm / 2, 70, 90),), damage=(150 - gap_mm / 2, 155 - gap_mm / 2, 78, 83))
    )
    assert (found == 0) == stubs


@pytest.mark.parametrize("gone", [(), ((155, 165, 70, 90),)], ids=["whole", "bitten through"])
def test_a_branch_that_ends_at_nothing_is_an_open_end(gone):
    """The breakout without its housing."""
    assert open_ends(*bitten(gone=gone, parts=(LEFT, RIGHT))) == 1


def test_a_bundle_that_lies_apart_counts_too():
    """It may be what was bitten off."""
    assert open_ends(*bitten(lines=(TRUNK, BREAKOUT, [(30, 20), (90, 20)]))) == 2


def test_what_leaves_the_picture_is_an_open_end_even_beside_a_housing():
    """A bundle as thick as 20 mm, whose centre line ends well before the border."""
    thick = ([(20, 80), (239, 80)], BREAKOUT)
    assert open_ends(*bitten(lines=thick, parts=(LEFT, LOW, (225, 95)), damage=(150, 171, 70, 90), wide_mm=20)) == 1


@pytest.mark.parametrize(
    "case",
    [
        dict(gone=((160, 240, 0, 170),), parts=(LEFT, LOW)),
        dict(gone=((100, 140, 130, 170),), parts=(LEFT, RIGHT), damage=(116, 125, 112, 131)),
        dict(lines=([(20, 80), (239, 80)], BREAKOUT), parts=(LEFT, LOW), damage=(215, 229, 78, 83)),
        dict(
            lines=([(20, 80), (160, 80)], BREAKOUT, [(180, 30), (220, 30), (220, 60), (180, 60), (180, 30)]),
            parts=(LEFT, LOW), damage=(150, 161, 78, 83),
        ),
        dict(lines=(TRUNK, [(120, 80), (120, 90)]), parts=(LEFT, RIGHT), damage=(110, 131, 78, 91)),
    ],
    ids=["the right half", "a breakout's end", "at the border", "a coil beside", "the third arm of a fork"],
)  # fmt: skip
def test_where_half_of_the_wires_is_missing_nothing_is_told(case):
    """Two housings on one side say nothing of the other."""
    assert open_ends(*bitten(**case)) is None


def test_without_a_bundle_under_the_damage_nothing_is_told():
    """Nothing is guessed."""
    look, scene, candidate = bitten()
    none = SimpleNamespace(region=candidate.region, extent=Extent(None, np.zeros(0, int)))
    assert open_ends(look, scene, none) is None


def test_a_termination_that_the_border_cuts_is_none_unless_it_is_far_wider_than_its_bundle():
    """A covering at the border looks like a housing: whether the bundle ends there is not known. No covering is three
    times as wide as the bundle in it."""
    assert open_ends(*bitten(border=8, body_mm=6)) == 1
    assert open_ends(*bitten(border=8)) == 0


def test_a_bundle_that_leaves_the_picture_beside_a_wide_housing_does_not_end_there():
    """A housing 10 mm beside the bundle's end at the border, and the same housing on the end of a shorter one."""
    beside = dict(lines=([(20, 80), (239, 80)], BREAKOUT), border=5, parts=(LEFT, LOW, (229, 96)))
    assert open_ends(*bitten(**beside)) == 1
    assert open_ends(*bitten(border=5, parts=(LEFT, LOW, (229, 82)))) == 0


def test_a_covering_that_lies_across_at_the_border_is_no_housing():
    """A wrapped trunk, 10 mm wide and 50 long, that a branch enters from the side: as wide there as it is long."""
    across = dict(border=8, box_mm=(10, 50))
    assert open_ends(*bitten(**across, parts=(LEFT, LOW, (228, 80)))) == 2, (
        "the breakout's body comes to the border, too"
    )
    assert open_ends(*bitten(border=8, box_mm=(10, 14), parts=(LEFT, LOW, (228, 80)))) == 0


@pytest.mark.parametrize("aside_mm", [9, 12, 14])
def test_a_stub_beside_a_connector_that_is_not_its_own_tells_nothing(aside_mm):
    """A trunk bitten off, its other half not on the bench, and somebody else's housing beside the stub."""
    left = [(20, 80), (160, 80)]
    case = dict(lines=(left,), damage=(150, 161, 78, 83))
    assert open_ends(*bitten(**case, parts=(LEFT, (160, 80 + aside_mm)))) is None
    assert open_ends(*bitten(**case, parts=(LEFT, (168, 80)))) == 0, "it is its own where the stub leads into it"


@pytest.mark.parametrize("from_mm", [22, 48], ids=["at the housing", "farther off"])
def test_damage_beside_a_housing_has_that_end_in_view(from_mm):
    """The damage 3 mm from a housing's bundle end, or in the middle."""
    assert open_ends(*bitten(damage=(from_mm, from_mm + 17, 78, 83))) == 0


def test_damage_at_a_bundles_end_without_its_housing_has_an_open_end():
    """The other ends are at housings."""
    assert open_ends(*bitten(damage=(48, 65, 78, 83), parts=(RIGHT, LOW))) is None
