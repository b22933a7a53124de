"""What a baseline counts: the audits of its days as they stood when it was fixed.

A baseline that a person or a later version of the programme brings is fixed when it begins to
hold. One that holds from the beginning is fixed for a lane when the record first has an audit of
that lane from after its days: until then nothing was held against it. Where nothing of its days
was on record by then, as when old audits are imported later, it is fixed as soon as there is. What
is entered, corrected or voided after that counts from the next baseline on.
"""

from collections.abc import Iterator, Mapping
from datetime import datetime
from functools import cache
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa.drift.baseline import EVER, NEVER, Held, Series, moments_of
from qa.drift.eras import Era
from qa.drift.totes import Totes
from qa.tally import routine

Moments = NDArray[np.datetime64]


class _Seen(NamedTuple):
    """When audits of a lane and product came on record, and their production days."""

    lane: str
    product: str
    day: Moments
    recorded: Moments


class _Rows(NamedTuple):
    """Every version of what a baseline may count, and the moments that change it.

    A row is a tote whose audits came on record together, or else an audit; it stood from
    ``since`` until ``until``.
    """

    versions: pd.DataFrame
    moments: Moments


class Standing:
    """Every version of the routine audits, and what stood of them at a moment.

    Parameters
    ----------
    found : Totes
        What stands now.
    replaced : tally or None
        What stood before, with ``replaced_at``; as `qa.store.changes.replaced` gives it.
    now : datetime or None
        Audits pulled later are left out.
    """

    def __init__(
        self, found: Totes, replaced: pd.DataFrame | None, now: datetime | None = None
    ) -> None:
        self._found = found
        self._series = found.series
        self._seen = [_Seen(e.lane, e.product, e.day, e.recorded) for e in self._series.values()]
        self._stood = None
        if replaced is not None and len(replaced):
            self._stood = _known(routine(replaced), now)
            self._seen += _seen(self._stood)
        self._rows = cache(self._rows_of)
        self._held = cache(self._held_at)

    def days(self, product: str) -> tuple[Moments, Moments]:
        """The production days of a product in order, and when each came on record."""
        seen = [each for each in self._seen if each.product == product]
        day, which = np.unique(np.concatenate([e.day for e in seen]), return_inverse=True)
        first = np.full(day.size, NEVER)
        np.minimum.at(first, which, np.concatenate([each.recorded for each in seen]))
        return day, first

    def fixed(self, era: Era, lane: str) -> np.datetime64:
        """When a baseline was fixed for a lane; `NEVER` while that lies ahead."""
        first = self._rows(era).versions["since"].min()
        return NEVER if pd.isna(first) else max(self._used(era, lane), first.to_datetime64())

    def held(self, era: Era, state: int) -> Mapping[str, Held]:
        """Each lane's totes that a baseline counts in a state of the record."""
        return self._held(era, state)

    def state(self, era: Era, moment: np.datetime64) -> int:
        """The state of a baseline's audits: the same at moments between which nothing came."""
        return int(np.searchsorted(self._rows(era).moments, moment, side="right"))

    def late(self, era: Era, moment: np.datetime64, lane: str = "") -> int:
        """Totes of its days of which something came too late to count, on a lane or on all."""
        rows = self._rows(era).versions
        after = (rows["since"] > moment) | rows["until"].between(moment, NEVER, inclusive="neither")
        if lane:
            after &= rows["lane"] == lane
        return len(rows.loc[after, ["lane", "day", "tote"]].drop_duplicates())

    def _used(self, era: Era, lane: str) -> np.datetime64:
        """When a lane was first held against a baseline."""
        if era.begins is not None:
            return era.begins
        last = np.datetime64(era.last)
        after = [
            each.recorded[each.day > last]
            for each in self._seen
            if (each.lane, each.product) == (lane, era.product)
        ]
        first: np.datetime64 = np.concatenate([*after, [NEVER]]).min()
        return max(era.complete, first)

    def _rows_of(self, era: Era) -> _Rows:
        stood = None if self._stood is None else _of_days(self._stood, era)
        parts = [] if stood is None else [stood]
        for (lane, product), of in self._series.items():
            if product == era.product:
                anew = stood is not None and lane in set(stood["lane"])
                parts.append(self._of_lane(of, era, by_audit=anew))
        rows = pd.concat(parts)[[*_VERSION, *self._found.codes]]
        moments = np.unique(rows[["since", "until"]].to_numpy())
        return _Rows(rows, moments[moments < NEVER])

    def _of_lane(self, lane: Series, era: Era, *, by_audit: bool) -> pd.DataFrame:
        """What stands now of a baseline's days on a lane."""
        within = (lane.day >= np.datetime64(era.first)) & (lane.day <= np.datetime64(era.last))
        if by_audit or (lane.recorded[within] != lane.settled[within]).any():
            audits = self._found.routine(lane.lane)
            return _of_days(audits.assign(**_stood(audits)), era)
        within &= ~np.isin(lane.tote, list(era.set_aside))
        names = {"day": "day", "tote": "tote", "at": "filled_at", "since": "recorded"}
        totes = {name: getattr(lane, of)[within] for name, of in names.items()}
        counts = {code: lane.counts[code][within] for code in self._found.codes}
        return pd.DataFrame({**totes, "inspected": lane.inspected[within], **counts}).assign(
            lane=lane.lane, until=NEVER
        )

    def _held_at(self, era: Era, state: int) -> dict[str, Held]:
        rows, moments = self._rows(era)
        at = moments[state - 1] if state else EVER
        rows = rows[(rows["since"] <= at) & (rows["until"] > at)]
        totes, codes = rows.groupby(["lane", "day", "tote"], sort=False), self._found.codes
        found = totes[["inspected", *codes]].sum().join(totes["at"].min())
        if era.begins is not None:
            found = found[found["at"] < era.begins]
        found = found.sort_values("at", kind="stable").reset_index()
        return {
            str(lane): Held(
                group["day"].to_numpy(),
                group["tote"].to_numpy(dtype=np.str_),
                group["inspected"].to_numpy(),
                {code: group[code].to_numpy() for code in codes},
            )
            for lane, group in found.groupby("lane")
        }


_VERSION = ("lane", "day", "tote", "at", "since", "until", "inspected")


def _known(replaced: pd.DataFrame, now: datetime | None) -> pd.DataFrame:
    """Versions that no longer stand, of audits pulled up to a moment."""
    if now is not None:
        replaced = replaced[replaced["pulled_at"] <= now]
    at = replaced["fill_start"].fillna(replaced["pulled_at"])
    return replaced.assign(at=at).assign(**_stood(replaced.assign(at=at)))


def _stood(rows: pd.DataFrame) -> dict[str, Moments]:
    """When tote or audit was filled, and from when until when the row stood."""
    none = np.full(len(rows), NEVER)
    until = moments_of(rows["replaced_at"], NEVER) if "replaced_at" in rows else none
    since = moments_of(rows["recorded_at"], EVER)
    return {"at": moments_of(rows["at"], EVER), "since": since, "until": until}


def _seen(stood: pd.DataFrame) -> Iterator[_Seen]:
    for (lane, product), rows in stood.groupby(["lane", "product"]):
        yield _Seen(str(lane), str(product), rows["day"].to_numpy(), rows["since"].to_numpy())


def _of_days(rows: pd.DataFrame, era: Era) -> pd.DataFrame:
    """Audits of a baseline's product and days, but for totes set aside."""
    day = rows["day"]
    within = (day >= pd.Timestamp(era.first)) & (day <= pd.Timestamp(era.last))
    within &= (rows["product"] == era.product) & ~rows["tote"].isin(era.set_aside)
    return rows[within]
