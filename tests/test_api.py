"""The HTTP API: what it takes and gives, what it refuses in which words, and README's example."""

import doctest
import json
import re
import threading
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from werkzeug.serving import make_server

from dashboard import api
from dashboard.app import create_app
from qa import drift, efficiency
from qa._plain import plain
from qa.errors import StoreError, StoreUnavailable
from qa.store import people, records, schema
from tests.databases import BOTH, place
from tests.small_plant import NOW, small_plant

README = (Path(__file__).resolve().parents[1] / "README.md").read_text(encoding="utf-8")
AUDITS = "/api/v1/audits"


@pytest.fixture(scope="module", params=BOTH)
def plant(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[schema.Store]:
    opened = small_plant(place(request.param, tmp_path_factory.mktemp("api"), request))
    yield opened
    opened.engine.dispose()


@pytest.fixture(scope="module")
def client(plant: schema.Store) -> FlaskClient:
    return create_app(plant, lambda: NOW).server.test_client()


@pytest.fixture(scope="module")
def token(plant: schema.Store) -> str:
    return people.register(plant, "scale 3", people.TOKEN, by="Lena", at=NOW)


def bearer(token: str, **more: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}", **more}


@pytest.fixture
def fields() -> dict[str, Any]:
    at = (NOW - timedelta(minutes=4)).isoformat()
    return {"pulled_at": at, "lane": "1", "inspector": "insp-09", "inspected": 200, "stem": 1}


def test_an_audit_is_recorded_once_and_by_the_device(
    client: FlaskClient, plant: schema.Store, token: str, fields: dict[str, Any]
) -> None:
    sent = {**fields, "tote": "A1", "key": "k-1"}
    first = client.post(AUDITS, json=sent, headers=bearer(token))
    second = client.post(AUDITS, json=sent, headers=bearer(token))
    assert (first.status_code, second.status_code) == (201, 200)
    said = first.get_json()
    assert said == {**second.get_json(), "new": True}
    assert (said["key"], said["tote"], said["correct"]) == ("k-1", "A1", 199)
    assert (said["verdict"]["verdict"], said["verdict"]["floor"]) == ("accept", "release")
    row = records.history(plant, "k-1").iloc[0]
    assert (row["by"], row["inspector"], row["source"]) == ("scale 3", "insp-09", "token scale 3")


def test_the_key_may_come_in_the_header(
    client: FlaskClient, plant: schema.Store, token: str, fields: dict[str, Any]
) -> None:
    by = bearer(token, **{"Idempotency-Key": "k-2"})
    for status in (201, 200):
        assert client.post(AUDITS, json={**fields, "tote": "A2"}, headers=by).status_code == status
    assert records.tallies(plant, tote="A2")["key"].tolist() == ["k-2"]
    both = client.post(AUDITS, json={**fields, "tote": "A2", "key": "k-3"}, headers=by)
    assert both.status_code == 422
    assert both.get_json()["problems"] == {
        "key": "must be the same here and in the header Idempotency-Key, got k-2 there"
    }
    none = client.post(AUDITS, json={**fields, "tote": "A2"}, headers=bearer(token))
    assert none.status_code == 422
    assert none.get_json()["problems"]["key"].startswith("must name the audit, here or in the")


def test_the_same_key_with_other_counts_is_a_conflict(
    client: FlaskClient, token: str, fields: dict[str, Any]
) -> None:
    sent = {**fields, "tote": "A4", "key": "k-4"}
    assert client.post(AUDITS, json=sent, headers=bearer(token)).status_code == 201
    answer = client.post(AUDITS, json={**sent, "stem": 2}, headers=bearer(token))
    assert answer.status_code == 409
    told = "audit k-4 is recorded with other content: correct is 199 there and 198 here, stem is 1"
    assert answer.get_json()["trouble"].startswith(told)


def test_every_problem_is_told_by_its_field(
    client: FlaskClient, plant: schema.Store, token: str, fields: dict[str, Any]
) -> None:
    before = records.newest(plant)
    sent = {**fields, "key": "k-5", "lane": "77", "stem": -1, "pulled_at": "soon", "what": 1}
    answer = client.post(AUDITS, json=sent, headers=bearer(token))
    assert answer.status_code == 422
    assert set(answer.get_json()["problems"]) == {"lane", "stem", "pulled_at", "tote", "what"}
    assert records.newest(plant) == before


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"{}", "text/plain"),
        (b"", "application/json"),
        (b"[]", "application/json"),
        (b"{", "application/json"),
        (b'"x"', "application/json"),
        (b"\xff\xfe", "application/json"),
        (b"[" * 200_000, "application/json"),
        (b'{"stem": ' + b"9" * 10_000 + b"}", "application/json"),
    ],
)
def test_what_is_no_json_object_is_refused(
    client: FlaskClient, token: str, data: bytes, kind: str
) -> None:
    answer = client.post(AUDITS, data=data, content_type=kind, headers=bearer(token))
    assert answer.status_code == 400
    assert set(answer.get_json()) == {"trouble"}


def test_a_name_that_comes_twice_is_refused(
    client: FlaskClient, plant: schema.Store, token: str, fields: dict[str, Any]
) -> None:
    """One reader takes the first and another the last; nobody is to find out which."""
    before = records.newest(plant)
    once = json.dumps({**fields, "tote": "A9", "key": "k-9"})
    for more, name in (('"stem": 0', "stem"), ('"more": {"a": 1, "a": 1}', "a")):
        said = {"data": f"{once[:-1]}, {more}}}", "content_type": "application/json"}
        answer = client.post(AUDITS, headers=bearer(token), **said)
        assert answer.status_code == 422
        assert answer.get_json() == {"problems": {name: "must be said once, got 2 times"}}
    assert records.newest(plant) == before


def test_too_large_a_body_is_refused(client: FlaskClient, token: str) -> None:
    answer = client.post(AUDITS, json={"note": "x" * 1_100_000}, headers=bearer(token))
    assert answer.status_code == 413
    assert set(answer.get_json()) == {"trouble"}


@pytest.mark.parametrize(("sent", "kept"), [(" k 9 ", "k 9"), (17, "17")])
def test_the_key_is_told_as_it_is_kept(
    client: FlaskClient,
    plant: schema.Store,
    token: str,
    fields: dict[str, Any],
    sent: object,
    kept: str,
) -> None:
    sent_whole = {**fields, "tote": f"K{kept}", "key": sent}
    answer = client.post(AUDITS, json=sent_whole, headers=bearer(token))
    assert (answer.status_code, answer.get_json()["key"]) == (201, kept)
    assert len(records.history(plant, kept)) == 1


@pytest.mark.parametrize(
    "header", [{}, {"Authorization": "x"}, {"Authorization": "Basic x"}, bearer(""), bearer("no")]
)
def test_no_token_no_answer(client: FlaskClient, header: dict[str, str]) -> None:
    for path in (AUDITS, "/api/v1/efficiency", "/api/v1/drift", "/api/v1/lots?lot=1"):
        answer = client.get(path, headers=header)
        assert answer.status_code == 401
        assert answer.headers["WWW-Authenticate"] == 'Bearer realm="toteproof"'
    assert client.post(AUDITS, json={"key": "x"}, headers=header).status_code == 401


def test_a_station_s_key_and_a_revoked_one_open_nothing(
    client: FlaskClient, plant: schema.Store
) -> None:
    station = people.register(plant, "Tablet", people.STATION, by="Lena", at=NOW)
    lost = people.register(plant, "lost", people.TOKEN, by="Lena", at=NOW)
    people.revoke(plant, "lost", by="Lena", at=NOW, reason="lost")
    for key in (station, lost):
        assert client.get(AUDITS, headers=bearer(key)).status_code == 401


def test_a_device_that_reads_alone_records_nothing(
    client: FlaskClient, plant: schema.Store, fields: dict[str, Any]
) -> None:
    key = people.register(plant, "board", people.TOKEN, role="viewer", by="Lena", at=NOW)
    answer = client.post(AUDITS, json={**fields, "tote": "A9", "key": "k-9"}, headers=bearer(key))
    assert answer.status_code == 403
    assert answer.get_json() == {"trouble": "This device may not do that: its role is viewer."}
    assert records.tallies(plant, tote="A9").empty
    assert client.get(AUDITS + "?tote=A9", headers=bearer(key)).get_json() == {"audits": []}


def got(client: FlaskClient, token: str, path: str) -> Any:
    answer = client.get(path, headers=bearer(token))
    assert answer.status_code == 200, answer.text
    assert answer.headers["Cache-Control"] == "no-store"
    return answer.get_json()


def test_tallies_are_those_of_the_record(
    client: FlaskClient, plant: schema.Store, token: str
) -> None:
    path = f"{AUDITS}?first_day=2026-04-01&last_day=2026-04-02&lane=2&purpose=routine"
    day = datetime(2026, 4, 1).date()
    wanted = records.tallies(
        plant, first_day=day, last_day=day + timedelta(days=1), lane="2", purpose="routine"
    )
    assert len(wanted) == 8
    assert got(client, token, path)["audits"] == plain(wanted)


def test_figures_are_those_of_qa(client: FlaskClient, plant: schema.Store, token: str) -> None:
    programme, tallies = records.programme(plant), records.tallies(plant)
    wanted = efficiency.estimate(tallies, programme, by=("lane", "shift"))
    said = got(client, token, "/api/v1/efficiency?by=lane,shift")
    assert (said["by"], said["efficiency"]) == (["lane", "shift"], plain(wanted))
    assert len(got(client, token, "/api/v1/efficiency")["efficiency"]) == 6
    assert len(got(client, token, "/api/v1/efficiency?by=site")["efficiency"]) == 1
    (whole,) = got(client, token, "/api/v1/efficiency?by=")["efficiency"]
    routine = tallies[tallies["purpose"] == "routine"]
    assert whole["inspected"] == int(routine["inspected"].sum())
    until = NOW + timedelta(minutes=10)  # the end of the ten minutes that the pages work with
    found = drift.findings(tallies, programme, now=until)
    said = got(client, token, "/api/v1/drift")
    assert said["as_of"] == NOW.isoformat()
    assert said["lanes"][0]["lane"] == "2"
    assert said["findings"] == plain(found)


def test_a_lot_s_verdict_is_told_with_why(client: FlaskClient, token: str) -> None:
    (lot,) = got(client, token, "/api/v1/lots?lot=2320")["lots"]
    assert (lot["lot"], lot["lane"]) == ("2320", "2")
    assert "hold_brief" not in lot  # a page's wording
    assert lot["why"]
    answer = client.get("/api/v1/lots?lot=none", headers=bearer(token))
    assert (answer.status_code, answer.get_json()) == (
        404,
        {"trouble": "There is no lot none on record."},
    )


@pytest.mark.parametrize(
    ("path", "field", "told"),
    [
        (f"{AUDITS}?colour=x", "colour", "must not be asked here; known are first_day, last_day"),
        (f"{AUDITS}?first_day=1.4.26", "first_day", "must be a date such as 2026-05-14, got 1.4"),
        (f"{AUDITS}?lane=1&lane=2", "lane", "must be said once, got 2 times"),
        (f"{AUDITS}?lane=%00", "lane", ""),
        (f"{AUDITS}?lane={'x' * 300}", "lane", ""),
        ("/api/v1/lots", "lot", ""),
        ("/api/v1/drift?lane=2", "lane", "must not be asked here; known are none"),
    ],
)
def test_what_is_asked_amiss_is_told(
    client: FlaskClient, token: str, path: str, field: str, told: str
) -> None:
    answer = client.get(path, headers=bearer(token))
    assert answer.status_code == 422
    assert answer.get_json()["problems"][field].startswith(told)


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ("by=colour", "by"),
        ("by=key,key,,x", "by"),
        ("by=lane,lane", "by"),
        ("by=correct", "by"),
        ("specification=none", "specification"),
        ("specification=none&by=colour", "specification"),
    ],
)
def test_a_column_or_specification_that_is_none_is_told_by_its_name(
    client: FlaskClient, token: str, asked: str, field: str
) -> None:
    for days in ("", "&first_day=2031-01-01"):  # also where there are no audits
        answer = client.get(f"/api/v1/efficiency?{asked}{days}", headers=bearer(token))
        assert answer.status_code == 422
        said = answer.get_json()
        assert list(said) == ["problems"]
        assert list(said["problems"]) == [field]
        assert said["problems"][field]


def test_too_many_audits_are_not_given_at_once(
    client: FlaskClient, token: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(api, "MOST_AUDITS", 100)
    monkeypatch.delattr(records, "tallies")  # they are counted, and none is read
    answer = client.get(AUDITS, headers=bearer(token))
    assert answer.status_code == 422
    assert answer.get_json()["problems"]["first_day"].startswith("must leave at most 100 audits")


def test_a_store_in_trouble_is_told(
    client: FlaskClient, token: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """To be sent again where the store does not answer, and not where the audit is at fault."""
    for kind, status in ((StoreUnavailable, 503), (StoreError, 422)):

        def down(*_: object, kind: type[StoreError] = kind, **__: object) -> None:
            raise kind("the store does not answer: gone")

        monkeypatch.setattr(records, "tallies", down)
        answer = client.get(AUDITS, headers=bearer(token))
        assert answer.status_code == status
        assert answer.get_json() == {"trouble": "the store does not answer: gone"}


def test_readme_s_example_runs(plant: schema.Store, token: str) -> None:
    """Against a server at a free port, with a token that is."""
    (example,) = re.findall(r"```py\n(.*?)```", README, re.S)
    server = make_server("127.0.0.1", 0, create_app(plant, lambda: NOW).server, threaded=True)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    example = example.replace("127.0.0.1:8050", f"127.0.0.1:{server.server_port}")
    assert "TOKEN" in example
    test = doctest.DocTestParser().get_doctest(
        example.replace("TOKEN", token), {}, "README.md", None, 0
    )
    said: list[str] = []
    try:
        flags = doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS
        doctest.DocTestRunner(optionflags=flags).run(test, out=said.append)
    finally:
        server.shutdown()
        server.server_close()
    assert not said, "".join(said)
