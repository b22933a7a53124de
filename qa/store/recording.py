"""What people record once and may end: the same sent again is harmless, other content is refused.

A row has the sender's key; what can be ended is recorded under its key and an action, and its end
is a row of its own.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Select, Table, select

from qa.errors import Conflict, StoreError
from qa.store.entries import Logged
from qa.store.rows import add, check_filled, check_stamp, plain
from qa.store.schema import Store, writing

RECORDED, WITHDRAWN = "recorded", "withdrawn"


def record(store: Store, table: Table, row: dict[str, Any], stamp: Mapping[str, Any]) -> Logged:
    """Add a row; sending the same again is harmless.

    Raises
    ------
    Conflict
        If the key is there with other content.
    InvalidInput
        If a text is blank or too long, or a time has no zone.
    """
    check_filled(row, table.name)
    with writing(store) as connection:
        kept = _kept(connection, table, row["key"])
        if not kept:
            add(connection, table, [{**row, **stamp}])
            return Logged(row["key"], new=True)
    differing = [name for name, value in row.items() if kept[0][name] != value]
    if differing:
        told = ", ".join(f"{e} is {kept[0][e]} there and {row[e]} here" for e in differing)
        raise Conflict(f"{table.name} {row['key']} is recorded with other content: {told}")
    return Logged(row["key"], new=False)


def withdraw(store: Store, table: Table, key: str, *, by: str, at: datetime, reason: str) -> Logged:
    """Say that something was entered wrongly, and why; it stays on record.

    Raises
    ------
    StoreError
        If there is nothing of this key.
    """
    return end(store, table, WITHDRAWN, key, by=by, at=at, reason=reason)


def end(
    store: Store, table: Table, action: str, key: str, *, by: str, at: datetime, reason: str
) -> Logged:
    """Say by an action that something recorded no longer holds, and why; it stays on record.

    Raises
    ------
    StoreError
        If there is nothing of this key.
    """
    check_stamp(by, at, reason)
    with writing(store) as connection:
        kept = _kept(connection, table, key)
        if not kept:
            raise StoreError(f"there is no {table.name} {key} in the store")
        if len(kept) > 1:
            return Logged(key, new=False)
        add(connection, table, [{**kept[0], "action": action, **stamped(by, at, reason)}])
    return Logged(key, new=True)


def stated(table: Table, names: Iterable[str], *, withdrawn: bool) -> Select[Any]:
    """A query of what was recorded and still stands; with `withdrawn` also of what was ended.

    ``withdrawn_at`` then says when: missing where it stands.
    """
    end = table.alias()
    ended = (end.c.key == table.c.key) & (end.c.action == WITHDRAWN)
    columns = plain(table, names)
    if withdrawn:
        columns += [each.label("withdrawn_at") for each in plain(end, ("at",))]
    found = select(*columns).outerjoin(end, ended).where(table.c.action == RECORDED)
    return found if withdrawn else found.where(end.c.key.is_(None))


def stamped(by: str, at: datetime, reason: str) -> dict[str, Any]:
    """Who, when and why, as a row carries them."""
    return {"by": by.strip(), "at": at, "reason": reason.strip()}


def _kept(connection: Connection, table: Table, key: str) -> list[dict[str, Any]]:
    """The rows of a key, the first recorded first."""
    rows = select(table).where(table.c.key == key)
    found = [dict(row) for row in connection.execute(rows).mappings()]
    return sorted(found, key=lambda row: row.get("action", RECORDED) != RECORDED)
