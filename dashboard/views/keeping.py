"""What is kept of a store in memory, from one look to the next: its record as views read it.

One reading a store is kept. What is recorded after it is read by itself, and changes what follows
from it where it must: `qa.store.following`, `qa.verdicts.Following` and `qa.drift.Totes`.
"""

import gc
import threading
from collections.abc import Collection, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import pandas as pd

from qa import drift, verdicts
from qa.errors import StoreError
from qa.programme import Programme
from qa.store import changes, deeds, following, records, signals
from qa.store.schema import Store
from qa.verdicts import Judged

STATES = 2
KEPT = 2 * STATES  # of what follows from a state, told in two languages
PATIENCE = 2.0  # seconds after which a page is shown as it last was, or says that it waits
ALL = "incorrect"  # every category together, as a category of its own


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """One state of a store: hashed by its identity, so that answers can be kept beside it.

    `audits` are those in memory; `window` and what is beside it give tallies of some of them.
    """

    programme: Programme
    programmes: dict[int, Programme]
    audits: following.Audits
    totes: drift.Totes
    judged: Judged
    findings: pd.DataFrame
    resumed: pd.DataFrame
    dispositions: pd.DataFrame
    known: drift.Known
    memory: drift.Memory
    unlocked: Judged  # what `judged` would be without findings
    language: str = "en"


class StillReading(StoreError):
    """The first reading is under way, and a page is not to wait for it."""


def record(store: Store, language: str = "en", *, older: bool = True) -> Record:
    """The record as it stands now, to be told in a language.

    While another is still reading what is new, the state before it, unless `older` ones will not
    do; `begin` says that the first reading is not to be waited for either.

    Raises
    ------
    StillReading
        If the first reading is under way, and is not to be waited for.
    StoreError
        If the store does not answer, or has no programme yet.
    """
    newest, kept = records.newest(store), of(store)
    if not kept.turn.acquire(timeout=kept.patience):
        if older and language in kept.told:
            return kept.told[language]
        if older or not kept.told:
            raise StillReading("the record is still being read, for the first time since the start")
        kept.turn.acquire()
    try:
        return kept.at(newest, language)
    finally:
        kept.turn.release()


def begin(store: Store, language: str = "en") -> None:
    """Read the store for the first time; whoever asks meanwhile is told so after a moment."""
    of(store).patience = PATIENCE
    record(store, language)


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    """What was read of a store at one moment."""

    programmes: dict[int, Programme]
    audits: following.Audits
    totes: drift.Totes
    findings: pd.DataFrame
    resumed: pd.DataFrame
    dispositions: pd.DataFrame
    known: drift.Known


class Kept:
    """What is kept of a store from one look to the next."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.turn = threading.RLock()
        self.patience = -1.0  # as long as it takes
        self.told: dict[str, Record] = {}
        self._newest: tuple[int, ...] = ()
        self._read: _Read | None = None
        self._replay: verdicts.Replay | None = None
        self._following = verdicts.Following()
        self._memory = drift.Memory()

    def at(self, newest: tuple[int, ...], language: str) -> Record:
        """The record at a state of the store, or a later one."""
        if newest != self._newest or self._read is None:
            self._advance(newest)
        if language not in self.told and self._read is not None and self._replay is not None:
            self.told[language] = self._tell(self._read, self._replay, language)
        return self.told[language]

    def _advance(self, newest: tuple[int, ...]) -> None:
        before = self._read
        with _first_time() if before is None else nullcontext():
            read, change = _first(self.store) if before is None else _next(self.store, before)
            replay = self._followed(read, change)
        self.told = {each: self._tell(read, replay, each) for each in self.told}
        self._read, self._replay, self._newest = read, replay, newest

    def _followed(self, read: _Read, change: following.Change) -> verdicts.Replay:
        since, moments = read.audits.since, _moments(read.resumed)
        try:
            return self._following.follow(change.gone, change.new, since, read.programmes, moments)
        except Exception:  # half of it may be taken: the next look takes the whole anew
            self._read, self._following = None, verdicts.Following()
            raise

    def _tell(self, read: _Read, replay: verdicts.Replay, language: str) -> Record:
        judged = Judged(replay, language)
        programme, unlocked = read.programmes[max(read.programmes)], judged
        if len(read.findings):
            lanes = set(read.findings["lane"])
            judged = judged.locked(rows_of_lanes(read.audits, lanes), read.findings, programme)
        names = ("programmes", "audits", "totes", "findings", "resumed", "dispositions", "known")
        same = {name: getattr(read, name) for name in names}
        told = {"judged": judged, "unlocked": unlocked, "language": language}
        return Record(programme, memory=self._memory, **told, **same)


_MAKING = threading.Lock()


def of(store: Store) -> Kept:
    """What is kept of a store; nothing yet, where nobody asked for it."""
    with _MAKING:
        return _made(store)


@lru_cache(maxsize=STATES)
def _made(store: Store) -> Kept:
    return Kept(store)


@contextmanager
def _first_time() -> Iterator[None]:
    """Without looks for circles among millions of values that have none: a quarter of the time."""
    looks = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if looks:
            gc.enable()


def _first(store: Store) -> tuple[_Read, following.Change]:
    audits = following.read(store)
    programme = records.programme(store)
    totes = drift.totes(audits.past, programme, ALL)
    change = following.Change(audits.past.iloc[:0], audits.past, False)
    return _beside(store, audits, totes, changes.replaced(store)), change


def _next(store: Store, before: _Read) -> tuple[_Read, following.Change]:
    audits, change = following.follow(store, before.audits)
    replaced = changes.replaced(store) if change.amended else before.known.replaced
    totes = drift.followed(before.totes, change.gone, change.new)
    programme = records.programme(store)
    if set(programme.category_codes) - set(totes.codes):
        totes = drift.totes(audits.since(None), programme, ALL)
    return _beside(store, audits, totes, replaced), change


def _beside(
    store: Store,
    audits: following.Audits,
    totes: drift.Totes,
    replaced: pd.DataFrame | None,
) -> _Read:
    """What is recorded besides the audits: little, and read whole."""
    found = records.findings(store)
    return _Read(
        records.programmes_by_version(store),
        audits,
        totes,
        found[found["lifted_at"].isna()],
        deeds.resumed(store),
        deeds.dispositions(store),
        drift.Known(
            deeds.events(store, withdrawn=True),
            signals.baselines(store),
            signals.acknowledgements(store, withdrawn=True),
            replaced,
        ),
    )


def _moments(resumed: pd.DataFrame) -> dict[tuple[str, str], list[Any]]:
    found: dict[tuple[str, str], list[Any]] = {}
    for row in resumed.to_dict("records"):
        found.setdefault((row["site"], row["lane"]), []).append(row["at"])
    return found


_LOCKED = ("site", "lane", "tote", "lot", "day", "shift", "pulled_at", "fill_start")


def rows_of_lanes(audits: following.Audits, lanes: Collection[str]) -> pd.DataFrame:
    """What findings are placed by: the audits of some lanes, in no order that means anything."""
    parts = (
        part.loc[part["lane"].isin(lanes), list(_LOCKED)] for part in (audits.past, audits.late)
    )
    return pd.concat([part.astype(dict.fromkeys(_LOCKED[:4], "object")) for part in parts])
