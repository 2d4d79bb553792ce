"""The intermediate pictures of one photograph: all written, readable by themselves, true to scale."""

from __future__ import annotations

import re

import cv2
import numpy as np
import pytest

from desk import cli
from desk.inspection_frame import Key, Ramp, framed, hatched, heat_colours

GREY = np.full((300, 700, 3), 200, np.uint8)


def test_every_picture_is_written_and_shown_on_the_index_page(bench, tmp_path, capsys):
    """A wire photographed without a mat: the reason, mask, parts, traces, heat maps; the page names each file."""
    out = tmp_path / "seen"
    asked = ["--feature", "break_median", "--feature", "eye_rodent"]
    assert cli.run(["inspect", str(bench / "bitten.jpg"), "-o", str(out), *asked]) == 0
    names = sorted(p.name for p in out.glob("*.png"))
    assert [n.split("-")[0] for n in names][:6] == ["1", "2", "3", "4", "5", "6"]
    assert "7-finder-rodent.png" in names and names[-2:] == ["8-feature-break_median.png", "8-feature-eye_rodent.png"]
    page = (out / "index.html").read_text("utf-8")
    assert sorted(re.findall(r'src="([^"]+)"', page)) == names
    assert "No mat: no marker was seen" in page and "//" not in page.replace("<!doctype html>", "")
    for name in names:
        picture = cv2.imread(str(out / name))
        assert picture is not None and picture.std() > 1
    assert str(out / "index.html") in capsys.readouterr().out


def test_a_blank_photograph_still_shows_what_was_seen(tmp_path):
    """Nothing lies there: the first steps are written, the rest cannot be."""
    blank = tmp_path / "blank.png"
    cv2.imwrite(str(blank), np.full((480, 640, 3), 255, np.uint8))
    assert cli.run(["inspect", str(blank), "-o", str(tmp_path / "out")]) == 0
    assert "4-mask.png" in (tmp_path / "out" / "index.html").read_text("utf-8")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--feature", "warmth"], "break_median"),
        (["--mm-per-px", "0"], "--mm-per-px"),
        (["--mat", "no.json"], "no.json"),
    ],
)
def test_mistakes_are_one_line(bench, tmp_path, capsys, arguments, words):
    """An unknown feature lists the known ones; a scale of nothing; a layout that is not there."""
    assert cli.run(["inspect", str(bench / "whole.jpg"), "-o", str(tmp_path / "out"), *arguments]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1 and words in lines[0]


def test_an_unreadable_photograph_is_one_line(tmp_path, capsys):
    """A text file named .jpg."""
    path = tmp_path / "note.jpg"
    path.write_text("not a picture")
    assert cli.run(["inspect", str(path), "-o", str(tmp_path / "out")]) == 2
    assert "note.jpg" in capsys.readouterr().err


@pytest.mark.parametrize("px_per_mm", [0.8, 2.0, 5.0, 12.0])
def test_the_scale_bar_is_as_long_as_it_says(px_per_mm: float):
    """Dark pixels of the bar, counted, over px per mm: a round length from the list, at most a quarter of the width."""
    band = framed(GREY, "x", [], px_per_mm)[300:]
    dark = (band < 100).all(2)
    longest = max((len(run) for row in dark for run in "".join("#" if d else " " for d in row).split()), default=0)
    assert min(abs((longest - 1) / px_per_mm - mm) for mm in (5, 10, 20, 50, 100, 200)) < 1.1 / px_per_mm
    assert longest <= 700 / 4 + 2


def test_without_a_scale_there_is_no_bar():
    """Only the words."""
    dark = (framed(GREY, "x", [], None)[300:] < 100).all(2)
    assert max(len(run) for row in dark for run in "".join("#" if d else " " for d in row).split()) < 20


def test_legends_show_their_colours_and_ramps_rise():
    """Each key's colour is in the band; brightness of the ramp grows with the value, values beyond stay at its ends."""
    keys = [Key((0, 0, 250), "red"), Key((250, 0, 0), "blue")]
    band = framed(GREY, "x", keys, 5.0)[300:]
    assert all((band == key.colour).all(2).any() for key in keys)
    ramp = Ramp(-2.0, 6.0, "mm")
    light = heat_colours(np.array([-9.0, -2, 0, 2, 4, 6, 9]), ramp).astype(float) @ [0.114, 0.587, 0.299]
    assert (np.diff(light)[1:-1] > 0).all() and light[0] == light[1] and light[-1] == light[-2]
    assert framed(GREY, "x", ramp, 5.0).shape[0] > 300


def test_hatching_leaves_the_picture_between_its_lines():
    """Inside the mask some pixels are coloured and most are not; outside none is."""
    mask = np.zeros((300, 700), bool)
    mask[100:200] = True
    out = hatched(GREY, mask, (0, 0, 255))
    changed = (out != GREY).any(2)
    assert not changed[~mask].any() and 0.1 < changed[mask].mean() < 0.4
