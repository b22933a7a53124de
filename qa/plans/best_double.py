"""The double plan for two points that asks for the fewest pieces on average at the good one."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from qa.errors import NoSuchPlan
from qa.plans.double import DoublePlan
from qa.plans.multiple import CHANCES
from qa.plans.points import TIE, Points, beyond, singles, smallest_of_process, within
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


def best_double(points: Points, ratio: int | None) -> DoublePlan:
    """The plan of least average sample at p1 among all with rejection numbers ``ac2 + 1``.

    Every (c1, c2) is tried that may still be cheaper than the best so far: to keep the consumer's
    risk, the first sample is at least the single plan's of c1, and both together at least the
    single plan's of c2.

    Raises
    ------
    NoSuchPlan
        If no double plan meets both risks with up to 64 times the single plan's pieces.
    """
    points = points._replace(p1=points.p1.reshape(1), p2=points.p2.reshape(1))
    bound = single = float(singles(points)[0][0]) + 1
    while bound <= _WIDEST * single:
        found = _cheaper_than(bound, points, ratio)
        if found.plan is not None:
            return found.plan
        bound *= 2
    raise NoSuchPlan(f"no double plan meets both risks with up to {bound / 2:,.0f} pieces")


def _cheaper_than(bound: float, points: Points, ratio: int | None) -> _Found:
    best, c1 = _Found(bound, None), 0
    while (least := _single_n(points, c1)) < best.asn:
        c2 = c1 + 1
        n1 = np.arange(least, np.ceil(best.asn))
        while True:
            both = _single_n(points, c2)
            first = _first_samples(n1[n1 < best.asn], c2, points)
            second = first.good[c1 + 1 :].sum(axis=0)
            n2 = np.maximum(both - first.n1, 1) if ratio is None else ratio * first.n1
            may_do = (first.n1 + n2 * second < best.asn) & (first.n1 + n2 >= both)
            if not (first.n1 + np.maximum(both - first.n1, 1) * second < best.asn).any():
                break
            if may_do.any():
                tried = _least_second(first.only(may_do), n2[may_do], c1, best.asn, points, ratio)
                best = min(best, tried, key=lambda each: each.asn)
            c2 += 1
        c1 += 1
    return best


def _least_second(
    first: _First, n2: Array, c1: int, bound: float, points: Points, ratio: int | None
) -> _Found:
    """The cheapest plan with these first samples, n2 the least that may do for each."""
    kept = _rejected(first, n2, c1, points) <= points.producer * TIE
    first, n2 = first.only(kept), n2[kept]
    limit = points.consumer * TIE
    if ratio is None:
        second = np.maximum(first.good[c1 + 1 :].sum(axis=0), 1e-9)
        high = np.maximum(np.ceil((bound - first.n1) / second) - 1, n2)
        kept = _accepted(first, high, c1, points) <= limit
        first, low, high = first.only(kept), n2[kept] - 1, high[kept]
        while (high - low > 1).any():
            middle = np.floor((low + high) / 2)
            enough = _accepted(first, np.maximum(middle, 1), c1, points) <= limit
            low, high = np.where(enough, low, middle), np.where(enough, middle, high)
        n2 = high
        kept = _rejected(first, n2, c1, points) <= points.producer * TIE
    else:
        kept = _accepted(first, n2, c1, points) <= limit
    first, n2 = first.only(kept), n2[kept]
    if not n2.size:
        return _Found(np.inf, None)
    asn = first.n1 + n2 * first.good[c1 + 1 :].sum(axis=0)
    at, c2 = int(np.argmin(asn)), len(first.good) - 1
    plan = DoublePlan(int(first.n1[at]), c1, c2 + 1, int(n2[at]), c2, c2 + 1)
    return _Found(float(asn[at]), plan)


def _accepted(first: _First, n2: Array, c1: int, points: Points) -> Array:
    """Chance of acceptance at p2."""
    later = within(n2, _left(first, c1), points.p2, points.model)
    return np.asarray(first.bad[: c1 + 1].sum(axis=0) + (first.bad[c1 + 1 :] * later).sum(axis=0))


def _rejected(first: _First, n2: Array, c1: int, points: Points) -> Array:
    """Chance of rejection at p1."""
    at_once = beyond(first.n1, len(first.good) - 1, points.p1, points.model)
    later = beyond(n2, _left(first, c1), points.p1, points.model)
    return np.asarray(at_once + (first.good[c1 + 1 :] * later).sum(axis=0))


def _left(first: _First, c1: int) -> Array:
    """What the second sample may show after j of the first: a column, j from c1 + 1 to c2."""
    c2 = len(first.good) - 1
    return np.arange(c2 - c1 - 1, -1, -1, dtype=np.float64)[:, np.newaxis]


def _first_samples(n1: Array, c2: int, points: Points) -> _First:
    chances = CHANCES[points.model]
    good, bad = (
        chances(np.broadcast_to(p, n1.shape), n1, c2 + 1, None) for p in (points.p1, points.p2)
    )
    return _First(n1, good, bad)


def _single_n(points: Points, c: int) -> float:
    return float(smallest_of_process(points.p2, c, points.consumer, points.model)[0])
