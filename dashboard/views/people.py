"""Accounts and devices as the lead sees them, and what a form of Setup changes of them."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any
from urllib.parse import parse_qsl

from dashboard.views.typed import texts
from qa._validate import chosen
from qa.errors import InvalidAudit, InvalidInput
from qa.store import people, records, sign_ins
from qa.store.people import TOKEN, Account, Change, Device
from qa.store.schema import Store
from qa.store.sign_ins import Standing

ACCOUNT = "account"
WHO, WHY, DEED = "stamp-who", "stamp-why", "deed"
MOST_CHANGES = 50


@dataclass(frozen=True, slots=True)
class PeopleView:
    """Who may sign in and what may send; or one account, and what was done to it.

    `standings` are those of accounts that ever came to the doors, by name. `changes` are the
    newest ones, and `earlier` counts the others.
    """

    accounts: tuple[Account, ...]
    standings: Mapping[str, Standing]
    devices: tuple[Device, ...]
    changes: tuple[Change, ...]
    earlier: int
    of: Account | None
    zone: tzinfo


@dataclass(frozen=True, slots=True)
class Done:
    """What was done to whom, and what is told this once: a password, or a device's token."""

    deed: str
    name: str
    role: str = ""
    once: str = ""


def view(store: Store, search: str | None, now: datetime) -> PeopleView:
    """What an address asks of the people.

    Raises
    ------
    StoreError
        If it names an account that there is not.
    """
    asked = dict(parse_qsl((search or "").lstrip("?"))).get(ACCOUNT)
    accounts, changes = people.accounts(store), people.changes(store)
    of = None
    if asked is not None:
        people.check_known(store, asked)
        of = next(each for each in accounts if people.same(each.name) == people.same(asked))
        changes = tuple(e for e in changes if e.kind == ACCOUNT and e.name == of.name)
    return PeopleView(
        accounts=accounts,
        standings=sign_ins.standings(store, at=now),
        devices=people.devices(store),
        changes=changes[:MOST_CHANGES],
        earlier=max(len(changes) - MOST_CHANGES, 0),
        of=of,
        zone=records.programme(store).zone,
    )


def change(store: Store, fields: Mapping[str, object], now: datetime, language: str = "en") -> Done:
    """Do what a form asks: one deed, with who and why.

    Parameters
    ----------
    store : Store
    fields : mapping
        `deed`, one of "add", "role", "password", "pin", "shut", "open", "token" and "revoke"; what
        that needs; and who and why.
    now : datetime

    Raises
    ------
    InvalidAudit
        With every field that is missing or no plain text.
    InvalidInput, StoreError
        If the deed cannot be done; nothing is changed then.
    """
    needs, deed = chosen(DEEDS, "deed", str(fields.get(DEED) or ""))
    problems: dict[str, str] = {}
    typed = texts(fields, (*needs, WHO, WHY), problems, language)
    if problems:
        raise InvalidAudit(problems)
    secrets = {name: str(fields.get(name) or "") for name in ("password", "pin")}
    stamp = {"by": typed[WHO], "at": now, "reason": typed[WHY]}
    return deed(store, typed | secrets, stamp)


Deed = Callable[[Store, Mapping[str, str], Mapping[str, Any]], Done]


def _add(store: Store, typed: Mapping[str, str], stamp: Mapping[str, Any]) -> Done:
    """With the password typed; where neither it nor a PIN was, with one that is made."""
    name, role, pin = typed["name"], typed["role"], typed["pin"]
    made = "" if typed["password"] or pin else people.made_password()
    password = typed["password"] or made or None
    if pin:
        people.check_pin(pin)
    if password is None and not people.any_accounts(store):
        raise InvalidInput("the first account must have a password, and not a PIN alone")
    kept = people.add_account(store, name, role, password=password, **stamp)
    if pin:
        people.set_pin(store, name, pin, **stamp)
    return Done("add", kept.name, kept.role, made)


def _role(store: Store, typed: Mapping[str, str], stamp: Mapping[str, Any]) -> Done:
    kept = people.set_role(store, typed[ACCOUNT], typed["role"], **stamp)
    return Done("role", kept.name, kept.role)


def _password(store: Store, typed: Mapping[str, str], stamp: Mapping[str, Any]) -> Done:
    made = "" if typed["password"] else people.made_password()
    kept = people.set_password(store, typed[ACCOUNT], typed["password"] or made, **stamp)
    return Done("password", kept.name, once=made)


def _pin(store: Store, typed: Mapping[str, str], stamp: Mapping[str, Any]) -> Done:
    return Done("pin", people.set_pin(store, typed[ACCOUNT], typed["pin"], **stamp).name)


def _shut(store: Store, typed: Mapping[str, str], stamp: Mapping[str, Any]) -> Done:
    return Done("shut", people.set_disabled(store, typed[ACCOUNT], True, **stamp).name)


def _open(store: Store, typed: Mapping[str, str], stamp: Mapping[str, Any]) -> Done:
    kept = people.set_disabled(store, typed[ACCOUNT], False, **stamp)
    return Done("open", kept.name, kept.role)


def _token(store: Store, typed: Mapping[str, str], stamp: Mapping[str, Any]) -> Done:
    name, role = typed["name"], typed["role"]
    return Done("token", name, role, people.register(store, name, TOKEN, role=role, **stamp))


def _revoke(store: Store, typed: Mapping[str, str], stamp: Mapping[str, Any]) -> Done:
    return Done("revoke", people.revoke(store, typed["name"], **stamp).name)


# What a form may ask, by what it sends: the fields that it needs, and what is done.
DEEDS: dict[str, tuple[tuple[str, ...], Deed]] = {
    "add": (("name", "role"), _add),
    "role": ((ACCOUNT, "role"), _role),
    "password": ((ACCOUNT,), _password),
    "pin": ((ACCOUNT,), _pin),
    "shut": ((ACCOUNT,), _shut),
    "open": ((ACCOUNT,), _open),
    "token": (("name", "role"), _token),
    "revoke": (("name",), _revoke),
}
