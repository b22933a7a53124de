"""The programme's versions: each dated, signed and kept, and which is in force when."""

from datetime import datetime

import pandas as pd
from sqlalchemy import select

from qa.errors import Conflict, StoreError
from qa.programme import Programme, parse
from qa.store import entries, schema
from qa.store.rows import add, check_stamp, frame, plain
from qa.store.schema import Store, reading, writing


def put_programme(
    store: Store, text: str, *, by: str, at: datetime, reason: str, follows: int | None = None
) -> int:
    """Keep a programme as the next version, in force from a moment on.

    Parameters
    ----------
    store : Store
    text : str
        TOML, as `qa.programme.parse` reads it.
    by, at, reason : str, datetime, str
        Who, from when on, and why.
    follows : int, optional
        The version that was looked at, where a change of that one alone is meant.

    Returns
    -------
    int
        Its version, from 1; the newest one's, when the text is the same.

    Raises
    ------
    InvalidProgramme
        With every fault of the text.
    Conflict
        If the newest version is another than it is to follow.
    StoreError
        If `at` is not after the newest version: a later change never rewrites the past.
    """
    parse(text)
    check_stamp(by, at, reason)
    table = schema.programme_version
    with writing(store) as connection:
        newest = connection.execute(select(table).order_by(table.c.version.desc())).first()
        if newest and newest.text == text:
            return int(newest.version)
        if follows is not None and (not newest or newest.version != follows):
            raise Conflict(f"the programme is no longer version {follows}: somebody changed it")
        if newest and at <= newest.at:
            raise StoreError(
                f"a programme is in force since {newest.at:%Y-%m-%d %H:%M:%S} UTC, and the next "
                f"one must begin after that, got {at:%Y-%m-%d %H:%M:%S%z}"
            )
        version = newest.version + 1 if newest else 1
        row = {"version": version, "at": at, "by": by, "reason": reason, "text": text}
        add(connection, table, [row])
    return int(version)


def programme(store: Store, at: datetime | None = None) -> Programme:
    """The programme in force at a moment; the newest version, when none is given.

    The first version holds before its time too, for audits pulled before there was any.

    Raises
    ------
    StoreError
        If the store has none.
    """
    with reading(store) as connection:
        kept = entries.versions(connection)
    return entries.parsed((entries.in_force(kept, at) if at else kept[-1]).text)


def version(store: Store, at: datetime) -> int:
    """The number of the programme's version in force at a moment."""
    with reading(store) as connection:
        return int(entries.in_force(entries.versions(connection), at).version)


def programmes(store: Store) -> pd.DataFrame:
    """Every version of the programme: version, at, by, reason, text."""
    table = schema.programme_version
    with reading(store) as connection:
        return frame(connection, select(*plain(table)).order_by(table.c.version))


def programmes_by_version(store: Store) -> dict[int, Programme]:
    """Every version's programme, by the number that a tally's column ``programme`` gives."""
    with reading(store) as connection:
        return {each.version: entries.parsed(each.text) for each in entries.versions(connection)}
