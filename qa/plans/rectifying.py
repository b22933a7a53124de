"""Plans where rejected lots are sorted: what goes out at worst, and the least pieces looked at."""

from collections.abc import Callable
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import ArrayLike

from qa._validate import checked_fraction, checked_level, one_whole
from qa.errors import InvalidInput
from qa.plans.points import least_in_bad_lot, smallest_in_lot
from qa.plans.single import Array, SinglePlan

_GRID, _ZOOMS = 129, 8


class Rectifying(Protocol):
    """Anything with an average outgoing quality; `n` the most pieces that it pulls."""

    @property
    def n(self) -> int:
        """Pieces."""

    def aoq(self, p: ArrayLike, lot_size: int) -> Array:
        """Fraction incorrect that goes out."""


class Aoql(NamedTuple):
    """The highest average outgoing quality, and the incoming quality `at` which it comes."""

    value: float
    at: float


def aoql(plan: Rectifying, lot_size: int) -> Aoql:
    """The average outgoing quality limit of a plan, and where it lies.

    Parameters
    ----------
    plan : SinglePlan, DoublePlan or any other with `aoq` and `n`
    lot_size : int
        Rejected lots of so many pieces are sorted to the end, as of ``plan.aoq``.

    Returns
    -------
    Aoql
        Fractions incorrect. `value` to about 1e-14 of itself, `at` to about 1e-7 of itself: the
        curve is flat there. Found on a grid over all qualities, then on ever finer ones.

    Raises
    ------
    InvalidInput
        If the lot is smaller than the plan's samples.

    References
    ----------
    Dodge & Romig (1959), Sampling Inspection Tables, 2nd ed.

    Examples
    --------
    >>> limit = aoql(SinglePlan(89, 2), 10_000)
    >>> round(limit.value, 5), round(limit.at, 4)
    (0.01525, 0.0253)
    """
    grid = np.geomspace(1e-3 / plan.n, 1.0, 4 * _GRID)
    out = plan.aoq(grid, lot_size)
    for _ in range(_ZOOMS):
        at = int(np.argmax(out))
        grid = np.linspace(grid[max(at - 1, 0)], grid[min(at + 1, grid.size - 1)], _GRID)
        out = plan.aoq(grid, lot_size)
    at = int(np.argmax(out))
    return Aoql(float(out[at]), float(grid[at]))


def by_aoql(limit: float, process_average: float, lot_size: int) -> SinglePlan:
    """The single plan that never lets out more than `limit` on average, for the least work.

    Parameters
    ----------
    limit : float, between 0 and 1
        AOQL wanted, fraction incorrect.
    process_average : float
        Where the average total inspection is to be least; below `limit`.
    lot_size : int

    Returns
    -------
    SinglePlan
        For each c the smallest n whose AOQL is at most `limit` (exact binomial AOQ); of these
        plans the one with the least ``plan.ati(process_average, lot_size)``.

    Raises
    ------
    InvalidInput
        If an argument is out of its range, or the process average is not below the limit.

    References
    ----------
    Dodge & Romig (1959), chapter 3. Their tables hold for ranges of lots and of process averages,
    so a piece more (65 for 64 in the example) is theirs.

    Examples
    --------
    >>> by_aoql(0.03, 0.01, 5000)
    SinglePlan(n=64, ac=3, re=4)
    """
    size = one_whole(lot_size, "lot_size", least=1)
    wanted = checked_level(limit, "limit")
    average = _average(process_average, wanted, "limit")

    def smallest(c: int) -> int:
        low, high = min(c + 1, size), size  # nothing goes out of a lot that is looked at whole
        while low < high:
            middle = (low + high) // 2
            enough = aoql(SinglePlan(middle, c), size).value <= wanted
            low, high = (low, middle) if enough else (middle + 1, high)
        return high

    return _least_work(smallest, size, average, size)


def by_ltpd(
    ltpd: float, process_average: float, lot_size: int, *, consumer_risk: float = 0.10
) -> SinglePlan:
    """The single plan that accepts no lot at the tolerance too often, for the least work.

    Parameters
    ----------
    ltpd : float, between 0 and 1
        Lot tolerance, fraction incorrect: a lot with ``ltpd lot_size`` incorrect pieces (or the
        next whole number above) is accepted with at most the risk.
    process_average : float
        Where the average total inspection is to be least; below `ltpd`.
    lot_size : int
    consumer_risk : float, between 0 and 1

    Returns
    -------
    SinglePlan
        For each c the smallest n (hypergeometric); of these plans the one with the least
        ``plan.ati(process_average, lot_size)``.

    Raises
    ------
    InvalidInput
        If an argument is out of its range, or the process average is not below the tolerance.

    References
    ----------
    Dodge & Romig (1959), chapter 2.

    Examples
    --------
    >>> by_ltpd(0.05, 0.01, 1000)
    SinglePlan(n=128, ac=3, re=4)
    """
    size = one_whole(lot_size, "lot_size", least=1)
    wanted, risk = checked_level(ltpd, "ltpd"), checked_level(consumer_risk, "consumer_risk")
    average = _average(process_average, wanted, "ltpd")
    incorrect = least_in_bad_lot(wanted, size)
    return _least_work(
        lambda c: smallest_in_lot(size, incorrect, c, risk), size, average, incorrect
    )


def _least_work(
    smallest: Callable[[int], int], size: int, average: float, counts: int
) -> SinglePlan:
    """Of the smallest plans for c from 0 to ``counts - 1``, the one with the least ATI.

    The smallest n rises with c, and no ATI is below n, so the search ends there.
    """
    best, least_work = SinglePlan(size, 0), float(size)
    for c in range(counts):
        n = smallest(c)
        if n >= least_work:
            break
        plan = SinglePlan(n, c)
        work = float(plan.ati(average, size))
        if work < least_work:
            best, least_work = plan, work
    return best


def _average(process_average: float, wanted: float, name: str) -> float:
    average = checked_fraction(process_average, "process_average")
    if average.ndim:
        raise InvalidInput(f"process_average must be one number, got {average.size}")
    if average >= wanted:
        raise InvalidInput(
            f"process_average must be below {name} {wanted:g}, got {float(average):g}"
        )
    return float(average)
