"""What a lane's charts are held against: its series of totes, a baseline's totes and the limits.

Only routine audits speak; audits of one tote are one point. Levels are the lane's own, how much
totes differ is taken from all lanes and categories but those that stand out, and the floor's
budget of false alarms is shared evenly over all charts, so that each chart's run length follows
from its own rate of audits.
The budget is kept as people count it, over half a year (`guarded_limit`), and limits lie higher
where the baselines' totes go further than their law says (`qa.charts.leaning`).
All of it rests on the baselines of one product at a time: later audits never move a limit, and a
lane that changes over brings in the other product's baseline and leaves the other lanes as they
are.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize

from qa.charts import CusumLimit, Lean, guarded_limit, lean, outlying, scored
from qa.programme import Programme
from qa.tally import checked, routine

Whole = NDArray[np.int64]

EVER, NEVER = np.datetime64("0001-01-01", "us"), np.datetime64("9999-12-31", "us")
FEW_TOTES = 20  # a lane with fewer in the baseline is held against all lanes together
RISE = 2.0
KEPT_OVER = 26.0  # weeks in which the floor's false alarms are counted against its budget
MOST_CORRELATION = 0.5
_TARONE_LEVEL = 1.645  # one-sided 5 %


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """The totes of one lane and product in order of filling: arrays of one length.

    Attributes
    ----------
    tote, day : labels, production days
    filled_at : when filling began, else when pieces were pulled; UTC
    first_pulled, last_pulled : when the first and the last pieces of each tote were pulled; UTC
    inspected, counts : pieces looked at, and those of each category
    recorded, settled : when what is known of each tote came on record, the first and the last
        of it; UTC
    turned : positions before which the lane ran another product
    """

    lane: str
    product: str
    tote: NDArray[np.str_]
    day: NDArray[np.datetime64]
    filled_at: NDArray[np.datetime64]
    first_pulled: NDArray[np.datetime64]
    last_pulled: NDArray[np.datetime64]
    inspected: Whole
    counts: Mapping[str, Whole]
    recorded: NDArray[np.datetime64]
    settled: NDArray[np.datetime64]
    turned: tuple[int, ...]

    @property
    def last_audit(self) -> np.datetime64:
        """When the last pieces of all were pulled; UTC."""
        last: np.datetime64 = self.last_pulled.max()
        return last


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """The totes of one lane that a baseline counts, in order of filling."""

    day: NDArray[np.datetime64]
    tote: NDArray[np.str_]
    inspected: Whole
    counts: Mapping[str, Whole]


@dataclass(frozen=True, slots=True)
class Correlation:
    """Intra-tote correlation of a chart, and where it comes from; see `Spread`."""

    value: float
    source: str


@dataclass(frozen=True, slots=True)
class Spread:
    """How much totes differ: intra-tote correlation alike at every level, and growing with it.

    At a level p it is alike + growing p (1 - p). Totes that differ by clumps of pieces have the
    first part; where some totes are so many times as bad as others, whatever the category, the
    second makes a high level differ more than a low one.

    `source` is "measured", "none" (totes do not differ, and the baseline could have shown it) or
    "assumed" (the baseline is too small to tell; the programme's own). `apart` has that of the
    charts whose baselines are left out of this one.
    """

    alike: float
    growing: float
    source: str
    lean: Lean = field(default_factory=Lean)
    apart: "Mapping[tuple[Held, str], Spread]" = field(default_factory=dict, hash=False)

    def of(self, lane: "Held | None", category: str) -> "Spread":
        """That of one chart: where its baseline stands out, it alone is held against that too."""
        return self if lane is None else self.apart.get((lane, category), self)

    def at(self, level: float) -> Correlation:
        """The correlation at a level."""
        value = self.alike + self.growing * level * (1 - level)
        return Correlation(min(value, MOST_CORRELATION), self.source)


@dataclass(frozen=True, slots=True, eq=False)
class Watch:
    """One chart: what it is held against and when it signals.

    Attributes
    ----------
    count, inspected : the baseline's totes
    own : whether they are the lane's own
    level : the baseline's fraction
    correlation : float
    limit : CusumLimit, guarded against the baseline's being an estimate
    lean : how many times as high its limit lies as the law says
    apart : whether the baseline stands out from the other lanes'
    """

    count: Whole
    inspected: Whole
    own: bool
    level: float
    correlation: float
    limit: CusumLimit
    lean: Lean = field(default_factory=Lean)
    apart: bool = False


def series(tallies: pd.DataFrame, programme: Programme) -> dict[tuple[str, str], Series]:
    """The totes of each lane and product.

    A tote is told by its code on its lane on its production day, for plants use codes again.
    """
    codes = programme.category_codes
    rows = routine(checked(tallies, codes))
    return of_routine(rows.assign(at=rows["fill_start"].fillna(rows["pulled_at"])), codes)


def of_routine(rows: pd.DataFrame, codes: Sequence[str]) -> dict[tuple[str, str], Series]:
    """The same of routine audits with ``at``, when filling began or else pieces were pulled."""
    codes = list(codes)
    rows = rows.assign(settled=rows["recorded_at"], first=rows["pulled_at"])
    totes = rows.groupby(["lane", "product", "day", "tote"], sort=False)
    times = {"at": "min", "recorded_at": "min", "settled": "max"}
    times |= {"first": "min", "pulled_at": "max"}
    points = totes[["inspected", *codes]].sum().join(totes[[*times]].agg(times))
    points = points.reset_index().sort_values("at", kind="stable")
    before = points.groupby("lane", sort=False)["product"].shift()
    points["turned"] = before.notna() & (before != points["product"])
    return {
        (str(lane), str(product)): _series(group, codes)
        for (lane, product), group in points.groupby(["lane", "product"])
    }


def running(tallies: pd.DataFrame) -> dict[str, str]:
    """The product that each lane ran last."""
    last = routine(tallies).sort_values("pulled_at").drop_duplicates("lane", keep="last")
    return dict(zip(last["lane"].astype(str), last["product"].astype(str), strict=True))


def spread(lanes: Sequence[Held], programme: Programme) -> Spread:
    """How much totes differ, and how far their sums lean, from the baselines of all lanes.

    A lane with some days of trouble in its baseline would lift the limits of all. So a category
    of a lane whose days stand out from the other lanes' (`outlying`) is left out, but for its own
    chart: what else it says may be the nature of that lane.
    """
    every, out = _together(lanes, programme)
    if not out:
        return every
    kept = [
        replace(lane, counts={c: x for c, x in lane.counts.items() if (lane, c) not in out})
        for lane in lanes
    ]
    return replace(_together(kept, programme)[0], apart=dict.fromkeys(out, every))


def _together(
    lanes: Sequence[Held], programme: Programme
) -> tuple[Spread, tuple[tuple[Held, str], ...]]:
    """The spread of all these, and which categories of lanes stand out."""
    found = _spread(lanes, programme)
    if sum(lane.inspected.size for lane in lanes) < FEW_TOTES:
        return found, ()
    charts = [(lane, c) for lane in lanes if lane.inspected.size for c in lane.counts]
    every = tuple(
        _Counted(c, *(e.astype(np.int64).tobytes() for e in (lane.inspected, lane.day, x)))
        for lane, c in charts
        for x in [lane.counts[c]]
    )
    leaning, out = _lean(every, found)
    return replace(found, lean=leaning), tuple(charts[at] for at in out)


class _Counted(NamedTuple):
    """The totes of one lane and category in a baseline: whole numbers as bytes, to be kept by."""

    category: str
    inspected: bytes
    day: bytes
    found: bytes


@lru_cache(maxsize=16)
def _lean(every: tuple[_Counted, ...], differ: Spread) -> tuple[Lean, tuple[int, ...]]:
    """How far sums lean, and which charts stand out; kept as limits are."""
    charts = []
    for category, *numbers in every:
        n, day, x = (np.frombuffer(one, dtype=np.int64) for one in numbers)
        level = _level_of(int(x.sum()), int(n.sum()))
        asked = _asked(n, level, differ.at(level).value)
        charts.append(scored(x, n, day, **asked, category=category))
    return lean(charts), outlying(charts)


def _spread(lanes: Sequence[Held], programme: Programme) -> Spread:
    """How much totes differ, from the baselines of all lanes and categories.

    Each lane and category gives a moment estimate of its intra-tote correlation at its own level;
    the two parts are fitted to all of them, each weighted by its pairs of pieces. Used when
    Tarone's test, its statistics added up over lanes and categories, says that totes differ. When
    it does not, 0 if the baseline would have shown half of the programme's correlation, else the
    programme's, as with fewer than `FEW_TOTES` totes.

    References
    ----------
    Tarone (1979), Biometrika 66, 585-590. Ridout, Demetrio & Firth (1999), Biometrics 55, 137-148.
    Williams (1982), Applied Statistics 31, 144-148, models II and III (from memory).
    """
    found = np.array([row for lane in lanes for row in _moments(lane)]).reshape(-1, 4)
    excess, unbiased, pairs, level = found.T
    if sum(lane.inspected.size for lane in lanes) < FEW_TOTES:
        return Spread(programme.correlation, 0.0, "assumed")
    every = pairs.sum()
    if every and excess.sum() / np.sqrt(2 * every) > _TARONE_LEVEL:
        weight = np.sqrt(pairs)
        parts = np.column_stack([weight, weight * level * (1 - level)])
        alike, growing = optimize.nnls(parts, unbiased / weight)[0]
        return Spread(float(alike), float(growing), "measured")
    if every and _TARONE_LEVEL * np.sqrt(2 / every) < programme.correlation / 2:
        return Spread(0.0, 0.0, "none")
    return Spread(programme.correlation, 0.0, "assumed")


def _moments(lane: Held) -> Iterator[tuple[float, float, float, float]]:
    """Of each category: excess of squares as Tarone has it, and unbiased, pairs, level."""
    n = lane.inspected.astype(np.float64)
    for x in lane.counts.values():
        p = x.sum() / max(n.sum(), 1)
        if n.size < 2 or not 0 < p < 1:
            continue
        squares = ((x - n * p) ** 2).sum() / (p * (1 - p))
        unbiased = squares * n.size / (n.size - 1) - n.sum()
        yield squares - n.sum(), unbiased, (n * (n - 1)).sum(), p


def watch(
    lane: Held | None, category: str, together: Sequence[Held], differ: Spread, run: "Budget"
) -> Watch | None:
    """The chart of a lane and category; None while no lane has a baseline."""
    own = lane is not None and lane.inspected.size >= FEW_TOTES
    held = [lane] if lane is not None and own else together
    if not held:
        return None
    x = np.concatenate([each.counts[category] for each in held])
    n = np.concatenate([each.inspected for each in held])
    level = _level_of(int(x.sum()), int(n.sum()))
    mine = differ.of(lane if own else None, category)
    rho = mine.at(level).value
    shared = run.totes(n.size / len(held)), run.charts, run.alarms
    limit = _limit(n.tobytes(), int(x.sum()), rho, mine.lean, shared)
    return Watch(x, n, own, level, rho, limit, mine.lean, mine is not differ)


@lru_cache(maxsize=4096)
def _limit(
    inspected: bytes, count: int, rho: float, leaning: Lean, shared: tuple[float, int, float]
) -> CusumLimit:
    """The guarded limit; kept, since a baseline stands for months and a wall asks each minute."""
    n = np.frombuffer(inspected, dtype=np.int64)
    level = _level_of(count, int(n.sum()))
    arl, charts, alarms = shared
    asked = _asked(n, level, rho)
    asked["effective_n"] /= leaning.lasting
    found = guarded_limit(n, arl=arl, charts=charts, alarms=alarms, **asked)
    return replace(found, limit=found.limit * leaning.limit)


def _asked(n: Whole, level: float, rho: float) -> dict[str, float]:
    """What a chart is told of its baseline."""
    return {
        "center": level,
        "effective_n": float(n.sum() / design_effect(n, rho)),
        "correlation": rho,
        "ratio": highest_rise(level, RISE),
    }


def _level_of(count: int, inspected: int) -> float:
    """The baseline's fraction (Jeffreys): never 0, from which nothing could rise."""
    return float((count + 0.5) / (inspected + 1))


def highest_rise(level: float, rise: float) -> float:
    """The rise, as a factor, or what is left of it where the level is high."""
    return min(rise, (1 + 1 / level) / 2)


def design_effect(inspected: Whole, correlation: float) -> float:
    """How many times more pieces totes take than a simple random sample would (Kish 1965)."""
    n = inspected.astype(np.float64)
    return float(1 + ((n * n).sum() / n.sum() - 1) * correlation)


@dataclass(frozen=True, slots=True)
class Budget:
    """The floor's budget of false alarms, shared evenly over its charts."""

    a_week: float
    charts: int
    weeks: float

    @property
    def alarms(self) -> float:
        """False alarms that the time allows over which the budget is to be kept."""
        return self.a_week * KEPT_OVER

    def totes(self, audited: float) -> float:
        """Totes between false alarms of a chart that audited so many in the baseline."""
        return max(audited / self.weeks * self.charts / self.a_week, 10.0)


def _series(points: pd.DataFrame, codes: Sequence[str]) -> Series:
    turned = np.flatnonzero(points["turned"].to_numpy())
    return Series(
        lane=str(points["lane"].iloc[0]),
        product=str(points["product"].iloc[0]),
        tote=points["tote"].to_numpy(dtype=np.str_),
        day=points["day"].to_numpy(),
        filled_at=points["at"].dt.tz_localize(None).to_numpy(),
        first_pulled=points["first"].dt.tz_localize(None).to_numpy(),
        last_pulled=points["pulled_at"].dt.tz_localize(None).to_numpy(),
        inspected=points["inspected"].to_numpy(),
        counts={code: points[code].to_numpy() for code in codes},
        recorded=moments_of(points["recorded_at"], EVER),
        settled=moments_of(points["settled"], EVER),
        turned=tuple(int(each) for each in turned if each),
    )


def moments_of(times: pd.Series, missing: np.datetime64) -> NDArray[np.datetime64]:
    """Times as the series hold them: UTC, without a zone; another where there is none."""
    plain = times.dt.tz_localize(None).astype("datetime64[us]")
    filled: NDArray[np.datetime64] = plain.fillna(pd.Timestamp(missing)).to_numpy()
    return filled
