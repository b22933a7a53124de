"""What any plan risks when inspectors err, and when the totes of a lot differ."""

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike

from qa._validate import checked_fraction, checked_whole
from qa.charts.beta_binomial import beta_binomial, checked_correlation
from qa.errors import InvalidInput
from qa.plans.single import Array, SinglePlan


class Accepts(Protocol):
    """Any plan with an operating characteristic."""

    def accept(self, p: ArrayLike) -> Array:
        """Chance that a lot of quality `p` is accepted."""


def seen(p: ArrayLike, *, sensitivity: float = 1.0, specificity: float = 1.0) -> Array:
    """Fraction of pieces that inspectors call incorrect, where a fraction `p` is.

    Parameters
    ----------
    p : array_like, shape S
        Fraction of incorrect pieces.
    sensitivity, specificity : float, from 0 to 1, together above 1
        Chance that an incorrect piece is called incorrect, and a correct one correct.

    Returns
    -------
    array of shape S
        ``p sensitivity + (1 - p) (1 - specificity)``.

    Raises
    ------
    InvalidInput
        If a number is out of its range.

    References
    ----------
    Lavin (1946), JASA 41, 432-438.
    """
    se, sp = (
        _one_fraction(value, name)
        for value, name in ((sensitivity, "sensitivity"), (specificity, "specificity"))
    )
    if se + sp <= 1:
        raise InvalidInput(
            f"sensitivity and specificity must add to more than 1, got {se:g} and {sp:g}"
        )
    fraction = checked_fraction(p, "p")
    return np.asarray(fraction * se + (1 - fraction) * (1 - sp), dtype=np.float64)


def accept_by_inspectors(
    plan: Accepts, p: ArrayLike, *, sensitivity: float = 1.0, specificity: float = 1.0
) -> Array:
    """Chance that a lot is accepted when those who sort the sample err.

    Exact for lots of a process at `p` and pieces judged independently: the count is binomial
    with the fraction that is `seen`.

    Parameters
    ----------
    plan : any plan of this package that accepts
    p, sensitivity, specificity
        As of `seen`.

    Returns
    -------
    array of p's shape

    Raises
    ------
    InvalidInput
        As `seen`.

    Examples
    --------
    >>> plan = SinglePlan(200, 3)
    >>> misses = accept_by_inspectors(plan, 0.033, sensitivity=0.8)
    >>> round(float(plan.accept(0.033)), 2), round(float(misses), 2)
    (0.1, 0.22)
    """
    return plan.accept(seen(p, sensitivity=sensitivity, specificity=specificity))


def accept_in_totes(
    plan: SinglePlan,
    p: ArrayLike,
    *,
    correlation: float,
    pieces: Sequence[int] | None = None,
) -> Array:
    """Chance that a lot is accepted when its totes differ around `p`.

    The fraction incorrect of a tote is drawn from a beta distribution, anew for each tote; the
    count of one tote is then beta-binomial and that of the sample the sum over its totes, summed
    exactly.

    Parameters
    ----------
    plan : SinglePlan
    p : array_like, shape S
        Mean fraction of incorrect pieces.
    correlation : float, from 0, below 1
        Intra-class correlation of pieces in one tote; 0 gives ``plan.accept(p)``.
    pieces : sequence of int, optional
        Pieces pulled from each tote, adding up to the plan's n; all from one tote when left out.

    Returns
    -------
    array of shape S
        With all pieces from one tote that is the lot, the share of such totes that is accepted.

    Raises
    ------
    InvalidInput
        If a number is out of its range, or the pieces do not add up to n.

    References
    ----------
    Skellam (1948), JRSS B 10, 257-261.

    Examples
    --------
    >>> plan = SinglePlan(200, 3)
    >>> one = accept_in_totes(plan, 0.033, correlation=0.02)
    >>> many = accept_in_totes(plan, 0.033, correlation=0.02, pieces=[20] * 10)
    >>> round(float(one), 2), round(float(many), 2)
    (0.35, 0.14)
    """
    fraction, spread = checked_fraction(p, "p"), checked_correlation(correlation)
    pulled = checked_whole([plan.n] if pieces is None else pieces, "pieces", least=1)
    if pulled.ndim != 1 or pulled.sum() != plan.n:
        raise InvalidInput(f"pieces must add up to n {plan.n}, got {pulled.sum():g}")
    sizes, times = np.unique(pulled.astype(np.int64), return_counts=True)
    most = plan.re - 1
    if most >= plan.n:
        return np.ones_like(fraction)
    each, at = np.unique(fraction, return_inverse=True)
    chance = [_at_most(float(one), spread, sizes, times, most) for one in each]
    return np.array(chance, dtype=np.float64)[at].reshape(fraction.shape)


def _at_most(
    center: float, correlation: float, sizes: np.ndarray, times: np.ndarray, most: int
) -> float:
    """P(sum over the totes <= most): only counts up to `most` take part in any product."""
    distribution = beta_binomial(center, correlation, int(sizes.max()))
    total = np.ones(1)
    for size, repeats in zip(sizes, times, strict=True):
        count = np.arange(min(int(size), most) + 1)
        tote = np.exp(distribution.log_chance(count, np.full_like(count, size)))
        for _ in range(int(repeats)):
            total = np.convolve(total, tote)[: most + 1]
    return min(float(total.sum()), 1.0)


def _one_fraction(value: float, name: str) -> float:
    number = checked_fraction(value, name)
    if number.ndim:
        raise InvalidInput(f"{name} must be one number, got {number.size}")
    return float(number)
