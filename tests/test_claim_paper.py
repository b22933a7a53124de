"""Claim's form for the paper, and the files of a claim: they are those of the command."""

import hashlib
import json
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from dashboard.app import create_app
from dashboard.pages import claim as page
from dashboard.texts import words
from dashboard.views import claim as view
from qa import statement
from qa.statement import Paper, Scope, pdf
from qa.store import schema
from qa.wording import load
from tests.small_plant import NOW, small_plant

DAYS = "?first=2026-04-01&last=2026-04-10"
SCOPE = Scope("sprout-whole", date(2026, 4, 1), date(2026, 4, 10), target=0.99)
SAID = (
    "&buyer=Green+Table&order=4711&load=L9&lots=A1-A4&shipped=400&chosen=Every+fifth+pallet."
    "&signatory=Q.+Lead&issue=2&supersedes=1&excluded=Freight;+Shelf+life+;"
)
PAPER = Paper(
    "Green Table",
    "4711",
    "L9",
    "A1-A4",
    400,
    "Every fifth pallet.",
    ("Freight", "Shelf life"),
    "Q. Lead",
    "2",
    "1",
)


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    opened = small_plant(Path(tmp_path_factory.mktemp("paper")) / "plant.db")
    yield opened
    opened.engine.dispose()


def test_the_form_carries_all_that_a_buyer_needs_onto_the_paper(plant: schema.Store) -> None:
    asked = f"{DAYS}&target=99&confidence=90{SAID}&buyer_incorrect=7&buyer_inspected=500"
    scope = Scope(SCOPE.product, SCOPE.first_day, SCOPE.last_day, target=0.99, confidence=0.9)
    found, audits = statement.gather(plant, scope, PAPER, buyers=(7, 500))
    document = statement.tell(found, load())
    assert view.statement_of(plant, asked) == pdf.pdf(document, found.ends)
    assert view.files_of(plant, asked) == (statement.as_json(found, document), audits)
    shown = view.view(plant, asked)
    assert shown.answered is not None
    assert shown.answered.claim.confidence == found.claim.confidence == 0.9


@pytest.mark.parametrize(
    ("said", "field", "told"),
    [
        (
            "&confidence=100",
            "confidence",
            "must be a share from 50 to below 100 %, such as 99, got 100",
        ),
        ("&confidence=95.00001", "confidence", "must have at most 3 decimals, got 95.00001"),
        ("&shipped=many", "shipped", "must be a whole number"),
        ("&shipped=0", "shipped", "must be at least 1"),
        ("&shipped=%C2%B2", "shipped", "must be a whole number"),
        ("&buyer_incorrect=3", "buyer_inspected", "is missing"),
        ("&buyer_inspected=3", "buyer_incorrect", "is missing"),
        ("&buyer_incorrect=0&buyer_inspected=0", "buyer_inspected", "must be at least 1"),
        (
            "&buyer_incorrect=4&buyer_inspected=3",
            "buyer_incorrect",
            "must not be more than the pieces inspected",
        ),
        ("&buyer=" + "b" * 301, "buyer", "must be at most 300 characters, got 301"),
    ],
)
def test_what_is_wrong_stands_beside_its_field(
    plant: schema.Store, said: str, field: str, told: str
) -> None:
    shown = view.view(plant, DAYS + said)
    assert shown.problems == {field: told}
    with pytest.raises(ValueError, match=field):
        view.files_of(plant, DAYS + said)


def test_what_waits_is_seen_to_wait(plant: schema.Store) -> None:
    [part] = page.waiting(words(), view.view(plant, DAYS))
    assert part.role == "status"
    assert page.waiting(words(), view.view(plant, DAYS + "&kind=tote-by-tote")) == []
    assert page.waiting(words(), view.view(plant, "?first=2020-01-01&last=2020-01-02")) == []


def test_the_files_of_a_claim_are_handed_out(plant: schema.Store) -> None:
    client = create_app(plant, lambda: NOW).server.test_client()
    links = page.files(words(), DAYS.removeprefix("?"))
    got = [client.get(each.href) for each in links.children]
    assert [each.status_code for each in got] == [200] * 3
    assert [each.mimetype for each in got] == ["application/pdf", "application/json", "text/csv"]
    told = json.loads(got[1].text)
    assert told["figures"]["digest"]["sha256"] == hashlib.sha256(got[2].data).hexdigest()
    assert {each.headers["Content-Disposition"] for each in got} == {
        f'attachment; filename="{each.download}"' for each in links.children
    }
    assert client.get(f"{page.AUDITS_AT}{DAYS}&target=x").status_code == 422
