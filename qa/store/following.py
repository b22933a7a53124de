"""All current audits in memory, kept up with a store by reading what is new there.

A million audits take half a minute to read and a moment to keep: texts that come again are kept
once, and a change reads only what was recorded since the last look.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api.types import union_categoricals
from sqlalchemy import Connection, Select, func, select

from qa import tally
from qa.store import records, schema
from qa.store.rows import frame_of, plain
from qa.store.schema import Store, entry, reading

MOST_LATE = 5_000  # rows kept apart from the others before they are put among them
_BATCH = 50_000
_NAMES = ("number", *records.TALLIED)
_CHUNK = 500
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
        parts = [_plain(part.iloc[_places(chosen(part))]) for part in (self.past, self.late)]
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

    def since(self, moment: pd.Timestamp | None) -> pd.DataFrame:
        """Those pulled from a moment on, in order of pulling, as a table such as `past`."""
        parts = [self.past, self.late]
        if moment is not None:
            parts = [part.iloc[_places((part["pulled_at"] >= moment).to_numpy())] for part in parts]
        some = [part for part in parts if len(part)] or parts[:1]
        return some[0] if len(some) == 1 else _in_order(_joined(some))

    def column(self, name: str) -> NDArray[Any]:
        """The values of one column; in no order that means anything."""
        parts = (_texts(part[name]) for part in (self.past, self.late))
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
        past = _lean(connection, _current(), categories)
    return Audits(past, past.iloc[:0], last, categories)


def follow(store: Store, known: Audits) -> tuple[Audits, Change]:
    """The audits as they stand now, from how they stood before, and what differs."""
    with reading(store) as connection:
        last = _last(connection)
        categories = records.every_category(connection)
        known = _counted(known, categories)
        new = _lean(connection, _current().where(entry.c.number > known.last), categories)
        replaced = select(entry.c.key).where(entry.c.number > known.last, entry.c.revision > 1)
        keys = connection.execute(replaced).scalars().all()
    past, late, gone = known.past, known.late, known.late.iloc[:0]
    if keys:
        parts = [(part, part["key"].isin(keys).to_numpy()) for part in (past, late)]
        gone = _joined([part[hit] for part, hit in parts])
        past, late = (part[~hit] if hit.any() else part for part, hit in parts)
    if len(new):
        late = _in_order(_joined([late, new]))
    if len(late) > MOST_LATE:
        past, late = _in_order(_joined([past, late])), late.iloc[:0]
    return Audits(past, late, last, categories), Change(gone, new, bool(keys))


def _last(connection: Connection) -> int:
    return int(connection.execute(select(func.coalesce(func.max(entry.c.number), 0))).scalar_one())


def _current() -> Select[Any]:
    return (
        select(*plain(entry, _NAMES))
        .join(schema.current, schema.current.c.entry == entry.c.number)
        .where(entry.c.action != "voided")
        .order_by(entry.c.pulled_at, entry.c.key)
    )


def _lean(connection: Connection, found: Select[Any], categories: Sequence[str]) -> pd.DataFrame:
    parts = [_thin(part, categories) for part in _batches(connection, found)]
    return _joined(parts)


def _batches(connection: Connection, found: Select[Any]) -> Iterator[pd.DataFrame]:
    """Rows some at a time; one table at least, so that its columns are there."""
    rows = connection.execution_options(yield_per=_BATCH).execute(found)
    none = True
    for part in rows.partitions(_BATCH):
        none = False
        yield frame_of(part, found)
    if none:
        yield frame_of([], found)


def _thin(rows: pd.DataFrame, categories: Sequence[str]) -> pd.DataFrame:
    audits = records.as_tally(rows, categories)
    small = {name: audits[name].astype(np.int32) for name in _counts(categories)}
    texts = {name: audits[name].astype("category") for name in _TEXTS}
    return audits.assign(**texts, **small, number=rows["number"].to_numpy(dtype=np.int64))


_TEXTS = (
    *("site", "shift", "line", "lane", "head", "product", "raw_lot"),
    *("tote", "lot", "inspector", "purpose"),
)


def _counts(categories: Sequence[str]) -> tuple[str, ...]:
    return ("programme", "inspected", "correct", "incorrect", *categories)


def _counted(known: Audits, categories: tuple[str, ...]) -> Audits:
    """With a column for every category that there is now; nobody found any of a new one."""
    if categories == known.categories:
        return known
    past, late = (
        part.reindex(columns=["number", *tally.COLUMNS, *categories], fill_value=np.int32(0))
        for part in (known.past, known.late)
    )
    return Audits(past, late, known.last, categories)


def _joined(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    if len(parts) == 1:
        return parts[0]
    same = {
        name: union_categoricals([part[name] for part in parts])
        if name in _TEXTS
        else pd.concat([part[name] for part in parts], ignore_index=True)
        for name in parts[0].columns
    }
    return pd.DataFrame(same)


def _in_order(rows: pd.DataFrame) -> pd.DataFrame:
    return rows.sort_values(["pulled_at", "key"], kind="stable", ignore_index=True)


def _places(chosen: Any) -> NDArray[np.intp]:
    return np.flatnonzero(np.asarray(chosen))


def _plain(rows: pd.DataFrame) -> pd.DataFrame:
    """Texts as themselves again."""
    texts = {name: pd.Series(_texts(rows[name]), rows.index, dtype="str") for name in _TEXTS}
    return rows.assign(**texts)


def _texts(values: pd.Series) -> NDArray[Any]:
    if not isinstance(values.dtype, pd.CategoricalDtype):
        return values.to_numpy()
    return values.cat.categories.to_numpy()[values.cat.codes.to_numpy()]
