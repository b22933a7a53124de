"""What follows from the record that is kept in memory: audits, lots, findings, charts, shares."""

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import lru_cache
from math import nan
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dashboard.views.keeping import ALL, KEPT, Record, StillReading, record, rows_of_lanes
from qa import drift, gross, verdicts
from qa.audit import Audit
from qa.intervals import clustered
from qa.programme import Category, Programme, production_day_and_shift
from qa.store import deeds, records
from qa.store.schema import Store
from qa.tally import stratified
from qa.verdicts import LotVerdict

TICK = timedelta(minutes=10)
LOOKED_AT = 20_000  # audits, before all of them are


@dataclass(frozen=True, slots=True)
class Share:
    """A fraction of pieces with its interval, and what it rests on.

    `correlation` is that of pieces within totes, nan where totes cannot show it; `effective_n` the
    pieces of a simple random sample that would say as much.
    """

    fraction: float
    low: float
    high: float
    count: int
    inspected: int
    totes: int
    correlation: float = nan
    effective_n: float = nan


def lanes_rows(kept: Record, lanes: Collection[str], until: datetime) -> pd.DataFrame:
    """What findings are placed by: the audits of some lanes that were pulled by a moment."""
    rows = rows_of_lanes(kept.audits, lanes)
    return rows[rows["pulled_at"] <= until]


@lru_cache(maxsize=32)
def window(kept: Record, first: date, last: date) -> pd.DataFrame:
    """The tally of some production days, both included."""
    return kept.audits.of_days(first, last)


def pulled(kept: Record, until: datetime) -> tuple[int, int]:
    """How many of the past and of the late audits had been pulled by a moment."""
    past, late = (
        int(part["pulled_at"].searchsorted(pd.Timestamp(until), side="right"))
        for part in (kept.audits.past, kept.audits.late)
    )
    return past, late


def newest_of_lanes(
    kept: Record, until: tuple[int, ...], count: int, purposes: Collection[str]
) -> pd.DataFrame:
    """The tally of each lane's last audits of some purposes, of those that had been pulled.

    `until` says how many, as `pulled` does. The newest are looked at first, and no more of them
    than it takes.
    """

    def chosen(part: pd.DataFrame) -> NDArray[np.bool_]:
        end = until[0] if part is kept.audits.past else until[1]
        lanes, found = len(part["lane"].cat.categories), np.zeros(len(part), dtype=np.bool_)
        for size in (LOOKED_AT, len(part)):
            begin = max(end - size, 0)
            near = part.iloc[begin:end]
            here, lane = (
                near["purpose"].isin(purposes).to_numpy(),
                near["lane"].cat.codes.to_numpy(),
            )
            places = [np.flatnonzero(here & (lane == each))[-count:] for each in range(lanes)]
            if all(len(each) == count for each in places):
                break
        for each in places:
            found[begin + each] = True
        return found

    return kept.audits.where(chosen).groupby("lane").tail(count)


@lru_cache(maxsize=KEPT)
def inspectors(kept: Record, most: int) -> tuple[str, ...]:
    """Who pulled last, the newest first."""
    parts = (
        part.groupby("inspector", observed=True)["pulled_at"].max()
        for part in (kept.audits.past, kept.audits.late)
    )
    last = pd.concat([part.set_axis(part.index.astype("str")) for part in parts])
    return tuple(last.groupby(level=0).max().sort_values(ascending=False).index[:most])


@lru_cache(maxsize=KEPT)
def days_of(kept: Record) -> tuple[date, ...]:
    """Every production day that has an audit, in order."""
    found = np.sort(pd.unique(kept.audits.column("day")))
    return tuple(pd.DatetimeIndex(found).date)


def lots_of(kept: Record, audits: pd.DataFrame) -> pd.DataFrame:
    """The verdicts of all lots of the codes that some audits have."""
    return kept.judged.of_codes(zip(audits["site"], audits["lot"], strict=True))


def lots_coded(kept: Record, code: str) -> pd.DataFrame:
    """The verdicts of all lots of a code, in the order in which they began."""
    sites = {each.site for each in kept.programmes.values()}
    found = kept.judged.of_codes((site, code) for site in sorted(sites))
    return found.sort_values("began", kind="stable", ignore_index=True)


def with_others_of_lots(kept: Record, audits: pd.DataFrame) -> pd.DataFrame:
    """Some audits, and all others of lots with their codes."""
    codes = audits["lot"].unique()
    return kept.audits.where(lambda part: part["lot"].isin(codes))


def verdict_of(store: Store, audit: Audit, language: str) -> LotVerdict:
    """What happens to the lot of an audit that was recorded."""
    try:
        return record(store, language, older=False).judged.of_audit(audit)
    except (StillReading, IndexError):  # it is not in memory yet, or was voided since
        found = records.findings(store)
        return verdicts.of_audit(
            audit,
            records.tallies(store, lane=audit.lane),
            records.programmes_by_version(store),
            found[found["lifted_at"].isna()],
            deeds.resumed(store),
            language=language,
        )


def lots(kept: Record) -> pd.DataFrame:
    """The verdict of every lot."""
    return kept.judged.of_days(date.min)


def in_force(kept: Record) -> pd.DataFrame:
    """The inspection that the next lot of every lane, product and class gets."""
    return kept.judged.in_force


@dataclass(frozen=True, slots=True)
class Inspection:
    """Inspection that is not normal: of which lane, product and class, why, what brings it back."""

    lane: str
    product: str
    severity: str
    inspection: str
    why: str
    back: str

    @property
    def stopped(self) -> bool:
        """Whether nothing is accepted by sample."""
        return self.inspection == verdicts.STOPPED


def inspections(kept: Record, lane: str | None = None) -> tuple[Inspection, ...]:
    """Where inspection is not normal, on one lane or on all; stopped inspection first."""
    table = in_force(kept)
    if lane is not None:
        table = table[table["lane"] == lane]
    other = table[table["inspection"] != "normal"].sort_values("inspection", kind="stable")
    names = list(Inspection.__dataclass_fields__)
    return tuple(Inspection(*row) for row in other[names].itertuples(index=False))


def findings(kept: Record, now: datetime) -> tuple[drift.DriftFinding, ...]:
    """What is known of each lane and category; worked out anew every ten minutes at least."""
    return _findings(kept, _tick(now))


@lru_cache(maxsize=KEPT)
def _findings(kept: Record, until: datetime) -> tuple[drift.DriftFinding, ...]:
    return drift.findings(_counted(kept), kept.programme, now=until, **_how(kept))


def _counted(kept: Record, *codes: str) -> drift.Totes:
    return kept.totes.counting(*(codes or kept.programme.category_codes))


def _how(kept: Record) -> dict[str, Any]:
    return {"known": kept.known, "memory": kept.memory, "language": kept.language}


def word(status: str, gross: Collection[str], *, down: bool) -> str:
    """A lane's need in one word: a gross failure before all, and that it does not run."""
    if gross:
        return "gross"
    return "down" if down and status == "no audits" else status


def gross_sentences(kept: Record, lane: str, now: datetime) -> tuple[str, ...]:
    """Whom to call for a lane's newest audit, where it passes a gross limit."""
    return tuple(each.sentence for each in _gross(kept, _tick(now)).get(lane, ()))


@lru_cache(maxsize=KEPT)
def _gross(kept: Record, until: datetime) -> dict[str, tuple[gross.Gross, ...]]:
    ends = pd.Timestamp(until) - gross.STANDS, pd.Timestamp(until)
    near = kept.audits.where(
        lambda part: (part["pulled_at"] > ends[0]) & (part["pulled_at"] <= ends[1])
    )
    return gross.standing(near, kept.programmes, now=until, language=kept.language)


def chart(
    kept: Record, lane: str, category: str, now: datetime, kind: str = drift.KINDS[0]
) -> drift.LaneChart | None:
    """The chart of one lane and category; category `ALL` is every incorrect piece."""
    return _chart(kept, lane, category, _tick(now), kind)


@lru_cache(maxsize=32)
def _chart(
    kept: Record, lane: str, category: str, until: datetime, kind: str
) -> drift.LaneChart | None:
    if category != ALL and kind == drift.KINDS[0]:
        return _charts(kept, lane, until).get(category)
    programme, found = kept.programme, _counted(kept)
    if category == ALL:
        programme, found = together(programme), _counted(kept, ALL)
    return drift.chart(found, programme, lane, category, kind=kind, now=until, **_how(kept))


def charts(kept: Record, lane: str, now: datetime) -> dict[str, drift.LaneChart]:
    """The charts of every category of a lane."""
    return _charts(kept, lane, _tick(now))


@lru_cache(maxsize=32)
def _charts(kept: Record, lane: str, until: datetime) -> dict[str, drift.LaneChart]:
    return drift.charts(_counted(kept), kept.programme, lane, now=until, **_how(kept))


def together(programme: Programme) -> Programme:
    """The programme with one category, all others together, and false alarms to match.

    The share of the budget of one chart stays what it is with all categories apart.
    """
    whole = Category(ALL, ALL, programme.categories[0].severity)
    alarms = programme.false_alarms_per_week / len(programme.categories)
    return replace(programme, categories=(whole,), false_alarms_per_week=alarms)


def share(audits: pd.DataFrame, counted: str, programme: Programme) -> Share | None:
    """The share of pieces of one kind over some audits, totes as clusters; None without audits."""
    return None if audits.empty else share_of(stratified(audits, (), [counted]), counted, programme)


def share_of(totes: pd.DataFrame, counted: str, programme: Programme) -> Share | None:
    """The same of totes, as `qa.tally.stratified` gives them; None without any."""
    if totes.empty:
        return None
    found = clustered(
        totes[counted].to_numpy(),
        totes["inspected"].to_numpy(),
        stratum=totes["stratum"].to_numpy(dtype=object),
        confidence=programme.confidence,
        correlation=programme.correlation,
    )
    ends = found.interval
    return Share(
        float(ends.estimate),
        float(ends.low),
        float(ends.high),
        found.count,
        found.inspected,
        found.totes,
        found.correlation,
        found.effective_n,
    )


def day_and_shift(programme: Programme, now: datetime) -> tuple[date, str]:
    """The production day and shift at a moment; the last that ran, when none does."""
    for back in range(24 * 4):
        found = production_day_and_shift(programme, now - back * timedelta(minutes=15))
        if found:
            return found
    return now.astimezone(programme.zone).date(), programme.shifts[0].code


def _tick(now: datetime) -> datetime:
    """The end of the ten minutes that `now` is in."""
    start = datetime.min.replace(tzinfo=now.tzinfo)
    return start + ((now - start) // TICK + 1) * TICK
