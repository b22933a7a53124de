"""What stands open at a moment: lanes that need somebody, and lots that are held or locked."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache

import pandas as pd

from dashboard.views import record as kept_record
from dashboard.views.keeping import KEPT, Record
from qa import drift
from qa.programme import production_day_and_shift, shift_times
from qa.store import records
from qa.store.schema import Store
from qa.verdicts import JUDGING, USED_AGAIN, Judged, LotVerdict
from qa.wording import utc

DAYS = 2  # production days whose holds are told one by one
EVER = datetime(1970, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class HeldTote:
    """A tote that stands back with a lot; what was done with it, by whom and when, if known."""

    tote: str
    what: str = ""
    by: str = ""
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Lot:
    """A lot that is not released, since when, and the totes that stand back with it.

    `recent` are those held in the last production days, and every one that is locked.
    """

    lot: str
    lane: str
    verdict: str
    floor: str
    why: str
    next: str
    hold: str
    totes: tuple[HeldTote, ...]
    since: datetime | None
    recent: bool


@dataclass(frozen=True, slots=True)
class Need:
    """A lane that needs somebody: in a word, in sentences, and what has risen unanswered.

    `open` are the categories whose signal goes on and is not acknowledged; the sentences say who
    acknowledged the others, and their cause.
    """

    lane: str
    word: str
    sentences: tuple[str, ...]
    open: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Accepted:
    """A lot that was rejected, and accepted on its audit after a re-sort."""

    lot: str
    lane: str
    rejected_at: datetime
    accepted_at: datetime


def needs(kept: Record, now: datetime) -> tuple[Need, ...]:
    """Lanes that drift, are watched or failed grossly, the neediest first."""
    found = kept_record.findings(kept, now)
    told = []
    for lane, status, sentence in drift.lanes(found, language=kept.language).itertuples(
        index=False
    ):
        gross = kept_record.gross_sentences(kept, lane, now)
        if not gross and status not in ("drifting", "watch"):
            continue
        drifting = (each for each in found if each.lane == lane and each.status == "drifting")
        unanswered = tuple(each.category for each in drifting if each.acknowledged is None)
        said = (*gross, sentence) if status in ("drifting", "watch") else gross
        told.append(Need(lane, kept_record.word(status, gross, down=False), said, unanswered))
    return tuple(sorted(told, key=lambda each: each.word != "gross"))


@lru_cache(maxsize=KEPT)
def lots(store: Store, kept: Record, day: date, until: datetime | None) -> tuple[Lot, ...]:
    """Every lot that stands held or locked on a production day, the newest first; locked before.

    As the record has it, or with `until` as it stood then.
    """
    first = min(kept.programme.shifts, key=lambda each: each.start).code
    begin = shift_times(kept.programme, day - timedelta(days=DAYS - 1), first)[0]
    done = _done(kept, until)
    found = [_lot(each, begin, done) for each in _held(kept, _judged(store, kept, until), until)]
    found.sort(key=lambda each: each.since or begin, reverse=True)
    return tuple(sorted(found, key=lambda each: (each.floor != "locked", not each.recent)))


def floors(
    store: Store, kept: Record, day: date, shift: str, until: datetime | None
) -> dict[str, int]:
    """How many lots of a shift the floor releases, holds and locks."""
    table = _judged(store, kept, until).of_days(day, day)
    found = verdicts_of(table[table["shift"] == shift])
    then: Sequence[LotVerdict | None] = (
        found if until is None else [each.at(until, kept.language) for each in found]
    )
    return dict(Counter(each.floor for each in then if each is not None))


def accepted(kept: Record, start: datetime, end: datetime) -> tuple[Accepted, ...]:
    """Lots whose rejection a re-audit pulled in a stretch of time overturned, in that order."""

    def again(part: pd.DataFrame) -> "pd.Series[bool]":
        return (part["purpose"] == "re-audit") & _between(part, start, end)

    found = []
    for lot in verdicts_of(kept_record.lots_of(kept, kept.audits.where(again))):
        rejected = None
        for at, verdict in lot.stood:
            if verdict == "accept" and rejected is not None and start <= at < end:
                found.append(Accepted(lot.lot, lot.lane, utc(rejected), utc(at)))
            rejected = None if verdict == "accept" else at if verdict == "reject" else rejected
    return tuple(sorted(found, key=lambda each: each.accepted_at))


def _lot(held: LotVerdict, begin: datetime, done: dict[tuple[str, str, str], HeldTote]) -> Lot:
    since = None if held.since is None else utc(held.since)
    totes = (done.get((held.site, held.lane, each), HeldTote(each)) for each in held.held)
    recent = held.floor == "locked" or since is None or since >= begin
    told = (held.verdict, held.floor, held.why, held.next, held.hold)
    return Lot(held.lot, held.lane, *told, tuple(totes), since, recent)


def _done(kept: Record, until: datetime | None) -> dict[tuple[str, str, str], HeldTote]:
    made = (
        kept.dispositions if until is None else kept.dispositions[kept.dispositions["at"] <= until]
    )
    newest = made.drop_duplicates(["site", "lane", "tote"], keep="last")
    return {
        (row.site, row.lane, row.tote): HeldTote(row.tote, row.what, row.by, utc(row.at))
        for row in newest.itertuples()
    }


def _judged(store: Store, kept: Record, until: datetime | None) -> Judged:
    """Every verdict, with what was locked at a moment."""
    if until is None:
        return kept.judged
    found = records.findings(store)
    found = found[(found["found_at"] <= until) & ~(found["lifted_at"] <= until)]
    if found.empty:
        return kept.unlocked
    return kept.unlocked.locked(
        kept_record.lanes_rows(kept, set(found["lane"]), until),
        found.assign(lifted_at=pd.NaT),
        kept.programme,
    )


def _held(kept: Record, judged: Judged, until: datetime | None) -> list[LotVerdict]:
    lanes = {each.code for programme in kept.programmes.values() for each in programme.lanes}
    found = [each for lane in sorted(lanes) for each in judged.held_back(lane, *EVER)]
    found += _locked_unseen(kept, judged)
    if until is not None:
        found += verdicts_of(judged.of_codes(_judged_again(kept, until)))
        then = (each.at(until, kept.language) for each in found)
        found = [each for each in then if each is not None]
    known = {(each.site, each.lot, str(each.began)): each for each in found}
    return [each for each in known.values() if each.floor != "release"]


def _locked_unseen(kept: Record, judged: Judged) -> list[LotVerdict]:
    """Locked lots of which nothing was audited."""
    found = []
    for row in kept.findings.itertuples():
        at = utc(row.found_at)
        day, _ = production_day_and_shift(kept.programme, at) or (at.date(), "")
        table = judged.of_days(day, day)
        found += verdicts_of(table[table["last_pulled_at"].isna()])
    return found


@lru_cache(maxsize=KEPT)
def _judged_again(kept: Record, until: datetime) -> tuple[tuple[str, str], ...]:
    """Codes of the lots that were audited before a moment and after it."""
    reach = until - USED_AGAIN, until + USED_AGAIN

    def near(part: pd.DataFrame) -> "pd.Series[bool]":
        return part["purpose"].isin(JUDGING) & _between(part, *reach)

    def again(part: pd.DataFrame) -> "pd.Series[bool]":
        return (part["purpose"] == "re-audit") & _between(part, until, EVER[1])

    audits = kept.audits.where(near)
    after = audits[audits["pulled_at"] > until]
    before = audits.loc[audits["pulled_at"] <= until, "lot"]
    both = pd.concat([after[after["lot"].isin(set(before))], kept.audits.where(again)])
    return tuple(dict.fromkeys(zip(both["site"], both["lot"], strict=True)))


def _between(part: pd.DataFrame, begin: datetime, end: datetime) -> "pd.Series[bool]":
    return (part["pulled_at"] >= pd.Timestamp(begin)) & (part["pulled_at"] < pd.Timestamp(end))


def verdicts_of(table: pd.DataFrame) -> list[LotVerdict]:
    """The rows of a table of lots, each as a verdict."""
    return [LotVerdict(**{str(k): v for k, v in row.items()}) for row in table.to_dict("records")]
