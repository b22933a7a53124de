"""What drift answers with: a rise, a finding, a chart; and the words for a status."""

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from qa.charts import ControlChart, Cusum
from qa.intervals import Interval

STATUSES = ("drifting", "watch", "no audits", "steady")  # the neediest first
SILENCE = timedelta(hours=24)  # without a routine audit a lane has no status of its own
AFTER_RETURN = timedelta(hours=72)  # a lane is watched after its level came back
NEAR = 0.75  # share of the limit from which the sum is watched


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """What a person said of a signal: what caused it, what was done, who said so and when (UTC)."""

    key: str
    cause: str
    done: str
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Break:
    """Where a lane's charts are broken: the first tote after it, when (UTC), and why.

    `kind` is "sanitation" (the sum goes on over it), "changeover" or "baseline" (another one
    begins to hold; at both it starts afresh).
    """

    position: int
    at: datetime
    kind: str


@dataclass(frozen=True, slots=True, eq=False)
class Excursion:
    """A rise that signalled: when it began and ended, from what to what.

    Times are UTC: `since` when the first tote of the new level was filled (else pulled), no
    sooner than `since_low` and no later than `since_high` at 90 % confidence. `position`,
    `signal` and `end` are places in the lane's series. `until` is None while the level is up.
    `state` is "open", "acknowledged" or "closed"; `closed_by` says how it ended: "level"
    (shown to be back), "baseline" (another one began to hold), or "" while it goes on.
    """

    since: datetime
    since_low: datetime
    since_high: datetime
    until: datetime | None
    signalled_at: datetime
    tote: str
    before: Interval
    after: Interval
    totes_in_set: int
    totes_between: int | None
    position: int
    signal: int
    end: int
    state: str
    closed_by: str
    acknowledged: Acknowledged | None


@dataclass(frozen=True, slots=True, eq=False)
class DriftFinding:
    """What is known of one lane and category now.

    Attributes
    ----------
    status : str
        One of `STATUSES`.
    since, since_low, since_high, tote, before, after, totes_between
        Of the rise that goes on, None (or "") when there is none; see `Excursion`.
    head : str or None
        The head that carries it, where head checks show it.
    sentence : str
        All of it in words.
    notes : tuple of str
        What the reader may want to know besides: how it is dated, what the baseline is.
    past : tuple of Excursion
        Rises that are over.
    last_audit : datetime or None
    acknowledged : Acknowledged or None
        What was said of the signal that goes on; None while it is open, or there is none.
    down_since : datetime or None
        Since when the lane does not run.
    """

    lane: str
    category: str
    product: str
    status: str
    since: datetime | None
    since_low: datetime | None
    since_high: datetime | None
    tote: str
    before: Interval | None
    after: Interval | None
    head: str | None
    totes_between: int | None
    sentence: str
    notes: tuple[str, ...]
    past: tuple[Excursion, ...]
    last_audit: datetime | None
    acknowledged: Acknowledged | None
    down_since: datetime | None


@dataclass(frozen=True, slots=True, eq=False)
class LaneChart:
    """What a lane's page draws of one category: arrays of one length, a value a tote.

    Attributes
    ----------
    at, tote, count, inspected : the series, in order of filling; times UTC
    chart : ControlChart of the kind asked for, limits at each tote's own size
    cusum : Cusum, its sum 0 before the baseline ends and afresh once a level is back
    sum_limit : the sum's limit at each tote, that of the baseline then in force
    breaks : where the charts are broken
    baseline : Interval of the level of the baseline in force now; `baseline_totes` says which
        totes of this lane are in it, `watched` is the position from which the sum runs
    excursions : every rise, the one that goes on among them
    correlation : used by the limits, now
    limit, arl : of the sum now, and the totes between false alarms that it attains
    notes : tuple of str
    """

    lane: str
    category: str
    product: str
    at: NDArray[np.datetime64]
    tote: NDArray[np.str_]
    count: NDArray[np.int64]
    inspected: NDArray[np.int64]
    chart: ControlChart
    cusum: Cusum
    sum_limit: NDArray[np.float64]
    breaks: tuple[Break, ...]
    baseline: Interval
    baseline_totes: NDArray[np.bool_]
    watched: int
    excursions: tuple[Excursion, ...]
    correlation: float
    limit: float
    arl: float
    notes: tuple[str, ...]
