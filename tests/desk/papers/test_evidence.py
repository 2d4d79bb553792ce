"""The evidence file: one page that holds the papers, the measures and the original photographs."""

import base64
import hashlib
import io
import re
from html.parser import HTMLParser

import cv2
import numpy as np
import pytest
from PIL import Image

from desk.evidence import style_source
from desk.records import tables
from desk.review.edits import EDIT
from desk.shop import review
from tests.desk.signing import sign_off


class Page(HTMLParser):
    """Tags and every address a page would ask for."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.asked, self.shown, self.to_save = [], [], [], {}
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        given = dict(attrs)
        if tag == "img":
            self.shown.append(base64.b64decode(given["src"].partition(",")[2]))
        if tag == "a" and "download" in given:
            self.to_save[given["download"]] = base64.b64decode(given["href"].partition(",")[2])
        self.asked += [
            value for name, value in attrs if name in ("src", "href") and not value.startswith(("data:", "#"))
        ]
        assert not any(name.startswith("on") or name == "style" for name, _ in attrs)


def test_the_evidence_is_one_page_that_holds_all_it_shows(shop, repaired, quoted, said):
    """Hashes, measures with U95, causes, rules, who decided, papers, versions; no script, nothing fetched."""
    assembly_id = repaired()
    quote = quoted(shop, assembly_id)
    said(shop, assembly_id, quote)
    answer = shop.browser("analyst").get(f"/assemblies/{assembly_id}/evidence?save=1")
    assert answer.headers["content-disposition"] == f'attachment; filename="evidence-{assembly_id}.html"'
    assert style_source() in answer.headers["content-security-policy"]
    assert "unsafe" not in answer.headers["content-security-policy"]
    found = Page(answer.text)
    assert "script" not in found.tags and found.asked == []
    with shop.desk.database.read() as session:
        hashes = [row.sha256 for row in session.query(tables.Photograph)]
    for text in (
        *hashes, "A rodent gnawed", "Copper damaged", "conductor-damage", "violated", "confirmed by The reviewer",
        "signed off", "R. Tanner agreed to repair", shop.desk.rules_sha256, "photo 1", "after the repair", "±", "LT 77",
    ):  # fmt: skip
        assert text in answer.text, text


def test_a_sign_off_on_one_face_says_so(shop, ordered):
    """Whoever reads it later knows what nobody had seen; the review page says it before the sign-off."""
    text = shop.browser("analyst").get(f"/assemblies/{ordered}/evidence").text
    with shop.desk.database.read() as session:
        faces = {row.face for row in session.query(tables.Photograph)}
    assert faces == {"face_a"} and "signed off" in text and "without a photograph of the other face" in text
    page = shop.browser("reviewer").get(f"/assemblies/{ordered}/review").text
    assert "No usable photograph of the other face." in page and 'data-unseen="face_a"' not in page


def test_a_sign_off_over_a_contradicted_answer_says_so(shop, ordered):
    """Whoever reads it later knows that the signer was asked; a sign-off without any says nothing of the kind."""
    read = shop.browser("analyst").get
    assert "although a photograph" not in read(f"/assemblies/{ordered}/evidence").text
    line = "r0: copper was answered as covered, the photograph shows 8 ± 0 mm bare: look again"
    with shop.desk.database.write() as session:
        edit = EDIT.validate_python({"kind": "answer", "answers": {"copper": {"r0": "covered"}}})
        seen, who = review.newest_entry(session, ordered), shop.accounts["reviewer"]
        done = review.put_on_record(session, shop.desk, who, ordered, edit, seen)
        sign_off(session, shop.desk, who, ordered, done.id, despite=[line])
    assert f"let stand although a photograph contradicts it: “{line}”" in read(f"/assemblies/{ordered}/evidence").text


def test_a_sign_off_that_lets_open_questions_stand_says_which(shop, ordered):
    """With the route they may lead to, word for word; a row of before the question was asked says nothing of it."""
    read = shop.browser("analyst").get
    said = "open questions let stand, with which it may become remanufacture at worst: “At r0: are both ends of every"
    assert said in read(f"/assemblies/{ordered}/evidence").text
    with shop.desk.database.write() as session:
        row = session.query(tables.ReviewEntry).filter_by(kind="sign_off").one()
        row.payload = {name: value for name, value in row.payload.items() if name != "still_open"}
    assert "open questions let stand" not in read(f"/assemblies/{ordered}/evidence").text


def test_the_evidence_says_which_photograph_is_gone_or_altered(shop, ordered):
    """Its hash stays; the picture is not shown, and the page says why."""
    with shop.desk.database.read() as session:
        row = session.query(tables.Photograph).one()
    shop.desk.store.path(row.sha256, ".jpg").write_bytes(b"other")
    text = shop.browser("analyst").get(f"/assemblies/{ordered}/evidence").text
    assert "Not shown:" in text and row.sha256 in text and "data:image" not in text


@pytest.fixture
def kinds(tmp_path):
    """A small photograph as JPEG on its side, PNG, PNG with an orientation, WebP, HEIC and TIFF, by suffix."""
    bgr = np.random.default_rng(5).integers(0, 255, (300, 400, 3)).astype(np.uint8)
    image = Image.fromarray(cv2.resize(bgr[::20, ::20], (400, 300)))
    lying = Image.Exif()
    lying[0x0112] = 6
    found = {}
    for number, (name, more) in enumerate(
        {
            "a.jpg": {"exif": lying},
            "b.png": {},
            "c.png": {"exif": lying},
            "d.webp": {},
            "e.heic": {},
            "f.tif": {},
        }.items()
    ):
        image.putpixel((0, 0), (number, 0, 0))
        image.save(tmp_path / name, **more)
        found[name] = tmp_path / name
    return found


def test_the_evidence_holds_each_original_bit_for_bit(shop, ordered, kinds):
    """What is saved from the page has the stated SHA-256 (hashlib); what browsers do not all show has a view as well.

    JPEG, PNG and WebP are looked at as they are; a PNG that lies on its side, HEIC and TIFF are saved by a link.
    """
    for file in kinds.values():
        shop.sent(ordered, file)
    text = shop.browser("analyst").get(f"/assemblies/{ordered}/evidence").text
    page = Page(text)
    stated = re.findall(r"SHA-256 ([0-9a-f]{64})", text)
    shown = [hashlib.sha256(data).hexdigest() for data in page.shown]
    saved = {name: hashlib.sha256(data).hexdigest() for name, data in page.to_save.items()}
    assert len(stated) == len(page.shown) == 7
    assert [a == b for a, b in zip(stated, shown, strict=True)] == [True, True, True, False, True, False, False]
    assert saved == {"photo-4.png": stated[3], "photo-6.heic": stated[5], "photo-7.tif": stated[6]}
    assert page.to_save["photo-6.heic"] == kinds["e.heic"].read_bytes()
    for data in page.shown:
        assert Image.open(io.BytesIO(data)).format in ("JPEG", "PNG", "WEBP")
    assert Image.open(io.BytesIO(page.shown[3])).size == (300, 400)  # upright
    assert "bit for bit" in text and "Shown scaled" not in text


def test_originals_too_large_for_one_page_are_shown_scaled_and_the_page_says_why(shop, ordered, kinds):
    """Two photographs of 31 MB (bytes after the end of a JPEG are allowed): none is embedded as it is."""
    for name in ("a.jpg", "b.jpg"):
        data = kinds["a.jpg"].read_bytes()
        file = kinds["a.jpg"].with_name(f"large-{name}")
        file.write_bytes(data + name.encode() * 6_200_000)
        shop.sent(ordered, file)
    text = shop.browser("analyst").get(f"/assemblies/{ordered}/evidence").text
    page = Page(text)
    stated = re.findall(r"SHA-256 ([0-9a-f]{64})", text)
    assert len(stated) == len(page.shown) == 3 and len(text) < 2_000_000
    assert not set(stated) & {hashlib.sha256(data).hexdigest() for data in page.shown}
    assert "Shown scaled: the originals hold 62 MB together" in text and "up to 60 MB" in text
