"""The record as the views read it: once for each state of the store, and what follows from it.

A state of the store is named by its last entry, so that what was worked out for it stays right for
as long as nothing is added; only the two newest are kept. A record knows the language that it is
told in, so that what is kept beside it never has another's words.
"""

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import lru_cache
from math import nan

import pandas as pd

from qa import drift, gross, verdicts
from qa.intervals import clustered
from qa.programme import Category, Programme, production_day_and_shift
from qa.store import changes, deeds, records, signals
from qa.store.schema import Store
from qa.tally import stratified

STATES = 2
KEPT = 2 * STATES  # of what follows from a state, told in two languages
TICK = timedelta(minutes=10)
ALL = "incorrect"  # every category together, as a category of its own


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """One state of a store: hashed by its identity, so that answers can be kept beside it."""

    programme: Programme
    programmes: dict[int, Programme]
    tallies: pd.DataFrame
    findings: pd.DataFrame
    resumed: pd.DataFrame
    dispositions: pd.DataFrame
    known: drift.Known
    language: str = "en"


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


def record(store: Store, language: str = "en") -> Record:
    """The record as it stands now, to be told in a language.

    Raises
    ------
    StoreError
        If the store does not answer, or has no programme yet.
    """
    return _told(_record(store, records.newest(store)), language)


@lru_cache(maxsize=KEPT)
def _told(read: Record, language: str) -> Record:
    return replace(read, language=language)


@lru_cache(maxsize=STATES)
def _record(store: Store, newest: tuple[int, ...]) -> Record:
    del newest  # names the state; the store itself is asked
    found = records.findings(store)
    return Record(
        records.programme(store),
        records.programmes_by_version(store),
        records.tallies(store),
        found[found["lifted_at"].isna()],
        deeds.resumed(store),
        deeds.dispositions(store),
        drift.Known(
            deeds.events(store),
            signals.baselines(store),
            signals.acknowledgements(store),
            changes.replaced(store),
        ),
    )


def lots(kept: Record) -> pd.DataFrame:
    """The verdict of every lot: inspection follows from the whole record, so all of it speaks."""
    return _judged(kept)[0]


def in_force(kept: Record) -> pd.DataFrame:
    """The inspection that the next lot of every lane, product and class gets."""
    return _judged(kept)[1]


@lru_cache(maxsize=KEPT)
def _judged(kept: Record) -> tuple[pd.DataFrame, pd.DataFrame]:
    return verdicts.lots_and_inspection(
        kept.tallies, kept.programmes, kept.findings, kept.resumed, language=kept.language
    )


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
    return drift.findings(
        kept.tallies, kept.programme, now=until, known=kept.known, language=kept.language
    )


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
    return gross.standing(kept.tallies, kept.programmes, now=until, language=kept.language)


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
    programme = together(kept.programme) if category == ALL else kept.programme
    how = {"now": until, "known": kept.known, "language": kept.language}
    return drift.chart(kept.tallies, programme, lane, category, kind=kind, **how)


def charts(kept: Record, lane: str, now: datetime) -> dict[str, drift.LaneChart]:
    """The charts of every category of a lane."""
    return _charts(kept, lane, _tick(now))


@lru_cache(maxsize=32)
def _charts(kept: Record, lane: str, until: datetime) -> dict[str, drift.LaneChart]:
    how = {"now": until, "known": kept.known, "language": kept.language}
    return drift.charts(kept.tallies, kept.programme, lane, **how)


def together(programme: Programme) -> Programme:
    """The programme with one category, all others together, and false alarms to match.

    The share of the budget of one chart stays what it is with all categories apart.
    """
    whole = Category(ALL, ALL, programme.categories[0].severity)
    alarms = programme.false_alarms_per_week / len(programme.categories)
    return replace(programme, categories=(whole,), false_alarms_per_week=alarms)


def share(audits: pd.DataFrame, counted: str, programme: Programme) -> Share | None:
    """The share of pieces of one kind over some audits, totes as clusters; None without audits."""
    if audits.empty:
        return None
    totes = stratified(audits, (), [counted])
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


def of_days(tallies: pd.DataFrame, first: date, last: date) -> pd.DataFrame:
    """Audits of production days, both included."""
    day = tallies["day"]
    return tallies[(day >= pd.Timestamp(first)) & (day <= pd.Timestamp(last))]


def _tick(now: datetime) -> datetime:
    """The end of the ten minutes that `now` is in."""
    start = datetime.min.replace(tzinfo=now.tzinfo)
    return start + ((now - start) // TICK + 1) * TICK
