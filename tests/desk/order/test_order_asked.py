"""The order's picture marks the housings and terminals that its questions name, and no others."""

import cv2
import numpy as np
import pytest

from desk import cli
from desk.order_asked import asked_ends
from desk.order_photos import whole_picture
from vision.findings import Termination
from vision.reading import read_photo


@pytest.fixture
def two_ends(drawn_photo, findings, tmp_path):
    """A wire from the housing h1 at the left to a terminal t2 at the right; findings and file."""
    ring = [(580.0, 220.0), (620.0, 220.0), (620.0, 260.0), (580.0, 260.0)]
    end = Termination(id="t2", kind="ring", position_mm=None, position_px=(600, 240), rings_px=[ring])
    found = findings(drawn_photo(tmp_path / "a.jpg"))
    return found.model_copy(update={"terminations": [*found.terminations, end]}), tmp_path / "a.jpg"


@pytest.mark.parametrize(
    ("texts", "named"),
    [
        ((), []),
        (("How many different wires need repair?", "At r1: is copper bare?"), []),
        (("h1: is the shell free of cracks?",), ["h1"]),
        (("h1: which connector is it?", "How far along the wire is r1 from t2?", "h1: cracked?"), ["h1", "t2"]),
        (("h12: is the shell free of cracks?", "th1: cracked?", "b.jpg:h1: cracked?"), []),
    ],
)
def test_only_what_a_question_names_as_a_whole_is_marked(two_ends, texts, named):
    """Neither `h12` nor another photograph's `h1` is `h1`."""
    assert sorted(asked_ends(two_ends[0], two_ends[:1], texts)) == named


def test_with_several_photographs_an_end_is_marked_where_it_is_asked_about(two_ends):
    """By the photograph's name, or by its hash where two have one name; never by the bare id."""
    found = two_ends[0]
    both = [found, named(found, "other.jpg")]
    for head in (found.photo.name, found.photo.sha256[:8]):
        assert list(asked_ends(found, both, [f"{head}:h1: is the shell free of cracks?"])) == ["h1"]
    for text in ("h1: is the shell free of cracks?", "other.jpg:h1: is the shell free of cracks?"):
        assert asked_ends(found, both, [text]) == {}


def named(found, name):
    """The same findings of a photograph of another name."""
    photo = found.photo.model_copy(update={"name": name, "sha256": name.encode().hex().ljust(64, "0")[-64:]})
    return found.model_copy(update={"photo": photo})


@pytest.mark.parametrize("names", [("1.jpg", "front 1.jpg"), ("a.jpg", "b-a.jpg"), ("a.jpg", "a.jpg:h1 a.jpg")])
def test_of_two_names_that_end_alike_only_the_photograph_asked_about_is_marked(two_ends, names):
    """A question about the longer name's housing, in the middle of a sentence, and one about the other's terminal."""
    short, long = both = [named(two_ends[0], name) for name in names]
    texts = [f"How far is it to {names[1]}:h1 along the wire?", f"{names[0]}:t2: which terminal is it?"]
    assert [list(asked_ends(one, both, texts)) for one in (short, long)] == [["t2"], ["h1"]]


def test_an_end_asked_about_is_outlined_and_named_in_the_picture(two_ends):
    """The picture changes around it and nowhere else, and is as before where nothing is asked."""
    found, file = two_ends

    def shown(texts):
        jpeg = whole_picture(read_photo(file).bgr, found, asked_ends(found, [found], texts)).jpeg
        return cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_GRAYSCALE).astype(int)

    plain, marked = shown(()), shown(("h1: is the shell free of cracks?",))
    changed = np.argwhere(np.abs(marked - plain) > 60)
    assert len(changed) > 500 and changed[:, 1].max() < 0.25 * plain.shape[1]
    assert np.array_equal(plain, shown(("t9: is the shell free of cracks?",)))


def test_the_printed_order_says_what_the_thin_outline_is(case, findings, bite, decided, pages):
    """Under the picture where nobody saw whether the housing's terminals are held; not where that was seen."""
    seen = findings(read_photo(case / "before.jpg"), [bite()])
    shell = seen.housings[0].model_copy(update={"displaced_terminals": None})
    for found, marked in ((seen.model_copy(update={"housings": [shell]}), True), (seen, False)):
        (case / "one.json").write_text(decided(found).model_dump_json(by_alias=True) + "\n", "utf-8")
        out = case / "o.pdf"
        assert cli.run(["order", str(case / "one.json"), "-o", str(out)]) == 0
        text = " ".join(" ".join(pages(out)[0]).split())
        assert ("h1: is the shell free" in text) is marked
        assert ("thin outline: h1, named below" in text) is marked
