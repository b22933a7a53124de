"""Rows of the store: what each must carry, and a query's rows as a table."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

import pandas as pd
from sqlalchemy import (
    ColumnElement,
    Connection,
    Date,
    DateTime,
    FromClause,
    Select,
    Table,
    insert,
    type_coerce,
)
from sqlalchemy.types import UserDefinedType

from qa.audit import MOST_CHARACTERS
from qa.errors import InvalidInput
from qa.store import chain, schema


def check_stamp(by: str, at: datetime, reason: str = "none needed") -> None:
    """Refuse a stamp that does not say who, when and why."""
    if not by.strip():
        raise InvalidInput("by must say who, and is blank")
    if not reason.strip():
        raise InvalidInput("reason must say why, and is blank")
    if at.tzinfo is None:
        raise InvalidInput(f"at must have its zone, got {at}")


def check_filled(row: Mapping[str, Any], kind: str) -> None:
    """Refuse a row with a blank text or a time without its zone; `kind` says what it is."""
    for name, value in row.items():
        if isinstance(value, str) and not value.strip():
            raise InvalidInput(f"{name} of the {kind} must not be blank")
        if isinstance(value, str) and len(value) > MOST_CHARACTERS:
            raise InvalidInput(
                f"{name} of the {kind} must be at most {MOST_CHARACTERS} characters long, "
                f"got {len(value)}"
            )
        if isinstance(value, datetime) and value.tzinfo is None:
            raise InvalidInput(f"{name} must have its zone, got {value}")


def add(connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Add rows to a table of the record, and to its chain.

    The one way in, since nothing there is ever changed. A row has every column that is not empty.
    """
    if rows:
        chain.extend(connection, table, rows)
        connection.execute(insert(table), [dict(row) for row in rows])


class _AsKept(UserDefinedType[Any]):
    """A value as the database's driver gives it, so that a whole column is read at once."""

    cache_ok = True

    def __init__(self, zoned: bool) -> None:
        self.zoned = zoned


def plain(table: FromClause, names: Iterable[str] = ()) -> list[ColumnElement[Any]]:
    """Columns whose times and days are left for `frame_of` to read, much the quicker."""
    return [
        type_coerce(each, _AsKept(isinstance(each.type, schema.Moment))).label(each.key)
        if isinstance(each.type, schema.Moment | Date)
        else each
        for each in ([table.c[name] for name in names] or table.c)
    ]


def frame(connection: Connection, found: Select[Any]) -> pd.DataFrame:
    """Rows as a table: times in UTC, days midnights."""
    return frame_of(connection.execute(found).all(), found)


def frame_of(rows: Sequence[Any], found: Select[Any]) -> pd.DataFrame:
    """Some rows of a query as such a table."""
    names = list(found.selected_columns.keys())
    values = zip(*rows, strict=True) if rows else ((),) * len(names)
    frame = pd.DataFrame({name: list(each) for name, each in zip(names, values, strict=True)})
    for column in found.selected_columns:
        name, kind = column.key, column.type
        if isinstance(kind, DateTime) or (isinstance(kind, _AsKept) and kind.zoned):
            times = pd.to_datetime(frame[name], utc=True, format="ISO8601")
            frame[name] = times.astype("datetime64[us, UTC]")
        elif isinstance(kind, Date | _AsKept):
            days = pd.to_datetime(frame[name], format="ISO8601")
            frame[name] = days.astype("datetime64[us]")
    return frame
