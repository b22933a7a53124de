"""Where differences come from besides lane and head; what speaks of inspectors is kept apart."""

from dataclasses import dataclass
from functools import lru_cache

from dashboard.views import record as kept_record
from dashboard.views.record import KEPT, Record, Share
from qa import drift
from qa.drift import DOUBT, Source
from qa.intervals import Interval
from qa.store.schema import Store

__all__ = ["DOUBT", "FOR_ALL", "InspectorsView", "Source", "differences", "inspectors", "shares"]

FOR_ALL = ("shift", "weekday", "line")  # what a page that everyone sees may say


def differences(kept: Record) -> tuple[str, ...]:
    """Sentences on shifts, weekdays and lines beyond chance; inspectors are never among them."""
    return tuple(each.sentence for each in _beyond(kept))


@lru_cache(maxsize=KEPT)
def _beyond(kept: Record) -> tuple[Source, ...]:
    how = {"language": kept.language}
    found = (drift.sources(kept.audits.since(None), kept.programme, by=by, **how) for by in FOR_ALL)
    return tuple(each for of in found for each in of if each.beyond_chance)


@dataclass(frozen=True, slots=True)
class InspectorsView:
    """Every inspector and category against the others; categories by code have their names."""

    found: tuple[Source, ...]
    names: dict[str, str]
    confidence: float


def inspectors(store: Store, language: str = "en") -> InspectorsView:
    """Every inspector and category against the others: for the lead alone."""
    kept = kept_record.record(store, language)
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
