"""Entries read as tallies: a column at a time, and each different text kept, and read, once."""

import json
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sqlalchemy import Connection, Select

from qa import tally

# Columns of an entry from which a tally is made.
_MADE = ("incorrect", "recorded_at")
TALLIED = (*(name for name in tally.COLUMNS if name not in _MADE), "counts", "at")
TEXTS = (
    *("site", "shift", "line", "lane", "head", "product", "raw_lot"),
    *("tote", "lot", "inspector", "purpose", "note", "source"),
)
_WHOLE = ("number", "programme", "inspected", "correct")
_MOMENTS = ("pulled_at", "re_sorted_at", "fill_start", "fill_end", "at", "replaced_at")
_BATCH = 50_000


class _Numbers(dict[Any, int]):
    """A number for each thing, in the order in which they came."""

    def __missing__(self, each: Any) -> int:
        self[each] = found = len(self)
        return found


def read(
    connection: Connection, found: Select[Any], categories: Sequence[str], more: Sequence[str] = ()
) -> pd.DataFrame:
    """Rows of a query, in its order, in the columns of a tally and `more`; texts as categories.

    The query gives `TALLIED` and `more`, their times and days as `qa.store.rows.plain` leaves them.
    """
    names = tuple(found.selected_columns.keys())
    wanted = {name: names.index(name) for name in (*TALLIED, *more)}
    columns: dict[str, list[NDArray[Any]]] = {name: [] for name in wanted}
    texts = {name: _Numbers() for name in wanted}
    with connection.execution_options(yield_per=_BATCH).execute(found) as rows:
        for part in rows.partitions(_BATCH):
            values = list(zip(*part, strict=True))
            for name, at in wanted.items():
                columns[name].append(_column(name, values[at], texts[name]))
    whole = {
        name: np.concatenate(parts or [_column(name, (), _Numbers())])
        for name, parts in columns.items()
    }
    return _table(whole, {name: list(each) for name, each in texts.items()}, categories, more)


def plain(rows: pd.DataFrame) -> pd.DataFrame:
    """Texts as themselves again."""
    texts = {
        name: pd.Series(values(rows[name]), rows.index, dtype="str")
        for name in rows.columns
        if name in TEXTS
    }
    return rows.assign(**texts)


def as_tally(rows: pd.DataFrame, categories: Sequence[str]) -> pd.DataFrame:
    """What `read` gave as a tally, and what it gave besides."""
    counts = ("programme", "inspected", "correct", "incorrect", *categories)
    return plain(rows).astype(dict.fromkeys(counts, np.int64))


def values(column: pd.Series) -> NDArray[Any]:
    """The values of a column, those of categories too."""
    if not isinstance(column.dtype, pd.CategoricalDtype):
        return column.to_numpy()
    return column.cat.categories.to_numpy()[column.cat.codes.to_numpy()]


def _column(name: str, given: Sequence[Any], texts: _Numbers) -> NDArray[Any]:
    """Some values of a column: keys, whole numbers, moments, or numbers of texts."""
    if name == "key":
        return np.array(given, dtype=object)
    if name in _WHOLE:
        return np.array(given, dtype=np.int64)
    if name == "pieces_in_tote":
        return np.array(given, dtype=np.float64)
    if name in _MOMENTS:
        times = pd.to_datetime(list(given), utc=True, format="ISO8601")
        return times.tz_localize(None).to_numpy(dtype="datetime64[us]")
    return np.fromiter(map(texts.__getitem__, given), dtype=np.int32, count=len(given))


def _table(
    columns: dict[str, NDArray[Any]],
    texts: dict[str, list[Any]],
    categories: Sequence[str],
    more: Sequence[str],
) -> pd.DataFrame:
    parsed = pd.DataFrame([json.loads(text) for text in texts["counts"]], columns=list(categories))
    counts = parsed.fillna(0).astype(np.int32)
    days = pd.to_datetime(texts["day"], format="ISO8601").to_numpy(dtype="datetime64[us]")
    whole = {name: columns[name].astype(np.int32) for name in ("programme", "inspected", "correct")}
    made = {
        **columns,
        **whole,
        **{name: counts[name].to_numpy()[columns["counts"]] for name in categories},
        **{name: _categories(columns[name], texts[name]) for name in TEXTS if name in columns},
        **{
            name: pd.DatetimeIndex(columns[name]).tz_localize("UTC")
            for name in _MOMENTS
            if name in columns
        },
        "key": pd.array(columns["key"], dtype="str"),
        "day": days[columns["day"]],
        "incorrect": whole["inspected"] - whole["correct"],
    }
    made["recorded_at"] = made.pop("at")
    return pd.DataFrame({name: made[name] for name in (*tally.COLUMNS, *categories, *more)})


def _categories(numbers: NDArray[Any], texts: Sequence[Any]) -> pd.Categorical:
    """Texts as categories, an absent one as an empty one."""
    places, every = pd.factorize(np.array([each or "" for each in texts], dtype=object))
    return pd.Categorical.from_codes(places[numbers], categories=pd.Index(every, dtype="str"))
