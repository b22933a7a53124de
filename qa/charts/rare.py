"""Charts of rare kinds: pieces between incorrect ones, and a CUSUM of single pieces in order.

Below about 0.2 % a sample mostly holds none, and a chart of fractions has nothing to say until
many have been pulled. These charts speak at every incorrect piece.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import (
    checked_counts,
    checked_fraction,
    checked_level,
    checked_whole,
    chosen,
    one_whole,
)
from qa.charts.attribute import ON_THE_LIMIT, ControlChart
from qa.charts.cusum import Cusum, Side, running, two_sided
from qa.charts.run_length.pieces import bernoulli_limit, lattice
from qa.errors import InvalidInput

Floats = NDArray[np.float64]
_Limits = Callable[[Floats, int, float], tuple[Floats, Floats]]


def g_chart(
    between: ArrayLike,
    *,
    center: ArrayLike | None = None,
    per: int = 1,
    limits: str = "exact",
    false_alarm: float = 0.0027,
) -> ControlChart:
    """Chart of the correct pieces between incorrect ones.

    A small number is a sign of a rise, a large one of a fall. With one incorrect piece a point
    the chance of none between is the fraction itself, so that a lower limit exists only below
    half of `false_alarm`; `per` of 3 or more gives the chart one.

    Parameters
    ----------
    between : array_like of int, one series
        Correct pieces that came before each `per`-th incorrect one, in time order.
    center : array_like of fractions, optional
        Baseline fraction of incorrect pieces, one or one a point; by default all incorrect over
        all pieces.
    per : int, 1 or more
        Incorrect pieces to a point.
    limits : {"exact", "three_sigma"}
        "exact" places each limit where at most half of `false_alarm` lies beyond it, by the
        geometric distribution (`per` of 1) or the negative binomial.
    false_alarm : float, between 0 and 1
        Chance that a point in control signals, both limits together.

    Returns
    -------
    ControlChart
        `statistic` and limits in pieces; `inspected` counts the incorrect pieces too.

    Raises
    ------
    InvalidInput
        If `between` is not whole or no one series, or the center is not between 0 and 1.

    References
    ----------
    Kaminsky, Benneyan, Davis & Burke (1992), Journal of Quality Technology 24, 63-69.

    Examples
    --------
    >>> chart = g_chart([20, 170, 3], center=0.04)
    >>> chart.center[0].round(1), chart.upper[0], chart.signals.tolist()
    (np.float64(24.0), np.float64(161.0), [False, True, False])
    """
    x = np.atleast_1d(checked_whole(between, "between"))
    if x.ndim != 1:
        raise InvalidInput(f"between must be one series, got an array of {x.ndim} dimensions")
    r, level = one_whole(per, "per", least=1), checked_level(false_alarm, "false_alarm")
    found = r * x.size / max(x.sum() + r * x.size, 1) if center is None else center
    p = np.broadcast_to(checked_fraction(found, "center", ends=False), x.shape)
    low, high = chosen(_LIMITS, "limits", limits)(p, r, level / 2)
    least = np.ceil(low - ON_THE_LIMIT * np.abs(low))
    most = np.floor(high + ON_THE_LIMIT * np.abs(high))
    return ControlChart(
        statistic=x,
        center=r * (1 - p) / p,
        lower=np.where(least > 0, low, np.nan),
        upper=high,
        sigma=_sigma(p, r),
        inspected=x + r,
        scale=np.ones_like(x),
        signals=(x < least) | (x > most),
        least=np.maximum(least, 0.0),
        most=most,
    )


def pieces_between(incorrect: ArrayLike, *, per: int = 1) -> NDArray[np.int64]:
    """Correct pieces before each `per`-th incorrect one, from pieces in the order of coming.

    Parameters
    ----------
    incorrect : array_like of 0 and 1
        Whether each piece is incorrect. Those after the last full point are left out.
    per : int, 1 or more

    Examples
    --------
    >>> pieces_between([0, 0, 1, 1, 0, 0, 0, 1, 0]).tolist()
    [2, 0, 3]
    """
    found = _checked_pieces(incorrect)
    every = one_whole(per, "per", least=1)
    at = np.flatnonzero(found)[every - 1 :: every]
    return np.diff(at, prepend=-1) - every


def bernoulli_cusum(
    incorrect: ArrayLike,
    *,
    center: float,
    rise: float | None = 2.0,
    fall: float | None = None,
    limit: float | tuple[float, float] | None = None,
    arl: float = 50_000.0,
    reset: bool = True,
) -> Cusum:
    """CUSUM of single pieces in the order of coming, for a rise and for a fall.

    The sum for a rise goes up by 1 - 1/m with an incorrect piece and down by 1/m with a correct
    one, never below 0; that for a fall the other way. The correct pieces m - 1 that outweigh an
    incorrect one follow from the likelihood ratio, rounded to a whole number.

    Parameters
    ----------
    incorrect : array_like of 0 and 1
        Whether each piece is incorrect.
    center : float, between 0 and 1
        Baseline fraction of incorrect pieces.
    rise, fall : float or None
        The changes to find, as factors of the center; None leaves that way unwatched.
    limit : float or (float, float), optional
        A sum above it signals (a limit h that signals when reached is one step, 1/m, more). By
        default solved by `bernoulli_limit`.
    arl : float, above 1
        Pieces between false alarms wanted on average.
    reset : bool
        Start a sum afresh after it signals.

    Returns
    -------
    Cusum
        A value for each piece.

    Raises
    ------
    InvalidInput
        If a piece is neither 0 nor 1, rise or fall leads to no fraction, or a rise is sought from
        a center of 1/2 or more, where no whole number of correct pieces outweighs one.

    References
    ----------
    Reynolds & Stoumbos (1999), Journal of Quality Technology 31, 87-108.

    Examples
    --------
    >>> watch = bernoulli_cusum([0, 1, 0, 0, 1, 1], center=0.005, limit=2.2)
    >>> watch.path_up.round(3).tolist(), watch.signals.tolist()[-1]
    ([0.0, 0.993, 0.986, 0.978, 1.971, 2.964], True)
    """
    pieces = _checked_pieces(incorrect)

    def side(name: str, ratio: float, wanted: float | None) -> Side:
        steps, _ = lattice(center, ratio, name)
        top, attained = wanted, np.nan
        if top is None:
            found = bernoulli_limit(center=center, ratio=ratio, arl=arl)
            top, attained = found.limit, found.arl
        moves = np.where(pieces, steps - 1.0, -1.0) * (1 if ratio > 1 else -1)
        whole = np.floor(top * steps + 1e-6)  # the last point of the lattice that is quiet
        whole = max(whole, 0.5)  # half a step: any piece that raises the sum signals
        path = running(moves, whole if reset else np.inf)
        return Side(path / steps, float(whole / steps), attained)

    return two_sided(np.ones(pieces.size), float(center), (rise, fall), limit, side)


def _checked_pieces(incorrect: ArrayLike) -> NDArray[np.bool_]:
    pieces = np.atleast_1d(checked_counts(incorrect, 1, names=("incorrect", "1"))[0])
    if pieces.ndim != 1:
        raise InvalidInput(
            f"incorrect must be one series, got an array of {pieces.ndim} dimensions"
        )
    return pieces > 0


def _sigma(p: Floats, per: int) -> Floats:
    return np.sqrt(per * (1 - p)) / p


def _three_sigma(p: Floats, per: int, _: float) -> tuple[Floats, Floats]:
    middle, wide = per * (1 - p) / p, 3 * _sigma(p, per)
    return middle - wide, middle + wide


def _exact(p: Floats, per: int, tail: float) -> tuple[Floats, Floats]:
    distinct, where = np.unique(p, return_inverse=True)
    least = _first(lambda k: special.betainc(per, k + 1, distinct) > tail, distinct.size)
    most = _first(lambda k: special.betaincc(per, k + 1, distinct) <= tail, distinct.size)
    return least[where], most[where]


def _first(holds: Callable[[Floats], NDArray[np.bool_]], size: int) -> Floats:
    """Smallest whole numbers at which a condition that stays true holds, by bisection."""
    low, high = np.full(size, -1.0), np.ones(size)
    while not (there := holds(high)).all():
        low, high = np.where(there, low, high), np.where(there, high, 2 * high)
    while (high - low > 1).any():
        middle = np.floor((low + high) / 2)
        there = (middle > low) & holds(np.maximum(middle, 0.0))
        low, high = np.where(there, low, middle), np.where(there, middle, high)
    return high


_LIMITS: dict[str, _Limits] = {"exact": _exact, "three_sigma": _three_sigma}
