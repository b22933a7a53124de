"""Baselines in time: each holds from its moment on, and never speaks of what was before.

Without a baseline that a person chose, the first days of production stand for one.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa.drift.baseline import EVER, NEVER, Series
from qa.drift.known import Known, naive
from qa.programme import Programme, shift_times

Moments = NDArray[np.datetime64]

FIRST_DAYS = 10  # of production, where nobody chose a baseline


@dataclass(frozen=True, slots=True, eq=False)
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
    complete : datetime64
        UTC; when days that nobody chose were on record, and one more: `NEVER` while they are not.
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
    complete: np.datetime64 = EVER

    @property
    def weeks(self) -> float:
        """Length in weeks."""
        return ((self.last - self.first).days + 1) / 7


def eras(
    known: Known,
    programme: Programme,
    days: Mapping[str, tuple[Moments, Moments]],
    until: np.datetime64 = NEVER,
) -> dict[str, list[Era]]:
    """Each product's baselines that held by a moment, in the order in which they come to hold.

    `days` are each product's production days in order, and when each came on record.
    """
    made = [each for each in _chosen(known, programme) if (each.begins or EVER) <= until]
    chosen = sorted(made, key=lambda each: each.begins or EVER)
    return {
        product: _of_product([each for each in chosen if each.product == product], product, *of_it)
        for product, of_it in days.items()
    }


def of_lane(product: list[Era], lane: str) -> list[Era]:
    """A lane's own and its product's, in the order in which they come to hold."""
    return [each for each in product if each.lane in ("", lane)]


def pooled(product: list[Era], era: Era) -> Era:
    """The baseline of all lanes beside one of a lane: what it shares with them comes from there."""
    if not era.lane:
        return era
    return [each for each in product[: product.index(era)] if not each.lane][-1]


def watched_from(lane: Series, era: Era) -> int:
    """Position of the first tote that is held against a baseline."""
    if era.begins is None:
        return int(np.searchsorted(lane.day, np.datetime64(era.last + timedelta(days=1))))
    return int(np.searchsorted(lane.filled_at, era.begins))


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
            begins=_begins(row, programme),
            set_aside=row["set_aside"],
            by=row["by"] if by_person else "",
            reason=row["reason"] if by_person else "",
        )


def _begins(row: dict[Any, Any], programme: Programme) -> np.datetime64 | None:
    """When a baseline begins to hold: once it was chosen, and its last production day is over.

    A person chooses days gone by, and today up to that moment; a programme may name days to come.
    """
    if pd.isna(row["at"]):
        return None
    if row["key"]:
        return naive(row["at"])
    last = row["last_day"].date()
    over = max(shift_times(programme, last, each.code)[1] for each in programme.shifts)
    return naive(max(row["at"], pd.Timestamp(over)))


def _of_product(chosen: list[Era], product: str, days: Moments, recorded: Moments) -> list[Era]:
    """Those chosen; before them, where none holds from the beginning, the first days on record.

    They are the first of the days known when one more was: a day that comes on record later, as
    when old audits are imported, is none of them.
    """
    if chosen and chosen[0].begins is None:
        return chosen
    complete = NEVER if days.size <= FIRST_DAYS else np.sort(recorded)[FIRST_DAYS]
    known = days[recorded <= complete][:FIRST_DAYS]
    first, last = (pd.Timestamp(day).date() for day in known[[0, -1]])
    return [Era(product, "", first, last, False, None, {}, "", "", complete), *chosen]
