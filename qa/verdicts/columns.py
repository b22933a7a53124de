"""Tables in columns that grow at their end, and what the numbers in them stand for."""

from collections.abc import Hashable, Iterable, Mapping
from itertools import islice
from typing import Any, Generic, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Columns = Mapping[str, NDArray[Any]]
Each = TypeVar("Each", bound=Hashable)


class Numbered(Generic[Each]):
    """Things and their numbers, in the order in which they came; only ever added to."""

    def __init__(self) -> None:
        self.every: list[Each] = []
        self._numbers: dict[Each, int] = {}

    def of(self, each: Each) -> int:
        """The number of a thing, which may be new."""
        return self.of_all([each])[0]

    def of_all(self, every: Iterable[Each]) -> list[int]:
        """The numbers of some things."""
        numbers = self._numbers
        found = [numbers.setdefault(each, len(numbers)) for each in every]
        new = list(islice(reversed(numbers), len(numbers) - len(self.every)))
        self.every.extend(reversed(new))
        return found

    def known(self, each: Each) -> int | None:
        """The number of a thing; None if it never came."""
        return self._numbers.get(each)


class Table:
    """Columns of one length; what was taken of them never changes.

    A table that goes on from another shares its room, so that a million rows are not copied for
    one more.
    """

    def __init__(self, types: Mapping[str, Any]) -> None:
        self.size = 0
        self._rooms = {name: np.empty(0, dtype=each) for name, each in types.items()}
        self._written = [0]

    def __getitem__(self, name: str) -> NDArray[Any]:
        return self._rooms[name][: self.size]

    def up_to(self, size: int) -> "Table":
        """The first rows alone."""
        other = Table({})
        other.size, other._rooms, other._written = size, self._rooms, self._written
        return other

    def longer(self, more: Columns) -> "Table":
        """With more rows at the end."""
        end = self.size + len(next(iter(more.values())))
        other = self.up_to(end)
        if self._written[0] != self.size or end > len(next(iter(self._rooms.values()))):
            room = end - self.size + end // 8
            other._rooms = {
                name: np.concatenate([each[: self.size], np.empty(room, each.dtype)])
                for name, each in self._rooms.items()
            }
            other._written = [0]
        for name, each in other._rooms.items():
            each[self.size : end] = more[name]
        other._written[0] = end
        return other


def alike(*columns: NDArray[Any]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows that hold the same have one number, from 0 up; and the first row of each number.

    Columns are of whole numbers from 0 up.
    """
    found = np.zeros(len(columns[0]), dtype=np.int64)
    for each in columns:
        if len(each):
            found = pd.factorize(found * (int(each.max()) + 1) + each)[0].astype(np.int64)
    return found, np.flatnonzero(~pd.Series(found).duplicated().to_numpy())


def split(values: pd.Series) -> tuple[NDArray[Any], NDArray[Any]]:
    """A number for each text, and the texts."""
    if not isinstance(values.dtype, pd.CategoricalDtype):
        return pd.factorize(values.to_numpy(dtype=object))
    numbers, texts = values.cat.codes.to_numpy(), values.cat.categories.to_numpy(dtype=object)
    if len(numbers) >= len(texts) // 2:
        return numbers, texts
    used, numbers = np.unique(numbers, return_inverse=True)  # a few rows of a long table
    return numbers, texts[used]


def moments(times: pd.Series) -> NDArray[np.datetime64]:
    """Times in UTC without their zone."""
    plain = times if times.dt.tz is None else times.dt.tz_localize(None)
    return plain.to_numpy(dtype="datetime64[us]")
