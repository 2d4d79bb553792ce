"""Who may, over HTTP: the role for every address, tokens of forms, signing in and out."""

import re
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import replace

import pytest
from starlette.testclient import TestClient

from desk.pages.app import ROUTERS, make_app
from desk.pages.routes_people import start_session
from desk.records import tables
from desk.shop import people, signing_in
from desk.shop.errors import SignInFailed

ROUTES = [
    # method, address, who may: everybody else signed in is refused, and nobody gets in without signing in
    ("GET", "/intake", {"intake"}),
    ("POST", "/intake", {"intake"}),
    ("GET", "/intake/earlier?vehicle=x", {"intake"}),
    ("GET", "/assemblies/1/intake", {"intake"}),
    ("POST", "/assemblies/1/intake", {"intake"}),
    ("GET", "/assemblies/1/photographs", {"intake"}),
    ("POST", "/assemblies/1/photographs", {"intake"}),
    ("POST", "/assemblies/1/photographs/1/face", {"intake"}),
    ("POST", "/assemblies/1/photographs/1/take-back", {"intake"}),
    ("POST", "/assemblies/1/photographs/1/put-back", {"intake"}),
    ("GET", "/queue", {"reviewer", "analyst"}),
    ("GET", "/people", set()),
    ("POST", "/people", set()),
    ("POST", "/people/1", set()),
    ("POST", "/people/1/link", set()),
    ("GET", "/assemblies", {"intake", "reviewer", "analyst"}),
    ("GET", "/assemblies/1", {"intake", "reviewer", "analyst"}),
    ("GET", "/assemblies/1/waiting", {"intake", "reviewer", "analyst"}),
    ("GET", "/photographs/1/small", {"intake", "reviewer", "analyst"}),
    ("GET", "/settings", {"intake", "reviewer", "analyst"}),
    ("POST", "/settings", {"intake", "reviewer", "analyst"}),
    ("POST", "/assemblies/1/orders", {"reviewer"}),
    ("GET", "/orders/1.pdf", {"intake", "reviewer", "analyst"}),
    ("POST", "/assemblies/1/quotes", {"intake", "reviewer"}),
    ("GET", "/quotes/1.pdf", {"intake", "reviewer", "analyst"}),
    ("POST", "/assemblies/1/approvals", {"intake", "reviewer"}),
    ("GET", "/assemblies/1/closing", {"reviewer"}),
    ("POST", "/assemblies/1/closing", {"reviewer"}),
    ("GET", "/closings/1.pdf", {"intake", "reviewer", "analyst"}),
    ("GET", "/assemblies/1/evidence", {"intake", "reviewer", "analyst"}),
    ("GET", "/assemblies/1/review", {"reviewer"}),
    ("GET", "/assemblies/1/opinion", {"reviewer"}),
    ("POST", "/assemblies/1/opinion", {"reviewer"}),
    ("GET", "/agreement", {"reviewer", "analyst"}),
    ("GET", "/figures", {"reviewer", "analyst"}),
    ("GET", "/exports/photographs.csv", {"analyst"}),
    ("GET", "/learning", {"analyst"}),
    ("POST", "/learning/snapshots", {"analyst"}),
    ("POST", "/learning/snapshots/import", {"analyst"}),
    ("POST", "/learning/labels", {"analyst"}),
    ("POST", "/learning/labels/1/remove", {"analyst"}),
    ("GET", "/learning/snapshots/1.json", {"analyst"}),
    ("POST", "/learning/retrain", {"analyst"}),
    ("GET", "/learning/runs/1", {"analyst"}),
    ("POST", "/learning/runs/1/stop", {"analyst"}),
    ("POST", "/learning/models/1/compare", {"analyst"}),
    ("POST", "/learning/models/1/answer", {"analyst"}),
    ("POST", "/assemblies/1/other-model", {"analyst"}),
    ("GET", "/learning/models/1", {"analyst"}),
    ("GET", "/learning/models/1/card.json", {"analyst"}),
    ("GET", "/learning/models/1/differing/1.jpg", {"analyst"}),
    ("POST", "/learning/models/1/promote", {"analyst"}),
    ("POST", "/learning/rollback", {"analyst"}),
    ("GET", "/learning/doubts", {"analyst"}),
    ("POST", "/learning/doubts/back", {"analyst"}),
    ("GET", "/learning/drift", {"analyst"}),
    ("GET", "/api/v1/figures", {"reviewer", "analyst"}),
    ("GET", "/api/v1/exports/photographs.csv", {"analyst"}),
    ("GET", "/api/v1/assemblies/1/review", {"reviewer"}),
    ("GET", "/api/v1/assemblies/1/review/order", {"reviewer"}),
    ("POST", "/api/v1/assemblies/1/review/entries", {"reviewer"}),
    ("POST", "/api/v1/assemblies/1/review/sign-off", {"reviewer"}),
    ("GET", "/api/v1/assemblies/1/papers", {"intake", "reviewer", "analyst"}),
    ("POST", "/api/v1/assemblies/1/orders", {"reviewer"}),
    ("POST", "/api/v1/assemblies/1/quotes", {"intake", "reviewer"}),
    ("POST", "/api/v1/assemblies/1/approvals", {"intake", "reviewer"}),
    ("POST", "/api/v1/assemblies/1/closing", {"reviewer"}),
    ("GET", "/api/v1/assemblies/1/closing", {"reviewer"}),
    ("GET", "/api/v1/orders/1.pdf", {"intake", "reviewer", "analyst"}),
    ("GET", "/api/v1/quotes/1.pdf", {"intake", "reviewer", "analyst"}),
    ("GET", "/api/v1/closings/1.pdf", {"intake", "reviewer", "analyst"}),
    ("GET", "/api/v1/assemblies/1/evidence", {"intake", "reviewer", "analyst"}),
    ("GET", "/api/v1/agreement", {"reviewer", "analyst"}),
    ("GET", "/api/v1/opinions", {"reviewer"}),
    ("GET", "/api/v1/assemblies/1/opinion", {"reviewer"}),
    ("POST", "/api/v1/assemblies/1/opinion", {"reviewer"}),
    ("GET", "/api/v1/learning/snapshots", {"analyst"}),
    ("GET", "/api/v1/learning/labels", {"analyst"}),
    ("GET", "/api/v1/learning/snapshots/1", {"analyst"}),
    ("GET", "/api/v1/learning/models", {"analyst"}),
    ("GET", "/api/v1/learning/models/1", {"analyst"}),
    ("GET", "/api/v1/learning/doubts", {"analyst"}),
    ("GET", "/api/v1/learning/next", {"analyst"}),
    ("GET", "/api/v1/learning/drift", {"analyst"}),
    ("GET", "/api/v1/learning/runs", {"analyst"}),
    ("POST", "/api/v1/learning/runs", {"analyst"}),
    ("GET", "/api/v1/learning/runs/1", {"analyst"}),
    ("POST", "/api/v1/learning/runs/1/stop", {"analyst"}),
    ("GET", "/api/v1/assemblies", {"intake", "reviewer", "analyst"}),
    ("POST", "/api/v1/assemblies", {"intake"}),
    ("GET", "/api/v1/queue", {"reviewer", "analyst"}),
    ("GET", "/api/v1/assemblies/1", {"intake", "reviewer", "analyst"}),
    ("GET", "/api/v1/assemblies/1/findings", {"intake", "reviewer", "analyst"}),
    ("GET", "/api/v1/assemblies/1/uploads/key-0001", {"intake"}),
    ("GET", "/api/v1/assemblies/1/intake", {"intake"}),
    ("POST", "/api/v1/assemblies/1/intake", {"intake"}),
    ("POST", "/api/v1/assemblies/1/photographs/1/face", {"intake"}),
    ("POST", "/api/v1/assemblies/1/photographs/1/take-back", {"intake"}),
    ("POST", "/api/v1/assemblies/1/photographs/1/put-back", {"intake"}),
    ("GET", "/api/v1/visits?vehicle=x", {"intake"}),
    ("GET", "/api/v1/people", set()),
    ("POST", "/api/v1/people", set()),
    ("POST", "/api/v1/people/1", set()),
    ("POST", "/api/v1/people/1/link", set()),
    ("PUT", "/api/v1/assemblies/1/uploads/key-0001?offset=0&size=1&face=face_a", {"intake"}),
]


def test_every_page_checks_the_role_on_the_server(shop):
    """The administrator passes everywhere; others by their role; nobody without a session."""
    assert [wrong for route in ROUTES for wrong in _wrong_answers(shop, *route)] == []


def _wrong_answers(shop, method, address, who):
    """Who is let in that may not, or kept out that may, or answered with a fault."""
    for role in ("intake", "reviewer", "analyst", "administrator"):
        status = shop.browser(role).request(method, address).status_code
        if (status != 403) != (role in who or role == "administrator") or status == 500:
            yield method, address, role, status
    answer = shop.browser().request(method, address)
    if not (answer.status_code == 401 or (answer.status_code == 303 and _leads_to_sign_in(answer))):
        yield method, address, "nobody", answer.status_code


def _leads_to_sign_in(answer):
    return answer.headers["location"].startswith("/sign-in")


def test_no_route_was_forgotten_above():
    """Every address of the app but the doors themselves is in the list of who may."""
    doors = {"/sign-in", "/sign-out", "/set-up/{token}", "/", "/api/v1/session", "/api/v1/openapi.json", "/static"}
    listed = {(method, address.split("?")[0]) for method, address, _ in ROUTES}
    seen = set()
    for router in ROUTERS:
        for route in router.routes:
            filled = (
                route.path.replace("{size}", "small")
                .replace("{key}", "key-0001")
                .replace("{name}.{kind}", "photographs.csv")
                .replace("{file}", "1.jpg")
            )
            if route.path not in doors:
                seen |= {(m, re.sub(r"\{\w+\}|\d+", "0", filled)) for m in route.methods - {"HEAD"}}
    assert len(seen) > 20
    assert seen <= {(m, re.sub(r"\d+", "0", a)) for m, a in listed}


def test_the_api_is_described(shop):
    """Every address of the API is in the description, which is served by the desk itself."""
    paths = shop.browser().get("/api/v1/openapi.json").json()["paths"]
    expected = {address.split("?")[0] for _, address, _ in ROUTES if address.startswith("/api/")}
    expected = {address.replace("photographs.csv", "*.*") for address in expected}
    described = {re.sub(r"\{\w+\}", "*", path) for path in paths}
    assert {re.sub(r"/1\b|key-0001", lambda m: "/*" if m[0] == "/1" else "*", a) for a in expected} <= described


@pytest.mark.parametrize("address", ["/assemblies/999", "/assemblies/-1", "/assemblies/99999999999999999999", "/nope"])
def test_a_forged_number_leads_nowhere(shop, address):
    """A clear page with 404, and the same as JSON."""
    assert shop.browser("administrator").get(address).status_code in (404, 422)
    answer = shop.browser("administrator").get("/api/v1" + address)
    assert answer.status_code in (404, 422)
    assert "expected" in answer.json()["error"] or "integer" in answer.json()["error"]


@pytest.mark.parametrize("token", [None, "0" * 64, "x"])
def test_a_form_without_the_sessions_token_changes_nothing(shop, token):
    """Stale or forged: 409 with what to do, for pages and API alike; another session's token is no better."""
    browser = shop.browser("administrator")
    del browser.headers["X-Form-Token"]
    form = {"login": "new", "name": "New", "roles": "intake"} | ({"form_token": token} if token else {})
    answer = browser.post("/people", data=form)
    assert answer.status_code == 409
    assert "reload the page" in answer.text
    other = shop.browser("intake").form["form_token"]
    assert browser.post("/people", data=form | {"form_token": other}).status_code == 409
    assert browser.post("/api/v1/assemblies", json={}).status_code in (409, 422)
    with shop.desk.database.read() as session:
        assert session.query(tables.Person).count() == 4


def test_a_token_of_a_browser_opens_nothing_to_a_program_nor_the_other_way_round(shop):
    """A cookie sent as a bearer token would need no form token; a program's as a cookie would never fall idle."""
    stolen = {"Authorization": f"Bearer {shop.tokens['administrator']}"}
    assert shop.browser().get("/api/v1/people", headers=stolen).status_code == 401
    with shop.desk.database.write() as session:
        token, _ = signing_in.open_session(session, "administrator", "program")
    as_cookie = shop.browser()
    as_cookie.cookies.set("desk_session", token)
    assert as_cookie.get("/people").status_code == 303
    assert shop.browser().get("/api/v1/people", headers={"Authorization": f"bearer {token}"}).status_code == 200


@pytest.mark.parametrize("bearer", ["", " ", "0" * 43])
def test_a_bearer_token_that_is_none_does_not_free_a_cookie_from_its_form_token(shop, bearer):
    """An empty one leaves the cookie, and its forms need their token; a wrong one is nobody's."""
    browser = shop.browser("administrator")
    del browser.headers["X-Form-Token"]
    form = {"login": "new", "name": "New", "roles": "intake"}
    answer = browser.post("/people", data=form, headers={"Authorization": f"Bearer {bearer}"})
    assert answer.status_code == (401 if bearer.strip() else 409)
    with shop.desk.database.read() as session:
        assert session.query(tables.Person).count() == 4


def test_other_roles_and_a_closed_account_count_from_the_next_request(shop):
    """A page open since the morning has no rights of the morning; a program neither."""
    reviewer, program = shop.browser("reviewer"), shop.browser()
    token = program.post("/api/v1/session", json={"login": "reviewer", "password": shop.password}).json()["token"]
    program.headers["Authorization"] = f"Bearer {token}"
    assert (reviewer.get("/queue").status_code, program.get("/api/v1/queue").status_code) == (200, 200)
    boss, who = shop.accounts["administrator"], shop.accounts["reviewer"].id
    with shop.desk.database.write() as session:
        people.change_person(session, boss, who, ["intake"], active=True)
    assert (reviewer.get("/queue").status_code, program.get("/api/v1/queue").status_code) == (403, 403)
    with shop.desk.database.write() as session:
        people.change_person(session, boss, who, ["intake"], active=False)
    assert (reviewer.get("/intake").status_code, program.get("/api/v1/assemblies").status_code) == (303, 401)
    again = shop.browser().post("/sign-in", data={"login": "reviewer", "password": shop.password})
    assert again.status_code == 401, "a closed account has no password that fits"


def test_a_link_of_an_account_that_was_closed_meanwhile_is_said_to_be_none(shop):
    """On its page and when a password is sent: a clear refusal, no fault of the program."""
    boss = shop.accounts["administrator"]
    with shop.desk.database.write() as session:
        ada, token = people.add_person(session, boss, "ada", "Ada", ["intake"])
        people.change_person(session, boss, ada.id, ["intake"], active=False)
    sent = {"password": shop.password, "again": shop.password}
    for answer in (shop.browser().get(f"/set-up/{token}"), shop.browser().post(f"/set-up/{token}", data=sent)):
        assert answer.status_code in (404, 410) and "expected a set-up link" in answer.text
        assert "desk_session" not in answer.headers.get("set-cookie", "")


def test_another_sites_page_can_neither_sign_in_nor_lock_anybody_out(shop):
    """It sends wrong passwords from a visitor's browser: they are refused before they are counted."""
    wrong = {"login": "intake", "password": "x"}
    for site in ("cross-site", "same-site"):
        for _ in range(6):
            foreign = {"sec-fetch-site": site}
            assert shop.browser().post("/api/v1/session", json=wrong, headers=foreign).status_code == 409
            assert shop.browser().post("/sign-in", data=wrong, headers=foreign).status_code == 409
    assert shop.browser().post("/sign-in", data=wrong | {"password": shop.password}).status_code == 303


def test_the_app_has_no_address_besides_those_of_its_rooms(shop):
    """No page of the framework's own: no description to click through, nothing that a router does not list."""
    rooms = {route.path for router in ROUTERS for route in router.routes}
    found = {getattr(route, "path", "") for route in shop.app.routes} - {""}
    assert found - rooms == {"/static", "/api/v1/openapi.json"}
    assert [shop.browser().get(address).status_code for address in ("/docs", "/redoc", "/openapi.json")] == [404] * 3


def test_signing_in_from_another_sites_form_is_refused(shop):
    """Nobody is signed in as somebody else without noticing."""
    form = {"login": "intake", "password": shop.password}
    for headers in ({"sec-fetch-site": "cross-site"}, {"origin": "https://elsewhere.example"}):
        assert shop.browser().post("/sign-in", data=form, headers=headers).status_code == 409
    good = shop.browser().post("/sign-in", data=form, headers={"sec-fetch-site": "same-origin"})
    cookie = good.headers["set-cookie"].lower()
    assert good.status_code == 303
    assert "httponly" in cookie
    assert "samesite=lax" in cookie


@pytest.mark.parametrize("then", ["//evil.example", "https://evil.example", "/\\evil.example", "javascript:alert(1)"])
def test_signing_in_leads_to_this_desk_only(shop, then):
    """An address smuggled into the link is not followed."""
    form = {"login": "intake", "password": shop.password, "then": then}
    assert shop.browser().post("/sign-in", data=form).headers["location"] == "/"


def test_a_wrong_name_and_a_wrong_password_are_answered_alike(shop):
    """Nobody can find out who has an account; after five failures also the right password waits."""
    browser = shop.browser()
    wrong = [browser.post("/sign-in", data={"login": n, "password": "x"}) for n in ("intake", "nobody-here")]
    said = [re.search(r"role=\"alert\">(.*?)</p>", answer.text, re.S)[1] for answer in wrong]
    assert (wrong[0].status_code, said[0]) == (wrong[1].status_code, said[1])
    for _ in range(4):
        browser.post("/sign-in", data={"login": "intake", "password": "x"})
    locked = browser.post("/sign-in", data={"login": "intake", "password": shop.password})
    assert locked.status_code == 401
    assert "wait 15 minutes" in locked.text


def test_passwords_tried_all_at_once_are_locked_out_like_those_tried_in_turn(shop, monkeypatch):
    """While one is being checked, which takes its time, five others fail: the right one among many is not let in."""
    plain = signing_in.check_sign_in

    def slow(kept, password):
        with shop.desk.database.write() as session:
            for _ in range(signing_in.LOCK_AFTER):
                signing_in.note_failure(session, "intake", "10.0.0.9")
        return plain(kept, password)

    monkeypatch.setattr(signing_in, "check_sign_in", slow)
    answer = shop.browser().post("/sign-in", data={"login": "intake", "password": shop.password})
    assert answer.status_code == 401 and "wait 15 minutes" in answer.text


@pytest.mark.parametrize(
    ("login", "address", "most"),
    [("intake", "10.0.0.9", signing_in.LOCK_AFTER), ("nobody", "10.0.0.1", signing_in.LOCK_AFTER_FROM_ADDRESS)],
    ids=["name", "address"],
)
def test_an_attempt_waits_for_those_that_are_just_being_counted(shop, login, address, most):
    """The last failures on its name, or from its address, are written and not yet kept: it is not let in meanwhile."""
    with ThreadPoolExecutor(1) as pool:
        with shop.desk.database.write() as session:
            signing_in.one_after_another(session, login, address)
            for _ in range(most):
                signing_in.note_failure(session, login, address)
            session.flush()
            attempt = pool.submit(start_session, shop.desk, "intake", shop.password, "10.0.0.1")
            assert not wait([attempt], timeout=1).done
        with pytest.raises(SignInFailed, match="wait 15 minutes"):
            attempt.result()


def test_signing_out_ends_the_session(shop):
    """The cookie is worth nothing afterwards, whoever kept it."""
    browser = shop.browser("intake")
    assert browser.get("/intake").status_code == 200
    assert browser.post("/sign-out", data=browser.form).status_code == 303
    assert shop.browser("intake").get("/intake").status_code == 303


def test_a_program_signs_in_with_a_token_and_needs_no_form_token(shop):
    """The same functions by bearer token; signed out, the token is worth nothing."""
    program = shop.browser()
    token = program.post("/api/v1/session", json={"login": "intake", "password": shop.password}).json()["token"]
    program.headers["Authorization"] = f"Bearer {token}"
    body = {"shop_order": "A-1", "vehicle": "LT 1", "circuit_class": "shielded"}
    first, again = (program.post("/api/v1/assemblies", json=body).json() for _ in range(2))
    assert (first["is_new"], again) == (True, {"id": first["id"], "is_new": False})
    assert program.get("/api/v1/queue").status_code == 403
    assert program.post("/api/v1/assemblies", json=body | {"circuit_class": "x"}).json()["field"] == "circuit_class"
    assert program.delete("/api/v1/session").status_code == 204
    assert program.get("/api/v1/assemblies").status_code == 401


def test_behind_tls_the_cookie_travels_encrypted_only(shop):
    """With `--https`."""
    app = make_app(replace(shop.desk, https=True))
    form = {"login": "intake", "password": shop.password}
    cookie = TestClient(app, follow_redirects=False).post("/sign-in", data=form).headers["set-cookie"]
    assert "Secure" in cookie
