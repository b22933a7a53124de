"""Baselines in time: each holds from its moment on, and never speaks of what was before.

Without a baseline that a person chose, the first days of production stand for one.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from qa.drift.baseline import Series
from qa.drift.known import Known, naive
from qa.programme import Programme

FIRST_DAYS = 10  # of production, where nobody chose a baseline


@dataclass(frozen=True, slots=True)
class Era:
    """A baseline of a product, of one lane or of all (""), and the time from which it holds.

    Attributes
    ----------
    first, last : date
        Production days, both included.
    chosen : bool
        Whether a person chose them.
    begins : datetime64 or None
        UTC; None from the beginning.
    set_aside : mapping of str to str
        Totes of these days that do not speak, each with its cause.
    by, reason : str
        Who chose it and why; "" where the programme says it.
    """

    product: str
    lane: str
    first: date
    last: date
    chosen: bool
    begins: np.datetime64 | None
    set_aside: Mapping[str, str]
    by: str
    reason: str

    @property
    def weeks(self) -> float:
        """Length in weeks."""
        return ((self.last - self.first).days + 1) / 7


def eras(known: Known, programme: Programme, every: Iterable[Series]) -> dict[str, list[Era]]:
    """Each product's baselines in the order in which they come to hold."""
    lanes = list(every)
    chosen = list(_chosen(known, programme))
    return {
        product: _of_product([each for each in chosen if each.product == product], product, lanes)
        for product in {each.product for each in lanes}
    }


def of_lane(product: list[Era], lane: str) -> list[Era]:
    """A lane's own and its product's, in the order in which they come to hold."""
    return [each for each in product if each.lane in ("", lane)]


def pooled(product: list[Era], era: Era) -> Era:
    """The baseline of all lanes beside one of a lane: what it shares with them comes from there."""
    if not era.lane:
        return era
    return [each for each in product[: product.index(era)] if not each.lane][-1]


def held(lane: Series, era: Era) -> Series:
    """A lane's totes, those of the baseline among them, watched from when it holds.

    Totes filled after a baseline was chosen are not of it, so that they never move a limit.
    """
    first, last = np.datetime64(era.first), np.datetime64(era.last)
    within = (lane.day >= first) & (lane.day <= last)
    within &= ~np.isin(lane.tote, list(era.set_aside))
    if era.begins is None:
        start = np.searchsorted(lane.day, np.datetime64(era.last + timedelta(days=1)))
    else:
        within &= lane.filled_at < era.begins
        start = np.searchsorted(lane.filled_at, era.begins)
    return replace(lane, baseline=within, watched=int(start))


def _chosen(known: Known, programme: Programme) -> Iterator[Era]:
    if known.baselines is None:
        newest = {each.product: each for each in programme.baselines}
        for product, each in newest.items():
            yield Era(product, "", each.first_day, each.last_day, True, None, {}, "", "")
        return
    kept = known.baselines.sort_values("at", na_position="first", kind="stable")
    rows: list[dict[Any, Any]] = kept.to_dict("records")
    for row in rows:
        by_person = bool(row["key"])
        yield Era(
            product=row["product"],
            lane=row["lane"],
            first=row["first_day"].date(),
            last=row["last_day"].date(),
            chosen=True,
            begins=None if pd.isna(row["at"]) else naive(row["at"]),
            set_aside=row["set_aside"],
            by=row["by"] if by_person else "",
            reason=row["reason"] if by_person else "",
        )


def _of_product(chosen: list[Era], product: str, lanes: list[Series]) -> list[Era]:
    if chosen and chosen[0].begins is None:
        return chosen
    days = np.unique(np.concatenate([each.day for each in lanes if each.product == product]))
    first, *_, last = (
        pd.Timestamp(day).date() for day in days[[0, min(FIRST_DAYS, days.size) - 1]]
    )
    return [Era(product, "", first, last, False, None, {}, "", ""), *chosen]
