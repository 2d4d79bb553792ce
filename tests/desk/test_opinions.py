"""Blind second opinions: drawn by chance, blind to names, kept beside the review, counted into kappa."""

import pytest
from sklearn.metrics import cohen_kappa_score

from desk.learning.gather import gather
from desk.records import tables
from desk.review.edits import EDIT
from desk.shop import opinions, reopening, review
from desk.shop.errors import Invalid, NotAllowed
from desk.shop.standing import refresh
from tests.desk.signing import sign_off


@pytest.fixture
def judged(shop, drawn):
    """Make an assembly of two places, named by the reviewer and signed off; its number."""

    def make(shop_order, *labels):
        assembly_id = shop.opened(shop_order)
        sha = f"{assembly_id}aaa1111"
        known = drawn.truth("a.jpg", [drawn.region("rodent", 300, 40), drawn.region("rodent", 500, 40, "r1")])
        shop.assessed(assembly_id, sha, known)
        seen = None
        with shop.desk.database.write() as session:
            for region, label in zip(("r0", "r1"), labels, strict=True):
                edit = EDIT.validate_python({"kind": "relabel", "photo": sha, "region": region, "label": label})
                seen = review.put_on_record(session, shop.desk, shop.accounts["reviewer"], assembly_id, edit, seen).id
            sign_off(session, shop.desk, shop.accounts["reviewer"], assembly_id, seen)
        return assembly_id, sha

    return make


def test_about_five_in_a_hundred_are_drawn_always_the_same():
    """Over 20 000 numbers; binomial standard deviation 0.15 %, so within four of them."""
    drawn = [opinions.is_drawn(f"A-{n}") for n in range(20_000)]
    assert 0.044 < sum(drawn) / len(drawn) < 0.056
    assert drawn == [opinions.is_drawn(f"A-{n}") for n in range(20_000)]


def test_an_opinion_changes_nothing_and_is_counted(shop, judged):
    """Two assemblies, four places, one told apart. First rodent rodent abrasion abrasion, second rodent x3 abrasion:
    seen 3/4, chance (2*3 + 2*1)/16 = 1/2, kappa 1/2. The model said rodent each time: kappa 0."""
    first, second = judged("B-1", "rodent", "rodent"), judged("B-2", "abrasion", "abrasion")
    other = shop.accounts["administrator"]
    with shop.desk.database.write() as session:
        before = review.review_of(session, shop.desk, second[0])
        opinions.give(session, shop.desk, other, first[0], {f"{first[1]}:r0": "rodent", f"{first[1]}:r1": "rodent"})
        opinions.give(
            session, shop.desk, other, second[0], {f"{second[1]}:r0": "rodent", f"{second[1]}:r1": "abrasion"}
        )
        assert review.review_of(session, shop.desk, second[0]) == before
        refresh(session, shop.desk, second[0])
        assert session.get_one(tables.Standing, second[0]).state == "reviewed"
        found = opinions.agreements(session, shop.desk, other)
    assert (found.people.n, found.model.n) == (4, 4)
    assert found.people.value == pytest.approx(0.5) and found.model.value == pytest.approx(0.0)


def test_a_place_the_reviewer_took_away_is_sound_to_the_reviewer(shop, drawn):
    """Of two places on each of two assemblies the reviewer names one rodent and takes the other away; the second says
    rodent and sound, then rodent and rodent. Seen 3/4, chance (2*3 + 2*1)/16 = 1/2: kappa 1/2, as scikit-learn's."""
    other = shop.accounts["administrator"]
    for order, said in (("B-1", "sound"), ("B-2", "rodent")):
        assembly_id = shop.opened(order)
        sha = f"{assembly_id}aaa1111"
        known = drawn.truth("a.jpg", [drawn.region("rodent", 300, 40), drawn.region("rodent", 500, 40, "r1")])
        shop.assessed(assembly_id, sha, known)
        edits = [{"kind": "relabel", "photo": sha, "region": "r0", "label": "rodent"},
                 {"kind": "delete", "photo": sha, "region": "r1"}]  # fmt: skip
        with shop.desk.database.write() as session:
            seen = None
            for edit in map(EDIT.validate_python, edits):
                seen = review.put_on_record(session, shop.desk, shop.accounts["reviewer"], assembly_id, edit, seen).id
            sign_off(session, shop.desk, shop.accounts["reviewer"], assembly_id, seen)
            opinions.give(session, shop.desk, other, assembly_id, {f"{sha}:r0": "rodent", f"{sha}:r1": said})
            found = opinions.agreements(session, shop.desk, other)
    theirs = cohen_kappa_score(["rodent", "sound"] * 2, ["rodent", "sound", "rodent", "rodent"])
    assert found.people.n == 4 and found.people.value == pytest.approx(0.5) == theirs
    assert found.model.n == 2, "what the model is right about is counted as before"


def test_who_reviewed_gives_no_second_opinion_and_every_place_needs_a_name(shop, judged):
    """Nor does the same person give two."""
    assembly_id, sha = judged("B-1", "rodent", "rodent")
    whole = {f"{sha}:r0": "rodent", f"{sha}:r1": "sound"}
    with shop.desk.database.write() as session:
        with pytest.raises(NotAllowed):
            opinions.give(session, shop.desk, shop.accounts["reviewer"], assembly_id, whole)
        with pytest.raises(Invalid, match="every place"):
            opinions.give(session, shop.desk, shop.accounts["administrator"], assembly_id, {f"{sha}:r0": "rodent"})
        opinions.give(session, shop.desk, shop.accounts["administrator"], assembly_id, whole)
        with pytest.raises(NotAllowed):
            opinions.give(session, shop.desk, shop.accounts["administrator"], assembly_id, whole)


@pytest.mark.parametrize("what", ["a place", "the sign-off", "back to review"])
def test_who_reviews_after_a_blind_opinion_does_not_agree_with_oneself(shop, judged, what):
    """Somebody said two names blind, on another's review, and has since taken part in it: the opinion stays on record,
    counts into neither kappa nor a corrected set, and the assembly is asked about again."""
    order = next(f"C-{n}" for n in range(1000) if opinions.is_drawn(f"C-{n}"))
    assembly_id, sha = judged(order, "rodent", "abrasion")
    both, third = shop.accounts["administrator"], shop.accounts["analyst"]
    with shop.desk.database.write() as session:
        opinions.give(session, shop.desk, both, assembly_id, {f"{sha}:r0": "rodent", f"{sha}:r1": "abrasion"})
        assert opinions.agreements(session, shop.desk, third).people.n == 2
        assert opinions.agreements(session, shop.desk, third).asked == ()
        assert {p.second_by for photo in gather(session, shop.desk).photos for p in photo.places} == {both.login}
    with shop.desk.database.write() as session:
        seen = review.newest_entry(session, assembly_id)
        if what == "a place":
            edit = EDIT.validate_python({"kind": "relabel", "photo": sha, "region": "r1", "label": "abrasion"})
            seen = review.put_on_record(session, shop.desk, both, assembly_id, edit, seen).id
        if what == "back to review":
            reopening.send_back(session, shop.desk, both, assembly_id, "the breakout was not looked at")
            seen = review.newest_entry(session, assembly_id)
        sign_off(session, shop.desk, both if what == "the sign-off" else shop.accounts["reviewer"], assembly_id, seen)
        found = opinions.agreements(session, shop.desk, third)
        assert (found.people.n, found.people.value) == (0, None) and found.model.n == 2
        assert [one.assembly_id for one in found.asked] == [assembly_id]
        assert {p.second_by for photo in gather(session, shop.desk).photos for p in photo.places} == {None}
        assert session.query(tables.ReviewEntry).filter_by(blind=True).count() == 1


def test_the_pages_ask_blindly_and_show_kappa(shop, judged):
    """A drawn order is listed for another reviewer only; its page ticks no name; once answered it is asked no more."""
    order = next(f"C-{n}" for n in range(1000) if opinions.is_drawn(f"C-{n}"))
    assembly_id, sha = judged(order, "rodent", "abrasion")
    address = f"/assemblies/{assembly_id}/opinion"
    with shop.desk.database.write() as session:
        session.get_one(tables.Person, shop.accounts["analyst"].id).roles = "analyst,reviewer"
    assert address not in shop.browser("reviewer").get("/agreement").text
    other = shop.browser("analyst")
    assert address in other.get("/agreement").text
    text = other.get(address).text
    assert text.count("Place r") == 2 and "checked" not in text
    form = other.form | {f"{sha}:r0": "rodent", f"{sha}:r1": "rodent"}
    assert other.post(address, data=form).status_code == 303
    shown = other.get("/agreement").text
    assert address not in shown and "2 places" in shown
    assert shop.browser("intake").get("/agreement").status_code == 403
    assert 'href="/agreement"' in other.get("/assemblies").text
    assert 'href="/agreement"' not in shop.browser("intake").get("/assemblies").text


def test_a_drawn_assembly_without_a_place_is_asked_of_nobody(shop, drawn):
    """There is nothing to name: its page would only refuse."""
    order = next(f"C-{n}" for n in range(1000) if opinions.is_drawn(f"C-{n}"))
    assembly_id = shop.opened(order)
    shop.assessed(assembly_id, f"{assembly_id}aaa1111", drawn.truth("a.jpg", []))
    with shop.desk.database.write() as session:
        sign_off(session, shop.desk, shop.accounts["reviewer"], assembly_id, None)
        standing = session.get_one(tables.Standing, assembly_id)
        standing.label = "sound"
        assert standing.state == "reviewed"
        assert opinions.agreements(session, shop.desk, shop.accounts["administrator"]).asked == ()


def test_programs_are_asked_blindly_too(shop, judged):
    """Listed, named by place, counted; nothing that is answered tells a name; a missing or repeated one is refused."""
    order = next(f"C-{n}" for n in range(1000) if opinions.is_drawn(f"C-{n}"))
    assembly_id, sha = judged(order, "rodent", "abrasion")
    base = f"/api/v1/assemblies/{assembly_id}/opinion"
    assert shop.browser("reviewer").get("/api/v1/opinions").json() == []
    assert shop.browser("reviewer").get(base).status_code == 403
    other = shop.browser("administrator")
    assert other.get("/api/v1/opinions").json() == [{"assembly_id": assembly_id, "shop_order": order}]
    asked = other.get(base).json()
    (photo,) = asked["photographs"]
    places = [one["place"] for one in photo["places"]]
    assert places == [f"{sha}:r0", f"{sha}:r1"] and all(one["rings_px"] for one in photo["places"])
    assert set(photo["places"][0]) == {"place", "region", "rings_px"} and "rodent" in asked["labels"]
    refused = other.post(base, json={"labels": {places[0]: "rodent"}})
    assert refused.status_code == 422 and "every place" in refused.json()["error"]
    whole = {"labels": dict.fromkeys(places, "rodent")}
    assert other.post(base, json=whole).status_code == 201
    assert other.post(base, json=whole).status_code == 403
    assert other.get("/api/v1/opinions").json() == []
    kappa = shop.browser("analyst").get("/api/v1/agreement").json()
    assert (kappa["people"]["n"], kappa["people"]["value"]) == (2, pytest.approx(0.0))
    assert other.get("/api/v1/assemblies/999/opinion").status_code == 404
