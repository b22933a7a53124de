"""The double plan for two points that asks for the fewest pieces on average at the good one."""

from collections.abc import Callable
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from qa.errors import NoSuchPlan
from qa.plans.double import DoublePlan
from qa.plans.multiple import CHANCES
from qa.plans.points import (
    TIE,
    Points,
    beyond,
    least_in_bad_lot,
    most_in_good_lot,
    single_in_lot,
    singles,
    smallest_in_lot,
    smallest_of_process,
    within,
)
from qa.plans.single import Array

_WIDEST = 64  # times the single plan's n: where the search for any double plan ends


class _Found(NamedTuple):
    asn: float
    plan: DoublePlan | None


class _First(NamedTuple):
    """First samples of sizes n1, each row of `good` and `bad` P(X = j) at p1 and p2, by j."""

    n1: Array
    good: Array
    bad: Array

    def only(self, kept: NDArray[np.bool_]) -> "_First":
        return _First(self.n1[kept], self.good[:, kept], self.bad[:, kept])


class _Law(Protocol):
    """What two samples may show, of a process or of one lot."""

    points: Points
    most: float

    def single_n(self, c: int) -> float: ...
    def first(self, n1: Array, c2: int) -> _First: ...
    def accepted(self, first: _First, n2: Array, c1: int) -> Array: ...
    def rejected(self, first: _First, n2: Array, c1: int) -> Array: ...


class _Process:
    """Two samples of a running process: the second knows nothing of the first."""

    most = np.inf

    def __init__(self, points: Points) -> None:
        self.points = points._replace(p1=points.p1.reshape(1), p2=points.p2.reshape(1))

    def single_n(self, c: int) -> float:
        """Least n with P(X <= c) at p2 no more than the consumer's risk."""
        points = self.points
        return float(smallest_of_process(points.p2, c, points.consumer, points.model)[0])

    def first(self, n1: Array, c2: int) -> _First:
        chances = CHANCES[self.points.model]
        good, bad = (
            chances(np.broadcast_to(p, n1.shape), n1, c2 + 1, None)
            for p in (self.points.p1, self.points.p2)
        )
        return _First(n1, good, bad)

    def accepted(self, first: _First, n2: Array, c1: int) -> Array:
        """Chance of acceptance at p2."""
        later = within(n2, _left(first, c1), self.points.p2, self.points.model)
        second = (first.bad[c1 + 1 :] * later).sum(axis=0)
        return np.asarray(first.bad[: c1 + 1].sum(axis=0) + second)

    def rejected(self, first: _First, n2: Array, c1: int) -> Array:
        """Chance of rejection at p1."""
        at_once = beyond(first.n1, len(first.good) - 1, self.points.p1, self.points.model)
        later = beyond(n2, _left(first, c1), self.points.p1, self.points.model)
        return np.asarray(at_once + (first.good[c1 + 1 :] * later).sum(axis=0))


class _Lot:
    """Two samples of one lot of whole pieces: what the first took is not there for the second."""

    def __init__(self, points: Points, lot_size: int) -> None:
        self.points, self.size, self.most = points, lot_size, float(lot_size)
        self._good = most_in_good_lot(float(points.p1), lot_size)
        self._bad = least_in_bad_lot(float(points.p2), lot_size)
        from scipy import stats  # noqa: PLC0415 - half a second that other plans can spare

        self._law: Any = stats.hypergeom

    def single_n(self, c: int) -> float:
        """Least n with P(X <= c) at p2 no more than the consumer's risk; above the lot if none."""
        if c >= self._bad:
            return self.size + 1.0
        return float(smallest_in_lot(self.size, self._bad, c, self.points.consumer))

    def first(self, n1: Array, c2: int) -> _First:
        j = np.arange(c2 + 1)[:, np.newaxis]
        return _First(n1, self._of_lot(j, self._good, n1), self._of_lot(j, self._bad, n1))

    def accepted(self, first: _First, n2: Array, c1: int) -> Array:
        """Chance of acceptance at p2."""
        early = first.bad[: c1 + 1].sum(axis=0)
        return np.asarray(early + self._second(first, n2, c1, self._bad, self._law.cdf))

    def rejected(self, first: _First, n2: Array, c1: int) -> Array:
        """Chance of rejection at p1."""
        c2 = len(first.good) - 1
        early = self._law.sf(c2, self.size, self._good, first.n1)
        return np.asarray(early + self._second(first, n2, c1, self._good, self._law.sf))

    def _of_lot(self, j: NDArray[np.int64], incorrect: int, n1: Array) -> Array:
        return np.asarray(self._law.pmf(j, self.size, incorrect, n1))

    def _second(
        self, first: _First, n2: Array, c1: int, incorrect: int, tail: Callable[..., Array]
    ) -> Array:
        """Chance that a second sample is pulled and ends in a tail."""
        left = _left(first, c1)
        j = len(first.good) - 1 - left
        possible = np.maximum(incorrect - j, 0)
        later = tail(left, self.size - first.n1, possible, n2)
        chance = self._of_lot(j.astype(np.int64), incorrect, first.n1)
        return np.asarray((chance * np.where(chance > 0, later, 0.0)).sum(axis=0))


def best_double(points: Points, ratio: int | None, lot_size: int | None = None) -> DoublePlan:
    """The plan of least average sample at p1 among all with rejection numbers ``ac2 + 1``.

    Every (c1, c2) is tried that may still be cheaper than the best so far: to keep the consumer's
    risk, the first sample is at least the single plan's of c1, and both together at least the
    single plan's of c2.

    Raises
    ------
    NoSuchPlan
        If no double plan meets both risks with up to 64 times the single plan's pieces, or within
        the lot.
    """
    law: _Law
    if lot_size is None:
        law = _Process(points)
        bound = single = float(singles(law.points)[0][0]) + 1
    else:
        law = _Lot(points, lot_size)
        bound = single = float(single_in_lot(points, lot_size).n) + 1
    while bound <= min(_WIDEST * single, 2 * law.most):
        found = _cheaper_than(bound, law, ratio)
        if found.plan is not None:
            return found.plan
        bound *= 2
    raise NoSuchPlan(f"no double plan meets both risks with up to {bound / 2:,.0f} pieces")


def _cheaper_than(bound: float, law: _Law, ratio: int | None) -> _Found:
    best, c1 = _Found(bound, None), 0
    while (least := law.single_n(c1)) < min(best.asn, law.most + 1):
        c2 = c1 + 1
        n1 = np.arange(least, np.ceil(min(best.asn, law.most)))
        while True:
            both = law.single_n(c2)
            if both > law.most:
                break
            first = law.first(n1[n1 < best.asn], c2)
            second = first.good[c1 + 1 :].sum(axis=0)
            n2 = np.maximum(both - first.n1, 1) if ratio is None else ratio * first.n1
            may_do = (first.n1 + n2 * second < best.asn) & (first.n1 + n2 >= both)
            may_do &= first.n1 + n2 <= law.most
            if not (first.n1 + np.maximum(both - first.n1, 1) * second < best.asn).any():
                break
            if may_do.any():
                tried = _least_second(first.only(may_do), n2[may_do], c1, best.asn, law, ratio)
                best = min(best, tried, key=lambda each: each.asn)
            c2 += 1
        c1 += 1
    return best


def _least_second(
    first: _First, n2: Array, c1: int, bound: float, law: _Law, ratio: int | None
) -> _Found:
    """The cheapest plan with these first samples, n2 the least that may do for each."""
    kept = law.rejected(first, n2, c1) <= law.points.producer * TIE
    first, n2 = first.only(kept), n2[kept]
    limit = law.points.consumer * TIE
    if ratio is None:
        second = np.maximum(first.good[c1 + 1 :].sum(axis=0), 1e-9)
        high = np.maximum(np.ceil((bound - first.n1) / second) - 1, n2)
        high = np.minimum(high, law.most - first.n1)
        kept = law.accepted(first, high, c1) <= limit
        first, low, high = first.only(kept), n2[kept] - 1, high[kept]
        while (high - low > 1).any():
            middle = np.floor((low + high) / 2)
            enough = law.accepted(first, np.maximum(middle, 1), c1) <= limit
            low, high = np.where(enough, low, middle), np.where(enough, middle, high)
        n2 = high
        kept = law.rejected(first, n2, c1) <= law.points.producer * TIE
    else:
        kept = law.accepted(first, n2, c1) <= limit
    first, n2 = first.only(kept), n2[kept]
    if not n2.size:
        return _Found(np.inf, None)
    asn = first.n1 + n2 * first.good[c1 + 1 :].sum(axis=0)
    at, c2 = int(np.argmin(asn)), len(first.good) - 1
    plan = DoublePlan(int(first.n1[at]), c1, c2 + 1, int(n2[at]), c2, c2 + 1)
    return _Found(float(asn[at]), plan)


def _left(first: _First, c1: int) -> Array:
    """What the second sample may show after j of the first: a column, j from c1 + 1 to c2."""
    c2 = len(first.good) - 1
    return np.arange(c2 - c1 - 1, -1, -1, dtype=np.float64)[:, np.newaxis]
