"""The app without a browser: its callbacks, its forms, what every answer carries, and its texts."""

import ast
import base64
import contextlib
import hashlib
import http.client
import io
import json
import logging
import re
import socket
import subprocess
import sys
import tomllib
import urllib.error
import urllib.request
from collections.abc import Iterator, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from dashboard import people as rights
from dashboard import theme
from dashboard.app import PAGES, create_app, serve
from dashboard.drawn import library
from dashboard.pages.lane import FRESH
from dashboard.texts import words
from qa.errors import QAError, StoreError, StoreUnavailable
from qa.store import people, records, schema
from tests.small_plant import NOW, small_plant

ROOT = Path(__file__).resolve().parents[1]
SOURCES = sorted((ROOT / "dashboard").rglob("*.py"))
QA_SOURCES = sorted((ROOT / "qa").rglob("*.py"))  # a page's key may end in a word of qa's
LIBRARY = "js-plotly-plot"  # what stands within is drawn by the charts' library
LOOK = r"\.([a-z][a-z0-9-]*)"


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    opened = small_plant(tmp_path_factory.mktemp("app") / "plant.db")
    yield opened
    opened.engine.dispose()


@pytest.fixture(scope="module")
def client(plant: schema.Store) -> FlaskClient:
    return create_app(plant, lambda: NOW).server.test_client()


@pytest.fixture
def fields() -> dict[str, object]:
    at = (NOW - timedelta(minutes=4)).isoformat()
    return {"key": "k-1", "pulled_at": at, "lane": "1", "tote": "A1", "inspector": "insp-09"} | {
        "inspected": "200",
        "stem": "1",
    }


Given = tuple[str, str, Any]  # a component, a property of it, and its value


def drawn(client: FlaskClient, output: str, *inputs: Given, state: Sequence[Given] = ()) -> str:
    """What a callback gives, as the text of its answer."""
    identity, _, name = output.rpartition(".")
    sent = {
        "output": output,
        "outputs": {"id": identity, "property": name},
        "inputs": [{"id": i, "property": p, "value": v} for i, p, v in inputs],
        "changedPropIds": [],
        "state": [{"id": i, "property": p, "value": v} for i, p, v in state],
    }
    answer = client.post("/_dash-update-component", json=sent)
    assert answer.status_code == 200, answer.text
    return plainly(answer.get_json())


def floor_body(client: FlaskClient, search: str = "") -> str:
    answer = client.get("/floor/now", query_string={"search": search})
    assert answer.status_code == 200, answer.text
    return plainly(answer.get_json()["body"])


def plainly(told: Any) -> str:
    """An answer as text, with plain spaces where no line may break."""
    return json.dumps(told, ensure_ascii=False).replace("\u00a0", " ")


def body(client: FlaskClient, page: str, search: str = "") -> str:
    inputs = [("app-address", "search", search)]
    if page == "lane":
        inputs += [(each, "data", None) for each in FRESH]
    elif page == "shift":
        inputs.append((f"{page}-fresh", "data", None))
    return drawn(client, f"{page}-body.children", *inputs)


# Pages


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.PATH)
def test_every_page_has_a_name_an_address_and_a_skeleton(page: Any, client: FlaskClient) -> None:
    said = drawn(client, "app-page.children", ("app-address", "pathname", page.PATH))
    assert f'"{page.PATH[1:]}-body"' in said
    nav = drawn(client, "app-nav.children", ("app-address", "pathname", page.PATH))
    assert nav.count('"aria-current": "page"') == 1
    assert client.get(page.PATH).status_code == 200


def test_only_pages_that_exist_are_linked(client: FlaskClient) -> None:
    nav = drawn(client, "app-nav.children", ("app-address", "pathname", "/"))
    assert re.findall(r'"href": "([^"]+)"', nav) == [
        "/floor",
        "/lane",
        "/shift",
        "/plan",
        "/claim",
        "/tally",
        "/ledger",
        "/setup",
    ]


def test_an_unknown_page_is_said(client: FlaskClient) -> None:
    said = drawn(client, "app-page.children", ("app-address", "pathname", "/nowhere"))
    assert "There is no page at /nowhere." in said


def test_floor_draws_its_rows(client: FlaskClient) -> None:
    said = floor_body(client)
    assert said.index("floor-lane-2") < said.index("floor-lane-1")
    assert "Stem left on has risen since about" in said


def test_floor_listens_for_what_is_new(client: FlaskClient) -> None:
    first = client.get("/floor/now").get_json()
    assert first["body"]
    known = {"known": first["pulse"]}
    assert client.get("/floor/now", query_string=known).get_json() == {"pulse": first["pulse"]}


def test_floor_is_made_of_plain_elements_alone(client: FlaskClient) -> None:
    """Its script makes no others, and a fault of it is seen on a wall at night."""
    assert set(re.findall(r'"namespace": "(\w+)"', floor_body(client))) == {"dash_html_components"}


def test_a_silent_store_leaves_what_floor_shows(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def silent(*_: object) -> str:
        raise StoreError("the store does not answer")

    monkeypatch.setattr("dashboard.views.floor.pulse", silent)
    assert "The store does not answer." in floor_body(client)
    assert client.get("/floor/now", query_string={"known": "x"}).status_code == 422


def test_the_worker_is_the_server_s_own_and_tells_nothing_of_the_plant(
    client: FlaskClient,
) -> None:
    worker, page = client.get("/service-worker.js"), client.get("/no-network")
    assert worker.mimetype == "text/javascript"  # a browser takes nothing else for a worker
    assert worker.headers["Cache-Control"] == "no-store"
    assert "worker-src 'self'" in worker.headers["Content-Security-Policy"]
    for text in (worker.text, page.text):
        assert "{{" not in text
        assert not re.search("lane|sprout|SP1|insp-", text)


def test_what_a_silent_store_did_not_give_is_asked_for_again(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the browser where there is nothing but the answer, else by the page's script."""

    def silent(*_: object, **__: object) -> Any:
        raise StoreUnavailable("the store does not answer")

    monkeypatch.setattr("qa.store.people.any_accounts", silent)
    page = client.get("/lane?lane=2", headers={"Accept": "text/html"})
    assert (page.status_code, page.headers["Refresh"]) == (503, "5")
    assert "The store does not answer." in page.text
    answer = client.post("/tally/audits", json={})
    assert answer.status_code == 503  # so that the browser's outbox keeps it, and sends it again
    assert answer.get_json() == {"problems": {}, "trouble": "the store does not answer"}
    monkeypatch.undo()
    monkeypatch.setattr("dashboard.views.lane.view", silent)
    sent = {"output": "lane-body.children", "outputs": {"id": "lane-body", "property": "children"}}
    inputs = [{"id": "app-address", "property": "search", "value": "?lane=2"}]
    inputs += [{"id": each, "property": "data"} for each in FRESH]
    asked = {**sent, "inputs": inputs, "changedPropIds": [], "state": []}
    assert client.post("/_dash-update-component", json=asked).status_code == 503


@pytest.mark.parametrize("category", ["correct", "stem", "over_trim", "double"])
def test_lane_draws_each_category(category: str, client: FlaskClient) -> None:
    said = body(client, "lane", f"?lane=2&category={category}&days=14")
    assert '"role": "img"' in said
    assert '"showSendToCloud": false' in said
    assert "The figures behind it" in said


def test_heads_name_the_days_they_are_counted_over(client: FlaskClient) -> None:
    said = body(client, "lane", "?lane=3&category=stem&days=14")
    assert "From head checks of 7 April to 20 April alone" in said


def test_shift_draws_its_sheet(client: FlaskClient) -> None:
    said = body(client, "shift")
    assert "Morning shift of 20 April" in said
    assert "It is not leave to ship" in said


@pytest.mark.parametrize("page", ["lane", "shift"])
def test_a_bad_address_is_said_in_a_sentence(page: str, client: FlaskClient) -> None:
    said = body(client, page, "?shift=evening")
    assert 'Shift must be one of morning, afternoon, night, got \\"evening\\".' in said
    assert "Nothing was changed or lost." in said


def test_empty_pages_say_so(store: schema.Store) -> None:
    fresh = create_app(store, lambda: NOW).server.test_client()
    assert words().say("floor.empty") in floor_body(fresh)
    assert "has no baseline to be held against yet" in body(fresh, "lane", "?lane=3")
    assert "No audit is recorded for the Morning shift" in body(fresh, "shift")
    form = drawn(fresh, "tally-body.children", ("app-address", "pathname", "/tally"))
    assert "Pull 200 pieces" in form


def test_a_fault_that_is_no_rule_of_ours_stays_loud(
    plant: schema.Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr("dashboard.views.shift.view", broken)
    loud = create_app(plant, lambda: NOW).server.test_client()
    with pytest.raises(AssertionError):
        body(loud, "shift")


# Forms


def test_a_form_is_saved_once_and_answered_with_the_verdict(
    client: FlaskClient, plant: schema.Store, fields: dict[str, object]
) -> None:
    first = client.post("/tally/audits", json=fields).get_json()
    second = client.post("/tally/audits", json=fields).get_json()
    assert first["state"] == second["state"] == "release"
    assert "not leave to ship" in first["next"]
    assert "Saved: tote A1, lane 1, 199 of 200 correct." in plainly(first["said"])
    assert first["why"].endswith("accepts up to 7.")
    assert second["said"].startswith("Was saved before, and is there once")
    assert len(records.tallies(plant, tote="A1")) == 1


def test_a_form_at_fault_hears_of_every_field(
    client: FlaskClient, fields: dict[str, object]
) -> None:
    answer = client.post("/tally/audits", json={**fields, "lane": "7", "stem": "1.5"})
    assert answer.status_code == 422
    assert set(answer.get_json()["problems"]) == {"lane", "stem"}


def test_other_content_under_one_key_is_a_trouble_in_words(
    client: FlaskClient, fields: dict[str, object]
) -> None:
    sent = {**fields, "key": "k-2", "tote": "A2"}
    client.post("/tally/audits", json=sent)
    answer = client.post("/tally/audits", json={**sent, "stem": "3"})
    assert answer.status_code == 422
    assert "k-2" in answer.get_json()["trouble"]


@pytest.mark.parametrize("place", ["/tally/audits", "/tally/findings"])
def test_a_form_that_another_site_could_send_is_refused(place: str, client: FlaskClient) -> None:
    answer = client.post(place, data={"tote": "A3"})
    assert answer.status_code == 422
    assert "JSON" in answer.get_json()["trouble"]
    assert client.post(place, json=["A3"]).status_code == 422
    plain = client.post(place, data='{"tote": "A3"}', content_type="text/plain")
    assert plain.status_code == 422
    assert "JSON" in plain.get_json()["trouble"]


def test_a_form_that_names_a_field_twice_is_refused(client: FlaskClient) -> None:
    twice = '{"tote": "A3", "tote": "A4"}'
    answer = client.post("/tally/audits", data=twice, content_type="application/json")
    assert answer.status_code == 422
    assert answer.get_json()["problems"] == {"tote": "must be said once, got 2 times"}


def test_what_is_sent_writes_no_line_of_its_own_in_the_log(
    plant: schema.Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither an address nor what an error quotes; else anybody could write what they like."""
    forged = "[2026-11-26 10:00:00,000] ERROR in app: forged"
    server = create_app(plant, lambda: NOW).server
    kept = io.StringIO()
    handler = logging.StreamHandler(kept)
    handler.setFormatter(logging.Formatter("[%(asctime)s] %(message)s"))
    for logger in (server.logger, logging.getLogger("waitress")):
        logger.addHandler(handler)
    try:
        for path in ("/tally", f"/x\n{forged}"):
            with server.test_request_context(path):
                try:
                    raise ValueError(f"got A3\r\n{forged}\x1b[2J")
                except ValueError:
                    server.log_exception(sys.exc_info())
        logging.getLogger("waitress").error("Exception while serving %s", f"/x\n{forged}")
        with monkeypatch.context() as quiet:
            quiet.setattr(logging, "raiseExceptions", False)
            server.logger.error("%s of %s", "values that do not fit")  # fails nobody
    finally:
        for logger in (server.logger, logging.getLogger("waitress")):
            logger.removeHandler(handler)
    lines = kept.getvalue().split("\n")
    begun = [line for line in lines if line.startswith("[")]
    assert len(begun) == 3
    assert not [line for line in lines if line.startswith(forged)]
    assert all(line.isprintable() for line in lines)
    assert sum("  ValueError: got A3\\r" in line for line in lines) == 2


def test_the_clock_is_the_server_s(client: FlaskClient) -> None:
    told = client.get("/tally/clock").get_json()
    assert told["now"] == NOW.isoformat()
    page = drawn(client, "tally-body.children", ("app-address", "pathname", "/tally"))
    for name in ("lead", "by_clock"):
        assert plainly(told[name]) in page  # what an open page says when its shift is over


# What every answer carries


def test_every_answer_carries_the_headers(client: FlaskClient) -> None:
    for path in ("/", "/assets/toteproof.css", "/nowhere"):
        with client.get(path) as answer:
            headers = answer.headers
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "same-origin"
        assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
        assert "unsafe-inline" not in headers["Content-Security-Policy"].split(";")[0]
        assert headers["X-Frame-Options"] == "DENY"
        assert headers["Cross-Origin-Resource-Policy"] == "same-origin"
        assert "Strict-Transport-Security" not in headers
        with client.get(path, base_url="https://localhost") as answer:
            assert answer.headers["Strict-Transport-Security"] == "max-age=31536000"


def test_the_policy_knows_every_script_in_the_page(client: FlaskClient) -> None:
    client.get("/")
    page = client.get("/")
    policy = page.headers["Content-Security-Policy"]
    inline = re.findall(r"<script(?![^>]*src=)(?![^>]*json)[^>]*>(.*?)</script>", page.text, re.S)
    assert inline
    for script in inline:
        digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy


def test_a_browser_keeps_scripts_and_sheets_until_they_change(client: FlaskClient) -> None:
    named = re.findall(r'(?:src|href)="(/assets/[^"]+)"', client.get("/").text)
    assert {each.partition("?")[0].rpartition(".")[2] for each in named} == {"js", "css"}
    plain = named[0].partition("?")[0]
    for each, said in [*((each, "max-age=31536000") for each in (*named, library())),
                       (plain, "no-cache")]:  # fmt: skip
        with client.get(each) as answer:
            assert said in answer.headers["Cache-Control"], each


def test_nothing_comes_from_outside(client: FlaskClient) -> None:
    page = client.get("/").text
    assert re.findall(r'(?:src|href)="(?:https?:)?//', page) == []
    for sheet in (ROOT / "dashboard" / "assets").glob("*.[cj]s*"):
        assert "http" not in sheet.read_text(encoding="utf-8"), sheet.name


def test_no_chart_offers_to_send_what_it_shows_away() -> None:
    assert theme.CHART_CONFIG["showSendToCloud"] is False
    calls = [each for each in nodes(SOURCES) if isinstance(each, ast.Call)]
    made = [each for each in calls if ast.unparse(each.func).rpartition(".")[2] == "Chart"]
    made = [each for each in made if "figure" in [k.arg for k in each.keywords]]
    assert made, "charts are drawn somewhere"
    for each in made:
        config = [ast.unparse(k.value) for k in each.keywords if k.arg == "config"]
        assert config[0].startswith("theme.chart_config("), ast.unparse(each)
    assert theme.chart_config("en", ["January"])["showSendToCloud"] is False
    written = {"to_html", "write_html", "plot", "to_image"}
    assert not [e for e in calls if ast.unparse(e.func).rpartition(".")[2] in written]


def test_what_people_typed_is_shown_as_text_alone() -> None:
    ways = ("Markdown", "DangerouslySetInnerHTML", "innerHTML", "outerHTML", "insertAdjacentHTML")
    for path in (*SOURCES, *sheet_scripts()):
        text = path.read_text(encoding="utf-8")
        assert not [each for each in (*ways, "Markup(", "|safe", "| safe", "eval(") if each in text]


def test_the_page_says_its_language(client: FlaskClient) -> None:
    assert '<html lang="en">' in client.get("/").text


HOSTS = {
    **dict.fromkeys(["localhost", "LocalHost:8050", "127.0.0.1:1", "[::1]:8050", "[0:0::1]"], 200),
    **dict.fromkeys(["plant-pc", "PLANT-PC.:80", "plänt:8050", "xn--plnt-moa", "[fe80::7]"], 400),
    **dict.fromkeys(["", "plant.example", "localhost.evil.example", "127.0.0.1.nip.example"], 400),
    **dict.fromkeys(["localhost, evil", "a@localhost", "localhost:x", "0.0.0.0", "[::]"], 400),
}


@pytest.mark.parametrize("host", HOSTS)
def test_another_name_than_this_machine_s_is_not_answered(client: FlaskClient, host: str) -> None:
    for path in ("/", "/assets/toteproof.css", "/sign-in", "/api/v1/drift"):
        with client.get(path, headers={"Host": host}) as answer:
            status = {"/sign-in": 303, "/api/v1/drift": 401}.get(path, 200)
            assert answer.status_code == (status if HOSTS[host] == 200 else 400), path
            if HOSTS[host] == 400:
                assert "does not go by that name" in answer.get_json()["trouble"]


def test_names_that_are_given_are_those_that_browsers_ask_by() -> None:
    given = rights.known_as(
        "Plant-PC", "plänt", "[fe80::7]", "fe80::0008", "0.0.0.0", "::", "pc:80"
    )
    asked = ("plant-pc:8050", "xn--plnt-moa", "[FE80::7]:8050", "[fe80::8]", "pc", "localhost")
    assert {rights.hostname(each) for each in asked} <= given
    assert not {"", "0.0.0.0", "::", "plant.example"} & given


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.1.7", "plant.example", "::"])
def test_only_this_machine_is_served(host: str, store: schema.Store) -> None:
    with pytest.raises(QAError, match="host must be a loopback address such as"):
        serve(store, lambda: NOW, host, 0, print)


SERVES = (
    "import sys\nfrom datetime import UTC, datetime\n"
    "from dashboard.app import serve\nfrom qa.store.schema import open_store\n"
    "say = lambda at: print(at, flush=True)\n"
    "serve(open_store(sys.argv[1]), lambda: datetime.now(UTC), '127.0.0.1', 0, say)\n"
)
PROXIES = [(None, False), ("127.0.0.1", True), ("10.9.9.9", False)]


@pytest.mark.parametrize(("proxy", "secure"), PROXIES)
def test_others_are_served_by_the_names_that_are_given(
    store: schema.Store, proxy: str | None, secure: bool
) -> None:
    """With accounts: by name, and as by TLS where a server before it says so and is trusted."""
    people.add_account(store, "Lena", "lead", by="plant", at=NOW)
    script = SERVES.replace("'127.0.0.1', 0, say", f"'0.0.0.0', 0, say, ['plant-pc'], {proxy!r}")
    command = [sys.executable, "-c", script, store.url]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) as running:
        assert running.stdout is not None
        port = int(running.stdout.readline().strip().rstrip("/").rpartition(":")[2])
        try:
            for host, status in (("plant-pc", 200), ("127.0.0.1", 200), ("evil.example", 400)):
                connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
                head = {"Host": host, "X-Forwarded-Proto": "https", "Accept": "text/html"}
                connection.request("GET", "/sign-in", headers=head)
                answer = connection.getresponse()
                assert answer.status == status, host
                if status == 200:
                    assert ("Secure" in str(answer.headers["Set-Cookie"])) == secure
                connection.close()
        finally:
            running.terminate()


def test_a_port_in_use_is_one_sentence(store: schema.Store) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(QAError, match=f"^port {port} is in use; choose another with --port$"):
            serve(store, lambda: NOW, "127.0.0.1", port, print)


def test_idle_connections_keep_nobody_out(plant: schema.Store) -> None:
    command = [sys.executable, "-c", SERVES, plant.url]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) as running:
        assert running.stdout is not None
        address = running.stdout.readline().strip()
        place = ("127.0.0.1", int(address.rstrip("/").rpartition(":")[2]))
        try:
            with contextlib.ExitStack() as idle:
                for _ in range(200):
                    waiting = idle.enter_context(socket.create_connection(place, 60))
                    waiting.sendall(b"GET / HTTP/1.1\r\n")  # and never an end
                with urllib.request.urlopen(f"{address}tally", timeout=60) as answer:
                    assert answer.status == 200
        finally:
            running.terminate()


def test_it_serves_and_says_where(plant: schema.Store) -> None:
    command = [sys.executable, "-c", SERVES, plant.url]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) as running:
        assert running.stdout is not None
        address = running.stdout.readline().strip()
        try:
            with urllib.request.urlopen(f"{address}tally") as answer:
                assert answer.status == 200
                assert "Server" not in answer.headers
            for name, told in (("X-Forwarded-For", "10.0.0.7"), ("Via", "1.1 gate")):
                asked = urllib.request.Request(f"{address}tally", headers={name: told})
                with pytest.raises(urllib.error.HTTPError, match="403"):
                    urllib.request.urlopen(asked)
        finally:
            running.terminate()


# Texts


def said_keys() -> tuple[set[str], set[str]]:
    """Keys that the screens say as they stand, and beginnings of those put together."""
    begun = beginnings(SOURCES)
    return constants(SOURCES), {each for each in begun if re.fullmatch(r"[a-z_]+\.[a-z_]*", each)}


def constants(files: list[Path]) -> set[str]:
    """Every text that stands in the code."""
    return {
        node.value
        for node in nodes(files)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


def beginnings(files: list[Path]) -> set[str]:
    """The beginning of every text that the code puts together."""
    firsts = (node.values[0] for node in nodes(files) if isinstance(node, ast.JoinedStr))
    return {str(first.value) for first in firsts if isinstance(first, ast.Constant)}


def nodes(files: list[Path]) -> Iterator[ast.AST]:
    for path in files:
        yield from ast.walk(ast.parse(path.read_text(encoding="utf-8")))


def sheet_scripts() -> list[Path]:
    rooms = ((ROOT / "dashboard" / "assets", "*.js"), (ROOT / "dashboard" / "templates", "*.html"))
    return sorted(path for room, kind in rooms for path in room.glob(kind))


def text_keys() -> set[str]:
    def flat(table: dict[str, Any], above: str) -> Iterator[str]:
        for name, value in table.items():
            if isinstance(value, dict):
                yield from flat(value, f"{above}{name}.")
            else:
                yield f"{above}{name}"

    file = ROOT / "dashboard" / "texts" / "en.toml"
    keys = flat(tomllib.loads(file.read_text(encoding="utf-8")), "")
    return {re.sub(r"\.(one|other)$", "", key) for key in keys}


def test_every_text_that_is_said_exists() -> None:
    whole, begun = said_keys()
    keys = text_keys()
    groups = {key.partition(".")[0] for key in keys}
    looks_like_one = re.compile(rf"({'|'.join(groups)})\.[a-z_]*[a-z]")
    assert {each for each in whole if looks_like_one.fullmatch(each)} <= keys
    for each in begun:
        assert any(key.startswith(each) for key in keys), each


def test_no_text_is_kept_that_nobody_says() -> None:
    whole, begun = said_keys()
    put_together = {
        f"{start}{end}" for start in begun for end in whole | constants(QA_SOURCES) if end
    }
    assert text_keys() - whole - put_together == set()


def test_no_look_is_kept_that_nothing_wears() -> None:
    sheets = sorted((ROOT / "dashboard" / "assets").glob("*.css"))
    sheet = "".join(path.read_text(encoding="utf-8") for path in sheets)
    scripts = [path.read_text(encoding="utf-8") for path in sheet_scripts()]
    selectors = re.findall(
        r"(?:^|[{}])\s*([^{}@]+?)\s*\{", re.sub(r"/\*.*?\*/", "", sheet, flags=re.S)
    )
    named = (each.split() for each in ",".join(selectors).split(",") if LIBRARY not in each)
    ours = {look for each in named for part in each for look in re.findall(LOOK, part)}
    whole, begun = constants(SOURCES), beginnings(SOURCES)
    worn = {word for text in whole for word in text.split()}
    worn |= {word for text in scripts for word in re.findall(r"[a-z][a-z0-9-]*", text)}
    ends = worn | {text.replace(" ", "-") for text in whole | constants(QA_SOURCES)}
    starts = {word for text in begun for word in text.split() if word.endswith("-")}
    worn |= {f"{start}{end}" for start in starts for end in ends}
    assert {each for each in ours - worn if not each.startswith("dash-")} == set()


def test_floor_calls_two_marks_by_two_names() -> None:
    strip, recent = (words().say(f"floor.{name}").split() for name in ("key_strip", "key_recent"))
    assert (strip[1], recent[1]) == ("line", "column")


def test_accept_is_never_leave_to_ship() -> None:
    for key, text in words().sentences.items():
        text = re.sub("[Aa]s shipped", "", text)  # the figure's own name
        assert not re.search(r"\b(ship|shipped|shipping)\b", text) or "not leave to ship" in text, (
            key
        )
