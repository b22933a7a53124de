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


def plain(table: FromClause, names: Iterable[str] = ()) -> list[ColumnElement[Any]]:
    """Columns whose times pandas makes UTC for a whole column at once, much the quicker."""
    found = [table.c[name] for name in names] or list(table.c)
    return [
        type_coerce(each, DateTime(timezone=True)).label(each.key)
        if isinstance(each.type, schema.Moment)
        else each
        for each in found
    ]


def frame(connection: Connection, found: Select[Any]) -> pd.DataFrame:
    """Rows as a table: times in UTC, days midnights."""
    return frame_of(connection.execute(found).all(), found)


def frame_of(rows: Sequence[Any], found: Select[Any]) -> pd.DataFrame:
    """Some rows of a query as such a table."""
    frame = pd.DataFrame(rows, columns=list(found.selected_columns.keys()))
    for column in found.selected_columns:
        if isinstance(column.type, DateTime):
            times = pd.to_datetime(frame[column.key], utc=True)
            frame[column.key] = times.astype("datetime64[us, UTC]")
        elif isinstance(column.type, Date):
            frame[column.key] = pd.to_datetime(frame[column.key]).astype("datetime64[us]")
    return frame
