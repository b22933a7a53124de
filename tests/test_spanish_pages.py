"""Every page in Spanish: no word that English alone has is left on any of them."""

import io
import json
import re
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from flask.testing import FlaskClient

from dashboard import plain, texts
from dashboard.app import create_app
from dashboard.pages.lane import FRESH
from dashboard.pages.ledger import FORMS as LEDGER_FORMS
from dashboard.pages.setup import FORMS as SETUP_FORMS
from qa import wording
from qa.amending import PARTS
from qa.store import schema
from tests.small_plant import NOW, PROGRAMME_FILE, small_plant

CODES = {"id", "className", "href", "type", "namespace", "name", "textposition", "value", "lane"}
CITED = re.compile(r"\(1[89]\d\d\)|\(20\d\d\)|ISO \d")  # a source is cited by its own title
WORD = re.compile(r"[^\W\d_]{3,}")
SAID = re.compile(r"(children|title|placeholder|label|aria-label|data-say|text|said|note)")
KEPT = {
    *("toteproof", "import", "export", "demo", "user", "pin", "add", "serve", "english"),
    *("columns", "values", "shift", "stem", "stems", "night"),  # of the mapping's example, in TOML
    *("test", "lead", "the", "plant", "set"),  # recorded by the small plant itself
    *("piece", "inspector", "called", "correct", "known", "trial"),  # columns of a study's file
}


def vocabulary(language: str) -> set[str]:
    rooms = (wording.HERE, texts.HERE)
    every = (text for room in rooms for text in wording.load(language, room).sentences.values())
    plain = (re.sub(r"\{[^}]*\}", " ", text) for text in every)
    return {word.lower() for text in plain for word in WORD.findall(text)}


ENGLISH = (
    vocabulary("en")
    - vocabulary("es")
    - {word.lower() for word in WORD.findall(PROGRAMME_FILE.read_text("utf-8"))}
    - KEPT
)


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    opened = small_plant(tmp_path_factory.mktemp("plant") / "plant.db")
    yield opened
    opened.engine.dispose()


@pytest.fixture(scope="module")
def client(plant: schema.Store) -> FlaskClient:
    made = create_app(plant, lambda: NOW + timedelta(minutes=1)).server.test_client()
    made.environ_base["HTTP_ACCEPT_LANGUAGE"] = "es-MX,es;q=0.9,en;q=0.5"
    return made


def shown(part: Any, name: str = "children") -> Iterator[str]:
    """Every text of a part of a page that people read or hear."""
    if isinstance(part, dict):
        for key, value in part.items():
            if key == "data-pulls":  # JSON for the page's script
                yield from shown(json.loads(value))
            elif key not in CODES:
                yield from shown(value, key)
    elif isinstance(part, list):
        for each in part:
            yield from shown(each, name)
    elif isinstance(part, str) and SAID.match(name) and not CITED.search(part):
        yield part


def english(part: Any) -> dict[str, str]:
    """English words of a page, each with a text that has it."""
    return {
        word: text
        for text in shown(part)
        for word in WORD.findall(re.sub(r"\{\w+\}", "", text))
        if word.lower() in ENGLISH and word.islower() and not _code(text)
    }


def _code(text: str) -> bool:
    """What is sent and never shown: a choice's own name, an address, a key."""
    return bool(re.fullmatch(r"[a-z0-9_|:.+-]+", text)) or text.startswith("/")


def drawn(client: FlaskClient, page: str, *inputs: tuple[str, str, Any]) -> Any:
    sent = {
        "output": f"{page}.children",
        "outputs": {"id": page, "property": "children"},
        "inputs": [{"id": i, "property": p, "value": v} for i, p, v in inputs],
        "changedPropIds": [],
        "state": [],
    }
    answer = client.post("/_dash-update-component", json=sent)
    assert answer.status_code == 200, answer.text
    return answer.get_json()["response"][page]["children"]


def body(client: FlaskClient, page: str, search: str) -> Any:
    if page == "floor":
        return client.get("/floor/now", query_string={"search": search}).get_json()["body"]
    if page in ("tally", "inspectors"):
        return drawn(client, f"{page}-body", ("app-address", "pathname", f"/{page}"))
    fresh = {
        "lane": FRESH,
        "shift": ["shift-fresh"],
        "ledger": [f"{each}-fresh" for each in LEDGER_FORMS],
        "setup": [f"{each}-fresh" for each in SETUP_FORMS],
    }
    inputs = [("app-address", "search", search)]
    inputs += [(each, "data", None) for each in fresh.get(page, ())]
    return drawn(client, f"{page}-body", *inputs)


PLACES = [
    ("floor", ""),
    ("lane", "?lane=2&category=stem"),
    ("lane", "?lane=2"),
    ("lane", "?lane=3&chart=ewma"),
    ("lane", "?lane=3&chart=laney"),
    ("lane", "?lane=3&chart=standardised"),
    ("lane", "?lane=3&day=2025-01-01"),
    ("shift", ""),
    ("shift", "?day=2025-01-01"),
    ("tally", ""),
    ("inspectors", ""),
    ("plan", ""),
    ("plan", "?way=aql&aql=0,65&kind=double&sensitivity=95&from_totes=3&correlation=0,02"),
    ("plan", "?way=aql&inspection=reduced&kind=multiple"),
    ("plan", "?way=points&lot_size=&p1=1&p2=5&by=precision"),
    ("plan", "?way=claim&by=rise"),
    ("plan", "?way=limiting_quality"),
    ("plan", "?way=outgoing_quality"),
    ("claim", "?first=2026-04-01&last=2026-04-10"),
    ("claim", "?kind=tote-by-tote&share=95"),
    ("claim", "?found=95&incorrect=100&passed=198&study_correct=200"),
    ("claim", "?figure=shipped"),
    ("ledger", ""),
    ("ledger", "?what=findings"),
    ("ledger", "?what=events"),
    ("ledger", "?what=dispositions"),
    *(("setup", f"?part={each}") for each in (*PARTS, "text", "versions", "people")),
]


TROUBLES = [  # what is wrong is said in Spanish; names that an address takes are no language's
    ("plan", "?way=aql&lot_size=x&aql=0,7&level=IV&piece_seconds=1.500&correlation=2"),
    ("plan", "?way=points&p1=5&p2=1&producer_risk=200&kind=triple&sensitivity=many"),
    ("plan", "?way=points&lot_size=50&p1=1&p2=1,5"),
    ("plan", "?way=points&lot_size=4000&kind=multiple&p1=1&p2=5&target=99"),
    ("plan", "?way=aql&lot_size=900000&aql=0,01&kind=multiple"),
    ("plan", "?by=precision&half_width=0,0001&pieces=999999"),
    ("plan", "?by=rise&rise=1.000&expect=0,0001"),
    ("plan", "?way=numbers&n=10&ac=20"),
    ("plan", "?way=unheard"),
    ("claim", "?first=2020-01-01&last=2020-01-02"),
    ("claim", "?figure=shipped&first=2020-01-01&last=2020-01-02"),
    ("claim", "?target=9&first=x&last=y&buyer_inspected=0&found=1"),
    ("claim", "?found=1&incorrect=100&passed=2&study_correct=200"),
    ("claim", "?unheard=1"),
    ("lane", "?shift=evening"),
    ("shift", "?day=yesterday"),
    ("ledger", "?first=x&page=0&state=lost"),
    ("ledger", "?unheard=1"),
    ("setup", "?part=unheard"),
    ("setup", "?part=versions&older=9"),
]
PLAIN = re.compile(r"\b(must|got|the|and|not|with|from|which|has|there|needs|than|have)\b")


@pytest.mark.parametrize(("page", "search"), TROUBLES, ids=str)
def test_what_is_wrong_is_said_in_spanish(client: FlaskClient, page: str, search: str) -> None:
    said = [text for text in shown(body(client, page, search)) if PLAIN.search(text)]
    assert said == []


@pytest.mark.parametrize(("page", "search"), PLACES, ids=lambda each: str(each) or "plain")
def test_no_english_is_left(client: FlaskClient, page: str, search: str) -> None:
    made = body(client, page, search)
    assert len(json.dumps(made)) > 200
    assert english(made) == {}


def test_the_search_finds_english(client: FlaskClient) -> None:
    client_in_english = {"Accept-Language": "en"}
    answer = client.get("/floor/now", headers=client_in_english)
    assert len(english(answer.get_json()["body"])) > 20


@pytest.mark.parametrize("path", ["/floor", "/lane", "/shift", "/plan", "/claim", "/tally",
                                  "/ledger", "/setup", "/nowhere"])  # fmt: skip
def test_no_english_is_left_around_a_page(client: FlaskClient, path: str) -> None:
    place = ("app-address", "pathname", path)
    assert english(client.get("/_dash-layout").get_json()) == {}
    assert english(drawn(client, "app-page", place)) == {}
    assert english(drawn(client, "app-nav", place)) == {}


def post(client: FlaskClient, path: str, **sent: Any) -> Any:
    return client.post(path, headers={"X-Requested-With": "toteproof"}, **sent).get_json()


def test_a_form_s_faults_are_said_in_spanish(client: FlaskClient) -> None:
    version = re.search(r"versión (\d+)", json.dumps(body(client, "setup", ""), ensure_ascii=False))
    assert version
    stamp = {"stamp-who": "Ana", "stamp-why": "x", "stamp-version": version[1]}
    fields = {**stamp, "stamp-part": "targets", "target": "99,5", "pull": "x", "correlation": "2"}
    problems = post(client, "/setup/changes", json=fields)["problems"]
    assert problems["pull"] == 'debe ser un número entero, 1 o más, y dice "x"'
    assert problems["correlation"].startswith("debe ser una fracción entre 0 y 1")
    assert "target" not in problems
    fields = {**stamp, "stamp-part": "lines", "0-belt_speed_mm_s": "1.500"}
    problems = post(client, "/setup/changes", json=fields)["problems"]
    assert "marca de millares" in problems["0-belt_speed_mm_s"]
    fields = {**stamp, "stamp-part": "text", "text": "site = 3"}
    trouble = post(client, "/setup/changes", json=fields)["trouble"]
    assert not PLAIN.search(trouble)


def test_a_file_s_bad_rows_are_told_in_spanish(client: FlaskClient) -> None:
    rows = b"lane,tote,inspector,pulled_at,inspected,stem,over_trim,double\n1,A1,Ana,x,-3,1,0,0\n"
    sent = {"file": (io.BytesIO(rows), "filas.csv"), "rows": "good"}
    shown_rows = post(client, "/ledger/preview", data=sent)["shown"]
    assert not [text for text in shown(shown_rows) if PLAIN.search(text)]
    assert "Debe ser un número entero, 1 o más" in json.dumps(shown_rows, ensure_ascii=False)


def test_the_doors_speak_spanish(plant: schema.Store) -> None:
    server = create_app(plant, lambda: NOW).server
    with server.test_request_context("/", headers={"Accept-Language": "es"}):
        said = plain.told(texts.words().say("refused.again"), 401).get_json()
    assert said["trouble"].startswith("Inicie sesión de nuevo")
    with server.test_request_context("/", headers={"Accept-Language": "es", "Accept": "text/html"}):
        page = plain.told(texts.words().say("refused.right"), 403).get_data(as_text=True)
    assert '<html lang="es">' in page
    assert 'value="en" lang="en">English</button>' in page


def test_the_papers_are_in_spanish(client: FlaskClient) -> None:
    asked = {"first": "2026-04-01", "last": "2026-04-10"}
    said = client.get("/claim/statement.json", query_string=asked).get_json()
    told = [said["title"], *_texts(said["words"])]  # its figures have the notes as they were made
    assert not [text for text in told if PLAIN.search(text)]
    assert client.get("/claim/statement", query_string=asked).data.startswith(b"%PDF")
    sheet = client.get("/plan/sheet", query_string={"way": "aql"}).text
    assert '<html lang="es">' in sheet
    assert "Hoja de muestreo" in sheet


def _texts(part: Any) -> Iterator[str]:
    if isinstance(part, str):
        yield part
    elif isinstance(part, dict | list):
        for each in part.values() if isinstance(part, dict) else part:
            yield from _texts(each)
