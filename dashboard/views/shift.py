"""Shift answers: what do I hand over."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache

import pandas as pd

from dashboard.views import keeping, standing
from dashboard.views import record as kept_record
from dashboard.views.choices import Choices
from dashboard.views.keeping import Record
from dashboard.views.record import Share
from dashboard.views.standing import Accepted, HeldTote, Lot, Need, Standing
from qa.audit import PURPOSES
from qa.drift import DriftFinding, Excursion
from qa.programme import Programme, shift_times
from qa.store.schema import Store
from qa.tally import routine, stratified
from qa.verdicts import JUDGING
from qa.wording import utc


@dataclass(frozen=True, slots=True)
class Cell:
    """One lane and category: this shift, and the same shift in the baseline's days."""

    now: Share | None
    baseline: Share | None

    @property
    def apart(self) -> bool:
        """Whether the two intervals do not meet, this shift being the higher."""
        return bool(self.now and self.baseline and self.now.low > self.baseline.high)


@dataclass(frozen=True, slots=True)
class ShiftRow:
    """One lane: its share correct, and the share of each category."""

    lane: str
    correct: Share | None
    cells: dict[str, Cell]


@dataclass(frozen=True, slots=True)
class Signal:
    """A rise that signalled, or went back, in this shift."""

    lane: str
    category: str
    excursion: Excursion
    opened: bool


@dataclass(frozen=True, slots=True)
class ShiftView:
    """One shift of one production day, for whoever comes next.

    `needs`, `lots` (of this shift, by what the floor does) and `stands` (of every shift) are as
    they stood at its end, or stand now while it runs; `held_from` is the first day of recent holds.
    `pieces` are by purpose; `unjudged` are totes of which no audit judges a lot.
    """

    programme: Programme
    day: date
    shift: str
    name: str
    start: datetime
    end: datetime
    now: datetime
    days: tuple[date, ...]
    rows: tuple[ShiftRow, ...]
    line: Share | None
    baselines: tuple[tuple[date, date], ...]
    audits: int
    counted: int
    pieces: dict[str, int]
    totes: int
    unjudged: int
    lots: dict[str, int]
    needs: tuple[Need, ...]
    stands: Standing
    held_from: date
    accepted: tuple[Accepted, ...]
    signals: tuple[Signal, ...]
    earlier_lots: int
    switched: tuple[str, ...]
    findings: tuple[tuple[str, str, str], ...]
    dispositions: tuple[HeldTote, ...]

    @property
    def held(self) -> tuple[Lot, ...]:
        """Lots that stand held or locked, of the very many the newest."""
        return self.stands.lots

    @property
    def empty(self) -> bool:
        """Whether nothing was audited."""
        return self.audits == 0


def view(store: Store, choices: Choices, now: datetime, language: str = "en") -> ShiftView:
    """The shift that the choices name, else the one that runs now."""
    kept = keeping.record(store, language)
    programme = kept.programme
    day, shift = kept_record.day_and_shift(programme, now)
    day, shift = choices.day or day, choices.shift or shift
    start, end = shift_times(programme, day, shift)
    this = _of_shift(kept_record.window(kept, day, day), shift)
    held = _baselines(kept, min(now, end))
    before = _before(kept, held, shift)
    lots = _of_shift(kept.judged.of_days(day, day), shift)
    pieces, judging = this.groupby("purpose")["inspected"].sum(), this["purpose"].isin(JUDGING)
    until = end - timedelta(microseconds=1) if end <= now else None
    return ShiftView(
        programme=programme,
        day=day,
        shift=shift,
        name=next(each.name for each in programme.shifts if each.code == shift),
        start=start,
        end=end,
        now=now,
        days=kept_record.days_of(kept),
        rows=_rows(routine(this), before, programme),
        line=kept_record.share(routine(this), "correct", programme),
        baselines=tuple(
            sorted({(row.first_day.date(), row.last_day.date()) for row in held.itertuples()})
        ),
        audits=len(this),
        counted=int(this["inspected"].sum()),
        pieces={each: int(n) for each in PURPOSES if (n := pieces.get(each, 0))},
        totes=this["tote"].nunique(),
        unjudged=len(set(this["tote"]) - set(this.loc[judging, "tote"])),
        lots=standing.floors(store, kept, day, shift, until),
        needs=standing.needs(kept, until or now),
        stands=standing.lots(store, kept, day, until),
        held_from=day - timedelta(days=standing.DAYS - 1),
        accepted=standing.accepted(kept, start, end),
        signals=_signals(kept, now, start, end),
        earlier_lots=len(set(this.loc[judging, "lot"]) - set(lots["lot"])),
        switched=tuple(each for each in lots["switched"] if each),
        findings=tuple(kept.findings[["key", "tote", "what"]].itertuples(index=False, name=None)),
        dispositions=_disposed(kept.dispositions, start, end),
    )


def _baselines(kept: Record, until: datetime) -> pd.DataFrame:
    """The baseline in force of each lane, of the product that it ran last."""
    every = kept.known.baselines
    if every is None:
        return pd.DataFrame()
    ran = kept_record.newest_of_lanes(kept, kept_record.pulled(kept, until), 1, ("routine",))
    last = ran.sort_values("pulled_at").drop_duplicates("lane", keep="last")
    reach = last[["lane", "product"]].astype("str").rename(columns={"lane": "of"})
    known = every[every["at"].isna() | (every["at"] <= until)]
    of_lanes = reach.merge(known, on="product")
    of_lanes = of_lanes[(of_lanes["lane"] == "") | (of_lanes["lane"] == of_lanes["of"])]
    in_force = of_lanes.sort_values("at", na_position="first", kind="stable")
    return in_force.drop_duplicates("of", keep="last")


def _before(kept: Record, held: pd.DataFrame, shift: str) -> pd.DataFrame:
    """The same shift's routine audits in each lane's baseline, those set aside left out."""
    spans = {(row.first_day, row.last_day) for row in held.itertuples()}
    rows = {span: _of_days(kept, *span, shift) for span in spans}
    found = [kept.audits.of_days(date.max, date.min)]
    for row in held.itertuples():
        days = rows[row.first_day, row.last_day]
        days = days[(days["lane"] == row.of) & (days["product"] == row.product)]
        if not pd.isna(row.at):
            days = days[days["fill_start"].fillna(days["pulled_at"]) < row.at]
        found.append(days[~days["tote"].isin(list(row.set_aside))])
    return pd.concat(found)


@lru_cache(maxsize=32)
def _of_days(kept: Record, first: date, last: date, shift: str) -> pd.DataFrame:
    """The routine audits of a shift on some production days."""
    return kept.audits.of_days(first, last, shift=shift, purpose="routine")


def _disposed(dispositions: pd.DataFrame, start: datetime, end: datetime) -> tuple[HeldTote, ...]:
    """What was done with totes in the shift's own time."""
    now = dispositions[(dispositions["at"] >= start) & (dispositions["at"] < end)]
    return tuple(HeldTote(row.tote, row.what, row.by, utc(row.at)) for row in now.itertuples())


def _of_shift(table: pd.DataFrame, shift: str) -> pd.DataFrame:
    return table[table["shift"] == shift]


def _rows(this: pd.DataFrame, before: pd.DataFrame, programme: Programme) -> tuple[ShiftRow, ...]:
    codes = programme.category_codes
    counts = ["correct", *codes]
    both = [dict(list(stratified(e, (), counts).groupby("lane"))) for e in (this, before)]

    def share(which: int, lane: str, counted: str) -> Share | None:
        totes = both[which].get(lane)
        return None if totes is None else kept_record.share_of(totes, counted, programme)

    return tuple(
        ShiftRow(
            lane.code,
            share(0, lane.code, "correct"),
            {code: Cell(share(0, lane.code, code), share(1, lane.code, code)) for code in codes},
        )
        for lane in programme.lanes
    )


def _signals(kept: Record, now: datetime, start: datetime, end: datetime) -> tuple[Signal, ...]:
    """Rises that signalled in the shift, and those that went back in it, in order of lane."""
    found = []
    for finding in kept_record.findings(kept, now):
        for each in _rises(kept, finding, now):
            if start <= each.signalled_at < end:
                found.append(Signal(finding.lane, finding.category, each, opened=True))
            if each.until is not None and start <= each.until < end:
                found.append(Signal(finding.lane, finding.category, each, opened=False))
    return tuple(found)


def _rises(kept: Record, finding: DriftFinding, now: datetime) -> tuple[Excursion, ...]:
    """Every rise; only that of a lane that drifts now has to be fetched."""
    if finding.status != "drifting":
        return finding.past
    chart = kept_record.chart(kept, finding.lane, finding.category, now)
    return chart.excursions if chart else ()
