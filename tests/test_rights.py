"""Every route and every callback, asked for by nobody and by each role; and what nobody gets."""

import html
import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from argon2 import PasswordHasher
from dash import Dash
from flask.testing import FlaskClient
from werkzeug.routing import Rule

from dashboard import people as rights
from dashboard.app import APART, PAGES, create_app
from dashboard.asked import KINDS
from dashboard.pages import glossary
from qa.audit import parse
from qa.store import people, records, schema
from qa.store.people import ROLES
from qa.store.sign_ins import LASTS, MOST_OWN, WINDOW
from tests.databases import on_both
from tests.small_plant import NOW

ROOT = Path(__file__).resolve().parents[1]
FILES = ROOT / "dashboard" / "assets"
database = on_both
WORD, PIN = "a dozen sprouts and one", "2580"
PAGE = {"Accept": "text/html"}
NAMES = {"viewer": "Vera", "recorder": "Rosa", "supervisor": "Sam", "lead": "Lena"}
AUDIT = {"key": "k-1", "lane": "1", "tote": "A1", "inspected": "200", "stem": "1"}
# By role, what it may: written down a second time, so that a slip in the table shows.
RECORDS = {"/tally/audits", "/tally/findings", "/tally/clock", "/tally/before"}
DECIDES = {
    *("/lane/events", "/lane/acknowledgements", "/lane/baselines", "/lane/withdrawals"),
    *("/shift/dispositions", "/shift/lifts"),
}
GOVERNS = {
    *("/ledger/corrections", "/ledger/voids", "/ledger/preview", "/ledger/imports"),
    *("/ledger/rejects", "/setup/changes", "/setup/people", "/claim/study"),
}


class Clock:
    """A clock that a test can put forward."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture(scope="module", autouse=True)
def light() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        hasher = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
        patch.setattr(people, "_hasher", lambda: hasher)
        people._nobodys.cache_clear()
        yield


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def bare(store: schema.Store) -> schema.Store:
    """A store without accounts."""
    return store


@pytest.fixture
def plant(bare: schema.Store) -> schema.Store:
    """A store with an account of each role."""
    for role in reversed(ROLES):
        people.add_account(bare, NAMES[role], role, by="plant", at=NOW)
        people.set_password(bare, NAMES[role], WORD, by="plant", at=NOW)
        people.set_pin(bare, NAMES[role], PIN, by="plant", at=NOW)
    return bare


@pytest.fixture
def app(plant: schema.Store, clock: Clock) -> Dash:
    return create_app(plant, clock)


@pytest.fixture
def nobody(app: Dash) -> FlaskClient:
    return app.server.test_client()


def token_of(client: FlaskClient, path: str) -> str:
    found = re.search(r'name="csrf_token" value="([^"]+)"', client.get(path, headers=PAGE).text)
    assert found, f"{path} has no token"
    return found[1]


def send(client: FlaskClient, path: str, **fields: str) -> Any:
    """A plain form of a door, as a browser sends it."""
    sent = {"csrf_token": token_of(client, path), **fields}
    return client.post(path, data=sent, headers=PAGE)


def sign_in(client: FlaskClient, name: str, password: str = WORD) -> Any:
    return send(client, "/sign-in", name=name, password=password)


def signed_in(app: Dash, role: str) -> FlaskClient:
    client = app.server.test_client()
    assert sign_in(client, NAMES[role]).status_code == 303
    return client


def headers(client: FlaskClient) -> dict[str, str]:
    """What the app's scripts send along."""
    cookie = client.get_cookie("_csrf_token")
    return {"X-CSRFToken": cookie.value} if cookie else {}


def asked(client: FlaskClient, rule: Rule, method: str) -> Any:
    """A route asked for with something in every part of its address."""
    path = re.sub(r"<[^>]+>", "x", rule.rule)
    return client.open(path, method=method, json={}, headers=headers(client))


def call(client: FlaskClient, output: str) -> Any:
    """A callback asked for, as a page would ask."""
    parts = output.removeprefix("..").removesuffix("..").split("...")
    outputs = [dict(zip(("id", "property"), each.rsplit(".", 1), strict=True)) for each in parts]
    body = {
        "output": output,
        "outputs": outputs if output.startswith("..") else outputs[0],
        "inputs": [],
        "changedPropIds": [],
        "state": [],
    }
    return client.post(rights.CALLBACKS, json=body, headers=headers(client))


def routes(app: Dash) -> Iterator[tuple[Rule, str]]:
    for rule in app.server.url_map.iter_rules():
        yield from ((rule, method) for method in sorted(rule.methods - {"HEAD", "OPTIONS"}))


def callbacks(app: Dash) -> list[str]:
    app.server.test_client().get("/sign-in")  # the first request readies them
    return list(app.callback_map)


# The table


def test_every_route_has_a_rule_and_every_rule_a_route(app: Dash) -> None:
    assert {rule.rule for rule in app.server.url_map.iter_rules()} == set(rights.ROUTES)


def test_every_page_and_callback_has_a_rule(app: Dash) -> None:
    assert {"app", *(page.PATH[1:] for page in (*PAGES, *APART))} == set(rights.PAGES)
    for output in callbacks(app):
        for each in output.strip(".").split("..."):
            assert each.partition("-")[0] in rights.PAGES, f"{output} is on no page of the table"


def test_a_role_may_all_that_the_one_below_it_may() -> None:
    for lower, higher in pairwise(ROLES):
        assert rights.MAY[lower] < rights.MAY[higher]


# Nobody


def test_nobody_gets_the_doors_and_what_they_are_drawn_with_alone(app: Dash) -> None:
    client = app.server.test_client()
    for rule, method in routes(app):
        answer = asked(client, rule, method)
        if rights.ROUTES[rule.rule] == rights.BY_TOKEN:
            assert answer.status_code == 401, f"{method} {rule.rule} gives {answer.status_code}"
            assert answer.headers["WWW-Authenticate"].startswith("Bearer")
        elif rights.ROUTES[rule.rule] != rights.OPEN:
            assert answer.status_code == 401, f"{method} {rule.rule} gives {answer.status_code}"
            assert answer.get_json()["trouble"].startswith("Please sign in again")
    for output in callbacks(app):
        assert call(client, output).status_code == 401, output
    for path in ("/", "/floor", "/tally?tote=A1", "/nowhere", "/plan/sheet", "/claim/statement"):
        answer = client.get(path, headers=PAGE)
        assert answer.status_code == 303, path
        assert answer.headers["Location"].startswith("/sign-in")
    assert client.get("/station", headers=PAGE).headers["Location"].startswith("/sign-in")
    assert client.post("/station", data={"name": "x"}).status_code == 400


def test_open_routes_are_the_few_that_are_meant() -> None:
    opened = {rule for rule, right in rights.ROUTES.items() if right == rights.OPEN}
    assert opened == {
        "/sign-in",
        "/sign-in/words",
        "/sign-out",
        "/station",
        "/language",
        "/service-worker.js",
        "/no-network",
    }


def test_nobody_gets_of_the_files_those_of_the_doors_alone(nobody: FlaskClient) -> None:
    shown = [*(ROOT / "dashboard" / "templates").glob("*.html"), FILES / "toteproof.css"]
    text = "".join(path.read_text(encoding="utf-8") for path in shown)
    paths = [f"/assets/{each.name}" for each in FILES.iterdir()]
    drawn_with = {each for each in paths if each.rpartition("/")[2] in text}
    got = {each for each in paths if file_status(nobody, each) == 200}
    assert got == set(rights.AT_THE_DOOR)
    assert got == {*drawn_with, "/assets/source-sans-3-licence.txt"}  # the font's


def file_status(client: FlaskClient, path: str) -> int:
    with client.get(path) as answer:
        return answer.status_code


def test_the_sign_in_page_tells_nothing_of_the_plant(nobody: FlaskClient) -> None:
    text = nobody.get("/sign-in", headers=PAGE).text
    for word in (*NAMES.values(), "lane", "sprout", "SP1"):
        assert word not in text


def test_no_file_but_the_assets_can_be_reached(nobody: FlaskClient) -> None:
    with nobody.get("/assets/toteproof.css") as answer:
        assert answer.status_code == 200
    for path in ("../people.py", "..%2fpeople.py", "%2e%2e/app.py", "/etc/passwd", "../../x.db"):
        assert nobody.get(f"/assets/{path}").status_code in (303, 401, 404), path


def test_nobody_may_look_up_the_words_and_comes_back_to_the_door(nobody: FlaskClient) -> None:
    for door in ("/sign-in", "/sign-in?next=%2Flane%3Flane%3D2"):
        there = re.search(r'href="(/sign-in/words[^"]*)"', nobody.get(door, headers=PAGE).text)
        assert there
        shown = nobody.get(html.unescape(there[1]), headers=PAGE)
        assert shown.status_code == 200
        for each in ("acceptance number Ac", "ISO 2859-1", f'href="{door}"'):
            assert each in shown.text
    for other in ("https://a.example/", "//a.example", "/floor"):
        shown = nobody.get("/sign-in/words", query_string={"next": other}, headers=PAGE)
        assert 'class="choice" href="/sign-in"' in shown.text
    assert shown.text.count("<dt>") == sum(map(len, glossary.GROUPS.values()))
    for name in ("Lena", "Rosa", "Vera", "SP1"):
        assert name not in shown.text


# Each role


@pytest.mark.parametrize("role", ROLES)
def test_each_role_gets_what_it_may_and_nothing_else(app: Dash, role: str) -> None:
    client = signed_in(app, role)
    refused = {
        *(RECORDS if role == "viewer" else ()),
        *(DECIDES if role in ("viewer", "recorder") else ()),
        *(GOVERNS if role != "lead" else ()),
    }
    for rule, method in routes(app):
        if rights.ROUTES[rule.rule] in (rights.OPEN, rights.BY_TOKEN):
            continue
        if rule.rule == rights.CALLBACKS:
            continue
        answer = asked(client, rule, method)
        told = f"{method} {rule.rule} gives {answer.status_code}"
        assert (answer.status_code == 403) == (rule.rule in refused), told
        assert answer.status_code in (200, 403, 404, 422), told


@pytest.mark.parametrize("role", ROLES)
def test_each_role_gets_the_callbacks_of_its_pages_alone(app: Dash, role: str) -> None:
    client = signed_in(app, role)
    for output in callbacks(app):
        needed = {rights.PAGES[e.partition("-")[0]] for e in output.strip(".").split("...")}
        try:
            status = call(client, output).status_code
        except (IndexError, KeyError, TypeError):  # let in, and then without its inputs
            status = 200
        assert (status == 403) == (not needed <= rights.MAY[role]), f"{output} gives {status}"


# Written down a second time, as above.
HIDDEN = {
    "viewer": {"tally", "setup", "inspectors"},
    "recorder": {"setup", "inspectors"},
    "supervisor": {"setup", "inspectors"},
    "lead": set(),
}


@pytest.mark.parametrize("role", ROLES)
def test_each_role_sees_its_pages_alone(app: Dash, role: str) -> None:
    """Above all what speaks of inspectors, which is for the lead."""
    client = signed_in(app, role)
    hidden = set()
    assert rights.PAGES["words"] in rights.MAY[role]  # the glossary, which asks nothing of a store
    for page in set(rights.PAGES) - {"app", "words"}:
        try:
            drawn = f"{page}-body.children"
            answer = client.get("/floor/now") if page == "floor" else call(client, drawn)
        except (IndexError, KeyError, TypeError):  # let in, and then without its inputs
            continue
        hidden |= {page} if answer.status_code == 403 else set()
    assert hidden == HIDDEN[role]


def test_an_unknown_callback_or_route_is_refused_to_the_lead_too(app: Dash) -> None:
    client = signed_in(app, "lead")
    for output in ("nowhere-x.children", "..lane-body.children...x-y.z..", "", "tally-body"):
        body = {"output": output, "outputs": [], "inputs": []}
        answer = client.post(rights.CALLBACKS, json=body, headers=headers(client))
        assert answer.status_code == 403, output
    for body in ([], "x", None, {"output": 7}, {"output": ["lane-body.children"]}):
        answer = client.post(rights.CALLBACKS, json=body, headers=headers(client))
        assert answer.status_code == 403, body
    assert client.delete("/floor", headers=headers(client)).status_code in (403, 405)


ODD: list[Any] = [0, -1, 1e308, True, "x", "?lane=\0", [], [[]], {}, {"range": {"x": [1, 2]}}]
ODD += [{"range": {"x": ["0001-01-01", "9999-12-31"]}}, {"range": {"x": ["nan"]}}, {"range": []}]


def test_a_callback_asked_amiss_is_told_and_breaks_nothing(app: Dash, bare: schema.Store) -> None:
    """As it is served: a bug is then an answer 500."""
    app.server.config["PROPAGATE_EXCEPTIONS"] = False
    client = signed_in(app, "lead")
    for output in callbacks(app):
        kept = app.callback_map[output]
        parts = output.removeprefix("..").removesuffix("..").split("...")
        outputs = [dict(zip(("id", "property"), e.rsplit(".", 1), strict=True)) for e in parts]
        sound = {"output": output, "outputs": outputs if output.startswith("..") else outputs[0]}
        for value in ODD:
            fields = {
                name: [{**each, "value": value} for each in kept[name]]
                for name in ("inputs", "state")
            }
            answer = client.post(
                rights.CALLBACKS, json={**sound, **fields}, headers=headers(client)
            )
            assert answer.status_code in (200, 204, 400), (output, value, answer.text)
        whole = {**sound, "inputs": kept["inputs"], "state": kept["state"]}
        for amiss in (
            *({"inputs": []}, {"inputs": "x"}, {"inputs": [1]}, {"state": {}}, {"outputs": None}),
            *({"outputs": [{}]}, {"changedPropIds": 7}, {"changedPropIds": [7]}),
        ):
            answer = client.post(rights.CALLBACKS, json={**whole, **amiss}, headers=headers(client))
            assert answer.status_code == 400, (output, amiss)
            assert "load it again" in answer.get_json()["trouble"]
    answer = client.post(f"{rights.CALLBACKS}?cancelJob=1", json=whole, headers=headers(client))
    assert answer.status_code == 400


def test_every_input_has_a_kind(app: Dash) -> None:
    callbacks(app)
    kept = app.callback_map.values()
    assert {i["property"] for e in kept for i in (*e["inputs"], *e["state"])} <= set(KINDS)


def test_without_accounts_callbacks_are_held_against_what_they_take_too(
    bare: schema.Store,
) -> None:
    client = create_app(bare, lambda: NOW).server.test_client()
    assert client.post(rights.CALLBACKS, json={"output": "app-nav.children"}).status_code == 400
    assert call(client, "app-nav.children").status_code == 400


@pytest.mark.parametrize("came", ["http://[", "https://evil.example/x", "\x00", "http://localhost"])
def test_the_switch_of_languages_leads_nowhere_else(nobody: FlaskClient, came: str) -> None:
    answer = nobody.post("/language", data={"language": "es"}, headers={"Referer": came})
    assert (answer.status_code, answer.headers["Location"]) == (303, "/")


def test_pages_without_a_right_are_not_offered_and_not_drawn(app: Dash) -> None:
    client = signed_in(app, "viewer")
    body = {
        "output": "app-nav.children",
        "outputs": {"id": "app-nav", "property": "children"},
        "inputs": [{"id": "app-address", "property": "pathname", "value": "/tally"}],
        "changedPropIds": [],
        "state": [],
    }
    nav = str(client.post(rights.CALLBACKS, json=body, headers=headers(client)).get_json())
    assert "'/floor'" in nav
    assert "'/tally'" not in nav
    body |= {"output": "app-page.children", "outputs": {"id": "app-page", "property": "children"}}
    page = client.post(rights.CALLBACKS, json=body, headers=headers(client)).text
    assert "Your role has no right to this" in page
    assert "tally-body" not in page


# The route of a form on each page, and what its sending needs: written down a second time.
FORMS = {"/shift": "/shift/dispositions", "/lane?lane=1": "/lane/events"}


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("address", FORMS)
def test_a_form_is_shown_to_whoever_may_send_it(
    app: Dash, plant: schema.Store, address: str, role: str
) -> None:
    found = {"tote": "T1", "lane": "1", "inspector": "Ines", "inspected": 200, "stem": 30}
    audit = parse({**found, "pulled_at": NOW - timedelta(minutes=5)}, records.programme(plant))
    records.log(plant, audit, by="Ines", at=NOW)
    page, _, search = address.lstrip("/").partition("?")
    output = f"{page}-body.children"
    callbacks(app)
    inputs = [
        {**each, "value": f"?{search}" if each["property"] == "search" else None}
        for each in app.callback_map[output]["inputs"]
    ]
    body = {
        "output": output,
        "outputs": {"id": f"{page}-body", "property": "children"},
        "inputs": inputs,
        "changedPropIds": [],
        "state": [],
    }
    client = signed_in(app, role)
    answer = client.post(rights.CALLBACKS, json=body, headers=headers(client))
    assert answer.status_code == 200
    assert (FORMS[address] in str(answer.get_json())) == (role in ("supervisor", "lead"))


# Signing in and out


def test_a_wrong_password_is_told_and_the_right_one_leads_on(nobody: FlaskClient) -> None:
    answer = sign_in(nobody, "Lena", "wrong")
    assert answer.status_code == 401
    assert "This name and password do not go together." in answer.text
    assert sign_in(nobody, "nobody", WORD).text.count("do not go together") == 1
    to = "/sign-in?next=%2Flane%3Flane%3D2"
    answer = send(nobody, to, name="lena", password=WORD)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/lane?lane=2")
    layout = nobody.get("/_dash-layout").text
    assert "Lena, lead" in layout


def test_failures_lock_out_in_words_with_how_long(nobody: FlaskClient, clock: Clock) -> None:
    for _ in range(MOST_OWN):
        assert sign_in(nobody, "Lena", "wrong").status_code == 401
    clock.now += timedelta(minutes=3, seconds=30)
    answer = sign_in(nobody, "Lena")
    assert answer.status_code == 429
    assert "The next one is looked at in 12 minutes" in answer.text
    clock.now = NOW + WINDOW - timedelta(seconds=1)
    assert "in 1 minute;" in sign_in(nobody, "Lena").text
    clock.now = NOW + WINDOW
    assert sign_in(nobody, "Lena").status_code == 303


@pytest.mark.parametrize(
    "after",
    ["//evil.example", "https://evil.example", "/\\evil", "javascript:x", "x", "/a\r\nB: c"],
)
def test_nobody_is_led_to_another_server(nobody: FlaskClient, after: str) -> None:
    token = token_of(nobody, "/sign-in")
    sent = {"csrf_token": token, "name": "Lena", "password": WORD}
    answer = nobody.post("/sign-in", query_string={"next": after}, data=sent)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/")


def test_a_session_ends_by_time_and_says_so(app: Dash, clock: Clock) -> None:
    client = signed_in(app, "recorder")
    assert client.get("/tally/clock").status_code == 200
    clock.now += LASTS
    answer = client.post("/tally/audits", json=AUDIT, headers=headers(client))
    assert answer.status_code == 401
    assert answer.get_json()["trouble"].startswith("Please sign in again")
    assert client.get("/floor", headers=PAGE).headers["Location"] == "/sign-in?next=%2Ffloor"


def test_signing_out_ends_the_session_on_the_server(app: Dash) -> None:
    client = signed_in(app, "lead")
    kept = client.get_cookie("toteproof")
    assert kept
    token = headers(client)["X-CSRFToken"]
    assert client.post("/sign-out", data={"csrf_token": token}).status_code == 303
    client.set_cookie("toteproof", kept.value)  # as somebody who copied it would
    assert client.get("/tally/clock").status_code == 401


def test_a_new_password_signs_out_at_once(app: Dash, plant: schema.Store) -> None:
    client = signed_in(app, "recorder")
    people.set_password(plant, "Rosa", "another dozen of them", by="Lena", at=NOW)
    assert client.get("/tally/clock").status_code == 401


def test_a_changed_cookie_is_nobody(app: Dash) -> None:
    client = signed_in(app, "viewer")
    kept = client.get_cookie("toteproof")
    assert kept
    for value in (kept.value[:-3] + "abc", "x", "", kept.value.partition(".")[0]):
        client.set_cookie("toteproof", value)
        assert client.get("/_dash-layout").status_code == 401


@pytest.mark.parametrize("scheme", ["http", "https"])
def test_cookies_are_out_of_reach_of_scripts_and_other_sites(app: Dash, scheme: str) -> None:
    client = app.server.test_client()
    base = f"{scheme}://localhost"
    text = client.get("/sign-in", base_url=base, headers=PAGE).text
    token = re.findall(r'csrf_token" value="([^"]+)', text)[0]
    sent = {"csrf_token": token, "name": "Lena", "password": WORD}
    referrer = {"Referer": f"{base}/sign-in"}
    answer = client.post("/sign-in", base_url=base, data=sent, headers=referrer)
    made = {each.partition("=")[0]: each for each in answer.headers.getlist("Set-Cookie")}
    assert set(made) == {"toteproof", "_csrf_token"}
    assert "HttpOnly" in made["toteproof"]
    assert "SameSite=Lax" in made["toteproof"]
    assert "SameSite=Strict" in made["_csrf_token"]
    assert all(("Secure" in each) == (scheme == "https") for each in made.values())


def test_what_is_sent_needs_the_token(app: Dash, plant: schema.Store) -> None:
    client = signed_in(app, "lead")
    other = headers(signed_in(app, "recorder"))
    for more in ({}, {"X-CSRFToken": ""}, {"X-CSRFToken": "x"}, other):
        for path in ("/tally/audits", "/lane/events", rights.CALLBACKS):
            answer = client.post(path, json=AUDIT, headers=more)
            assert answer.status_code == 400
            assert answer.get_json()["trouble"].startswith("Please sign in again")
    for path in ("/sign-in", "/sign-out"):
        assert client.post(path, data={"name": "Lena", "password": WORD}).status_code == 400
    assert records.tallies(plant).empty
    assert client.get("/tally/clock").status_code == 200  # nobody was signed out


PRIVATE = ("/floor", "/_dash-layout", "/ledger/export.csv", "/claim/audits.csv")


def test_nothing_signed_in_is_kept_by_browsers_or_proxies(app: Dash) -> None:
    client = signed_in(app, "lead")
    for path in PRIVATE:
        assert client.get(path).headers["Cache-Control"] == "no-store", path


def test_nothing_is_kept_without_accounts_either(bare: schema.Store) -> None:
    client = create_app(bare, lambda: NOW).server.test_client()
    for path in PRIVATE:
        assert client.get(path).headers["Cache-Control"] == "no-store", path


# By whom


def test_what_is_recorded_is_by_whoever_signed_in(app: Dash, plant: schema.Store) -> None:
    client = signed_in(app, "supervisor")
    typed = {**AUDIT, "inspector": "somebody else"}
    assert client.post("/tally/audits", json=typed, headers=headers(client)).status_code == 200
    row = records.history(plant, "k-1").iloc[0]
    assert (row["by"], row["inspector"], row["source"]) == ("Sam", "somebody else", "form")
    event = {"key": "e-1", "lane": "1", "kind": "camera", "what": "cleaned", "who": "Mr Nobody"}
    assert client.post("/lane/events", json=event, headers=headers(client)).status_code == 200
    done = {"key": "d-1", "lane": "1", "tote": "A1", "what": "re-sort", "why": "x", "who": "y"}
    answer = client.post("/shift/dispositions", json=done, headers=headers(client))
    assert answer.status_code == 200
    with schema.reading(plant) as connection:
        for table in (schema.event, schema.disposition):
            assert connection.execute(table.select()).mappings().one()["by"] == "Sam"


def test_a_recorder_is_the_inspector(app: Dash, plant: schema.Store) -> None:
    client = signed_in(app, "recorder")
    answer = client.post("/tally/audits", json=AUDIT, headers=headers(client))
    assert answer.status_code == 200
    typed = {**AUDIT, "key": "k-2", "inspector": "somebody else"}
    answer = client.post("/tally/audits", json=typed, headers=headers(client))
    assert answer.status_code == 422
    assert "must be your own name" in answer.get_json()["problems"]["inspector"]
    # What waited in this browser while Sam was signed in stays Sam's.
    client.post("/tally/audits", json={**typed, "inspector": "Sam"}, headers=headers(client))
    kept = records.tallies(plant).set_index("key")["inspector"].to_dict()
    assert kept == {"k-1": "Rosa", "k-2": "Sam"}
    assert records.history(plant, "k-2")["by"].tolist() == ["Rosa"]


# Stations


@pytest.fixture
def station(app: Dash) -> FlaskClient:
    client = signed_in(app, "lead")
    answer = send(client, "/station", name="Tablet 1")
    assert (answer.status_code, answer.headers["Location"]) == (303, "/station")
    cookie = client.get_cookie("toteproof_station")
    assert cookie
    assert (cookie.http_only, cookie.same_site) == (True, "Strict")
    assert client.get("/_dash-layout").status_code == 401  # the lead is signed out
    return client


def test_an_inspector_logs_at_a_station_by_pin(station: FlaskClient, plant: schema.Store) -> None:
    text = station.get("/station", headers=PAGE).text
    assert "Station Tablet 1" in text
    offered = {name for name in NAMES.values() if f'value="{name}"' in text}
    assert offered == {"Rosa", "Sam", "Lena"}  # a viewer logs nothing
    answer = send(station, "/station", name="Rosa", pin="9999")
    assert answer.status_code == 401
    assert "This PIN is not that inspector" in answer.text
    answer = send(station, "/station", name="Rosa", pin=PIN)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/tally")
    assert "Rosa, at Tablet 1" in station.get("/_dash-layout").text
    station.post("/tally/audits", json=AUDIT, headers=headers(station))
    row = records.history(plant, "k-1").iloc[0]
    assert (row["by"], row["inspector"], row["source"]) == ("Rosa", "Rosa", "station Tablet 1")


def test_nobody_is_more_than_a_recorder_at_a_station(station: FlaskClient) -> None:
    send(station, "/station", name="Lena", pin=PIN)
    assert station.post("/lane/events", json={}, headers=headers(station)).status_code == 403
    assert station.get("/tally/clock").status_code == 200
    send(station, "/station", name="Vera", pin=PIN)
    assert station.get("/tally/clock").status_code == 403  # and a viewer stays one


def test_wrong_pins_lock_out(station: FlaskClient) -> None:
    for _ in range(MOST_OWN):
        assert send(station, "/station", name="Rosa", pin="9999").status_code == 401
    assert send(station, "/station", name="Rosa", pin=PIN).status_code == 429
    assert send(station, "/station", name="Sam", pin=PIN).status_code == 303


def test_a_station_that_is_revoked_opens_nothing(station: FlaskClient, plant: schema.Store) -> None:
    send(station, "/station", name="Rosa", pin=PIN)
    people.revoke(plant, "Tablet 1", by="Lena", at=NOW, reason="lost")
    assert station.get("/tally/clock").status_code == 401
    answer = station.get("/station", headers=PAGE)
    assert answer.headers["Location"].startswith("/sign-in")


def test_a_pin_opens_nothing_without_the_station(app: Dash, station: FlaskClient) -> None:
    send(station, "/station", name="Rosa", pin=PIN)
    session = station.get_cookie("toteproof")
    assert session
    other = app.server.test_client()
    other.set_cookie("toteproof", session.value)
    assert other.get("/tally/clock").status_code == 401
    assert sign_in(other, "Rosa", PIN).status_code == 401


@pytest.mark.parametrize("role", ["viewer", "recorder", "supervisor"])
def test_only_the_lead_makes_a_station(app: Dash, plant: schema.Store, role: str) -> None:
    client = signed_in(app, role)
    token = headers(client)["X-CSRFToken"]
    for answer in (
        client.get("/station", headers=PAGE),
        client.post("/station", data={"csrf_token": token, "name": "Mine"}),
    ):
        assert answer.headers["Location"].startswith("/sign-in")
    assert people.devices(plant) == ()


def test_a_station_s_name_is_one(app: Dash) -> None:
    answer = send(signed_in(app, "lead"), "/station", name="<b>")
    assert answer.status_code == 422
    assert "a name must have 1 to 40 letters" in answer.text
    assert "<b>" not in answer.text


# Devices


@pytest.mark.parametrize("role", ["viewer", "recorder"])
def test_a_device_gets_the_api_alone_and_what_its_role_may(
    app: Dash, plant: schema.Store, role: str
) -> None:
    token = people.register(plant, "scale 3", "token", role=role, by="Lena", at=NOW)
    client, by = app.server.test_client(), {"Authorization": f"Bearer {token}"}
    for rule, method in routes(app):
        path = re.sub(r"<[^>]+>", "x", rule.rule)
        status = client.open(path, method=method, json={}, headers=by).status_code
        right = rights.ROUTES[rule.rule]
        if right == rights.BY_TOKEN:
            assert (status == 403) == (method == "POST" and role == "viewer"), rule.rule
            assert status in (200, 403, 422)
        elif right != rights.OPEN:
            assert status == 401, rule.rule


def test_nobody_s_session_opens_the_api(app: Dash) -> None:
    client = signed_in(app, "lead")
    assert client.get("/api/v1/audits").status_code == 401


# Without accounts


def test_one_person_may_work_without_accounts_on_this_machine_alone(bare: schema.Store) -> None:
    client = create_app(bare, lambda: NOW).server.test_client()
    assert client.post("/tally/audits", json={**AUDIT, "inspector": "Ines"}).status_code == 200
    assert client.get("/sign-in").headers["Location"] == "/"
    assert client.get("/station").headers["Location"] == "/"
    for address in ("10.0.0.7", "2001:db8::1", "", "x"):
        answer = client.get("/floor", environ_overrides={"REMOTE_ADDR": address}, headers=PAGE)
        assert answer.status_code == 403, address
        assert "until there are accounts" in answer.text


HERE = "http://localhost"


@pytest.mark.parametrize(
    ("asked", "answered"),
    [
        ({}, True),
        ({"Origin": HERE}, True),
        ({"Referer": f"{HERE}/floor"}, True),
        ({"Referer": "https://wiki.example/", **PAGE}, True),  # a link that somebody followed
        *(({name: "10.0.0.7"}, False) for name in rights.PASSED_ON),
        ({"Origin": "https://quality.example"}, False),
        ({"Origin": "https://quality.example", **PAGE}, False),
        ({"Origin": "http://localhost:8051"}, False),
        ({"Origin": "null"}, False),
        ({"Origin": "http://[", "Referer": HERE}, False),
        ({"Referer": "https://quality.example/floor"}, False),
    ],
    ids=str,
)
def test_without_accounts_nobody_is_let_in_through_another_server(
    bare: schema.Store, asked: dict[str, str], answered: bool
) -> None:
    """A server before it may ask by this machine's own address and name."""
    client = create_app(bare, lambda: NOW).server.test_client()
    token = people.register(bare, "scale 3", "token", by="Lena", at=NOW)
    by = {**asked, "Authorization": f"Bearer {token}"}
    for path in ("/_dash-layout", "/tally/clock", "/assets/tally.js", "/api/v1/drift"):
        with client.get(path, headers=by) as answer:
            assert answer.status_code == (200 if answered else 403), path
    audit = {**AUDIT, "inspector": "Ines"}
    answer = client.post("/tally/audits", json=audit, headers=asked)
    assert answer.status_code == (200 if answered else 403)
    assert records.tallies(bare).empty != answered


def test_without_accounts_the_old_protocol_is_refused(bare: schema.Store) -> None:
    """A server before it may speak it and say nothing else of itself."""
    client = create_app(bare, lambda: NOW).server.test_client()
    old = {"SERVER_PROTOCOL": "HTTP/1.0"}
    assert client.get("/_dash-layout", environ_overrides=old).status_code == 403


def test_with_accounts_a_server_before_it_is_welcome(app: Dash) -> None:
    client = signed_in(app, "lead")
    by = {**headers(client), "Via": "1.1 gate", "X-Forwarded-For": "10.0.0.7"}
    assert client.get("/_dash-layout", headers=by).status_code == 200


def test_the_first_account_shuts_a_server_that_runs(bare: schema.Store) -> None:
    client = create_app(bare, lambda: NOW).server.test_client()
    assert client.get("/_dash-layout").status_code == 200
    people.add_account(bare, "Lena", "lead", by="plant", at=NOW)
    assert client.get("/_dash-layout").status_code == 401
    people.set_password(bare, "Lena", WORD, by="plant", at=NOW)
    assert sign_in(client, "Lena").status_code == 303
    assert client.get("/_dash-layout").status_code == 200


@pytest.mark.parametrize("role", ROLES)
def test_the_ways_to_have_audits_are_offered_to_those_who_may_go_them(app: Dash, role: str) -> None:
    """An empty plant's Floor: a viewer may neither log nor import."""
    said = str(signed_in(app, role).get("/floor/now").get_json())
    assert ("Log an audit" in said) == (role != "viewer")
    assert ("Import a file" in said) == (role == "lead")
