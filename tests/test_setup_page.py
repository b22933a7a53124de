"""Setup without a browser: what it shows, what it puts in force, what it refuses in words."""

import threading
from datetime import timedelta
from typing import Any

import pytest
from flask.testing import FlaskClient

from dashboard.app import create_app
from dashboard.pages.setup import FORMS
from dashboard.views import setup
from dashboard.views.setup import PART, VERSION, WHO, WHY
from qa.amending import PARTS
from qa.audit import parse as parse_audit
from qa.errors import Conflict, InvalidInput
from qa.store import records, schema, trail
from tests.databases import on_both
from tests.small_plant import NOW
from tests.test_app import drawn

database = on_both


@pytest.fixture
def client(store: schema.Store) -> FlaskClient:
    return create_app(store, lambda: NOW).server.test_client()


def shown(client: FlaskClient, search: str) -> str:
    fresh = [(f"{name}-fresh", "data", None) for name in FORMS]
    return drawn(client, "setup-body.children", ("app-address", "search", search), *fresh)


def form_of(store: schema.Store, part: str, **changed: str) -> dict[str, str]:
    """What the page's form of a part sends when only some fields are typed over."""
    view = setup.view(store, f"?part={part}")
    names = {
        f"{row}-{key}".lstrip("-").replace(".", "_"): text
        for row, fields in view.rows.items()
        for key, text in fields.items()
    }
    stamp = {WHO: "lead", WHY: "a test", PART: part, VERSION: str(view.version)}
    given = {name.replace("__", "-", 1): text for name, text in changed.items()}
    return {**names, **stamp, **given}


@pytest.mark.parametrize("part", [*PARTS, "text", "versions"])
def test_every_part_has_its_form(client: FlaskClient, part: str) -> None:
    said = shown(client, f"?part={part}")
    assert "trouble" not in said
    assert ("/setup/changes" in said) is (part != "versions")


@pytest.mark.parametrize("part", PARTS)
def test_a_form_sent_back_as_it_was_changes_nothing(
    client: FlaskClient, store: schema.Store, part: str
) -> None:
    said = client.post("/setup/changes", json=form_of(store, part)).get_json()["said"]
    assert said == "Nothing was changed, so nothing was recorded."
    assert len(records.programmes(store)) == 1


def test_a_change_is_dated_told_and_leaves_the_past_alone(
    client: FlaskClient, store: schema.Store, audit_fields: Any
) -> None:
    old = records.programme(store)
    records.log(store, parse_audit(audit_fields(), old), by="Ines", at=NOW)
    before = records.tallies(store)
    asked = form_of(store, "targets", target="98.5", pull="150")
    said = client.post("/setup/changes", json=asked).get_json()["said"]
    assert said == (
        "In force from now on: Targets and limits: Target, % correct 99 → 98.5; "
        "Targets and limits: Pieces to pull from a tote 200 → 150."
    )
    assert records.programme(store).target == 0.985
    assert records.programme(store, NOW - timedelta(days=1)) == old
    assert records.tallies(store).equals(before)
    newest = records.programmes(store).iloc[-1]
    assert (newest["by"], newest["reason"], newest["at"]) == ("lead", "a test", NOW)
    assert "# percent correct by count, as a fraction" in newest["text"]
    assert trail.check(store) == ()
    page = shown(client, "?part=versions")
    assert "Target, % correct 99 → 98.5" in page
    assert "the first programme" in page
    page = shown(client, "?part=versions&older=2&newer=1")
    assert "From version 2 to version 1:" in page
    assert "Target, % correct 98.5 → 99" in page


def test_rows_come_and_go(client: FlaskClient, store: schema.Store) -> None:
    asked = form_of(
        store, "lanes", **{"0__heads": "A", "5__gone": "yes", "6__code": "007", "6__line": "A"}
    )
    said = client.post("/setup/changes", json=asked).get_json()["said"]
    assert "Lane\u00a01: Heads A, B → A" in said
    assert "Lane\u00a06 is taken away (6, A, A, B)" in said
    assert "Lane\u00a0007 is new (007, A)" in said
    assert [each.code for each in records.programme(store).lanes] == [*"12345", "007"]


def test_faults_are_said_beside_their_fields_and_nothing_is_kept(
    client: FlaskClient, store: schema.Store
) -> None:
    bad = {"target": "200", "confidence": "", "pull": "x", WHY: ""}
    asked = form_of(store, "targets", **{**bad, WHY: "y"})
    problems = client.post("/setup/changes", json=asked).get_json()["problems"]
    assert problems["target"] == "must be a share between 0 and 100\u00a0%, got 200"
    assert problems["pull"] == 'must be a whole number, 1 or more, got "x"'
    problems = client.post("/setup/changes", json={**asked, **bad}).get_json()["problems"]
    assert problems.pop(WHY) == "is missing"
    assert {"target", "pull"} <= set(problems), "every fault at once"
    odd = form_of(store, "categories", **{"0__name": "a\0b", "1__code": "x" * 900})
    problems = client.post("/setup/changes", json=odd).get_json()["problems"]
    assert problems["0-name"].startswith("must be plain text")
    assert problems["1-code"].startswith("must be at most ")
    late = form_of(store, "lines", **{"0__code": "B"})
    problems = client.post("/setup/changes", json=late).get_json()["problems"]
    assert problems[""].startswith('lanes (1).line: must be one of B, got "A"')
    assert len(records.programmes(store)) == 1


def test_a_whole_text_is_put_in_force_or_every_fault_is_named(
    client: FlaskClient, store: schema.Store
) -> None:
    text = records.programmes(store)["text"].iloc[-1]
    stamp = {WHO: "lead", WHY: "a test", PART: "text", VERSION: "1"}
    bad = text.replace("target = 0.99", "target = 99").replace('level = "I"', 'level = "IX"')
    answer = client.post("/setup/changes", json={**stamp, "text": bad})
    assert answer.status_code == 422
    trouble = answer.get_json()["trouble"]
    assert "target: must be a fraction" in trouble
    assert "plans.major.level: must be one of" in trouble
    same = client.post("/setup/changes", json={**stamp, "text": text.strip()}).get_json()["said"]
    assert same.startswith("Nothing was changed")
    noted = client.post("/setup/changes", json={**stamp, "text": f"# noted\r\n{text}"}).get_json()
    assert noted["said"] == "Kept: the layout or the comments alone are different."
    assert "Its layout or its comments alone." in shown(client, "?part=versions")
    for odd in ("", "\ud800", "[" * 9000, f"pull = {'9' * 5000}", "x = 1"):
        answer = client.post("/setup/changes", json={**stamp, VERSION: "2", "text": odd})
        assert answer.status_code == 422, odd[:9]
    assert len(records.programmes(store)) == 2


def test_what_somebody_else_changed_meanwhile_is_not_written_over(
    client: FlaskClient, store: schema.Store
) -> None:
    mine, other = (form_of(store, "targets", pull=n) for n in ("100", "101"))
    assert client.post("/setup/changes", json={**other, WHY: "fewer hands"}).status_code == 200
    said = client.post("/setup/changes", json=mine).get_json()["trouble"]
    assert said.startswith("Nothing was recorded: lead changed the programme meanwhile, at ")
    assert "(fewer hands)" in said
    assert records.programme(store).pull == 101


def test_two_at_the_very_same_moment_are_told_apart_by_the_store(store: schema.Store) -> None:
    asked = [form_of(store, "targets", pull=str(n)) for n in range(100, 108)]
    told: list[object] = []

    def change(fields: dict[str, str]) -> None:
        try:
            told.append(setup.change(store, fields, NOW))
        except Conflict as fault:
            told.append(fault)

    threads = [threading.Thread(target=change, args=(each,)) for each in asked]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert sum(isinstance(each, Conflict) for each in told) == len(asked) - 1
    assert len(records.programmes(store)) == 2


def test_a_clock_that_stands_still_keeps_nobody_from_changing_it(
    client: FlaskClient, store: schema.Store
) -> None:
    for n in ("150", "151", "152"):
        asked = form_of(store, "targets", pull=n)
        assert client.post("/setup/changes", json=asked).status_code == 200
    at = records.programmes(store)["at"]
    assert (at.diff().dropna() > timedelta(0)).all()
    assert at.iloc[1] == NOW


@pytest.mark.parametrize(
    ("search", "said"),
    [
        ("?part=money", "part must be one of plant, targets"),
        ("?money=1", "an address may ask for part, older, newer, account"),
        ("?part=versions&older=9&newer=1", "older must be a version from 1 to 1"),
    ],
)
def test_a_bad_address_is_said(client: FlaskClient, search: str, said: str) -> None:
    assert said.capitalize() in shown(client, search)


def test_a_part_that_there_is_not_is_refused(store: schema.Store) -> None:
    asked = {WHO: "x", WHY: "y", PART: "__class__", VERSION: "1"}
    with pytest.raises(InvalidInput, match="part must be one of plant"):
        setup.change(store, asked, NOW)
    for version in ("", "0", "x"):
        with pytest.raises(Conflict):
            setup.change(store, {**asked, VERSION: version}, NOW)
