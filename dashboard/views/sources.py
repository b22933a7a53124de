"""Where differences come from besides lane and head; what speaks of inspectors is kept apart."""

import threading
from dataclasses import dataclass
from functools import lru_cache
from math import inf
from time import monotonic
from weakref import WeakKeyDictionary

from dashboard.views import keeping
from dashboard.views.keeping import KEPT, Record
from dashboard.views.record import Share
from qa import drift
from qa.drift import DOUBT, Memory, Source
from qa.intervals import Interval
from qa.store.schema import Store

__all__ = ["DOUBT", "FOR_ALL", "InspectorsView", "Source", "differences", "inspectors", "shares"]

MANY = 100_000  # audits, over which a page does not wait for the comparison
REST = 20  # times as long as it took is it not worked out again
FOR_ALL = ("shift", "weekday", "line")  # what a page that everyone sees may say


def differences(kept: Record) -> tuple[str, ...]:
    """Sentences on shifts, weekdays and lines beyond chance; inspectors are never among them."""
    return tuple(each.sentence for each in _beyond(kept))


def _beyond(kept: Record) -> tuple[Source, ...]:
    """Over many audits the last answer there is, while another is worked out beside the pages."""
    if len(kept.audits) < MANY:
        return _worked_out(kept)
    with _TURN:
        answers = _ANSWERS.setdefault(kept.memory, {})
        last = answers.setdefault(kept.language, _Answer())
        stale = last.of is not kept and monotonic() - last.at > REST * last.took
        if stale and not last.running:
            last.running = True
            threading.Thread(target=_work_out, args=(kept, last), daemon=True).start()
        return last.found


@dataclass(slots=True)
class _Answer:
    """What was found last, of which record, when, and how long it took."""

    found: tuple[Source, ...] = ()
    of: Record | None = None
    at: float = -inf
    took: float = 0.0
    running: bool = False


_TURN = threading.Lock()
_ANSWERS: WeakKeyDictionary[Memory, dict[str, _Answer]] = WeakKeyDictionary()


def _work_out(kept: Record, last: _Answer) -> None:
    begun = monotonic()
    try:
        last.found, last.of = _worked_out(kept), kept
    finally:
        last.at, last.took, last.running = monotonic(), monotonic() - begun, False


@lru_cache(maxsize=KEPT)
def _worked_out(kept: Record) -> tuple[Source, ...]:
    audits, how = kept.audits.since(None), {"language": kept.language}
    found = (drift.sources(audits, kept.programme, by=by, **how) for by in FOR_ALL)
    return tuple(each for of in found for each in of if each.beyond_chance)


@dataclass(frozen=True, slots=True)
class InspectorsView:
    """Every inspector and category against the others; categories by code have their names."""

    found: tuple[Source, ...]
    names: dict[str, str]
    confidence: float


def inspectors(store: Store, language: str = "en") -> InspectorsView:
    """Every inspector and category against the others: for the lead alone."""
    kept = keeping.record(store, language)
    names = {each.code: each.name for each in kept.programme.categories}
    return InspectorsView(_inspectors(kept), names, kept.programme.confidence)


def shares(source: Source) -> tuple[Share, Share]:
    """What an inspector finds, and what the others do, as the strips draw them."""
    return _share(source.rate, source.totes), _share(source.others, source.other_totes)


def _share(found: Interval, totes: int) -> Share:
    """A fraction at one mix of lanes and weeks: the pieces behind it are not its count."""
    return Share(float(found.estimate), float(found.low), float(found.high), 0, 0, totes)


@lru_cache(maxsize=KEPT)
def _inspectors(kept: Record) -> tuple[Source, ...]:
    return drift.sources(
        kept.audits.since(None), kept.programme, by="inspector", language=kept.language
    )
