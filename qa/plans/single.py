"""Single sampling plans: pull n pieces once, count, accept or reject; and what that risks."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_fraction, checked_whole, chosen
from qa.errors import InvalidInput

Array = NDArray[np.float64]

_SAFE_LOG = -600.0  # (1 - p)^n is a normal number above exp of this


@dataclass(frozen=True, slots=True)
class SinglePlan:
    """Pull `n` pieces; accept the lot at `ac` incorrect or fewer, reject it at `re` or more.

    Parameters
    ----------
    n : int
        Pieces to pull, at least 1.
    ac : int
        Acceptance number. It may be n or more where defects are counted, not pieces.
    re : int, optional
        Rejection number; ``ac + 1`` when left out. Reduced inspection alone has a gap: a count
        between `ac` and `re` accepts this lot, and normal inspection comes back with the next
        (MIL-STD-105E, 4.7.4).

    Raises
    ------
    InvalidInput
        If a number is not whole or out of its range.

    Examples
    --------
    >>> plan = SinglePlan(200, 3)
    >>> round(float(plan.accept(0.033)), 2)
    0.1
    >>> plan.decide(4)
    'reject'
    """

    n: int
    ac: int
    re: int = 0

    def __post_init__(self) -> None:
        n, ac = _one_whole(self.n, "n", 1), _one_whole(self.ac, "ac", 0)
        re = _one_whole(self.re, "re", 0) or ac + 1
        if re <= ac:
            raise InvalidInput(f"re must be above ac, got {re} for ac {ac}")
        for name, value in (("n", n), ("ac", ac), ("re", re)):
            object.__setattr__(self, name, value)

    @property
    def first(self) -> int:
        """Pieces of the first sample, here the only one."""
        return self.n

    @property
    def last_ac(self) -> int:
        """Most incorrect pieces, of all that may be pulled, that accept a lot."""
        return self.ac

    def accept(
        self, p: ArrayLike, *, model: str = "binomial", lot_size: int | None = None
    ) -> Array:
        """Chance that a lot of quality `p` is accepted: the operating characteristic.

        Parameters
        ----------
        p : array_like, shape S
            Fraction of incorrect pieces; with "poisson", defects a piece, which may exceed 1.
        model : {"binomial", "poisson", "hypergeometric"}
            Pieces of a running process, defects, or pieces of one lot of `lot_size`.
        lot_size : int, optional
            Needed by "hypergeometric", and used by it alone. Where ``lot_size * p`` is not
            whole, the lot holds one of the two whole numbers beside it, with the odds that
            make the fraction `p` on average; so the curve joins its points by straight lines.

        Returns
        -------
        array of shape S
            Accurate in both tails: no value is one minus another.

        Raises
        ------
        InvalidInput
            If p is out of its range, the model unknown, or the lot missing or below n.
        """
        formula = chosen(_MODELS, "model", model)
        return formula(_checked_p(p, model), self.n, self.re - 1, lot_size)

    def asn(self, p: ArrayLike, *, curtailed: bool = False) -> Array:
        """Pieces looked at in each lot on average: n, whatever the quality (array of p's shape).

        With `curtailed`, counting stops at the rejection number; lots of a process at `p`.
        """
        fraction = checked_fraction(p, "p")
        full = np.full_like(fraction, self.n)
        return pieces_until(self.n, self.re, fraction) if curtailed else full

    def aoq(self, p: ArrayLike, lot_size: int) -> Array:
        """Fraction incorrect that goes out on average when rejected lots are sorted to the end.

        Lots of `lot_size` from a process at `p`; every incorrect piece found, in a sample or in
        sorting, is replaced by a correct one: ``p accept(p) (N - n) / N`` (Dodge & Romig 1959),
        exact, for the pieces not pulled do not depend on the sample. Array of p's shape.

        Raises
        ------
        InvalidInput
            If p is not from 0 to 1, or the lot is not a whole number, n or more.
        """
        size = _lot(lot_size, self.n)
        return checked_fraction(p, "p") * self.accept(p) * ((size - self.n) / size)

    def ati(self, p: ArrayLike, lot_size: int) -> Array:
        """Pieces looked at in each lot on average when rejected lots are sorted to the end.

        ``n accept(p) + N (1 - accept(p))`` for lots of `lot_size` from a process at `p`. Array of
        p's shape.

        Raises
        ------
        InvalidInput
            As `aoq`.
        """
        size = _lot(lot_size, self.n)
        rejected = special.betainc(self.re, max(self.n - self.re + 1, 1), checked_fraction(p, "p"))
        return self.n + (size - self.n) * np.where(self.re > self.n, 0.0, rejected)

    def decide(self, count: int) -> str:
        """What a sample with `count` incorrect says of its lot: "accept" or "reject".

        Raises
        ------
        InvalidInput
            If count is not one whole number, 0 or more.
        """
        return "accept" if _one_whole(count, "count", 0) < self.re else "reject"


def oc(plans: Sequence[SinglePlan], p: ArrayLike) -> Array:
    """Operating characteristics of many plans at once, binomial.

    Parameters
    ----------
    plans : sequence of SinglePlan, length k
    p : array_like, shape (q,)
        Fractions of incorrect pieces.

    Returns
    -------
    array of shape (k, q)
        Row by row what ``plan.accept(p)`` gives. Plans of one n share one sum, and all n go
        through it side by side.

    Raises
    ------
    InvalidInput
        If a fraction is not from 0 to 1, or p has not one dimension.
    """
    fraction = checked_fraction(p, "p")
    if fraction.ndim != 1:
        raise InvalidInput(f"p must have one dimension, got {fraction.ndim}")
    if not plans:
        return np.empty((0, fraction.size))
    largest = max(plan.re for plan in plans)
    keys = np.array([plan.n * largest + min(plan.re - 1, plan.n) for plan in plans])
    distinct, row = np.unique(keys, return_inverse=True)
    n, c = np.divmod(distinct, largest)
    return np.take(_summed(n, c, fraction), row, axis=0)


def _summed(n: NDArray[np.int64], c: NDArray[np.int64], p: Array) -> Array:
    """Binomial P(X <= c) for distinct pairs sorted by (n, c), by one recurrence for each n."""
    sizes, first, pairs = np.unique(n, return_index=True, return_counts=True)
    last = c[first + pairs - 1]
    order = np.argsort(-last, kind="stable")  # those that go on longest come first
    place = np.empty_like(order)
    place[order] = np.arange(order.size)
    of_pair = place[np.repeat(np.arange(sizes.size), pairs)]
    last = last[order]
    size = sizes[order].astype(np.float64)[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        log_none = size * np.log1p(-p)
        odds = np.where(p < 1, p / (1 - p), 0.0)
    term = np.exp(log_none)
    total = term.copy()
    result = np.empty((n.size, p.size))
    for k in range(int(c.max()) + 1):
        if k > 0:
            going = int(np.searchsorted(-last, -k, side="right"))
            step = term[:going]
            step *= odds
            step *= (size[:going] - (k - 1)) / k
            total[:going] += step
        here = np.flatnonzero(c == k)
        result[here] = total[of_pair[here]]
    np.minimum(result, 1.0, out=result)
    pair, at = np.nonzero((log_none < _SAFE_LOG)[of_pair])
    result[pair, at] = _binomial(p[at], n[pair], c[pair], None)
    return result


def _binomial(p: Array, n: ArrayLike, c: ArrayLike, lot_size: int | None) -> Array:  # noqa: ARG001 - one signature for all models
    n, c = np.asarray(n, dtype=np.float64), np.asarray(c, dtype=np.float64)
    inside = special.betaincc(c + 1, np.maximum(n - c, 1), p)
    return np.asarray(np.where(c >= n, 1.0, inside), dtype=np.float64)


def _poisson(p: Array, n: int, c: int, lot_size: int | None) -> Array:  # noqa: ARG001 - one signature for all models
    return np.asarray(special.gammaincc(c + 1.0, n * p), dtype=np.float64)


def _hypergeometric(p: Array, n: int, c: int, lot_size: int | None) -> Array:
    return over_lots(p, n, lot_size, lambda size, incorrect: _within_lot(size, incorrect, n, c))


def over_lots(
    p: Array, n: int, lot_size: int | None, known: Callable[[int, int], float | Array]
) -> Array:
    """What is `known` of lots with whole incorrect pieces, by straight lines for all fractions.

    Parameters
    ----------
    p : array, shape S
        Checked fractions of incorrect pieces.
    n : int
        Pieces to be pulled.
    lot_size : int or None
    known : function of (lot_size, incorrect pieces)
        One number, or k of them.

    Returns
    -------
    array of shape S, or (k, *S)

    Raises
    ------
    InvalidInput
        If the lot is missing or below n.
    """
    if lot_size is None:
        raise InvalidInput("lot_size must be given with the hypergeometric model, got None")
    size = _lot(lot_size, n)
    pieces = p * size
    near = np.round(pieces)
    pieces = np.where(np.abs(pieces - near) <= 1e-9 * np.maximum(pieces, 1), near, pieces)
    ends = np.stack([np.floor(pieces), np.ceil(pieces)])
    wanted = np.unique(np.append(ends, 0))
    values = np.array([known(size, int(incorrect)) for incorrect in wanted]).T
    low, high = (values[..., at] for at in np.searchsorted(wanted, ends))
    return np.asarray(low + (pieces - ends[0]) * (high - low), dtype=np.float64)


def _within_lot(size: int, incorrect: int, n: int, c: int) -> float:
    """P(X <= c) for n of `size` pieces."""
    least, term = lot_terms(size, incorrect, n)
    if c >= least + term.size - 1:
        return 1.0
    return float(term[: max(c - least + 1, 0)].sum())


def lot_terms(size: int, incorrect: int, n: int) -> tuple[int, Array]:
    """The least count that n of `size` pieces can show, and P(X = k) from there to the most.

    Ratios of terms from the mode, and their own sum: no factorial, so no digits go in large lots.
    """
    least, most = max(0, n + incorrect - size), min(n, incorrect)
    mode = min(max((n + 1) * (incorrect + 1) // (size + 2), least), most)
    k = np.arange(least, most, dtype=np.float64)
    ratio = (incorrect - k) * (n - k) / ((k + 1) * (size - incorrect - n + k + 1))
    split = mode - least
    down = np.cumprod(1 / ratio[:split][::-1])[::-1]
    term = np.concatenate([down, [1.0], np.cumprod(ratio[split:])])
    return least, term / term.sum()


def pieces_until(n: int, re: int, p: Array) -> Array:
    """Pieces looked at on average when counting stops at `re` incorrect, or after `n` pieces.

    ``n P(X_n < re) + (re / p) P(X_(n+1) > re)`` with X binomial (Wald's equation); p's shape.
    """
    if re > n:
        return np.full_like(p, n)
    full = special.betaincc(re, n - re + 1, p)
    stopped = special.betainc(re + 1, n - re + 1, p)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(p > 0, n * full + re * stopped / p, float(n))


_MODELS = {"binomial": _binomial, "poisson": _poisson, "hypergeometric": _hypergeometric}


def _checked_p(p: ArrayLike, model: str) -> Array:
    if model != "poisson":
        return checked_fraction(p, "p")
    rate = np.asarray(p, dtype=np.float64)
    wrong = ~(np.isfinite(rate) & (rate >= 0))
    if wrong.any():
        raise InvalidInput(f"p must be defects a piece, 0 or more, got {rate[wrong][0]:g}")
    return rate


def _one_whole(value: float, name: str, least: int) -> int:
    if np.ndim(value) != 0:
        raise InvalidInput(f"{name} must be one number, got {np.size(value)}")
    return int(checked_whole(value, name, least=least))


def _lot(lot_size: int, n: int) -> int:
    size = _one_whole(lot_size, "lot_size", 1)
    if size < n:
        raise InvalidInput(f"lot_size must be n {n} or more, got {size}")
    return size
