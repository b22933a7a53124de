"""The six sums of each cell, and how they change when an audit does.

A tote is a cluster: its audits in one cell are added up before they are squared. So a change is
the sums of all audits of the totes touched, after less before.
"""

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import Connection, select
from sqlalchemy.dialects import postgresql, sqlite

from qa.store.schema import CELL, SIX, current, entry, sums

Cell = tuple[Any, ...]
# What of an audit decides its part in the sums.
PARTS = ("key", "tote", *CELL, "inspected", "correct", "counts")
_CHUNK = 500


def six_sums(audits: Iterable[Mapping[str, Any]]) -> dict[Cell, list[int]]:
    """The six sums of each cell and counted thing.

    Parameters
    ----------
    audits : iterable of mapping
        Each with `PARTS`; ``counts`` a mapping of category code to int.

    Returns
    -------
    dict
        The values of `CELL` and the counted thing ("incorrect" or a category that the audit's
        programme had) -> the six, in the order of `SIX`.
    """
    totes: dict[Cell, list[int]] = defaultdict(lambda: [0, 0])
    for audit in audits:
        cell = tuple(audit[name] or "" for name in CELL)
        incorrect = audit["inspected"] - audit["correct"]
        for counted, count in (("incorrect", incorrect), *audit["counts"].items()):
            both = totes[(*cell, counted, audit["tote"])]
            both[0] += audit["inspected"]
            both[1] += count
    found: dict[Cell, list[int]] = defaultdict(lambda: [0] * len(SIX))
    for (*cell_counted, _), (n, x) in totes.items():
        six = found[tuple(cell_counted)]
        six[:] = map(sum, zip(six, (1, n, x, n * n, x * x, n * x), strict=True))
    return found


def change(before: dict[Cell, list[int]], after: dict[Cell, list[int]]) -> dict[Cell, list[int]]:
    """What is to be added to the sums, cell by cell; cells that stay the same are left out."""
    zeros = [0] * len(SIX)
    found = {}
    for cell in before.keys() | after.keys():
        old, new = before.get(cell, zeros), after.get(cell, zeros)
        if old != new:
            found[cell] = [b - a for a, b in zip(old, new, strict=True)]
    return found


def audits_of_totes(connection: Connection, totes: Iterable[str]) -> list[Any]:
    """The current audits, not voided, of some totes."""
    names = sorted(set(totes))
    found: list[Any] = []
    for at in range(0, len(names), _CHUNK):
        chosen = (
            select(*(entry.c[name] for name in PARTS))
            .join(current, current.c.entry == entry.c.number)
            .where(entry.c.tote.in_(names[at : at + _CHUNK]), entry.c.action != "voided")
        )
        found += connection.execute(chosen).mappings().all()
    return [{**audit, "counts": json.loads(audit["counts"])} for audit in found]


def add(connection: Connection, changes: Mapping[Cell, list[int]]) -> None:
    """Add to the sums that are kept, making the cells that are not there yet."""
    if not changes:
        return
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    new = dialect.insert(sums)
    added = {name: sums.c[name] + new.excluded[name] for name in SIX}
    upsert = new.on_conflict_do_update(index_elements=list(sums.primary_key), set_=added)
    columns = (*CELL, "counted", *SIX)
    rows = [dict(zip(columns, (*cell, *six), strict=True)) for cell, six in changes.items()]
    connection.execute(upsert, rows)
