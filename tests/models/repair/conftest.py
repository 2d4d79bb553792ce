"""Builders of findings for the rules' tests: a plain photograph, and what lies on it."""

import hashlib
from types import SimpleNamespace

import pytest

from models.repair import Answers, decide, load_rules
from vision.findings import (
    Count,
    Evidence,
    Housing,
    Measure,
    ModelInfo,
    PhotoFindings,
    PhotoInfo,
    Region,
    Retake,
    Scale,
    Splice,
    Wire,
)

RULES = load_rules()


def m(value, u95=1.0, low_bound=False):
    """A measure."""
    return Measure(value=value, u95=u95, low_bound=low_bound)


def square(x, size=10.0):
    """One square ring at x on the upper edge, px."""
    return [[(x, 0.0), (x + size, 0.0), (x + size, size), (x, size)]]


def wires_of(*ids):
    """A certain count of named wires."""
    return Count(value=len(ids), low=len(ids), high=len(ids), wire_ids=list(ids))


def signs(**values):
    """Evidence from feature names and values."""
    return [Evidence(feature=name, value=value, unit="mm", says=name) for name, value in values.items()]


def region(label="abrasion", **fields):
    """Two wires chafed over 40 mm, 300 mm from the termination, no copper bare."""
    plain = dict(
        id="r1",
        label=label,
        probabilities={},
        unsure=False,
        candidates=[],
        novel=False,
        rings_px=square(0.0),
        rings_mm=None,
        length_mm=m(40.0),
        area_mm2=m(100.0),
        wires_affected=wires_of("w1", "w2"),
        exposed_copper_mm=m(0.0, 0.5),
        to_termination_mm=m(300.0),
        continues_under_covering=False,
        evidence=[],
    )
    return Region(**(plain | fields))


def wire(name, ends=(None, None), length_mm=None):
    """A red wire."""
    return Wire(
        id=name,
        colour="RD",
        diameter_mm=m(2.1, 0.1),
        size_candidates_mm2=[],
        centreline_mm=None,
        centreline_px=[(0.0, 0.0), (9.0, 0.0)],
        length_mm=length_mm,
        ends=list(ends),
    )


def splice(name="s1", **fields):
    """A repair joint on wire w1 that keeps every rule."""
    plain = dict(
        id=name,
        wire_id="w1",
        position_mm=None,
        position_px=(0.0, 0.0),
        rings_px=square(0.0),
        to_termination_mm=m(300.0),
        to_next_splice_mm=None,
        origin="repair",
    )
    return Splice(**(plain | fields))


def housing(name="h1", **fields):
    """A whole housing with its terminals in place."""
    plain = dict(
        id=name,
        rings_px=square(100.0),
        cracked=False,
        crack_length_mm=None,
        missing_area_mm2=m(0.0, 1.0),
        displaced_terminals=0,
    )
    return Housing(**(plain | fields))


def photo(*regions, name="a.jpg", **fields):
    """A well-seen photograph with these regions, labelled by the first."""
    label = regions[0].label if regions else "sound"
    plain = dict(
        photo=PhotoInfo(name=name, sha256=hashlib.sha256(name.encode()).hexdigest(), width_px=200, height_px=100),
        usable=True,
        retake=[],
        scale=Scale(source="mat", mm_per_px=0.1, u95_rel=0.01),
        label=label,
        labels=[],
        probabilities={},
        unsure=False,
        candidates=[],
        novel=False,
        inspected_share=0.9,
        regions=list(regions),
        wires=[],
        terminations=[],
        housings=[],
        coverings=[],
        splices=[],
        decision=None,
        model=ModelInfo(version="0", feature_version="0", trained_on="nothing"),
        missing=[],
    )
    return PhotoFindings(**(plain | fields))


def settled(**more):
    """Answers that close what no photograph can: harmless circuit, right fuse, no sleeve where nobody looked."""
    plain = dict(circuit_class="none", fuse_found_a=10.0, fuse_rated_a=10.0, wire_size_mm2=1.0)
    plain |= dict(further_splices="none")
    return Answers(**(plain | more))


def limits(rules=RULES, **sections):
    """Rules with some limits changed: `limits(wire_count={"max_wires": 3})`."""
    changed = {name: getattr(rules, name).model_copy(update=values) for name, values in sections.items()}
    return rules.model_copy(update=changed)


def decision(*photos, rules=RULES, **answers):
    """Decide with settled answers and these."""
    return decide(photos, settled(**answers), rules)


def verdict(found, rule):
    """One rule's verdict in a decision."""
    return next(result.verdict for result in found.rules if result.id == rule)


def says(found, rule):
    """One rule's words in a decision."""
    return next(result.says for result in found.rules if result.id == rule)


def steps(found):
    """The action codes of a decision, in order."""
    return [action.action for action in found.actions]


@pytest.fixture(scope="session")
def bench():
    """All builders under one name."""
    tools = (m, square, wires_of, signs, region, wire, splice, housing, photo, settled, limits, decision)
    named = {tool.__name__: tool for tool in (*tools, verdict, says, steps)}
    return SimpleNamespace(rules=RULES, retake=Retake, count=Count, **named)
