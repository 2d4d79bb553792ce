"""A model file comes back as it was, and is refused when it is not what its card says."""

import json
import pickle
from dataclasses import replace

import numpy as np
import pytest
import skops.io

from models.damage import store
from models.damage.card import CARD_FILE, CARD_HASH_FILE, MODEL_FILE, SHIPPED, ModelError, keep_card_hash, read_card
from models.damage.counts import fit_counts
from models.damage.finder import Finder, TwoPasses, balanced, new_pass, second_pass_input
from models.damage.gauges import fit_ending, fit_gauge
from models.damage.namer import booster, fit_namer, shell_forest
from models.damage.store import DamageModel, content_hash, load_model, save_model
from vision.findings import Count


def neighbourhood(values):
    """Stand-in neighbourhood of a single cell: the cell itself."""
    return values


def few_rounds(seed):
    """A namer's booster with a twentieth of its rounds."""
    return booster(seed).set_params(max_iter=10)


def few_trees(seed):
    """A namer's forest with few of its trees."""
    return shell_forest(seed).set_params(n_estimators=20)


def small_model(seed=0):
    """A model of two features and two classes."""
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(80, 2)).astype(np.float32)
    y = (x[:, 0] > 0).astype(int)
    first = new_pass((4,), seed, 3).fit(x, y)
    second = new_pass((4,), seed, 3).fit(second_pass_input(x, first.predict_proba(x), neighbourhood), y)
    groups = np.arange(80) // 4
    namer, _ = fit_namer(("a", "sound"), ("u", "v"), x, y, groups, seed, few_rounds)
    shells, _ = fit_namer(("a", "sound"), ("u", "v"), x, y, groups, seed, few_trees)
    finder = Finder(("wire", "ground"), ("u", "v"), (TwoPasses((first,), (second,)),))
    raw = rng.uniform(10, 90, 80)
    usual = np.ones(80, bool)
    measures = {"length_mm": fit_gauge(("u", "v"), x, raw, 1.1 * raw + x[:, 0], groups, usual, 5.0, seed)}
    ending = fit_ending(("u", "v"), x, y > 0, seed)
    card = {"version": "test", "feature_version": "0", "trained_on": "dots"}
    counts = fit_counts(("u", "v"), x, np.full(80, 3.0), rng.integers(1, 7, 80), groups, usual, usual, seed)
    return DamageModel(finder, namer, shells, measures, ending, card, counts=counts)


@pytest.fixture(scope="module")
def model():
    """One model for all."""
    return small_model()


def test_a_model_comes_back_with_the_same_answers(model, tmp_path):
    """Probabilities, names and measures survive the file."""
    save_model(model, tmp_path)
    back = load_model(tmp_path)
    x = np.random.default_rng(5).normal(size=(6, 2)).astype(np.float32)
    assert np.array_equal(back.finder.probabilities(x, neighbourhood), model.finder.probabilities(x, neighbourhood))
    assert back.wires.name(("u", "v"), x) == model.wires.name(("u", "v"), x)
    assert back.shells.name(("u", "v"), x) == model.shells.name(("u", "v"), x)
    assert back.measures["length_mm"].read(x[0], 40.0) == model.measures["length_mm"].read(x[0], 40.0)
    assert np.array_equal(back.ending.shares(x), model.ending.shares(x))
    three = Count(value=3, low=2, high=4, wire_ids=["w1"])
    assert back.counts.read(three, ("u", "v"), x[0], True) == model.counts.read(three, ("u", "v"), x[0], True)
    assert content_hash(back) == content_hash(model)


def test_a_model_of_before_wires_were_counted_by_a_gauge_is_read(model, tmp_path):
    """It hashes as it did, and counts as it was taught: by reckoning."""
    older = replace(model, counts=None)
    save_model(older, tmp_path)
    back = load_model(tmp_path)
    assert back.counts is None
    assert content_hash(back) == content_hash(older) != content_hash(model)
    assert "counts" not in store._plain(older)


def test_how_rare_damage_is_survives_the_file_and_older_models_keep_their_hash(model, tmp_path):
    """A namer without a shift hashes as before there were shifts."""
    shifted = replace(model, wires=replace(model.wires, sound_shift=0.7))
    save_model(shifted, tmp_path)
    assert load_model(tmp_path).wires.sound_shift == 0.7
    assert content_hash(shifted) != content_hash(model)
    assert "sound_shift" not in store._plain(model)["wires"]


def test_a_model_file_of_before_its_trees_were_laid_end_to_end_is_read(model, tmp_path, monkeypatch):
    """Shops keep their models for years."""
    with monkeypatch.context() as before:
        before.setattr(store, "_packed", lambda plain: plain)
        save_model(model, tmp_path)
    assert content_hash(load_model(tmp_path)) == content_hash(model)


def test_a_model_whose_namers_are_all_forests_is_read(model, tmp_path):
    """As they were before wires had a booster."""
    older = replace(model, wires=model.shells)
    save_model(older, tmp_path)
    x = np.random.default_rng(6).normal(size=(6, 2)).astype(np.float32)
    back = load_model(tmp_path)
    assert back.wires.name(("u", "v"), x) == model.shells.name(("u", "v"), x)
    assert content_hash(back) == content_hash(older)


def test_a_packed_tree_cut_short_is_refused(model, tmp_path, monkeypatch):
    """Nodes that are missing are no tree, even when the card's hash fits the file."""
    whole = store._packed

    def short(plain):
        packed = whole(plain)
        packed["wires"]["classifier"]["nodes"] = packed["wires"]["classifier"]["nodes"][:-1]
        return packed

    monkeypatch.setattr(store, "_packed", short)
    save_model(model, tmp_path)
    with pytest.raises(ModelError, match="cannot be put together"):
        load_model(tmp_path)


def test_the_same_seed_gives_the_same_hash_and_another_seed_another(model):
    """Training is repeatable."""
    assert content_hash(small_model()) == content_hash(model)
    assert content_hash(small_model(1)) != content_hash(model)


def test_one_changed_byte_is_refused(model, tmp_path):
    """The card's hash guards the file."""
    save_model(model, tmp_path)
    data = bytearray((tmp_path / MODEL_FILE).read_bytes())
    data[len(data) // 2] ^= 1
    (tmp_path / MODEL_FILE).write_bytes(bytes(data))
    with pytest.raises(ModelError, match="other bytes"):
        load_model(tmp_path)


def test_a_card_with_one_changed_byte_is_refused(model, tmp_path):
    """Wherever it lies: a figure, a name, a space; its own hash file altered or damaged is no way round."""
    save_model(model, tmp_path)
    path = tmp_path / CARD_FILE
    whole = path.read_bytes()
    assert read_card(tmp_path)["trained_on"] == "dots"
    for at in range(0, len(whole), 7):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
        with pytest.raises(ModelError, match=r"it was altered|bring both back") as error:
            load_model(tmp_path)
        assert "\n" not in str(error.value)
    path.write_bytes(whole)
    for wrong, said in (("{", "bring both back"), ("[1]", "damaged card_hash"), ('{"card_sha256": "0"}', "altered")):
        (tmp_path / CARD_HASH_FILE).write_text(wrong)
        with pytest.raises(ModelError, match=said):
            read_card(tmp_path)
    keep_card_hash(tmp_path)
    assert load_model(tmp_path).card["version"] == "test"


def test_the_shipped_card_and_one_from_before_hashes_were_kept_are_read():
    """The shipped model goes on loading, with or without a hash beside its card."""
    assert read_card(SHIPPED)["version"].startswith("samples-")


def test_a_file_with_a_foreign_type_is_refused(model, tmp_path):
    """A type outside the list is never built, even when the card matches the bytes."""
    save_model(model, tmp_path)
    data = skops.io.dumps({"finder": ForeignThing()})
    (tmp_path / MODEL_FILE).write_bytes(data)
    card = json.loads((tmp_path / CARD_FILE).read_text())
    card["file_sha256"] = store.hashlib.sha256(data).hexdigest()
    (tmp_path / CARD_FILE).write_text(json.dumps(card))
    keep_card_hash(tmp_path)
    with pytest.raises(ModelError, match="not allowed"):
        load_model(tmp_path)


def test_a_file_of_allowed_types_that_is_no_model_is_refused(model, tmp_path):
    """Hash and types are right, a part is missing: one line, no traceback, and a worker goes on with another model."""
    save_model(model, tmp_path)
    data = skops.io.dumps({"finder": {"classes": [], "features": [], "parts": []}})
    (tmp_path / MODEL_FILE).write_bytes(data)
    card = json.loads((tmp_path / CARD_FILE).read_text())
    card["file_sha256"] = store.hashlib.sha256(data).hexdigest()
    (tmp_path / CARD_FILE).write_text(json.dumps(card))
    keep_card_hash(tmp_path)
    with pytest.raises(ModelError, match="cannot be put together"):
        load_model(tmp_path)


class ForeignThing:
    """Something a model file has no business holding."""


def test_a_namer_that_reads_fewer_signs_than_it_names_is_refused(model, tmp_path):
    """As models of earlier versions did: they would break at the first photograph, not at loading."""
    shorter = replace(model, wires=replace(model.wires, feature_names=("u", "v", "w")))
    save_model(shorter, tmp_path)
    with pytest.raises(ModelError, match="reads 2 of its 3 features"):
        load_model(tmp_path)


def test_a_pickle_in_place_of_the_model_is_refused(model, tmp_path):
    """Nothing of it runs: its hash is not the card's; and with a card that matches, it is no model file."""
    save_model(model, tmp_path)
    data = pickle.dumps(Trap())
    (tmp_path / MODEL_FILE).write_bytes(data)
    with pytest.raises(ModelError, match="other bytes"):
        load_model(tmp_path)
    card = json.loads((tmp_path / CARD_FILE).read_text())
    card["file_sha256"] = store.hashlib.sha256(data).hexdigest()
    (tmp_path / CARD_FILE).write_text(json.dumps(card))
    keep_card_hash(tmp_path)
    with pytest.raises(ModelError, match="another kind"):
        load_model(tmp_path)
    assert not Trap.sprung


class Trap:
    """Runs code where somebody unpickles it."""

    sprung = False

    def __reduce__(self):
        return setattr, (Trap, "sprung", True)


def test_another_scikit_learn_is_refused(model, tmp_path):
    """The message names both versions."""
    save_model(model, tmp_path)
    card = json.loads((tmp_path / CARD_FILE).read_text())
    card["libraries"]["scikit-learn"] = "0.1.0"
    (tmp_path / CARD_FILE).write_text(json.dumps(card))
    keep_card_hash(tmp_path)
    with pytest.raises(ModelError, match=r"0\.1\.0"):
        load_model(tmp_path)


def test_a_missing_model_says_what_to_do(tmp_path):
    """The command that makes one is named."""
    with pytest.raises(ModelError, match="retrain"):
        load_model(tmp_path)


def test_balanced_rows_cap_the_common_and_repeat_the_rare():
    """At most 50 of a class, at least 20."""
    classes = np.array([0] * 500 + [1] * 5 + [2] * 30)
    counts = np.bincount(classes[balanced(classes, 50, 20, np.random.default_rng(0))])
    assert counts.tolist() == [50, 20, 30]
