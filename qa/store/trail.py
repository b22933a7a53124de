"""Does the record agree with itself: chain whole, arithmetic right, what is derived true."""

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import groupby, pairwise
from operator import attrgetter
from typing import Any

from sqlalchemy import Connection, Row, Table, func, select

from qa.errors import InvalidProgramme
from qa.programme import Programme
from qa.store import cells, chain, entries, schema
from qa.store.schema import CELL, SIX, Store, entry, reading

_BATCH = 10_000
_TOLD = 10  # faults of the file; more say no more


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check found: every break in a sentence, and the chain's end at that moment."""

    breaks: tuple[str, ...]
    head: chain.Head


def check(store: Store) -> tuple[str, ...]:
    """Every place where the store contradicts itself, each in a sentence; none when it is whole."""
    return checked(store).breaks


def checked(store: Store, head: str | None = None) -> Checked:
    """The store held against its chain and its own entries, as they stand at one moment.

    Told are the first place where the record differs from its chain, and every one where it
    contradicts itself, recomputed from the entries: the order of each audit's versions, the
    arithmetic of its counts under its programme, which entry is the newest, and the six sums of
    every cell.

    Parameters
    ----------
    store : Store
    head : str or None
        A head that was printed earlier and kept elsewhere: that all up to it is as it was.

    Raises
    ------
    InvalidInput
        If `head` is none.
    """
    kept = None if head is None else chain.checked_head(head)
    with reading(store) as connection:
        return checked_within(connection, kept)


def checked_within(connection: Connection, kept: str | None = None) -> Checked:
    """As `checked`, within a transaction that may have changes of its own."""
    broken = chain.first_break(connection, kept)
    breaks = [*([broken] if broken else ()), *_damage(connection)]
    try:
        breaks += _breaks(connection.execution_options(yield_per=_BATCH))
    except (ValueError, TypeError) as reason:
        breaks.append(f"a value in the store cannot be read: {reason}")
    return Checked(tuple(breaks), chain.head(connection))


def _damage(connection: Connection) -> list[str]:
    """What SQLite finds wrong in its file: above all an index that lost what its table has.

    A question may be answered from either, so a sound table alone is no sound record.
    """
    if connection.dialect.name != "sqlite":
        return []
    found = connection.exec_driver_sql(f"PRAGMA integrity_check({_TOLD})").scalars()
    return [f"the file is damaged: {said.strip()}" for said in found if said != "ok"]


def _breaks(connection: Connection) -> Iterator[str]:
    programmes = {}
    table = schema.programme_version
    for row in connection.execute(select(table).order_by(table.c.version)):
        try:
            programmes[row.version] = entries.parsed(row.text)
        except InvalidProgramme as fault:
            yield f"programme version {row.version} is not valid: {fault.problems[0]}"
    yield from _number_breaks(connection)
    yield from _programme_breaks(connection)
    yield from _entry_breaks(connection, programmes)
    yield from _current_breaks(connection)
    yield from _sums_breaks(connection)
    yield from _orphans(connection, schema.finding, "lifted")
    yield from _orphans(connection, schema.event, "withdrawn")
    yield from _orphans(connection, schema.acknowledgement, "withdrawn")
    yield from _account_breaks(connection)


def _number_breaks(connection: Connection) -> Iterator[str]:
    """Entries and versions are numbered from 1 without a gap."""
    for what, column in (
        ("entry", entry.c.number),
        ("programme version", schema.programme_version.c.version),
        ("change of an account", schema.account.c.number),
        ("change of a device", schema.device.c.number),
        ("sign-in", schema.sign_in.c.number),
    ):
        numbers = connection.execute(select(column).order_by(column)).scalars()
        for earlier, later in pairwise((0, *numbers)):
            yield from (f"{what} {missing} is missing" for missing in range(earlier + 1, later))


def _programme_breaks(connection: Connection) -> Iterator[str]:
    table = schema.programme_version
    kept = connection.execute(select(table.c.version, table.c.at).order_by(table.c.version)).all()
    for earlier, later in pairwise(kept):
        if later.at <= earlier.at:
            yield f"programme version {later.version} does not begin after the one before it"


def _entry_breaks(connection: Connection, programmes: dict[int, Programme]) -> Iterator[str]:
    """Each audit's versions in order, and each one's arithmetic."""

    @lru_cache(maxsize=100_000)
    def arithmetic(version: int, inspected: int, correct: int, counts: str) -> str:
        if version not in programmes:
            return f"its programme version {version} is not there"
        found = json.loads(counts)
        return entries.arithmetic_fault(programmes[version], inspected, correct, found)

    names = ("key", "number", "revision", "action", "reason", "programme")
    columns = (*names, "inspected", "correct", "counts")
    found = select(*(entry.c[name] for name in columns)).order_by(entry.c.key, entry.c.number)
    for key, rows in groupby(connection.execute(found), key=attrgetter("key")):
        before: Row[Any] | None = None
        for row in rows:
            fault = arithmetic(row.programme, row.inspected, row.correct, row.counts)
            for told in (_order_fault(before, row), fault):
                if told:
                    yield f"audit {key}, entry {row.number}: {told}"
            before = row


def _order_fault(before: Row[Any] | None, row: Row[Any]) -> str:
    expected = before.revision + 1 if before else 1
    if row.revision != expected:
        return f"is revision {row.revision}, and {expected} was expected"
    if (row.action == "logged") != (before is None):
        return f"is {row.action}, and the first entry of an audit, and no other, is logged"
    if before and before.action == "voided":
        return "comes after the audit was voided"
    if before and not row.reason.strip():
        return f"is {row.action} without a reason"
    return ""


def _current_breaks(connection: Connection) -> Iterator[str]:
    newest = select(entry.c.key, func.max(entry.c.number).label("number")).group_by(entry.c.key)
    true = {row.key: row.number for row in connection.execute(newest)}
    kept = {row.key: row.entry for row in connection.execute(select(schema.current))}
    for key in sorted(kept.keys() | true.keys()):
        if kept.get(key) != true.get(key):
            yield (
                f"audit {key}: its newest entry is {true.get(key, 'missing')}, and the store "
                f"takes {kept.get(key, 'none')} for it"
            )


def _sums_breaks(connection: Connection) -> Iterator[str]:
    """Day by day, since a cell is of one day, so that many audits need little memory."""
    newest = select(func.max(entry.c.number)).group_by(entry.c.key)
    audits = (
        select(*(entry.c[name] for name in cells.PARTS))
        .where(entry.c.number.in_(newest), entry.c.action != "voided")
        .order_by(entry.c.day)
    )
    true: dict[cells.Cell, list[int]] = {}
    for _, rows in groupby(connection.execute(audits).mappings(), key=lambda row: row["day"]):
        true |= cells.six_sums({**row, "counts": json.loads(row["counts"])} for row in rows)
    columns = select(*(schema.sums.c[name] for name in (*CELL, "counted", *SIX)))
    end = len(CELL) + 1
    kept = {tuple(row[:end]): list(row[end:]) for row in connection.execute(columns)}
    for cell in sorted(cells.change(kept, true), key=str):
        named = ", ".join(f"{name} {value}" for name, value in zip(CELL, cell, strict=False))
        yield (
            f"the sums of {cell[-1]} at {named} are kept as {_six(kept.get(cell))}, and the "
            f"audits give {_six(true.get(cell))}"
        )


def _orphans(connection: Connection, table: Table, ended: str) -> Iterator[str]:
    """What is ended and was never recorded."""
    rows = connection.execute(select(table.c.key, table.c.action)).all()
    recorded = {row.key for row in rows if row.action == "recorded"}
    for key in sorted({row.key for row in rows} - recorded):
        yield f"{table.name} {key} is {ended}, and was never recorded"


def _account_breaks(connection: Connection) -> Iterator[str]:
    """An account is added once, before anything else is said of it."""
    table = schema.account
    added: set[str] = set()
    for row in connection.execute(select(table).order_by(table.c.number)):
        if (row.action == "added") == (row.name in added):
            yield f"account {row.name}, change {row.number}: {row.action} comes out of order"
        added.add(row.name)


def _six(six: Iterable[int] | None) -> str:
    values = six or [0] * len(SIX)
    return ", ".join(f"{name} {value}" for name, value in zip(SIX, values, strict=True))
