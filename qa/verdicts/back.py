"""Lots that stand back, kept up with the record: which, since when, and when last pulled."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa.verdicts.cases import Case
from qa.verdicts.columns import Table
from qa.verdicts.folding import VERDICTS

Whole = NDArray[np.int64]
Moments = NDArray[np.datetime64]


class Back(NamedTuple):
    """Lots that are not accepted, in order of their first rows: since when, and last pulled."""

    head: Whole
    since: Moments
    last: Moments

    def of(self, chosen: Any) -> "Back":
        """Some of them, or in another order."""
        return Back(*(each[chosen] for each in self))

    def after(self, table: Table, touched: Whole, several: Mapping[int, Case]) -> "Back":
        """How they stand when some lots were touched.

        Parameters
        ----------
        touched : array of int
            Their first rows, and those of lots that are gone.
        several : mapping of first row to Case
            Of the touched, those of several audits as they stand.
        """
        left = self.of(~np.isin(self.head, touched))
        still = touched[touched < table.size]
        single = still[(table["head"][still] == still) & ~np.isin(still, list(several))]
        held = single[table["verdict"][single] != VERDICTS.index("accept")]
        pulled = table["pulled_at"][held]
        every = (left, Back(held, pulled, pulled), _of_cases(several))
        together = Back(*(np.concatenate(each) for each in zip(*every, strict=True)))
        return together.of(np.argsort(together.head))


def since(stood: Sequence[tuple[Any, str]]) -> Any:
    """When the audit was pulled that left a lot as it is, released or not; None without one.

    `stood` says when each of its audits was pulled, and the verdict that stood after it.
    """
    at = len(stood) - 1
    while at > 0 and (stood[at - 1][1] == "accept") == (stood[-1][1] == "accept"):
        at -= 1
    return stood[at][0] if stood else None


def _of_cases(cases: Mapping[int, Case]) -> Back:
    held = {head: case for head, case in cases.items() if case.standing.verdict != "accept"}
    stood = [[(e.pulled_at, e.stood.verdict) for e in case.audits] for case in held.values()]
    times = _moments(since(each) for each in stood), _moments(each[-1][0] for each in stood)
    return Back(np.array(list(held), dtype=np.int64), *times)


def _moments(every: Iterable[Any]) -> Moments:
    found = pd.DatetimeIndex(list(every), tz="UTC").tz_localize(None)
    return found.to_numpy(dtype="datetime64[us]")


NONE = Back(np.empty(0, np.int64), *(np.empty(0, "datetime64[us]") for _ in range(2)))
