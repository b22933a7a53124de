"""What people recorded that the charts must know: events, baselines, acknowledged signals."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from qa.drift.baseline import Series
from qa.drift.result import Acknowledged, Break
from qa.events import BREAKS, CHANGEOVER, DOWN, UP
from qa.wording import utc


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What people recorded, as tables of the store; None where nothing was.

    Of events and acknowledgements those withdrawn may be there too, with ``withdrawn_at``: they
    stood until then.

    Attributes
    ----------
    events : DataFrame, columns lane, happened_at, kind, what
    baselines : DataFrame, columns product, lane ("" for all), first_day, last_day, set_aside,
        by, at (NaT where it holds from the beginning), reason
        None takes those of the programme, from the beginning.
    acknowledgements : DataFrame, columns key, lane, product, category, signalled_at, cause, done,
        by, at
    replaced : tally, with column replaced_at
        What audits said before they were corrected or voided, and until when.
    """

    events: pd.DataFrame | None = None
    baselines: pd.DataFrame | None = None
    acknowledgements: pd.DataFrame | None = None
    replaced: pd.DataFrame | None = None

    def until(self, now: datetime | None) -> "Known":
        """What was so at a moment; all that stands when none is given."""
        return Known(
            _until(self.events, "happened_at", now),
            _until(self.baselines, "at", now),
            _until(self.acknowledgements, "at", now),
            self.replaced,
        )

    def breaks(self, lane: Series) -> tuple[Break, ...]:
        """Where a lane's charts are broken: sanitation, changeover, another product between."""
        found = {each: (lane.filled_at[each], CHANGEOVER) for each in lane.turned}
        for row in self._of_lane(lane.lane):
            if row["kind"] in BREAKS:
                at = naive(row["happened_at"])
                position = int(np.searchsorted(lane.filled_at, at))
                if position:
                    found[position] = (at, row["kind"])
        return tuple(
            Break(position, utc(pd.Timestamp(at)), kind)
            for position, (at, kind) in sorted(found.items())
        )

    def down(self, lane: str, last_filled: np.datetime64 | None) -> tuple[datetime, str] | None:
        """Since when a lane does not run, and why; a tote filled later shows that it does."""
        rows = [each for each in self._of_lane(lane) if each["kind"] in (DOWN, UP)]
        if not rows or rows[-1]["kind"] == UP:
            return None
        since = rows[-1]["happened_at"]
        if last_filled is not None and last_filled > naive(since):
            return None
        return utc(since), rows[-1]["what"]

    def answer(
        self, lane: Series, category: str, first: np.datetime64, last: np.datetime64
    ) -> Acknowledged | None:
        """The newest acknowledgement of the signal that went on from a first to a last tote."""
        kept = self.acknowledgements
        if kept is None or kept.empty:
            return None
        of_chart = (kept["lane"] == lane.lane) & (kept["product"] == lane.product)
        at = kept["signalled_at"].dt.tz_localize(None)
        rows = kept[of_chart & (kept["category"] == category) & (at >= first) & (at <= last)]
        if rows.empty:
            return None
        row = rows.sort_values("at", kind="stable").iloc[-1]
        return Acknowledged(row["key"], row["cause"], row["done"], row["by"], utc(row["at"]))

    def _of_lane(self, lane: str) -> list[dict[Any, Any]]:
        """The lane's events in order of happening."""
        if self.events is None:
            return []
        rows = self.events[self.events["lane"] == lane]
        return rows.sort_values("happened_at", kind="stable").to_dict("records")


def _until(rows: pd.DataFrame | None, column: str, now: datetime | None) -> pd.DataFrame | None:
    if rows is None:
        return None
    stood = np.ones(len(rows), dtype=np.bool_)
    if now is not None:
        stood = (rows[column].isna() | (rows[column] <= pd.Timestamp(now))).to_numpy(dtype=np.bool_)
    if "withdrawn_at" in rows:
        ended = rows["withdrawn_at"]
        stands = ended.isna() if now is None else ended.isna() | (ended > pd.Timestamp(now))
        stood = stood & stands.to_numpy(dtype=np.bool_)
    return rows[stood]


def naive(moment: pd.Timestamp) -> np.datetime64:
    """A moment as the series hold them: UTC, without its zone."""
    return moment.tz_convert("UTC").tz_localize(None).to_datetime64()
