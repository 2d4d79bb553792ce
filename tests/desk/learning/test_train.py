"""The end of a training: what is kept of it when its last, lesser steps are stopped or go wrong."""

from types import SimpleNamespace
from unittest.mock import Mock

import numpy as np
import pytest

from desk.errors import DeskError
from desk.learning import train
from desk.learning.learner import StopWork
from desk.learning.model_shelf import versions
from desk.learning.relearn import RelearnSettings
from desk.learning.shelf import Shelf
from models.damage.lessons import Lessons


def test_a_training_that_is_stopped_at_its_last_step_proposes_nothing(tmp_path, monkeypatch):
    """The model is there and its learning curve is being drawn: the page says stopped, so no model stands on it."""

    def stopped(_step, _done, _total):
        raise StopWork

    made = SimpleNamespace(model=SimpleNamespace(wires=SimpleNamespace(labels=())), lessons={"wires": None}, amiss=())
    monkeypatch.setattr(train, "relearn", lambda *_: made)
    monkeypatch.setattr(train, "learning_curve", lambda *_, on_step: on_step(1, 2))
    monkeypatch.setattr(train, "keep_model", lambda *_: pytest.fail("a stopped training put its model on the shelf"))
    with pytest.raises(StopWork):
        train.train_from_corrections(Shelf(tmp_path), None, RelearnSettings(), (), (), stopped)


@pytest.mark.parametrize("wrong", [ZeroDivisionError("division\nby zero"), MemoryError("no room"), DeskError("no law")])
def test_a_curve_that_cannot_be_drawn_takes_no_training_along(tmp_path, monkeypatch, caplog, tiny_model, wrong):
    """Hours of training, then any mistake in what only illustrates it: the model is on the shelf, one line says why.

    One of the program's own is in the log as an error, with where it happened.
    """
    x, labels, groups = np.zeros((2, 1), np.float32), np.array(["rodent", "sound"]), np.array(["a", "b"])
    lessons = {"wires": Lessons(("u",), x, labels, groups, np.ones(2))}
    made = SimpleNamespace(model=tiny_model(1), lessons=lessons, amiss=("lost",), doubts=(), examples=())
    monkeypatch.setattr(train, "relearn", lambda *_: made)
    monkeypatch.setattr(train, "learning_curve", Mock(side_effect=wrong))
    done = train.train_from_corrections(Shelf(tmp_path), None, RelearnSettings(), ())
    assert versions(Shelf(tmp_path)) == [done.version] == ["desk-0000000001"]
    logged = [(one.levelname, one.exc_info[1]) for one in caplog.records if one.name == train.log.name]
    assert logged == ([] if isinstance(wrong, DeskError) else [("ERROR", wrong)])
    assert done.amiss[0] == "lost" and len(done.amiss) == 2
    assert str(wrong).split("\n")[0] in done.amiss[1] and "\n" not in done.amiss[1]
