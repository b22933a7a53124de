"""Verdicts kept up with the record: what comes last is judged from where the replay stood.

The fold of `qa.verdicts.judging` is the definition. Here it is stopped where each day begins, so
that an audit that comes late, or is corrected or voided, is replayed from its own day on; the
answers are those of a replay of everything.
"""

from bisect import bisect_left, insort
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any

import pandas as pd

from qa.audit import Audit
from qa.programme import Programme
from qa.tally import COLUMNS
from qa.verdicts.answer import (
    LotVerdict,
    inspection_in_force,
    newest,
    not_judged,
    put_lock,
    table_of,
    verdict_of,
)
from qa.verdicts.holding import Filled, Held, accepted, of_lane, placed
from qa.verdicts.judging import JUDGING, Case, Judge, Lot, Record, Standing
from qa.verdicts.locks import locks
from qa.wording import load

KEPT = 20  # changes that an older look at the verdicts may lie behind
_NEEDED = (
    *("key", "site", "lot", "lane", "product", "programme", "shift", "day", "tote", "purpose"),
    *("inspected", "pulled_at", "re_sorted_at", "fill_start"),
)
_BATCH = 50_000
Resumed = Mapping[tuple[str, str], Sequence[Any]]
Since = Callable[[pd.Timestamp | None], pd.DataFrame]


@dataclass(frozen=True, slots=True)
class _Stop:
    """How the replay stood when a day began, and lots that it touched since, as they were then."""

    begins: pd.Timestamp
    standing: Standing
    touched: dict[Lot, Case | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """Every lot's verdict at one state of the record; nothing that comes later changes it.

    Attributes
    ----------
    in_force : DataFrame
        As `qa.verdicts.in_force` gives it.
    """

    in_force: pd.DataFrame
    _days: Mapping[Any, tuple[Lot, ...]]
    _following: "Following"
    _number: int
    _locked: Mapping[Lot, LotVerdict] = field(default_factory=dict)

    def of_days(self, first: date, last: date | None = None) -> pd.DataFrame:
        """The verdicts of lots that began on some production days, both included, or from one on.

        As `qa.verdicts.lots` gives them.
        """
        begin, end = pd.Timestamp(first), pd.Timestamp(last or date.max)
        days = sorted(day for day in self._days if begin <= day <= end)
        lots = (lot for day in days for lot in self._days[day])
        locked = (lot for lot, each in self._locked.items() if begin <= each.day <= end)
        return self._table((*lots, *locked))

    def held_back(self, lane: str, begin: datetime, end: datetime) -> list[LotVerdict]:
        """Lots of a lane that stand held or locked, by when the last of each was pulled."""
        lots = dict.fromkeys((*self._following.not_free(lane, self._number), *self._locked))
        found = [
            each
            for each in self._told(lots).values()
            if each.lane == lane
            and each.floor in ("hold", "locked")
            and not pd.isna(each.last_pulled_at)
            and begin <= each.last_pulled_at < end
        ]
        return sorted(found, key=lambda each: each.last_pulled_at)

    def of_audit(self, audit: Audit) -> LotVerdict:
        """As `qa.verdicts.of_audit` gives it, for an audit that is in the record."""
        if audit.purpose not in JUDGING:
            return not_judged(audit, self._following.words)
        own = self.of_codes([(audit.site, audit.lot)])
        own = own[own["began"] <= audit.pulled_at].sort_values("began", kind="stable")
        return LotVerdict(**{str(name): value for name, value in own.iloc[-1].to_dict().items()})

    def of_codes(self, codes: Iterable[tuple[str, str]]) -> pd.DataFrame:
        """The verdicts of every lot of some sites and codes."""
        wanted = dict.fromkeys(codes)
        lots = self._following.of_codes(wanted, self._number)
        locked = (lot for lot in self._locked if lot[:2] in wanted)
        return self._table((*lots, *locked))

    def locked(self, rows: pd.DataFrame, findings: pd.DataFrame, programme: Programme) -> "Judged":
        """With what food-safety findings lock.

        Parameters
        ----------
        rows : tally
            Of the lanes of the findings, audits of every purpose.
        findings : DataFrame
            Columns `FINDING`; where there is a ``lifted_at``, those that have one lock no more.
        programme : Programme
            The newest.
        """
        words = self._following.words
        found = list(locks(rows, findings, programme, words))
        codes = {(each.site, each.lot): None for each in found}
        verdicts = self._told(self._following.of_codes(codes, self._number))
        for each in found:
            put_lock(words, each, verdicts)
        held = {lot: each for lot, each in verdicts.items() if each.floor == "locked"}
        return replace(self, _locked=held)

    def _table(self, lots: Iterable[Lot]) -> pd.DataFrame:
        return table_of(self._told(lots).values())

    def _told(self, lots: Iterable[Lot]) -> dict[Lot, LotVerdict]:
        told = ((lot, self._of(lot)) for lot in lots)
        return {lot: each for lot, each in told if each is not None}

    def _of(self, lot: Lot) -> LotVerdict | None:
        return self._locked.get(lot) or self._following.verdict(lot, self._number)


class Following:
    """The verdicts of one store's audits, in one language.

    Parameters
    ----------
    language : str
    """

    def __init__(self, language: str = "en") -> None:
        self.words = load(language)
        self._judge = Judge({}, self.words)
        self._known: Resumed = {}
        self._stops: list[_Stop] = []
        self._last: tuple[Any, str] | None = None  # what was taken last: when pulled, its key
        self._lanes: dict[tuple[str, str], list[Filled]] = {}
        self._before: dict[Lot, Filled | None] = {}  # lots touched, where they stood
        self._held: dict[Lot, Held] = {}
        self._verdicts: dict[Lot, LotVerdict] = {}
        self._days: dict[Any, tuple[Lot, ...]] = {}
        self._not_free: dict[str, dict[Lot, None]] = {}
        self._undone: deque[tuple[int, dict[Lot, LotVerdict | None]]] = deque(maxlen=KEPT)
        self._number = 0

    def follow(
        self,
        gone: pd.DataFrame,
        new: pd.DataFrame,
        since: Since,
        programmes: Mapping[int, Programme],
        resumed: Resumed,
    ) -> Judged:
        """The verdicts after some audits went and others came.

        Parameters
        ----------
        gone, new : tally
        since : callable
            Gives the audits pulled from a moment on, as they stand now.
        programmes : mapping of version to Programme
        resumed : mapping of (site, lane) to moments
            When the cause of a stop was put right.
        """
        said_anew = bool(self._stops) and newest(programmes) != newest(self._judge.programmes)
        self._judge.programmes = dict(programmes)
        late = self._late(gone, new, resumed)
        if late is not None:
            self._back_to(late)
            new = since(late)
        self._judge.put_right(resumed, self._last and self._last[0])
        self._known = {lane: tuple(moments) for lane, moments in resumed.items()}
        for audit in _records(new):
            self._take(audit)
        self._tell(newest(programmes), self._lanes if said_anew else ())
        in_force = inspection_in_force(self._judge, newest(programmes))
        return Judged(in_force, dict(self._days), self, self._number)

    def verdict(self, lot: Lot, number: int) -> LotVerdict | None:
        """A lot's verdict after a change; None if it had not begun."""
        found = self._verdicts.get(lot)
        for undone in self._since(number):
            found = undone.get(lot, found)
        return found

    def of_codes(self, codes: Mapping[tuple[str, str], Any], number: int) -> list[Lot]:
        """Every lot of some sites and codes after a change; those of one code as they began."""
        lots = [lot for code in codes for lot in self._judge.of_code(*code)]
        lots += [lot for undone in self._since(number) for lot in undone if lot[:2] in codes]
        return sorted(set(lots))

    def not_free(self, lane: str, number: int) -> list[Lot]:
        """Lots of a lane that may not have been released after a change."""
        undone = [lot for each in self._since(number) for lot in each]
        return [*list(self._not_free.get(lane, ())), *undone]

    def _since(self, number: int) -> Iterator[dict[Lot, LotVerdict | None]]:
        """What every later change undid, the last one first."""
        return (undone for at, undone in reversed(list(self._undone)) if at > number)

    def _late(self, gone: pd.DataFrame, new: pd.DataFrame, resumed: Resumed) -> Any:
        """The day from which the replay must go back over what it took; None where it need not."""
        if self._last is None:
            return None
        moments = [_first(gone), _first(new)]
        if moments[1] is not None and _first_key(new) > self._last:
            moments[1] = None
        for lane in {**self._known, **resumed}:
            differing = set(self._known.get(lane, ())) ^ set(resumed.get(lane, ()))
            moments += [each for each in differing if each <= self._last[0]]
        found = [pd.Timestamp(each) for each in moments if each is not None]
        return min(found).normalize() if found else None

    def _back_to(self, day: pd.Timestamp) -> None:
        while self._stops and self._stops[-1].begins >= day:
            stop = self._stops.pop()
            for lot in stop.touched:
                self._touch(lot)
            self._judge.put_back(stop.standing, stop.touched)
        # Nothing from that day on was taken: what was put right since is to be learnt again.
        self._last = (day - pd.Timedelta(1, "us"), "") if self._stops else None

    def _take(self, audit: Record) -> None:
        day = audit["pulled_at"].normalize()
        if not self._stops or self._stops[-1].begins < day:
            self._stops.append(_Stop(day, self._judge.standing()))
        touched, lot = self._stops[-1].touched, self._judge.going_on(audit)
        if lot is not None:
            self._touch(lot)
            if lot not in touched:
                touched[lot] = self._judge.lots[lot].copy()
        self._judge.take(audit)
        if lot is None:
            lot = self._judge.of_code(audit["site"], audit["lot"])[-1]
            touched[lot] = None
            self._touch(lot, begun=True)
        self._last = audit["pulled_at"], audit["key"]

    def _touch(self, lot: Lot, *, begun: bool = False) -> None:
        """Remember where a lot stood before this change."""
        if lot not in self._before:
            self._before[lot] = None if begun else placed(lot, self._judge.lots[lot])

    def _tell(self, programme: Programme, anew: Iterable[tuple[str, str]]) -> None:
        """The verdicts of lots touched, and of those that hold back others than before."""
        begin: dict[tuple[str, str], Filled | None] = dict.fromkeys(anew)
        for lot, was in self._before.items():
            case = self._judge.lots.get(lot)
            now = placed(lot, case) if case else None
            if now is None:
                self._held.pop(lot, None)
            if was != now:
                self._move(was, now)
            for place in (was, now):
                if place is not None:
                    lane = lot[0], place.lane
                    first = begin.get(lane, place)
                    begin[lane] = first if first is None else min(first, place)
        told = dict.fromkeys(self._before)
        self._before = {}
        for lane, first in begin.items():
            told |= dict.fromkeys(self._hold(lane, first, programme))
        self._put(told)

    def _move(self, was: Filled | None, now: Filled | None) -> None:
        for place in (was, now):
            if place is None:
                continue
            rows = self._lanes.setdefault((place.lot[0], place.lane), [])
            if place is now:
                insort(rows, place)
            else:
                del rows[bisect_left(rows, place)]

    def _hold(
        self, lane: tuple[str, str], first: Filled | None, programme: Programme
    ) -> Iterator[Lot]:
        """Lots of a lane, from a place on, that hold back others than they did."""
        rows = self._lanes.get(lane, [])
        begin = bisect_left(rows, first) if first else 0
        back = begin - 1
        while back >= 0 and not accepted(self._judge.lots[rows[back].lot]):
            back -= 1
        held = dict(of_lane(self._judge, programme, lane[1], rows[max(back, 0) :]))
        for row in rows[begin:]:
            now = held.get(row.lot)
            if now != self._held.get(row.lot):
                yield row.lot
            if now is None:
                self._held.pop(row.lot, None)
            else:
                self._held[row.lot] = now

    def _put(self, lots: Iterable[Lot]) -> None:
        undone: dict[Lot, LotVerdict | None] = {}
        self._undone.append((self._number + 1, undone))
        days: dict[Any, dict[Lot, None]] = {}
        for lot in lots:
            case, was = self._judge.lots.get(lot), self._verdicts.get(lot)
            undone[lot] = was
            if was is not None:
                self._not_free.get(was.lane, {}).pop(lot, None)
            if case is None:
                self._verdicts.pop(lot, None)
            else:
                told = verdict_of(self._judge.words, lot, case, self._held.get(lot))
                self._verdicts[lot] = told
                if told.floor != "release":
                    self._not_free.setdefault(told.lane, {})[lot] = None
                if was is None or was.day != told.day:
                    days.setdefault(told.day, {})[lot] = None
            if was is not None and (case is None or was.day != self._verdicts[lot].day):
                days.setdefault(was.day, {})
        for day, more in days.items():
            found = [*self._days.get(day, ()), *more]
            still = (lot for lot in dict.fromkeys(found) if self._is_of(lot, day))
            order = sorted(still, key=lambda lot: self._judge.lots[lot].order)
            self._days[day] = tuple(order)
        self._number += 1

    def _is_of(self, lot: Lot, day: Any) -> bool:
        told = self._verdicts.get(lot)
        return told is not None and told.day == day


def _judging(rows: pd.DataFrame) -> pd.DataFrame:
    return rows[rows["purpose"].isin(JUDGING).to_numpy()]


def _first(rows: pd.DataFrame) -> Any:
    """When the first of some audits that judge a lot was pulled."""
    judging = _judging(rows)
    return judging["pulled_at"].min() if len(judging) else None


def _first_key(rows: pd.DataFrame) -> tuple[Any, str]:
    judging = _judging(rows)
    return min(zip(judging["pulled_at"], judging["key"], strict=True))


def _records(rows: pd.DataFrame) -> Iterator[Record]:
    """Audits that judge a lot, in order of pulling, with what is needed of each."""
    judging = _judging(rows)
    if len(judging) > 1 and not judging["pulled_at"].is_monotonic_increasing:
        judging = judging.sort_values(["pulled_at", "key"], kind="stable")
    counts = [str(name) for name in rows.columns if name not in (*COLUMNS, "number")]
    names = (*_NEEDED, *counts)
    for at in range(0, len(judging), _BATCH):
        part = judging.iloc[at : at + _BATCH]
        columns = (part[name].tolist() for name in names)
        for values in zip(*columns, strict=True):
            yield dict(zip(names, values, strict=True))
