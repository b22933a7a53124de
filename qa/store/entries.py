"""Entries, the rows of the record: made from audits, held against what is there, appended."""

import json
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, Row, delete, func, insert, select

from qa.audit import Audit
from qa.errors import Conflict, StoreError
from qa.programme import Programme, parse
from qa.store import cells, schema
from qa.store.rows import add
from qa.store.schema import MOST_PIECES, entry

# What of an audit must be the same for two sendings to be one; where it came from may differ.
CONTENT = tuple(name for name in Audit.__dataclass_fields__ if name not in ("key", "source"))
_CHUNK = 500


@dataclass(frozen=True, slots=True)
class Logged:
    """Something is in the store: `new` by this sending, or there already with the same content."""

    key: str
    new: bool


@lru_cache(maxsize=64)
def parsed(text: str) -> Programme:
    """The programme of a text that the store keeps; read once, since it never changes."""
    return parse(text, where="a programme in the store")


def versions(connection: Connection) -> Sequence[Row[Any]]:
    """The programme's versions, oldest first.

    Raises
    ------
    StoreError
        If there is none.
    """
    table = schema.programme_version
    found = connection.execute(select(table).order_by(table.c.version)).all()
    if not found:
        raise StoreError("the store has no programme yet, and one must be put there first")
    return found


def in_force(kept: Sequence[Row[Any]], moment: datetime) -> Row[Any]:
    """The version in force at a moment; the first one holds before its time too."""
    return kept[max(bisect_right(kept, moment, key=lambda each: each.at) - 1, 0)]


def row_of(kept: Sequence[Row[Any]], audit: Audit) -> dict[str, Any]:
    """An audit as the first revision of an entry, under the programme then in force.

    Raises
    ------
    StoreError
        If its counts contradict that programme.
    """
    version = in_force(kept, audit.pulled_at)
    fault = arithmetic_fault(parsed(version.text), audit.inspected, audit.correct, audit.counts)
    if fault:
        raise StoreError(
            f"audit {audit.key} contradicts programme version {version.version}, in force when "
            f"its pieces were pulled: {fault}"
        )
    codes = parsed(version.text).category_codes
    row: dict[str, Any] = {name: getattr(audit, name) for name in Audit.__dataclass_fields__}
    return {
        **row,
        "revision": 1,
        "programme": version.version,
        "head": audit.head or None,
        "raw_lot": audit.raw_lot or None,
        "counts": {code: count for code, count in audit.counts.items() if code in codes},
    }


def arithmetic_fault(
    programme: Programme, inspected: int, correct: int, counts: Mapping[str, int]
) -> str:
    """What is wrong with an audit's counts under a programme, in words; "" when nothing is."""
    incorrect, total = inspected - correct, sum(counts.values())
    unknown = [c for c, count in counts.items() if count and c not in programme.category_codes]
    if unknown:
        return f"it has no category {unknown[0]}"
    if not 1 <= inspected <= MOST_PIECES:
        return f"inspected must be from 1 to {MOST_PIECES:,}, got {inspected}"
    if not 0 <= correct <= inspected:
        return f"correct must be from 0 to inspected, got {correct} of {inspected}"
    if min(counts.values(), default=0) < 0:
        return f"a count must be 0 or more, got {min(counts.values())}"
    if not programme.several_per_piece and total != incorrect:
        return f"the counts must sum to the {incorrect} incorrect, and sum to {total}"
    most = max(counts.values(), default=0)
    if not most <= incorrect <= total:
        return f"the counts allow {most} to {total} incorrect, and there are {incorrect}"
    return ""


def compared(connection: Connection, rows: Iterable[Mapping[str, Any]]) -> list[Logged | Conflict]:
    """What the store says of each row: new, there already, or there with other content.

    Content is held against every version of an audit, so that an old message that comes late,
    or a file imported again, is known after a correction too.
    """
    listed = list(rows)
    known: dict[str, list[Mapping[str, Any]]] = defaultdict(list)
    for each in of_keys(connection, {row["key"] for row in listed}):
        known[each["key"]].append(each)
    answers: list[Logged | Conflict] = []
    for row in listed:
        earlier = known[row["key"]]
        if not earlier:
            earlier.append(row)
            answers.append(Logged(row["key"], new=True))
        elif any(not differences(each, row) for each in earlier):
            answers.append(Logged(row["key"], new=False))
        else:
            told = ", ".join(differences(earlier[-1], row))
            answers.append(Conflict(f"audit {row['key']} is recorded with other content: {told}"))
    return answers


def differences(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    """What differs between two rows' content, each as "lane is 1 there and 2 here"."""
    pairs = [(name, old[name], new[name]) for name in CONTENT if name != "counts"]
    codes = dict.fromkeys((*old["counts"], *new["counts"]))
    pairs += [(code, old["counts"].get(code, 0), new["counts"].get(code, 0)) for code in codes]
    return [f"{name} is {_said(a)} there and {_said(b)} here" for name, a, b in pairs if a != b]


def of_keys(connection: Connection, keys: Iterable[str]) -> Iterable[dict[str, Any]]:
    """Every entry of some audits, each audit's in order."""
    names = sorted(keys)
    for at in range(0, len(names), _CHUNK):
        some = select(entry).where(entry.c.key.in_(names[at : at + _CHUNK]))
        for row in connection.execute(some.order_by(entry.c.number)).mappings():
            yield {**row, "counts": json.loads(row["counts"])}


def last_of(connection: Connection, key: str) -> dict[str, Any]:
    """An audit's newest entry.

    Raises
    ------
    StoreError
        If there is no such audit.
    """
    found = list(of_keys(connection, [key]))
    if not found:
        raise StoreError(f"there is no audit {key} in the store")
    return found[-1]


def check_revision(last: Mapping[str, Any], expected: int | None) -> None:
    """Refuse a change by somebody who did not see an audit's newest entry.

    Raises
    ------
    Conflict
        Says who changed the audit since, when and why.
    """
    if expected is None or expected == last["revision"]:
        return
    why = f" ({last['reason']})" if last["reason"] else ""
    raise Conflict(
        f"audit {last['key']} was {last['action']} by {last['by']} at {last['at']:%Y-%m-%d %H:%M} "
        f"UTC{why} and is revision {last['revision']} now, and this change is of revision "
        f"{expected}; look at it again"
    )


def append(
    connection: Connection,
    rows: Sequence[dict[str, Any]],
    stamp: Mapping[str, Any],
    replaced: Sequence[Mapping[str, Any]] = (),
) -> None:
    """Add entries, point at them as the newest, and bring the sums along.

    Parameters
    ----------
    connection : Connection
        A writing one.
    rows : sequence of dict
        As `row_of` gives them, of different keys.
    stamp : mapping
        ``action``, ``by``, ``at`` and ``reason``.
    replaced : sequence of mapping
        The entries that were the newest of these audits.
    """
    if not rows:
        return
    first = (connection.execute(select(func.max(entry.c.number))).scalar() or 0) + 1
    _append_sums(connection, () if stamp["action"] == "voided" else rows, replaced)
    entries = [
        {**row, **stamp, "number": number, "counts": _text(row["counts"])}
        for number, row in enumerate(rows, start=first)
    ]
    add(connection, entry, entries)
    newest = schema.current
    gone = newest.c.key.in_([old["key"] for old in replaced])
    connection.execute(delete(newest).where(gone))
    pointers = [{"key": each["key"], "entry": each["number"]} for each in entries]
    connection.execute(insert(newest), pointers)


def _append_sums(
    connection: Connection, rows: Iterable[Mapping[str, Any]], replaced: Iterable[Mapping[str, Any]]
) -> None:
    rows, gone = list(rows), {each["key"] for each in replaced}
    totes = {each["tote"] for each in (*rows, *replaced)}
    before = cells.audits_of_totes(connection, totes)
    after = [each for each in before if each["key"] not in gone] + rows
    cells.add(connection, cells.change(cells.six_sums(before), cells.six_sums(after)))


def _text(counts: Mapping[str, int]) -> str:
    return json.dumps(counts, sort_keys=True, separators=(",", ":"))


def _said(value: object) -> str:
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d %H:%M:%S%z}"
    return "blank" if value in (None, "") else str(value)
