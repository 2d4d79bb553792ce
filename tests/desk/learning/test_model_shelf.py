"""Models of a desk: proposed, compared, promoted, rolled back; never half, never one that cannot answer."""

import json
import random
import time
from dataclasses import replace
from multiprocessing import get_context

import numpy as np
import pytest
import skops.io

from desk import cli
from desk.errors import DeskError
from desk.learning import model_shelf
from desk.learning.compare import compare_models
from desk.learning.comparison import Answer, Comparison, Pair, compared
from desk.learning.model_shelf import (
    ModelRefused,
    folder_in_use,
    folders_in_turn,
    in_use,
    keep_model,
    promote,
    rollback,
)
from desk.learning.shelf import Shelf
from desk.shop import worker
from models.damage.finder import Finder, TwoPasses, new_pass, second_pass_input
from models.damage.gauges import fit_ending, fit_gauge
from models.damage.namer import fit_namer
from models.damage.store import CARD_FILE, MODEL_FILE, SHIPPED, DamageModel, hashlib
from models.repair import load_rules
from vision.cells import FEATURE_VERSION
from vision.layout import builtin_layouts


def tiny(seed):
    """A model of two features; it answers nothing useful, but it is whole."""
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(80, 2)).astype(np.float32)
    y = (x[:, 0] > 0).astype(int)
    first = new_pass((4,), seed, 3).fit(x, y)
    second = new_pass((4,), seed, 3).fit(second_pass_input(x, first.predict_proba(x), lambda v: v), y)
    namer, _ = fit_namer(("a", "sound"), ("u", "v"), x, y, np.arange(80) // 4, seed)
    finder = Finder(("wire", "ground"), ("u", "v"), (TwoPasses((first,), (second,)),))
    raw = rng.uniform(10, 90, 80)
    gauge = fit_gauge(("u", "v"), x, raw, 1.1 * raw, np.arange(80) // 4, np.ones(80, bool), 5.0, seed)
    card = {"version": f"desk-{seed:010x}", "feature_version": FEATURE_VERSION, "trained_on": "dots"}
    return DamageModel(finder, namer, namer, {"length_mm": gauge}, fit_ending(("u", "v"), x, y > 0, seed), card)


ONE, TWO = tiny(1), tiny(2)


@pytest.fixture
def shelf(tmp_path):
    (tmp_path / "photos").mkdir()
    found = Shelf(tmp_path)
    for model in (ONE, TWO):
        keep_model(found, model)
    return found


def nothing_against(version, used="shipped", lines=()):
    return Comparison(
        made_at="2031-01-01", proposed=version, in_use=used, sets=[], left_out=0, objections=list(lines)
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


class Trap:
    """A type that a model file has no business holding."""


@pytest.mark.parametrize(
    ("spoil", "reason"),
    [
        (altered, "other bytes"),
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
        rollback(shelf, "a", "b")


def test_workers_take_up_a_promotion_and_go_on_where_a_model_was_spoilt(shelf, monkeypatch):
    """The folder that answers follows the choice; spoilt on disk, the one before it answers."""

    class Bench:
        data = shelf.data

    assert worker.answering_model(Bench) == SHIPPED
    model_shelf.keep_comparison(shelf, nothing_against(ONE.version))
    promote(shelf, ONE.version, "analyst")
    assert worker.answering_model(Bench) == shelf.models / ONE.version
    worker.assess.model_in_use.cache_clear()
    altered(shelf.models / ONE.version)
    assert worker.answering_model(Bench) == SHIPPED


def answer(label, true, p=0.9, unsafe=False):
    return Answer(label, p, label == true, True, unsafe, ((true, label),), int(label == true), 0)


def pairs(n, mine, other, true="rodent", unsafe=0):
    """n photographs: the model in use answers `mine`, the proposed one `other`."""
    return [
        Pair("generated", f"p{k}", None, true, 1, answer(mine, true), answer(other, true, unsafe=k < unsafe))
        for k in range(n)
    ]  # fmt: skip


def test_the_comparison_says_what_falls_and_what_is_unsafe():
    """40 bites that the proposed model calls abrasion: the label falls as a whole; one more unsafe route."""
    found = compared(pairs(40, "rodent", "abrasion") + pairs(40, "rodent", "rodent", unsafe=1), "b", "a", "2031")
    (one,) = found.sets
    assert (one.only_in_use, one.only_proposed) == (40, 0) and one.p < 1e-6
    assert [label.falls for label in one.labels if label.label == "rodent"] == [True]
    assert len(found.objections) == 2 and "unsafe" in found.objections[0] and "rodent falls" in found.objections[1]
    assert one.in_use.macro_f1.value == 1.0 and len(one.differing) == 40


def test_one_photograph_that_got_worse_among_many_is_no_fall():
    """One of 60 is within what chance does; nothing speaks against it."""
    found = compared(pairs(59, "rodent", "rodent") + pairs(1, "rodent", "abrasion"), "b", "a", "2031")
    assert found.objections == []


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
