"""Signing in: who passes, who is locked out and for how long, and when a session ends."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from threading import Thread
from typing import Any

import pytest
from argon2 import PasswordHasher
from sqlalchemy import select

from qa.store import people, schema, sign_ins, trail
from qa.store.sign_ins import LASTS, MOST_ALL, MOST_OWN, WINDOW, Standing, Tried, standings
from tests.databases import on_both

database = on_both
AT = datetime(2026, 3, 16, 12, tzinfo=UTC)
BY: dict[str, Any] = {"by": "plant", "at": AT}
WORD, PIN, PLACE = "a dozen sprouts and one", "2580", "10.0.0.7"
SECOND = timedelta(seconds=1)
LATE: dict[str, Any] = {"by": "plant", "at": AT + 60 * SECOND}
Try = Callable[..., Tried]


@pytest.fixture(autouse=True)
def light(monkeypatch: pytest.MonkeyPatch) -> None:
    hasher = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(people, "_hasher", lambda: hasher)
    people._nobodys.cache_clear()


@pytest.fixture
def led(store: schema.Store) -> schema.Store:
    people.add_account(store, "Lena", "lead", **BY)
    people.set_password(store, "Lena", WORD, **BY)
    people.set_pin(store, "Lena", PIN, **BY)
    return store


@pytest.fixture
def tried(led: schema.Store) -> Try:
    """A function that tries a password, by default a wrong one, some seconds after the start."""

    def one(word: str = "wrong", name: str = "Lena", place: str = PLACE, after: int = 0) -> Tried:
        return sign_ins.try_password(led, name, word, place, at=AT + after * SECOND)

    return one


def test_a_password_gives_a_session_and_a_wrong_one_none(led: schema.Store, tried: Try) -> None:
    found = sign_ins.session(led, tried(WORD).key, at=AT)
    assert found
    assert (found.account.name, found.place, found.until) == ("Lena", PLACE, AT + LASTS)
    for answer in (tried(), tried(name="nobody"), tried(WORD, name="nobody"), tried("")):
        assert answer == Tried()
    assert sign_ins.session(led, "", at=AT) is None
    assert sign_ins.session(led, "guess", at=AT) is None
    assert trail.check(led) == ()


def test_a_pin_is_no_password_and_a_password_no_pin(led: schema.Store, tried: Try) -> None:
    assert not tried(PIN).key
    assert not sign_ins.try_pin(led, "Lena", WORD, "Tablet", at=AT).key
    key = sign_ins.try_pin(led, "Lena", PIN, "Tablet", at=AT).key
    found = sign_ins.session(led, key, at=AT)
    assert found
    assert found.place == "Tablet"


def test_a_session_ends_by_time_and_by_hand(led: schema.Store, tried: Try) -> None:
    key, other = tried(WORD).key, tried(WORD).key
    assert sign_ins.session(led, key, at=AT + LASTS - SECOND)
    assert sign_ins.session(led, key, at=AT + LASTS) is None
    for _ in range(2):
        sign_ins.end(led, key, at=AT)
    assert sign_ins.session(led, key, at=AT) is None
    assert sign_ins.session(led, other, at=AT)
    sign_ins.end(led, "guess", at=AT)
    assert trail.check(led) == ()


@pytest.mark.parametrize(
    "change",
    [
        lambda store: people.set_password(store, "Lena", "another dozen", **BY),
        lambda store: people.set_role(store, "Lena", "viewer", **BY),
        lambda store: people.set_disabled(store, "Lena", True, reason="left", **BY),
    ],
)
def test_a_change_of_the_account_ends_its_sessions(
    led: schema.Store, tried: Try, change: Callable[[schema.Store], Any]
) -> None:
    people.add_account(led, "Otto", "lead", **BY)
    people.set_password(led, "Otto", WORD, **BY)
    lena, otto = tried(WORD).key, tried(WORD, name="Otto").key
    change(led)
    assert sign_ins.session(led, lena, at=AT) is None
    assert sign_ins.session(led, otto, at=AT)


@pytest.mark.parametrize("name", ["Lena", "nobody"])
def test_failures_lock_out_a_name_that_is_and_one_that_is_not_alike(tried: Try, name: str) -> None:
    for after in range(MOST_OWN):
        assert tried(name=name, after=after) == Tried()
    assert tried(WORD, name=name, after=60) == Tried(locked_until=AT + WINDOW)
    assert tried(name=name, after=60, place="10.0.0.8") == Tried()  # elsewhere it is not
    last = tried(WORD, name=name, after=WINDOW.seconds)
    assert bool(last.key) == (name == "Lena")


def test_what_is_locked_out_is_not_counted_further(led: schema.Store, tried: Try) -> None:
    for _ in range(MOST_OWN + 30):
        tried()
    with schema.reading(led) as connection:
        assert len(connection.execute(select(schema.sign_in)).all()) == MOST_OWN


def test_a_pass_takes_back_the_failures_before_it(tried: Try) -> None:
    for _ in range(3):
        for _ in range(MOST_OWN - 1):
            assert tried() == Tried()
        assert tried(WORD).key


def test_an_account_is_locked_out_from_many_places_too(tried: Try) -> None:
    for each in range(MOST_ALL):
        assert tried(place=f"10.0.1.{each}") == Tried()
    assert tried(WORD, place="10.0.2.1").locked_until == AT + WINDOW
    assert tried(WORD, place="10.0.2.1", name="lena").locked_until == AT + WINDOW


def test_an_account_s_own_place_stays_open_to_it(tried: Try) -> None:
    """Who guesses at it from elsewhere must not shut it out of where it signs in every day."""
    assert tried(WORD).key
    day = 24 * 3600
    for each in range(MOST_ALL):
        assert tried(place=f"10.0.1.{each}", after=day) == Tried()
    assert tried(WORD, place="10.0.2.1", after=day).locked_until
    assert tried(after=day) == Tried()
    assert tried(WORD, after=day).key
    for each in range(MOST_ALL):
        assert tried(place=f"10.0.1.{each}", after=32 * day) == Tried()
    assert tried(WORD, after=32 * day).locked_until  # it was its own too long ago


def test_an_account_s_own_place_is_locked_by_failures_there(tried: Try) -> None:
    assert tried(WORD).key
    for _ in range(MOST_OWN):
        assert tried(after=1) == Tried()
    assert tried(WORD, after=1).locked_until


def test_guesses_at_a_pin_do_not_lock_the_password_nor_the_other_way(
    led: schema.Store, tried: Try
) -> None:
    def pin(typed: str, number: int) -> Tried:
        return sign_ins.try_pin(led, "Lena", typed, f"station {number}", at=AT)

    for each in range(MOST_ALL):
        assert pin("9999", each) == Tried()
    assert pin(PIN, 99).locked_until
    assert tried(WORD).key
    for each in range(MOST_ALL):
        assert tried(place=f"10.0.1.{each}", after=WINDOW.seconds) == Tried()
    assert tried(WORD, place="10.0.2.1", after=WINDOW.seconds).locked_until
    assert sign_ins.try_pin(led, "Lena", PIN, "station 98", at=AT + WINDOW).key


@pytest.mark.parametrize("name", ["Lena", "nobody"])
def test_a_name_s_letters_do_not_tell_whether_there_is_one(tried: Try, name: str) -> None:
    for _ in range(MOST_OWN):
        assert tried(name=name) == Tried()
    for other in (name.upper(), f" {name} ", name.casefold()):
        assert tried(name=other).locked_until, other


def test_a_place_is_locked_out_over_many_names_too(tried: Try) -> None:
    for each in range(MOST_ALL):
        assert tried(name=f"name {each}") == Tried()
        assert tried(WORD, place="10.0.0.9").key
    assert tried(WORD).locked_until == AT + WINDOW


@pytest.mark.parametrize("give", [people.set_password, people.set_pin])
def test_a_new_password_or_pin_forgives_what_failed_before_it(
    led: schema.Store, tried: Try, give: Callable[..., Any]
) -> None:
    for each in range(MOST_ALL):
        tried(place=f"10.0.1.{each}")
    assert tried(WORD, after=10).locked_until
    give(led, "Lena", "123412341234"[: 12 if give is people.set_password else 8], **LATE)
    assert not tried(after=61).locked_until
    for each in range(MOST_OWN - 1):
        tried(after=62 + each)
    assert tried(WORD, after=80).locked_until


def test_a_place_that_is_locked_out_stays_so(led: schema.Store, tried: Try) -> None:
    for each in range(MOST_ALL):
        tried(name=f"name {each}")
    people.set_password(led, "Lena", "another dozen", **LATE)
    assert tried("another dozen", after=61).locked_until == AT + WINDOW


def test_how_an_account_stands_at_the_doors_is_told(led: schema.Store, tried: Try) -> None:
    assert standings(led, at=AT) == {}
    people.add_account(led, "Otto", "viewer", **BY)
    tried(WORD, after=1)
    tried(WORD, after=5)
    assert standings(led, at=AT + 6 * SECOND) == {"Lena": Standing(passed=AT + 5 * SECOND)}
    for after in range(MOST_OWN):
        tried(place="10.0.0.8", after=10 + after)
        tried(name="Otto", after=10 + after)
        tried(name="nobody", after=10 + after)
    until = AT + WINDOW + 10 * SECOND
    assert standings(led, at=AT + 20 * SECOND) == {
        "Lena": Standing(AT + 5 * SECOND, until),
        "Otto": Standing(None, until),
    }
    assert standings(led, at=until) == {
        "Lena": Standing(AT + 5 * SECOND),
        "Otto": Standing(),
    }


def test_tries_at_once_are_counted_each(led: schema.Store, tried: Try) -> None:
    answers: list[Tried] = []
    threads = [Thread(target=lambda: answers.append(tried())) for _ in range(2 * MOST_OWN)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert sum(each.locked_until is not None for each in answers) == MOST_OWN
    assert trail.check(led) == ()


def test_a_name_that_is_no_account_s_is_not_written_down(led: schema.Store, tried: Try) -> None:
    tried(name=WORD)
    with schema.reading(led) as connection:
        name = connection.execute(select(schema.sign_in.c.name)).scalar()
    assert name
    assert WORD not in name
    assert name.startswith("?")


@pytest.mark.parametrize("typed", ["\ud800", "\0", "x" * 1_000_000])
def test_whatever_is_typed_is_refused_without_ado(tried: Try, typed: str) -> None:
    assert tried(typed) == Tried()
    assert tried(WORD, name=typed) == Tried()


def test_an_unknown_name_takes_as_long(led: schema.Store, monkeypatch: pytest.MonkeyPatch) -> None:
    digests: list[str] = []

    class Counting(PasswordHasher):
        def verify(self, hash: Any, password: Any) -> Any:
            digests.append(hash)
            return super().verify(hash, password)

    counting = Counting(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(people, "_hasher", lambda: counting)
    for name in ("Lena", "nobody"):
        sign_ins.try_password(led, name, "wrong", PLACE, at=AT)
    people.add_account(led, "Rosa", "viewer", **BY)  # who has no password
    sign_ins.try_password(led, "Rosa", "wrong", PLACE, at=AT)
    costs = {each.rpartition("$")[0].rpartition("$")[0] for each in digests}
    assert len(digests) == 3
    assert costs == {"$argon2id$v=19$m=8,t=1,p=1"}
