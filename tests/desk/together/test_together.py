"""The photographs of one assembly joined: distances across, damage seen twice, and the reason where they are not."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from desk.together import together
from models.repair import Answers, decide, load_rules
from vision.findings import PhotoFindings, Sheet


def _far_damage(made: object, rng: np.random.Generator, inside_mm: float) -> tuple[int, float, float] | None:
    """A wire, where along it, and how far from the nearest end: damage right of 130 mm, that end left of 115 mm."""
    for wire in made.harness.wires:  # type: ignore[attr-defined]
        spots = []
        for u in np.arange(30, wire.s[-1] - 30, 15.0):
            x = np.interp([u, u + 20], wire.s, wire.xyz[:, 0])
            near = 0 if u < wire.s[-1] - u - 20 else 1
            kinds = {end.kind for end in wire.ends}
            if x.min() < 130 or x.max() > 415 or kinds & {"open", "cut_end"} or wire.ends[near].xy[0] >= 115:
                continue
            way = u if near == 0 else wire.s[-1] - u - 20
            spots.append((wire.index, float(u), way - (inside_mm if wire.ends[near].kind == "housing" else 0.0)))
        if spots:
            return spots[int(rng.integers(len(spots)))]
    return None


def test_distances_to_a_termination_in_another_photograph_are_right(table: SimpleNamespace):
    """Generated assemblies, the damage in one photograph, its termination in the other: half within 1.5 mm, and within
    U95 in nine of ten or more (gross errors are wires that no photograph traced)."""
    misses, inside = [], []
    for seed in range(200, 290):
        rng = np.random.default_rng(seed)
        made = table.assembly(seed)
        chosen = _far_damage(made, rng, table.inside_mm)
        if chosen is None:
            continue
        wire, at, true = chosen
        first = table.photograph(made, "a.jpg", (0, 260), rng)
        second = table.photograph(made, "b.jpg", (120, 420), rng, damage=(wire, at, at + 20))
        measure = together([first, second])[1].regions[0].to_termination_mm
        if measure is not None:
            misses.append(abs(measure.value - true))
            inside.append(misses[-1] <= measure.u95)
    assert len(misses) >= 30
    assert np.median(misses) < 1.5
    assert np.mean(inside) >= 0.9


def _twice(table: SimpleNamespace, seed: int = 100, **changes: object) -> list[PhotoFindings]:
    """One bite seen by two photographs of an assembly that lay still."""
    rng = np.random.default_rng(seed)
    made = table.assembly(seed)
    wire = max(made.harness.wires, key=lambda w: w.length_mm)
    at = next(u for u in np.arange(20, wire.s[-1], 5.0) if 150 < np.interp(u, wire.s, wire.xyz[:, 0]) < 200)
    hurt = (wire.index, float(at), float(at + 20))
    first = table.photograph(made, "a.jpg", (0, 260), rng, damage=hurt)
    return [first, table.photograph(made, "b.jpg", (120, 420), rng, damage=hurt).model_copy(update=changes)]


def test_a_damage_seen_by_two_photographs_is_one_and_its_wire_counts_once(table: SimpleNamespace):
    """Each region names the other; the count of wires is 1, where two photographs not joined leave 1 to 2."""
    photos = _twice(table)
    joined = together(photos)
    assert [p.lay is not None for p in joined] == [True, True]
    assert [[(s.photo, s.id) for s in p.regions[0].seen_also] for p in joined] == [
        [(photos[1].photo.sha256, "r1")], [(photos[0].photo.sha256, "r1")]
    ]  # fmt: skip
    rules = load_rules(None)
    apart, once = (decide(p, Answers(circuit_class="none"), rules).wires_to_repair for p in (photos, joined))
    assert apart is not None and (apart.low, apart.high) == (1, 2)
    assert once is not None and (once.low, once.high) == (1, 1)


def test_damage_that_may_be_one_is_left_to_the_person_who_counts(table: SimpleNamespace):
    """Two faces: nothing is joined, and the question about the count names the pair."""
    rng = np.random.default_rng(4)
    made = table.assembly(104)
    wire = max(made.harness.wires, key=lambda w: w.length_mm)
    hurt = (wire.index, 60.0, 80.0)
    front = table.photograph(made, "front.jpg", (0, 420), rng, damage=hurt)
    back = table.photograph(made, "back.jpg", (0, 420), rng, table.Move(over=True), hurt)
    many = front.regions[0].wires_affected.model_copy(update={"low": 1, "value": 4, "high": 5})
    photos = [p.model_copy(update={"regions": [p.regions[0].model_copy(update={"wires_affected": many})]})
              for p in (front, back)]  # fmt: skip
    joined = together(photos)
    assert all(p.lay is None and not p.regions[0].seen_also for p in joined)
    assert all("moved or turned over" in next(m.reason for m in p.missing if m.field == "lay") for p in joined)
    asked = decide(joined, Answers(circuit_class="none"), load_rules(None)).open_questions
    assert any("one damage seen twice: back.jpg:r1 and front.jpg:r1" in q.changes for q in asked)


def test_photographs_on_sheets_that_no_photograph_links_stay_apart(table: SimpleNamespace):
    """Each says so; nothing else of it changes."""
    photos = _twice(table)
    other = photos[1].sheets[0].model_copy(update={"mat": "bench-a3-2"})
    photos[1] = photos[1].model_copy(update={"sheets": [other]})
    for before, after in zip(photos, together(photos), strict=True):
        assert after.model_copy(update={"missing": before.missing}) == before
        assert "no photograph shows sheet" in after.missing[-1].reason or "no other" in after.missing[-1].reason


def test_a_sheet_seen_beside_gives_both_photographs_one_frame(table: SimpleNamespace):
    """The second photograph's millimetres are those of another sheet, 300 mm further left: the same answer."""
    photos = _twice(table)
    plain = together(photos)

    def moved(ring: list) -> list:
        return [(x + 300.0, y) for x, y in ring]

    home = photos[1].sheets[0]
    camera = (home.camera_mm[0] + 300.0, *home.camera_mm[1:])
    own = home.model_copy(update={"mat": "bench-a3-2", "looked_at_mm": moved(home.looked_at_mm), "camera_mm": camera})
    beside = Sheet(mat="bench-a3-1", x_mm=300.0, covariance=[[0.01, 0, 0], [0, 0.01, 0], [0, 0, 1e-8]])
    wires = [w.model_copy(update={"centreline_mm": moved(w.centreline_mm)}) for w in photos[1].wires]
    ends = [t.model_copy(update={"position_mm": moved([t.position_mm])[0]}) for t in photos[1].terminations]
    regions = [r.model_copy(update={"rings_mm": [moved(ring) for ring in r.rings_mm]}) for r in photos[1].regions]
    photos[1] = photos[1].model_copy(
        update={"sheets": [own, beside], "wires": wires, "terminations": ends, "regions": regions}
    )
    joined = together(photos)
    assert joined[1].lay is not None and joined[1].lay.x_mm - joined[0].lay.x_mm == pytest.approx(-300.0, abs=0.01)
    assert joined[0].regions[0].seen_also and joined[1].regions[0].seen_also
    assert [p.lay.apart_mm for p in joined] == pytest.approx([p.lay.apart_mm for p in plain], abs=0.05)


def test_one_photograph_alone_stays_as_it_is(table: SimpleNamespace):
    """Nothing to join, nothing missing; the same photograph twice is one."""
    photo = _twice(table)[0]
    assert together([photo]) == [photo] and together([photo, photo]) == [photo, photo] and together([]) == []


def _bent_aside(photo: PhotoFindings, left_of_mm: float) -> PhotoFindings:
    """What lies left of a line swung aside, farther the farther left."""

    def bent(points: list) -> list:
        return [(x, y + 0.6 * max(0.0, left_of_mm - x)) for x, y in points]

    wires = [w.model_copy(update={"centreline_mm": bent(w.centreline_mm)}) for w in photo.wires]
    ends = [t.model_copy(update={"position_mm": bent([t.position_mm])[0]}) for t in photo.terminations]
    return photo.model_copy(update={"wires": wires, "terminations": ends})


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_photographs_that_show_it_moved_are_not_joined_over_a_third_that_saw_none_of_it(
    table: SimpleNamespace, order: tuple[int, ...]
):
    """A and C show the left half, which was swung aside between them; B shows the right half and goes with either."""
    rng = np.random.default_rng(5)
    made = table.assembly(100)
    a, b = table.photograph(made, "a.jpg", (0, 420), rng), table.photograph(made, "b.jpg", (180, 420), rng)
    c = _bent_aside(table.photograph(made, "c.jpg", (0, 420), rng), 180)
    for pair in ([a, b], [b, c]):
        assert all(p.lay is not None for p in together(pair))
    assert all(p.lay is None for p in together([a, c]))
    photos = [(a, b, c)[k] for k in order]
    joined = {p.photo.name: p for p in together(photos)}
    assert joined["b.jpg"].lay is not None
    left = [name for name in ("a.jpg", "c.jpg") if joined[name].lay is None]
    assert len(left) == 1
    why = next(m.reason for m in joined[left[0]].missing if m.field == "lay")
    assert "moved between" in why and "b.jpg: it lies as in this one" in why


def test_photographs_without_overlap_are_joined_over_a_third(table: SimpleNamespace):
    """A and C share nothing, B overlaps with both: one frame for all three."""
    rng = np.random.default_rng(6)
    for seed in range(100, 140):
        made = table.assembly(seed)
        photos = [table.photograph(made, f"{x}.jpg", w, rng) for x, w in
                  zip("abc", ((0, 200), (30, 390), (215, 420)), strict=True)]  # fmt: skip
        joined = [len([p for p in together(some) if p.lay]) for some in (photos[:2], photos[1:], photos[::2], photos)]
        if joined[:3] == [2, 2, 0]:
            assert joined[3] == 3
            return
    pytest.fail("no generated assembly was joined pair by pair")
