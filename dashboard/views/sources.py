"""Where differences come from besides lane and head; what speaks of inspectors is kept apart."""

from functools import lru_cache

from dashboard.views import record as kept_record
from dashboard.views.record import KEPT, Record
from qa import drift
from qa.drift import DOUBT, Source
from qa.store.schema import Store

__all__ = ["DOUBT", "FOR_ALL", "Source", "differences", "inspectors"]

FOR_ALL = ("shift", "weekday", "line")  # what a page that everyone sees may say


def differences(kept: Record) -> tuple[str, ...]:
    """Sentences on shifts, weekdays and lines beyond chance; inspectors are never among them."""
    return tuple(each.sentence for each in _beyond(kept))


@lru_cache(maxsize=KEPT)
def _beyond(kept: Record) -> tuple[Source, ...]:
    how = {"language": kept.language}
    found = (drift.sources(kept.tallies, kept.programme, by=by, **how) for by in FOR_ALL)
    return tuple(each for of in found for each in of if each.beyond_chance)


def inspectors(store: Store, language: str = "en") -> tuple[Source, ...]:
    """Every inspector and category against the others: for the lead alone."""
    return _inspectors(kept_record.record(store, language))


@lru_cache(maxsize=KEPT)
def _inspectors(kept: Record) -> tuple[Source, ...]:
    return drift.sources(kept.tallies, kept.programme, by="inspector", language=kept.language)
