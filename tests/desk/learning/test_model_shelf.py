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
from desk.learning.comparison import Comparison
from desk.learning.fallback import who_answers_instead
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
from desk.learning.model_text import say_models
from desk.learning.shelf import Shelf
from desk.shop import worker
from models.damage.card import CARD_FILE, CARD_HASH_FILE, MODEL_FILE, SHIPPED, keep_card_hash
from models.damage.store import hashlib
from models.repair import load_rules
from vision.cells import FEATURE_VERSION
from vision.layout import builtin_layouts

ONE, TWO = "desk-0000000001", "desk-0000000002"
SHIPPED_CARD = json.loads((SHIPPED / CARD_FILE).read_text())


@pytest.fixture
def shelf(tmp_path, tiny_model):
    (tmp_path / "photos").mkdir()
    found = Shelf(tmp_path)
    for number in (1, 2):
        keep_model(found, tiny_model(number))
    return found


def nothing_against(version, used="shipped", lines=()):
    return Comparison(
        made_at="2031-01-01", proposed=version, in_use=used, sets=[], left_out=0, objections=list(lines),
        in_use_content=SHIPPED_CARD["content_sha256"],
    )  # fmt: skip


def test_promoted_rolled_back_and_remembered(shelf):
    """The shipped model is in use until somebody changes it; every change stays in the history."""
    assert in_use(shelf).version == "shipped" and folder_in_use(shelf.data) == SHIPPED
    model_shelf.keep_comparison(shelf, nothing_against(ONE))
    promote(shelf, ONE, "analyst")
    assert folder_in_use(shelf.data) == shelf.models / ONE
    model_shelf.keep_comparison(shelf, nothing_against(TWO, ONE))
    promote(shelf, TWO, "analyst")
    assert folders_in_turn(shelf.data) == [shelf.models / TWO, shelf.models / ONE, SHIPPED]
    rollback(shelf, "analyst", "it missed bites on white wires")
    assert in_use(shelf).version == ONE
    assert [c.what for c in in_use(shelf).changes] == ["promoted", "promoted", "rolled back"]
    assert in_use(shelf).changes[-1].reason == "it missed bites on white wires"


def test_not_without_a_comparison_with_the_model_in_use(shelf):
    """None, or one with a model that is no longer in use."""
    with pytest.raises(ModelRefused, match="a comparison with shipped, the model in use, got none"):
        promote(shelf, ONE, "analyst")
    model_shelf.keep_comparison(shelf, nothing_against(ONE))
    model_shelf.keep_comparison(shelf, nothing_against(TWO))
    promote(shelf, ONE, "analyst")
    with pytest.raises(ModelRefused, match="got one with shipped"):
        promote(shelf, TWO, "analyst")


@pytest.mark.parametrize("content", [None, "0" * 64])
def test_a_comparison_with_an_earlier_shipped_model_counts_no_more(shelf, content):
    """loomtriage brought another shipped model, which keeps the name: what the former was worse or better than says
    nothing of this one. The list says so, too."""
    told = nothing_against(ONE).model_copy(update={"in_use_content": content})
    model_shelf.keep_comparison(shelf, told)
    assert "compared with shipped then in use: nothing speaks" in say_models(shelf)
    with pytest.raises(ModelRefused, match="shipped, the model in use, got one with an earlier shipped: run"):
        promote(shelf, ONE, "analyst")
    model_shelf.keep_comparison(shelf, nothing_against(ONE))
    assert "compared with shipped: nothing speaks" in say_models(shelf)
    promote(shelf, ONE, "analyst")


def test_the_list_names_the_shipped_model_as_answers_do_and_says_who_cannot_answer(shelf):
    """A model of other features, or of another scikit-learn, is told by its card, before anybody tries it; it is not
    offered where another model may be asked. A model kept before that can answer is."""
    folder = shelf.models / TWO
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
        assert model_shelf.others_than(shelf, {"x"}).names == (ONE, "shipped")


def test_a_comparison_on_nothing_is_refused(shelf, made, drawn):
    """No scene, and the only photograph is not in the store: nothing would speak against any model."""
    region = drawn.region("rodent", 300, 60)
    lost = made.photo(
        "A-1", "a" * 64, drawn.truth("a.jpg", [region]), [made.place(region, "rodent", second="rodent")], True
    )
    with pytest.raises(DeskError, match="that can be read, got none"):
        compare_models(shelf, ONE, made.snapshot([lost]), load_rules(), builtin_layouts(), 0, 1)
    assert model_shelf.comparison_of(shelf, ONE) is None


def test_what_speaks_against_it_needs_a_written_reason(shelf):
    """Refused with what it is; a word is no reason; the reason stays on record."""
    model_shelf.keep_comparison(shelf, nothing_against(ONE, lines=["1 more unsafe route(s) on generated: x"]))
    for reason in ("", "ok"):
        with pytest.raises(ModelRefused, match=r"a written reason.*1 more unsafe route"):
            promote(shelf, ONE, "analyst", reason)
    assert in_use(shelf).version == "shipped"
    promote(shelf, ONE, "analyst", "that photograph shows a mat laid over the damage")
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
    model_shelf.keep_comparison(shelf, nothing_against(ONE))
    spoil(shelf.models / ONE)
    with pytest.raises(ModelRefused, match=reason) as error:
        promote(shelf, ONE, "analyst")
    assert "\n" not in str(error.value)
    assert folder_in_use(shelf.data) == SHIPPED


def test_names_that_lead_elsewhere_are_refused(shelf):
    """Only a version kept here is a model."""
    for name in ("../photos", "desk-0000000000", "", "shipped/.."):
        with pytest.raises(ModelRefused, match="expected a model of this desk"):
            model_shelf.folder_of(shelf, name)


def test_a_card_from_before_hashes_were_kept_gets_one_when_its_model_is_first_used(shelf):
    """Taken as it stands the first time; from then on an altered card is refused, on its page too."""
    folder = shelf.models / ONE
    (folder / CARD_HASH_FILE).unlink()
    model_shelf.keep_comparison(shelf, nothing_against(ONE))
    promote(shelf, ONE, "analyst")
    card_altered(folder)
    with pytest.raises(ModelRefused, match="it was altered"):
        model_shelf.card_of(shelf, ONE)


def test_rolling_back_again_goes_further_back_and_never_to_the_bad_one(shelf):
    """Shipped, one, two; two is bad: back to one, to shipped, and no further. Who stands in for whom follows."""
    for version, used in ((ONE, "shipped"), (TWO, ONE)):
        model_shelf.keep_comparison(shelf, nothing_against(version, used))
        promote(shelf, version, "analyst")
    rollback(shelf, "analyst", "two is bad")
    assert in_use(shelf).version == ONE
    assert folders_in_turn(shelf.data) == [shelf.models / ONE, SHIPPED], "the bad one stands in for nobody"
    rollback(shelf, "analyst", "one is bad too")
    assert in_use(shelf).version == "shipped"
    with pytest.raises(ModelRefused, match="got none"):
        rollback(shelf, "analyst", "and now?")
    model_shelf.keep_comparison(shelf, nothing_against(TWO))
    promote(shelf, TWO, "analyst")
    assert way_back(in_use(shelf)) == ["shipped"], "history before the way back is done with"


def test_a_history_in_which_rolling_back_twice_returned_to_the_bad_one_is_read(shelf):
    """Kept by an earlier version: one, two, back to one, back to two. From there the way leads to one and shipped."""
    steps = [("promoted", "one", "shipped"), ("promoted", "two", "one"), ("rolled back", "one", "two"),
             ("rolled back", "two", "one")]  # fmt: skip
    changes = [Change(at="2031", by="a", what=w, version=v, before=b, reason="") for w, v, b in steps]
    assert way_back(InUse(version="two", changes=tuple(changes))) == ["shipped", "one"]


def test_rolling_back_passes_over_a_model_that_cannot_answer_any_more(shelf):
    """Shipped, one, two; one was spoilt on disk: back to shipped, and the history says what was passed over and why."""
    for version, used in ((ONE, "shipped"), (TWO, ONE)):
        model_shelf.keep_comparison(shelf, nothing_against(version, used))
        promote(shelf, version, "analyst")
    altered(shelf.models / ONE)
    rollback(shelf, "analyst", "two is bad")
    assert in_use(shelf).version == "shipped"
    assert f"two is bad; passed over {ONE}" in in_use(shelf).changes[-1].reason


def test_a_kill_in_the_middle_leaves_the_old_or_the_new(shelf, monkeypatch):
    """A process that promotes and rolls back without end is killed at any moment, twenty times."""
    for one, other in ((ONE, "shipped"), (TWO, ONE)):
        model_shelf.keep_comparison(shelf, nothing_against(one, other))
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
        assert version in ("shipped", ONE)
        seen.add(folder_in_use(shelf.data))
        if version != "shipped":
            rollback(shelf, "a", "back")
    assert all(load(folder).card for folder in seen)


def switch_without_end(shelf):
    """Promote and roll back until killed."""
    while True:
        promote(shelf, ONE, "a")
        rollback(shelf, "a", "back")


def test_workers_take_up_a_promotion_and_go_on_where_a_model_was_spoilt(shelf, monkeypatch):
    """The folder that answers follows the choice; spoilt on disk, the one before it answers."""

    class Bench:
        data = shelf.data

    assert worker.answering_model(Bench) == SHIPPED
    model_shelf.keep_comparison(shelf, nothing_against(ONE))
    promote(shelf, ONE, "analyst")
    assert worker.answering_model(Bench) == shelf.models / ONE
    assert who_answers_instead(shelf, ONE) is None
    worker.assess.loaded_model.cache_clear()
    altered(shelf.models / ONE)
    assert worker.answering_model(Bench) == SHIPPED
    told = who_answers_instead(shelf, ONE)
    assert (told.answers, "other bytes" in told.why) == ("shipped", True)
    assert worker.answering_model(Bench) == SHIPPED and who_answers_instead(shelf, ONE) == told, "said once"
    model_shelf.rollback(shelf, "analyst", "its file is spoilt")
    assert who_answers_instead(shelf, "shipped") is None, "not in use any more, so nothing to say"
    assert worker.answering_model(Bench) == SHIPPED and who_answers_instead(shelf, ONE) is None


def test_commands_list_promote_and_roll_back(shelf, capsys):
    """One line for what is refused."""
    data = ["--data", str(shelf.data)]
    assert cli.run(["model", "promote", ONE, *data]) == 2
    assert "expected a comparison" in capsys.readouterr().err
    model_shelf.keep_comparison(shelf, nothing_against(ONE))
    assert cli.run(["model", "promote", ONE, *data]) == 0
    assert cli.run(["model", "list", *data]) == 0
    out = capsys.readouterr().out
    assert f"in use  {ONE}" in out and "promoted" in out
    assert cli.run(["model", "rollback", "--reason", "too early for it", *data]) == 0
    assert in_use(shelf).version == "shipped"


def test_a_kept_model_is_whole_and_never_changed(shelf, tiny_model):
    """Kept again under the same version, the first stays."""
    before = (shelf.models / ONE / MODEL_FILE).read_bytes()
    other = tiny_model(2)
    keep_model(shelf, replace(other, card=other.card | {"version": ONE}))
    assert (shelf.models / ONE / MODEL_FILE).read_bytes() == before
