"""All current audits in memory, kept up with a store by reading what is new there.

Texts that come again are kept once, and a change reads only what was recorded since the last
look.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api.types import union_categoricals
from sqlalchemy import Connection, Select, func, select

from qa import tally
from qa.store import records, schema, tallied
from qa.store.rows import plain
from qa.store.schema import Store, entry, reading

MOST_LATE = 5_000  # rows kept apart from the others before they are put among them
Chosen = Callable[[pd.DataFrame], Any]


@dataclass(frozen=True, slots=True, eq=False)
class Audits:
    """The current audits, not voided, as they stood after an entry. What it holds never changes.

    Attributes
    ----------
    past, late : DataFrame
        Columns of a tally and ``number``, the entry's; texts as categories. `late` has those that
        were recorded since `past` was put together.
    last : int
        The number of the last entry that is in them.
    categories : tuple of str
    """

    past: pd.DataFrame
    late: pd.DataFrame
    last: int
    categories: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.past) + len(self.late)

    def where(self, chosen: Chosen) -> pd.DataFrame:
        """A tally of some of them, in order of pulling.

        Parameters
        ----------
        chosen : callable
            Takes a table such as `past`, gives which of its rows.
        """
        parts = [tallied.plain(part.iloc[_places(chosen(part))]) for part in (self.past, self.late)]
        found = pd.concat([part for part in parts if len(part)] or parts[:1])
        if len(parts[0]) and len(parts[1]):
            found = found.sort_values(["pulled_at", "key"], kind="stable")
        return tally.table(found.reset_index(drop=True), self.categories)

    def of_days(self, first: Any, last: Any, **equal: str) -> pd.DataFrame:
        """A tally of those of some production days, both included, whose columns equal a value."""
        ends = np.datetime64(first, "us"), np.datetime64(last, "us")

        def chosen(part: pd.DataFrame) -> Any:
            day = part["day"].to_numpy()
            found = (day >= ends[0]) & (day <= ends[1])
            for name, value in equal.items():
                found &= (part[name] == value).to_numpy()
            return found

        return self.where(chosen)

    def pulled(self, begin: Any, end: Any, **equal: str) -> pd.DataFrame:
        """A tally of those pulled from a moment to before another, whose columns equal a value."""

        def chosen(part: pd.DataFrame) -> Any:
            ends = (pd.Timestamp(each) for each in (begin, end))
            first, last = (int(part["pulled_at"].searchsorted(each)) for each in ends)
            found = np.zeros(len(part), dtype=np.bool_)
            found[first:last] = True
            for name, value in equal.items():
                found[first:last] &= (part[name].iloc[first:last] == value).to_numpy()
            return found

        return self.where(chosen)

    def since(self, moment: pd.Timestamp | None) -> pd.DataFrame:
        """Those pulled from a moment on, in order of pulling, as a table such as `past`."""
        parts = [self.past, self.late]
        if moment is not None:
            parts = [part.iloc[_places((part["pulled_at"] >= moment).to_numpy())] for part in parts]
        some = [part for part in parts if len(part)] or parts[:1]
        return some[0] if len(some) == 1 else tally.in_order(_joined(some))

    def column(self, name: str) -> NDArray[Any]:
        """The values of one column; in no order that means anything."""
        parts = (tallied.values(part[name]) for part in (self.past, self.late))
        return np.concatenate(list(parts))


class Change(NamedTuple):
    """What came and what went between two looks, as tables such as `Audits.past`.

    `amended` says whether any audit was corrected or voided, one that came in between too.
    """

    gone: pd.DataFrame
    new: pd.DataFrame
    amended: bool


def read(store: Store) -> Audits:
    """All of them, read anew."""
    with reading(store) as connection:
        last = _last(connection)
        categories = records.every_category(connection)
        past = _read(connection, _current(), categories)
    return Audits(past, past.iloc[:0], last, categories)


def follow(store: Store, known: Audits) -> tuple[Audits, Change]:
    """The audits as they stand now, from how they stood before, and what differs."""
    with reading(store) as connection:
        last = _last(connection)
        categories = records.every_category(connection)
        known = _counted(known, categories)
        new = _read(connection, _current().where(entry.c.number > known.last), categories)
        replaced = select(entry.c.key).where(entry.c.number > known.last, entry.c.revision > 1)
        keys = connection.execute(replaced).scalars().all()
    past, late, gone = known.past, known.late, known.late.iloc[:0]
    if keys:
        parts = [(part, part["key"].isin(keys).to_numpy()) for part in (past, late)]
        gone = _joined([part[hit] for part, hit in parts])
        past, late = (part[~hit] if hit.any() else part for part, hit in parts)
    if len(new):
        late = tally.in_order(_joined([late, new]))
    if len(late) > MOST_LATE:
        past, late = tally.in_order(_joined([past, late])), late.iloc[:0]
    return Audits(past, late, last, categories), Change(gone, new, bool(keys))


def _last(connection: Connection) -> int:
    return int(connection.execute(select(func.coalesce(func.max(entry.c.number), 0))).scalar_one())


def _current() -> Select[Any]:
    """The current audits, not voided, in no order: a database is slow to put many in one."""
    return (
        select(*plain(entry, ("number", *tallied.TALLIED)))
        .join(schema.current, schema.current.c.entry == entry.c.number)
        .where(entry.c.action != "voided")
    )


def _read(connection: Connection, found: Select[Any], categories: tuple[str, ...]) -> pd.DataFrame:
    return tally.in_order(tallied.read(connection, found, categories, ("number",)))


def _counted(known: Audits, categories: tuple[str, ...]) -> Audits:
    """With a column for every category that there is now; nobody found any of a new one."""
    if categories == known.categories:
        return known
    past, late = (
        part.reindex(columns=["number", *tally.COLUMNS, *categories], fill_value=np.int32(0))
        for part in (known.past, known.late)
    )
    return Audits(past, late, known.last, categories)


def _joined(every: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Rows of all parts. Of one that has none, nothing is taken: not the texts of its columns."""
    parts = [part for part in every if len(part)] or list(every[:1])
    if len(parts) == 1:
        return parts[0].reset_index(drop=True)
    same = {
        name: union_categoricals([part[name] for part in parts])
        if name in tallied.TEXTS
        else pd.concat([part[name] for part in parts], ignore_index=True)
        for name in parts[0].columns
    }
    return pd.DataFrame(same)


def _places(chosen: Any) -> NDArray[np.intp]:
    return np.flatnonzero(np.asarray(chosen))
