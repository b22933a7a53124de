"""Requests made to break things: no answer is a traceback, and nothing of a bad one is stored.

Cases a test: 40, or as many as TOTEPROOF_CASES says, for a long run by hand.
"""

import json
import math
import os
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlencode

import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dashboard.app import create_app
from qa.audit import Audit, parse
from qa.errors import InvalidAudit
from qa.store import people, records, schema, trail
from tests.conftest import PLANT
from tests.small_plant import NOW

CASES = settings(
    max_examples=int(os.environ.get("TOTEPROOF_CASES", "40")),
    suppress_health_check=list(HealthCheck),
)
AT = NOW - timedelta(minutes=4)
GOOD: dict[str, Any] = {
    **{"key": "", "pulled_at": AT.isoformat(), "lane": "1", "tote": "T1", "inspector": "Ines"},
    **{"inspected": 200, "stem": 1, "over_trim": 0, "double": 0},
}
FIELDS = sorted({*Audit.__dataclass_fields__, *GOOD, "counts"})
ODD = st.sampled_from(
    [
        *("", " ", "0", "-1", "1e9", "1e400", "9" * 400, "nan", "inf", "0x10", "²", "٣", "½"),
        *("\0", "\x1f", "\ud800", "\udfff\ud800", "\u202e", "\U0001f96c", "a" * 5000, "\r\n"),
        *("2026-02-30", "0001-01-01T00:00+14:00", "9999-12-31T23:59-14:00", "2026-03-29T01:30"),
        *("0000-00-00", "2026-04-20T10:56:00Z", "20260420T105600", "24:00", "re-audit", "study"),
        *("head-check", "for-cause", "routine", "morning", "'; drop table entry; --", "<script>"),
        *(True, False, None, 0, -1, 200, 201, 1_000_001, 2**63, -(2**63) - 1, 10**300),
        *(0.5, -0.0, 1e308, 1e-320, math.nan, math.inf, -math.inf, [], {}, [[]], {"stem": 1}),
    ]
)
VALUE = st.recursive(
    ODD | st.text(max_size=12) | st.integers() | st.floats(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=5,
)
NAME = st.sampled_from(FIELDS) | st.text(max_size=12)
CHANGES = st.dictionaries(NAME, VALUE, max_size=4)
HEADER = st.text(st.characters(min_codepoint=32, max_codepoint=255, exclude_characters="\x7f"))


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    opened = schema.open_store(tmp_path_factory.mktemp("hostile") / "plant.db", create=True)
    at = NOW - timedelta(days=30)
    records.put_programme(opened, PLANT, by="lead", at=at, reason="x")
    yield opened
    assert trail.check(opened) == ()
    opened.engine.dispose()


@pytest.fixture(scope="module")
def client(plant: schema.Store) -> FlaskClient:
    made = create_app(plant, lambda: NOW).server
    made.config["PROPAGATE_EXCEPTIONS"] = False  # as it is served: a bug is then an answer 500
    return made.test_client()


@pytest.fixture(scope="module")
def token(plant: schema.Store) -> str:
    return people.register(plant, "scale", people.TOKEN, by="Lena", at=NOW)


def sound(
    client: FlaskClient, store: schema.Store, path: str, by: dict[str, str], **how: Any
) -> None:
    """Send it: refused in words with the store as it was, or recorded as one audit."""
    before = records.newest(store)
    answer = client.open(path, headers=by, **how)
    assert answer.status_code in (200, 201, 400, 401, 409, 413, 422), answer.text
    after = records.newest(store)
    if answer.status_code == 201:
        assert after[0] == before[0] + 1
        assert after[1:] == before[1:]
        return
    assert after == before
    if answer.status_code >= 400 and answer.is_json:
        said = answer.get_json()
        assert said.get("trouble") or said.get("problems")
        assert "Traceback" not in answer.text


@CASES
@given(CHANGES, st.sets(st.sampled_from(sorted(GOOD)), max_size=2), st.integers(0, 10**9))
def test_an_audit_with_odd_fields(
    client: FlaskClient,
    plant: schema.Store,
    token: str,
    changes: dict[str, Any],
    gone: set[str],
    number: int,
) -> None:
    sent = {**GOOD, "key": f"k-{number}", "tote": f"T{number}", **changes}
    data = json.dumps({name: value for name, value in sent.items() if name not in gone})
    by = {"Authorization": f"Bearer {token}"}
    how = {"method": "POST", "data": data, "content_type": "application/json"}
    sound(client, plant, "/api/v1/audits", by, **how)


@CASES
@given(
    st.binary(max_size=400)
    | st.text(max_size=200).map(lambda text: text.encode("utf-8", "replace")),
    st.sampled_from(["application/json", "text/plain", "", "application/json; charset=utf-16"]),
    HEADER,
)
def test_a_body_of_any_bytes(
    client: FlaskClient, plant: schema.Store, token: str, data: bytes, kind: str, key: str
) -> None:
    by = {"Authorization": f"Bearer {token}", "Idempotency-Key": key}
    how = {"method": "POST", "data": data, "content_type": kind}
    sound(client, plant, "/api/v1/audits", by, **how)


@CASES
@given(HEADER, st.sampled_from(["GET", "POST"]))
def test_a_token_of_any_text(client: FlaskClient, plant: schema.Store, text: str, how: str) -> None:
    before = records.newest(plant)
    by = {"Authorization": text}
    answer = client.open("/api/v1/audits", method=how, json=GOOD, headers=by)
    assert answer.status_code == 401
    assert records.newest(plant) == before


ASKED = st.sampled_from(
    [*("first_day", "last_day", "lane", "tote", "lot", "by", "specification", "inspector", "x")]
)
TEXT = st.text(max_size=12) | ODD.filter(lambda each: isinstance(each, str))


@CASES
@given(
    st.sampled_from(["audits", "efficiency", "drift", "lots"]),
    st.lists(st.tuples(ASKED, TEXT | st.sampled_from(["lane,shift", "2026-04-20"])), max_size=4),
)
def test_a_question_of_odd_texts(
    client: FlaskClient,
    plant: schema.Store,
    token: str,
    what: str,
    asked: list[tuple[str, str]],
) -> None:
    before = records.newest(plant)
    query = urlencode(asked, errors="surrogatepass")
    answer = client.get(f"/api/v1/{what}?{query}", headers={"Authorization": f"Bearer {token}"})
    assert answer.status_code in (200, 404, 422), answer.text
    assert records.newest(plant) == before


@CASES
@given(
    st.dictionaries(NAME, VALUE | st.datetimes() | st.dates() | st.binary(max_size=9), max_size=12),
    st.booleans(),
)
def test_the_validator_takes_anything(
    plant: schema.Store, fields: dict[str, Any], whole: bool
) -> None:
    programme = records.programme(plant)
    try:
        audit = parse({**GOOD, **fields} if whole else fields, programme)
    except InvalidAudit as fault:
        told = list(fault.problems.values())
    else:
        told = []
    assert all(isinstance(each, str) and each for each in told)
    if told:
        return
    assert 0 <= audit.correct <= audit.inspected
    assert isinstance(audit.pulled_at, datetime)


@CASES
@given(st.sampled_from(["/tally/audits", "/tally/findings", "/lane/events"]), CHANGES)
def test_a_form_of_odd_fields(
    client: FlaskClient, plant: schema.Store, path: str, changes: dict[str, Any]
) -> None:
    before = records.newest(plant)
    answer = client.post(path, data=json.dumps(changes), content_type="application/json")
    assert answer.status_code in (200, 400, 422), answer.text
    if answer.status_code != 200:
        assert records.newest(plant) == before


@CASES
@given(st.dictionaries(st.sampled_from(["name", "password", "pin", "csrf_token"]), TEXT))
def test_a_door_takes_any_text(
    client: FlaskClient, plant: schema.Store, typed: dict[str, str]
) -> None:
    sent = {name: text.encode("utf-8", "replace").decode() for name, text in typed.items()}
    for path in ("/sign-in", "/station", "/sign-out"):
        assert client.post(path, data=sent).status_code == 303  # there are no accounts here
