"""Verdicts kept up with the record: what comes last is judged from where the replay stood.

The fold of `qa.verdicts.judging` is the definition. Here it is stopped where each day begins, so
that an audit that comes late, or is corrected or voided, is replayed from its own day on; the
answers are those of a replay of everything.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from qa.programme import Programme
from qa.tally import in_order
from qa.verdicts import back
from qa.verdicts.cases import Case
from qa.verdicts.columns import Table
from qa.verdicts.folding import COLUMN_TYPES, Fold, Names, Stop, coded, judged_anew, lots
from qa.verdicts.judged import Filling, Replay, Whole
from qa.verdicts.judging import JUDGING, Judge
from qa.wording import load

Resumed = Mapping[tuple[str, str], Sequence[Any]]
Since = Callable[[pd.Timestamp | None], pd.DataFrame]
_NONE = Filling(np.empty(0, "datetime64[us]"), np.empty(0, np.int64))


class Following:
    """The verdicts of one store's audits."""

    def __init__(self) -> None:
        self._names = Names()
        self._fold = Fold(Judge({}, load("en")), self._names)
        self._judges: dict[str, Judge] = {}
        self._known: Resumed = {}
        self._stops: list[tuple[Any, int, Stop]] = []  # of each day: its row, how the fold stood
        self._last: tuple[Any, str] | None = None  # what was taken last: when pulled, its key
        self._table = Table(COLUMN_TYPES)
        self._more: dict[int, tuple[int, ...]] = {}
        self._lanes: dict[tuple[str, str], Filling] = {}
        self._back = back.NONE

    def follow(
        self,
        gone: pd.DataFrame,
        new: pd.DataFrame,
        since: Since,
        programmes: Mapping[int, Programme],
        resumed: Resumed,
    ) -> Replay:
        """How the verdicts stand after some audits went and others came.

        Parameters
        ----------
        gone, new : tally
        since : callable
            Gives the audits pulled from a moment on, as they stand now.
        programmes : mapping of version to Programme
        resumed : mapping of (site, lane) to moments
            When the cause of a stop was put right.
        """
        self._fold.judge.programmes = programmes = dict(programmes)
        placed, touched = self._table.size, np.empty(0, dtype=np.int64)
        late = self._late(gone, new, resumed)
        if late is not None:
            touched = self._back_to(late)
            new = since(late)
        self._fold.judge.put_right(resumed, self._last and self._last[0])
        self._known = {lane: tuple(moments) for lane, moments in resumed.items()}
        judging = _judging(new)
        size = self._table.size
        cases = self._take(judging) if len(judging) else {}
        touched = np.union1d(touched, self._table["head"][size:])
        self._place(touched, placed)
        self._stand(touched, cases)
        standing = self._fold.standing()
        of = (self._names, self._table, dict(self._more), dict(self._lanes), self._back)
        return Replay(*of, standing, programmes, self._judges)

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

    def _back_to(self, day: pd.Timestamp) -> Whole:
        """Stand where a day began; lots of before that were touched since."""
        size = self._table.size
        while self._stops and self._stops[-1][0] >= np.datetime64(day.tz_localize(None)):
            _, size, stop = self._stops.pop()
            self._fold.put_back(stop)
        heads = np.unique(self._table["head"][size:])
        for head in self._more.keys() & heads.tolist():
            still = tuple(row for row in self._more.pop(head) if row < size)
            if still:
                self._more[head] = still
        self._table = self._table.up_to(size)
        # Nothing from that day on was taken: what was put right since is to be learnt again.
        self._last = (day - pd.Timedelta(1, "us"), "") if self._stops else None
        return heads

    def _take(self, audits: pd.DataFrame) -> dict[int, Case]:
        """Take audits; the lots of several that were judged by hand are given as they stand."""
        table, judge = self._table, self._fold.judge
        new: dict[str, Any] = dict(coded(audits, self._names, judge))
        new["head"], new["number"], mixed = lots(self._names, table, new, judge)
        rows = table.size + np.arange(len(audits))
        new["mixed"] = np.where(mixed, new["head"], -1)
        heads = set(new["head"][mixed].tolist())
        earlier = {each: (each, *self._more.get(each, ())) for each in heads if each < table.size}
        cases = judged_anew(judge, self._names, table, earlier)
        cases |= {head: Case(head) for head in heads if head >= table.size}
        for begin, stop in self._fold.take_by_day(new, cases):
            day = new["pulled_at"][begin].astype("datetime64[D]")
            if not self._stops or self._stops[-1][0] < day:
                self._stops.append((day, table.size + begin, stop))
        again = new["head"] != rows
        for head, row in zip(new["head"][again].tolist(), rows[again].tolist(), strict=True):
            self._more[head] = (*self._more.get(head, ()), row)
        self._table = table.longer(new)
        self._last = audits["pulled_at"].iloc[-1], str(audits["key"].iloc[-1])
        return cases

    def _stand(self, touched: Whole, cases: dict[int, Case]) -> None:
        """Find anew whether some lots stand back."""
        several = self._more.keys() & set(touched.tolist())
        rows = {head: (head, *self._more[head]) for head in several - cases.keys()}
        by_hand = judged_anew(self._fold.judge, self._names, self._table, rows)
        now = {**by_hand, **{head: cases[head] for head in several & cases.keys()}}
        self._back = self._back.after(self._table, touched, now)

    def _place(self, touched: Whole, placed: int) -> None:
        """Find anew where some lots stand among those that their lanes filled.

        Those whose first row is below `placed` may stand there already.
        """
        old = touched[touched < placed]
        if len(old):
            self._lanes = {
                lane: filling.of(~np.isin(filling.head, old))
                for lane, filling in self._lanes.items()
            }
        rows = self._last_filled(touched[touched < self._table.size])
        groups = [(each.site, each.lane) for each in self._names.groups.every]
        lanes = list(dict.fromkeys(groups))
        lane = np.array([lanes.index(each) for each in groups], dtype=np.int64)
        of = lane[self._table["group"][rows]]
        for number in np.unique(of).tolist():
            self._lanes[lanes[number]] = self._with(lanes[number], rows[of == number])

    def _with(self, lane: tuple[str, str], rows: Whole) -> Filling:
        known = self._lanes.get(lane, _NONE)
        every = Filling(
            np.concatenate([known.at, self._table["filled_at"][rows]]),
            np.concatenate([known.head, self._table["head"][rows]]),
        )
        return every.of(np.lexsort((every.head, every.at)))

    def _last_filled(self, heads: Whole) -> Whole:
        """The row of each lot's tote that was filled last; none for a lot of re-audits alone."""
        several = self._more.keys() & heads.tolist()
        more = [row for head in several for row in self._more[head]]
        rows = np.concatenate([heads, np.array(more, dtype=np.int64)])
        again = [each.purpose == "re-audit" for each in self._names.evidence.every]
        rows = rows[~np.array(again, dtype=np.bool_)[self._table["evidence"][rows]]]
        head, at = self._table["head"][rows], self._table["filled_at"][rows]
        rows = rows[np.lexsort((-rows, at, head))]
        head = self._table["head"][rows]
        last: Whole = rows[np.diff(head, append=-1) != 0]
        return last


def _judging(rows: pd.DataFrame) -> pd.DataFrame:
    """Audits that judge a lot, in order of pulling."""
    judging = rows[rows["purpose"].isin(JUDGING).to_numpy()]
    return judging if judging["pulled_at"].is_monotonic_increasing else in_order(judging)


def _first(rows: pd.DataFrame) -> Any:
    """When the first of some audits that judge a lot was pulled."""
    judging = _judging(rows)
    return judging["pulled_at"].min() if len(judging) else None


def _first_key(rows: pd.DataFrame) -> tuple[Any, str]:
    judging = _judging(rows)
    return min(zip(judging["pulled_at"], judging["key"], strict=True))
