"""The assessment of a drawn wire with its photograph, circuit list and bench notes."""

import cv2
import numpy as np
import pypdfium2
import pytest

from models.repair import Answers, decide, load_rules
from vision.findings import (
    Count,
    Housing,
    Measure,
    ModelInfo,
    PhotoFindings,
    PhotoInfo,
    Region,
    Scale,
    Splice,
    Termination,
    Wire,
)
from vision.reading import read_photo

BENCH = (
    '[connectors]\nh1 = "X1"\n[[wire]]\nid = "w1"\ncircuit = "C1"\nbefore_mm = 300\ndamage_mm = 40\nafter_mm = 1060\n'
)
LIST = (
    "circuit,colour,size_mm2,from,from_cavity,to,to_cavity,length_mm,fuse_A,duty,class\n"
    "C1,RD,1.5,X1,1,X7,3,1400,15,continuous,none\nC2,BU,0.5,X1,2,X8,1,1650,7.5,intermittent,none\n"
)


def measure(value, u95=1.0):
    """A measure."""
    return Measure(value=value, u95=u95)


def drawn_photo(path):
    """A red wire on white, 640 x 480 px."""
    picture = np.full((480, 640, 3), 250, np.uint8)
    cv2.line(picture, (60, 240), (600, 240), (40, 40, 200), 12)
    cv2.imwrite(str(path), picture)
    return read_photo(path)


def findings(photo, regions=(), splices=(), cracked=False):
    """What a good photograph of that wire says."""
    wire = Wire(
        id="w1", colour="RD", diameter_mm=measure(2.0, 0.1), size_candidates_mm2=[], centreline_mm=None,
        centreline_px=[(float(x), 240.0) for x in range(60, 601, 20)], length_mm=measure(900.0, 2.0), ends=["h1", "t2"],
    )  # fmt: skip
    shell = [(20.0, 200.0), (60.0, 200.0), (60.0, 280.0), (20.0, 280.0)]
    return PhotoFindings(
        photo=PhotoInfo(name=photo.name, sha256=photo.sha256, width_px=640, height_px=480),
        usable=True, retake=[], scale=Scale(source="mat", mm_per_px=0.5, u95_rel=0.01),
        label=regions[0].label if regions else "sound", labels=[r.label for r in regions if r.label], probabilities={},
        unsure=False, candidates=[], novel=False, inspected_share=0.95, regions=list(regions), wires=[wire],
        terminations=[Termination(id="h1", kind="housing", position_mm=None, position_px=(60, 240), rings_px=[shell])],
        housings=[Housing(id="h1", rings_px=[shell], cracked=cracked, crack_length_mm=None,
                          missing_area_mm2=measure(0.0), displaced_terminals=0, cavities=4)],
        coverings=[], splices=list(splices), decision=None,
        model=ModelInfo(version="0", feature_version="0", trained_on="nothing"), missing=[],
    )  # fmt: skip


def bite(x=300.0):
    """A bite of 40 mm (80 px) whose near edge lies x mm from the terminal."""
    ring = [(300.0, 230.0), (380.0, 230.0), (380.0, 250.0), (300.0, 250.0)]
    return Region(
        id="r1", label="rodent", probabilities={}, unsure=False, candidates=[], novel=False, rings_px=[ring],
        rings_mm=None, length_mm=measure(40.0), area_mm2=None,
        wires_affected=Count(value=1, low=1, high=1, wire_ids=["w1"]),
        exposed_copper_mm=measure(20.0), to_termination_mm=measure(x), continues_under_covering=False, evidence=[],
    )  # fmt: skip


def sleeve(name, x_px, to_termination):
    """A repair sleeve on the wire."""
    ring = [(x_px, 230.0), (x_px + 30, 230.0), (x_px + 30, 250.0), (x_px, 250.0)]
    return Splice(
        id=name, wire_id="w1", position_mm=None, position_px=(x_px, 240.0), rings_px=[ring], origin="repair",
        to_termination_mm=measure(to_termination), to_next_splice_mm=measure(150.0),
    )  # fmt: skip


def decided(item):
    """The findings with the decision on them."""
    answers = Answers(circuit_class="none", fuse_found_a=10.0, fuse_rated_a=10.0, wire_size_mm2=1.0)
    return item.model_copy(update={"decision": decide([item], answers, load_rules())})


@pytest.fixture
def case(tmp_path):
    """An assessment of one bitten wire with its photograph, circuit list and bench notes beside it."""
    photo = drawn_photo(tmp_path / "before.jpg")
    one = decided(findings(photo, [bite()]))
    (tmp_path / "a.json").write_text(one.model_dump_json(by_alias=True) + "\n", "utf-8")
    (tmp_path / "list.csv").write_text(LIST, "utf-8")
    (tmp_path / "bench.toml").write_text(BENCH, "utf-8")
    return tmp_path


def pages(path):
    """The words of each page."""
    document = pypdfium2.PdfDocument(path)
    return [page.get_textpage().get_text_range() for page in document], document


@pytest.fixture(name="drawn_photo")
def _drawn_photo():
    return drawn_photo


@pytest.fixture(name="findings")
def _findings():
    return findings


@pytest.fixture(name="bite")
def _bite():
    return bite


@pytest.fixture(name="sleeve")
def _sleeve():
    return sleeve


@pytest.fixture(name="decided")
def _decided():
    return decided


@pytest.fixture(name="pages")
def _pages():
    return pages
