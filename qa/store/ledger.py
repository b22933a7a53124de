"""The record as a ledger lists it: one bounded page at a time, filtered and sorted in SQL.

Voided audits are listed too, and nothing here reads more rows than a page holds.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd
from sqlalchemy import ColumnElement, Select, Table, func, select, tuple_

from qa._validate import chosen
from qa.errors import InvalidInput
from qa.store import schema
from qa.store.rows import frame, plain
from qa.store.schema import ACTIONS, Store, current, entry, reading

PAGE = 50
_NAMED = ("key", "revision")  # one version of an audit
_SHARE = (entry.c.inspected - entry.c.correct) * 1.0 / entry.c.inspected
# What each order sorts by; the number of the entry settles what is equal.
ORDERS: Mapping[str, tuple[ColumnElement[Any], ...]] = {
    "recorded": (),
    "pulled": (entry.c.day, entry.c.pulled_at),
    "lane": (entry.c.lane,),
    "tote": (entry.c.tote,),
    "inspector": (entry.c.inspector,),
    "incorrect": (_SHARE,),
}
# Table, what of it is listed newest first, and the action that ends a row of it.
KINDS: Mapping[str, tuple[Table, str, str | None]] = {
    "findings": (schema.finding, "found_at", "lifted"),
    "events": (schema.event, "happened_at", "withdrawn"),
    "dispositions": (schema.disposition, "at", None),
}


@dataclass(frozen=True, slots=True)
class Asked:
    """Which audits; None where everything is wanted.

    Attributes
    ----------
    first_day, last_day : date or None
        Production days, both included.
    state : str or None
        How the newest entry came about: "logged", "corrected" or "voided".
    """

    first_day: date | None = None
    last_day: date | None = None
    lane: str | None = None
    shift: str | None = None
    product: str | None = None
    purpose: str | None = None
    inspector: str | None = None
    tote: str | None = None
    lot: str | None = None
    state: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Listed:
    """One page of rows, its number from 1, and how many rows there are in all."""

    rows: pd.DataFrame
    page: int
    total: int

    @property
    def pages(self) -> int:
        """How many pages there are, one at least."""
        return max(-(-self.total // PAGE), 1)


def audits(
    store: Store,
    asked: Asked,
    *,
    order: str = "recorded",
    descending: bool = True,
    page: int = 1,
) -> Listed:
    """One page of the audits as they stand now, the voided ones among them.

    Parameters
    ----------
    store : Store
    asked : Asked
    order : str
        One of `ORDERS`.
    descending : bool
        Newest, highest or last first.
    page : int
        From 1; a page beyond the last one is the last.

    Returns
    -------
    Listed
        Rows with the columns of an entry; ``counts`` is a dict, category to pieces.

    Raises
    ------
    InvalidInput
        If an order or state is unknown, or the page is not 1 or more.
    """
    keys = (*chosen(dict(ORDERS), "order", order), current.c.entry)
    if asked.state is not None:
        chosen(dict.fromkeys(ACTIONS), "state", asked.state)
    only = _only(asked)
    joined = current.join(entry, entry.c.number == current.c.entry)
    # Without a filter nothing of the entries is needed to count them.
    counted = select(func.count()).select_from(joined if only else current).where(*only)
    found = select(*plain(entry)).select_from(joined).where(*only)
    listed = _page(store, found, counted, keys, descending=descending, page=page)
    listed.rows["counts"] = listed.rows["counts"].map(json.loads)
    return listed


def replaced(store: Store, listed: pd.DataFrame) -> pd.DataFrame:
    """The versions that a page's corrections took the place of.

    Returns
    -------
    DataFrame
        As `audits` has them, one row for each corrected row that is listed.
    """
    corrected = listed[listed["action"] == "corrected"]
    pairs = [(str(key), int(n) - 1) for key, n in zip(*map(corrected.get, _NAMED), strict=True)]
    found = select(*plain(entry)).where(tuple_(*(entry.c[each] for each in _NAMED)).in_(pairs))
    with reading(store) as connection:
        rows = frame(connection, found)
    rows["counts"] = rows["counts"].map(json.loads)
    return rows


def deeds(store: Store, kind: str, *, page: int = 1) -> Listed:
    """One page of the findings, events or dispositions, newest first.

    Returns
    -------
    Listed
        Rows with the table's columns; where a row can be lifted or withdrawn, ``ended_at``,
        ``ended_by`` and ``ended_reason`` too: NaT and "" while it stands.

    Raises
    ------
    InvalidInput
        If the kind is not one of `KINDS`, or the page is not 1 or more.
    """
    table, when, ended = chosen(dict(KINDS), "kind", kind)
    first = table.alias()
    if ended is None:
        found = select(*plain(first))
        counted = select(func.count()).select_from(first)
    else:
        last = table.alias()
        names = ("at", "by", "reason")
        found = (
            select(*plain(first), *(e.label(f"ended_{e.key}") for e in plain(last, names)))
            .outerjoin(last, (last.c.key == first.c.key) & (last.c.action == ended))
            .where(first.c.action == "recorded")
        )
        counted = select(func.count()).where(first.c.action == "recorded")
    keys = (first.c[when], first.c.key)
    listed = _page(store, found, counted, keys, descending=True, page=page)
    rows = listed.rows
    blank = {name: "" for name in ("ended_by", "ended_reason") if name in rows}
    return Listed(rows.fillna(blank) if blank else rows, listed.page, listed.total)


def _only(asked: Asked) -> list[ColumnElement[bool]]:
    names = ("lane", "shift", "product", "purpose", "inspector", "tote", "lot")
    wanted = {entry.c[name]: getattr(asked, name) for name in names}
    wanted[entry.c.action] = asked.state
    found = [column == value for column, value in wanted.items() if value is not None]
    found += [entry.c.day >= asked.first_day] if asked.first_day is not None else []
    return found + ([entry.c.day <= asked.last_day] if asked.last_day is not None else [])


def _page(
    store: Store,
    found: Select[Any],
    counted: Select[Any],
    keys: tuple[ColumnElement[Any], ...],
    *,
    descending: bool,
    page: int,
) -> Listed:
    if page < 1:
        raise InvalidInput(f"page must be 1 or more, got {page}")
    ordered = found.order_by(*(key.desc() if descending else key.asc() for key in keys))
    with reading(store) as connection:
        total = int(connection.execute(counted).scalar_one())
        page = min(page, max(-(-total // PAGE), 1))
        rows = frame(connection, ordered.limit(PAGE).offset((page - 1) * PAGE))
    return Listed(rows, page, total)
