"""Truth files of both schemas become the same types; a broken one is named in one line."""

import json

import pytest

from desk.foreign_truth import LABEL_OF, TruthError, read_truth
from vision.findings import LABELS


def square(x, y, side):
    return [[x, y], [x + side, y], [x + side, y + side], [x, y + side]]


def foreign(**changes):
    """A `bench-3d/1` file of one tan wire with a green stripe, written by hand after its documentation."""
    wire = {
        "id": 0,
        "od_mm": 2.2,
        "colour": "tan",
        "iec60757": None,
        "stripe": "green",
        "stripe_iec60757": "GN",
        "length_mm": 300.0,
        "end_a": {"kind": "connector", "id": 0, "cavity": 1},
        "end_e": {"kind": "ring", "id": 0},
        "missing_intervals_mm": [],
        "centreline_mat_mm": [[10, 50], [310, 50]],
        "centreline_z_mm": [1.1, 1.1],
        "centreline_px": [[20, 100], [620, 100]],
    }
    connector = {
        "id": 0,
        "polygon_px": square(0, 90, 20),
        "polygon_mat_mm": square(0, 45, 10),
        "cavities": 4,
        "colour": "black",
        "cracked": False,
        "crack_length_mm": 0.0,
        "displaced_terminal": None,
    }
    ring = {"id": 0, "wire": 0, "polygon_px": square(620, 90, 20), "polygon_mat_mm": square(310, 45, 10)}
    splice = {
        "wire": 0,
        "kind": "heat_shrink_red",
        "length_mm": 30.0,
        "dist_to_termination_mm": 100.0,
        "centre_dist_A_mm": 115.0,
        "polygon_px": square(230, 95, 60),
        "polygon_mat_mm": square(115, 47.5, 30),
        "visible_pixels": 600,
    }
    values = {
        "schema": "bench-3d/1",
        "image": "a.jpg",
        "width": 640,
        "height": 480,
        "scenario": "prior_splice",
        "labels": ["prior_splice"],
        "seed": 1,
        "mat": "other_mat.png",
        "mm_per_px_centre": 0.5,
        "damage": [],
        "splices": [splice],
        "wires": [wire],
        "connectors": [connector],
        "ring_terminals": [ring],
        "coverings": [{"kind": "cloth_tape", "trunk_s0": 20.0, "trunk_s1": 65.0}],
    }
    return values | changes


BITE = {
    "type": "rodent",
    "wires": [0],
    "length_mm": 28.0,
    "extent_along_bundle_mm": 31.0,
    "exposed_copper_mm": 12.0,
    "dist_to_termination_mm": 80.0,
    "severed": 1,
    "wires_affected": 1,
    "visible_pixels": 500,
    "polygons_px": [square(200, 95, 10), square(230, 95, 10)],
    "polygons_mat_mm": [square(100, 47.5, 5), square(115, 47.5, 5)],
}


def written(tmp_path, data):
    file = tmp_path / "a.json"
    file.write_text(json.dumps(data))
    return read_truth(file)


def test_a_sleeve_under_an_earlier_repair_label_is_a_region_and_a_repair(tmp_path):
    """Its length and its distance are the sleeve's own."""
    known = written(tmp_path, foreign())
    assert known.labels == ["earlier_repair"]
    assert [(r.label, r.length_mm, r.to_termination_mm, r.area_mm2) for r in known.regions] == [
        ("earlier_repair", 30.0, 100.0, 900.0)
    ]
    assert known.splices[0].origin == "repair"


def test_sleeves_near_each_other_are_one_region_and_others_are_not(tmp_path):
    """By hand, 30 mm each: 100 to 130 and 180 to 210 are 50 mm apart, 261 begins 51 mm further: two regions."""
    first = foreign()["splices"][0]
    second = first | {"wire": 1, "centre_dist_A_mm": 195.0, "dist_to_termination_mm": 40.0}
    third = first | {"wire": 0, "centre_dist_A_mm": 276.0, "dist_to_termination_mm": 20.0}
    known = written(tmp_path, foreign(splices=[third, first, second]))
    got = [(r.id, r.length_mm, r.to_termination_mm, r.wire_ids, len(r.rings_px)) for r in known.regions]
    assert got == [("s1", 110.0, 40.0, ["w0", "w1"], 2), ("s0", 30.0, 20.0, ["w0"], 1)]
    assert known.regions[0].wires_affected == 2 and known.regions[0].area_mm2 == 1800.0
    assert [s.to_next_splice_mm for s in known.splices] == [131.0, 131.0, None]  # along the same wire


def test_a_sleeve_on_a_sound_assembly_is_a_factory_joint(tmp_path):
    """No region comes of it."""
    known = written(tmp_path, foreign(scenario="sound", labels=["sound"]))
    assert (known.regions, known.splices[0].origin) == ([], "factory")


def test_length_is_the_extent_along_the_bundle_where_there_is_one(tmp_path):
    """The nominal length is 3 mm shorter; the area is both pieces (2 x 25 mm²)."""
    known = written(tmp_path, foreign(labels=["rodent"], damage=[BITE], splices=[]))
    (bite,) = known.regions
    assert (bite.label, bite.length_mm, bite.area_mm2, bite.severed_wires) == ("rodent", 31.0, 50.0, 1)
    assert {"severed", "bare_copper"} <= set(bite.signs)


def test_a_colour_without_a_code_keeps_its_trade_word(tmp_path):
    """Tan has no IEC 60757 code; ends are termination ids."""
    (wire,) = written(tmp_path, foreign()).wires
    assert (wire.colour, wire.ends) == ("tan/GN", ["connector0", "ring0"])


def test_every_foreign_damage_has_one_of_the_seven_labels():
    """The mapping covers all seven and invents none."""
    assert set(LABEL_OF.values()) == set(LABELS)


def test_the_projects_own_truth_reads_back_unchanged(tmp_path, drawn):
    """Written and read again, it is equal."""
    known = drawn.truth("a.jpg", [drawn.region("rodent", 300, 40)])
    file = tmp_path / "a.json"
    file.write_text(known.model_dump_json())
    assert read_truth(file) == known


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("{", "JSON"),
        ("[1]", "schema"),
        ('{"schema": "other/9"}', "other/9"),
        ('{"schema": "bench-3d/1"}', "labels"),
        ('{"schema_version": "truth/1", "photo": 3}', "photo"),
    ],
)
def test_a_broken_truth_file_is_named_in_one_line(tmp_path, content, says):
    """Which file, what was expected, what was there."""
    file = tmp_path / "broken.json"
    file.write_text(content)
    with pytest.raises(TruthError) as caught:
        read_truth(file)
    assert "broken.json" in str(caught.value) and says in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "changes, says",
    [
        ({"coverings": [{"kind": "felt", "trunk_s0": 20.0, "trunk_s1": 65.0}]}, "covering: expected one of tape,"),
        ({"labels": ["flood"]}, "label: expected one of sound,"),
    ],
)
def test_a_name_not_known_is_said_with_those_that_are(tmp_path, changes, says):
    """A covering or a label by a name of its own: the line lists the names that are read."""
    file = tmp_path / "other.json"
    file.write_text(json.dumps(foreign(**changes)))
    with pytest.raises(TruthError, match=says):
        read_truth(file)
