"""An assembly with one drawn photograph, and its review opened in Chromium."""

import pytest

from desk.shop.worker import work_once
from desk.truth_findings import findings_from_truth
from tests.desk.review_page.screens import DESKTOP


@pytest.fixture
def also():
    """What the findings hold besides; a test gives its own by parameter."""
    return {}


@pytest.fixture
def said():
    """What is said at the counter besides; a test gives its own by parameter."""
    return {}


@pytest.fixture
def case(shop, monkeypatch, drawn, tmp_path, also, said):
    """An assembly with one drawn photograph: bites at x 400 to 440 and 500 to 540 px, half a millimetre a pixel."""
    known = drawn.truth("x.jpg", [drawn.region("rodent", 400, 40), drawn.region("rodent", 500, 40, "r1")])

    def seen(sha256):
        return findings_from_truth(known, sha256).model_copy(update=also)

    path = drawn.write_case(tmp_path, known)
    monkeypatch.setattr("desk.assess.assess_photo", lambda path, settings: seen(path.stem))
    assembly_id = shop.opened(**said)
    shop.sent(assembly_id, path)
    assert work_once(shop.desk, "w1.test")
    return assembly_id


@pytest.fixture
def open_review(served, case, browser):
    """Open the review as the reviewer; errors of scripts and requests to anywhere else fail the test."""
    contexts, strange = [], []

    def opened(size=DESKTOP, scheme="light"):
        context = browser.new_context(viewport=size, color_scheme=scheme)
        contexts.append(context)
        context.add_cookies([{"name": "desk_session", "value": served.tokens["reviewer"], "url": served.address}])
        page = context.new_page()
        page.on("request", lambda r: strange.append(r.url) if not r.url.startswith((served.address, "blob:")) else None)
        page.on("pageerror", lambda e: strange.append(str(e)))
        page.on("console", lambda m: strange.append(m.text) if "Content Security Policy" in m.text else None)
        page.goto(f"{served.address}/assemblies/{case}/review")
        page.locator("#places button").first.wait_for()
        return page

    yield opened
    for context in contexts:
        context.close()
    assert strange == []
