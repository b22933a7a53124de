"""Signing in: tries counted before they are looked at, lock-out, and sessions that end.

A try is recorded before what was typed is held against the account, so that many at once are
counted too. A session's key is known to its browser alone; the store keeps its digest.
"""

import hmac
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Connection, func, or_, select, true

from qa.store import people, schema
from qa.store.people import Account
from qa.store.rows import add
from qa.store.schema import Store, reading, sign_in, writing

WINDOW = timedelta(minutes=15)
MOST_OWN = 5  # failures of one account from one place, since it last passed there
MOST_ALL = 20  # failures of one account, or from one place, whatever passed meanwhile
KNOWN = timedelta(days=30)  # a place is an account's own, after it passed there
AT_STATION = "station "  # begins the place of a try at a station
LASTS = timedelta(hours=12)  # a session: a long shift
_MASK = "?"  # before what stands for a name that is no account's; no account's begins so
LONGEST = 1_000  # characters of what is typed; no password is as long


@dataclass(frozen=True, slots=True)
class Tried:
    """What came of a try: the session's key, or none, and until when no other is looked at."""

    key: str = ""
    locked_until: datetime | None = None


@dataclass(frozen=True, slots=True)
class Session:
    """Who is signed in, from where, and until when."""

    account: Account
    place: str
    until: datetime


@dataclass(frozen=True, slots=True)
class Standing:
    """How an account stands at the doors: when it last passed, and until when it is locked out.

    Attributes
    ----------
    passed : datetime or None
        None where it never did.
    locked_until : datetime or None
        Somewhere at least; None where the next try is looked at everywhere.
    """

    passed: datetime | None = None
    locked_until: datetime | None = None


def standings(store: Store, *, at: datetime) -> dict[str, Standing]:
    """How every account stands, by its name."""
    table = sign_in.c
    last = select(table.name, func.max(table.at).label("at")).where(table.action == "passed")
    with reading(store) as connection:
        passed = {row.name: row.at for row in connection.execute(last.group_by(table.name))}
        rows = _lately(connection, at, true())
        named = {row.name for row in rows if not row.name.startswith(_MASK)}
        anew = {name: _anew(connection, name) for name in named}
    found = {name: Standing(when) for name, when in passed.items()}
    for name, since in anew.items():
        places = {row.place for row in rows if row.name == name}
        ends = [_locked_until(rows, name, place, since) for place in places]
        until = max((end for end in ends if end is not None), default=None)
        found[name] = Standing(passed.get(name), until)
    return found


def try_password(store: Store, name: str, password: str, place: str, *, at: datetime) -> Tried:
    """Sign in by a password from a network address."""
    return _try(store, "password", name, password, place, at)


def try_pin(store: Store, name: str, pin: str, station: str, *, at: datetime) -> Tried:
    """Sign in by a PIN at a station."""
    return _try(store, "pin", name, pin, station, at)


def session(store: Store, key: str, *, at: datetime) -> Session | None:
    """The session of a browser's key; None when it ended, or its account changed since."""
    digest = people.digest(key)
    with reading(store) as connection:
        rows = connection.execute(select(sign_in).where(sign_in.c.session == digest)).all()
        if len(rows) != 1 or rows[0].action != "passed":
            return None
        kept = people.account(connection, rows[0].name)
    passed = rows[0]
    if kept is None or kept.disabled or kept.number != passed.account:
        return None
    until = passed.at + LASTS
    return Session(kept, passed.place, until) if at < until else None


def end(store: Store, key: str, *, at: datetime) -> None:
    """End a session; a key of none is left alone."""
    digest = people.digest(key)
    with writing(store) as connection:
        rows = connection.execute(select(sign_in).where(sign_in.c.session == digest)).all()
        if len(rows) == 1:
            passed = rows[0]
            said = {"name": passed.name, "place": passed.place, "account": passed.account}
            _add(connection, {"action": "ended", "session": digest, "at": at, **said})


def _try(store: Store, what: str, name: str, typed: str, place: str, at: datetime) -> Tried:
    with writing(store) as connection:
        kept = people.account(connection, name[:LONGEST])
        called = kept.name if kept else _masked(store, name)
        rows = _lately(connection, at, or_(sign_in.c.name == called, sign_in.c.place == place))
        own = _passed_here(connection, called, place, at)
        until = _locked_until(rows, called, place, _anew(connection, called), own=own)
        if until is not None:
            return Tried(locked_until=until)
        said: dict[str, Any] = {"name": called, "place": place, "at": at}
        _add(connection, {"action": "tried", "session": "", "account": 0, **said})
    with reading(store) as connection:
        good = people.proves(connection, kept, what, typed[:LONGEST])
    if not good or kept is None:
        return Tried()
    key = secrets.token_urlsafe(32)
    row = {"action": "passed", "session": people.digest(key), "account": kept.number, **said}
    with writing(store) as connection:
        _add(connection, row)
    return Tried(key=key)


def _masked(store: Store, name: str) -> str:
    """A name that is no account's may be a password in the wrong field: kept unreadable.

    Small and capital letters are one, as in an account's, so that a lock-out does not tell which
    names there are.
    """
    key = (people.signing_key(store) or "").encode()
    return (
        _MASK
        + hmac.new(key, people.same(name).encode("utf-8", "replace"), "sha256").hexdigest()[:16]
    )


def _lately(connection: Connection, at: datetime, of: ColumnElement[bool]) -> Sequence[Any]:
    """Tries and passes that still count, the oldest first."""
    table = sign_in.c
    rows = (
        select(table.action, table.name, table.place, table.at)
        .where(table.at > at - WINDOW, table.action != "ended", of)
        .order_by(table.number)
    )
    return connection.execute(rows).all()


def _passed_here(connection: Connection, name: str, place: str, at: datetime) -> bool:
    """Whether it is an account's own place: others' guesses elsewhere do not shut it out here."""
    table = sign_in.c
    here = select(table.number).where(table.at > at - KNOWN, table.action == "passed")
    here = here.where(table.name == name, table.place == place).limit(1)
    return connection.execute(here).first() is not None


def _anew(connection: Connection, name: str) -> datetime | None:
    """When an account last got a password or a PIN, which forgives what failed before."""
    table = schema.account.c
    given = table.action.in_(("password", "pin"))
    return connection.execute(select(func.max(table.at)).where(table.name == name, given)).scalar()


def _locked_until(
    rows: Sequence[Any], name: str, place: str, since: datetime | None, *, own: bool = False
) -> datetime | None:
    """When the next try is looked at, if not now: as many failures as are allowed are old then.

    Guesses at a PIN, at stations, do not shut out who comes with a password, nor the other way.
    """
    named = [row for row in rows if row.name == name and (since is None or row.at >= since)]
    here = [row for row in named if row.place == place]
    passed = max((n for n, row in enumerate(here) if row.action == "passed"), default=-1)
    alike = [row for row in named if _at_station(row.place) == _at_station(place)]
    counted = [
        (_failures(here[passed + 1 :]), MOST_OWN),
        (_failures([] if own else alike), MOST_ALL),
        (_failures([row for row in rows if row.place == place]), MOST_ALL),
    ]
    ends = [times[-most] + WINDOW for times, most in counted if len(times) >= most]
    return max(ends, default=None)


def _at_station(place: str) -> bool:
    return place.startswith(AT_STATION)


def _failures(rows: Sequence[Any]) -> list[datetime]:
    """Times of the tries that did not pass; a pass takes the last try of its name and place."""
    failed: list[Any] = []
    for row in rows:
        if row.action == "tried":
            failed.append(row)
            continue
        same = [n for n, e in enumerate(failed) if (e.name, e.place) == (row.name, row.place)]
        if same:
            failed.pop(same[-1])
    return [row.at for row in failed]


def _add(connection: Connection, row: dict[str, Any]) -> None:
    last = connection.execute(select(func.max(sign_in.c.number))).scalar() or 0
    add(connection, schema.sign_in, [{**row, "number": last + 1}])
