"""What stands open at a moment: lanes that need somebody, and lots that are held or locked."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dashboard.views import record as kept_record
from dashboard.views.keeping import KEPT, Record
from qa import drift
from qa.programme import shift_times
from qa.store import records
from qa.store.schema import Store
from qa.verdicts import JUDGING, USED_AGAIN, Judged, LotVerdict
from qa.wording import utc

DAYS = 2  # production days whose holds are told one by one
NEEDING = ("gross", "drifting", "watch", "down")
LISTED = 100  # lots held before, the newest; all are counted
EVER = datetime(2200, 1, 1, tzinfo=UTC)


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


class Counted(NamedTuple):
    """How many lots of a lane stand locked, held in the last production days, held before."""

    locked: int = 0
    held: int = 0
    before: int = 0


@dataclass(frozen=True, slots=True)
class Standing:
    """Lots that stand held or locked.

    Attributes
    ----------
    lots : tuple of Lot
        The locked, then the recent, then the newest `LISTED` of those held before.
    counts : mapping of lane to Counted
        Of every one.
    """

    lots: tuple[Lot, ...]
    counts: Mapping[str, Counted]

    @property
    def before(self) -> int:
        """Lots held before the last production days."""
        return sum(each.before for each in self.counts.values())


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
    """Lanes that drift, are watched, failed grossly or do not run, the neediest first."""
    found = kept_record.findings(kept, now)
    told = []
    for lane, status, sentence in drift.lanes(found, language=kept.language).itertuples(
        index=False
    ):
        gross = kept_record.gross_sentences(kept, lane, now)
        down = any(each.down_since for each in found if each.lane == lane)
        word = kept_record.word(status, gross, down=down)
        if word not in NEEDING:
            continue
        drifting = (each for each in found if each.lane == lane and each.status == "drifting")
        unanswered = tuple(each.category for each in drifting if each.acknowledged is None)
        said = (*gross, sentence) if down or status in ("drifting", "watch") else gross
        told.append(Need(lane, word, said, unanswered))
    return tuple(sorted(told, key=lambda each: NEEDING.index(each.word)))


@lru_cache(maxsize=KEPT)
def lots(store: Store, kept: Record, day: date, until: datetime | None) -> Standing:
    """Every lot that stands held or locked on a production day, the newest first; locked before.

    As the record has it, or with `until` as it stood then. Of the many that may stand held since
    long ago, those that nobody lists are counted and not told.
    """
    first = min(kept.programme.shifts, key=lambda each: each.start).code
    begin = shift_times(kept.programme, day - timedelta(days=DAYS - 1), first)[0]
    judged = _judged(store, kept, until)
    apart = _apart(kept, judged, until)
    heads, untold = _plainly(kept, judged, until, begin)
    done = _done(kept, until)
    found = [_lot(each, begin, done) for each in [*judged.told(heads.tolist()), *apart]]
    found.sort(key=lambda each: each.lane)
    found.sort(key=lambda each: each.since or begin, reverse=True)
    found.sort(key=lambda each: (each.floor != "locked", not each.recent))
    older = [each for each in found if not each.recent]
    listed = [each for each in found if each.recent] + older[:LISTED]
    return Standing(tuple(listed), _counted(found, judged.replay.lanes_of(untold)))


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
    found = []
    again = kept.audits.pulled(start, end, purpose="re-audit")
    for lot in verdicts_of(kept_record.lots_of(kept, again)):
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
    told = (held.verdict, held.floor, held.why, held.next, held.hold_brief)
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


def _plainly(
    kept: Record, judged: Judged, until: datetime | None, begin: datetime
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First rows of lots that stand held as the record has them: those to tell, those to count."""
    back, moment = judged.back, _plain(until or EVER)
    straddling = [] if until is None else judged.replay.of_codes(_judged_again(kept, until))
    back = back.of((back.last <= moment) & ~np.isin(back.head, straddling))
    back = back.of(np.argsort(back.since, kind="stable")[::-1])
    recent = int((back.since >= _plain(begin)).sum())
    return back.head[: recent + LISTED], back.head[recent + LISTED :]


def _apart(kept: Record, judged: Judged, until: datetime | None) -> list[LotVerdict]:
    """Lots that stand locked, and those held whose audits go on after the moment."""
    found = list(judged.locks)
    if until is not None:  # a lock stands whether its lot had an audit by then or not
        locks = [each.at(until, kept.language) or each for each in found]
        again = verdicts_of(judged.of_codes(_judged_again(kept, until)))
        then = (each.at(until, kept.language) for each in again)
        found = [*locks, *(each for each in then if each is not None)]
    known = {(each.site, each.lot, str(each.began)): each for each in found}
    return [each for each in known.values() if each.floor != "release"]


def _counted(told: Iterable[Lot], untold: Iterable[str]) -> dict[str, Counted]:
    places = ((lot.lane, 0 if lot.floor == "locked" else 1 if lot.recent else 2) for lot in told)
    found = Counter([*places, *((lane, 2) for lane in untold)])
    lanes = {lane for lane, _ in found}
    return {lane: Counted(*(found[lane, place] for place in range(3))) for lane in lanes}


def _plain(moment: datetime) -> np.datetime64:
    return np.datetime64(moment.astimezone(UTC).replace(tzinfo=None))


@lru_cache(maxsize=KEPT)
def _judged_again(kept: Record, until: datetime) -> tuple[tuple[str, str], ...]:
    """Codes of the lots that were audited before a moment and after it."""
    reach = until - USED_AGAIN, until + USED_AGAIN
    audits = kept.audits.pulled(*reach)
    audits = audits[audits["purpose"].isin(JUDGING)]
    after = audits[audits["pulled_at"] > until]
    before = audits.loc[audits["pulled_at"] <= until, "lot"]
    again = kept.audits.pulled(until, EVER, purpose="re-audit")
    both = pd.concat([after[after["lot"].isin(set(before))], again])
    return tuple(dict.fromkeys(zip(both["site"], both["lot"], strict=True)))


def verdicts_of(table: pd.DataFrame) -> list[LotVerdict]:
    """The rows of a table of lots, each as a verdict."""
    return [LotVerdict(**{str(k): v for k, v in row.items()}) for row in table.to_dict("records")]
