"""People on Setup, without a browser: what it lists, does and refuses, and what nobody is told."""

import re
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from argon2 import PasswordHasher
from flask.testing import FlaskClient

from dashboard import people as rights
from dashboard.app import create_app
from dashboard.pages import setup
from dashboard.views.people import ACCOUNT, DEED, DEEDS, WHO, WHY
from qa.errors import StoreError
from qa.store import people, schema, trail
from qa.store.devices import NOTED_EVERY
from qa.store.sign_ins import MOST_OWN
from tests.databases import on_both
from tests.small_plant import NOW

database = on_both
AT, WORD, WHAT = "/setup/people", "a dozen sprouts and one", "the season begins"
PAGE = {"Accept": "text/html"}
BY: dict[str, Any] = {"by": "plant", "at": NOW - timedelta(days=3), "reason": WHAT}


@pytest.fixture(autouse=True)
def light(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    hasher = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(people, "_hasher", lambda: hasher)
    people._nobodys.cache_clear()
    yield
    people._nobodys.cache_clear()


@pytest.fixture
def led(store: schema.Store) -> schema.Store:
    """A store with a lead, and an inspector who has a PIN."""
    people.add_account(store, "Lena", "lead", password=WORD, **BY)
    people.add_account(store, "Rosa", "recorder", **BY)
    people.set_pin(store, "Rosa", "2580", **BY)
    return store


@pytest.fixture
def lead(led: schema.Store) -> FlaskClient:
    client = create_app(led, lambda: NOW).server.test_client()
    assert sign_in(client, "Lena").status_code == 303
    return client


def sign_in(client: FlaskClient, name: str, password: str = WORD) -> Any:
    page = client.get("/sign-in", headers=PAGE).text
    token = re.findall(r'csrf_token" value="([^"]+)', page)[0]
    sent = {"csrf_token": token, "name": name, "password": password}
    return client.post("/sign-in", data=sent, headers=PAGE)


def token_of(client: FlaskClient) -> dict[str, str]:
    cookie = client.get_cookie("_csrf_token")
    return {"X-CSRFToken": cookie.value} if cookie else {}


def sent(client: FlaskClient, deed: str, **fields: str) -> Any:
    asked = {DEED: deed, WHY: WHAT, WHO: "somebody else", **fields}
    return client.post(AT, json=asked, headers=token_of(client))


def shown(client: FlaskClient, search: str = "?part=people") -> str:
    body = {
        "output": "setup-body.children",
        "outputs": {"id": "setup-body", "property": "children"},
        "inputs": [
            {"id": "app-address", "property": "search", "value": search},
            *({"id": f"{name}-fresh", "property": "data"} for name in setup.FORMS),
        ],
        "changedPropIds": [],
        "state": [],
    }
    answer = client.post("/_dash-update-component", json=body, headers=token_of(client))
    assert answer.status_code == 200
    return str(answer.get_json())


def proves(store: schema.Store, name: str, what: str, typed: str) -> bool:
    with schema.reading(store) as connection:
        return people.proves(connection, people.account(connection, name), what, typed)


# What it lists


def test_accounts_devices_and_changes_are_listed(lead: FlaskClient, led: schema.Store) -> None:
    people.set_disabled(led, "Rosa", True, **BY)
    people.register(led, "scale 3", people.TOKEN, **BY)
    text = shown(lead)
    for word in ("Lena", "Rosa", "'password'", "'PIN'", "'shut'", "scale 3", "Rosa got a PIN"):
        assert word in text, word
    assert "2026-04-20 12:00" in text  # Lena's sign-in, in the plant's time
    assert text.count("'never'") == 2  # Rosa never signed in, the scale sent nothing
    assert text.count(WHAT) == 6
    one = shown(lead, "?part=people&account=rosa")
    assert "Rosa was shut" in one
    assert "Open this account again" in one
    assert "Lena was added" not in one


def test_no_digest_is_ever_shown(lead: FlaskClient, led: schema.Store) -> None:
    key = people.register(led, "scale 3", people.TOKEN, **BY)
    text = shown(lead) + shown(lead, "?part=people&account=Lena")
    for word in ("argon2", key, people.digest(key)):
        assert word not in text


def test_who_is_locked_out_is_seen_and_a_new_password_lets_in(
    lead: FlaskClient, led: schema.Store
) -> None:
    people.set_password(led, "Rosa", WORD, **BY)
    other = create_app(led, lambda: NOW).server.test_client()
    for _ in range(MOST_OWN):
        assert sign_in(other, "Rosa", "wrong").status_code == 401
    assert sign_in(other, "Rosa").status_code == 429
    assert "2026-04-20 12:15" in shown(lead)
    assert "Locked out until 2026-04-20 12:15" in shown(lead, "?part=people&account=Rosa")
    later = create_app(led, lambda: NOW + timedelta(minutes=1)).server
    client = later.test_client()
    assert sign_in(client, "Lena").status_code == 303
    assert sent(client, "password", account="Rosa", password=WORD + "!").status_code == 200
    assert "12:15" not in shown(client)
    assert sign_in(later.test_client(), "Rosa", WORD + "!").status_code == 303


def test_an_account_that_is_not_there_is_said(lead: FlaskClient) -> None:
    assert "There is no account Otto in the store." in shown(lead, "?part=people&account=Otto")


# What it does


def test_a_person_is_added_with_a_password_and_a_pin(lead: FlaskClient, led: schema.Store) -> None:
    fields = {"name": "Sam", "role": "supervisor", "password": f" {WORD} ", "pin": "1379"}
    answer = sent(lead, "add", **fields)
    assert answer.get_json() == {"once": "", "said": "Sam may sign in, as supervisor."}
    assert proves(led, "Sam", "password", f" {WORD} ")  # as it is typed at the door too
    assert proves(led, "Sam", "pin", "1379")
    newest = people.changes(led)[0]
    assert (newest.name, newest.by, newest.at, newest.reason) == ("Sam", "Lena", NOW, WHAT)
    assert trail.check(led) == ()


def test_a_password_that_nobody_typed_is_made_and_told_once(
    lead: FlaskClient, led: schema.Store
) -> None:
    said = sent(lead, "add", name="Sam", role="viewer").get_json()
    assert said["said"] == "Sam may sign in, as viewer. The password, told this once:"
    assert re.fullmatch(r"([a-z2-9]{5}-){2}[a-z2-9]{5}", said["once"])
    assert proves(led, "Sam", "password", said["once"])
    again = sent(lead, "password", account="Sam").get_json()
    assert again["once"] != said["once"]
    assert proves(led, "Sam", "password", again["once"])
    assert again["once"] not in shown(lead)


def test_a_pin_alone_makes_no_password(lead: FlaskClient, led: schema.Store) -> None:
    said = sent(lead, "add", name="Ivo", role="recorder", pin="1379").get_json()
    assert said == {"once": "", "said": "Ivo may sign in, as recorder."}
    ivo = next(each for each in people.accounts(led) if each.name == "Ivo")
    assert (ivo.password, ivo.pin) == (False, True)


def test_each_change_is_done_dated_and_signed(lead: FlaskClient, led: schema.Store) -> None:
    for deed, more, said in (
        ("role", {"role": "supervisor"}, "Rosa is supervisor from the next sign-in on."),
        ("password", {"password": WORD}, "Rosa has a new password, and is signed out everywhere."),
        ("pin", {"pin": "1379"}, "Rosa has a new PIN, and is signed out everywhere."),
        ("shut", {}, "Rosa is shut, and signed out everywhere."),
        ("open", {}, "Rosa may sign in again, as supervisor."),
    ):
        assert sent(lead, deed, account="rosa", **more).get_json()["said"] == said
    done = people.changes(led)[:5]
    assert [e.action for e in done] == ["enabled", "disabled", "pin", "password", "role"]
    assert {(e.name, e.by, e.at, e.reason) for e in done} == {("Rosa", "Lena", NOW, WHAT)}
    assert trail.check(led) == ()


def test_the_same_role_again_changes_nothing(lead: FlaskClient, led: schema.Store) -> None:
    before = people.changes(led)
    assert sent(lead, "role", account="Rosa", role="recorder").status_code == 200
    assert people.changes(led) == before


def test_a_token_is_told_once_used_and_revoked(lead: FlaskClient, led: schema.Store) -> None:
    said = sent(lead, "token", name="scale 3", role="viewer").get_json()
    assert said["said"] == "The token of scale 3 (viewer), told this once:"
    assert said["once"] not in shown(lead)
    by = {"Authorization": f"Bearer {said['once']}"}
    other = create_app(led, lambda: NOW).server.test_client()
    assert other.get("/api/v1/drift", headers=by).status_code == 200
    assert people.devices(led)[0].used == NOW
    assert shown(lead).count("'2026-04-20 12:00'") >= 2
    ended = sent(lead, "revoke", name="scale 3").get_json()
    assert ended["said"] == "scale 3 opens nothing any more."
    assert other.get("/api/v1/drift", headers=by).status_code == 401
    assert [e.action for e in people.changes(led)[:2]] == ["revoked", "registered"]
    assert trail.check(led) == ()


# When a key was last used


def test_use_is_noted_to_an_hour_and_never_again_sooner(led: schema.Store) -> None:
    key = people.register(led, "scale 3", people.TOKEN, **BY)
    for minutes, known in ((0, 0), (59, 0), (60, 60), (61, 60)):
        at = NOW + timedelta(minutes=minutes)
        rights.known_device(led, key, people.TOKEN, at)
        assert people.devices(led)[0].used == NOW + timedelta(minutes=known)
    assert timedelta(hours=1) == NOTED_EVERY
    people.register(led, "scale 3", people.TOKEN, **BY)
    assert people.devices(led)[0].used is None  # another key


def test_a_store_that_takes_nothing_still_answers(
    led: schema.Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    key = people.register(led, "scale 3", people.TOKEN, **BY)

    def refused(*_: Any, **__: Any) -> None:
        raise StoreError("the disk is full")

    monkeypatch.setattr(people, "note_use", refused)
    assert rights.known_device(led, key, people.TOKEN, NOW)


# What it refuses


def test_what_is_missing_is_said_beside_its_field(lead: FlaskClient, led: schema.Store) -> None:
    before = people.changes(led)
    for deed, (needs, _) in DEEDS.items():
        answer = lead.post(AT, json={DEED: deed}, headers=token_of(lead))
        assert answer.status_code == 422
        assert answer.get_json()["problems"] == dict.fromkeys((*needs, WHY), "is missing")
    assert people.changes(led) == before


@pytest.mark.parametrize(
    ("deed", "fields", "said"),
    [
        ("", {}, 'deed must be one of add, role, password, pin, shut, open, token, revoke, got ""'),
        ("add", {"name": "LENA", "role": "viewer"}, "there is an account Lena already"),
        ("add", {"name": "<b>", "role": "viewer"}, "a name must have 1 to 40 letters or digits"),
        ("add", {"name": "Sam", "role": "owner"}, "role must be one of viewer, recorder,"),
        ("add", {"name": "Sam", "role": "lead", "password": "short"}, "a password must have 12"),
        ("add", {"name": "Sam", "role": "lead", "pin": "1111"}, "a PIN must have 4 to 8 digits"),
        ("role", {"account": "Lena", "role": "viewer"}, "Lena is the only lead who can sign in"),
        ("shut", {"account": "Lena"}, "Lena is the only lead who can sign in"),
        ("shut", {"account": "Otto"}, "there is no account Otto in the store"),
        ("password", {"account": "Rosa", "password": "x"}, "a password must have 12 to 200"),
        ("pin", {"account": "Rosa"}, "a PIN must have 4 to 8 digits, not all the same"),
        ("token", {"name": "scale 3", "role": "lead"}, "role must be one of viewer, recorder, got"),
        ("revoke", {"name": "scale 3"}, "there is no device scale 3 in the store"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_sentence_and_nothing_is_changed(
    lead: FlaskClient, led: schema.Store, deed: str, fields: dict[str, str], said: str
) -> None:
    before = people.changes(led)
    answer = sent(lead, deed, **fields)
    assert answer.status_code == 422
    trouble = answer.get_json()["trouble"]
    assert trouble.startswith(said)
    assert "\n" not in trouble
    assert people.changes(led) == before


def test_leads_cannot_all_be_shut(lead: FlaskClient, led: schema.Store) -> None:
    """Neither one after the other, nor by one who could not sign in anyway."""
    sent(lead, "add", name="Otto", role="lead", pin="1379")
    assert sent(lead, "shut", account="Lena").status_code == 422
    sent(lead, "password", account="Otto", password=WORD)
    assert sent(lead, "shut", account="Lena").status_code == 200
    assert lead.get("/_dash-layout").status_code == 401  # she is signed out herself
    assert sign_in(lead, "Otto").status_code == 303
    assert sent(lead, "shut", account="Otto").status_code == 422


@pytest.mark.parametrize("role", ["viewer", "recorder", "supervisor"])
def test_only_a_lead_sees_or_changes_people(led: schema.Store, role: str) -> None:
    people.add_account(led, "Sam", role, password=WORD, **BY)
    client = create_app(led, lambda: NOW).server.test_client()
    sign_in(client, "Sam")
    before = people.changes(led)
    for deed in DEEDS:
        fields = {"name": "Eve", "role": "lead", ACCOUNT: "Sam", "pin": "1379"}
        assert sent(client, deed, **fields).status_code == 403
    body = {"output": "setup-body.children", "outputs": {}, "inputs": []}
    answer = client.post("/_dash-update-component", json=body, headers=token_of(client))
    assert answer.status_code == 403
    assert people.changes(led) == before


def test_without_the_browser_s_token_nothing_is_done(lead: FlaskClient, led: schema.Store) -> None:
    before = people.changes(led)
    for more in ({}, {"X-CSRFToken": "x"}):
        answer = lead.post(AT, json={DEED: "shut", ACCOUNT: "Rosa", WHY: "x"}, headers=more)
        assert answer.status_code == 400
    assert people.changes(led) == before


# Without accounts


def test_without_accounts_it_says_how_they_come_to_be(store: schema.Store) -> None:
    client = create_app(store, lambda: NOW).server.test_client()
    text = shown(client)
    assert "There are no accounts: whoever sits at this machine works without one" in text
    assert "toteproof user add" in text
    assert "setup-add-role" in text
    assert "setup-token-name" not in text
    assert "'supervisor'" not in text  # the first is a lead's


def test_the_first_lead_is_made_here_and_then_everybody_signs_in(store: schema.Store) -> None:
    client = create_app(store, lambda: NOW).server.test_client()
    refused = sent(client, "add", name="Rosa", role="recorder")
    assert refused.get_json()["trouble"] == "the first account must be a lead's, got recorder"
    alone = sent(client, "add", name="Lena", role="lead", pin="1379")
    assert alone.get_json()["trouble"] == (
        "the first account must have a password, and not a PIN alone"
    )
    assert not people.any_accounts(store)
    said = sent(client, "add", name="Lena", role="lead").get_json()
    assert client.get("/_dash-layout").status_code == 401
    assert sign_in(client, "Lena", said["once"]).status_code == 303
    assert people.changes(store)[0].by == "somebody else"  # as it was typed
