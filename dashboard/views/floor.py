"""Floor answers: which lane needs me now."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Any

import pandas as pd

from dashboard.views import keeping, standing
from dashboard.views import record as kept_record
from dashboard.views.choices import Choices
from dashboard.views.keeping import KEPT, Record
from dashboard.views.record import Inspection, Share
from dashboard.views.standing import Counted
from qa import drift, efficiency
from qa.drift.result import AFTER_RETURN, NEAR, SILENCE
from qa.programme import Programme, shift_times
from qa.store import records
from qa.store.schema import Store
from qa.tally import of_lots, routine
from qa.verdicts import JUDGING, LotVerdict
from qa.wording import utc

WORDS = ("gross", *drift.STATUSES, "down")  # the neediest first
WEEK = 7  # production days
IN_FULL = 2  # lanes in trouble; of more, each is told more shortly
RECENT = 12  # audits in a lane's strip
WATCHED_HOURS, SILENT_HOURS = (each // timedelta(hours=1) for each in (AFTER_RETURN, SILENCE))

__all__ = [
    "NEAR",
    "RECENT",
    "SILENT_HOURS",
    "WATCHED_HOURS",
    "WEEK",
    "FloorView",
    "Mark",
    "Row",
    "pulse",
    "view",
]


@dataclass(frozen=True, slots=True)
class Mark:
    """One recent audit, as small as the strip shows it.

    `verdict` is its lot's when the audit was judged; `settled` says that a lot which it left
    rejected was accepted since, on its re-audit.
    """

    tote: str
    pulled_at: datetime
    incorrect: int
    inspected: int
    verdict: str
    floor: str
    settled: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One lane: its need in a word and a sentence, its shares correct, its recent audits.

    `brief` is what a wall has room for, `caution` what goes with it. `held` counts the lots held
    in the last two production days, `before` those that were held before and still are.
    """

    lane: str
    status: str
    sentence: str
    brief: str
    caution: str
    shift: Share | None
    week: Share | None
    recent: tuple[Mark, ...]
    inspections: tuple[Inspection, ...]
    locked: int
    held: int
    before: int
    gross: tuple[str, ...] = ()
    down: bool = False

    @property
    def word(self) -> str:
        """The lane's need in one word."""
        return kept_record.word(self.status, self.gross, down=self.down)

    @property
    def troubled(self) -> bool:
        """Whether anything of the lane needs somebody."""
        needs = self.word in ("gross", "drifting", "watch")
        return bool(needs or self.locked or self.held or self.inspections)


@dataclass(frozen=True, slots=True)
class FloorView:
    """The whole floor at one moment, the neediest lane first.

    Where `many` lanes are in trouble each is told shortly, and `caution` is that of all of them.
    """

    programme: Programme
    now: datetime
    day: date
    shift: str
    shift_name: str
    line_shift: Share | None
    line_week: Share | None
    rows: tuple[Row, ...]
    latest: bool
    many: bool = False
    caution: str = ""

    @property
    def empty(self) -> bool:
        """Whether no lane has any audit yet."""
        return not any(row.recent for row in self.rows)


def pulse(store: Store, now: datetime) -> str:
    """What differs whenever Floor would show something else."""
    return f"{records.newest(store)} {now:%Y-%m-%dT%H:%M}"


def view(store: Store, choices: Choices, now: datetime, language: str = "en") -> FloorView:
    """The floor now, or as it stood at the end of the chosen shift."""
    kept = keeping.record(store, language)
    programme = kept.programme
    day, shift = kept_record.day_and_shift(programme, now)
    day, shift = choices.day or day, choices.shift or shift
    end = shift_times(programme, day, shift)[1]
    latest, now = now <= end, min(now, end)
    figures = _figures(kept, day, shift, _pulled(_week(kept, day), now))
    marks = _marks(kept, *kept_record.pulled(kept, now))
    found = kept_record.findings(kept, now)
    needs = drift.lanes(found, language=language)
    stands = standing.lots(store, kept, day, None if latest else now).counts
    rows = [
        Row(
            lane,
            status,
            sentence,
            *_briefly(found, lane, sentence, kept, short=False),
            figures.by_shift.get(lane),
            figures.by_week.get(lane),
            marks.get(lane, ()),
            kept_record.inspections(kept, lane) if latest else (),
            *stands.get(lane, Counted()),
            kept_record.gross_sentences(kept, lane, now),
            any(each.down_since and each.lane == lane for each in found),
        )
        for lane, status, sentence in needs.itertuples(index=False)
        if choices.lane in (None, lane)
    ]
    rows.sort(key=_need)
    many = sum(row.troubled for row in rows) > IN_FULL
    if many:
        short = {
            row.lane: _briefly(found, row.lane, row.sentence, kept, short=True) for row in rows
        }
        rows = [replace(row, brief=short[row.lane][0], caution="") for row in rows]
    return FloorView(
        programme=programme,
        now=now,
        day=day,
        shift=shift,
        shift_name=next(each.name for each in programme.shifts if each.code == shift),
        line_shift=figures.line_shift,
        line_week=figures.line_week,
        rows=tuple(rows),
        latest=latest,
        many=many,
        caution=drift.briefly(found, programme, language=language)[1] if many else "",
    )


def _briefly(
    found: tuple[drift.DriftFinding, ...], lane: str, sentence: str, kept: Record, *, short: bool
) -> tuple[str, str]:
    """A lane's sentence as short as it may be, and the caution."""
    own = [each for each in found if each.lane == lane]
    brief, caution = drift.briefly(own, kept.programme, short=short, language=kept.language)
    return brief or sentence, caution


def _need(row: Row) -> tuple[bool, int, int, bool]:
    """Locked lots first, then the word, a gross failure by its status; held lots before none.

    A lane that is known not to run, and does not drift, needs nobody.
    """
    place = drift.STATUSES.index(row.status) if row.gross else 0
    return not row.locked, WORDS.index(row.word), place, not row.held


@dataclass(frozen=True, slots=True)
class _Figures:
    """Shares correct of each lane and of the line, this shift and over the last days."""

    by_shift: dict[str, Share]
    by_week: dict[str, Share]
    line_shift: Share | None
    line_week: Share | None


def _week(kept: Record, day: date) -> pd.DataFrame:
    """The audits of the last days, in order of pulling."""
    return kept_record.window(kept, day - timedelta(days=WEEK - 1), day)


def _pulled(tallies: pd.DataFrame, now: datetime) -> int:
    """How many had been pulled by a moment."""
    return int(tallies["pulled_at"].searchsorted(pd.Timestamp(now), side="right"))


@lru_cache(maxsize=KEPT)
def _figures(kept: Record, day: date, shift: str, pulled: int) -> _Figures:
    """The figures of as many audits of the last days as had been pulled."""
    week = _week(kept, day).iloc[:pulled]
    this = week[(week["day"] == pd.Timestamp(day)) & (week["shift"] == shift)]
    programme = kept.programme
    shares = (_shares(each, programme) for each in (this, week))
    return _Figures(*shares, _line(this, programme), _line(week, programme))


def _shares(tallies: pd.DataFrame, programme: Programme) -> dict[str, Share]:
    if tallies.empty:
        return {}
    table = efficiency.estimate(tallies, programme, by=("lane",))
    return {str(row["lane"]): _share(row) for row in table.to_dict("records")}


def _line(tallies: pd.DataFrame, programme: Programme) -> Share | None:
    if routine(tallies).empty:
        return None
    return _share(efficiency.estimate(tallies, programme, by=()).to_dict("records")[0])


def _share(row: dict[str, object]) -> Share:
    figures = (row[name] for name in ("correct", "low", "high"))
    counts = (row[name] for name in ("incorrect", "inspected", "totes"))
    alike = (row[name] for name in ("correlation", "effective_n"))
    return Share(*map(float, figures), *map(int, counts), *map(float, alike))  # type: ignore[arg-type]


@lru_cache(maxsize=KEPT)
def _marks(kept: Record, *pulled: int) -> dict[str, tuple[Mark, ...]]:
    """The last audits of each lane's totes, the newest last, of those that had been pulled."""
    last = kept_record.newest_of_lanes(kept, pulled, RECENT, JUDGING)
    if last.empty:
        return {}
    lots = kept_record.lots_of(kept, last)
    then, settled = _as_judged(standing.verdicts_of(lots), utc(last["pulled_at"].max()))
    told = last.assign(floor=of_lots(last, lots, "floor"))
    return {
        str(lane): tuple(
            Mark(
                *(row.tote, utc(row.pulled_at), row.incorrect, row.inspected),
                then[audit := (row.site, row.lot, row.pulled_at)],
                row.floor,
                audit in settled,
            )
            for row in group.itertuples()
        )
        for lane, group in told.groupby("lane")
    }


def _as_judged(
    lots: Iterable[LotVerdict], until: datetime
) -> tuple[dict[tuple[str, str, Any], str], set[tuple[str, str, Any]]]:
    """What stood of each audit's lot after it; audits left rejected whose lot is accepted since."""
    then, settled = {}, set()
    for lot in lots:
        stood = [each for each in lot.stood if each[0] <= until]
        for at, verdict in stood:
            then[lot.site, lot.lot, at] = verdict
            if verdict == "reject" and stood[-1][1] == "accept":
                settled.add((lot.site, lot.lot, at))
    return then, settled
