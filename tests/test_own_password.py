"""Whoever signed in changes their own password and PIN, and nobody else's."""

import pytest
from dash import Dash
from flask.testing import FlaskClient

from dashboard.app import create_app
from qa.store import people, schema, sign_ins
from qa.store.sign_ins import MOST_OWN
from tests.databases import on_both
from tests.small_plant import NOW
from tests.test_rights import (  # noqa: F401 (fixtures)
    NAMES,
    PAGE,
    PIN,
    WORD,
    app,
    bare,
    clock,
    light,
    nobody,
    plant,
    send,
    signed_in,
    station,
)

database = on_both
OTHER = "thirteen sprouts, trimmed"


def change(client: FlaskClient, **fields: str) -> tuple[int, str]:
    answer = send(client, "/password", **fields)
    return answer.status_code, answer.text


def passes(store: schema.Store, name: str, password: str) -> bool:
    return bool(sign_ins.try_password(store, name, password, "elsewhere", at=NOW).key)


@pytest.mark.parametrize("role", NAMES)
def test_everybody_changes_their_own_password(app: Dash, plant: schema.Store, role: str) -> None:  # noqa: F811
    client, elsewhere = signed_in(app, role), signed_in(app, role)
    assert change(client, now=WORD, password=OTHER, again=OTHER)[0] == 303
    assert client.get("/floor", headers=PAGE).status_code == 200  # signed in here still
    assert elsewhere.get("/floor", headers=PAGE).status_code == 303  # and out everywhere else
    assert passes(plant, NAMES[role], OTHER)
    assert not passes(plant, NAMES[role], WORD)
    others = set(NAMES.values()) - {NAMES[role]}
    assert all(passes(plant, each, WORD) for each in others)
    last = people.changes(plant)[0]
    assert (last.name, last.action, last.by) == (NAMES[role], "password", NAMES[role])


def test_a_pin_alone_is_changed_and_the_password_stays(app: Dash, plant: schema.Store) -> None:  # noqa: F811
    client = signed_in(app, "recorder")
    assert change(client, now=WORD, pin="918273")[0] == 303
    assert sign_ins.try_pin(plant, "Rosa", "918273", "station T", at=NOW).key
    assert not sign_ins.try_pin(plant, "Rosa", PIN, "station T", at=NOW).key
    assert passes(plant, "Rosa", WORD)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({}, "Nothing new was typed"),
        ({"password": OTHER, "again": WORD}, "not typed the same twice"),
        ({"password": "short", "again": "short"}, "12 to 200 characters"),
        ({"pin": "1111"}, "4 to 8 digits, not all the same"),
        ({"password": OTHER, "again": OTHER, "pin": "12"}, "4 to 8 digits"),
    ],
)
def test_what_cannot_be_is_told_and_nothing_changes(
    app: Dash,  # noqa: F811
    plant: schema.Store,  # noqa: F811
    typed: dict[str, str],
    said: str,
) -> None:
    before = len(people.changes(plant))
    status, text = change(signed_in(app, "recorder"), now=WORD, **typed)
    assert status == 422
    assert said in text
    assert len(people.changes(plant)) == before
    assert all(each not in text for each in (WORD, OTHER))  # nothing typed is sent back


def test_the_password_that_holds_is_asked_for_and_guessing_it_locks_out(
    app: Dash,  # noqa: F811
    plant: schema.Store,  # noqa: F811
) -> None:
    client = signed_in(app, "recorder")
    for _ in range(MOST_OWN):
        status, text = change(client, now="not this one at all", pin="918273")
        assert status == 401
        assert "not the password that you have now" in text
    assert change(client, now=WORD, pin="918273")[0] == 429
    assert not sign_ins.try_pin(plant, "Rosa", "918273", "station T", at=NOW).key


def test_nobody_gets_there_without_signing_in(nobody: FlaskClient) -> None:  # noqa: F811
    answer = nobody.get("/password", headers=PAGE)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/sign-in?next=%2Fpassword")


def test_it_needs_the_token(app: Dash, plant: schema.Store) -> None:  # noqa: F811
    sent = {"now": WORD, "password": OTHER, "again": OTHER}
    assert signed_in(app, "recorder").post("/password", data=sent).status_code == 400
    assert passes(plant, "Rosa", WORD)


def test_a_station_changes_no_password(station: FlaskClient) -> None:  # noqa: F811
    send(station, "/station", name="Rosa", pin=PIN)
    answer = station.get("/password", headers=PAGE)
    assert answer.status_code == 403
    assert "not changed at a station" in answer.text


def test_without_accounts_there_is_none_to_change(bare: schema.Store) -> None:  # noqa: F811
    client = create_app(bare, lambda: NOW).server.test_client()
    answer = client.get("/password", headers=PAGE)
    assert answer.status_code == 404
    assert "no accounts yet" in answer.text
