"""Sequential plans: one piece at a time until the count crosses a line, and an end that is sure."""

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_counts, checked_fraction, checked_level, chosen, one_whole
from qa.errors import InvalidInput, NoSuchPlan
from qa.plans.single import Array, lot_terms, over_lots

Whole = NDArray[np.int64]

_TOUCH = 1e-9  # a count this near a line lies on it


@dataclass(frozen=True, slots=True)
class SequentialPlan:
    """Look at one piece after the other; accept or reject as soon as the count crosses a line.

    After n pieces accept at ``s n - h1`` incorrect or fewer, reject at ``s n + h2`` or more; after
    `most` pieces accept at `ac` or fewer, reject otherwise. Where the pieces still to come could
    not change what will be said after `most`, it is said at once. All risks are those of the plan
    so truncated, exact: no approximation of Wald's is used.

    Parameters
    ----------
    h1, h2 : float
        How far the lines for acceptance and rejection lie below and above ``s n``, above 0.
    s : float
        Slope of both lines, between 0 and 1.
    most : int
        Pieces after which the plan decides in any case.
    ac : int
        Acceptance number after `most` pieces, from the line for acceptance to below the other.

    Raises
    ------
    InvalidInput
        If a number is out of its range.

    References
    ----------
    Wald (1947), Sequential Analysis, ch. 5. The walk over the lattice of pieces and counts goes
    back to Barnard (1946), JRSS Supplement 8, 1-26.
    """

    h1: float
    h2: float
    s: float
    most: int
    ac: int

    def __post_init__(self) -> None:
        for name in ("h1", "h2"):
            value = getattr(self, name)
            if np.ndim(value) != 0 or not 0 < value < np.inf:
                raise InvalidInput(f"{name} must be one number above 0, got {value!r}")
        checked_level(self.s, "s")
        for name, least in (("most", 1), ("ac", 0)):
            object.__setattr__(self, name, one_whole(getattr(self, name), name, least=least))
        low, high = (int(line) for line in _lines(self.h1, self.h2, self.s, np.array(self.most)))
        if not low <= self.ac < high:
            raise InvalidInput(
                f"ac must be from {max(low, 0)} to {high - 1} after {self.most} pieces, "
                f"got {self.ac}"
            )

    def numbers(self) -> tuple[Whole, Whole]:
        """Acceptance and rejection number after each of 1 to `most` pieces, to print as a table.

        Returns
        -------
        two arrays of length `most`
            An acceptance number of -1, or a rejection number above the pieces looked at, says
            that this verdict is not possible yet.
        """
        n = np.arange(1, self.most + 1)
        low, high = _lines(self.h1, self.h2, self.s, n)
        return np.maximum(low, self.ac - (self.most - n)), np.minimum(high, self.ac + 1)

    def decide(self, count: int, inspected: int) -> str:
        """What `count` incorrect of `inspected` pieces say: "accept", "reject" or "next piece".

        No crossing before the last piece is assumed: an earlier one has decided already.

        Raises
        ------
        InvalidInput
            If the numbers are not whole, count is not from 0 to inspected, or inspected is above
            `most`.
        """
        if np.ndim(count) or np.ndim(inspected):
            raise InvalidInput("count and inspected must be one number each")
        x, n = (int(value) for value in checked_counts(count, inspected))
        if n > self.most:
            raise InvalidInput(f"inspected must be at most {self.most}, got {n}")
        ac, re = (numbers[n - 1] for numbers in self.numbers())
        return "accept" if x <= ac else "reject" if x >= re else "next piece"

    def accept(
        self, p: ArrayLike, *, model: str = "binomial", lot_size: int | None = None
    ) -> Array:
        """Chance that a lot of quality `p` is accepted; arguments and errors as of `SinglePlan`.

        There is no "poisson": pieces are judged one by one, correct or incorrect.
        """
        return chosen(_MODELS, "model", model)(self, checked_fraction(p, "p"), lot_size)

    def asn(self, p: ArrayLike) -> Array:
        """Pieces looked at in each lot on average (array of p's shape), lots of a process at `p`.

        Raises
        ------
        InvalidInput
            If p is not from 0 to 1.
        """
        ends = _ends(self)
        return _expected(ends, ends.n.astype(np.float64), checked_fraction(p, "p"))

    def aoq(self, p: ArrayLike, lot_size: int) -> Array:
        """Fraction incorrect that goes out on average when rejected lots are sorted to the end.

        As `SinglePlan.aoq`: what was looked at goes out correct, and the pieces not looked at do
        not depend on the sample, so it is p times their share in accepted lots.

        Raises
        ------
        InvalidInput
            If p is not from 0 to 1, or the lot is not a whole number, `most` or more.
        """
        ends, size, fraction = _ends(self), self._lot(lot_size), checked_fraction(p, "p")
        return fraction * _expected(ends, ends.accepts * (size - ends.n) / size, fraction)

    def ati(self, p: ArrayLike, lot_size: int) -> Array:
        """Pieces looked at in each lot on average when rejected lots are sorted to the end.

        Raises
        ------
        InvalidInput
            As `aoq`.
        """
        ends, size = _ends(self), self._lot(lot_size)
        looked = np.where(ends.accepts, ends.n, size).astype(np.float64)
        return _expected(ends, looked, checked_fraction(p, "p"))

    def _lot(self, lot_size: int) -> int:
        size = one_whole(lot_size, "lot_size", least=1)
        if size < self.most:
            raise InvalidInput(f"lot_size must be {self.most} or more, got {size}")
        return size


def wald(
    p1: float,
    p2: float,
    *,
    producer_risk: float = 0.05,
    consumer_risk: float = 0.10,
    most: int | None = None,
) -> SequentialPlan:
    """The sequential plan by Wald that keeps two risks.

    Parameters
    ----------
    p1, p2 : float
        Quality that is to be accepted, and quality that is to be rejected; p1 below p2.
    producer_risk, consumer_risk : float
        Chance of rejecting at p1, and of accepting at p2; together below 1.
    most : int, optional
        Truncate there, at an acceptance number of ``s most`` rounded down; the risks, which
        `accept` tells, may then be above those asked. When left out, the plan is truncated as
        early as both risks allow.

    Returns
    -------
    SequentialPlan
        Its lines are Wald's; they keep his bounds, ``a / (1 - b)`` and ``b / (1 - a)`` for risks a
        and b, but sometimes not a and b themselves. Then, and without `most`, the lines are those
        of the likelihood ratios 1 / a and b, which do (Wald 1947, 3.2).

    Raises
    ------
    InvalidInput
        If a number is not between 0 and 1, p1 is not below p2, or the risks add to 1 or more.
    NoSuchPlan
        If numbers are so extreme that not even those lines end in floating point.

    Examples
    --------
    >>> plan = wald(0.01, 0.10)
    >>> round(plan.h1, 3), round(plan.h2, 3), round(plan.s, 3)
    (0.939, 1.205, 0.04)
    >>> plan.decide(0, 23), plan.decide(0, 24)
    ('next piece', 'accept')
    """
    p1, p2 = checked_level(p1, "p1"), checked_level(p2, "p2")
    if p1 >= p2:
        raise InvalidInput(f"p1 must be below p2, got {p1:g} and {p2:g}")
    a = checked_level(producer_risk, "producer_risk")
    b = checked_level(consumer_risk, "consumer_risk")
    if a + b >= 1:
        raise InvalidInput(
            f"producer_risk and consumer_risk must add to less than 1, got {a:g} and {b:g}"
        )
    better, worse = np.log1p(-p1) - np.log1p(-p2), np.log(p2) - np.log(p1)
    step = better + worse
    h1, h2, s = (
        float(line / step) for line in (np.log1p(-a) - np.log(b), np.log1p(-b) - np.log(a), better)
    )
    if most is not None:
        last = one_whole(most, "most", least=1)
        return SequentialPlan(h1, h2, s, last, int(np.floor(s * last + _TOUCH)))
    sure = float(-np.log(b) / step), float(-np.log(a) / step)
    for low, high in ((h1, h2), sure):
        end = _earliest_end(low, high, s, (p1, p2), (a, b))
        if end is not None:
            return SequentialPlan(low, high, s, *end)
    raise NoSuchPlan(f"no sequential plan keeps both risks at {p1:g} and {p2:g}; give most")


class _Walk(NamedTuple):
    """The lattice of pieces and counts, a row for each of 1, 2, ... pieces.

    `share` is the part of all orders of `k` incorrect among `n` pieces that come there undecided;
    it serves every quality, of a process or of a lot. Points outside the lines have decided.
    """

    n: Whole
    k: Whole
    share: Array
    accepts: NDArray[np.bool_]
    rejects: NDArray[np.bool_]

    def chances(self, p: float) -> Array:
        """Chance of coming undecided to each point, lots of a process at `p`."""
        return self.share * np.exp(_log_chance(self.n, self.k, np.array(p)))


def _walk(ac: Whole, re: Whole) -> _Walk:
    share = np.zeros((ac.size, int((re - ac).max()) + 1))
    least = np.zeros(ac.size, dtype=np.int64)
    going, low = np.ones(1), 0
    for row, (accept, reject) in enumerate(zip(ac.tolist(), re.tolist(), strict=True)):
        n, size = row + 1, going.size
        count = np.arange(low, low + size + 1)
        share[row, :size] = going * ((n - count[:-1]) / n)
        share[row, 1 : size + 1] += going * (count[1:] / n)
        least[row] = low
        first = max(accept + 1 - low, 0)
        going = share[row, first : max(min(reject - low, size + 1), first)]
        low += first
    n_ = np.arange(1, ac.size + 1)[:, np.newaxis]
    k = least[:, np.newaxis] + np.arange(share.shape[1])
    inside = np.minimum(k, n_)  # beyond it the share is 0
    return _Walk(n_, inside, share, k <= ac[:, np.newaxis], k >= re[:, np.newaxis])


class _Ends(NamedTuple):
    """The points at which a plan decides; arrays of one length."""

    n: Whole
    k: Whole
    share: Array
    accepts: NDArray[np.bool_]


@lru_cache(maxsize=64)
def _ends(plan: SequentialPlan) -> _Ends:
    walk = _walk(*plan.numbers())
    row, column = np.nonzero((walk.accepts | walk.rejects) & (walk.share > 0))
    at = row, column
    return _Ends(row + 1, walk.k[at], walk.share[at], walk.accepts[at])


def _earliest_end(
    h1: float, h2: float, s: float, p: tuple[float, float], risks: tuple[float, float]
) -> tuple[int, int] | None:
    """The first n, with its acceptance number, after which truncation keeps both risks."""
    most = int(3 * h1 * h2 / (s * (1 - s))) + 10  # three times the average at its worst quality
    while True:
        ac, re = _lines(h1, h2, s, np.arange(1, most + 1))
        walk = _walk(ac, re)
        good, bad = (walk.chances(each) for each in p)
        beyond = np.cumsum((good * walk.rejects).sum(axis=1))[:, np.newaxis]
        within = np.cumsum((bad * walk.accepts).sum(axis=1))[:, np.newaxis]
        going = ~(walk.accepts | walk.rejects)
        late = beyond + np.cumsum((good * going)[:, ::-1], axis=1)[:, ::-1]
        early = within + np.pad(np.cumsum(bad * going, axis=1), ((0, 0), (1, 0)))[:, :-1]
        last = walk.k - 1  # reject from k on, accept below
        possible = (last >= np.maximum(ac, 0)[:, np.newaxis]) & (last < re[:, np.newaxis])
        limit = np.array(risks) * (1 + _TOUCH)
        keeps = np.argwhere(possible & (late <= limit[0]) & (early <= limit[1]))
        if keeps.size:
            row, column = keeps[0]
            return int(row) + 1, int(last[row, column])
        left = max((chance * going)[-1].sum() for chance in (good, bad))
        if beyond[-1, 0] > limit[0] or within[-1, 0] > limit[1] or left < 1e-13:
            return None  # what has been decided breaks a risk, or all has been
        most *= 2


def _lines(h1: float, h2: float, s: float, n: Whole) -> tuple[Whole, Whole]:
    """Acceptance number (-1: none yet) and rejection number after n pieces, without an end."""
    low = np.floor(s * n - h1 + _TOUCH)
    return np.maximum(low, -1).astype(np.int64), np.ceil(s * n + h2 - _TOUCH).astype(np.int64)


def _log_chance(n: Whole, k: Whole, p: Array) -> Array:
    """Logarithm of the binomial chance of k incorrect among n pieces."""
    ways = -np.log1p(n) - special.betaln(k + 1, n - k + 1)
    chance: Array = ways + special.xlogy(k, p) + special.xlog1py(n - k, -p)
    return chance


def _expected(ends: _Ends, value: Array, p: Array) -> Array:
    """Mean of a value at the end reached, lots of a process at each of p."""
    mean: Array = np.exp(_log_chance(ends.n, ends.k, p[..., np.newaxis])) @ (ends.share * value)
    return mean


def _of_process(plan: SequentialPlan, p: Array, lot_size: int | None) -> Array:  # noqa: ARG001 - one signature for all models
    ends = _ends(plan)
    return np.minimum(_expected(ends, ends.accepts.astype(np.float64), p), 1.0)


def _of_lot(plan: SequentialPlan, p: Array, lot_size: int | None) -> Array:
    ends = _ends(plan)
    n, k, share = ends.n[ends.accepts], ends.k[ends.accepts], ends.share[ends.accepts]

    def known(size: int, incorrect: int) -> float:
        total = 0.0
        for pieces, count, part in zip(n, k, share, strict=True):
            least, chance = lot_terms(size, incorrect, int(pieces))
            if 0 <= count - least < chance.size:
                total += part * chance[count - least]
        return min(total, 1.0)

    return over_lots(p, plan.most, lot_size, known)


_MODELS = {"binomial": _of_process, "hypergeometric": _of_lot}
