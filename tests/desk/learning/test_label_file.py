"""The file of the shop's labels: what may be in it, names that are refused, a write that breaks off."""

import os
import tomllib

import pytest

from desk.errors import DeskError
from desk.learning.own_labels import LabelRefused, add_label, labels_shown
from desk.shop.desk import open_desk
from desk.shop.labels import LabelChange, OwnLabels, read_own, write_own


def test_the_file_holds_labels_and_who_changed_them_whatever_a_name_holds(tmp_path):
    """Written and read again by another reader, it is the same; a login may hold quotes, breaks and controls."""
    change = LabelChange("2031-02-03T10:00:00+00:00", 'o"b\\\n\x7fé', "added", "corrosion")
    own = OwnLabels(("corrosion", "fretting"), (change, change))
    write_own(tmp_path, own)
    assert read_own(tmp_path) == own
    told = tomllib.loads((tmp_path / "labels.toml").read_text("utf-8"))
    assert told["labels"] == ["corrosion", "fretting"] and told["changes"][1]["by"] == change.by
    assert [path.name for path in tmp_path.iterdir()] == ["labels.toml"]


@pytest.mark.parametrize(
    "changes",
    ["changes = 3", "changes = [3]", '[[changes]]\nat = "x"', '[[changes]]\nat = 1\nby = "a"\nwhat = "b"\nlabel = "c"'],
)
def test_changes_that_the_desk_did_not_write_are_refused(tmp_path, changes):
    """One line with what was expected."""
    (tmp_path / "labels.toml").write_text(f'labels = ["corrosion"]\n{changes}\n')
    with pytest.raises(DeskError, match="expected labels") as error:
        read_own(tmp_path)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("", "small letters"),
        ("ab", "small letters and _"),
        ("Green corrosion", "call it green_corrosion"),
        ("x" * 41, "rename it"),
        ("Rodent bites", "rename it"),
        ("Wire", "rename it"),
        ("a\nb", "small letters"),
        ("../etc", "small letters"),
        ("rodent", "which is there already"),
        ("wire", "which is there already"),
        ("unjudged", "which is there already"),
        ("corrosion", "which is there already"),
        ("rodent_bites", "reads like one the desk says already"),
        ("novel", "reads like one the desk says already"),
    ],
)
def test_a_bad_name_is_refused_in_one_line_and_changes_nothing(shop, name, reason):
    """Expected, got, what to do; the file stays byte for byte."""
    add_label(shop.desk, "analyst", "corrosion")
    before = (shop.desk.data / "labels.toml").read_bytes()
    with pytest.raises(LabelRefused, match=reason) as error:
        add_label(shop.desk, "analyst", name)
    assert str(error.value).startswith("expected") and "got" in str(error.value) and "\n" not in str(error.value)
    assert (shop.desk.data / "labels.toml").read_bytes() == before


def test_there_are_twenty_labels_at_most(shop):
    """The one after the twentieth is refused with what to do; the twenty stay readable."""
    names = [f"kind_{chr(97 + n)}" for n in range(20)]
    for name in names:
        add_label(shop.desk, "analyst", name)
    with pytest.raises(LabelRefused, match="20 labels"):
        add_label(shop.desk, "analyst", "one_more")
    assert read_own(shop.desk.data).labels == tuple(names)
    with shop.desk.database.read() as session:
        keys = [one.key for one in labels_shown(session, shop.desk).uses]
    assert keys == [8, 9, *[None] * 18]


def test_a_file_spoilt_while_the_desk_runs_keeps_nobody_from_working(shop):
    """The labels last read go on, the learning page says what is wrong; no desk starts on it; mended, it counts."""
    add_label(shop.desk, "analyst", "corrosion")
    assert shop.desk.labels[-1] == "corrosion"
    path = shop.desk.data / "labels.toml"
    path.write_text("labels = [")
    assert shop.desk.labels[-1] == "corrosion"
    shown = shop.browser("analyst").get("/learning")
    assert shown.status_code == 200 and "mend the file" in shown.text
    with pytest.raises(DeskError, match="mend the file"):
        add_label(shop.desk, "analyst", "fretting")
    with pytest.raises(DeskError, match="mend the file"):
        open_desk(shop.desk.data, shop.desk.database.url.render_as_string(hide_password=False))
    path.write_text('labels = ["fretting"]')
    assert shop.desk.labels[-1] == "fretting"


def test_a_write_that_breaks_off_leaves_the_old_labels(shop, monkeypatch):
    """Killed before the new file takes its place: the old one stands, nothing lies beside it."""
    add_label(shop.desk, "analyst", "corrosion")
    before = sorted(path.name for path in shop.desk.data.iterdir())

    def broken(*_):
        raise OSError("no power")

    monkeypatch.setattr(os, "replace", broken)
    with pytest.raises(OSError, match="no power"):
        add_label(shop.desk, "analyst", "fretting")
    assert read_own(shop.desk.data).labels == ("corrosion",)
    assert sorted(path.name for path in shop.desk.data.iterdir()) == before
