"""The review as a whole: entries in order, the decision taken anew, originals untouched, and its laws."""

import math

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from desk.review.by_place import by_place
from desk.review.edits import EditError
from desk.review.reviewed import fits, known_places, reviewed
from models.repair import Answers, decide, load_rules, route_rank
from vision.findings import LABELS, Housing, Scale

RULES = load_rules()
NONE = Answers(circuit_class="none")
SHA = "aaaa1111"
quick = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def on(region, kind, **more):
    return {"kind": kind, "photo": SHA, "region": region, **more}


def test_without_entries_nothing_changes(seen, drawn):
    """The review of nothing is the first decision."""
    photo = seen(drawn.region("rodent", 300, 60))
    found = reviewed([photo], [], NONE, RULES)
    assert found.photos == [photo] and found.before == found.after == decide([photo], NONE, RULES)
    assert found.changes == [] and not found.decided.any


@quick
@given(label=st.sampled_from([name for name in LABELS if name != "sound"]), x=st.integers(60, 500))
def test_confirming_changes_nothing_but_the_confirmation(seen, drawn, entry, label, x):
    """Whatever the region is, findings and decision stay; that somebody judged it is kept."""
    photo = seen(drawn.region(label, x, 60))
    found = reviewed([photo], [entry(1, **on("r0", "confirm"))], NONE, RULES)
    assert found.photos == [photo] and found.after == found.before and found.changes == []
    assert found.judged == [f"{SHA}:r0"]


def test_an_unsure_region_cannot_be_confirmed_but_named(seen, drawn, entry):
    """Confirming two labels at once says nothing; naming one settles it and leaves the model's words alone."""
    photo = seen(drawn.region("rodent", 300, 60))
    unsure = photo.regions[0].model_copy(update={"unsure": True, "candidates": ["rodent", "abrasion"]})
    photo = photo.model_copy(update={"regions": [unsure]})
    with pytest.raises(EditError, match="name its label"):
        fits([photo], [], NONE, RULES, entry(1, **on("r0", "confirm")))
    found = reviewed([photo], [entry(1, **on("r0", "relabel", label="abrasion"))], NONE, RULES)
    region = found.photos[0].regions[0]
    assert (region.label, region.unsure, region.candidates) == ("abrasion", False, [])
    assert region.probabilities == unsure.probabilities and found.photos[0].label == "abrasion"
    assert {(c.field, c.before, c.after) for c in found.changes if c.region} == {
        ("label", "rodent", "abrasion"), ("unsure", True, False)
    }  # fmt: skip


def test_edits_apply_in_their_order_whatever_order_they_come_in(seen, drawn, entry):
    """The last label stands, and each change keeps what was before it."""
    photo = seen(drawn.region("rodent", 300, 60))
    course = [entry(1, **on("r0", "relabel", label="abrasion")), entry(2, **on("r0", "relabel", label="external_heat"))]
    forth, back = reviewed([photo], course, NONE, RULES), reviewed([photo], course[::-1], NONE, RULES)
    assert forth == back and forth.photos[0].regions[0].label == "external_heat"
    assert [(c.before, c.after) for c in forth.changes if c.field == "label" and c.region] == [
        ("rodent", "abrasion"), ("abrasion", "external_heat")
    ]  # fmt: skip


def test_a_redrawn_outline_changes_measures_rule_and_plan_of_route(seen, drawn, entry):
    """A repair sleeve 200 mm off is lawful; drawn 100 mm from the housing it breaks the distance: 152.4 mm."""
    photo = seen(drawn.region("earlier_repair", 440, 60), splices=[drawn.sleeve(440, 200.0)])
    near = on("r0", "redraw", rings_px=[drawn.box(240, 234, 60, 12)])
    found = reviewed([photo], [entry(1, **near)], NONE, RULES)
    assert found.photos[0].splices[0].to_termination_mm.value == pytest.approx(100.0, abs=0.01)
    changed = {rule.id: (rule.before, rule.after) for rule in found.decided.rules}
    assert changed["termination-distance"] == ("met", "violated")
    assert found.decided.route == ("undecided", "repair_in_vehicle")  # before, further sleeves were to be looked for
    assert found.originals == [photo] and photo.splices[0].to_termination_mm.value == 200.0


def test_what_was_taken_back_no_longer_counts_and_what_stood_on_it_is_set_aside(seen, drawn, entry):
    """The added region is withdrawn; the label given to it stays on record with its reason."""
    photo = seen(drawn.region("rodent", 300, 60))
    course = [
        entry(1, **on("a1", "add", label="abrasion", rings_px=[drawn.box(200, 234, 40, 12)])),
        entry(2, **on("a1", "relabel", label="external_heat")),
        entry(3, kind="withdraw", entry=1),
    ]
    found = reviewed([photo], course, NONE, RULES)
    assert found.photos == [photo] and [item.entry for item in found.set_aside] == [2]
    assert "expected one of its regions (r0)" in found.set_aside[0].reason


def test_a_split_gives_two_regions_that_are_measured_apart(seen, drawn, entry):
    """60 px cut at 20 px: 10 mm and 20 mm; each at its own distance from the housing."""
    photo = seen(drawn.region("rodent", 300, 60))
    edit = on("r0", "split", into="r0b", line_px=[(320, 0), (320, 480)])
    regions = {r.id: r for r in reviewed([photo], [entry(1, **edit)], NONE, RULES).photos[0].regions}
    assert {r.length_mm.value for r in regions.values()} == {10.0, 20.0}
    assert {r.to_termination_mm.value for r in regions.values()} == {130.0, 140.0}
    assert {r.label for r in regions.values()} == {"rodent"}


def test_a_line_beside_the_region_is_refused(seen, drawn, entry):
    """Nothing is cut in two by it."""
    photo = seen(drawn.region("rodent", 300, 60))
    edit = entry(1, **on("r0", "split", into="r0b", line_px=[(100, 0), (100, 480)]))
    with pytest.raises(EditError, match="cuts the region in two"):
        fits([photo], [], NONE, RULES, edit)


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (on("r9", "delete"), "expected one of its regions"),
        (on("r0", "redraw", rings_px=[[(0, 0), (90, 90), (90, 0), (0, 60)]]), "does not cross itself"),
        (on("r0", "redraw", rings_px=[[(0, 0), (9, 0), (5, 0)]]), "without area"),
        (on("r0", "add", label="rodent", rings_px=[[(0, 0), (9, 0), (9, 9)]]), "a new name"),
        (on("h0", "add", label="rodent", rings_px=[[(0, 0), (9, 0), (9, 9)]]), "a new name"),
        (on("a1", "add", label="sound", rings_px=[[(0, 0), (9, 0), (9, 9)]]), "a damage label"),
        ({"kind": "withdraw", "entry": 7}, "an entry of this assembly"),
        ({"kind": "settle", "entry": 7, "keep": True}, "an entry of this assembly"),
        ({"kind": "answer", "answers": {"copper": {"r7": "bare"}}}, "r7"),
        ({"kind": "answer", "answers": {"wire_size_mm2": 900.0}}, "a wire of at most 240 mm², got 900"),
        ({"kind": "answer", "answers": {"housing_state": {"r0": "sound"}}}, "housing_state.r0: expected one of"),
        ({"kind": "confirm", "photo": "bbbb"}, "a photograph of this assembly"),
    ],
)
def test_an_edit_that_does_not_fit_is_refused_in_one_line(seen, drawn, entry, edit, said):
    """Expected, got, what to do."""
    photo = seen(drawn.region("rodent", 300, 60))
    with pytest.raises(EditError, match=said) as caught:
        fits([photo], [], NONE, RULES, entry(1, **edit))
    assert "\n" not in str(caught.value)


def test_of_several_answers_on_record_only_the_one_that_would_be_refused_today_is_set_aside(seen, drawn, entry):
    """A size from before there was a bound, copper of a housing: all else counts, the reasons are said."""
    shell = Housing(
        id="h1", rings_px=[drawn.box(10, 220, 30, 40)], cracked=None, crack_length_mm=None, missing_area_mm2=None,
        displaced_terminals=None,
    )  # fmt: skip
    photo = seen(drawn.region("rodent", 300, 60), housings=[shell])
    old = {
        "wire_size_mm2": 900.0,
        "fuse_found_a": 10.0,
        "copper": {"r0": "bare", "h1": "bare"},
        "labels": {"h1": "rodent"},
    }
    found = reviewed([photo], [entry(1, kind="answer", answers=old), entry(2, **on("r0", "confirm"))], NONE, RULES)
    assert [(one.entry, one.words) for one in found.set_aside] == [(1, "set aside in part")]
    assert all(said in found.set_aside[0].reason for said in ("240 mm²", "copper.h1: expected", "labels.h1: expected"))
    assert (found.answers.wire_size_mm2, found.answers.fuse_found_a) == (None, 10.0)
    assert found.answers.copper == {"r0": "bare"} and list(found.judged)


def test_an_answer_whose_every_word_is_wrong_is_set_aside_whole_and_takes_nothing_away(seen, drawn, entry):
    """Copper of a place that is none, after copper was answered for the whole assembly."""
    photo = seen(drawn.region("rodent", 300, 60))
    first = entry(1, kind="answer", answers={"copper": "covered"})
    found = reviewed([photo], [first, entry(2, kind="answer", answers={"copper": {"r7": "bare"}})], NONE, RULES)
    assert [(one.entry, one.words) for one in found.set_aside] == [(2, "set aside")]
    assert found.answers.copper == "covered"


def test_a_new_answer_of_which_a_part_does_not_fit_is_refused_whole(seen, drawn, entry):
    """Whoever is still there can mend it; nothing is kept by halves."""
    photo = seen(drawn.region("rodent", 300, 60))
    new = entry(1, kind="answer", answers={"fuse_found_a": 10.0, "copper": {"r7": "bare"}})
    with pytest.raises(EditError, match=r"copper\.r7: expected one of r0"):
        fits([photo], [], NONE, RULES, new)


def test_answers_go_on_after_a_place_that_was_answered_about_is_taken_away(seen, drawn, entry):
    """The copper of a false find was looked at first: the fuse is still heard."""
    photo = seen(drawn.region("rodent", 300, 60))
    course = [entry(1, kind="answer", answers={"copper": {"r0": "bare"}}), entry(2, **on("r0", "delete"))]
    found = fits([photo], course, NONE, RULES, entry(3, kind="answer", answers={"fuse_found_a": 10.0}))
    assert (found.answers.fuse_found_a, found.answers.copper, found.set_aside) == (10.0, {}, [])


def test_an_answer_stands_for_what_it_was_about_and_nothing_else(seen, drawn):
    """A name that is now a housing's alone keeps no answer about copper."""
    photo = seen(drawn.region("rodent", 300, 60))
    shell = Housing(
        id="h0", rings_px=[drawn.box(10, 220, 30, 40)], cracked=None, crack_length_mm=None, missing_area_mm2=None,
        displaced_terminals=None,
    )  # fmt: skip
    photo = photo.model_copy(update={"housings": [shell]})
    answers = Answers(copper={"r0": "bare", "h0": "bare"}, housing_state={"h0": "sound", "r0": "sound"})
    kept = known_places(answers, [photo])
    assert (kept.copper, kept.housing_state) == ({"r0": "bare"}, {"h0": "sound"})


def test_an_answer_about_one_place_leaves_the_others_what_was_said_of_all(seen, drawn, entry):
    """Copper covered everywhere, then damaged at r0: r1 stays covered; the sleeve r2 was never answered about."""
    worn, sleeved = drawn.region("abrasion", 320, 40, "r1"), drawn.region("earlier_repair", 440, 60, "r2")
    photo = seen(drawn.region("rodent", 200, 40), worn, sleeved)
    said = [
        entry(1, kind="answer", answers={"copper": "covered"}),
        entry(2, kind="answer", answers={"copper": {"r0": "damaged"}}),
    ]
    found = reviewed([photo], said, NONE, RULES)
    assert found.answers.copper == {"r0": "damaged", "r1": "covered"} and found.set_aside == []
    renamed = entry(3, **on("r1", "relabel", label="earlier_repair"))
    assert reviewed([photo], [*said, renamed], NONE, RULES).answers.copper == {"r0": "damaged"}
    over = entry(3, kind="answer", answers={"copper": "bare"})
    assert reviewed([photo], [*said, over], NONE, RULES).answers.copper == "bare"


def test_wires_in_doubt_that_part_elsewhere_are_not_taken_for_parted(seen, drawn):
    """`parts` for all never spoke against what an unsure place shows; `tears`, and a flex test, count everywhere."""
    photo = seen(drawn.region("external_heat", 200, 40), drawn.region("external_heat", 400, 40, "r1"))
    doubt = photo.regions[1].model_copy(update={"unsure": True, "candidates": ["external_heat", "abrasion"]})
    photo = photo.model_copy(update={"regions": [photo.regions[0], doubt]})
    for value, spelt in (("parts", {"r0": "parts"}), ("tears", {"r0": "tears", "r1": "tears"})):
        given = Answers(parts_by_hand=value, flex_test="cracks", wire_count=2)
        found = by_place(given, ["parts_by_hand", "flex_test"], [photo], RULES)
        assert found.parts_by_hand == spelt and found.flex_test == {"r0": "cracks", "r1": "cracks"}
        assert found.wire_count == 2 and by_place(given, [], [photo], RULES) is given


def test_a_false_find_taken_away_leaves_the_look_over_to_a_person(seen, drawn, entry):
    """No region is left, but no photograph is called sound by deleting; the bench's look closes it."""
    photo = seen(drawn.region("rodent", 300, 60))
    gone = entry(1, **on("r0", "delete"))
    found = reviewed([photo], [gone], NONE, RULES)
    assert found.photos[0].regions == [] and found.after.route == "undecided"
    looked = entry(2, kind="answer", answers={"looked_over": "nothing_more"})
    assert reviewed([photo], [gone, looked], NONE, RULES).after.route == "return_to_service"


def test_a_housing_called_whole_by_the_reviewer_is_no_longer_replaced(seen, drawn, entry):
    """Sound: whole. Deleted: not known, and asked."""
    shell = Housing(
        id="h1", rings_px=[drawn.box(10, 220, 30, 40)], cracked=True, crack_length_mm=None, missing_area_mm2=None,
        displaced_terminals=0,
    )  # fmt: skip
    photo = seen(drawn.region("connector", 15, 20), housings=[shell])
    assert decide([photo], NONE, RULES).route == "repair_in_vehicle"
    whole = reviewed([photo], [entry(1, **on("r0", "relabel", label="sound"))], NONE, RULES)
    assert whole.photos[0].housings[0].cracked is False
    gone = reviewed([photo], [entry(1, **on("r0", "delete"))], NONE, RULES)
    assert gone.photos[0].housings[0].cracked is None
    assert any("shell" in question.ask for question in gone.after.open_questions)


def test_a_typed_distance_has_the_rulers_doubt_and_stands_until_the_outline_moves(seen, drawn, entry):
    """151 mm off a ruler of 1 mm: violated against 152.4 no more than cannot tell says; a new outline measures anew."""
    photo = seen(drawn.region("earlier_repair", 440, 60), splices=[drawn.sleeve(440, 200.0)])
    typed = entry(1, **on("r0", "typed", field="to_termination_mm", value=120.0))
    found = reviewed([photo], [typed], NONE, RULES)
    measure = found.photos[0].splices[0].to_termination_mm
    assert (measure.value, measure.u95) == (120.0, RULES.termination_distance.ruler_u95_mm)
    assert found.after.route == "repair_in_vehicle"
    answered = entry(1, kind="answer", answers={"distances_mm": {"r0": 120.0}})
    redraw = entry(2, **on("r0", "redraw", rings_px=[drawn.box(460, 234, 60, 12)]))
    again = reviewed([photo], [answered, redraw], NONE, RULES)
    assert again.answers.distances_mm == {} and again.after.route == "undecided"
    told = entry(3, kind="answer", answers={"further_splices": "none"})
    assert reviewed([photo], [answered, redraw, told], NONE, RULES).after.route == "return_to_service"


def test_a_reference_length_gives_what_had_no_scale(seen, drawn, entry):
    """A 60 px region, and 100 mm shown by 200 px: 30 mm, 130 mm from the housing; a mat's scale is never replaced."""
    photo = seen(drawn.region("rodent", 300, 60), scale=Scale(source="none"))
    bare = {"length_mm": None, "area_mm2": None, "to_termination_mm": None, "rings_mm": None}
    photo = photo.model_copy(update={"regions": [photo.regions[0].model_copy(update=bare)]})
    clicks = {"kind": "reference", "photo": SHA, "from_px": (50, 50), "to_px": (250, 50), "length_mm": 100.0}
    region = reviewed([photo], [entry(1, **clicks)], NONE, RULES).photos[0].regions[0]
    assert region.length_mm.value == pytest.approx(30.0) and region.to_termination_mm.value == pytest.approx(130.0)
    assert region.length_mm.u95 > 30 * 0.02
    matted = photo.model_copy(update={"scale": Scale(source="mat", mm_per_px=0.5, u95_rel=0.001)})
    with pytest.raises(EditError, match="without a mat"):
        fits([matted], [], NONE, RULES, entry(1, **clicks))


def test_answers_about_several_photographs_go_by_their_names(seen, drawn, entry):
    """Two photographs with a region r0 each; one is answered, and both decisions know which."""
    photos = [
        seen(drawn.region("external_heat", 300, 60), name="a.jpg"),
        seen(drawn.region("external_heat", 300, 60), name="b.jpg", sha="bbbb2222"),
    ]
    first = entry(1, kind="answer", answers={"flex_test": {"a.jpg:r0": "cracks"}})
    second = entry(2, kind="answer", answers={"flex_test": {"b.jpg:r0": "no_cracks"}})
    found = reviewed(photos, [first, second], NONE, RULES)
    assert found.answers.flex_test == {"a.jpg:r0": "cracks", "b.jpg:r0": "no_cracks"}
    back = reviewed(photos, [first, second, entry(3, kind="withdraw", entry=1)], NONE, RULES)
    assert back.answers.flex_test == {"b.jpg:r0": "no_cracks"}


@quick
@given(
    known=st.sampled_from([name for name in LABELS if name != "sound"]),
    more=st.sampled_from([name for name in LABELS if name != "sound"]),
    x=st.integers(60, 480), x2=st.integers(45, 560), width=st.integers(6, 60), y=st.sampled_from([100, 234]),
)  # fmt: skip
def test_more_damage_added_never_makes_the_worst_route_milder(seen, drawn, entry, known, more, x, x2, width, y):
    """Any damage beside any damage, on the wire or off it."""
    photo = seen(drawn.region(known, x, 60))
    added = on("a1", "add", label=more, rings_px=[drawn.box(x2, y, width, 12)])
    found = reviewed([photo], [entry(1, **added)], NONE, RULES)
    assert found.set_aside == []
    assert route_rank(found.after.route_worst) >= route_rank(found.before.route_worst)


@quick
@given(
    label=st.sampled_from([name for name in LABELS if name != "sound"]),
    x=st.integers(60, 480), by=st.floats(1.0, 3.0), turn=st.floats(0, 0.2), corners=st.integers(0, 3),
)  # fmt: skip
def test_an_outline_made_larger_never_makes_the_worst_route_milder(seen, drawn, entry, label, x, by, turn, corners):
    """The old outline blown up about its middle, with corners added: it contains the old one."""
    photo = seen(drawn.region(label, x, 60), splices=[drawn.sleeve(x, 160.0)] if label == "earlier_repair" else ())
    middle_x, middle_y = x + 30, 240
    ring = [
        (middle_x + by * 1.5 * (px - middle_x), middle_y + by * 1.5 * (py - middle_y))
        for px, py in drawn.box(x, 234, 60, 12)
    ]
    for i in range(corners):  # points on the edges, pushed outwards
        (ax, ay), (bx, by_) = ring[i], ring[(i + 1) % len(ring)]
        ring.insert(i + 1, ((ax + bx) / 2 + math.copysign(turn, ax - middle_x), (ay + by_) / 2))
    redraw = on("r0", "redraw", rings_px=[[(max(0, a), max(0, b)) for a, b in ring]])
    found = reviewed([photo], [entry(1, **redraw)], NONE, RULES)
    assert route_rank(found.after.route_worst) >= route_rank(found.before.route_worst)
