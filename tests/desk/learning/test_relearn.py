"""The whole way: damage that the shipped model calls novel is named by a reviewer, learnt, and found elsewhere."""

import pytest

from desk.assess import findings_of
from desk.errors import DeskError
from desk.evaluate_match import region_scores
from desk.learning.cells import kept_cells, look_at_reviewed
from desk.learning.compare import Case, _answer, agreed_on, held_out
from desk.learning.corrected import CorrectedError
from desk.learning.finder_rows import CellSettings
from desk.learning.generated import generated_lessons
from desk.learning.model_shelf import keep_model
from desk.learning.relearn import RelearnSettings, aligned, relearn
from desk.learning.seeds import CARD_SEEDS, taught_seeds
from desk.learning.shelf import Shelf, as_file, kept_snapshots
from desk.learning.sides import apart, read_keep_out, split
from desk.learning.take import bring_in
from desk.records.photo_store import PhotoStore
from desk.training_set import as_photo
from models.damage.lessons import lessons_of
from models.damage.refit import BoosterSettings, ForestSettings
from models.damage.store import load_model
from models.repair import load_rules
from vision.layout import builtin_layouts
from vision.sight import first_look

LEARNT, KEPT_OUT = (700000, 700001, 700002, 700003, 700005), (700020, 700022)
LABEL = "corrosion"
QUICK = RelearnSettings(
    scenes=4, workers=1, choices=(BoosterSettings(6, 15),), shell_choices=(ForestSettings(3, 0.3, 40),),
    cells=CellSettings(per_class=600, least=400),
)  # fmt: skip


@pytest.fixture(scope="module")
def desk_folder(tmp_path_factory):
    return tmp_path_factory.mktemp("learning")


@pytest.fixture(scope="module")
def trained(desk_folder, request):
    """The shipped model, and the one taught from five crusts that a reviewer added and a bitten assembly."""
    made = request.getfixturevalue("helpers_of_photographs")
    shelf = Shelf(desk_folder)
    photos = [made.crusted(shelf, desk_folder, seed, LABEL)[2] for seed in LEARNT]
    photos.append(made.bitten(shelf, desk_folder, 710000)[2])
    base = load_model()
    done = relearn(made.snapshot(photos), base, shelf, builtin_layouts(), QUICK)
    return base, done


def crust_found(model, look, truth):
    """The region that a model finds at the crust of a scene; None where it finds nothing there."""
    findings = findings_of(look, model, load_rules())
    scores = region_scores(truth, findings)[-1]
    best = int(scores.argmax()) if len(scores) else -1
    return findings.regions[best] if best >= 0 and scores[best] > 0 else None


def test_damage_of_a_new_kind_is_first_novel_and_later_named(trained, made, desk_folder):
    """On photographs kept out of everything: the shipped model finds it and has no name for it, the taught one names
    it."""
    base, done = trained
    scenes = [made.crusted(Shelf(desk_folder), desk_folder, seed, LABEL) for seed in KEPT_OUT]
    seen = [(first_look(as_photo(bgr, "kept_out"), builtin_layouts()), truth) for bgr, truth, _ in scenes]
    before = [crust_found(base, *one) for one in seen]
    after = [crust_found(done.model, *one) for one in seen]
    assert [(r.label, r.novel) for r in before] == [(None, True)] * len(KEPT_OUT)
    assert [r.label for r in after] == [LABEL] * len(KEPT_OUT)


def test_the_card_says_what_it_learnt_and_the_model_can_be_kept(trained, desk_folder):
    """Counts by verdict, the base, the added label; loaded again it has the same version and labels."""
    base, done = trained
    card = done.model.card
    assert card["places"]["added"] == len(LEARNT) and card["places"]["confirmed"] >= 1
    assert card["labels_added"] == [LABEL] and card["base"]["version"] == base.version
    known = [tuple(base.card[name]) for name in CARD_SEEDS if name in base.card]
    assert known and taught_seeds(card)[: len(known)] == known, "scenes that the base learnt from are no fresh ones"
    assert card["candidates"]["wires"]["corrected"][LABEL] >= len(LEARNT)
    assert abs(sum(card["no_region_rates"].values()) - 1) < 1e-9
    again = load_model(keep_model(Shelf(desk_folder), done.model))
    assert again.version == done.model.version and again.labels[-1] == LABEL


def test_what_was_computed_is_not_computed_again(trained, desk_folder, monkeypatch):
    """A second run looks at no photograph and renders no scene: it would fail here. Same cells, same lessons."""
    base, done = trained

    def never(*_args, **_kwargs):
        raise AssertionError("looked again")

    for room in ("cells", "generated"):
        monkeypatch.setattr(f"desk.learning.{room}.first_look", never)
    shelf, layouts = Shelf(desk_folder), builtin_layouts()
    store, kept = PhotoStore(shelf.data / "photos"), kept_cells(shelf.lessons, base.finder.eye)
    looked = look_at_reviewed(done.sides.learn, store, layouts, kept, 1, base.finder.eye)
    assert set(looked.cells) == {p.sha256 for p in done.sides.learn} and not looked.amiss
    assert len(generated_lessons(base, layouts, shelf.lessons, QUICK.scenes, 1).cells) == QUICK.scenes
    lost = done.sides.learn[0].model_copy(update={"sha256": "0" * 64})
    assert "expected the photograph" in look_at_reviewed([lost], store, layouts, kept, 1, base.finder.eye).amiss[0]


def test_sides_are_split_by_assembly_and_what_cannot_be_learnt_from_is_refused(made, drawn, tmp_path):
    """Blind and kept-out assemblies never teach; an assembly on both sides, one label, a wrong name: one line each."""
    region = drawn.region("rodent", 300, 60)
    known = drawn.truth("a.jpg", [region])

    def photo(n, label, blind=False, second=None):
        place = made.place(region, label, "confirmed", "rodent", second)
        return made.photo(f"A-{n}", f"{n:064x}", known, [place], blind)

    photos = [photo(1, "rodent"), photo(2, "sound"), photo(3, "rodent"), photo(4, "rodent", True, "rodent")]
    sides = split(made.snapshot(photos), ["A-3"])
    assert [p.assembly for p in sides.learn] == ["A-1", "A-2"]
    assert [p.assembly for p in sides.held] == ["A-3", "A-4"] and set(sides.folds().values()) == {0, 1}
    with pytest.raises(CorrectedError, match="got only rodent"):
        split(made.snapshot([photos[0], photos[2]]))
    with pytest.raises(CorrectedError, match="got A-9"):
        split(made.snapshot(photos), ["A-9"])
    with pytest.raises(CorrectedError, match="each assembly on one side"):
        apart([photos[0]], [photos[0]])
    both = made.snapshot([*photos, photo(5, "rodent", True).model_copy(update={"assembly": "A-1"})])
    with pytest.raises(CorrectedError, match="each assembly on one side, got A-1 among"):
        bring_in(Shelf(tmp_path), as_file(both), "from.json")
    assert not kept_snapshots(Shelf(tmp_path)) and bring_in(Shelf(tmp_path), as_file(made.snapshot(photos)), "f.json")
    (tmp_path / "k.txt").write_text("A-3\n\n")
    assert read_keep_out(tmp_path / "k.txt") == ["A-3"]
    with pytest.raises(CorrectedError, match="expected a text file"):
        read_keep_out(tmp_path / "none.txt")
    cases, left = held_out(made.snapshot([*photos, photo(5, "rodent", True)]), ["A-1"], ["A-3", "A-1"])
    assert [(c.set_name, c.reviewed.assembly) for c in cases] == [("kept out", "A-3"), ("second opinions", "A-4")]
    assert left == 1 and agreed_on(photo(6, "rodent", True, "abrasion")) is None


def test_a_review_that_the_answer_takes_too_mildly_counts_as_unsafe(made, drawn):
    """The reviewer's route is remanufacture; the answer repairs in the vehicle."""
    region = drawn.region("abrasion", 300, 60)
    known = drawn.truth("a.jpg", [region])
    from desk.truth_findings import findings_from_truth

    photo = made.photo("A-1", "a" * 64, known, [made.place(region, "abrasion", "confirmed", "abrasion")])
    photo = photo.model_copy(update={"route": "remanufacture"})
    got = _answer(known, findings_from_truth(known), Case("second opinions", photo), load_rules())
    assert got.answered and got.unsafe and got.places == (("abrasion", "abrasion"),)
    assert not _answer(known, findings_from_truth(known), Case("generated"), load_rules()).unsafe


def test_lessons_of_a_finder_without_the_new_label_are_filled_with_nothing():
    """A column for what the finder did not know; other features that differ are refused."""
    old = lessons_of([(("finder_wire", "a"), [0.5, 2.0], "rodent", "s")])
    got = aligned(old, ("finder_wire", "finder_corrosion", "a"))
    assert got.x.tolist() == [[0.5, 0.0, 2.0]]
    with pytest.raises(DeskError, match="lessons of this feature version"):
        aligned(old, ("finder_wire", "b"))


def test_a_snapshot_of_a_newer_feature_version_is_refused(made, drawn, desk_folder):
    """Its meaning is not known here."""
    region = drawn.region("rodent", 300, 60)
    photo = made.photo("A-1", "a" * 64, drawn.truth("a.jpg", [region]), [made.place(region, "rodent")])
    newer = made.snapshot([photo]).model_copy(update={"feature_version": "9999"})
    with pytest.raises(DeskError, match="or older, got 9999"):
        relearn(newer, load_model(), Shelf(desk_folder), builtin_layouts(), QUICK)
