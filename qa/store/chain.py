"""The chain: every row of the record in the order in which it came, each sealed to those before.

A link's hash is SHA-256 over the hash before it and the row's content, written in one way on
every database. Who changes a row afterwards changes its content and not its hash; who mends the
hash must mend every later one, and then the last one, the head, is not what it was. So whoever
keeps a head elsewhere can tell that all up to it is as it was.
"""

import hashlib
import json
import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import cache
from typing import Any

from sqlalchemy import Connection, Row, Table, func, insert, select, tuple_

from qa.errors import InvalidInput
from qa.store import schema

START = bytes(32)  # what the first link follows
FEWEST_DIGITS = 16
_BATCH, _CHUNK = 5_000, 500
_UNSTORABLE = re.compile("[\x00\ud800-\udfff]")
# What Python takes for a kind of it, and no database does.
_NEVER: dict[type, type] = {int: bool, date: datetime}
Link = Row[Any]
Rows = dict[tuple[str, str], dict[str, Any] | None]  # None for one that cannot be read


@dataclass(frozen=True, slots=True)
class Head:
    """The chain's end: how many links it has, and the last one's hash in hexadecimal digits."""

    links: int
    hash: str


def content(table: str, row: Mapping[str, Any]) -> bytes:
    """A row's content, written in one way: this form may never change.

    JSON without blanks, in ASCII, of the table's name and the columns in order of name. A time is
    in UTC with six decimals. An empty column is left out, so that a later version may add columns.

    Examples
    --------
    >>> content("finding", {"key": "F1", "at": datetime(2026, 3, 16, tzinfo=UTC), "head": None})
    b'["finding",{"at":"2026-03-16T00:00:00.000000+00:00","key":"F1"}]'
    """
    filled = {name: value for name, value in row.items() if value is not None}
    return _JSON.encode([table, filled]).encode("ascii")


def sealed(before: bytes, text: bytes) -> bytes:
    """The hash of a link: over the hash before it and its row's content."""
    return hashlib.sha256(before + text).digest()


def key_of(values: Sequence[Any]) -> str:
    """A row's primary key as one text: the value itself, or a JSON list where there are several.

    Examples
    --------
    >>> key_of([17]), key_of(["F1", "lifted"])
    ('17', '["F1","lifted"]')
    """
    if len(values) == 1:
        return values[0] if isinstance(values[0], str) else str(_plain(values[0]))
    return _JSON.encode(list(values))


def extend(connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Chain rows that this transaction adds to a table of the record.

    Parameters
    ----------
    connection : Connection
        A writing one, since each link follows from the last.
    table : Table
    rows : sequence of mapping
        With every column that is not empty, in the type of its column.

    Raises
    ------
    InvalidInput
        If a text holds what a database cannot keep.
    """
    last, before = _end(connection)
    keys = [column.name for column in table.primary_key]
    links = []
    for number, row in enumerate(rows, start=last + 1):
        _check_types(table, row)
        before = sealed(before, content(table.name, row))
        key = key_of([row[name] for name in keys])
        links.append({"number": number, "recorded": table.name, "key": key, "hash": before})
    if links:
        connection.execute(insert(schema.chain), links)


def head(connection: Connection) -> Head:
    """The chain's end as it stands."""
    number, last = _end(connection)
    return Head(number, last.hex())


def checked_head(text: str) -> str:
    """A head as somebody kept it: its hash, or the first sixteen digits of it at least.

    Raises
    ------
    InvalidInput
        If it is no such thing.
    """
    digits = text.strip().lower()
    if not re.fullmatch(f"[0-9a-f]{{{FEWEST_DIGITS},64}}", digits):
        raise InvalidInput(f"a head has {FEWEST_DIGITS} to 64 hexadecimal digits, got {text}")
    return digits


def first_break(connection: Connection, kept: str | None = None) -> str:
    """Where the record first differs from its chain, in a sentence; "" when it is whole.

    Parameters
    ----------
    connection : Connection
        A reading one.
    kept : str or None
        A head that was kept elsewhere, as `checked_head` gives it.
    """
    before, number, seen, found = START, 0, Counter[str](), kept is None
    for links, rows in _batches(connection):
        for link in links:
            number += 1
            fault = _fault(link, number, before, rows)
            if fault:
                return fault
            before = link.hash
            seen[link.recorded] += 1
            found = found or before.hex().startswith(kept or "")
    return _unchained(connection, seen) or ("" if found else _cut(kept, number))


def _written(value: Any) -> str:
    """What JSON has no form for."""
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="microseconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, bytes):
        return value.hex()
    raise TypeError(f"a {type(value).__name__} has no form in the chain")


_JSON = json.JSONEncoder(sort_keys=True, separators=(",", ":"), default=_written)


def _plain(value: Any) -> Any:
    return value if isinstance(value, int) else _written(value)


def _end(connection: Connection) -> tuple[int, bytes]:
    chain = schema.chain
    last = connection.execute(
        select(chain.c.number, chain.c.hash).order_by(chain.c.number.desc()).limit(1)
    ).first()
    return (last.number, last.hash) if last else (0, START)


@cache
def _types(table: Table) -> dict[str, type]:
    return {column.name: column.type.python_type for column in table.columns}


def _check_types(table: Table, row: Mapping[str, Any]) -> None:
    """What is chained must read back the same, so no value may be of another type than its column.

    SQLite keeps any value in any column; a truth value there comes back as a number.
    """
    types = _types(table)
    for name, value in row.items():
        if value is None:
            continue
        wanted = types[name]
        if not isinstance(value, wanted) or isinstance(value, _NEVER.get(wanted, ())):
            got = type(value).__name__
            raise TypeError(f"{table.name}.{name} takes {wanted.__name__}, got {got}")
        if isinstance(value, str) and _UNSTORABLE.search(value):
            raise InvalidInput(f"{name} must be text that a store can keep, got {value!r}")


def _batches(connection: Connection) -> Iterator[tuple[Sequence[Link], Rows]]:
    """The links in order, some at a time, with the rows that they name."""
    chain, last = schema.chain, 0
    some = select(chain).order_by(chain.c.number).limit(_BATCH)
    while links := connection.execute(some.where(chain.c.number > last)).all():
        last = links[-1].number
        yield links, _rows_of(connection, links)


def _rows_of(connection: Connection, links: Sequence[Link]) -> Rows:
    found: Rows = {}
    for table in schema.recorded():
        keys = [link.key for link in links if link.recorded == table.name]
        for at in range(0, len(keys), _CHUNK):
            rows = _of_keys(connection, table, keys[at : at + _CHUNK])
            found |= {(table.name, key): row for key, row in rows.items()}
    return found


def _of_keys(
    connection: Connection, table: Table, keys: Sequence[str]
) -> dict[str, dict[str, Any] | None]:
    """Rows by their keys; where a value cannot even be read, halves are tried, to tell which."""
    columns = list(table.primary_key)
    wanted = [value for value in (_values(table, key) for key in keys) if value]
    one = len(columns) == 1
    chosen = columns[0].in_([value[0] for value in wanted]) if one else tuple_(*columns).in_(wanted)
    try:
        rows = connection.execute(select(table).where(chosen)).mappings().all()
    except (ValueError, TypeError):
        if len(keys) == 1:
            return {keys[0]: None}
        half = len(keys) // 2
        parts = (_of_keys(connection, table, part) for part in (keys[:half], keys[half:]))
        return {key: row for part in parts for key, row in part.items()}
    return {key_of([row[c.name] for c in columns]): dict(row) for row in rows}


def _values(table: Table, key: str) -> tuple[Any, ...]:
    """The primary key that a text names; none when it names none."""
    types = [column.type.python_type for column in table.primary_key]
    try:
        texts = [key] if len(types) == 1 else json.loads(key)
        return tuple(_READ[kind](text) for kind, text in zip(types, texts, strict=True))
    except (ValueError, TypeError):
        return ()


_READ: dict[type, Callable[[Any], Any]] = {
    str: str,
    int: int,
    datetime: datetime.fromisoformat,
    date: date.fromisoformat,
}


def _fault(link: Link, number: int, before: bytes, rows: Rows) -> str:
    if link.number != number:
        return f"link {number} of the chain is missing"
    named = f"{_named(link.recorded, link.key)}, link {number} of the chain,"
    if (link.recorded, link.key) not in rows:
        return f"{named} is missing from the record"
    row = rows[link.recorded, link.key]
    if row is None:
        return f"{named} was changed, and cannot be read any more"
    try:
        true = sealed(before, content(link.recorded, row))
    except TypeError:
        true = b""
    if true != link.hash:
        return f"{named} is not what was recorded: it or its link was changed"
    return ""


def _unchained(connection: Connection, seen: Counter[str]) -> str:
    """What stands in the record and in no link."""
    for table in schema.recorded():
        count = connection.execute(select(func.count()).select_from(table)).scalar()
        if count == seen[table.name]:
            continue
        columns, chain = list(table.primary_key), schema.chain
        links = select(chain.c.key).where(chain.c.recorded == table.name)
        chained = set(connection.execute(links).scalars())
        for values in connection.execute(select(*columns).order_by(*columns)):
            key = key_of(values)
            if key not in chained:
                return (
                    f"{_named(table.name, key)} is in no link of the chain: it was put there "
                    "behind the program's back, or the chain's end was cut"
                )
    return ""


def _cut(kept: str | None, links: int) -> str:
    return (
        f"the head {kept} is not among the {links} links of the chain: its end was cut, or what "
        "was recorded before was changed and chained anew"
    )


def _named(table: str, key: str) -> str:
    """As people say it: "entry 17", "finding F1 lifted"."""
    try:
        parts = json.loads(key) if key.startswith("[") else [key]
    except ValueError:
        parts = [key]
    return " ".join((table.replace("_", " "), *map(str, parts)))
