"""Which language a page speaks: the switch's, else the browser's, else English."""

import re
from collections.abc import Iterator
from typing import Any

import pytest
from flask import Flask

from dashboard import texts
from dashboard.app import create_app
from dashboard.texts import COOKIE, language, words
from dashboard.views import keeping, sources
from dashboard.views import record as kept_record
from qa.store import schema
from tests.small_plant import NOW, small_plant

PAGE = {"Accept": "text/html"}


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    opened = small_plant(tmp_path_factory.mktemp("plant") / "plant.db")
    yield opened
    opened.engine.dispose()


@pytest.fixture
def client(plant: schema.Store) -> Any:
    return create_app(plant, lambda: NOW).server.test_client()


@pytest.mark.parametrize(
    ("wanted", "got"),
    [
        (None, "en"),
        ("", "en"),
        ("*", "en"),
        ("es", "es"),
        ("es-MX,es;q=0.9,en;q=0.8", "es"),
        ("ES-419", "es"),
        ("en-US,en;q=0.9,es;q=0.8", "en"),
        ("de,fr;q=0.9,es;q=0.5", "es"),
        ("de, fr", "en"),
        ("en;q=0.1, es;q=0.2", "es"),
        ("es;q=0, en", "en"),
        ("es;q=", "es"),
        ("x" * 5000, "en"),
    ],
)
def test_the_browser_says_which_language_it_wants(wanted: str | None, got: str) -> None:
    headers = {} if wanted is None else {"Accept-Language": wanted}
    with Flask("any").test_request_context("/", headers=headers):
        assert language() == got
        assert words().language == got


@pytest.mark.parametrize(("kept", "got"), [("en", "en"), ("es", "es"), ("tlh", "es"), ("", "es")])
def test_the_switch_goes_before_the_browser(kept: str, got: str) -> None:
    headers = {"Accept-Language": "es", "Cookie": f"{COOKIE}={kept}"}
    with Flask("any").test_request_context("/", headers=headers):
        assert language() == got


def test_nobody_asks_in_english() -> None:
    assert language() == "en"
    assert texts.LANGUAGES[0] == "en"


def test_the_frame_says_its_language(client: Any) -> None:
    shown = client.get("/floor", headers={**PAGE, "Accept-Language": "es"})
    assert '<html lang="es">' in shown.text
    assert {"Accept-Language", "Cookie"} <= set(shown.vary.as_set(preserve_casing=True))
    assert '<html lang="en">' in client.get("/floor", headers=PAGE).text


def press(client: Any, code: str, came: str = "http://localhost/plan?way=aql") -> Any:
    return client.post("/language", data={"language": code}, headers={"Referer": came})


def test_the_switch_leads_back_to_the_page_in_the_other_language(client: Any) -> None:
    answer = press(client, "es")
    assert (answer.status_code, answer.headers["Location"]) == (303, "/plan?way=aql")
    kept = answer.headers["Set-Cookie"]
    assert kept.startswith(f"{COOKIE}=es;")
    assert "HttpOnly" in kept
    assert "SameSite=Lax" in kept
    assert '<html lang="es">' in client.get("/plan", headers=PAGE).text
    press(client, "en")
    shown = client.get("/plan", headers={**PAGE, "Accept-Language": "es"})
    assert '<html lang="en">' in shown.text


@pytest.mark.parametrize("came", ["http://elsewhere.example/plan", ""])
def test_another_site_cannot_press_it(client: Any, came: str) -> None:
    answer = press(client, "es", came)
    assert answer.status_code in (303, 403)
    assert answer.headers.get("Location", "/") == "/"
    assert "Set-Cookie" not in answer.headers


@pytest.mark.parametrize(
    ("code", "came", "there"),
    [
        ("tlh", "http://localhost/plan", "/plan"),
        ("es\r\nX: 1", "http://localhost/plan", "/plan"),
    ],
)
def test_nothing_is_kept_of_no_page_or_no_language(
    client: Any, code: str, came: str, there: str
) -> None:
    answer = press(client, code, came)
    assert (answer.status_code, answer.headers["Location"]) == (303, there)
    assert "Set-Cookie" not in answer.headers


def test_a_switch_pressed_on_a_strange_address_stays_on_this_server(client: Any) -> None:
    answer = press(client, "es", "http://localhost//elsewhere.example/x")
    assert answer.headers["Location"] == "/"


def test_every_other_language_is_offered_by_its_own_name(client: Any) -> None:
    frame = client.get("/_dash-layout").get_json()
    assert '"value": "es"' in str(frame).replace("'", '"')
    assert "Español" in str(frame)
    spanish = client.get("/_dash-layout", headers={"Accept-Language": "es"}).get_json()
    assert "English" in str(spanish)
    assert "Español" not in str(spanish)


def test_what_is_kept_is_kept_a_language(plant: schema.Store) -> None:
    english, spanish = (keeping.record(plant, each) for each in ("en", "es"))
    assert english.audits is spanish.audits  # read once
    first, second = (kept_record.findings(each, NOW) for each in (english, spanish))
    assert [each.status for each in first] == [each.status for each in second]
    assert any("has risen" in each.sentence for each in first)
    assert not any("has risen" in each.sentence for each in second)
    assert any("ha subido" in each.sentence for each in second)
    why = [kept_record.lots(each)["why"].iloc[0] for each in (english, spanish)]
    assert re.search(r"accepts up to", why[0])
    assert re.search(r"acepta hasta", why[1])
    charts = [kept_record.charts(each, "2", NOW)["stem"].notes[0] for each in (english, spanish)]
    assert charts[0].startswith("Held against")
    assert charts[1].startswith(("Comparado con", "El programa no nombra"))
    told = [[each.sentence for each in sources.inspectors(plant, of).found] for of in ("en", "es")]
    assert all(one != other for one, other in zip(*told, strict=True))
