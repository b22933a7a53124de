"""How the lots of an audit stood before it was changed, and how they stand since."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from dashboard.views import keeping
from dashboard.views.standing import verdicts_of
from qa.store.schema import Store
from qa.verdicts import LotVerdict


@dataclass(frozen=True, slots=True)
class Place:
    """Where an audit belongs: the site and code of its lot, and when its pieces were pulled."""

    site: str
    lot: str
    pulled_at: Any


@dataclass(frozen=True, slots=True)
class Stood:
    """How a lot stood: for the floor, and in workmanship."""

    floor: str
    verdict: str


@dataclass(frozen=True, slots=True)
class Restated:
    """One lot before and after a change; None where no audit judges it."""

    lot: str
    before: Stood | None
    after: Stood | None

    @property
    def same(self) -> bool:
        """Whether its verdict is what it was."""
        return self.before == self.after


def lots(store: Store, places: Sequence[Place], language: str) -> list[LotVerdict] | None:
    """Every lot of the codes of some places, as the record has them now; None before it is read."""
    try:
        judged = keeping.record(store, language, older=False).judged
    except keeping.StillReading:
        return None
    return verdicts_of(judged.of_codes((each.site, each.lot) for each in places))


def restated(
    before: Sequence[LotVerdict] | None,
    after: Sequence[LotVerdict] | None,
    old: Place,
    new: Place | None,
) -> tuple[Restated, ...]:
    """What became of the lots of an audit that was at `old`, and is at `new` or was voided."""
    if before is None or after is None:
        return ()
    was, now = _at(before, old), _at(after, new)
    if new and (old.site, old.lot) == (new.site, new.lot):
        found = [(old.lot, was or _beside(before, now), now or _beside(after, was))]
    else:
        found = [(old.lot, was, _beside(after, was))]
        found += [(new.lot, _beside(before, now), now)] if new else []
    return tuple(Restated(lot, _stood(a), _stood(b)) for lot, a, b in found if a or b)


def _stood(lot: LotVerdict | None) -> Stood | None:
    return Stood(lot.floor, lot.verdict) if lot else None


def _at(among: Sequence[LotVerdict], place: Place | None) -> LotVerdict | None:
    """The lot that a place is in; a code may come again for another lot."""
    if place is None:
        return None
    own = [each for each in among if (each.site, each.lot) == (place.site, place.lot)]
    own = [each for each in own if each.began <= place.pulled_at <= each.last_pulled_at]
    return own[-1] if own else None


def _beside(among: Sequence[LotVerdict], lot: LotVerdict | None) -> LotVerdict | None:
    """The lot of the same code that has a moment in common with another state of it."""
    if lot is None:
        return None
    own = [each for each in among if (each.site, each.lot) == (lot.site, lot.lot)]
    own = [e for e in own if e.began <= lot.last_pulled_at and lot.began <= e.last_pulled_at]
    return own[-1] if own else None
