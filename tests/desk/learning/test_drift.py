"""What moved is named, chance is not, and the desk warns."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from desk.charts import bounds
from desk.errors import DeskError
from desk.learning.drift import Moved, Summary, _labels_p, holm, label_shares, once_each, weeks_against
from desk.learning.learner import look_once_a_day
from desk.learning.seen import baseline_of, drifted, keep_warning, kept_warning, light_of, looked_today, seen
from desk.learning.shelf import Shelf
from desk.learning.text import say_untold

MONDAY = date(2031, 3, 3)


def photographs(n, week=MONDAY, bright=70.0, labels=("rodent", "sound"), seed=0):
    rng = np.random.default_rng(seed)
    drawn = [{"brightness, L": bright + rng.normal(0, 4), "mm per px": 0.2 + rng.normal(0, 0.01)} for _ in range(n)]
    return [Summary(week, values, labels[k % len(labels)]) for k, values in enumerate(drawn)]


def test_the_value_that_moved_is_named_and_the_others_are_not():
    """A lamp was changed: light moves by two standard deviations, scale and labels do not."""
    later = MONDAY + timedelta(days=7)
    usual, dark = photographs(60), photographs(20, later, bright=62.0, seed=1)
    same, moved = weeks_against(usual, photographs(20, seed=2) + dark)[::-1]
    assert (same.photographs, same.assemblies, same.of_baseline) == (20, 20, 60)
    assert same.told and not same.warns
    assert [m.name for m in moved.moved] == ["brightness, L"] and moved.moved[0].shift_sd == pytest.approx(-2, abs=0.5)
    assert moved.warns and moved.week == later


def test_a_value_that_the_first_photograph_lacks_is_tested_all_the_same():
    """The first photograph of the baseline has no scale; the scale of the others moved all the same."""
    usual, later = photographs(60), photographs(20, seed=1)
    first = Summary(MONDAY, {"brightness, L": 70.0}, "sound")
    far = [Summary(s.week, s.values | {"mm per px": s.values["mm per px"] + 0.1}, s.label) for s in later]
    (week,) = weeks_against([first, *usual], far)
    assert [m.name for m in week.moved] == ["mm per px"]


def test_another_mix_of_labels_warns_and_few_photographs_tell_nothing():
    """All abrasion at once; and a week of three photographs."""
    (mixed,) = weeks_against(photographs(60), photographs(20, labels=("abrasion",), seed=3))
    assert mixed.labels_p < 0.01 and mixed.warns and not mixed.moved
    (few,) = weeks_against(photographs(60), photographs(3))
    assert not few.told and not few.warns


def test_equal_weeks_seldom_warn():
    """Of 200 weeks drawn like the baseline, at most a few in a hundred warn (1 % for values, 1 % for labels)."""
    usual = photographs(100, seed=4)
    warned = sum(weeks_against(usual, photographs(15, seed=100 + k))[0].warns for k in range(200))
    assert warned <= 8


@pytest.mark.parametrize(("right", "p"), [(3, 0.4857), (4, 0.0286)])
def test_a_mix_of_few_photographs_is_judged_exactly(right, p):
    """R. A. Fisher's cups of tea (The Design of Experiments, 1935): of four and four, three each named right is
    p = 0.486 (two-sided), four each 0.029; the chi-square distribution would say 0.16 and 0.005."""
    one, other = (
        [Summary(MONDAY, {}, label) for label in ["rodent"] * n + ["sound"] * (4 - n)] for n in (right, 4 - right)
    )
    assert _labels_p(one, other) == pytest.approx(p, abs=0.015)


def test_holm_of_a_worked_example():
    """p = 0.01, 0.04, 0.03, 0.005: corrected 0.03, 0.06, 0.06, 0.02 (by hand: 4, 3, 2, 1 times, never falling)."""
    got = holm([Moved("x", 0, 0, 0, p) for p in (0.01, 0.04, 0.03, 0.005)])
    assert [m.p for m in got] == pytest.approx([0.03, 0.06, 0.06, 0.02])


def test_light_of_a_grey_picture_is_its_own():
    """Mid grey of sRGB 119 has L* 50 and no cast (CIELAB of sRGB, IEC 61966-2-1); noise is sharper than none."""
    grey = np.full((300, 400, 3), 119, np.uint8)
    light = light_of(grey)
    assert light["brightness, L"] == pytest.approx(50, abs=0.5) and abs(light["cast red to green"]) < 0.5
    noisy = np.random.default_rng(0).integers(60, 180, (300, 400, 3)).astype(np.uint8)
    assert light_of(noisy)["sharpness"] > light["sharpness"] == 0.0


def test_photographs_of_the_desk_are_summed_up_by_week(shop, drawn, tmp_path):
    """From the records; the same photograph's light is measured once; one whose file is gone has no light."""
    shop.assessed(shop.opened("W-1"), "c" * 64, drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)]))
    with shop.desk.database.read() as session:
        found = seen(session, shop.desk.store, tmp_path / "light")
    (one,) = found.values()
    assert one.label == "rodent" and one.values["places found"] == 1.0 and one.week.weekday() == 0
    assert "brightness, L" not in one.values
    baseline, words = baseline_of(found, [])
    assert baseline == {"c" * 64} and "first photograph" in words


def test_the_queue_warns_of_what_moved(shop, tmp_path):
    """Once worked out it stands on the start page of reviewers and analysts, who alone may open the drift; a quiet week
    takes it away."""
    shelf = Shelf(shop.desk.data)
    later = MONDAY + timedelta(days=7)
    keep_warning(shelf, weeks_against(photographs(60), photographs(20, later, bright=60.0, seed=1)))
    assert "brightness, L" in shop.browser("analyst").get("/queue").text
    told = shop.browser("reviewer").get("/queue").text
    assert "brightness, L" in told and "tell the analyst" in told and "/learning/drift" not in told
    keep_warning(shelf, weeks_against(photographs(60), photographs(20, later, seed=2)))
    assert kept_warning(shelf) is None and "has moved" not in shop.browser("analyst").get("/queue").text


def test_the_learner_looks_once_a_day_and_measures_the_light(shop, drawn, tmp_path, monkeypatch):
    """Nothing assessed: nothing kept. Then once, with the light; not again before the next day; a damaged card of the
    model in use does not take the learner along."""
    assert not look_once_a_day(shop.desk) and not looked_today(Shelf(shop.desk.data))
    known = drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)])
    path = drawn.write_case(tmp_path, known)
    sha = drawn.sha(path)
    shop.assessed(shop.opened("W-1"), sha, known)
    target = shop.desk.store.path(sha, ".jpg")
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(path.read_bytes())
    assert look_once_a_day(shop.desk) and looked_today(Shelf(shop.desk.data))
    assert "is not measured" not in shop.browser("analyst").get("/learning/drift").text
    assert not look_once_a_day(shop.desk)
    tomorrow = datetime.now(UTC) + timedelta(days=1)
    monkeypatch.setattr("desk.learning.seen.now", lambda: tomorrow)
    assert look_once_a_day(shop.desk) and not look_once_a_day(shop.desk)
    monkeypatch.setattr("desk.learning.seen.now", lambda: tomorrow + timedelta(days=1))
    monkeypatch.setattr("desk.learning.seen.card_of", lambda *_: (_ for _ in ()).throw(DeskError("no card")))
    assert not look_once_a_day(shop.desk)


def test_a_week_is_never_held_against_itself():
    """The first photographs of a desk are what the others are held against: their week tells nothing of itself."""
    (week,) = weeks_against(photographs(30), [])
    assert not week.told and not week.warns and (week.photographs, week.of_baseline) == (0, 30)
    assert "held against this one" in say_untold(week)


def test_photographs_of_one_assembly_count_once():
    """Twelve photographs of three assemblies under one strange lamp are three cases, too few to tell; of twelve
    assemblies they are told, by the median of each and its commonest label."""
    usual = photographs(60)
    dark = [replace(s, assembly=f"A-{k % 3}") for k, s in enumerate(photographs(12, bright=50.0, seed=1))]
    (few,) = weeks_against(usual, dark)
    assert not few.told and (few.photographs, few.assemblies) == (12, 3)
    many = [replace(s, assembly=f"A-{k % 12}") for k, s in enumerate(photographs(36, bright=50.0, seed=1))]
    (told,) = weeks_against(usual, many)
    assert told.told and told.assemblies == 12 and [m.name for m in told.moved] == ["brightness, L"]
    three = [Summary(MONDAY, {"x": x}, label, "A-1") for x, label in ((1.0, "rodent"), (9.0, "sound"), (2.0, "rodent"))]
    assert once_each(three) == [Summary(MONDAY, {"x": 2.0}, "rodent", "A-1")]
    assert label_shares([*three, Summary(MONDAY, {}, "sound", "A-2")]) == {"rodent": 0.5, "sound": 0.5}


def test_assemblies_with_many_photographs_raise_no_false_alarm():
    """Of 100 equal weeks of ten assemblies with six photographs each, whose light differs between assemblies alone, few
    warn; taken photograph by photograph many would (pseudoreplication, Hurlbert 1984, from memory)."""
    rng = np.random.default_rng(7)

    def week_of(n):
        lamps = rng.normal(70, 4, n).tolist()
        return [Summary(MONDAY, {"light": lamp}, "sound", f"A-{k}") for k, lamp in enumerate(lamps) for _ in range(6)]

    usual = week_of(20)
    weeks = [week_of(10) for _ in range(100)]
    singly = [[replace(s, assembly="") for s in week] for week in weeks]
    bare = [replace(s, assembly="") for s in usual]
    assert sum(weeks_against(usual, week)[0].warns for week in weeks) <= 5
    assert sum(weeks_against(bare, week)[0].warns for week in singly) > 8


def test_what_moved_is_drawn_beside_what_is_usual(shop, monkeypatch):
    """A dark week between two usual ones: one chart of the brightness with three weeks, the dark one starred; its
    numbers are the medians; bars of the labels where their mix is another; drawn without inline style."""
    weeks = [MONDAY + timedelta(days=7 * k) for k in range(4)]
    found = {f"{k}": s for k, s in enumerate(photographs(60))}
    late = photographs(20, weeks[1], seed=1) + photographs(20, weeks[2], 62.0, ("abrasion",), 2)
    found |= {f"late {k}": s for k, s in enumerate(late + photographs(20, weeks[3], seed=3))}
    (track,) = drifted(Shelf(shop.desk.data), found).tracks
    assert [p.week for p in track.points] == weeks[1:] and [p.moved for p in track.points] == [False, True, False]
    dark = [s.values["brightness, L"] for s in late[20:]]
    assert track.points[1].median == pytest.approx(np.median(dark))
    assert track.usual == pytest.approx(np.median([s.values["brightness, L"] for s in photographs(60)]))
    monkeypatch.setattr("desk.learning.page_values.seen", lambda *_, **__: found)
    shown = shop.browser("analyst").get("/learning/drift").text
    assert shown.count('class="chart"') == 1 and "03-17 *</text>" in shown and "03-10</text>" in shown
    assert 'class="chart bars"' in shown and "abrasion, week" in shown and "style=" not in shown
    told = shop.browser("analyst").get("/api/v1/learning/drift").json()
    assert told["tracks"][0]["name"] == "brightness, L" and told["weeks"][-1]["of_baseline"] == 60


def test_charts_begin_where_their_values_do():
    """Round bounds four steps apart around any values: 61.3 to 70 lie in 60 to 76; equal and negative ones too."""
    assert bounds([61.3, 70.0]) == (60, 76)
    for values in ([5.0, 5.0], [-3.2, 4.1], [0.001, 0.0013], [99.9, 100.1]):
        least, top = bounds(values)
        assert least <= min(values) and max(values) <= top and top > least
