"""Accounts and devices: who may do what, and what they prove it by.

Both are only ever added to: a new password, role or PIN is a row of its own, and the newest holds.
Passwords and PINs are kept as argon2's digests, keys of devices as SHA-256's; no digest leaves
this room and the one beside it, `sign_ins`.
"""

import hashlib
import re
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError
from sqlalchemy import Connection, Table, func, select

from qa._validate import chosen
from qa.errors import InvalidInput, StoreError
from qa.store import schema
from qa.store.rows import add, check_filled, check_stamp
from qa.store.schema import Store, reading, writing

VIEWER, RECORDER, SUPERVISOR, LEAD = ROLES = ("viewer", "recorder", "supervisor", "lead")
STATION, TOKEN = KINDS = ("station", "token")
DEVICE_ROLES = (VIEWER, RECORDER)
FEWEST, MOST = 12, 200  # characters of a password; argon2 takes longer ones no less
_NAME = re.compile(r"[^\W_](?:[\w .'-]{0,38}\w)?")
_UNWRITABLE = re.compile("[\x00-\x1f\x7f\ud800-\udfff]")
_PIN = re.compile(r"[0-9]{4,8}", re.ASCII)
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
class Device:
    """A device as it stands: a station for Tally, or what sends to the HTTP API by a token."""

    name: str
    kind: str
    role: str
    revoked: bool
    at: datetime
    by: str


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
    return _accounts(connection).get(_same(name))


def add_account(store: Store, name: str, role: str, *, by: str, at: datetime) -> Account:
    """Add an account, which can sign in when it gets a password or a PIN; the first is a lead's.

    Raises
    ------
    InvalidInput
        If the name is no name or the role no role, or the first account is not a lead's.
    StoreError
        If there is an account of this name, whatever its letters' size.
    """
    check_stamp(by, at)
    with writing(store) as connection:
        kept = _accounts(connection)
        _check_new(kept, name, role)
        if not kept:
            key = {"name": _SIGNS, "value": secrets.token_hex(32), "at": at, "by": by}
            add(connection, schema.secret, [key])
        return _append(connection, name, "added", role, by=by, at=at)


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
    if _same(password) == _same(name):
        raise InvalidInput("a password must not be the account's name")
    if _UNWRITABLE.search(password):
        raise InvalidInput("a password must be of characters that can be written")


def set_role(
    store: Store, name: str, role: str, *, by: str, at: datetime, reason: str = ""
) -> Account:
    """Give an account another role.

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
        _check_lead_left(connection, kept, leaves=role != LEAD)
        return _append(connection, kept.name, "role", role, by=by, at=at, reason=reason)


def set_password(store: Store, name: str, password: str, *, by: str, at: datetime) -> Account:
    """Give an account a password, which ends what it had signed in to.

    Raises
    ------
    InvalidInput
        If it is too short or too long, or the name itself.
    StoreError
        If there is no such account.
    """
    check_password(name, password)
    return _set_digest(store, name, "password", password, by=by, at=at)


def set_pin(store: Store, name: str, pin: str, *, by: str, at: datetime) -> Account:
    """Give an account a PIN for stations: four to eight digits.

    Raises
    ------
    InvalidInput
        If it is not that, or one digit all along.
    StoreError
        If there is no such account.
    """
    if not _PIN.fullmatch(pin) or len(set(pin)) == 1:
        raise InvalidInput("a PIN must have 4 to 8 digits, not all the same")
    return _set_digest(store, name, "pin", pin, by=by, at=at)


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
        return _append(connection, kept.name, action, "", by=by, at=at, reason=reason)


def devices(store: Store) -> tuple[Device, ...]:
    """Every device as it stands, in order of name."""
    with reading(store) as connection:
        rows = _rows(connection, schema.device)
    newest = {_same(row["name"]): row for row in rows}
    return tuple(_device(newest[name]) for name in sorted(newest))


def register(
    store: Store, name: str, kind: str, *, by: str, at: datetime, role: str = RECORDER
) -> str:
    """Register a device and give its key, which is told this once and kept as a digest.

    A name that was registered before gets a new key, and the old one opens nothing any more.

    Raises
    ------
    InvalidInput
        If the name, the kind or the role is none.
    """
    chosen(dict.fromkeys(KINDS), "kind", kind)
    chosen(dict.fromkeys(DEVICE_ROLES), "role", role)
    _check_name(name)
    check_stamp(by, at)
    key = secrets.token_urlsafe(32)
    row = {"name": name, "action": "registered", "kind": kind, "role": role, "digest": digest(key)}
    with writing(store) as connection:
        _number_and_add(connection, schema.device, {**row, "at": at, "by": by, "reason": ""})
    return key


def revoke(store: Store, name: str, *, by: str, at: datetime, reason: str) -> Device:
    """Say that a device's key opens nothing any more.

    Raises
    ------
    StoreError
        If there is no such device.
    """
    check_stamp(by, at, reason)
    with writing(store) as connection:
        newest = [
            row for row in _rows(connection, schema.device) if _same(row["name"]) == _same(name)
        ]
        if not newest:
            raise StoreError(f"there is no device {name} in the store")
        row = {**newest[-1], "action": "revoked", "at": at, "by": by, "reason": reason}
        if newest[-1]["action"] != "revoked":
            _number_and_add(connection, schema.device, row)
    return _device(row)


def device(store: Store, key: str, kind: str) -> Device | None:
    """The device whose key this is; None if there is none, or it was revoked or got a new key."""
    table = schema.device
    with reading(store) as connection:
        mine = select(table.c.name).where(table.c.digest == digest(key), table.c.kind == kind)
        name = connection.execute(mine).scalar()
        if name is None:
            return None
        rows = [row for row in _rows(connection, table) if _same(row["name"]) == _same(name)]
    newest = rows[-1]
    good = newest["action"] == "registered" and newest["digest"] == digest(key)
    return _device(newest) if good and newest["kind"] == kind else None


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


def digest(key: str) -> str:
    """What is kept of a key that nobody can guess."""
    return hashlib.sha256(key.encode("utf-8", "replace")).hexdigest()


@cache
def _hasher() -> PasswordHasher:
    return PasswordHasher()


@cache
def _nobodys() -> str:
    """A digest that no text gives, to take the same time over."""
    return _hasher().hash(secrets.token_hex(32))


def _set_digest(
    store: Store, name: str, action: str, typed: str, *, by: str, at: datetime
) -> Account:
    check_stamp(by, at)
    value = _hasher().hash(typed)
    with writing(store) as connection:
        kept = _known(connection, name)
        return _append(connection, kept.name, action, value, by=by, at=at)


def _check_new(kept: Mapping[str, Account], name: str, role: str) -> None:
    chosen(dict.fromkeys(ROLES), "role", role)
    _check_name(name)
    if not kept and role != LEAD:
        raise InvalidInput(f"the first account must be a {LEAD}'s, got {role}")
    if _same(name) in kept:
        raise StoreError(f"there is an account {kept[_same(name)].name} already")


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


def _check_name(name: str) -> None:
    if not _NAME.fullmatch(name):
        raise InvalidInput(
            "a name must have 1 to 40 letters or digits, with blanks, dots, dashes or apostrophes "
            f"between them, got {name!r}"
        )


def _same(name: str) -> str:
    """Names that differ in the size of their letters alone are one."""
    return name.strip().casefold()


def _accounts(connection: Connection) -> dict[str, Account]:
    """Every account by its name in small letters, as its rows say in order."""
    found: dict[str, Account] = {}
    for row in _rows(connection, schema.account):
        found[_same(row["name"])] = _after(found.get(_same(row["name"])), row)
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


def _device(row: Mapping[str, Any]) -> Device:
    revoked = row["action"] == "revoked"
    return Device(row["name"], row["kind"], row["role"], revoked, row["at"], row["by"])


def _append(
    connection: Connection,
    name: str,
    action: str,
    value: str,
    *,
    by: str,
    at: datetime,
    reason: str = "",
) -> Account:
    row = {"name": name, "action": action, "value": value, "at": at, "by": by.strip()}
    _number_and_add(connection, schema.account, {**row, "reason": reason.strip()})
    return _known(connection, name)


def _number_and_add(connection: Connection, table: Table, row: Mapping[str, Any]) -> None:
    last = connection.execute(select(func.max(table.c.number))).scalar() or 0
    check_filled({"name": row["name"], "by": row["by"]}, table.name)
    add(connection, table, [{**row, "number": last + 1}])


def _rows(connection: Connection, table: Table) -> list[Mapping[str, Any]]:
    return [
        dict(row) for row in connection.execute(select(table).order_by(table.c.number)).mappings()
    ]
