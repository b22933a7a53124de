"""Two fractions compared: their difference and ratio with intervals, for samples and for totes."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_counts, checked_level, chosen
from qa.errors import InvalidInput
from qa.intervals.binomial import binomial
from qa.intervals.clustered import Estimate, clustered

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """A difference or a ratio of fractions: arrays of one shape.

    Attributes
    ----------
    estimate, low, high : the figure and its confidence limits
    p_value : of a test that both fractions are equal, two-sided
    confidence, method
    """

    estimate: Floats
    low: Floats
    high: Floats
    p_value: Floats
    confidence: float
    method: str


@dataclass(frozen=True, slots=True, eq=False)
class _Two:
    """Two samples: counts and pieces, arrays of one shape."""

    x1: Floats
    n1: Floats
    x2: Floats
    n2: Floats

    @property
    def p1(self) -> Floats:
        """Fraction of the first."""
        return self.x1 / self.n1

    @property
    def p2(self) -> Floats:
        """Fraction of the other."""
        return self.x2 / self.n2


_Limits = Callable[[_Two, float], tuple[Floats, Floats]]


def difference(
    count: ArrayLike,
    inspected: ArrayLike,
    other_count: ArrayLike,
    other_inspected: ArrayLike,
    *,
    confidence: float = 0.95,
    method: str = "newcombe",
) -> Comparison:
    """Difference of two fractions, the first less the other, each from one random sample.

    Parameters
    ----------
    count, inspected, other_count, other_inspected : array_like of int, broadcast to one shape
    confidence : float, between 0 and 1
    method : {"newcombe", "miettinen_nurminen"}
        "newcombe" joins the Wilson limits of both (hybrid score); "miettinen_nurminen" inverts
        the score test, with variance by n / (n - 1).

    Returns
    -------
    Comparison
        Its p-value is the score test's, for "miettinen_nurminen" with the same factor.

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected.

    References
    ----------
    Newcombe (1998), Statistics in Medicine 17, 873-890, method 10. Miettinen & Nurminen (1985),
    Statistics in Medicine 4, 213-226.

    Examples
    --------
    >>> found = difference(56, 70, 48, 80)
    >>> round(float(found.low), 4), round(float(found.high), 4)
    (0.0524, 0.3339)
    """
    two, level = _checked(count, inspected, other_count, other_inspected), checked_level(confidence)
    low, high = chosen(_DIFFERENCES, "method", method)(two, level)
    return Comparison(two.p1 - two.p2, low, high, _score_p(two, method), level, method)


def ratio(
    count: ArrayLike,
    inspected: ArrayLike,
    other_count: ArrayLike,
    other_inspected: ArrayLike,
    *,
    confidence: float = 0.95,
    method: str = "newcombe",
) -> Comparison:
    """Ratio of two fractions, the first over the other, each from one random sample.

    Parameters
    ----------
    count, inspected, other_count, other_inspected, confidence, method
        As for `difference`.

    Returns
    -------
    Comparison
        With none in the other sample the estimate and the upper limit are infinite; with none in
        either the estimate is nan.

    References
    ----------
    Fagerland & Newcombe (2013), Statistics in Medicine 32, 2823-2836; Donner & Zou (2012), SMMR
    21, 347-359 (hybrid score). Miettinen & Nurminen (1985), Statistics in Medicine 4, 213-226.

    Examples
    --------
    >>> found = ratio(24, 73, 53, 65)
    >>> round(float(found.low), 3), round(float(found.high), 3)
    (0.282, 0.563)
    """
    two, level = _checked(count, inspected, other_count, other_inspected), checked_level(confidence)
    low, high = chosen(_RATIOS, "method", method)(two, level)
    return Comparison(_over(two.p1, two.p2), low, high, _score_p(two, method), level, method)


def difference_of_totes(
    count: ArrayLike,
    inspected: ArrayLike,
    other_count: ArrayLike,
    other_inspected: ArrayLike,
    *,
    confidence: float = 0.95,
) -> Comparison:
    """Difference of two fractions over totes that may differ, each tote a cluster.

    The limits of both are Korn & Graubard's (`qa.intervals.clustered`), joined as Newcombe joins
    Wilson's (Zou & Donner 2008); the p-value is chi-square's on counts over their design effects.

    Parameters
    ----------
    count, inspected : array_like of int, a value for each tote of the first
    other_count, other_inspected : the same of the other
    confidence : float, between 0 and 1

    Returns
    -------
    Comparison
        Arrays of no dimension.

    References
    ----------
    Zou & Donner (2008), Statistics in Medicine 27, 1693-1702; Rao & Scott (1992), Biometrics 48,
    577-585.

    Examples
    --------
    >>> found = difference_of_totes([9, 2, 7, 4], [200] * 4, [1, 3, 0, 2], [200] * 4)
    >>> round(float(found.estimate), 3), float(found.low) > -0.01
    (0.02, True)
    """
    first, other, p_value = _totes(count, inspected, other_count, other_inspected, confidence)
    p1, p2 = first.interval.estimate, other.interval.estimate
    low, high = joined_difference(*_ends(first), *_ends(other))
    return Comparison(p1 - p2, low, high, p_value, confidence, "clustered")


def ratio_of_totes(
    count: ArrayLike,
    inspected: ArrayLike,
    other_count: ArrayLike,
    other_inspected: ArrayLike,
    *,
    confidence: float = 0.95,
) -> Comparison:
    """Ratio of two fractions over totes that may differ; all as for `difference_of_totes`.

    Examples
    --------
    >>> found = ratio_of_totes([9, 2, 7, 4], [200] * 4, [1, 3, 0, 2], [200] * 4)
    >>> round(float(found.estimate), 2)
    3.67
    """
    first, other, p_value = _totes(count, inspected, other_count, other_inspected, confidence)
    estimate = _over(first.interval.estimate, other.interval.estimate)
    low, high = joined_ratio(*_ends(first), *_ends(other))
    return Comparison(estimate, low, high, p_value, confidence, "clustered")


def _checked(x1: ArrayLike, n1: ArrayLike, x2: ArrayLike, n2: ArrayLike) -> _Two:
    one = checked_counts(x1, n1)
    two = checked_counts(x2, n2, names=_OTHER)
    try:
        return _Two(*np.broadcast_arrays(*one, *two))
    except ValueError:
        raise InvalidInput(
            f"both samples must have one shape, got {one[0].shape} and {two[0].shape}"
        ) from None


def _over(p1: Floats, p2: Floats) -> Floats:
    none = np.where(p1 > 0, np.inf, np.nan)
    return np.divide(p1, p2, out=none, where=p2 > 0)


def _score_p(two: _Two, method: str) -> Floats:
    n = two.n1 + two.n2
    pooled = (two.x1 + two.x2) / n
    variance = pooled * (1 - pooled) * (1 / two.n1 + 1 / two.n2)
    if method == "miettinen_nurminen":
        variance = variance * n / (n - 1)
    return _two_sided(two.p1 - two.p2, variance)


def _two_sided(off: Floats, variance: Floats) -> Floats:
    z = np.divide(np.abs(off), np.sqrt(variance), out=np.zeros_like(off), where=variance > 0)
    p: Floats = 2 * special.ndtr(-z)
    return p


def _wilson(two: _Two, level: float) -> tuple[tuple[Floats, Floats, Floats], ...]:
    sides = ((two.x1, two.n1), (two.x2, two.n2))
    found = [binomial(x, n, confidence=level, method="wilson") for x, n in sides]
    return tuple((each.estimate, each.low, each.high) for each in found)


def _newcombe_difference(two: _Two, level: float) -> tuple[Floats, Floats]:
    first, other = _wilson(two, level)
    return joined_difference(*first, *other)


def _newcombe_ratio(two: _Two, level: float) -> tuple[Floats, Floats]:
    first, other = _wilson(two, level)
    return joined_ratio(*first, *other)


def joined_difference(
    p1: Floats, l1: Floats, u1: Floats, p2: Floats, l2: Floats, u2: Floats
) -> tuple[Floats, Floats]:
    """Limits of p1 - p2 from both fractions and their own limits (Zou & Donner 2008)."""
    low = p1 - p2 - np.hypot(p1 - l1, u2 - p2)
    return low, p1 - p2 + np.hypot(u1 - p1, p2 - l2)


def joined_ratio(
    p1: Floats, l1: Floats, u1: Floats, p2: Floats, l2: Floats, u2: Floats
) -> tuple[Floats, Floats]:
    """Limits of a ratio from those of both fractions (estimate, lower, upper of each).

    Roots of (p1 - r p2)^2 = (p1 - limit of 1)^2 + r^2 (limit of 2 - p2)^2.
    """
    middle = p1 * p2
    low = l1 * (2 * p1 - l1)
    root = np.sqrt(np.maximum(middle**2 - low * u2 * (2 * p2 - u2), 0.0))
    least = np.divide(low, middle + root, out=np.zeros_like(middle), where=middle + root > 0)
    below = l2 * (2 * p2 - l2)
    root = np.sqrt(np.maximum(middle**2 - below * u1 * (2 * p1 - u1), 0.0))
    none = np.full_like(middle, np.inf)
    return least, np.divide(middle + root, below, out=none, where=below > 0)


def _mn_difference(two: _Two, level: float) -> tuple[Floats, Floats]:
    """Where the score of a difference reaches the normal quantile, by bisection."""
    z, off = float(-special.ndtri((1 - level) / 2)), two.p1 - two.p2

    def beyond(delta: Floats) -> NDArray[np.bool_]:
        return _score_of_difference(two, delta) > z * z

    return (
        _crossing(beyond, off, np.full_like(off, -1.0)),
        _crossing(beyond, off, np.full_like(off, 1.0)),
    )


def _mn_ratio(two: _Two, level: float) -> tuple[Floats, Floats]:
    """The same for a ratio, by its logarithm; with none in a sample one limit is its end."""
    z = float(-special.ndtri((1 - level) / 2))
    both = (two.x1 > 0) & (two.x2 > 0)
    middle = np.log(np.where(both, _over(two.p1, np.where(both, two.p2, 1.0)), 1.0))

    def beyond(log_ratio: Floats) -> NDArray[np.bool_]:
        return _score_of_ratio(two, np.exp(log_ratio)) > z * z

    far = np.full_like(middle, _FAR)
    least = np.exp(_crossing(beyond, np.where(two.x2 > 0, middle, far), -far))
    most = np.exp(_crossing(beyond, np.where(two.x1 > 0, middle, -far), far))
    return np.where(two.x1 > 0, least, 0.0), np.where(two.x2 > 0, most, np.inf)


_FAR = 50.0  # no ratio of fractions has a logarithm as large


def _crossing(
    beyond: Callable[[Floats], NDArray[np.bool_]], inside: Floats, outside: Floats
) -> Floats:
    """Where a condition that is false inside and stays true beyond begins, by bisection."""
    for _ in range(64):
        middle = (inside + outside) / 2
        out = beyond(middle)
        inside, outside = np.where(out, inside, middle), np.where(out, middle, outside)
    return inside


def _score_of_difference(two: _Two, delta: Floats) -> Floats:
    """Squared score; the fractions likeliest with this difference are a cubic's middle root."""
    theta = two.n2 / two.n1
    a = 1 + theta
    b = -(a + two.p1 + theta * two.p2 + delta * (theta + 2))
    c = delta**2 + delta * (2 * two.p1 + a) + two.p1 + theta * two.p2
    d = -two.p1 * delta * (1 + delta)
    v = (b / (3 * a)) ** 3 - b * c / (6 * a**2) + d / (2 * a)
    u = np.where(v > 0, 1, -1) * np.sqrt(np.maximum((b / (3 * a)) ** 2 - c / (3 * a), 0.0))
    turn = np.divide(v, u**3, out=np.ones_like(v), where=u != 0)
    w = (np.pi + np.arccos(np.clip(turn, -1, 1))) / 3
    p1 = np.clip(2 * u * np.cos(w) - b / (3 * a), 0, 1)
    p2 = np.clip(p1 - delta, 0, 1)
    return _squared_score(two, two.p1 - two.p2 - delta, p1 * (1 - p1), p2 * (1 - p2))


def _score_of_ratio(two: _Two, ratio: Floats) -> Floats:
    """Squared score; the fractions likeliest with this ratio are a quadratic's smaller root."""
    a = (two.n1 + two.n2) * ratio
    b = ratio * (two.n1 + two.x2) + two.x1 + two.n2
    c = two.x1 + two.x2
    p2 = 2 * c / (b + np.sqrt(np.maximum(b**2 - 4 * a * c, 0.0)))
    p1 = np.clip(ratio * p2, 0, 1)
    spread = ratio**2 * p2 * (1 - p2)
    return _squared_score(two, two.p1 - ratio * two.p2, p1 * (1 - p1), spread)


def _squared_score(two: _Two, off: Floats, first: Floats, other: Floats) -> Floats:
    n = two.n1 + two.n2
    variance = (first / two.n1 + other / two.n2) * n / (n - 1)
    none = np.where(np.abs(off) > 1e-12, np.inf, 0.0)
    return np.divide(off**2, variance, out=none, where=variance > 0)


def _totes(
    x1: ArrayLike, n1: ArrayLike, x2: ArrayLike, n2: ArrayLike, confidence: float
) -> tuple[Estimate, Estimate, Floats]:
    first, other = (
        clustered(*each, confidence=confidence, method="korn_graubard")
        for each in ((x1, n1), checked_counts(x2, n2, names=_OTHER))
    )
    p1, p2 = first.interval.estimate, other.interval.estimate
    pieces = [each.inspected / each.design_effect for each in (first, other)]
    pooled = (p1 * pieces[0] + p2 * pieces[1]) / sum(pieces)
    variance = pooled * (1 - pooled) * (1 / pieces[0] + 1 / pieces[1])
    return first, other, _two_sided(np.asarray(p1 - p2), variance)


_OTHER = ("other_count", "other_inspected")


def _ends(found: Estimate) -> tuple[Floats, Floats, Floats]:
    return found.interval.estimate, found.interval.low, found.interval.high


_DIFFERENCES: dict[str, _Limits] = {
    "newcombe": _newcombe_difference,
    "miettinen_nurminen": _mn_difference,
}
_RATIOS: dict[str, _Limits] = {"newcombe": _newcombe_ratio, "miettinen_nurminen": _mn_ratio}
