"""Models of a desk: proposed, compared, promoted, rolled back; never half, never one that cannot answer."""

import json
import random
import time
from dataclasses import replace
from multiprocessing import get_context

import numpy as np
import pytest
import scipy.stats
import skops.io

from desk import cli
from desk.errors import DeskError
from desk.learning import model_shelf
from desk.learning.compare import compare_models, fresh_scenes
from desk.learning.comparison import Answer, Comparison, Pair, compared
from desk.learning.fallback import who_answers_instead
from desk.learning.generated import FIRST_SEED
from desk.learning.model_shelf import (
    Change,
    InUse,
    ModelRefused,
    folder_in_use,
    folders_in_turn,
    in_use,
    keep_model,
    promote,
    rollback,
    way_back,
)
from desk.learning.model_text import say_comparison, say_models
from desk.learning.seeds import FRESH_SEED, reserve, taught_seeds, used_seeds
from desk.learning.shelf import Shelf
from desk.shop import worker
from models.damage.card import CARD_FILE, CARD_HASH_FILE, MODEL_FILE, SHIPPED, keep_card_hash
from models.damage.finder import Finder, TwoPasses, new_pass, second_pass_input
from models.damage.gauges import fit_ending, fit_gauge
from models.damage.namer import booster, fit_namer
from models.damage.store import DamageModel, hashlib
from models.repair import load_rules
from vision.cells import FEATURE_VERSION
from vision.layout import builtin_layouts


def few_rounds(seed):
    """The namer's booster with a twentieth of its rounds."""
    return booster(seed).set_params(max_iter=10)


def tiny(seed):
    """A model of two features; it answers nothing useful, but it is whole."""
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(80, 2)).astype(np.float32)
    y = (x[:, 0] > 0).astype(int)
    first = new_pass((4,), seed, 3).fit(x, y)
    second = new_pass((4,), seed, 3).fit(second_pass_input(x, first.predict_proba(x), lambda v: v), y)
    groups = np.arange(80) // 4
    namer, _ = fit_namer(("a", "sound"), ("u", "v"), x, y, groups, seed, few_rounds)
    finder = Finder(("wire", "ground"), ("u", "v"), (TwoPasses((first,), (second,)),))
    raw = rng.uniform(10, 90, 80)
    gauge = fit_gauge(("u", "v"), x, raw, 1.1 * raw, groups, np.ones(80, bool), 5.0, seed)
    card = {"version": f"desk-{seed:010x}", "feature_version": FEATURE_VERSION, "trained_on": "dots"}
    return DamageModel(finder, namer, namer, {"length_mm": gauge}, fit_ending(("u", "v"), x, y > 0, seed), card)


ONE, TWO = tiny(1), tiny(2)
SHIPPED_CARD = json.loads((SHIPPED / CARD_FILE).read_text())


@pytest.fixture
def shelf(tmp_path):
    (tmp_path / "photos").mkdir()
    found = Shelf(tmp_path)
    for model in (ONE, TWO):
        keep_model(found, model)
    return found


def nothing_against(version, used="shipped", lines=()):
    return Comparison(
        made_at="2031-01-01", proposed=version, in_use=used, sets=[], left_out=0, objections=list(lines),
        in_use_content=SHIPPED_CARD["content_sha256"],
    )  # fmt: skip


def test_promoted_rolled_back_and_remembered(shelf):
    """The shipped model is in use until somebody changes it; every change stays in the history."""
    assert in_use(shelf).version == "shipped" and folder_in_use(shelf.data) == SHIPPED
    model_shelf.keep_comparison(shelf, nothing_against(ONE.version))
    promote(shelf, ONE.version, "analyst")
    assert folder_in_use(shelf.data) == shelf.models / ONE.version
    model_shelf.keep_comparison(shelf, nothing_against(TWO.version, ONE.version))
    promote(shelf, TWO.version, "analyst")
    assert folders_in_turn(shelf.data) == [shelf.models / TWO.version, shelf.models / ONE.version, SHIPPED]
    rollback(shelf, "analyst", "it missed bites on white wires")
    assert in_use(shelf).version == ONE.version
    assert [c.what for c in in_use(shelf).changes] == ["promoted", "promoted", "rolled back"]
    assert in_use(shelf).changes[-1].reason == "it missed bites on white wires"


def test_not_without_a_comparison_with_the_model_in_use(shelf):
    """None, or one with a model that is no longer in use."""
    with pytest.raises(ModelRefused, match="a comparison with shipped, the model in use, got none"):
        promote(shelf, ONE.version, "analyst")
    model_shelf.keep_comparison(shelf, nothing_against(ONE.version))
    model_shelf.keep_comparison(shelf, nothing_against(TWO.version))
    promote(shelf, ONE.version, "analyst")
    with pytest.raises(ModelRefused, match="got one with shipped"):
        promote(shelf, TWO.version, "analyst")


@pytest.mark.parametrize("content", [None, "0" * 64])
def test_a_comparison_with_an_earlier_shipped_model_counts_no_more(shelf, content):
    """loomtriage brought another shipped model, which keeps the name: what the former was worse or better than says
    nothing of this one. The list says so, too."""
    told = nothing_against(ONE.version).model_copy(update={"in_use_content": content})
    model_shelf.keep_comparison(shelf, told)
    assert "compared with shipped then in use: nothing speaks" in say_models(shelf)
    with pytest.raises(ModelRefused, match="shipped, the model in use, got one with an earlier shipped: run"):
        promote(shelf, ONE.version, "analyst")
    model_shelf.keep_comparison(shelf, nothing_against(ONE.version))
    assert "compared with shipped: nothing speaks" in say_models(shelf)
    promote(shelf, ONE.version, "analyst")


def test_the_list_names_the_shipped_model_as_answers_do_and_says_who_cannot_answer(shelf):
    """A model of other features, or of another scikit-learn, is told by its card, before anybody tries it; it is not
    offered where another model may be asked. A model kept before that can answer is."""
    folder = shelf.models / TWO.version
    card = json.loads((folder / CARD_FILE).read_text())
    for change, why in (
        ({"feature_version": "3"}, f"expected a model of feature version {FEATURE_VERSION}, got 3: train it again"),
        ({"libraries": {"scikit-learn": "0.9"}}, "trained with scikit-learn 0.9"),
    ):
        (folder / CARD_FILE).write_text(json.dumps(card | change))
        keep_card_hash(folder)
        shipped, one, two = say_models(shelf).splitlines()
        assert f"shipped ({SHIPPED_CARD['version']})" in shipped and "cannot" not in shipped + one
        assert f"cannot answer: {why}" in two or why in two
        assert model_shelf.others_than(shelf, {"x"}).names == (ONE.version, "shipped")


def test_a_comparison_on_nothing_is_refused(shelf, made, drawn):
    """No scene, and the only photograph is not in the store: nothing would speak against any model."""
    region = drawn.region("rodent", 300, 60)
    lost = made.photo(
        "A-1", "a" * 64, drawn.truth("a.jpg", [region]), [made.place(region, "rodent", second="rodent")], True
    )
    with pytest.raises(DeskError, match="that can be read, got none"):
        compare_models(shelf, ONE.version, made.snapshot([lost]), load_rules(), builtin_layouts(), 0, 1)
    assert model_shelf.comparison_of(shelf, ONE.version) is None


def test_what_speaks_against_it_needs_a_written_reason(shelf):
    """Refused with what it is; a word is no reason; the reason stays on record."""
    model_shelf.keep_comparison(shelf, nothing_against(ONE.version, lines=["1 more unsafe route(s) on generated: x"]))
    for reason in ("", "ok"):
        with pytest.raises(ModelRefused, match=r"a written reason.*1 more unsafe route"):
            promote(shelf, ONE.version, "analyst", reason)
    assert in_use(shelf).version == "shipped"
    promote(shelf, ONE.version, "analyst", "that photograph shows a mat laid over the damage")
    assert in_use(shelf).changes[-1].reason.startswith("that photograph")


def altered(folder):
    data = bytearray((folder / MODEL_FILE).read_bytes())
    data[len(data) // 2] ^= 1
    (folder / MODEL_FILE).write_bytes(bytes(data))


def foreign(folder):
    data = skops.io.dumps({"finder": np.random.Generator(np.random.PCG64(1)), "trap": Trap()})
    (folder / MODEL_FILE).write_bytes(data)
    told(folder, file_sha256=hashlib.sha256(data).hexdigest())


def told(folder, **changes):
    card = json.loads((folder / CARD_FILE).read_text())
    (folder / CARD_FILE).write_text(json.dumps(card | changes))
    keep_card_hash(folder)


def card_altered(folder):
    """One figure of the card."""
    text = (folder / CARD_FILE).read_text()
    (folder / CARD_FILE).write_text(text.replace('"dots"', '"dote"'))


class Trap:
    """A type that a model file has no business holding."""


@pytest.mark.parametrize(
    ("spoil", "reason"),
    [
        (altered, "other bytes"),
        (card_altered, "expected the card that was kept with the model .* it was altered"),
        (foreign, "types that are not allowed"),
        (lambda f: told(f, feature_version="1"), f"feature version {FEATURE_VERSION}, got 1"),
        (lambda f: told(f, libraries={"scikit-learn": "0.1"}), "scikit-learn 0.1"),
    ],
)
def test_a_model_that_cannot_answer_here_is_refused_and_the_one_in_use_goes_on(shelf, spoil, reason):
    """One byte altered; a type that could execute code; other features; another scikit-learn."""
    model_shelf.keep_comparison(shelf, nothing_against(ONE.version))
    spoil(shelf.models / ONE.version)
    with pytest.raises(ModelRefused, match=reason) as error:
        promote(shelf, ONE.version, "analyst")
    assert "\n" not in str(error.value)
    assert folder_in_use(shelf.data) == SHIPPED


def test_names_that_lead_elsewhere_are_refused(shelf):
    """Only a version kept here is a model."""
    for name in ("../photos", "desk-0000000000", "", "shipped/.."):
        with pytest.raises(ModelRefused, match="expected a model of this desk"):
            model_shelf.folder_of(shelf, name)


def test_a_card_from_before_hashes_were_kept_gets_one_when_its_model_is_first_used(shelf):
    """Taken as it stands the first time; from then on an altered card is refused, on its page too."""
    folder = shelf.models / ONE.version
    (folder / CARD_HASH_FILE).unlink()
    model_shelf.keep_comparison(shelf, nothing_against(ONE.version))
    promote(shelf, ONE.version, "analyst")
    card_altered(folder)
    with pytest.raises(ModelRefused, match="it was altered"):
        model_shelf.card_of(shelf, ONE.version)


def test_rolling_back_again_goes_further_back_and_never_to_the_bad_one(shelf):
    """Shipped, one, two; two is bad: back to one, to shipped, and no further. Who stands in for whom follows."""
    for version, used in ((ONE.version, "shipped"), (TWO.version, ONE.version)):
        model_shelf.keep_comparison(shelf, nothing_against(version, used))
        promote(shelf, version, "analyst")
    rollback(shelf, "analyst", "two is bad")
    assert in_use(shelf).version == ONE.version
    assert folders_in_turn(shelf.data) == [shelf.models / ONE.version, SHIPPED], "the bad one stands in for nobody"
    rollback(shelf, "analyst", "one is bad too")
    assert in_use(shelf).version == "shipped"
    with pytest.raises(ModelRefused, match="got none"):
        rollback(shelf, "analyst", "and now?")
    model_shelf.keep_comparison(shelf, nothing_against(TWO.version))
    promote(shelf, TWO.version, "analyst")
    assert way_back(in_use(shelf)) == ["shipped"], "history before the way back is done with"


def test_a_history_in_which_rolling_back_twice_returned_to_the_bad_one_is_read(shelf):
    """Kept by an earlier version: one, two, back to one, back to two. From there the way leads to one and shipped."""
    steps = [("promoted", "one", "shipped"), ("promoted", "two", "one"), ("rolled back", "one", "two"),
             ("rolled back", "two", "one")]  # fmt: skip
    changes = [Change(at="2031", by="a", what=w, version=v, before=b, reason="") for w, v, b in steps]
    assert way_back(InUse(version="two", changes=tuple(changes))) == ["shipped", "one"]


def test_rolling_back_passes_over_a_model_that_cannot_answer_any_more(shelf):
    """Shipped, one, two; one was spoilt on disk: back to shipped, and the history says what was passed over and why."""
    for version, used in ((ONE.version, "shipped"), (TWO.version, ONE.version)):
        model_shelf.keep_comparison(shelf, nothing_against(version, used))
        promote(shelf, version, "analyst")
    altered(shelf.models / ONE.version)
    rollback(shelf, "analyst", "two is bad")
    assert in_use(shelf).version == "shipped"
    assert f"two is bad; passed over {ONE.version}" in in_use(shelf).changes[-1].reason


def test_a_kill_in_the_middle_leaves_the_old_or_the_new(shelf, monkeypatch):
    """A process that promotes and rolls back without end is killed at any moment, twenty times."""
    for one, other in ((ONE, "shipped"), (TWO, ONE.version)):
        model_shelf.keep_comparison(shelf, nothing_against(one.version, other))
    random.seed(5)
    seen, load = set(), model_shelf.usable_model
    # loading is not what is killed here: it would take all the time
    monkeypatch.setattr(model_shelf, "usable_model", lambda folder: None)
    for _ in range(20):
        process = get_context("fork").Process(target=switch_without_end, args=(shelf,))
        process.start()
        time.sleep(random.uniform(0.01, 0.06))
        process.kill()
        process.join()
        version = in_use(shelf).version
        assert version in ("shipped", ONE.version)
        seen.add(folder_in_use(shelf.data))
        if version != "shipped":
            rollback(shelf, "a", "back")
    assert all(load(folder).card for folder in seen)


def switch_without_end(shelf):
    """Promote and roll back until killed."""
    while True:
        promote(shelf, ONE.version, "a")
        rollback(shelf, "a", "back")


def test_workers_take_up_a_promotion_and_go_on_where_a_model_was_spoilt(shelf, monkeypatch):
    """The folder that answers follows the choice; spoilt on disk, the one before it answers."""

    class Bench:
        data = shelf.data

    assert worker.answering_model(Bench) == SHIPPED
    model_shelf.keep_comparison(shelf, nothing_against(ONE.version))
    promote(shelf, ONE.version, "analyst")
    assert worker.answering_model(Bench) == shelf.models / ONE.version
    assert who_answers_instead(shelf, ONE.version) is None
    worker.assess.loaded_model.cache_clear()
    altered(shelf.models / ONE.version)
    assert worker.answering_model(Bench) == SHIPPED
    told = who_answers_instead(shelf, ONE.version)
    assert (told.answers, "other bytes" in told.why) == ("shipped", True)
    assert worker.answering_model(Bench) == SHIPPED and who_answers_instead(shelf, ONE.version) == told, "said once"
    model_shelf.rollback(shelf, "analyst", "its file is spoilt")
    assert who_answers_instead(shelf, "shipped") is None, "not in use any more, so nothing to say"
    assert worker.answering_model(Bench) == SHIPPED and who_answers_instead(shelf, ONE.version) is None


def answer(label, true, p=0.9, unsafe=False):
    return Answer(label, p, label == true, True, unsafe, ((true, label),), int(label == true), 0)


def pairs(n, mine, other, true="rodent", unsafe=0, name="generated"):
    """n photographs: the model in use answers `mine`, the proposed one `other`."""
    return [
        Pair(name, f"p{k}", None, true, 1, answer(mine, true), answer(other, true, unsafe=k < unsafe))
        for k in range(n)
    ]  # fmt: skip


def test_the_comparison_says_what_falls_and_what_is_unsafe():
    """40 bites that the proposed model calls abrasion: the label falls as a whole; one more unsafe route."""
    found = compared(pairs(40, "rodent", "abrasion") + pairs(40, "rodent", "rodent", unsafe=1), "b", "a", "2031")
    (one,) = found.sets
    assert (one.only_in_use, one.only_proposed) == (40, 0) and one.p < 1e-6
    assert [label.falls for label in one.labels if label.label == "rodent"] == [True]
    assert "unsafe" in found.objections[0] and "rodent falls" in found.objections[1]
    assert one.in_use.macro_f1.value == 1.0 and len(one.differing) == 40


def test_one_photograph_that_got_worse_among_many_is_no_fall():
    """One of 60 is within what chance does; nothing speaks against it."""
    shown = pairs(59, "rodent", "rodent") + pairs(1, "rodent", "abrasion")
    found = compared([*shown, *pairs(20, "rodent", "rodent", name="second opinions")], "b", "a", "2031")
    assert found.objections == []


def falsely(before, after, name="generated"):
    """Photographs with so many false finds of the model in use and of the proposed one."""
    said = answer("rodent", "rodent")
    return [
        Pair(name, f"f{k}", None, "rodent", 1, replace(said, false=a), replace(said, false=b))
        for k, (a, b) in enumerate(zip(before, after, strict=True))
    ]


def more_false(before, after):
    """What speaks against a model with such false finds, of that alone."""
    found = compared(falsely(before, after), "b", "a", "2031")
    return [text for text in found.objections if "false finds" in text], found


def test_false_finds_that_rise_on_photograph_after_photograph_speak_against_it():
    """10 to 16 on 48 photographs: where six get one more and none fewer, the rise is more than its interval; where
    twelve get one more and six fewer, it is what chance does. Reference: SciPy's own paired bootstrap."""
    before = [1] * 10 + [0] * 38
    risen, found = more_false(before, [1] * 16 + [0] * 32)
    change = found.sets[0].false_change
    own = scipy.stats.bootstrap(
        ([0] * 42 + [1] * 6,), np.mean, method="percentile", n_resamples=20_000, random_state=np.random.default_rng(1)
    ).confidence_interval  # fmt: skip
    assert change.value == pytest.approx(6 / 48) and (change.low, change.high) == pytest.approx(tuple(own), abs=0.022)
    assert risen == [
        f"more false finds on generated: 10 to 16 on 48 photographs, change at least {change.low:.2f} per photograph"
    ]
    assert f"change 0.12 ({change.low:.2f} to {change.high:.2f}): more" in say_comparison(found)
    chance, found = more_false(before, [0] * 6 + [1] * 4 + [1] * 12 + [0] * 26)
    assert found.sets[0].proposed.false_regions == 16 and found.sets[0].false_change.low < 0 and not chance
    assert not more_false([1] * 16 + [0] * 32, before)[0], "fewer are none against it"


def test_four_photographs_are_too_few_to_tell_that_false_finds_rise():
    """One more on each: on five photographs it is told, on four it is not."""
    assert more_false([0] * 5, [1] * 5)[0]
    none, found = more_false([0] * 4, [1] * 4)
    assert not none and "too few photographs to tell" in say_comparison(found)


def test_a_comparison_on_too_little_speaks_against_putting_it_into_use():
    """41 scenes and 19 places of this shop: both are named with what is asked for; with one more of each neither is."""
    for scenes, reviewed, count in ((41, 19, 2), (42, 19, 1), (41, 20, 1), (42, 20, 0)):
        shown = pairs(scenes, "rodent", "rodent") + pairs(reviewed, "rodent", "rodent", name="kept out")
        assert len(compared(shown, "b", "a", "2031").objections) == count
    said = compared(pairs(3, "rodent", "rodent"), "b", "a", "2031").objections
    assert "only 3 fresh scenes: at least 42" in said[0] and "only 0 places on photographs of this shop" in said[1]


def test_scenes_of_a_comparison_are_used_once_and_never_those_of_a_training(shelf):
    """48 scenes of eight kinds use six seeds; the next comparison goes on after them; a model that learnt from there
    is stepped over; what was reserved stays used when the comparison breaks off."""
    assert reserve(shelf, 48, "a", []) == FRESH_SEED
    assert reserve(shelf, 7, "b", []) == FRESH_SEED + 6
    taught = {"seeds": [FRESH_SEED + 5, FRESH_SEED + 15]}
    assert reserve(shelf, 16, "c", [taught]) == FRESH_SEED + 15
    assert [(u.by, u.first, u.count) for u in used_seeds(shelf)] == [
        ("a", FRESH_SEED, 6), ("b", FRESH_SEED + 6, 1), ("c", FRESH_SEED + 15, 2),
    ]  # fmt: skip
    names = {(case.scene.scenario, case.scene.seed) for case in fresh_scenes(48, FRESH_SEED)}
    assert len(names) == 48 and {seed for _, seed in names} == set(range(FRESH_SEED, FRESH_SEED + 6))
    corrected = {"snapshot": "0" * 12, "settings": {"seed": 0, "scenes": 96}}
    assert taught_seeds(corrected) == (FIRST_SEED, FIRST_SEED + 12)
    (shelf.data / "learning" / "seeds.json").write_text("[1]")
    with pytest.raises(DeskError, match="damaged file"):
        reserve(shelf, 7, "d", [])


def test_commands_list_promote_and_roll_back(shelf, capsys):
    """One line for what is refused."""
    data = ["--data", str(shelf.data)]
    assert cli.run(["model", "promote", ONE.version, *data]) == 2
    assert "expected a comparison" in capsys.readouterr().err
    model_shelf.keep_comparison(shelf, nothing_against(ONE.version))
    assert cli.run(["model", "promote", ONE.version, *data]) == 0
    assert cli.run(["model", "list", *data]) == 0
    out = capsys.readouterr().out
    assert f"in use  {ONE.version}" in out and "promoted" in out
    assert cli.run(["model", "rollback", "--reason", "too early for it", *data]) == 0
    assert in_use(shelf).version == "shipped"


def test_a_kept_model_is_whole_and_never_changed(shelf):
    """Kept again under the same version, the first stays."""
    before = (shelf.models / ONE.version / MODEL_FILE).read_bytes()
    keep_model(shelf, replace(TWO, card=TWO.card | {"version": ONE.version}))
    assert (shelf.models / ONE.version / MODEL_FILE).read_bytes() == before


def test_a_fall_that_no_single_label_tells_is_told_over_all():
    """Seven photographs that the model in use alone names right, none that the proposed one does: exact two-sided p is
    2 * 0.5 ** 7 = 0.0156, and that speaks against it though no label has five places. Three to one is chance."""
    names = ["rodent", "abrasion", "external_heat", "connector", "electrical_overload", "earlier_repair", "sound"]

    def pair(k, true, first, second):
        said = [Answer(label, 0.9, label == true, True, False, ((true, label),), 1, 0) for label in (first, second)]
        return Pair("generated", f"p{k}", None, true, 1, *said)

    worse = [pair(k, name, name, names[(k + 1) % 7]) for k, name in enumerate(names)]
    found = compared(worse, "b", "a", "2031")
    assert found.sets[0].p == pytest.approx(2 * 0.5**7)
    assert not any(label.falls for label in found.sets[0].labels)
    assert "fewer photographs named right on generated: 7 by the model in use alone, 0" in found.objections[0]
    better = [pair(k, p.true, p.proposed.label, p.true) for k, p in enumerate(worse)]
    assert not any("fewer photographs" in line for line in compared(better, "b", "a", "2031").objections)
    assert not any(
        "fewer photographs" in line for line in compared([*worse[:3], *better[:1]], "b", "a", "2031").objections
    )
