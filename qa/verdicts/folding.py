"""The fold of `qa.verdicts.judging` over many audits at once: which inspection each one found.

A lot's verdict rests on its own audits and on the inspection that they found. Here is found the
second, for all; the first is left until somebody asks. What a state of inspection becomes after an
audit is judged by `Judge`, once for all audits that are alike and found the same.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa.plans import Switching
from qa.programme import lot_size
from qa.tally import COLUMNS
from qa.verdicts.cases import USED_AGAIN, Case, Lot, Record, Standing
from qa.verdicts.columns import Columns, Numbered, Table, alike, moments, split
from qa.verdicts.judging import Judge, stream_kind
from qa.verdicts.telling import Stream

Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]
States = tuple[tuple[str, Switching], ...]  # the switching states of a group, by class
VERDICTS = ("accept", "reject", "pull more", "not judged")
COLUMN_TYPES: Mapping[str, Any] = {
    **dict.fromkeys(("group", "lot", "shift", "tote", "evidence"), np.int32),
    **dict.fromkeys(("day", "pulled_at", "re_sorted_at", "filled_at"), "datetime64[us]"),
    # The row of the first audit of its lot, and which of those with its code the lot is.
    **dict.fromkeys(("head", "number"), np.int32),
    # The states that the audit found, and what it says of a lot that it is alone in.
    **dict.fromkeys(("states", "verdict"), np.int32),
}
_NEVER = int(np.iinfo(np.int64).max)
_ANY = pd.Timestamp(0, tz="UTC")


class Group(NamedTuple):
    """Audits whose classes have one switching state each."""

    site: str
    lane: str
    product: str


class Evidence(NamedTuple):
    """All of an audit that its decision rests on, besides the inspection that it found."""

    version: int
    size: int  # of its lot, in pieces
    purpose: str
    inspected: int
    counts: tuple[tuple[str, int], ...]  # of the categories that were found


@dataclass(frozen=True, slots=True)
class Names:
    """What the numbers in the columns stand for."""

    texts: Numbered[str] = field(default_factory=Numbered)
    groups: Numbered[Group] = field(default_factory=Numbered)
    evidence: Numbered[Evidence] = field(default_factory=Numbered)
    states: Numbered[States] = field(default_factory=Numbered)


class _After(NamedTuple):
    """What comes of an audit: the states after it, its verdict, and the classes that it stopped."""

    states: int
    verdict: int
    stopped: tuple[str, ...]


def coded(rows: pd.DataFrame, names: Names, judge: Judge) -> dict[str, NDArray[Any]]:
    """Audits of a tally, in order of pulling, in the columns that hang on no other audit."""
    texts = {name: split(rows[name]) for name in (*Group._fields, "shift")}

    def text(name: str, at: int) -> str:
        codes, every = texts[name]
        return str(every[codes[at]])

    version = rows["programme"].to_numpy(dtype=np.int64)
    group, first = alike(*(texts[name][0] for name in Group._fields))
    groups = names.groups.of_all(Group(*(text(n, at) for n in Group._fields)) for at in first)
    place, first = alike(version, texts["lane"][0], texts["shift"][0])
    sizes = [
        lot_size(judge.programme(int(version[at])), text("lane", at), text("shift", at))
        for at in first
    ]
    size = np.array(sizes, dtype=np.int64)[place]
    pulled, filled = moments(rows["pulled_at"]), moments(rows["fill_start"])
    return {
        "group": np.array(groups, dtype=np.int32)[group],
        "evidence": _evidence(rows, version, size, names),
        **{name: _named(rows[name], names.texts) for name in ("lot", "shift", "tote")},
        "day": moments(rows["day"]),
        "pulled_at": pulled,
        "re_sorted_at": moments(rows["re_sorted_at"]),
        "filled_at": np.where(np.isnat(filled), pulled, filled),
    }


def _evidence(rows: pd.DataFrame, version: Whole, size: Whole, names: Names) -> NDArray[np.int32]:
    """The evidence that each audit has, by number."""
    purpose, purposes = split(rows["purpose"])
    inspected = rows["inspected"].to_numpy(dtype=np.int64)
    counts = {
        str(name): rows[name].to_numpy(dtype=np.int64)
        for name in rows.columns
        if name not in (*COLUMNS, "number")
    }
    number, first = alike(version, size, purpose, inspected, *counts.values())
    every = [
        Evidence(
            int(version[at]),
            int(size[at]),
            str(purposes[purpose[at]]),
            int(inspected[at]),
            tuple((code, int(each[at])) for code, each in counts.items() if each[at]),
        )
        for at in first
    ]
    numbers = np.array(names.evidence.of_all(every), dtype=np.int32)
    return numbers[number]


def _named(values: pd.Series, texts: Numbered[str]) -> NDArray[np.int32]:
    codes, every = split(values)
    numbers = np.array(texts.of_all(every.tolist()), dtype=np.int32)
    return numbers.take(codes)


def records(names: Names, table: Table | Columns, at: Any) -> Iterator[Record]:
    """Some rows of a table as records of audits, with what is needed to judge them."""
    codes = (table[name][at].tolist() for name in ("group", "evidence", "lot", "shift", "tote"))
    utc = ("pulled_at", "re_sorted_at", "filled_at")
    times = (pd.DatetimeIndex(table[name][at]).tz_localize("UTC").tolist() for name in utc)
    days = pd.DatetimeIndex(table["day"][at]).tolist()
    every = zip(*codes, *times, days, strict=True)
    for group, evidence, *texts, pulled, again, filled, day in every:
        lot, shift, tote = (names.texts.every[each] for each in texts)
        yield _record(names, group, evidence) | {
            "lot": lot,
            "shift": shift,
            "tote": tote,
            "pulled_at": pulled,
            "re_sorted_at": again,
            "fill_start": filled,
            "day": day,
        }


def _record(names: Names, group: int, evidence: int) -> dict[str, Any]:
    of = names.evidence.every[evidence]
    return {
        **names.groups.every[group]._asdict(),
        "programme": of.version,
        "purpose": of.purpose,
        "inspected": of.inspected,
        **dict(of.counts),
    }


def lot_of(names: Names, table: Table, head: int) -> Lot:
    """The lot that begins with a row."""
    site = names.groups.every[table["group"][head]].site
    return site, names.texts.every[table["lot"][head]], int(table["number"][head])


def judged_anew(
    judge: Judge, names: Names, table: Table, rows: Mapping[int, Sequence[int]]
) -> dict[int, Case]:
    """Lots as they stand, made from their audits and the states that each of those found.

    `rows` are those of each lot, which begins with the row that names it.
    """
    judge = judge.at(Standing({}, {}, {}))
    every = [at for each in rows.values() for at in each]
    audits = records(names, table, every)
    states = iter(table["states"][every].tolist())
    cases = {}
    for head, each in rows.items():
        case = cases[head] = Case(head)
        for _ in each:
            audit = next(audits)
            judge.states = states_of(group_of(audit), names.states.every[next(states)])
            judge.add(case, audit)
    return cases


def group_of(audit: Record) -> Group:
    """The group of an audit."""
    return Group(*(audit[name] for name in Group._fields))


def states_of(group: Group, states: States) -> dict[Stream, Switching]:
    """The states of a group's streams."""
    return {Stream(*group, severity): state for severity, state in states}


def lots(names: Names, table: Table, new: Columns, judge: Judge) -> tuple[Whole, Whole, Flags]:
    """Of audits that come after a table's: head, number, and whether their lot is mixed.

    A lot is mixed where a sample of it may take in several audits. A code that comes again is
    another lot's as `Case.ended` says.
    """
    asked = np.zeros(len(names.texts.every), dtype=np.bool_)
    asked[new["lot"]] = True
    earlier = np.flatnonzero(asked[table["lot"]])
    wanted = ("group", "lot", "evidence", "tote", "pulled_at", "re_sorted_at")
    c = {name: np.concatenate([table[name][earlier], new[name]]) for name in wanted}
    row = np.concatenate([earlier, table.size + np.arange(len(new["lot"]))])
    groups = pd.DataFrame(names.groups.every)
    lane, site = (pd.factorize(groups[name])[0][c["group"]] for name in ("lane", "site"))
    streams = [
        stream_kind(each.purpose, judge.programme(each.version)) for each in names.evidence.every
    ]
    stream = pd.factorize(np.array(streams, dtype=object), use_na_sentinel=False)
    kind = stream[0][c["evidence"]]
    again = kind == next(iter(np.flatnonzero(stream[1] == "again")), -1)
    aside = kind == next(iter(np.flatnonzero(stream[1] == "aside")), -1)
    code = site.astype(np.int64) * len(asked) + c["lot"]
    order = np.argsort(code, kind="stable")
    head, number = _begun(code[order], lane[order], c["pulled_at"][order], again[order])
    heads, numbers = np.empty_like(order), np.empty_like(order)
    heads[order], numbers[order] = order[head], number
    sample = np.where(again, c["re_sorted_at"].view(np.int64), np.where(aside, c["tote"], 0))
    several = np.bincount(heads, minlength=len(heads))[heads] > 1
    found = pd.DataFrame({"head": heads, "kind": kind, "sample": sample})[several]
    mixed = np.zeros(len(heads), dtype=np.bool_)
    mixed[found.loc[found.duplicated().to_numpy(), "head"].to_numpy()] = True
    new_ones = slice(len(earlier), None)
    return row[heads][new_ones], numbers[new_ones], mixed[heads][new_ones]


def _begun(code: Whole, lane: Whole, pulled: NDArray[Any], again: Flags) -> tuple[Whole, Whole]:
    """Of audits by code: where their lot begins, and which of the code's lots it is."""
    at = np.arange(len(code))
    first = np.ones(len(code), dtype=np.bool_)
    first[1:] = code[1:] != code[:-1]
    ended = np.ones(len(code), dtype=np.bool_)
    ended[1:] = (lane[1:] != lane[:-1]) | (np.diff(pulled) > np.timedelta64(USED_AGAIN))
    begins = first | (ended & ~again)
    number = np.cumsum(begins, dtype=np.int64)
    of_code = number - number[np.maximum.accumulate(np.where(first, at, 0))]
    return np.maximum.accumulate(np.where(begins, at, 0)), of_code


class Stop(NamedTuple):
    """How a replay stood: the states of each group, when some stopped, what is to end that."""

    states: tuple[int, ...]
    stopped_at: dict[Stream, Any]
    resumed: dict[tuple[str, str], list[Any]]


class Fold:
    """The states of every group, from one audit to the next: each group's by their number.

    Parameters
    ----------
    judge : Judge
    names : Names
    """

    def __init__(self, judge: Judge, names: Names) -> None:
        self.judge = judge
        self._names = names
        self._states: list[int] = []
        self._after: defaultdict[int, dict[int, _After]] = defaultdict(dict)
        self._due: list[int] = []  # when a cause was put right next, of each group

    def standing(self) -> Standing:
        """What the next audit rests on, besides its lot."""
        self.judge.states = {}
        for group in range(len(self._states)):
            self.judge.states |= self._streams(group)
        return self.judge.standing()

    def stop(self) -> Stop:
        """How the replay stands, to be put back."""
        _, stopped_at, resumed = self.judge.standing()
        return Stop(tuple(self._states), stopped_at, resumed)

    def put_back(self, stop: Stop) -> None:
        """Stand as it stood."""
        self.judge = self.judge.at(Standing({}, stop.stopped_at, stop.resumed))
        self._states = list(stop.states)

    def take_by_day(
        self, new: dict[str, NDArray[Any]], mixed: Mapping[int, Case]
    ) -> Iterator[tuple[int, Stop]]:
        """Take audits in columns, and write down the states that each found and what it says.

        Gives, before each day of theirs is taken, the row at which it begins and how the replay
        stands.
        `mixed` are lots that were mixed before; those that begin here are found by themselves.
        """
        size = len(new["lot"])
        new["states"], new["verdict"] = (np.zeros(size, dtype=np.int32) for _ in range(2))
        groups = self._names.groups.every
        none = self._names.states.of(())
        self._states += [none] * (len(groups) - len(self._states))
        self._due = [self._due_of(group) for group in range(len(groups))]
        day = new["pulled_at"].astype("datetime64[D]")
        begins = [0, *(np.flatnonzero(day[1:] != day[:-1]) + 1).tolist()]
        for begin, end in zip(begins, [*begins[1:], size], strict=True):
            yield begin, self.stop()
            found = list(self._found(new, slice(begin, end), mixed))
            new["states"][begin:end], new["verdict"][begin:end] = zip(*found, strict=True)

    def _found(
        self, new: Columns, rows: slice, mixed: Mapping[int, Case]
    ) -> Iterator[tuple[int, int]]:
        states, after, due = self._states, self._after, self._due
        columns = (new["group"], new["evidence"], new["pulled_at"].view(np.int64), new["mixed"])
        lists = (each[rows].tolist() for each in columns)
        for at, (group, evidence, pulled, lot) in enumerate(zip(*lists, strict=True), rows.start):
            if lot >= 0:
                yield self._by_hand(new, at, mixed[lot])
                continue
            if pulled >= due[group]:
                self._resume(group, pulled)
            before = states[group]
            then = after[before].get(evidence)
            if then is None:
                then = after[before][evidence] = self._worked_out(new, at)
            if then.stopped:
                self._stopped(group, pulled, then.stopped)
            states[group] = then.states
            yield before, then.verdict

    def _worked_out(self, new: Columns, at: int) -> _After:
        """What comes of an audit that begins a lot; the same of all with its evidence."""
        group, evidence, shift = (int(new[name][at]) for name in ("group", "evidence", "shift"))
        times = dict.fromkeys(("pulled_at", "re_sorted_at", "fill_start", "day"), _ANY)
        texts = {"lot": "", "tote": "", "shift": self._names.texts.every[shift]}
        audit = _record(self._names, group, evidence) | texts | times
        case, before = Case(0), dict(self.judge.stopped_at)
        self.judge.stopped_at = {}
        self.judge.states = self._streams(group)
        self.judge.add(case, audit)
        stopped = tuple(stream.severity for stream in self.judge.stopped_at)
        self.judge.stopped_at = before
        return _After(self._read(group), VERDICTS.index(case.standing.verdict), stopped)

    def _by_hand(self, new: Columns, at: int, case: Case) -> tuple[int, int]:
        """Take one audit of a lot of several, as the judge does."""
        audit = next(records(self._names, new, [at]))
        group, pulled = int(new["group"][at]), int(new["pulled_at"][at].astype(np.int64))
        if self.judge.begins(case, audit) and pulled >= self._due[group]:
            self._resume(group, pulled)
        before = self._states[group]
        self.judge.states = self._streams(group)
        self.judge.add(case, audit)
        self._states[group] = self._read(group)
        return before, VERDICTS.index(case.standing.verdict)

    def _streams(self, group: int) -> dict[Stream, Switching]:
        """The states of a group, as the judge takes them."""
        names = self._names
        return states_of(names.groups.every[group], names.states.every[self._states[group]])

    def _read(self, group: int) -> int:
        """The number of a group's states as the judge has them."""
        of = self._names.groups.every[group]
        found = ((s.severity, state) for s, state in self.judge.states.items() if s[:3] == of)
        return self._names.states.of(tuple(found))

    def _stopped(self, group: int, pulled: int, classes: Sequence[str]) -> None:
        of = self._names.groups.every[group]
        when = pd.Timestamp(pulled, unit="us", tz="UTC")
        self.judge.stopped_at.update({Stream(*of, each): when for each in classes})

    def _resume(self, group: int, pulled: int) -> None:
        """Stopped inspection of a group's lane starts again where its cause was put right."""
        groups = self._names.groups.every
        lane = groups[group].site, groups[group].lane
        same = [at for at, each in enumerate(groups) if (each.site, each.lane) == lane]
        self.judge.states = {}
        for each in same:
            self.judge.states |= self._streams(each)
        self.judge.resume(*lane, pd.Timestamp(pulled, unit="us", tz="UTC"))
        for each in same:
            self._states[each] = self._read(each)
            self._due[each] = self._due_of(each)

    def _due_of(self, group: int) -> int:
        """When a cause on a group's lane was put right next."""
        of = self._names.groups.every[group]
        moment = self.judge.next_put_right(of.site, of.lane)
        return _NEVER if moment is None else _micros(moment)


def _micros(moment: Any) -> int:
    return int(
        pd.Timestamp(moment).tz_convert(None).to_datetime64().astype("datetime64[us]").view("i8")
    )
