"""What people did: events on the line, and what became of totes that were held.

Both are only ever added to. An event that was entered wrongly is withdrawn with its reason; of a
tote's dispositions the newest stands, and the older ones stay on record.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import pandas as pd
from sqlalchemy import Connection, Table, select

from qa._validate import chosen
from qa.errors import Conflict, StoreError
from qa.store import schema
from qa.store.entries import Logged
from qa.store.rows import add, check_filled, check_stamp, frame, plain
from qa.store.schema import Store, reading, writing

PUT_RIGHT = "put-right"
KINDS = (PUT_RIGHT, "head", "camera", "sanitation", "changeover", "something-else")
DISPOSITIONS = ("release", "re-sort", "rework", "downgrade", "scrap")


@dataclass(frozen=True, slots=True)
class Event:
    """Something a person did to a lane.

    Attributes
    ----------
    key : str
        The sender's, so that a second sending is harmless.
    happened_at : datetime
        With its zone.
    kind : str
        One of `KINDS`; "put-right" says that the cause of stopped inspection was put right.
    what : str
        In the person's own words.
    """

    key: str
    site: str
    line: str
    lane: str
    happened_at: datetime
    kind: str
    what: str


@dataclass(frozen=True, slots=True)
class Disposition:
    """What was done with one held tote: one of `DISPOSITIONS`."""

    key: str
    site: str
    lane: str
    lot: str
    tote: str
    what: str


def record_event(store: Store, event: Event, *, by: str, at: datetime) -> Logged:
    """Record an event; sending the same again is harmless.

    Raises
    ------
    Conflict
        If the key is there with other content.
    InvalidInput
        If a field is blank, a time has no zone, or the kind is not one of `KINDS`.
    """
    chosen(dict.fromkeys(KINDS), "kind", event.kind)
    check_stamp(by, at)
    return _record(store, schema.event, asdict(event), {"action": "recorded", **_stamp(by, at, "")})


def withdraw_event(store: Store, key: str, *, by: str, at: datetime, reason: str) -> Logged:
    """Say that an event was entered wrongly, and why; it stays on record.

    Raises
    ------
    StoreError
        If there is no such event.
    """
    check_stamp(by, at, reason)
    with writing(store) as connection:
        kept = _kept(connection, schema.event, key)
        if not kept:
            raise StoreError(f"there is no event {key} in the store")
        if len(kept) > 1:
            return Logged(key, new=False)
        stamp = {"action": "withdrawn", **_stamp(by, at, reason)}
        add(connection, schema.event, [{**kept[0], **stamp}])
    return Logged(key, new=True)


def events(store: Store) -> pd.DataFrame:
    """Every event that stands, in order of happening: the fields of `Event`, ``by`` and ``at``."""
    table = schema.event
    withdrawn = select(table.c.key).where(table.c.action == "withdrawn")
    columns = plain(table, (*Event.__dataclass_fields__, "by", "at"))
    found = select(*columns).where(table.c.key.not_in(withdrawn))
    with reading(store) as connection:
        return frame(connection, found.order_by(table.c.happened_at, table.c.key))


def resumed(store: Store) -> pd.DataFrame:
    """When the causes of stopped inspection were put right, as `qa.verdicts.lots` wants them."""
    found = events(store)
    right = found[found["kind"] == PUT_RIGHT]
    return right[["site", "lane", "happened_at"]].rename(columns={"happened_at": "at"})


def dispose(
    store: Store, disposition: Disposition, *, by: str, at: datetime, reason: str
) -> Logged:
    """Record what was done with a held tote, by whom and why; the newest of a tote stands.

    Raises
    ------
    Conflict
        If the key is there with other content.
    InvalidInput
        If a field is blank, or what was done is not one of `DISPOSITIONS`.
    """
    chosen(dict.fromkeys(DISPOSITIONS), "what", disposition.what)
    check_stamp(by, at, reason)
    return _record(store, schema.disposition, asdict(disposition), _stamp(by, at, reason))


def dispositions(store: Store) -> pd.DataFrame:
    """What became of each tote: the newest disposition, its fields and ``by``, ``at``, ``reason``.

    In the order in which they were made.
    """
    names = (*Disposition.__dataclass_fields__, "by", "at", "reason")
    table = schema.disposition
    with reading(store) as connection:
        found = select(*plain(table, names)).order_by(table.c.at, table.c.key)
        every = frame(connection, found)
    return every.drop_duplicates(["site", "lot", "tote"], keep="last").reset_index(drop=True)


def _record(store: Store, table: Table, row: dict[str, Any], stamp: Mapping[str, Any]) -> Logged:
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


def _kept(connection: Connection, table: Table, key: str) -> list[dict[str, Any]]:
    """The rows of a key, the first recorded first."""
    rows = select(table).where(table.c.key == key)
    found = [dict(row) for row in connection.execute(rows).mappings()]
    return sorted(found, key=lambda row: str(row.get("action", "")))


def _stamp(by: str, at: datetime, reason: str) -> dict[str, Any]:
    return {"by": by.strip(), "at": at, "reason": reason.strip()}
