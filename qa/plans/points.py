"""The smallest single plan for two points of quality: of a process, or of one lot."""

from functools import lru_cache
from math import ceil, floor, log
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_fraction, checked_level, checked_positive
from qa.errors import InvalidInput, NoSuchPlan
from qa.plans.single import Array, SinglePlan, lot_terms

Whole = NDArray[np.int64]

_NOISE = 1e-9  # of pieces in a lot: 0.06 times 50 is three pieces, whatever the last digit says
TIE = 1 + 1e-12  # a risk that is met exactly is met, whatever the last digit says
_TABLE = 512
_MOST = 10**7


class Points(NamedTuple):
    """Qualities p1 and p2 (arrays of one shape) and the risks at them."""

    p1: Array
    p2: Array
    producer: float
    consumer: float
    model: str


def checked_points(
    p1: ArrayLike, p2: ArrayLike, producer_risk: float, consumer_risk: float, model: str
) -> Points:
    """The points, if p1 is below p2 everywhere and the risks leave a plan between them.

    Raises
    ------
    InvalidInput
        Otherwise.
    """
    if model == "poisson":
        good, bad = checked_positive(p1, "p1"), checked_positive(p2, "p2")
    else:
        good = checked_fraction(p1, "p1", ends=False)
        bad = checked_fraction(p2, "p2", ends=False)
    try:
        good, bad = np.broadcast_arrays(good, bad)
    except ValueError:
        raise InvalidInput(
            f"p1 and p2 must have one shape, got {good.shape} and {bad.shape}"
        ) from None
    wrong = ~(good < bad)
    if wrong.any():
        raise InvalidInput(f"p1 must be below p2, got {good[wrong][0]:g} and {bad[wrong][0]:g}")
    producer = checked_level(producer_risk, "producer_risk")
    consumer = checked_level(consumer_risk, "consumer_risk")
    if producer + consumer >= 1:
        raise InvalidInput(
            f"producer_risk and consumer_risk must be below 1 together, "
            f"got {producer:g} and {consumer:g}"
        )
    return Points(good, bad, producer, consumer, model)


def within(n: ArrayLike, c: ArrayLike, p: Array, model: str) -> Array:
    """P(X <= c) of n pieces at p; everything broadcasts."""
    n, c = np.asarray(n, dtype=np.float64), np.asarray(c, dtype=np.float64)
    if model == "poisson":
        return np.asarray(special.gammaincc(c + 1, n * p))
    return np.where(n > c, special.betaincc(c + 1, np.maximum(n - c, 1), p), 1.0)


def beyond(n: ArrayLike, c: ArrayLike, p: Array, model: str) -> Array:
    """P(X > c), summed by itself."""
    n, c = np.asarray(n, dtype=np.float64), np.asarray(c, dtype=np.float64)
    if model == "poisson":
        return np.asarray(special.gammainc(c + 1, n * p))
    return np.where(n > c, special.betainc(c + 1, np.maximum(n - c, 1), p), 0.0)


def singles(points: Points) -> tuple[Whole, Whole]:
    """Smallest n with its c for each pair of points (arrays of their shape).

    For each c from the first that may do: the least n that keeps the consumer's risk; the first
    that keeps the producer's too is the answer, for that least n rises with c. A c is out with all
    below it when a piece fewer, too, breaks the producer's risk.

    Raises
    ------
    NoSuchPlan
        If two points lie so close that no acceptance number to 10,000,000 tells them apart.
    """
    p1, p2 = points.p1.ravel(), points.p2.ravel()
    limit, model = points.producer * TIE, points.model
    c = _likely_c(p1, p2, points)
    left = np.flatnonzero(c > 0)
    while left.size:
        lower = c[left] - 1
        fewer = smallest_of_process(p2[left], lower, points.consumer, model) - 1
        may_do = beyond(fewer, lower, p1[left], model) <= limit
        left = left[may_do]
        c[left] -= 1
        left = left[c[left] > 0]
    n, left = np.zeros_like(c), np.arange(c.size)
    while left.size:
        here = smallest_of_process(p2[left], c[left], points.consumer, model)
        n[left] = here
        left = left[beyond(here, c[left], p1[left], model) > limit]
        c[left] += 1
    return n.reshape(points.p1.shape), c.reshape(points.p1.shape)


def smallest_of_process(p: Array, c: ArrayLike, risk: float, model: str = "binomial") -> Whole:
    """The least n with P(X <= c) at p no more than the risk (array of p's shape).

    A guess that is hardly ever a piece off, checked at itself and a piece below.
    """
    shape, limit = p.shape, risk * TIE
    p, c = p.ravel(), np.broadcast_to(np.asarray(c, dtype=np.float64), shape).ravel()
    fewest = np.ones_like(c) if model == "poisson" else c + 1
    n = np.maximum(np.ceil(_near(_rates(c, risk), c, p, model) - 1e-6), fewest)
    todo = np.arange(n.size)
    while todo.size:
        here, below = _here_and_below(n[todo], c[todo], p[todo], model)
        step = (here > limit).astype(np.float64)
        step -= (below <= limit) & (n[todo] > fewest[todo])
        n[todo] += step
        todo = todo[step != 0]
    return n.astype(np.int64).reshape(shape)


def _here_and_below(n: Array, c: Array, p: Array, model: str) -> tuple[Array, Array]:
    """P(X <= c) of n and of n - 1 pieces."""
    if model == "poisson" or (c >= _TABLE).any():
        return within(n, c, p, model), within(np.maximum(n - 1, 1), c, p, model)
    order = np.argsort(-c, kind="stable")  # those that go on longest come first
    n, c, p = n[order], c[order], p[order]
    odds, term = p / (1 - p), np.exp(n * np.log1p(-p))
    total = term.copy()
    for k in range(1, int(c[0]) + 1):
        going = int(np.searchsorted(-c, -k, side="right"))
        term[:going] *= odds[:going] * (n[:going] - (k - 1)) / k
        total[:going] += term[:going]
    both = np.empty((2, n.size))
    both[0, order], both[1, order] = total, total + odds * term * (n - c) / n
    return both[0], both[1]


def _near(rate: Array, c: Array, p: Array, model: str) -> Array:
    """Where P(X <= c) has the value that Poisson has at `rate`: within a piece (Guenther 1969)."""
    return rate / p if model == "poisson" else rate * (1 / p - 0.5) + c / 2


def _likely_c(p1: Array, p2: Array, points: Points) -> Whole:
    """The c for each pair by the Poisson rates at both risks, whose quotient falls with c."""
    half = 0.0 if points.model == "poisson" else 0.5
    wanted = (1 / p1 - half) / (1 / p2 - half)
    low, high = (_table(risk) for risk in (1 - points.producer, points.consumer))
    c = np.searchsorted(-(high / low), -wanted)
    for at in np.flatnonzero(c == _TABLE):
        c[at] = _far_c(float(wanted[at]), points)
    return c.astype(np.int64)


def _likely_c_in_lot(good: int, bad: int, size: int, points: Points) -> int:
    """The c of a process, less as the sample takes more of the lot; below `bad`."""
    if good == 0:
        return 0
    try:
        of_process = int(_likely_c(np.array([good / size]), np.array([bad / size]), points)[0])
    except NoSuchPlan:
        return bad - 1
    return of_process * bad // (of_process + bad)


def _far_c(wanted: float, points: Points) -> int:
    low, high = _TABLE - 1, 2 * _TABLE
    while _quotient(high, points) > wanted:
        low, high = high, 2 * high
        if high > _MOST:
            raise NoSuchPlan(
                f"p1 and p2 must lie further apart, they ask for an Ac above {_MOST:,}"
            )
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if _quotient(middle, points) > wanted else (low, middle)
    return high


def _quotient(c: int, points: Points) -> float:
    rate = special.gammainccinv(c + 1, points.consumer)
    return float(rate / special.gammaincinv(c + 1, points.producer))


def _rates(c: Array, level: float) -> Array:
    """The Poisson mean at which P(X <= c) is the level."""
    known = _table(level)
    if (c >= _TABLE).any():
        return np.asarray(special.gammainccinv(c + 1, level), dtype=np.float64)
    return known[c.astype(np.int64)]


@lru_cache(maxsize=64)
def _table(level: float) -> Array:
    return np.asarray(special.gammainccinv(np.arange(_TABLE) + 1.0, level), dtype=np.float64)


def single_in_lot(points: Points, lot_size: int | None) -> SinglePlan:
    """The smallest plan for one lot: from a likely c down while a lower may do, then up.

    Good lots hold at most `most_in_good_lot` pieces, bad ones at least `least_in_bad_lot`.

    Raises
    ------
    InvalidInput
        If the lot is missing.
    NoSuchPlan
        If even the whole lot does not keep both risks.
    """
    if lot_size is None:
        raise InvalidInput("lot_size must be given with the hypergeometric model, got None")
    good = most_in_good_lot(float(points.p1), lot_size)
    bad = least_in_bad_lot(float(points.p2), lot_size)
    limit = points.producer * TIE
    c, n = _likely_c_in_lot(good, bad, lot_size, points), 0
    while c > 0:
        n = smallest_in_lot(lot_size, bad, c - 1, points.consumer)
        if _rejected(lot_size, good, n - 1, c - 1) > limit:
            break
        c -= 1
    for ac in range(c, bad):
        n = smallest_in_lot(lot_size, bad, ac, points.consumer, n)
        if _rejected(lot_size, good, n, ac) <= limit:
            return SinglePlan(n, ac)
    raise NoSuchPlan(
        f"p1 and p2 must lie further apart, both mean {bad:,} incorrect pieces in the lot of "
        f"{lot_size:,}"
    )


def most_in_good_lot(p: float, size: int) -> int:
    """Whole incorrect pieces in the worst lot of `size` that is no worse than `p`."""
    return floor(p * size * (1 + _NOISE))


def least_in_bad_lot(p: float, size: int) -> int:
    """Whole incorrect pieces, one or more, in the best lot of `size` that is as bad as `p`."""
    return max(ceil(p * size * (1 - _NOISE)), 1)


def smallest_in_lot(size: int, incorrect: int, c: int, risk: float, start: int = 0) -> int:
    """The least n of a lot, from `start`, with P(X <= c) no more than the risk.

    The lot itself at the most, for c is below `incorrect`. Newton's steps on the logarithm of the
    chance, kept between a sample that is too small and one that is large enough. A piece more
    lowers it by ``P(X = c) (incorrect - c) / (size - n)``.
    """
    low, high = max(start, c + 1) - 1, size
    n = int((c + 1) * size / incorrect)
    while high - low > 1:
        n = min(max(n, low + 1), high - 1)
        least, term = lot_terms(size, incorrect, n)
        place, fall = c - least, 0.0
        chance = float(term[: max(place + 1, 0)].sum())
        if 0 <= place < term.size:
            fall = float(term[place]) * (incorrect - c) / (size - n)
        if chance <= risk * TIE:
            high = n
        else:
            low = n
        far = log(chance / risk) * chance / fall if chance > 0 and fall > 0 else 0.0
        n = n + floor(min(max(far, -size), size)) + (far >= 0) if far else (low + high) // 2
    return high


def _rejected(size: int, incorrect: int, n: int, c: int) -> float:
    """P(X > c) for n of the lot's pieces, summed by itself."""
    least, term = lot_terms(size, incorrect, n)
    return float(term[max(c - least + 1, 0) :].sum())
