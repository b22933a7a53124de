"""Devices: stations for Tally and what sends to the HTTP API, each known by its key alone.

Only ever added to: a new key or a revocation is a row of its own, and the newest holds. Keys are
kept as SHA-256's digests.
"""

import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, delete, insert, select

from qa._validate import chosen
from qa.errors import StoreError
from qa.store import names, schema
from qa.store.names import RECORDER, VIEWER, digest, rows_of, same
from qa.store.rows import check_stamp
from qa.store.schema import Store, reading, writing

STATION, TOKEN = KINDS = ("station", "token")
DEVICE_ROLES = (VIEWER, RECORDER)
NOTED_EVERY = timedelta(hours=1)  # when a key was last used is known to this, and costs no more


@dataclass(frozen=True, slots=True)
class Device:
    """A device as it stands: a station for Tally, or what sends to the HTTP API by a token.

    Attributes
    ----------
    used : datetime or None
        When its key was last used, to about an hour; None if never.
    """

    name: str
    kind: str
    role: str
    revoked: bool
    at: datetime
    by: str
    used: datetime | None = None


def devices(store: Store) -> tuple[Device, ...]:
    """Every device as it stands, in order of name."""
    with reading(store) as connection:
        newest = {same(row["name"]): row for row in rows_of(connection, schema.device)}
        used = _used(connection)
    return tuple(_device(newest[name], used) for name in sorted(newest))


def register(
    store: Store,
    name: str,
    kind: str,
    *,
    by: str,
    at: datetime,
    role: str = RECORDER,
    reason: str = "",
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
    names.check_name(name)
    check_stamp(by, at)
    key = secrets.token_urlsafe(32)
    row = {"name": name, "action": "registered", "kind": kind, "role": role, "digest": digest(key)}
    stamp = {"at": at, "by": by.strip(), "reason": reason.strip()}
    with writing(store) as connection:
        names.append(connection, schema.device, {**row, **stamp})
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
        newest = _newest(connection, name)
        if newest is None:
            raise StoreError(f"there is no device {name} in the store")
        row = newest
        if newest["action"] != "revoked":
            stamp = {"at": at, "by": by.strip(), "reason": reason.strip()}
            row = {**newest, "action": "revoked", **stamp}
            names.append(connection, schema.device, row)
        return _device(row, _used(connection))


def device(store: Store, key: str, kind: str) -> Device | None:
    """The device whose key this is; None if there is none, or it was revoked or got a new key."""
    table = schema.device
    with reading(store) as connection:
        mine = select(table.c.name).where(table.c.digest == digest(key), table.c.kind == kind)
        name = connection.execute(mine).scalar()
        newest = None if name is None else _newest(connection, name)
        if newest is None or newest["action"] != "registered":
            return None
        good = newest["digest"] == digest(key) and newest["kind"] == kind
        return _device(newest, _used(connection, digest(key))) if good else None


def note_use(store: Store, key: str, found: Device, *, at: datetime) -> None:
    """Keep when a device was last used; not part of the record, and at most once an hour."""
    if found.used is not None and at - found.used < NOTED_EVERY:
        return
    table = schema.device_use
    with writing(store) as connection:
        connection.execute(delete(table).where(table.c.digest == digest(key)))
        connection.execute(insert(table), {"digest": digest(key), "at": at})


def _newest(connection: Connection, name: str) -> Mapping[str, Any] | None:
    rows = [row for row in rows_of(connection, schema.device) if same(row["name"]) == same(name)]
    return rows[-1] if rows else None


def _used(connection: Connection, key: str | None = None) -> dict[str, datetime]:
    """When each key was last used, by its digest."""
    table = schema.device_use
    found = select(table.c.digest, table.c.at)
    if key is not None:
        found = found.where(table.c.digest == key)
    return {row.digest: row.at for row in connection.execute(found)}


def _device(row: Mapping[str, Any], used: Mapping[str, datetime]) -> Device:
    revoked, last = row["action"] == "revoked", used.get(row["digest"])
    return Device(row["name"], row["kind"], row["role"], revoked, row["at"], row["by"], last)
