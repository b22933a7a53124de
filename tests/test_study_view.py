"""A study sent from the Claim page: what is shown, what is carried, what is refused."""

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from dashboard.app import create_app
from dashboard.pages.claim.study import SHOWN
from dashboard.views import study
from qa import studies
from qa.errors import InvalidAudit, InvalidFile, InvalidStudy
from qa.files.studies import read_study
from qa.wording import load
from tests.small_plant import NOW, small_plant

STUDY = Path(__file__).resolve().parents[1] / "data_demo" / "study.csv"
SCRIPT = {"X-Requested-With": "toteproof"}


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FlaskClient]:
    store = small_plant(Path(tmp_path_factory.mktemp("study")) / "plant.db")
    yield create_app(store, lambda: NOW).server.test_client()
    store.engine.dispose()


def post(client: FlaskClient, content: bytes, name: str = "study.csv", **more: Any) -> Any:
    data = {"file": (io.BytesIO(content), name)}
    return client.post("/claim/study", data=data, headers=more.get("headers", SCRIPT))


def test_the_page_says_what_the_command_says() -> None:
    found = study.look("study.csv", STUDY.read_bytes())
    answer = studies.answer(read_study(STUDY))
    assert found.told == studies.told(answer, load())
    assert found.carried == answer.carried


def test_what_is_looked_at_is_shown_with_a_button_that_carries_the_tallies(
    client: FlaskClient,
) -> None:
    answer = post(client, STUDY.read_bytes())
    said = answer.get_data(as_text=True)
    assert answer.status_code == 200
    assert "On 221 of 240 pieces insp-02, insp-05 and insp-08 agree" in said
    hidden = {"found": "52", "incorrect": "60", "passed": "179", "study_correct": "180"}
    assert dict(inputs(answer.get_json()["shown"])) == hidden


def inputs(part: Any) -> Iterator[tuple[str, str]]:
    """Names and values of the fields in a part of a page."""
    if isinstance(part, list):
        for each in part:
            yield from inputs(each)
    elif isinstance(part, dict):
        props = part.get("props", {})
        if part.get("type") == "Input":
            yield props["name"], props["value"]
        yield from inputs(props.get("children"))


def test_a_study_without_known_kinds_carries_nothing(client: FlaskClient) -> None:
    rows = "1,a,stem\n1,b,stem\n2,a,correct\n2,b,stem\n"
    said = post(client, f"piece,inspector,called\n{rows}".encode()).get_data(as_text=True)
    assert "On 1 of 2 pieces a and b agree" in said
    assert "claim-study-use" not in said


def test_every_fault_is_listed_and_text_stays_text(client: FlaskClient) -> None:
    rows = "1,<b>a</b>,\n" * 60
    answer = post(client, f"piece,inspector,called\n{rows}".encode(), "=calls.csv")
    said = answer.get_data(as_text=True)
    assert answer.status_code == 200
    assert "=calls.csv has 60 faults. Put them right and look again." in said
    assert said.count("is blank: fill it in, or delete the row") == SHOWN
    assert "And 10 more." in said


def test_what_is_no_study_is_refused_in_words(client: FlaskClient) -> None:
    assert post(client, b"").get_json()["trouble"] == "study.csv has no row with headers"
    assert client.post("/claim/study", headers=SCRIPT).get_json()["problems"] == {
        "file": load().say("field.file")
    }
    told = post(client, b"PK\x03\x04", "study.xlsx").get_json()["trouble"]
    assert told == "study.xlsx is not an XLSX workbook, whatever its name says"
    large = client.post("/claim/study", data=b"x" * 6_000_000, headers=SCRIPT)
    told = large.get_json()["trouble"]
    assert told == "the file has more than 4 MB; a study has fewer calls than that"
    elsewhere = post(client, STUDY.read_bytes(), headers={})
    assert elsewhere.status_code != 200
    with pytest.raises(InvalidAudit):
        study.look("", b"")
    with pytest.raises(InvalidFile, match="has more than 32 MB"):
        study.look("a.csv", b"x" * 34_000_000)
    with pytest.raises(InvalidStudy, match="has no column"):
        study.look("a.csv", b"x,y\n1,2\n")
