"""Which places of a reviewed photograph teach the namers, and as which finder sees them."""

from types import SimpleNamespace

import numpy as np

from desk.learning.candidates import of_photo
from desk.training_set import CandidateLesson


def lesson(region, label, value):
    """A candidate on a place (None: on nothing) whose only sign tells which finder saw it."""
    return CandidateLesson("wires", "A-1", label, ("sign",), np.array([value], np.float32), {}, {}, region=region)


def test_what_had_to_be_added_or_renamed_teaches_as_the_final_finder_sees_it(made, drawn, monkeypatch):
    """Found and confirmed (c) teaches once, found and then added to or renamed (a, n) twice, missed (m) as the final
    finder sees it; what that one finds on nothing teaches nothing."""
    spots = {"c": 100, "a": 200, "n": 300, "m": 400}
    regions = {id: drawn.region("rodent", x, 60).model_copy(update={"id": id}) for id, x in spots.items()}
    said = {"c": ("confirmed", "rodent"), "a": ("added", None), "n": ("corrected", "abrasion"), "m": ("added", None)}
    places = [made.place(regions[id], "rodent", *said[id]) for id in spots]
    photo = made.photo("A-1", "a" * 64, drawn.truth("a.jpg", list(regions.values())), places)
    seen = {
        "unseen": [lesson(id, "rodent", 1.0) for id in "can"],
        "final": [*(lesson(id, "rodent", 2.0) for id in spots), lesson(None, "sound", 2.0)],
    }
    found = lambda look, truth, finder, name, usual: SimpleNamespace(candidates=seen[finder])  # noqa: E731
    monkeypatch.setattr("desk.learning.candidates.candidates_of", found)
    look = SimpleNamespace(cells=SimpleNamespace(xy=np.zeros((1, 2))))
    first, second = of_photo(look, photo, "unseen", "final")
    assert [(c.region, float(c.vector[0])) for c in first] == [("c", 1.0), ("a", 1.0), ("n", 1.0)]
    assert [(c.region, float(c.vector[0])) for c in second] == [("a", 2.0), ("n", 2.0), ("m", 2.0)]
