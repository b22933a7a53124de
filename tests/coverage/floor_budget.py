"""Does the watch keep the floor's budget of false alarms, and how soon does it find a doubling?

Healthy plants are simulated for half a year each, totes clustered, samples of many sizes, shifts
missing, lanes cleaned or changed over, and asked through `qa.drift` as a dashboard asks; levels and
how much totes differ are estimated from each plant's own baseline. The first lane's first category
is at 1 %, and its chart is then run over totes of 200 pieces that double.
"""

import csv
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa import drift, tally
from qa.charts import cusum_limit, cusum_run_length
from qa.charts.law import chances, checked_law
from qa.charts.run_length.cusum import cusum_arl
from qa.drift.baseline import EVER, Budget, Watch, spread, watch
from qa.drift.eras import eras
from qa.drift.known import Known
from qa.drift.standing import Standing
from qa.drift.watching import path_of
from qa.events import CHANGEOVER, SANITATION
from qa.programme import Baseline, Programme, parse

PROGRAMME = Path(__file__).resolve().parents[2] / "data_demo" / "programme.toml"
FIRST = date(2026, 1, 5)  # a Monday
SHIFTS, WORKED = 3, 5  # a day, days a week
MISSING = 0.15  # of a lane's shifts have no audit
LANES_DIFFER = 0.5  # standard deviation of the logarithm of lanes' levels
SIZES = tuple(range(100, 301, 10))  # pieces pulled from a tote
LEVELS = (0.01, 0.005, 0.002)  # of the categories, on average over lanes
PULLED, LEVEL, RISE = 200, 0.01, 2.0  # where a doubling is looked for
BEFORE, AFTER = 60, 400  # totes before the doubling, and those in which it may be found
DOUBLINGS = 25  # a plant
SOON, OFTEN = 15.0, 0.9  # goals: totes to find a doubling, plants within the budget
SEED = 20261125

Whole = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Kind:
    """What a plant is like: its lanes, totes audited a lane and shift, weeks of baseline, totes.

    `shape` is "beta", "mixture" (a share of the totes has so many `times` its share of pieces) or
    "lognormal" (logarithms with a standard deviation); these two leave the correlation unused.
    `shifts_differ` is the standard deviation of the logarithm of each shift's level on a lane, all
    its totes together. `cleaned` and `changed` are audited totes between sanitations and
    changeovers, 0 for none.
    """

    name: str
    lanes: int = 6
    totes: int = 4
    baseline_weeks: int = 2
    correlation: float = 0.01
    shape: str = "beta"
    share: float = 0.1
    times: float = 3.0
    deviation: float = 1.0
    shifts_differ: float = 0.0
    sizes: tuple[int, ...] = SIZES
    missing: float = MISSING
    cleaned: int = 0
    changed: int = 0

    def programme(self) -> Programme:
        """The demo's programme with so many lanes and that baseline."""
        known = parse(PROGRAMME.read_text(encoding="utf-8"))
        lanes = tuple(replace(known.lanes[0], code=str(at + 1)) for at in range(self.lanes))
        last = FIRST + timedelta(weeks=self.baseline_weeks) - timedelta(days=1)
        held = Baseline(known.products[0].code, FIRST, last)
        return replace(known, lanes=lanes, baselines=(held,))

    def found(self, inspected: Whole, level: float, rng: np.random.Generator) -> Whole:
        """Pieces found in samples from totes that differ, in order along the last axis."""
        of_shift = level * self._shifts(inspected.shape, rng)
        if self.shape == "mixture":
            others = (1 - self.share * self.times) / (1 - self.share)
            bad = rng.random(inspected.shape) < self.share
            of_tote: Any = np.where(bad, self.times, others) * of_shift
        elif self.shape == "lognormal":
            mean = -(self.deviation**2) / 2
            of_tote = np.exp(rng.normal(mean, self.deviation, inspected.shape)) * of_shift
        elif self.correlation == 0:
            of_tote = of_shift
        else:
            both = 1 / self.correlation - 1
            of_tote = rng.beta(of_shift * both, (1 - of_shift) * both, inspected.shape)
        return rng.binomial(inspected, np.minimum(of_tote, 1.0))

    def _shifts(self, shape: tuple[int, ...], rng: np.random.Generator) -> Any:
        """How many times its level each tote's shift has; totes of a shift stand together."""
        if self.shifts_differ == 0:
            return 1.0
        *series, totes = shape
        mean, shifts = -(self.shifts_differ**2) / 2, -(-totes // self.totes)
        off = np.exp(rng.normal(mean, self.shifts_differ, (*series, shifts)))
        return np.repeat(off, self.totes, axis=-1)[..., :totes]

    @property
    def by_law(self) -> bool:
        """Whether the law that limits come from is that of the totes."""
        return self.shape == "beta" and self.shifts_differ == 0


@dataclass(frozen=True)
class Row:
    """What the watch did on plants of a kind; an error is a standard error of the simulation.

    Attributes
    ----------
    alarms : false alarms a week of the whole floor, all plants together
    within : share of plants with no more than the budget
    open : share of charts that falsely say drifting on the last day
    arl : totes between false alarms that the budget leaves the first lane's chart
    totes : to find a doubling, on average
    missed : share of doublings not found in 400 totes, which count as found then
    known : the same, were the level known, of the CUSUM with that ARL: none can be quicker
    p_chart : the same of a p chart that knows the level, its upper limit so many sigma away that
        it has as many false alarms as the watch has
    (known, p_chart : nan where totes are not beta-binomial, one apart from the next; both without
        breaks)
    """

    kind: str
    plants: int
    weeks: int
    alarms: float
    alarms_error: float
    within: float
    within_error: float
    open: float
    arl: float
    totes: float
    totes_error: float
    missed: float
    known: float
    p_chart: float


def kinds(*, quick: bool = False) -> list[Kind]:
    if quick:
        return [Kind("quick", lanes=2, totes=2)]
    return [
        Kind("4 lanes, 26 audits a lane and week, 2 weeks", lanes=4, totes=2),
        Kind("4 lanes, 26 audits a lane and week, 8 weeks", lanes=4, totes=2, baseline_weeks=8),
        Kind("6 lanes, 51 audits a lane and week, 2 weeks"),
        Kind("6 lanes, 51 audits a lane and week, 8 weeks", baseline_weeks=8),
        Kind("totes alike", correlation=0.0),
        Kind("correlation 0.02", correlation=0.02),
        Kind("a tote in ten three times as bad", shape="mixture"),
        Kind("a tote in ten three times as bad, 8 weeks", shape="mixture", baseline_weeks=8),
        Kind("sanitation every 12 totes, 8 weeks", baseline_weeks=8, cleaned=12),
        Kind("changeover every 24 totes, 8 weeks", baseline_weeks=8, changed=24),
        *_unlike(),
    ]


def _unlike() -> list[Kind]:
    """Plants whose totes do not follow the law that limits come from, or are audited unevenly."""
    wild: dict[str, Any] = {"shape": "mixture", "share": 0.02, "times": 10.0}
    return [
        Kind("a tote in fifty ten times as bad", **wild),
        Kind("a tote in fifty ten times as bad, 8 weeks", **wild, baseline_weeks=8),
        Kind("totes lognormal, 8 weeks", shape="lognormal", baseline_weeks=8),
        Kind("shifts differ, 2 weeks", shifts_differ=0.3),
        Kind("shifts differ, 8 weeks", shifts_differ=0.3, baseline_weeks=8),
        Kind(
            "50 to 500 pieces, half of the shifts, 4 weeks",
            sizes=tuple(range(50, 501, 25)),
            missing=0.5,
            baseline_weeks=4,
        ),
    ]


def rows(*, quick: bool = False) -> Iterator[Row]:
    plants, weeks = (3, 4) if quick else (100, 26)
    for number, kind in enumerate(kinds(quick=quick)):
        programme = kind.programme()
        asked = [
            _plant(kind, programme, weeks, np.random.default_rng([SEED, number, plant]))
            for plant in range(plants)
        ]
        yield _row(kind, programme, weeks, asked)


@dataclass(frozen=True)
class _Asked:
    """One plant: its false alarms, charts falsely open, the first chart's promise and delays."""

    alarms: int
    open: float
    arl: float
    delays: Floats
    p_chart: float


def _plant(kind: Kind, programme: Programme, weeks: int, rng: np.random.Generator) -> _Asked:
    off = rng.normal(-(LANES_DIFFER**2) / 2, LANES_DIFFER, (kind.lanes, len(LEVELS)))
    levels = np.array(LEVELS) * np.exp(off)
    levels[0, 0] = LEVEL
    audits = healthy(kind, programme, levels, kind.baseline_weeks + weeks, rng)
    known = Known(events=broken(kind, audits))
    now = audits["pulled_at"].max().to_pydatetime()
    told = drift.findings(audits, programme, now=now, known=known)
    open_ = [each.status == "drifting" for each in told]
    chart = first_chart(kind, programme, audits)
    return _Asked(
        sum(open_) + sum(len(each.past) for each in told),
        float(np.mean(open_)),
        _budget(kind, programme).totes(chart.count.size),
        delays(kind, chart, rng),
        p_chart_delay(kind, chart),
    )


def healthy(
    kind: Kind, programme: Programme, levels: Floats, weeks: int, rng: np.random.Generator
) -> pd.DataFrame:
    """Routine audits of a plant in which nothing changes."""
    shift = np.arange(weeks * WORKED * SHIFTS)
    day = shift // SHIFTS
    on = np.datetime64(FIRST) + (day // WORKED * 7 + day % WORKED).astype("timedelta64[D]")
    begin = on + (6 + 8 * (shift % SHIFTS)).astype("timedelta64[h]")
    every = np.arange(kind.totes) * np.timedelta64(8 * 60 // kind.totes, "m")
    codes = np.array([each.code for each in programme.shifts])
    frames = []
    for lane, of_lane in zip(programme.lanes, levels, strict=True):
        kept = np.flatnonzero(rng.random(shift.size) >= kind.missing)
        at = (begin[kept][:, np.newaxis] + every).ravel()
        n = rng.choice(kind.sizes, at.size)
        levels_of = zip(programme.category_codes, of_lane, strict=True)
        found = {code: kind.found(n, level, rng) for code, level in levels_of}
        frames.append(
            pd.DataFrame({"lane": lane.code, "pulled_at": at, "inspected": n, **found}).assign(
                tote=[f"{lane.code}-{number}" for number in range(at.size)],
                day=np.repeat(on[kept], kind.totes),
                shift=np.repeat(codes[kept % SHIFTS], kind.totes),
            )
        )
    return _tally(pd.concat(frames, ignore_index=True), programme)


def broken(kind: Kind, audits: pd.DataFrame) -> pd.DataFrame:
    """Sanitations and changeovers of every lane, each before an audited tote."""
    place = audits.groupby("lane").cumcount()
    frames = [
        audits.loc[(place % every == 0) & (place > 0), ["lane", "pulled_at"]].assign(kind=name)
        for every, name in ((kind.cleaned, SANITATION), (kind.changed, CHANGEOVER))
        if every
    ]
    columns = ["lane", "happened_at", "kind", "what"]
    none = pd.DataFrame(columns=columns)
    found = pd.concat(frames) if frames else none
    return (
        found.rename(columns={"pulled_at": "happened_at"}).assign(what="").reindex(columns=columns)
    )


def _tally(audits: pd.DataFrame, programme: Programme) -> pd.DataFrame:
    codes = list(programme.category_codes)
    incorrect = audits[codes].sum(axis=1)
    whole = audits.assign(
        site=programme.site,
        programme=1,
        key=audits["tote"],
        lot=audits["tote"],
        line=programme.lanes[0].line,
        product=programme.products[0].code,
        purpose="routine",
        pulled_at=audits["pulled_at"].dt.tz_localize("UTC"),
        incorrect=incorrect,
        correct=audits["inspected"] - incorrect,
    )
    return tally.table(whole.assign(fill_start=whole["pulled_at"]), codes)


def _budget(kind: Kind, programme: Programme) -> Budget:
    charts = kind.lanes * len(programme.categories)
    return Budget(programme.false_alarms_per_week, charts, kind.baseline_weeks)


def first_chart(kind: Kind, programme: Programme, audits: pd.DataFrame) -> Watch:
    """The chart of the first lane and category, by the plant's own baseline."""
    (product,) = {*audits["product"]}
    standing = Standing(drift.totes(audits, programme), None)
    days = audits["day"].to_numpy()
    (era,) = eras(Known(), programme, {product: (days, days)})[product]
    lanes = standing.held(era, standing.state(era, EVER))
    every, first = list(lanes.values()), lanes[programme.lanes[0].code]
    differ = spread(every, programme)
    found = watch(first, programme.category_codes[0], every, differ, _budget(kind, programme))
    assert found is not None
    return found


def delays(kind: Kind, chart: Watch, rng: np.random.Generator) -> Floats:
    """Totes from doublings to the signals of a chart that had none before; nan if it had."""
    n = np.full((DOUBLINGS, BEFORE + AFTER), PULLED)
    x = kind.found(n, LEVEL, rng)
    x[:, BEFORE:] = kind.found(n[:, BEFORE:], RISE * LEVEL, rng)
    over = np.array([sums(kind, *each, chart, rng) for each in zip(x, n, strict=True)])
    over = over > chart.limit.limit
    first = np.where(over.any(axis=1), over.argmax(axis=1), BEFORE + AFTER - 1)
    return np.where(first < BEFORE, np.nan, first - BEFORE + 1.0)


def sums(kind: Kind, x: Whole, n: Whole, chart: Watch, rng: np.random.Generator) -> Floats:
    """The sum over some totes, afresh at each changeover."""
    if not kind.changed:
        return path_of(x, n, chart)
    first = int(rng.integers(1, kind.changed + 1))
    ends = [0, *range(first, x.size, kind.changed), x.size]
    return np.concatenate([path_of(x[a:b], n[a:b], chart) for a, b in pairwise(ends)])


def p_chart_delay(kind: Kind, chart: Watch) -> float:
    """Totes of a doubling until a p chart's upper limit is passed that has as many false alarms.

    Between two counts the limit lies at either by chance, so that the rate is met.
    """
    if not kind.by_law:
        return np.nan
    rho = kind.correlation
    alarm = 1 / cusum_arl([PULLED], chart.limit, correlation=rho, rate=LEVEL)
    same, twice = (
        chances(checked_law(rate, rho, "binomial"), np.array([float(PULLED)]))[0, ::-1]
        for rate in (LEVEL, RISE * LEVEL)
    )
    counts = np.searchsorted(np.cumsum(same), alarm)
    part = (alarm - same[:counts].sum()) / same[counts]
    return float(1 / (twice[:counts].sum() + part * twice[counts]))


def known_delay(kind: Kind, arl: float) -> float:
    """Totes of a doubling until the CUSUM that knows the level signals, long after it began."""
    if not kind.by_law:
        return np.nan
    law = {"center": LEVEL, "correlation": kind.correlation}
    limit = cusum_limit([PULLED], arl=arl, **law).limit
    run = cusum_run_length([PULLED], limit=limit, rate=RISE * LEVEL, start="steady", **law)
    return run.mean


def _row(kind: Kind, programme: Programme, weeks: int, asked: Sequence[_Asked]) -> Row:
    plants, a_week = len(asked), np.array([each.alarms for each in asked]) / weeks
    within = float(np.mean(a_week <= programme.false_alarms_per_week))
    delay = np.array([np.nanmean(each.delays) for each in asked])
    arl = float(np.mean([each.arl for each in asked]))
    return Row(
        kind=kind.name,
        plants=plants,
        weeks=weeks,
        alarms=float(a_week.mean()),
        alarms_error=float(a_week.std(ddof=1) / np.sqrt(plants)),
        within=within,
        within_error=float(np.sqrt(max(within * (1 - within), 0.25 / plants) / plants)),
        open=float(np.mean([each.open for each in asked])),
        arl=arl,
        totes=float(delay.mean()),
        totes_error=float(delay.std(ddof=1) / np.sqrt(plants)),
        missed=float(np.mean([np.mean(each.delays == AFTER) for each in asked])),
        known=known_delay(kind, arl),
        p_chart=float(np.mean([each.p_chart for each in asked])),
    )


def table(found: Iterable[Row]) -> Iterator[str]:
    """The rows as they come, and whether the goals are reached."""
    yield (
        "| floor: plants | false alarms a week (error) | plants within the budget (error) "
        "| charts falsely open | ARL of a chart | totes to find a doubling (error) "
        "| level known | p chart | goals |"
    )
    yield "| --- |" + " --- |" * 8
    for row in found:
        yield (
            f"| {row.kind} | {row.alarms:.2f} ({row.alarms_error:.2f}) "
            f"| {row.within:.3f} ({row.within_error:.3f}) | {row.open:.3f} | {row.arl:.0f} "
            f"| {row.totes:.1f} ({row.totes_error:.1f}) | {row.known:.1f} | {row.p_chart:.1f} "
            f"| {goals(row)} |"
        )


def goals(row: Row) -> str:
    """Which goals a row reaches."""
    reached = {
        "budget": row.within >= OFTEN,
        f"{SOON:g} totes": row.totes <= SOON,
        "p chart": not row.totes > row.p_chart,
    }
    missed = [name for name, kept in reached.items() if not kept]
    return "not " + ", ".join(missed) if missed else "all"


def written(found: Iterable[Row], file: Path) -> Iterator[Row]:
    """The rows, each written down as it passes."""
    with file.open("w", encoding="utf-8", newline="") as lines:
        sheet = csv.DictWriter(lines, Row.__dataclass_fields__, lineterminator="\n")
        sheet.writeheader()
        for row in found:
            cells = asdict(row)
            sheet.writerow({k: f"{v:.6g}" if isinstance(v, float) else v for k, v in cells.items()})
            yield row
