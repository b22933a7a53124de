"""What people did: events on the line, and what became of totes that were held.

Both are only ever added to. An event that was entered wrongly is withdrawn with its reason; of a
tote's dispositions the newest stands, and the older ones stay on record.
"""

from dataclasses import asdict, dataclass
from datetime import datetime

import pandas as pd
from sqlalchemy import select

from qa._validate import chosen
from qa.events import KINDS, PUT_RIGHT
from qa.store import schema
from qa.store.entries import Logged
from qa.store.recording import RECORDED, record, stamped, stated, withdraw
from qa.store.rows import check_stamp, frame, plain
from qa.store.schema import Store, reading

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
        One of `KINDS`; "put-right" says that the cause of stopped inspection was put right,
        "lane-down" that the lane does not run until "lane-up".
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
    stamp = {"action": RECORDED, **stamped(by, at, "")}
    return record(store, schema.event, asdict(event), stamp)


def withdraw_event(store: Store, key: str, *, by: str, at: datetime, reason: str) -> Logged:
    """Say that an event was entered wrongly, and why; it stays on record.

    Raises
    ------
    StoreError
        If there is no such event.
    """
    return withdraw(store, schema.event, key, by=by, at=at, reason=reason)


def events(store: Store, *, withdrawn: bool = False) -> pd.DataFrame:
    """Every event that stands, in order of happening: the fields of `Event`, ``by`` and ``at``.

    With `withdrawn` those withdrawn since too, and ``withdrawn_at``.
    """
    table = schema.event
    names = (*Event.__dataclass_fields__, "by", "at")
    found = stated(table, names, withdrawn=withdrawn)
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
    return record(store, schema.disposition, asdict(disposition), stamped(by, at, reason))


def dispositions(store: Store) -> pd.DataFrame:
    """What became of each tote: the newest disposition, its fields and ``by``, ``at``, ``reason``.

    In the order in which they were made.
    """
    names = (*Disposition.__dataclass_fields__, "by", "at", "reason")
    table = schema.disposition
    with reading(store) as connection:
        link = (schema.chain.c.recorded == table.name) & (schema.chain.c.key == table.c.key)
        found = select(*plain(table, names)).join(schema.chain, link)
        found = found.order_by(schema.chain.c.number)  # a clock may be set back
        every = frame(connection, found)
    return every.drop_duplicates(["site", "lot", "tote"], keep="last").reset_index(drop=True)
