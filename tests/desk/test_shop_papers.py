"""What follows the work order: quote, the customer's answer, closing with photographs of the repair, evidence."""

import base64
import hashlib
import io
import re
from datetime import date, timedelta
from html.parser import HTMLParser

import cv2
import numpy as np
import pypdfium2
import pytest
from PIL import Image

from desk.evidence import style_source
from desk.records import tables
from desk.records.photo_store import hash_of
from desk.review.edits import EDIT
from desk.shop import closing, orders, quotes, review
from desk.shop.errors import Invalid, StaleForm
from desk.shop.papers import APPROVAL, CLOSING, NOT_CLOSED, QUOTE, papers_of
from models.repair.prices import PricesError, load_prices
from models.repair.promise import promised

TODAY = date(2026, 3, 5)  # a Thursday


def test_a_promised_day_counts_working_days_only(tmp_path):
    """Worked out on a calendar: agreed on Thursday 2026-03-05, two days' wait (Fri 6, Mon 9), 7 h at 6 h a day: Wed 11;
    with Monday a holiday a day later; a whole new assembly waits ten days and takes one: Fri 20."""
    prices = load_prices()
    assert promised(prices, "repair", 7 * 60, TODAY) == date(2026, 3, 11)
    assert promised(prices, "new assembly", 90, TODAY) == date(2026, 3, 20)
    own = tmp_path / "own.toml"
    own.write_text("[promise]\nclosed_days = [2026-03-09]\n")
    assert promised(load_prices(own), "repair", 7 * 60, TODAY) == date(2026, 3, 12)


def test_a_shop_that_never_works_is_no_price_file(tmp_path):
    """Neither without a working day nor with a day that there is not."""
    for text in ("working_days = []", 'working_days = ["someday"]', "hours_per_day = 0.0"):
        own = tmp_path / "own.toml"
        own.write_text(f"[promise]\n{text}\n")
        with pytest.raises(PricesError, match="promise"):
            load_prices(own)


@pytest.fixture
def ordered(shop, drawn, blank_photo):
    """An assembly whose order is issued: one bitten place, its wire measured; its number."""
    assembly_id, file = shop.opened("W-1", "LT 77"), blank_photo()
    sha = hash_of(file)
    shop.desk.store.take_in(file, sha, ".jpg")
    shop.assessed(assembly_id, sha, drawn.truth("a.jpg", [drawn.region("rodent", 400, 40)]))
    person = shop.accounts["reviewer"]
    edits = [
        {"kind": "confirm", "photo": sha, "region": "r0"},
        {"kind": "measure_wire", "wire": {"id": "w0", "before_mm": 400, "damage_mm": 45, "after_mm": 555}},
        {"kind": "branches", "at_mm": []},
    ]
    with shop.desk.database.write() as session:
        seen = None
        for edit in edits:
            edit = EDIT.validate_python(edit)
            seen = review.put_on_record(session, shop.desk, person, assembly_id, edit, seen).id
        review.sign_off(session, shop.desk, person, assembly_id, seen)
        orders.issue_order(session, shop.desk, person, assembly_id)
    return assembly_id


def quoted(shop, assembly_id, today=TODAY):
    with shop.desk.database.write() as session:
        return quotes.issue_quote(session, shop.desk, shop.accounts["intake"], assembly_id, today)


def said(shop, assembly_id, quote, **changes):
    """Put an answer on record, as the counter types it."""
    values = {"offer": "repair", "approved_by": "R. Tanner", "how": "telephone", "approved_on": "2026-03-06"}
    with shop.desk.database.write() as session:
        form = quotes.ApprovalForm(quote, **(values | changes))
        return quotes.approve(session, shop.accounts["intake"], assembly_id, form, TODAY + timedelta(days=3))


def test_a_quote_names_a_price_and_a_day_for_each_way_and_says_that_they_are_invented(shop, ordered):
    """The order's own offers; printed with the mark until the shop's own file says otherwise."""
    number = quoted(shop, ordered)
    with shop.desk.database.read() as session:
        quote = papers_of(session, ordered, QUOTE)[0].payload
        pdf = quotes.quote_sheet(session, number)[1]
    assert [one["name"] for one in quote["offers"]] == ["repair", "remanufactured assembly", "new assembly"]
    assert all(one["price"] > 0 and one["promised_on"] > "2026-03-05" for one in quote["offers"])
    text = "\n".join(p.get_textpage().get_text_range() for p in pypdfium2.PdfDocument(io.BytesIO(pdf)))
    assert "EXAMPLE PRICES" in text and "W-1" in text and "2026-04-04" in text  # thirty days on


def test_the_customers_answer_is_kept_with_who_how_and_when(shop, ordered):
    """The price agreed to comes from the quote; a second answer is another row."""
    number = quoted(shop, ordered)
    said(shop, ordered, number)
    said(shop, ordered, number, offer="declined", how="in_writing", note="too dear after all")
    with shop.desk.database.read() as session:
        second, first = (row.payload for row in papers_of(session, ordered, APPROVAL))
        price = papers_of(session, ordered, QUOTE)[0].payload["offers"][0]["price"]
    assert (first["offer"], first["price"], first["approved_by"], first["how"]) == (
        "repair", price, "R. Tanner", "telephone"
    )  # fmt: skip
    assert (second["offer"], second["price"], second["note"]) == (None, None, "too dear after all")


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"offer": "a bargain"}, "offer: expected repair"),
        ({"approved_by": "  "}, "who agreed: expected"),
        ({"how": "by dream"}, "how: expected in_person"),
        ({"approved_on": "2026-03-04"}, "when: expected a day from 2026-03-05"),
        ({"approved_on": "2026-04-01"}, "when: expected a day from"),
        ({"approved_on": "soon"}, "expected a date like"),
    ],
)
def test_an_answer_that_cannot_be_is_refused(shop, ordered, changes, says):
    """One line each; nothing goes on record."""
    number = quoted(shop, ordered)
    with pytest.raises(Invalid, match=says):
        said(shop, ordered, number, **changes)
    with shop.desk.database.read() as session:
        assert papers_of(session, ordered, APPROVAL) == []


def test_an_answer_to_an_older_quote_is_refused(shop, ordered):
    """A newer quote, or a newer order behind it: the customer is shown the newest first."""
    old = quoted(shop, ordered)
    new = quoted(shop, ordered)
    with pytest.raises(StaleForm, match="newest quote"):
        said(shop, ordered, old)
    with shop.desk.database.write() as session:
        orders.issue_order(session, shop.desk, shop.accounts["reviewer"], ordered)
    with pytest.raises(StaleForm, match="quote anew"):
        said(shop, ordered, new)


@pytest.fixture
def repaired(shop, ordered, drawn, blank_photo):
    """Photograph the finished repair: two sleeves or other regions and splices as given."""

    def make(regions=(), splices=(), number=7):
        known = drawn.truth("after.jpg", list(regions), list(splices))
        path = blank_photo(number, "after.jpg")
        sha = hash_of(path)
        shop.desk.store.take_in(path, sha, ".jpg")
        shop.assessed(ordered, sha, known)
        with shop.desk.database.write() as session:
            row = session.query(tables.Photograph).filter_by(sha256=sha).one()
            row.face = "after_repair"  # stands for a photograph that was sent so
        return ordered

    return make


def closed(shop, assembly_id, *told, **answers):
    with shop.desk.database.write() as session:
        from models.repair import Answers

        return closing.close(
            session, shop.desk, shop.accounts["reviewer"], assembly_id, closing.Told(*told, Answers(**answers))
        )


def state(shop, assembly_id):
    with shop.desk.database.read() as session:
        return session.get_one(tables.Standing, assembly_id).state


def test_an_order_is_closed_by_photographs_and_the_bench(shop, repaired):
    """Without a count it stays open and that goes on record; counted and measured it is closed, and printed."""
    assembly_id = repaired()
    number, outcome = closed(shop, assembly_id, None, False)
    assert outcome.state == "open" and state(shop, assembly_id) == "ordered"
    with shop.desk.database.read() as session:
        joints = closing.closing_sheet(session, shop.desk, assembly_id).order.work.plan.joints
    number, outcome = closed(shop, assembly_id, joints, True)
    assert outcome.state == "closed" and state(shop, assembly_id) == "closed"
    with shop.desk.database.read() as session:
        kinds = [row.kind for row in papers_of(session, assembly_id, CLOSING, NOT_CLOSED)]
        pdf = closing.closing_sheet_pdf(session, shop.desk, number)[1]
    assert kinds == [CLOSING, NOT_CLOSED] and pdf.startswith(b"%PDF")


def test_damage_still_seen_keeps_the_order_open_until_somebody_looked(shop, repaired, drawn):
    """The photograph shows bites: not met. Looked at and sound: closed; the answer stands in the paper."""
    assembly_id = repaired([drawn.region("rodent", 300, 40)])
    with shop.desk.database.read() as session:
        joints = closing.closing_sheet(session, shop.desk, assembly_id).order.work.plan.joints
    assert closed(shop, assembly_id, joints, True)[1].state == "not_met"
    given = closing.answers_from({"labels|r0": "sound", "joints": "2", "looked_over|": ""})
    assert given.labels == {"r0": "sound"}
    number, outcome = closed(shop, assembly_id, joints, True, labels={"r0": "sound"}, looked_over="nothing_more")
    assert outcome.state == "closed", outcome.unmet
    with shop.desk.database.read() as session:
        assert session.get_one(tables.Paper, number).payload["answers"]["labels"] == {"r0": "sound"}


def test_lengths_typed_in_inches_are_kept_in_millimetres():
    """6 in are 152.4 mm by the inch's definition; counts, amperes and areas are what they are."""
    typed = {"distances_mm|r0": "6", "spacings_mm|s1": "1,5", "wire_count|": "2", "fuse_found_a|": "10"}
    given = closing.answers_from(typed, 25.4)
    assert (given.distances_mm, given.spacings_mm) == ({"r0": 152.4}, {"s1": 38.1})
    assert (given.wire_count, given.fuse_found_a) == (2, 10.0)


def test_nothing_is_closed_without_a_photograph_of_the_repair(shop, ordered):
    """It says which to send."""
    with pytest.raises(Invalid, match="after the repair"):
        closed(shop, ordered, 2, True)


def ordered_again(shop, assembly_id):
    with shop.desk.database.write() as session:
        return orders.issue_order(session, shop.desk, shop.accounts["reviewer"], assembly_id)


def test_a_photograph_from_before_the_newest_order_closes_nothing(shop, repaired):
    """A photograph of an earlier repair, then a new order: it is listed with why, and nothing goes on record."""
    assembly_id = repaired()
    ordered_again(shop, assembly_id)
    with pytest.raises(Invalid, match=r"got only photo 2, received before the order of \d{4}-\d\d-\d\d"):
        closed(shop, assembly_id, 2, True)
    with shop.desk.database.read() as session:
        sheet = closing.closing_sheet(session, shop.desk, assembly_id)
        assert papers_of(session, assembly_id, CLOSING, NOT_CLOSED) == []
    assert sheet.photos == () and sheet.outcome is None and [one.number for one in sheet.too_old] == [2]
    page = shop.browser("reviewer").get(f"/assemblies/{assembly_id}/closing").text
    assert "These do not count" in page and "photograph the finished repair again" in page
    assert "What the photographs prove so far" not in page


def test_only_photographs_since_the_newest_order_are_held_against_it(shop, repaired, drawn):
    """The old one shows bites and would keep the order open; the new one is clean and closes it alone.

    The paper names the one that did not count.
    """
    assembly_id = repaired([drawn.region("rodent", 300, 40)])
    ordered_again(shop, assembly_id)
    repaired(number=9)
    number, outcome = closed(shop, assembly_id, 2, True)
    assert outcome.state == "closed", outcome.unmet
    with shop.desk.database.read() as session:
        held = session.get_one(tables.Paper, number).payload
    assert len(held["photos"]) == 1 and [one["photo"] for one in held["not_counted"]] == [2]


def test_the_same_file_sent_again_is_still_from_before_the_order(shop, repaired, blank_photo):
    """The store keeps one photograph for one content, and the day it first came."""
    assembly_id = repaired()
    ordered_again(shop, assembly_id)
    receipt = shop.sent(assembly_id, blank_photo(7, "again.jpg"), "after_repair")
    assert receipt.again
    with shop.desk.database.read() as session:
        sheet = closing.closing_sheet(session, shop.desk, assembly_id)
    assert (sheet.photos, sheet.running) == ((), 0)
    assert [one.photograph_id for one in sheet.too_old] == [receipt.photograph_id]
    assert "same file once more" in sheet.too_old[0].why


def test_the_pages_lead_from_order_to_closing(shop, repaired):
    """Quote, answer, closing, each by its button; every paper opens as a PDF; a forged number leads nowhere."""
    assembly_id = repaired()
    counter, bench = shop.browser("intake"), shop.browser("reviewer")
    assert counter.post(f"/assemblies/{assembly_id}/quotes").status_code == 303
    page = counter.get(f"/assemblies/{assembly_id}").text
    quote = int(re.search(r"/quotes/(\d+).pdf", page)[1])
    assert "Example prices" in page
    form = {
        "quote": quote, "offer": "repair", "approved_by": "<b>R. Tanner</b>", "how": "telephone",
        "approved_on": str(date.today()),
    }  # fmt: skip
    assert counter.post(f"/assemblies/{assembly_id}/approvals", data=form).status_code == 303
    page = counter.get(f"/assemblies/{assembly_id}").text
    assert "Agreed: repair" in page and "&lt;b&gt;R. Tanner" in page
    assert "cannot tell" in bench.get(f"/assemblies/{assembly_id}/closing").text
    wrong = bench.post(f"/assemblies/{assembly_id}/closing", data={"joints": "many"})
    assert wrong.status_code == 422 and "type a number" in wrong.text
    sent = bench.post(f"/assemblies/{assembly_id}/closing", data={"joints": "2", "ruler_checked": "yes"})
    assert sent.status_code == 303
    page = bench.get(f"/assemblies/{assembly_id}").text
    assert "· closed" in page
    for address in (f"/quotes/{quote}.pdf", re.search(r"/closings/\d+.pdf", page)[0]):
        assert bench.get(address).content.startswith(b"%PDF")
    assert bench.get("/quotes/9999.pdf").status_code == bench.get(f"/closings/{quote}.pdf").status_code == 404


def test_programs_do_the_same_over_the_api(shop, repaired):
    """Quote, answer, closing; the papers are listed with their contents."""
    assembly_id = repaired()
    program = shop.browser("administrator")
    base = f"/api/v1/assemblies/{assembly_id}"
    quote = program.post(f"{base}/quotes").json()["id"]
    body = {"quote": quote, "offer": "repair", "approved_by": "R. Tanner", "how": "in_person"}
    answer = program.post(f"{base}/approvals", json=body | {"approved_on": str(date.today())})
    assert answer.status_code == 201
    done = program.post(f"{base}/closing", json={"joints_counted": 2, "ruler_checked": True}).json()
    assert done["outcome"]["state"] == "closed"
    assert [one["kind"] for one in program.get(f"{base}/papers").json()] == ["closing", "approval", "quote", "order"]
    bad = program.post(f"{base}/closing", json={"answers": {"nonsense": 1}})
    assert bad.status_code == 422
    for one in program.get(f"{base}/papers").json():
        if one["kind"] != "approval":
            sheet = program.get(f"/api/v1/{one['kind']}s/{one['id']}.pdf")
            assert sheet.headers["content-type"] == "application/pdf" and sheet.content.startswith(b"%PDF")
    assert program.get(f"/api/v1/orders/{quote}.pdf").status_code == 404
    page = program.get(f"{base}/evidence")
    assert page.headers["content-type"].startswith("text/html") and "Evidence on assembly W-1" in page.text


def test_programs_see_which_photographs_count_and_which_model_answered(shop, repaired):
    """Before the newest order: not counted, with why; the model's name stands in the answer and on both pages."""
    assembly_id = repaired()
    program, base = shop.browser("reviewer"), f"/api/v1/assemblies/{assembly_id}"
    sheet = program.get(f"{base}/closing").json()
    assert len(sheet["photos"]) == 1 and sheet["not_counted"] == [] and sheet["outcome"]["state"] == "open"
    ordered_again(shop, assembly_id)
    sheet = program.get(f"{base}/closing").json()
    assert sheet["photos"] == [] and sheet["outcome"] is None
    assert sheet["not_counted"][0]["number"] == 2 and "before the order" in sheet["not_counted"][0]["why"]
    state = program.get(base).json()
    assert state["models"] == ["truth"] and [one["model"] for one in state["photographs"]] == ["truth", "truth"]
    for address in (f"/assemblies/{assembly_id}", f"/assemblies/{assembly_id}/review"):
        assert "answered by truth" in program.get(address).text


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


def test_the_evidence_is_one_page_that_holds_all_it_shows(shop, repaired):
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
        *hashes, "A rodent gnawed", "conductor-damage", "violated", "confirmed by The reviewer", "signed off",
        "R. Tanner agreed to repair", shop.desk.rules_sha256, "photo 1", "after the repair", "±", "LT 77",
    ):  # fmt: skip
        assert text in answer.text, text


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
