"""Files are written whole or not at all; photographs are gathered once each."""

import os

import pytest

from desk.errors import DeskError
from desk.files import check_writable, gather_photos, write_whole


def test_a_write_that_fails_leaves_the_old_file_and_no_other(tmp_path, monkeypatch):
    """The disk is full at the moment of replacing."""
    file = tmp_path / "report.html"
    file.write_text("old")

    def full(source, target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(file, "new")
    assert file.read_text() == "old"
    assert list(tmp_path.iterdir()) == [file]


def test_a_written_file_can_be_read_by_others(tmp_path):
    """Rights follow the umask, not the temporary file's."""
    before = os.umask(0o022)
    try:
        write_whole(tmp_path / "a.txt", "ä")
    finally:
        os.umask(before)
    assert (tmp_path / "a.txt").read_text("utf-8") == "ä"
    assert (tmp_path / "a.txt").stat().st_mode & 0o777 == 0o644


def test_checking_leaves_nothing_behind(tmp_path):
    """A place that can be written is as empty afterwards as before."""
    check_writable(tmp_path / "a.html", "--report")
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_place_of_a_folder_is_refused(tmp_path):
    """The option, the place and what to do."""
    (tmp_path / "file").write_text("")
    with pytest.raises(DeskError, match="--report: expected a folder that can be written"):
        check_writable(tmp_path / "file" / "a.html", "--report")


def test_a_photograph_named_twice_is_gathered_once(bench):
    """By its folder and by itself; other files of the folder are left alone."""
    found, mistakes = gather_photos([bench / "fused.jpg", bench])
    assert [path.name for path in found] == ["fused.jpg", "bitten.jpg", "whole.jpg"]
    assert mistakes == []
