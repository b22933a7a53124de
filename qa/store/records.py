"""Writing and reading the record: audits, and what has a room of its own and is to be had here too.

Nothing is changed or deleted: an audit is logged, corrected or voided by a new entry, with who,
when and why. Sending the same again is harmless. Who and when come from the caller. The
programme's versions are kept by `programmes`, food-safety findings by `findings`.
"""

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any

import pandas as pd
from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Connection,
    FromClause,
    Select,
    cast,
    func,
    select,
)

from qa._validate import chosen
from qa.audit import Audit
from qa.errors import Conflict, InvalidInput, StoreError
from qa.store import entries, schema, tallied
from qa.store.entries import Logged
from qa.store.findings import findings, lift_finding, record_finding
from qa.store.programmes import programme, programmes, programmes_by_version, put_programme, version
from qa.store.rows import check_stamp, frame, plain
from qa.store.schema import CELL, SIX, Store, entry, reading, writing

__all__ = [
    "Logged",
    "audits",
    "correct",
    "every_category",
    "findings",
    "history",
    "how_many",
    "lift_finding",
    "log",
    "log_many",
    "newest",
    "programme",
    "programmes",
    "programmes_by_version",
    "put_programme",
    "record_finding",
    "sums",
    "tallies",
    "version",
    "void",
    "would_log",
]


def log(store: Store, audit: Audit, *, by: str, at: datetime) -> Logged:
    """Record one audit; see `log_many`."""
    return log_many(store, [audit], by=by, at=at)[0]


def log_many(store: Store, audits: Iterable[Audit], *, by: str, at: datetime) -> tuple[Logged, ...]:
    """Record audits, all or none.

    Each comes under the programme version in force when its pieces were pulled. A key that is
    there with the same content, now or before a correction, is left as it is.

    Raises
    ------
    Conflict
        If a key is there with other content; says what differs.
    StoreError
        If an audit contradicts the programme in force when its pieces were pulled.
    """
    check_stamp(by, at)
    with writing(store) as connection:
        kept = entries.versions(connection)
        rows = [entries.row_of(kept, audit) for audit in audits]
        answers = []
        for answer in entries.compared(connection, rows):
            if isinstance(answer, Conflict):
                raise answer
            answers.append(answer)
        new = [row for row, answer in zip(rows, answers, strict=True) if answer.new]
        entries.append(connection, new, _stamp("logged", by, at, ""))
    return tuple(answers)


def would_log(store: Store, audits: Iterable[Audit]) -> tuple[Logged | StoreError, ...]:
    """What `log_many` would say of each audit; nothing is written and no error is raised."""
    rows: list[dict[str, Any] | StoreError] = []
    with reading(store) as connection:
        kept = entries.versions(connection)
        for audit in audits:
            try:
                rows.append(entries.row_of(kept, audit))
            except StoreError as fault:
                rows.append(fault)
        good = [row for row in rows if not isinstance(row, StoreError)]
        answers = iter(entries.compared(connection, good))
    return tuple(row if isinstance(row, StoreError) else next(answers) for row in rows)


def correct(
    store: Store,
    audit: Audit,
    *,
    by: str,
    at: datetime,
    reason: str,
    revision: int | None = None,
) -> Logged:
    """Put other content in an audit's place; the earlier one stays in its history.

    Parameters
    ----------
    store : Store
    audit : Audit
        With the key of the one that it replaces.
    by, at, reason : str, datetime, str
        Who, when and why.
    revision : int or None
        The one that the person looked at; it must still be the newest, when given.

    Returns
    -------
    Logged
        Not new when the audit says the same already.

    Raises
    ------
    Conflict
        If the audit was voided, or changed by somebody since `revision`; says who and when.
    StoreError
        If there is no such audit, or the new content contradicts the programme.
    """
    check_stamp(by, at, reason)
    with writing(store) as connection:
        last = entries.last_of(connection, audit.key)
        if last["action"] == "voided":
            raise Conflict(
                f"audit {audit.key} was voided by {last['by']} at {last['at']:%Y-%m-%d %H:%M} UTC "
                f"({last['reason']}), and a voided audit is not corrected"
            )
        row = entries.row_of(entries.versions(connection), audit)
        if not entries.differences(last, row):
            return Logged(audit.key, new=False)
        entries.check_revision(last, revision)
        row["revision"] = last["revision"] + 1
        entries.append(connection, [row], _stamp("corrected", by, at, reason), [last])
    return Logged(audit.key, new=True)


def void(
    store: Store, key: str, *, by: str, at: datetime, reason: str, revision: int | None = None
) -> Logged:
    """Take an audit out of every figure; it stays in the history.

    Parameters
    ----------
    store : Store
    key : str
    by, at, reason : str, datetime, str
        Who, when and why.
    revision : int or None
        As in `correct`.

    Returns
    -------
    Logged
        Not new when the audit was voided already.

    Raises
    ------
    Conflict
        If somebody changed the audit since `revision`; says who and when.
    StoreError
        If there is no such audit.
    """
    check_stamp(by, at, reason)
    with writing(store) as connection:
        last = entries.last_of(connection, key)
        if last["action"] == "voided":
            return Logged(key, new=False)
        entries.check_revision(last, revision)
        row = {**last, "revision": last["revision"] + 1}
        entries.append(connection, [row], _stamp("voided", by, at, reason), [last])
    return Logged(key, new=True)


def tallies(
    store: Store,
    *,
    first_day: date | None = None,
    last_day: date | None = None,
    line: str | None = None,
    lane: str | None = None,
    shift: str | None = None,
    product: str | None = None,
    purpose: str | None = None,
    tote: str | None = None,
    lot: str | None = None,
    inspector: str | None = None,
) -> pd.DataFrame:
    """The current audits, not voided, as a tally in order of pulling.

    Parameters
    ----------
    store : Store
    first_day, last_day : date or None
        Production days, both included.
    line, lane, shift, product, purpose, tote, lot, inspector : str or None
        Only audits with this value.

    Returns
    -------
    tally
        With a column for every category of any of the programme's versions, the newest one's
        first; 0 where an audit's programme had no such category.
    """
    wanted = {"line": line, "lane": lane, "shift": shift, "product": product, "purpose": purpose}
    wanted |= {"tote": tote, "lot": lot, "inspector": inspector}
    return _current(store, _filters(entry, wanted, first_day, last_day))


def how_many(store: Store, **wanted: Any) -> int:
    """How many audits `tallies` gives, counted in the database."""
    days = [wanted.pop(name, None) for name in ("first_day", "last_day")]
    found = _standing(select(func.count()), _filters(entry, wanted, *days))
    with reading(store) as connection:
        return int(connection.execute(found).scalar_one())


def audits(store: Store, *, state: str | None = None, **wanted: Any) -> pd.DataFrame:
    """As `tallies`, with the note of each audit and where it came from beside it.

    A `state`, "logged" or "corrected", is that of an audit's newest entry.
    """
    days = {name: wanted.pop(name, None) for name in ("first_day", "last_day")}
    wanted["action"] = state
    return _current(
        store, _filters(entry, wanted, days["first_day"], days["last_day"]), ("note", "source")
    )


def sums(
    store: Store,
    *,
    by: Sequence[str] = ("lane",),
    counted: str = "incorrect",
    purpose: str | None = "routine",
    first_day: date | None = None,
    last_day: date | None = None,
    line: str | None = None,
    lane: str | None = None,
    shift: str | None = None,
    product: str | None = None,
) -> pd.DataFrame:
    """The six sums of each group, added up in the database from the cells that are kept.

    A cell is site, day, shift, line, lane, head, product and purpose. The sums equal those of
    `qa.tally.six_sums` over `tallies`, except that there

    * a tote audited in several cells of one group (over a change of shift, or for two purposes)
      is one cluster, and here one in each cell;
    * an audit whose programme did not have the category yet counts as 0 of it, and here not at
      all, since nobody looked.

    Parameters
    ----------
    store : Store
    by : sequence of str
        Columns of the cell, or none for one row.
    counted : str
        "incorrect" or a category.
    purpose : str or None
        None takes every purpose.
    first_day, last_day, line, lane, shift, product
        As in `tallies`.

    Returns
    -------
    DataFrame
        `by`, then totes, n, x, n2, x2, nx, in order of `by`.
    """
    columns = {name: schema.sums.c[name] for name in CELL}
    groups = [chosen(columns, "by", name) for name in by]
    wanted = {"line": line, "lane": lane, "shift": shift, "product": product, "purpose": purpose}
    six = [func.coalesce(func.sum(schema.sums.c[name]), 0) for name in SIX]
    found = (
        select(*groups, *(cast(s, BigInteger).label(n) for s, n in zip(six, SIX, strict=True)))
        .where(schema.sums.c.counted == counted, schema.sums.c.totes > 0)
        .where(*_filters(schema.sums, wanted, first_day, last_day))
        .group_by(*groups)
        .order_by(*groups)
    )
    with reading(store) as connection:
        if counted not in ("incorrect", *every_category(connection)):
            raise InvalidInput(f'counted must be "incorrect" or a category, got "{counted}"')
        cells = frame(connection, found)
    cells[list(SIX)] = cells[list(SIX)].astype("int64")
    return cells


def history(store: Store, key: str) -> pd.DataFrame:
    """Every version of an audit, oldest first.

    Returns
    -------
    DataFrame
        revision, action, at, by, reason, then the columns of a tally, note and source.

    Raises
    ------
    StoreError
        If there is no such audit.
    """
    names = ("revision", "action", "at", "by", "reason")
    found = select(*plain(entry)).where(entry.c.key == key).order_by(entry.c.revision)
    with reading(store) as connection:
        entries.last_of(connection, key)
        rows, categories = frame(connection, found), every_category(connection)
        tallies = tallied.read(connection, found, categories, ("note", "source"))
    return pd.concat([rows[list(names)], tallied.as_tally(tallies, categories)], axis=1)


def newest(store: Store) -> tuple[int, ...]:
    """What differs whenever the record does: last entry, and rows of all else that is recorded."""
    with reading(store) as connection:
        last = select(func.coalesce(func.max(entry.c.number), 0)).scalar_subquery()
        others = (
            *(schema.programme_version, schema.finding, schema.event, schema.disposition),
            *(schema.acknowledgement, schema.baseline),
        )
        rows = (select(func.count()).select_from(each).scalar_subquery() for each in others)
        return tuple(int(each) for each in connection.execute(select(last, *rows)).one())


def _stamp(action: str, by: str, at: datetime, reason: str) -> dict[str, Any]:
    return {"action": action, "by": by.strip(), "at": at, "reason": reason.strip()}


def _filters(
    table: FromClause, wanted: dict[str, str | None], first: date | None, last: date | None
) -> list[ColumnElement[bool]]:
    found = [table.c[name] == value for name, value in wanted.items() if value is not None]
    found += [table.c["day"] >= first] if first is not None else []
    return found + ([table.c["day"] <= last] if last is not None else [])


def every_category(connection: Connection) -> tuple[str, ...]:
    """Of any version of the programme, the newest one's first."""
    kept = reversed(entries.versions(connection))
    return tuple(
        dict.fromkeys(c for each in kept for c in entries.parsed(each.text).category_codes)
    )


def _standing(wanted: Select[Any], only: list[ColumnElement[bool]]) -> Select[Any]:
    """What is wanted of the current audits that are not voided."""
    current = entry.join(schema.current, schema.current.c.entry == entry.c.number)
    return wanted.select_from(current).where(entry.c.action != "voided", *only)


def _current(
    store: Store, only: list[ColumnElement[bool]], more: tuple[str, ...] = ()
) -> pd.DataFrame:
    """The current audits, not voided, with more of their columns, in order of pulling."""
    found = _standing(select(*plain(entry, (*tallied.TALLIED, *more))), only)
    found = found.order_by(entry.c.pulled_at, entry.c.key)
    with reading(store) as connection:
        categories = every_category(connection)
        return tallied.as_tally(tallied.read(connection, found, categories, more), categories)
