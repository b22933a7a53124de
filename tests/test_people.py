"""Accounts and devices: what they may be, what changes them, and what is never told."""

from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from argon2 import PasswordHasher
from sqlalchemy.exc import DBAPIError

from qa.errors import InvalidInput, StoreError
from qa.store import people, schema, trail
from tests.databases import on_both, past_the_guards

database = on_both
AT = datetime(2026, 3, 16, 12, tzinfo=UTC)
BY: dict[str, Any] = {"by": "plant", "at": AT}
WORD = "a dozen sprouts and one"


@pytest.fixture(autouse=True)
def light(monkeypatch: pytest.MonkeyPatch) -> None:
    """Digests that cost little: what they cost an attacker is tried once, below."""
    hasher = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(people, "_hasher", lambda: hasher)
    people._nobodys.cache_clear()


@pytest.fixture
def led(store: schema.Store) -> schema.Store:
    """A store with a lead who can sign in."""
    people.add_account(store, "Lena", "lead", **BY)
    people.set_password(store, "Lena", WORD, **BY)
    return store


def proves(store: schema.Store, name: str, what: str, typed: str) -> bool:
    with schema.reading(store) as connection:
        return people.proves(connection, people.account(connection, name), what, typed)


def test_there_are_no_accounts_until_one_is_added(store: schema.Store) -> None:
    assert not people.any_accounts(store)
    assert people.signing_key(store) is None
    people.add_account(store, "Lena", "lead", **BY)
    assert people.any_accounts(store)
    assert len(str(people.signing_key(store))) == 64
    assert trail.check(store) == ()


def test_an_account_and_its_password_come_together_or_not_at_all(store: schema.Store) -> None:
    """A lead without a password would lock everybody out."""
    with pytest.raises(InvalidInput, match="a password must have 12 to 200 characters"):
        people.add_account(store, "Lena", "lead", password="short", **BY)
    assert not people.any_accounts(store)
    kept = people.add_account(store, "Lena", "lead", password=WORD, **BY)
    assert kept.password
    assert proves(store, "Lena", "password", WORD)


def test_everything_that_was_done_is_told_the_newest_first(led: schema.Store) -> None:
    later = {"by": "Lena", "at": AT + timedelta(hours=1), "reason": "a season"}
    people.add_account(led, "Rosa", "recorder", **later)
    people.set_pin(led, "Rosa", "2580", **later)
    people.register(led, "scale 3", "token", role="viewer", by="Lena", at=AT + timedelta(hours=2))
    told = [(e.kind, e.name, e.action, e.role, e.by, e.reason) for e in people.changes(led)]
    assert told == [
        ("token", "scale 3", "registered", "viewer", "Lena", ""),
        ("account", "Rosa", "pin", "", "Lena", "a season"),
        ("account", "Rosa", "added", "recorder", "Lena", "a season"),
        ("account", "Lena", "password", "", "plant", ""),
        ("account", "Lena", "added", "lead", "plant", ""),
    ]


def test_a_role_that_an_account_has_already_leaves_it_alone(led: schema.Store) -> None:
    (before,) = people.accounts(led)
    assert people.set_role(led, "Lena", "lead", **BY) == before


def test_a_made_password_is_long_enough_and_never_the_same() -> None:
    made = {people.made_password() for _ in range(200)}
    assert len(made) == 200
    for each in made:
        people.check_password("Lena", each)


def test_the_first_account_is_a_lead_s(store: schema.Store) -> None:
    with pytest.raises(InvalidInput, match=r"^the first account must be a lead's, got recorder$"):
        people.add_account(store, "Rosa", "recorder", **BY)
    assert not people.any_accounts(store)


def test_a_name_is_taken_once_whatever_the_size_of_its_letters(led: schema.Store) -> None:
    with pytest.raises(StoreError, match=r"^there is an account Lena already$"):
        people.add_account(led, "LENA", "viewer", **BY)
    with schema.reading(led) as connection:
        found = people.account(connection, " lena ")
    assert found
    assert found.name == "Lena"


@pytest.mark.parametrize(
    "name", ["", " ", "-x", "x-", "a" * 41, "a\nb", "a<b", "a\0b", "_x", "\ud800", "x/y"]
)
def test_a_name_is_one(led: schema.Store, name: str) -> None:
    for act in (people.add_account, people.register):
        with pytest.raises(InvalidInput, match="a name must have 1 to 40 letters or digits"):
            act(led, name, "viewer" if act is people.add_account else "token", **BY)


def test_names_are_those_of_people_everywhere(led: schema.Store) -> None:
    for name in ("Ó Briain", "Zoë", "insp-07", "J. O'Neill", "李", "7"):
        assert people.add_account(led, name, "recorder", **BY).name == name


def test_a_role_is_one(led: schema.Store) -> None:
    told = 'role must be one of viewer, recorder, supervisor, lead, got "boss"'
    with pytest.raises(InvalidInput, match=told):
        people.add_account(led, "Otto", "boss", **BY)
    with pytest.raises(InvalidInput, match=told):
        people.set_role(led, "Lena", "boss", **BY)


def test_an_account_is_as_its_newest_rows_say(led: schema.Store) -> None:
    people.add_account(led, "Rosa", "recorder", **BY)
    people.set_pin(led, "Rosa", "2580", **BY)
    later = {"by": "Lena", "at": AT + timedelta(hours=1)}
    people.set_role(led, "rosa", "supervisor", **later)
    lena, rosa = people.accounts(led)
    assert asdict(rosa) == {
        "name": "Rosa",
        "role": "supervisor",
        "disabled": False,
        "password": False,
        "pin": True,
        "number": 5,
        "at": later["at"],
        "by": "Lena",
    }
    assert (lena.password, lena.pin) == (True, False)
    people.set_disabled(led, "Rosa", True, reason="left", **later)
    assert people.accounts(led)[1].disabled
    people.set_disabled(led, "Rosa", True, reason="left", **later)  # once is enough
    people.set_disabled(led, "Rosa", False, reason="came back", **later)
    assert not people.accounts(led)[1].disabled
    assert people.accounts(led)[1].number == 7
    assert trail.check(led) == ()


def test_only_the_newest_password_opens(led: schema.Store) -> None:
    assert proves(led, "Lena", "password", WORD)
    assert not proves(led, "Lena", "password", WORD + "x")
    assert not proves(led, "Lena", "pin", WORD)
    assert not proves(led, "nobody", "password", WORD)
    people.set_password(led, "Lena", "another dozen of them", **BY)
    assert not proves(led, "Lena", "password", WORD)
    assert proves(led, "Lena", "password", "another dozen of them")


def test_a_disabled_account_proves_nothing(led: schema.Store) -> None:
    people.add_account(led, "Rosa", "recorder", **BY)
    people.set_pin(led, "Rosa", "2580", **BY)
    assert proves(led, "Rosa", "pin", "2580")
    people.set_disabled(led, "Rosa", True, reason="left", **BY)
    assert not proves(led, "Rosa", "pin", "2580")


def test_a_text_that_cannot_be_written_proves_nothing(led: schema.Store) -> None:
    assert not proves(led, "Lena", "password", "\ud800" * 12)
    with pytest.raises(InvalidInput, match="of characters that can be written"):
        people.set_password(led, "Lena", "\ud800" * 12, **BY)


@pytest.mark.parametrize("password", ["", "eleven char", "x" * 201])
def test_a_password_is_long_enough(led: schema.Store, password: str) -> None:
    with pytest.raises(InvalidInput, match=r"^a password must have 12 to 200 characters$"):
        people.set_password(led, "Lena", password, **BY)


def test_a_password_is_not_the_name(led: schema.Store) -> None:
    people.add_account(led, "Bartholomew B", "viewer", **BY)
    with pytest.raises(InvalidInput, match="must not be the account's name"):
        people.set_password(led, "Bartholomew B", "bartholomew b", **BY)


@pytest.mark.parametrize("pin", ["", "123", "123456789", "12a4", "1111", "12 34", "١٢٣٤"])
def test_a_pin_is_four_to_eight_digits(led: schema.Store, pin: str) -> None:
    with pytest.raises(InvalidInput, match=r"^a PIN must have 4 to 8 digits, not all the same$"):
        people.set_pin(led, "Lena", pin, **BY)


def test_there_is_always_a_lead_who_can_sign_in(led: schema.Store) -> None:
    told = "^Lena is the only lead who can sign in; make another one first$"
    people.add_account(led, "Otto", "lead", **BY)  # without a password
    for act in (
        lambda: people.set_role(led, "Lena", "viewer", **BY),
        lambda: people.set_disabled(led, "Lena", True, reason="left", **BY),
    ):
        with pytest.raises(StoreError, match=told):
            act()
    people.set_password(led, "Otto", WORD, **BY)
    assert people.set_disabled(led, "Lena", True, reason="left", **BY).disabled


def test_what_is_not_there_is_said(led: schema.Store) -> None:
    for act in (
        lambda: people.set_password(led, "Rosa", WORD, **BY),
        lambda: people.set_pin(led, "Rosa", "2580", **BY),
        lambda: people.set_role(led, "Rosa", "lead", **BY),
        lambda: people.set_disabled(led, "Rosa", True, reason="left", **BY),
    ):
        with pytest.raises(StoreError, match=r"^there is no account Rosa in the store$"):
            act()
    with pytest.raises(StoreError, match=r"^there is no device tablet in the store$"):
        people.revoke(led, "tablet", reason="lost", **BY)


def test_who_when_and_why_are_asked(led: schema.Store) -> None:
    with pytest.raises(InvalidInput, match="by must say who"):
        people.add_account(led, "Otto", "viewer", by=" ", at=AT)
    with pytest.raises(InvalidInput, match="at must have its zone"):
        people.set_pin(led, "Lena", "2580", by="x", at=AT.replace(tzinfo=None))
    with pytest.raises(InvalidInput, match="reason must say why"):
        people.set_disabled(led, "Lena", True, reason="", **BY)


def test_a_device_is_known_by_its_key_until_it_is_revoked(led: schema.Store) -> None:
    key = people.register(led, "Tablet 1", "station", **BY)
    found = people.device(led, key, "station")
    assert found
    assert (found.name, found.role) == ("Tablet 1", "recorder")
    assert people.device(led, key, "token") is None
    assert people.device(led, key + "x", "station") is None
    second = people.register(led, "tablet 1", "station", **BY)
    assert people.device(led, key, "station") is None
    assert people.device(led, second, "station")
    people.revoke(led, "TABLET 1", reason="lost", **BY)
    people.revoke(led, "TABLET 1", reason="lost", **BY)
    assert people.device(led, second, "station") is None
    assert [(each.name, each.revoked) for each in people.devices(led)] == [("tablet 1", True)]
    assert trail.check(led) == ()


def test_a_device_never_may_more_than_record(led: schema.Store) -> None:
    with pytest.raises(InvalidInput, match='role must be one of viewer, recorder, got "lead"'):
        people.register(led, "scale", "token", role="lead", **BY)
    with pytest.raises(InvalidInput, match='kind must be one of station, token, got "phone"'):
        people.register(led, "scale", "phone", **BY)


def test_nothing_typed_and_no_key_is_in_the_file(led: schema.Store) -> None:
    people.set_pin(led, "Lena", "25801379", **BY)
    key = people.register(led, "Tablet", "station", **BY)
    with schema.reading(led) as connection:
        kept = {each.name: connection.execute(each.select()).all() for each in schema.recorded()}
    digests = [row.value for row in kept["account"] if row.value.startswith("$argon2id$")]
    assert len(digests) == 2
    text = str(kept)
    for word in (WORD, "25801379", key):
        assert word not in text


def test_a_digest_costs_an_attacker_time_and_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()
    hasher = people._hasher()
    # RFC 9106, section 4: the second recommended option is t=3, m=64 MiB, p=4.
    assert (hasher.time_cost, hasher.memory_cost, hasher.parallelism) == (3, 65536, 4)
    assert hasher.type.name == "ID"


@pytest.mark.parametrize("table", ["account", "device", "sign_in", "secret"])
def test_what_people_are_is_only_ever_added_to(led: schema.Store, table: str) -> None:
    people.register(led, "Tablet", "station", **BY)
    with schema.writing(led) as connection:
        row = {"number": 1, "action": "tried", "name": "x", "place": "x", "session": ""}
        connection.execute(schema.sign_in.insert(), {**row, "account": 0, "at": AT})
    statements = [f"UPDATE {table} SET name = 'x'", f"DELETE FROM {table}"]
    if led.engine.dialect.name == "sqlite":
        statements.append(f"REPLACE INTO {table} SELECT * FROM {table}")
    for statement in statements:
        with (
            pytest.raises(DBAPIError, match=f"{table} is only ever added to"),
            led.engine.begin() as connection,
        ):
            connection.exec_driver_sql(statement)


def test_a_check_finds_what_was_taken_out(led: schema.Store) -> None:
    past_the_guards(led, "DELETE FROM account WHERE number = 1")
    breaks = trail.check(led)
    assert "change of an account 1 is missing" in breaks
    assert "account Lena, change 2: password comes out of order" in breaks
