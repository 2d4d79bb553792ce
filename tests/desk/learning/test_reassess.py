"""Another model's answer beside the one on record; nothing is put on record."""

import shutil

import pytest
from sqlalchemy import func, select

from desk.learning.model_text import say_reassessed
from desk.learning.reassess import would_answer
from desk.records import tables
from desk.records.errors import NotFound
from desk.truth_findings import findings_from_truth
from models.damage.card import SHIPPED


def test_what_would_change_is_shown_and_nothing_is_kept(shop, drawn, tmp_path, monkeypatch):
    """The model on record said bites; the other one says abrasion: the route changes, the rows do not."""
    known = drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)])
    path = drawn.write_case(tmp_path, known)
    sha = drawn.sha(path)
    shop.assessed(shop.opened("Z-1"), sha, known)
    target = shop.desk.store.path(sha, ".jpg")
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy(path, target)
    other = findings_from_truth(drawn.truth("a.jpg", [drawn.region("abrasion", 300, 60)]), sha)
    asked = []
    monkeypatch.setattr("desk.assess.assess_photo", lambda p, settings: asked.append(settings.model) or other)
    with shop.desk.database.read() as session:
        found = would_answer(session, shop.desk, SHIPPED, "z-1")
        assert session.scalar(select(func.count()).select_from(tables.Assessment)) == 1
    assert asked == [SHIPPED] and found.photos[0].differs
    assert found.photos[0].now == ("rodent bites",) and found.photos[0].would == ("abrasion",)
    assert "would be: abrasion" in say_reassessed(found)
    with shop.desk.database.read() as session, pytest.raises(NotFound, match="check the shop order"):
        would_answer(session, shop.desk, SHIPPED, "nowhere")
