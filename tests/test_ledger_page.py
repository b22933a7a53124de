"""The ledger without a browser: what it lists, corrects, voids, exports and takes in."""

import io
import json
import shutil
import threading
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest
from flask.testing import FlaskClient

from dashboard.app import create_app
from dashboard.views import ledger, taking_in
from dashboard.views.ledger import OF, REVISION, WHO, WHY
from qa.errors import Conflict, InvalidAudit, InvalidInput
from qa.store import records, schema, trail
from tests.databases import BOTH, place
from tests.small_plant import NOW, small_plant
from tests.test_app import drawn

LATER = NOW + timedelta(minutes=5)


@pytest.fixture(scope="module", params=BOTH)
def whole(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> str:
    made = place(request.param, tmp_path_factory.mktemp("ledger"), request)
    small_plant(made).engine.dispose()
    return made


@pytest.fixture
def plant(whole: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[schema.Store]:
    """The small plant, a copy for each test."""
    if "://" in whole:
        copy = request.getfixturevalue("postgres").database(whole.rpartition("/")[2])
    else:
        copy = shutil.copy(whole, tmp_path)
    opened = schema.open_store(copy)
    yield opened
    opened.engine.dispose()


@pytest.fixture
def client(plant: schema.Store) -> FlaskClient:
    return create_app(plant, lambda: LATER).server.test_client()


def listed(client: FlaskClient, search: str) -> str:
    inputs = [("app-address", "search", search)]
    inputs += [(f"{name}-fresh", "data", None) for name in ("ledger", "ledger-void")]
    return drawn(client, "ledger-body.children", *inputs)


def first_key(store: schema.Store, **asked: str) -> str:
    return ledger.view(store, asked).audits[0].key


def form_of(store: schema.Store, key: str, **changed: str) -> dict[str, str]:
    """What the page's form sends when only some fields are typed over."""
    view = ledger.history(store, {"key": key})
    stamp = {WHO: "lead", WHY: "counted again", OF: key}
    return {**view.fields, **stamp, REVISION: str(view.versions[-1].revision), **changed}


def test_the_list_follows_the_address(client: FlaskClient, plant: schema.Store) -> None:
    said = listed(client, "")
    assert "1 to 50 of " in said
    assert "Page 1 of " in said
    said = listed(client, "?lane=2&first=2026-04-19&last=2026-04-19&order=pulled")
    assert "1 to 4 of 4" in said
    view = ledger.view(plant, {"lane": "2", "first": "2026-04-19", "order": "pulled"})
    assert [each.pulled_at for each in view.audits] == sorted(e.pulled_at for e in view.audits)
    assert {each.lane for each in view.audits} == {"2"}
    assert "No audit on record is like this" in listed(client, "?tote=nowhere")


@pytest.mark.parametrize(
    ("search", "said"),
    [
        ("?first=14.5.2026", "Must be a date such as 2026-05-14, got "),
        ("?first=2026-05-14&last=2026-05-01", "Must not be before the first day."),
        ("?state=lost", "Must be one of logged, corrected, voided, got "),
        ("?purpose=fun", "Must be one of routine, re-audit"),
        ("?page=0", "page must be a page's number, 1 or more, got"),
        ("?page=1e3", "page must be a page's number, 1 or more, got"),
        ("?what=money", "what must be one of audits, findings, events, dispositions, got"),
        ("?what=findings&page=x", "page must be a page's number"),
        ("?money=1", "an address may ask for what, first, last"),
        ("?key=no-such", "there is no audit no-such in the store"),
    ],
)
def test_a_bad_address_is_said_in_words(client: FlaskClient, search: str, said: str) -> None:
    assert said.casefold() in listed(client, search).casefold()


@pytest.mark.parametrize("what", ["findings", "events", "dispositions"])
def test_what_people_did_has_a_list_of_its_own(client: FlaskClient, what: str) -> None:
    assert "recorded" in listed(client, f"?what={what}")


def test_a_form_sent_back_as_it_was_changes_nothing(plant: schema.Store) -> None:
    keys = records.tallies(plant)["key"]
    for key in [*keys.iloc[::97], first_key(plant, purpose="head-check")]:
        assert ledger.correct(plant, form_of(plant, key), LATER) is None
        assert len(records.history(plant, key)) == 1


def test_a_correction_is_in_the_history_with_before_and_after(
    client: FlaskClient, plant: schema.Store
) -> None:
    key = first_key(plant, lane="3", purpose="routine")
    asked = form_of(plant, key, inspected="210", stem="4", tote="moved", note="=1+1")
    answer = client.post("/ledger/corrections", json=asked)
    said = answer.get_json()["said"]
    assert said.startswith("Corrected: the audit of tote moved. Lot ")
    assert "and is now not judged. Lot moved was not judged, and is now " in said
    view = ledger.history(plant, {"key": key})
    logged, corrected = view.versions
    assert (logged.action, logged.changes) == ("logged", ())
    told = {each.field: (each.before, each.after) for each in corrected.changes}
    assert told["inspected"] == ("200", "210")
    assert told["stem left on"][1] == "4"
    assert told["tote"][1] == told["lot"][1] == "moved"  # a lot that is its tote follows it
    assert told["note"] == ("", "=1+1")
    assert (corrected.by, corrected.reason, corrected.at) == ("lead", "counted again", LATER)
    page = listed(client, f"?key={key}")
    assert "Inspected: 200 → 210" in page
    assert "counted again" in page
    assert trail.check(plant) == ()


def test_a_change_says_the_verdict_of_its_lot_before_and_after(
    client: FlaskClient, plant: schema.Store
) -> None:
    def said(place: str, **changed: str) -> str:
        answer = client.post(f"/ledger/{place}", json=form_of(plant, key, **changed))
        return str(answer.get_json()["said"])

    key = first_key(plant, lane="3", purpose="routine")
    tote = ledger.history(plant, {"key": key}).fields["tote"]
    clean = {"stem": "0", "over_trim": "0", "double": "0"}
    said("corrections", **clean)
    told = said("corrections", **clean, note="seen twice")
    assert told.endswith(f"The verdict of lot {tote} is unchanged: released (accept).")
    told = said("corrections", **clean | {"stem": "30"})
    assert told.endswith(f"Lot {tote} was released (accept), and is now held (reject).")
    told = said("corrections", **clean)
    assert told.endswith(f"Lot {tote} was held (reject), and is now released (accept).")
    told = said("voids")
    assert told.endswith(f"Lot {tote} was released (accept), and is now not judged.")


def test_the_list_says_what_a_correction_changed_and_why_a_void(
    client: FlaskClient, plant: schema.Store
) -> None:
    key = first_key(plant, lane="3", purpose="routine")
    before = ledger.history(plant, {"key": key}).fields
    changed = {"stem": str(int(before["stem"]) + 2), "double": str(int(before["double"]) + 1)}
    client.post("/ledger/corrections", json=form_of(plant, key, **changed, note="seen twice"))
    [line] = ledger.view(plant, {"state": "corrected"}).audits
    assert line.changes == ledger.history(plant, {"key": key}).versions[-1].changes
    told = [f"stem left on: {before['stem']} → {changed['stem']}"]
    told.append(f"double-loaded: {before['double']} → {changed['double']}")
    told.append("1 more")  # that correct pieces follow from these is left out
    assert "; ".join(told) in listed(client, "?state=corrected")
    client.post("/ledger/voids", json=form_of(plant, key) | {WHY: "logged twice"})
    [line] = ledger.view(plant, {"state": "voided"}).audits
    assert line.changes == ()
    assert "logged twice" in listed(client, "?state=voided")
    assert {each.changes for each in ledger.view(plant, {"state": "logged"}).audits} == {()}


def test_a_correction_at_fault_hears_of_every_field(
    client: FlaskClient, plant: schema.Store
) -> None:
    key = first_key(plant, purpose="routine")
    bad = {"inspected": "2", "stem": "9", "lane": "99", "pulled_at": "soon", WHY: " ", WHO: "x\0"}
    answer = client.post("/ledger/corrections", json=form_of(plant, key, **bad))
    assert answer.status_code == 422
    problems = answer.get_json()["problems"]
    assert {"stem", "lane", "pulled_at", WHY, WHO} <= problems.keys()
    assert problems["stem"] == "must be from 0 to inspected, got 9 of 2"
    assert problems[WHY] == "is missing"
    assert len(records.history(plant, key)) == 1


@pytest.mark.parametrize("place", ["corrections", "voids"])
def test_what_somebody_else_changed_meanwhile_is_not_written_over(
    client: FlaskClient, plant: schema.Store, place: str
) -> None:
    key = first_key(plant, purpose="routine")
    mine, other = (form_of(plant, key, inspected=n) for n in ("205", "206"))
    other[WHO], other[WHY] = "Ines", "miscounted"
    assert client.post("/ledger/corrections", json=other).status_code == 200
    answer = client.post(f"/ledger/{place}", json=mine)
    assert answer.status_code == 422
    said = answer.get_json()["trouble"]
    assert said.startswith("Nothing was recorded: Ines changed this audit meanwhile, at ")
    assert "(miscounted)" in said
    assert ledger.history(plant, {"key": key}).fields["inspected"] == "206"


def test_two_at_the_very_same_moment_are_told_apart_by_the_store(plant: schema.Store) -> None:
    key = first_key(plant, purpose="routine")
    asked = [form_of(plant, key, inspected=str(n)) for n in range(205, 213)]
    told: list[object] = []

    def change(fields: dict[str, str]) -> None:
        try:
            told.append(ledger.correct(plant, fields, LATER))
        except Conflict as fault:
            told.append(fault)

    threads = [threading.Thread(target=change, args=(each,)) for each in asked]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert sum(isinstance(each, Conflict) for each in told) == len(asked) - 1
    assert len(records.history(plant, key)) == 2
    assert trail.check(plant) == ()


def test_a_voided_audit_is_out_of_the_figures_and_stays_listed(
    client: FlaskClient, plant: schema.Store
) -> None:
    key = first_key(plant, purpose="routine")
    before = len(records.tallies(plant))
    said = client.post("/ledger/voids", json=form_of(plant, key)).get_json()["said"]
    assert said.startswith("Voided: ")
    assert len(records.tallies(plant)) == before - 1
    assert first_key(plant, state="voided") == key
    page = listed(client, f"?key={key}")
    assert "This audit is voided" in page
    assert "/ledger/corrections" not in page
    again = client.post("/ledger/corrections", json=form_of(plant, key, inspected="204"))
    assert "a voided audit is not corrected" in again.get_json()["trouble"]


def test_a_revision_must_be_a_number(plant: schema.Store) -> None:
    key = first_key(plant)
    for bad in ("", "x", "1.0", "-1", "²", "9" * 40):
        with pytest.raises(Exception, match="revision that was looked at must be a number"):
            ledger.void(plant, form_of(plant, key, **{REVISION: bad}), LATER)


def test_a_correction_is_read_under_the_programme_of_its_time(
    plant: schema.Store, client: FlaskClient
) -> None:
    key = first_key(plant, purpose="routine")
    newer = records.programmes(plant)["text"].iloc[0]
    newer = newer.replace('code = "stem"', 'code = "bits"').replace('"stem"', '"bits"')
    records.put_programme(plant, newer, by="lead", at=NOW, reason="another name")
    asked = form_of(plant, key, stem="7")
    assert "bits" not in asked
    assert client.post("/ledger/corrections", json=asked).status_code == 200
    assert records.history(plant, key)[["stem", "bits"]].iloc[-1].tolist() == [7, 0]


@pytest.mark.parametrize("kind", ["csv", "xlsx", "parquet"])
def test_what_is_filtered_comes_as_a_file(
    client: FlaskClient, plant: schema.Store, kind: str
) -> None:
    answer = client.get(f"/ledger/export.{kind}?lane=2&first=2026-04-18&last=2026-04-19")
    assert answer.status_code == 200
    if kind == "csv":
        count = len(pd.read_csv(io.BytesIO(answer.data)))
    elif kind == "xlsx":
        count = openpyxl.load_workbook(io.BytesIO(answer.data))["audits"].max_row - 1
    else:
        assert answer.data.startswith(b"PAR1")
        count = 8
    assert count == 8


@pytest.mark.parametrize(
    ("place", "said"),
    [
        ("csv?state=voided", "voided audits are not exported"),
        ("csv?first=x", "first must be a date such as 2026-05-14"),
        ("csv?money=1", "an address may ask for"),
        ("exe", "there is no file of the kind exe"),
    ],
)
def test_an_export_that_cannot_be_is_said(client: FlaskClient, place: str, said: str) -> None:
    answer = client.get(f"/ledger/export.{place}")
    assert answer.status_code in (404, 422)
    assert said in answer.get_json()["trouble"]


def test_too_many_audits_for_a_page_are_said(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ledger, "MOST_EXPORTED", 3)
    said = client.get("/ledger/export.csv").get_json()["trouble"]
    assert "exports at most 3 audits at a time, got 900" in said
    assert "use the command toteproof export" in said


def test_the_check_is_one_sentence(client: FlaskClient, plant: schema.Store) -> None:
    ask: Callable[[], Any] = lambda: client.post("/ledger/check", json={}).get_json()["said"]  # noqa: E731
    assert ask() == "Checked now: the record agrees with itself."
    with plant.engine.begin() as connection:
        connection.exec_driver_sql("update sums set x = x + 1 where counted = 'stem' and x = 3")
    assert ask().startswith("The record contradicts itself in ")


GOOD = "tote,lane,pulled_at,inspector,inspected,stem,over_trim,double,note\n" + "".join(
    f"N{n},1,2026-04-20 0{n}:10,insp-01,200,{n},0,0,=1+{n}\n" for n in range(7, 10)
)
BAD = GOOD + "N4,9,2026-04-20 04:10,insp-01,200,1,0,0,\nN5,1,2026-04-20 05:10,,200,x,0,0,\n"
SAYS = {"X-Requested-With": "toteproof"}


def send(client: FlaskClient, place: str, content: str | bytes, **more: str) -> Any:
    raw = content.encode() if isinstance(content, str) else content
    name = more.pop("name", "shift.csv")
    form: dict[str, Any] = {"file": (io.BytesIO(raw), name), **more}
    return client.post(f"/ledger/{place}", data=form, headers=SAYS)


def test_a_file_is_looked_at_and_then_recorded(client: FlaskClient, plant: schema.Store) -> None:
    before = records.newest(plant)
    looked = send(client, "preview", GOOD).get_json()
    assert "3 audits would be new on record" in json.dumps(looked["shown"])
    assert records.newest(plant) == before
    done = send(client, "imports", GOOD, digest=looked["digest"], who="Ines").get_json()
    assert "recorded, 3 audits new on record" in json.dumps(done["shown"])
    found = records.audits(plant, first_day=NOW.date(), lane="1")
    assert set(found["note"][found["source"] == "shift.csv"]) == {"=1+7", "=1+8", "=1+9"}
    again = json.dumps(send(client, "preview", GOOD).get_json()["shown"])
    assert "3 audits are on record already" in again
    assert "ledger-import-record" not in again


def test_each_bad_cell_is_named_and_the_rows_come_back_to_mend(client: FlaskClient) -> None:
    looked = json.dumps(send(client, "preview", BAD).get_json()["shown"])
    assert "2 rows are not taken" in looked
    for part in ('"5"', '"lane"', "Must be one of 1, 2, 3", '"6"', '"inspector"', '"stem"'):
        assert part in looked
    rows = send(client, "rejects", BAD).data.decode("utf-8-sig").splitlines()
    assert rows[0].endswith(",why not imported")
    assert [row.partition(",")[0] for row in rows[1:]] == ["N4", "N5"]


def test_whole_or_not_at_all(client: FlaskClient, plant: schema.Store) -> None:
    before = records.newest(plant)
    looked = send(client, "preview", BAD, rows="all").get_json()
    assert "ledger-import-record" not in json.dumps(looked["shown"])
    done = send(client, "imports", BAD, rows="all", digest=looked["digest"], who="Ines").get_json()
    assert "nothing was recorded, since a row is bad" in json.dumps(done["shown"])
    assert records.newest(plant) == before
    looked = send(client, "preview", BAD).get_json()
    send(client, "imports", BAD, digest=looked["digest"], who="Ines")
    assert records.newest(plant) != before


def test_nothing_but_what_was_looked_at_is_recorded(
    client: FlaskClient, plant: schema.Store
) -> None:
    before = records.newest(plant)
    digest = send(client, "preview", GOOD).get_json()["digest"]
    for content, more in ((BAD, {}), (GOOD, {"rows": "all"}), (GOOD, {"mapping": "ignore = []"})):
        answer = send(client, "imports", content, digest=digest, who="Ines", **more)
        assert answer.status_code == 422
        assert "is not what was looked at" in answer.get_json()["trouble"]
    nobody = send(client, "imports", GOOD, digest=digest, who=" ")
    assert nobody.get_json()["problems"] == {"who": "is missing"}
    assert records.newest(plant) == before


def test_a_mapping_says_which_column_is_which(client: FlaskClient) -> None:
    odd = GOOD.replace("stem", "Stiel").replace("lane", "Bahn")
    refused = send(client, "preview", odd)
    assert "Stiel" in refused.get_json()["trouble"]
    mapping = '[columns]\nstem = "Stiel"\nlane = "Bahn"\n'
    looked = send(client, "preview", odd, mapping=mapping)
    assert "3 audits would be new" in json.dumps(looked.get_json()["shown"])
    broken = send(client, "preview", odd, mapping="[columns")
    assert broken.get_json()["trouble"].startswith("mapping is not TOML: ")


@pytest.mark.parametrize("place", ["preview", "imports", "rejects"])
def test_a_file_that_another_site_could_send_is_refused(client: FlaskClient, place: str) -> None:
    form = {"file": (io.BytesIO(GOOD.encode()), "a.csv")}
    assert client.post(f"/ledger/{place}", data=form).status_code == 422
    assert client.get(f"/ledger/{place}").status_code in (200, 405)  # 200 is the empty frame


def test_no_file_and_too_large_a_file_are_said(client: FlaskClient) -> None:
    none = client.post("/ledger/preview", data={"who": "x"}, headers=SAYS)
    assert none.get_json()["problems"] == {"file": "must be chosen"}
    size = {"CONTENT_LENGTH": str(taking_in.MOST_UPLOAD + 2_000_000)}
    large = client.post("/ledger/preview", headers=SAYS, environ_overrides=size)
    assert "the file has more than 16 MB" in large.get_json()["trouble"]


@pytest.mark.parametrize(
    "name",
    ["../../etc/passwd", "C:\\x\\y.csv", "a\nb.csv", "<b>.csv", ""],
    ids=lambda name: str(len(name)),
)
def test_a_file_s_name_is_only_a_name(client: FlaskClient, tmp_path: Path, name: str) -> None:
    answer = send(client, "preview", GOOD, name=name or "x")
    assert answer.status_code in (200, 422)
    assert not list(tmp_path.glob("*.csv"))


def test_views_raise_what_the_page_words(plant: schema.Store) -> None:
    with pytest.raises(InvalidAudit):
        taking_in.preview(plant, taking_in.Sent("", b""), NOW)
    with pytest.raises(Conflict):
        taking_in.take(plant, taking_in.Sent("a", b"x"), "", "Ines", NOW)
    with pytest.raises(InvalidInput):
        ledger.asked("?nothing=1")
