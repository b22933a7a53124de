"""Every lot's verdict at one state of the record, told of those that somebody asks for."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa.audit import Audit
from qa.programme import Programme
from qa.verdicts.answer import (
    LotVerdict,
    inspection_in_force,
    newest,
    not_judged,
    put_lock,
    table_of,
    verdict_of,
)
from qa.verdicts.back import Back
from qa.verdicts.cases import Case, Lot, Standing
from qa.verdicts.columns import Table, alike
from qa.verdicts.folding import VERDICTS, Names, judged_anew, lot_of
from qa.verdicts.holding import Held, accepted, of_lane, placed
from qa.verdicts.judging import JUDGING, Judge
from qa.verdicts.locks import locks
from qa.wording import load

Whole = NDArray[np.int64]
ACCEPTS, REJECTS = VERDICTS.index("accept"), VERDICTS.index("reject")
TIMES = ("began", "last_pulled_at")


class Filling(NamedTuple):
    """The lots of a lane in the order in which they were filled: when, and the first row of each.

    Of lots filled at one moment the one that began first is first.
    """

    at: NDArray[np.datetime64]
    head: Whole

    def place(self, at: Any, head: int) -> int:
        """Where a lot stands."""
        first = int(np.searchsorted(self.at, np.datetime64(at.tz_localize(None))))
        return first + int(np.flatnonzero(self.head[first:] == head)[0])

    def of(self, chosen: Any) -> "Filling":
        """Some of them, or in another order."""
        return Filling(self.at[chosen], self.head[chosen])


@dataclass(frozen=True, slots=True, eq=False)
class Replay:
    """The audits that judge, with what each of them found: nothing that comes later changes it.

    Attributes
    ----------
    names, table
        The audits in order of pulling.
    more : mapping
        Of lots with several audits: the first one's row to the others'.
    lanes : mapping of (site, lane) to Filling
    back : Back
        Lots that are not accepted.
    standing : Standing
        At the end.
    programmes : mapping of version to Programme
    judges : mapping of language to Judge
        What each has worded is kept.
    """

    names: Names
    table: Table
    more: Mapping[int, Sequence[int]]
    lanes: Mapping[tuple[str, str], Filling]
    back: Back
    standing: Standing
    programmes: Mapping[int, Programme]
    judges: dict[str, Judge]

    def judge(self, language: str) -> Judge:
        """Who judges in a language."""
        if language not in self.judges:
            self.judges[language] = Judge({}, load(language))
        judge = self.judges[language].at(self.standing)
        judge.programmes = self.programmes
        return judge

    def rows(self, head: int) -> tuple[int, ...]:
        """The rows of a lot."""
        return (head, *self.more.get(head, ()))

    def of_days(self, first: date, last: date) -> Whole:
        """First rows of the lots that began on some production days, in their order."""
        day = self.table["day"]
        found = np.flatnonzero((day >= np.datetime64(first)) & (day <= np.datetime64(last)))
        found = found[self.table["head"][found] == found]
        order: Whole = found[np.argsort(day[found], kind="stable")]
        return order

    def of_codes(self, codes: Iterable[tuple[str, str]]) -> list[int]:
        """First rows of every lot of some sites and codes."""
        wanted = dict.fromkeys(codes)
        asked = np.zeros(len(self.names.texts.every), dtype=np.bool_)
        known = (self.names.texts.known(code) for _, code in wanted)
        asked[[each for each in known if each is not None]] = True
        rows = np.flatnonzero(asked[self.table["lot"]])
        heads: list[int] = rows[self.table["head"][rows] == rows].tolist()
        sites = {site for site, _, _ in self.names.groups.every}
        if len(sites) == 1 and sites == {site for site, _ in wanted}:
            return heads
        return [head for head in heads if lot_of(self.names, self.table, head)[:2] in wanted]

    def lanes_of(self, heads: Whole) -> NDArray[np.object_]:
        """The lane of each of some lots."""
        lanes = np.array([each.lane for each in self.names.groups.every], dtype=object)
        found: NDArray[np.object_] = lanes[self.table["group"][heads]]
        return found

    def lot(self, head: int) -> Lot:
        """The lot that begins with a row."""
        return lot_of(self.names, self.table, head)

    def cases(self, judge: Judge, heads: Iterable[int]) -> dict[int, Case]:
        """Some lots as they stand."""
        return judged_anew(judge, self.names, self.table, {head: self.rows(head) for head in heads})


@dataclass(frozen=True, eq=False)
class Judged:
    """The verdicts of a replay in one language."""

    replay: Replay
    language: str = "en"
    _locked: Mapping[Lot, LotVerdict] = field(default_factory=dict)

    @cached_property
    def in_force(self) -> pd.DataFrame:
        """As `qa.verdicts.in_force` gives it."""
        judge = self.replay.judge(self.language)
        return inspection_in_force(judge, newest(self.replay.programmes))

    def of_days(self, first: date, last: date | None = None) -> pd.DataFrame:
        """The verdicts of lots that began on some production days, both included, or from one on.

        As `qa.verdicts.lots` gives them.
        """
        begin, end = pd.Timestamp(first), pd.Timestamp(last or date.max)
        locked = [lot for lot, each in self._locked.items() if begin <= each.day <= end]
        return self._table(self.replay.of_days(first, last or date.max), locked)

    @cached_property
    def back(self) -> Back:
        """Lots that stand held and are not locked."""
        every = self.replay.back
        same = self.replay.of_codes(lot[:2] for lot in self._locked) if self._locked else []
        locked = [head for head in same if self.replay.lot(head) in self._locked]
        return every.of(~np.isin(every.head, locked))

    @property
    def locks(self) -> tuple[LotVerdict, ...]:
        """Lots that stand locked."""
        return tuple(self._locked.values())

    def told(self, heads: Sequence[int]) -> list[LotVerdict]:
        """The verdicts of the lots that begin with some rows."""
        return list(self._told(heads).values())

    def held_back(self, lane: str, begin: datetime, end: datetime) -> list[LotVerdict]:
        """Lots of a lane that stand held or locked, by when the last of each was pulled."""
        ends = [np.datetime64(pd.Timestamp(each).tz_convert(None)) for each in (begin, end)]
        inside = (self.back.last >= ends[0]) & (self.back.last < ends[1])
        heads = self.back.head[inside]
        found = self.told(heads[self.replay.lanes_of(heads) == lane].tolist())
        for each in self.locks:
            last = each.last_pulled_at
            if each.lane == lane and not pd.isna(last) and begin <= last < end:
                found.append(each)
        return sorted(found, key=lambda each: each.last_pulled_at)

    def of_audit(self, audit: Audit) -> LotVerdict:
        """As `qa.verdicts.of_audit` gives it, for an audit that is in the record."""
        if audit.purpose not in JUDGING:
            return not_judged(audit, load(self.language))
        own = self.of_codes([(audit.site, audit.lot)])
        own = own[own["began"] <= audit.pulled_at].sort_values("began", kind="stable")
        return LotVerdict(**{str(name): value for name, value in own.iloc[-1].to_dict().items()})

    def of_codes(self, codes: Iterable[tuple[str, str]]) -> pd.DataFrame:
        """The verdicts of every lot of some sites and codes."""
        wanted = dict.fromkeys(codes)
        locked = [lot for lot in self._locked if lot[:2] in wanted]
        return self._table(np.array(self.replay.of_codes(wanted), dtype=np.int64), locked)

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
        words = load(self.language)
        found = list(locks(rows, findings, programme, words))
        verdicts = self._told(self.replay.of_codes((each.site, each.lot) for each in found))
        for each in found:
            put_lock(words, each, verdicts)
        held = {lot: each for lot, each in verdicts.items() if each.floor == "locked"}
        return replace(self, _locked=held)

    def _told(self, heads: Sequence[int]) -> dict[Lot, LotVerdict]:
        """Some lots, each told by itself."""
        judge = self.replay.judge(self.language)
        cases = self.replay.cases(judge, heads)
        back = _held(self.replay, judge, cases)
        lots = ((self.replay.lot(head), head) for head in heads)
        return {
            lot: self._locked.get(lot) or verdict_of(judge.words, lot, cases[head], back.get(lot))
            for lot, head in lots
        }

    def _table(self, heads: Whole, locked: Sequence[Lot]) -> pd.DataFrame:
        """The verdicts of some lots, and of those that are locked without an audit of theirs."""
        table, more = self.replay.table, self.replay.more
        apart = set(self.replay.of_codes(lot[:2] for lot in locked)) if locked else set()
        apart |= {head for head in heads.tolist() if head in more}
        again = [each.purpose == "re-audit" for each in self.replay.names.evidence.every]
        plain = ~np.isin(heads, list(apart)) & (table["verdict"][heads] != REJECTS)
        plain &= ~np.array(again, dtype=np.bool_)[table["evidence"][heads]]
        told = self._told(heads[~plain].tolist())
        told |= {lot: self._locked[lot] for lot in locked}
        parts = [self._alike(heads[plain])] if plain.any() else []
        parts += [table_of(told.values())] if told or not parts else []
        places = [np.flatnonzero(plain), np.flatnonzero(~plain)]
        order = np.concatenate([*places, np.arange(len(heads), len(heads) + len(told))])
        found = pd.concat(parts, ignore_index=True)
        return found.iloc[np.argsort(order[: len(found)], kind="stable")].reset_index(drop=True)

    def _alike(self, heads: Whole) -> pd.DataFrame:
        """Lots of one audit that none rejects: those that differ in name and time are told once."""
        table, texts = self.replay.table, self.replay.names.texts.every
        number, first = alike(*(table[name][heads] for name in ("states", "evidence", "group")))
        told = table_of(self._told(heads[first].tolist()).values())
        pulled = pd.DatetimeIndex(table["pulled_at"][heads]).tz_localize("UTC")
        return (
            told.take(number)
            .reset_index(drop=True)
            .assign(
                lot=[texts[each] for each in table["lot"][heads].tolist()],
                began=pulled,
                day=table["day"][heads],
                shift=[texts[each] for each in table["shift"][heads].tolist()],
                last_pulled_at=pulled,
            )
        )


def _held(replay: Replay, judge: Judge, cases: Mapping[int, Case]) -> dict[Lot, Held]:
    """What those of some lots that stand rejected hold back."""
    wanted: dict[tuple[str, str], list[int]] = {}
    for head, case in cases.items():
        lot = replay.lot(head)
        place = placed(lot, case) if case.standing.verdict == "reject" else None
        if place is not None:
            lane = lot[0], place.lane
            wanted.setdefault(lane, []).append(replay.lanes[lane].place(place.at, head))
    found: dict[Lot, Held] = {}
    for lane, places in wanted.items():
        for first, last in _runs(replay, judge, replay.lanes[lane], sorted(places)):
            heads = replay.lanes[lane].head[first : last + 1].tolist()
            of = {replay.lot(head): case for head, case in replay.cases(judge, heads).items()}
            rows = [place for lot, case in of.items() if (place := placed(lot, case))]
            programme = newest(replay.programmes)
            found.update(of_lane(judge.words, programme, lane[1], rows, of))
    return found


def _runs(
    replay: Replay, judge: Judge, filling: Filling, places: Sequence[int]
) -> Iterator[tuple[int, int]]:
    """Stretches of a lane from the last accepted lot to those at some places, each once."""
    run: tuple[int, int] | None = None
    for place in places:
        first = place - 1
        until = run[1] if run else -1
        while first > until and not _accepted(replay, judge, int(filling.head[first])):
            first -= 1
        if run and first == until and not _accepted(replay, judge, int(filling.head[first])):
            run = run[0], place
            continue
        if run:
            yield run
        run = max(first, 0), place
    if run:
        yield run


def _accepted(replay: Replay, judge: Judge, head: int) -> bool:
    """Whether a lot was accepted by its own sample, and stands accepted."""
    if head not in replay.more:
        return bool(replay.table["verdict"][head] == ACCEPTS)
    return accepted(replay.cases(judge, [head])[head])
