"""Accounts: who may do what, and what they prove it by.

Only ever added to: a new password, role or PIN is a row of its own, and the newest holds.
Passwords and PINs are kept as argon2's digests; no digest leaves this room and the one beside it,
`sign_ins`. Devices have a room of their own, `devices`, and are to be had here too.
"""

import re
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from itertools import islice
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError
from sqlalchemy import Connection, select

from qa._validate import chosen
from qa.errors import InvalidInput, StoreError
from qa.store import names, schema
from qa.store.devices import (
    DEVICE_ROLES,
    KINDS,
    STATION,
    TOKEN,
    Device,
    device,
    devices,
    note_use,
    register,
    revoke,
)
from qa.store.names import LEAD, RECORDER, ROLES, SUPERVISOR, VIEWER, digest, rows_of, same
from qa.store.rows import add, check_stamp
from qa.store.schema import Store, reading, writing

__all__ = [
    "DEVICE_ROLES",
    "FEWEST",
    "KINDS",
    "LEAD",
    "MOST",
    "RECORDER",
    "ROLES",
    "STATION",
    "SUPERVISOR",
    "TOKEN",
    "VIEWER",
    "Account",
    "Change",
    "Device",
    "account",
    "accounts",
    "add_account",
    "any_accounts",
    "changes",
    "check_known",
    "check_new",
    "check_password",
    "check_pin",
    "device",
    "devices",
    "digest",
    "made_password",
    "note_use",
    "proves",
    "register",
    "revoke",
    "same",
    "set_disabled",
    "set_password",
    "set_pin",
    "set_role",
    "signing_key",
]

FEWEST, MOST = 12, 200  # characters of a password; argon2 takes longer ones no less
_UNWRITABLE = re.compile("[\x00-\x1f\x7f\ud800-\udfff]")
_PIN = re.compile(r"[0-9]{4,8}", re.ASCII)
_CLEAR = "abcdefghijkmnpqrstuvwxyz23456789"
_SIGNS = "cookies"


@dataclass(frozen=True, slots=True)
class Account:
    """An account as it stands: who may sign in, as what, and by what.

    Attributes
    ----------
    number : int
        Of its newest row, so that a session can tell whether anything changed since.
    at, by : datetime, str
        When and by whom it was last changed.
    """

    name: str
    role: str
    disabled: bool
    password: bool
    pin: bool
    number: int
    at: datetime
    by: str


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that was done to an account or a device: what, who, when and why.

    Attributes
    ----------
    kind : str
        "account", "station" or "token".
    action : str
        As its table says: "added", "role", "password", "pin", "disabled", "enabled"; of a device
        "registered" or "revoked".
    role : str
        The one given; "" where none was.
    """

    kind: str
    name: str
    action: str
    role: str
    at: datetime
    by: str
    reason: str


def any_accounts(store: Store) -> bool:
    """Whether people must sign in: there is an account, be it a disabled one."""
    with reading(store) as connection:
        return connection.execute(select(schema.account.c.number).limit(1)).first() is not None


def accounts(store: Store) -> tuple[Account, ...]:
    """Every account as it stands, in order of name."""
    with reading(store) as connection:
        return tuple(sorted(_accounts(connection).values(), key=lambda each: each.name.casefold()))


def account(connection: Connection, name: str) -> Account | None:
    """The account of a name, typed in small or capital letters; None if there is none."""
    return _accounts(connection).get(same(name))


def changes(store: Store) -> tuple[Change, ...]:
    """Everything that was ever done to an account or a device, the newest first."""
    with reading(store) as connection:
        of_accounts = rows_of(connection, schema.account)
        rows = [
            *({**row, "kind": "account"} for row in of_accounts),
            *rows_of(connection, schema.device),
        ]
    rows.sort(key=lambda row: (row["at"], row["number"]), reverse=True)
    return tuple(_change(row) for row in rows)


def add_account(
    store: Store,
    name: str,
    role: str,
    *,
    by: str,
    at: datetime,
    reason: str = "",
    password: str | None = None,
) -> Account:
    """Add an account, with a password or else to get one or a PIN; the first is a lead's.

    Raises
    ------
    InvalidInput
        If the name is no name or the role no role, the password none, or the first account is
        not a lead's.
    StoreError
        If there is an account of this name, whatever its letters' size.
    """
    check_stamp(by, at)
    if password is not None:
        check_password(name, password)
    value = None if password is None else _hasher().hash(password)
    with writing(store) as connection:
        kept = _accounts(connection)
        _check_new(kept, name, role)
        if not kept:
            key = {"name": _SIGNS, "value": secrets.token_hex(32), "at": at, "by": by}
            add(connection, schema.secret, [key])
        stamp = _stamp(by, at, reason)
        made = _append(connection, name, "added", role, stamp)
        return made if value is None else _append(connection, name, "password", value, stamp)


def check_new(store: Store, name: str, role: str) -> None:
    """Refuse what `add_account` refuses, before anybody types a password."""
    with reading(store) as connection:
        _check_new(_accounts(connection), name, role)


def check_known(store: Store, name: str) -> None:
    """Refuse a name that no account has."""
    with reading(store) as connection:
        _known(connection, name)


def check_password(name: str, password: str) -> None:
    """Refuse what `set_password` refuses."""
    if not FEWEST <= len(password) <= MOST:
        raise InvalidInput(f"a password must have {FEWEST} to {MOST} characters")
    if same(password) == same(name):
        raise InvalidInput("a password must not be the account's name")
    if _UNWRITABLE.search(password):
        raise InvalidInput("a password must be of characters that can be written")


def check_pin(pin: str) -> None:
    """Refuse what `set_pin` refuses."""
    if not _PIN.fullmatch(pin) or len(set(pin)) == 1:
        raise InvalidInput("a PIN must have 4 to 8 digits, not all the same")


def made_password() -> str:
    """A password that nobody can guess and anybody can copy from paper: 75 bits."""
    letters = iter(secrets.choice(_CLEAR) for _ in range(15))
    return "-".join("".join(islice(letters, 5)) for _ in range(3))


def set_role(
    store: Store, name: str, role: str, *, by: str, at: datetime, reason: str = ""
) -> Account:
    """Give an account another role; the one that it has already is left alone.

    Raises
    ------
    InvalidInput
        If the role is none.
    StoreError
        If there is no such account, or no lead would be left.
    """
    chosen(dict.fromkeys(ROLES), "role", role)
    check_stamp(by, at)
    with writing(store) as connection:
        kept = _known(connection, name)
        if kept.role == role:
            return kept
        _check_lead_left(connection, kept, leaves=role != LEAD)
        return _append(connection, kept.name, "role", role, _stamp(by, at, reason))


def set_password(
    store: Store, name: str, password: str, *, by: str, at: datetime, reason: str = ""
) -> Account:
    """Give an account a password, which ends what it had signed in to, and what locks it out.

    Raises
    ------
    InvalidInput
        If it is too short or too long, or the name itself.
    StoreError
        If there is no such account.
    """
    check_password(name, password)
    return _set_digest(store, name, "password", password, by, at, reason)


def set_pin(
    store: Store, name: str, pin: str, *, by: str, at: datetime, reason: str = ""
) -> Account:
    """Give an account a PIN for stations: four to eight digits.

    Raises
    ------
    InvalidInput
        If it is not that, or one digit all along.
    StoreError
        If there is no such account.
    """
    check_pin(pin)
    return _set_digest(store, name, "pin", pin, by, at, reason)


def set_disabled(
    store: Store, name: str, disabled: bool, *, by: str, at: datetime, reason: str
) -> Account:
    """Shut an account or open it again; it stays on record.

    Raises
    ------
    StoreError
        If there is no such account, or no lead would be left.
    """
    check_stamp(by, at, reason)
    with writing(store) as connection:
        kept = _known(connection, name)
        if kept.disabled == disabled:
            return kept
        _check_lead_left(connection, kept, leaves=disabled)
        action = "disabled" if disabled else "enabled"
        return _append(connection, kept.name, action, "", _stamp(by, at, reason))


def signing_key(store: Store) -> str | None:
    """What signs cookies, made with the first account; None while there is none."""
    table = schema.secret
    with reading(store) as connection:
        return connection.execute(select(table.c.value).where(table.c.name == _SIGNS)).scalar()


def proves(connection: Connection, kept: Account | None, what: str, typed: str) -> bool:
    """Whether what was typed is an account's "password" or "pin".

    It takes as long where there is no such account, or none that may sign in.
    """
    table = schema.account
    found = None
    if kept is not None and not kept.disabled:
        rows = select(table.c.value).where(table.c.name == kept.name, table.c.action == what)
        found = connection.execute(rows.order_by(table.c.number.desc()).limit(1)).scalar()
    try:
        _hasher().verify(found or _nobodys(), typed)
    except (Argon2Error, InvalidHashError, UnicodeEncodeError):
        return False
    return found is not None


@cache
def _hasher() -> PasswordHasher:
    return PasswordHasher()


@cache
def _nobodys() -> str:
    """A digest that no text gives, to take the same time over."""
    return _hasher().hash(secrets.token_hex(32))


def _set_digest(
    store: Store, name: str, action: str, typed: str, by: str, at: datetime, reason: str
) -> Account:
    check_stamp(by, at)
    value = _hasher().hash(typed)
    with writing(store) as connection:
        kept = _known(connection, name)
        return _append(connection, kept.name, action, value, _stamp(by, at, reason))


def _check_new(kept: Mapping[str, Account], name: str, role: str) -> None:
    chosen(dict.fromkeys(ROLES), "role", role)
    names.check_name(name)
    if not kept and role != LEAD:
        raise InvalidInput(f"the first account must be a {LEAD}'s, got {role}")
    if same(name) in kept:
        raise StoreError(f"there is an account {kept[same(name)].name} already")


def _known(connection: Connection, name: str) -> Account:
    kept = account(connection, name)
    if kept is None:
        raise StoreError(f"there is no account {name} in the store")
    return kept


def _check_lead_left(connection: Connection, kept: Account, *, leaves: bool) -> None:
    if not leaves or kept.role != LEAD or kept.disabled:
        return
    leads = [e for e in _accounts(connection).values() if e.role == LEAD and not e.disabled]
    if not any(each.password for each in leads if each.name != kept.name):
        raise StoreError(f"{kept.name} is the only {LEAD} who can sign in; make another one first")


def _accounts(connection: Connection) -> dict[str, Account]:
    """Every account by its name in small letters, as its rows say in order."""
    found: dict[str, Account] = {}
    for row in rows_of(connection, schema.account):
        found[same(row["name"])] = _after(found.get(same(row["name"])), row)
    return found


def _after(before: Account | None, row: Mapping[str, Any]) -> Account:
    """An account as one more of its rows leaves it."""
    action, role = row["action"], before.role if before else row["value"]
    return Account(
        name=row["name"],
        role=row["value"] if action == "role" else role,
        disabled=action == "disabled" or bool(before and before.disabled and action != "enabled"),
        password=action == "password" or bool(before and before.password),
        pin=action == "pin" or bool(before and before.pin),
        number=row["number"],
        at=row["at"],
        by=row["by"],
    )


def _change(row: Mapping[str, Any]) -> Change:
    """Of an account's value only a role: a password's or a PIN's is its digest."""
    said = {name: row[name] for name in ("kind", "name", "action", "at", "by", "reason")}
    role = row["value"] if row["action"] in ("added", "role") else row.get("role", "")
    return Change(**said, role=role)


def _stamp(by: str, at: datetime, reason: str) -> dict[str, Any]:
    return {"by": by.strip(), "at": at, "reason": reason.strip()}


def _append(
    connection: Connection, name: str, action: str, value: str, stamp: Mapping[str, Any]
) -> Account:
    row = {"name": name, "action": action, "value": value}
    names.append(connection, schema.account, {**row, **stamp})
    return _known(connection, name)
