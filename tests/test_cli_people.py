"""`toteproof user`: accounts and devices from the command, and what it takes to serve others."""

import json
from importlib import metadata
from pathlib import Path
from typing import Any

import pytest
from argon2 import PasswordHasher
from click.testing import CliRunner

from qa import cli
from qa.store import people, schema
from tests import ports

WORD = "a dozen sprouts and one"
PROGRAMME = str(Path(__file__).resolve().parents[1] / "data_demo" / "programme.toml")


@pytest.fixture(autouse=True)
def light(monkeypatch: pytest.MonkeyPatch) -> None:
    hasher = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(people, "_hasher", lambda: hasher)


@pytest.fixture
def where(tmp_path: Path) -> str:
    path = str(tmp_path / "plant.db")
    assert CliRunner().invoke(cli.main, ["setup", PROGRAMME, "--store", path]).exit_code == 0
    return path


def user(where: str, *arguments: str, typed: str | None = None, status: int = 0) -> str:
    """What a part of the command says; a secret is piped in as a line."""
    command = ["user", *arguments, "--store", where]
    line = None if typed is None else f"{typed}\n"
    result = CliRunner().invoke(cli.main, command, input=line)
    assert result.exit_code == status, result.output
    return result.stdout if not status else result.stderr


def listed(where: str) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = json.loads(user(where, "list", "--json"))
    return found


def test_the_first_account_is_the_lead_s_and_the_next_are_anybody_s(where: str) -> None:
    assert "There are no accounts" in user(where, "list")
    told = user(where, "add", "Rosa", "--role", "recorder", typed=WORD, status=2)
    assert told == "the first account must be a lead's, got recorder\n"
    said = user(where, "add", "Lena", "--role", "lead", "--who", "Plant", typed=WORD)
    assert said == "Lena may sign in, as lead.\n"
    user(where, "add", "Rosa", "--role", "recorder", "--no-password")
    lena, rosa = listed(where)["accounts"]
    assert (lena["role"], lena["password"], lena["by"]) == ("lead", True, "Plant")
    assert (rosa["role"], rosa["password"]) == ("recorder", False)


def test_an_account_is_changed_and_shut_and_opened(where: str) -> None:
    user(where, "add", "Lena", "--role", "lead", typed=WORD)
    user(where, "add", "Rosa", "--role", "recorder", typed=WORD)
    user(where, "pin", "rosa", typed="2580")
    user(where, "role", "Rosa", "supervisor")
    user(where, "password", "Rosa", typed="another dozen of them")
    assert user(where, "disable", "Rosa", "--reason", "left").startswith("Rosa is shut")
    rosa = listed(where)["accounts"][1]
    assert (rosa["role"], rosa["pin"], rosa["disabled"]) == ("supervisor", True, True)
    user(where, "disable", "Rosa", "--undo", "--reason", "back")
    assert not listed(where)["accounts"][1]["disabled"]
    told = user(where, "disable", "Lena", "--reason", "x", status=2)
    assert told.startswith("Lena is the only lead who can sign in")


def test_a_token_is_told_once_and_is_nowhere_afterwards(where: str) -> None:
    said = user(where, "token", "scale 3", "--role", "viewer", "--json")
    token = json.loads(said)["token"]
    store = schema.open_store(where)
    found = people.device(store, token, people.TOKEN)
    assert found
    assert (found.name, found.role) == ("scale 3", "viewer")
    assert token not in user(where, "list")
    assert token not in user(where, "list", "--json")
    user(where, "revoke", "scale 3", "--reason", "lost")
    assert people.device(store, token, people.TOKEN) is None
    store.engine.dispose()


def test_no_digest_is_ever_printed(where: str) -> None:
    said = user(where, "add", "Lena", "--role", "lead", "--json", typed=WORD)
    said += user(where, "pin", "Lena", "--json", typed="2580")
    said += user(where, "token", "scale", "--json") + user(where, "list", "--json")
    assert "argon2" not in said
    assert "digest" not in said


@pytest.mark.parametrize(
    ("arguments", "typed", "told"),
    [
        (("add", "Lena", "--role", "lead"), "short", "a password must have 12 to 200 characters"),
        (("add", "Lena", "--role", "lead"), "", "Password is missing: type it when asked, or pipe"),
        (("add", "<b>", "--role", "lead"), WORD, "a name must have 1 to 40 letters or digits"),
        (("password", "Otto"), WORD, "there is no account Otto in the store"),
        (("pin", "Otto"), "2580", "there is no account Otto in the store"),
        (("role", "Otto", "lead"), None, "there is no account Otto in the store"),
        (("revoke", "scale", "--reason", "x"), None, "there is no device scale in the store"),
    ],
)
def test_what_is_wrong_is_one_sentence(
    where: str, arguments: tuple[str, ...], typed: str | None, told: str
) -> None:
    assert user(where, *arguments, typed=typed, status=2).startswith(told)
    assert listed(where)["accounts"] == []


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Any, ...]]:
    calls: list[tuple[Any, ...]] = []

    class Entry:
        def load(self) -> Any:
            def serve(store: Any, now: Any, host: str, port: int, say: Any, **how: Any) -> None:
                calls.append((host, how))

            return serve

    monkeypatch.setattr(metadata, "entry_points", lambda **_: [Entry()])
    return calls


def serve(where: str, *arguments: str) -> Any:
    command = ["serve", "--store", where, "--port", str(ports.free()), *arguments]
    return CliRunner().invoke(cli.main, command)


def test_others_are_served_once_there_are_accounts(
    where: str, served: list[tuple[Any, ...]]
) -> None:
    others = ("--host", "0.0.0.0", "--known-as", "plant-pc", "--behind-proxy", "127.0.0.1")
    told = serve(where, *others).stderr
    assert told.startswith("--known-as and --behind-proxy let other machines in, and there are no")
    assert serve(where, "--host", "0.0.0.0").stderr.startswith("host must be a loopback address")
    assert served == []
    user(where, "add", "Lena", "--role", "lead", typed=WORD)
    assert serve(where, *others).exit_code == 0
    assert served == [("0.0.0.0", {"names": ("plant-pc",), "proxy": "127.0.0.1"})]
    for host in ("example.org", "", "300.1.1.1"):
        assert "host must be a loopback address" in serve(where, "--host", host).stderr
    told = serve(where, "--host", "192.0.2.7").stderr  # RFC 5737: an address that nobody has
    assert told == "host must be an address of this machine, got 192.0.2.7\n"
