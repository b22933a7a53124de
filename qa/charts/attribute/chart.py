"""Charts of counts: fraction (p), number (np), and defects (c, u), each point with its own limits.

A point signals when its count lies beyond a limit, never on it. A limit that no count could
cross is nan: there is none. All four charts take `limits`, `false_alarm` and `stretch`, which
`p_chart` explains; where defects are counted "exact" is the Poisson distribution's, and there is
no "beta_binomial".
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qa._validate import (
    checked_counts,
    checked_fraction,
    checked_level,
    checked_positive,
    checked_whole,
    chosen,
)
from qa.charts.attribute.limits import DEFECTS, FRACTION, Rule, Series, stretch_of
from qa.charts.beta_binomial import checked_correlation
from qa.errors import InvalidInput

Floats = NDArray[np.float64]
ON_THE_LIMIT = 1e-9  # relative: a count this near a limit computed in floats lies on it


@dataclass(frozen=True, slots=True, eq=False)
class ControlChart:
    """A chart: arrays of one length, a value for each point in time order.

    Attributes
    ----------
    statistic : what is drawn: a fraction (p, EWMA), a count (np, c), defects a unit (u) or
        pieces between incorrect pieces (g)
    center, lower, upper : centre line and control limits on the same scale; nan where no count
        could cross the limit
    sigma : standard deviation of the statistic in control, as the limits take it
    inspected : pieces (or units) the count was found in; 1 for a c chart
    scale : what a count is divided by to be drawn: inspected, or 1 where counts are drawn
    signals : bool, the count lies beyond a limit
    least, most : smallest and largest count that does not signal
    """

    statistic: Floats
    center: Floats
    lower: Floats
    upper: Floats
    sigma: Floats
    inspected: Floats
    scale: Floats
    signals: NDArray[np.bool_]
    least: Floats
    most: Floats


def p_chart(
    count: ArrayLike,
    inspected: ArrayLike,
    *,
    center: ArrayLike | None = None,
    correlation: float | None = None,
    limits: str = "exact",
    false_alarm: float = 0.0027,
    stretch: float | None = None,
) -> ControlChart:
    """Chart of the fraction of pieces of one kind, with limits at each audit's own sample size.

    Parameters
    ----------
    count, inspected : array_like of int, broadcast to one length
        Pieces of the kind, and pieces looked at, in time order.
    center : array_like of fractions, optional
        Baseline level, one or one an audit; by default all counted over all inspected.
    correlation : float, optional
        Intra-class correlation of pieces in one tote; asked for by "beta_binomial" alone.
    limits : {"exact", "beta_binomial", "three_sigma", "laney"}
        "exact" and "beta_binomial" place each limit where at most half of `false_alarm` lies
        beyond it, totes being alike or differing. "three_sigma" is the normal approximation;
        "laney" stretches it by the spread seen between neighbours, and needs two audits.
    false_alarm : float, between 0 and 1
        Chance that a point in control signals, both limits together; the last two ignore it.
    stretch : float, above 0, optional
        Laney's factor, kept from the baseline (`laney_stretch`) so that limits stay as they are
        while audits come in. By default these audits' own.

    Returns
    -------
    ControlChart

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected, or an option is none of its choices.

    References
    ----------
    Shewhart (1931), Economic Control of Quality; probability limits as in ISO 7870-2. Laney
    (2002), Quality Engineering 14, 531-537.

    Examples
    --------
    >>> chart = p_chart([2, 1, 9], [200, 150, 200], center=0.01)
    >>> chart.signals.tolist(), chart.upper.round(4).tolist()
    ([False, False, True], [0.035, 0.04, 0.035])
    """
    series = _fractions(count, inspected, center, correlation, false_alarm, stretch)
    return _chart(series, chosen(FRACTION, "limits", limits), series.inspected, series.inspected)


def np_chart(
    count: ArrayLike,
    inspected: ArrayLike,
    *,
    center: ArrayLike | None = None,
    correlation: float | None = None,
    limits: str = "exact",
    false_alarm: float = 0.0027,
    stretch: float | None = None,
) -> ControlChart:
    """Chart of the number of pieces of one kind: a `p_chart` drawn in pieces.

    `center` is still a fraction; the centre line is center x inspected.

    Examples
    --------
    >>> np_chart([9], 50, center=0.2313, limits="three_sigma").upper.round(2).tolist()
    [20.51]
    """
    series = _fractions(count, inspected, center, correlation, false_alarm, stretch)
    pieces = np.ones_like(series.inspected)
    return _chart(series, chosen(FRACTION, "limits", limits), series.inspected, pieces)


def c_chart(
    count: ArrayLike,
    *,
    center: ArrayLike | None = None,
    limits: str = "exact",
    false_alarm: float = 0.0027,
    stretch: float | None = None,
) -> ControlChart:
    """Chart of defects in units of one size, Poisson when in control: a `u_chart` of one unit each.

    Examples
    --------
    >>> c_chart([16, 31], center=16, limits="three_sigma").signals.tolist()
    [False, True]
    """
    return u_chart(count, 1, center=center, limits=limits, false_alarm=false_alarm, stretch=stretch)


def u_chart(
    count: ArrayLike,
    inspected: ArrayLike,
    *,
    center: ArrayLike | None = None,
    limits: str = "exact",
    false_alarm: float = 0.0027,
    stretch: float | None = None,
) -> ControlChart:
    """Chart of defects per unit, where more or less than one unit is looked at.

    Parameters
    ----------
    count : array_like of int
        Defects found.
    inspected : array_like, above 0
        Units they were found in, whole or not.
    center : array_like, optional
        Expected defects a unit; by default all defects over all units.
    limits, false_alarm, stretch
        As for `p_chart`; no "beta_binomial".

    Examples
    --------
    >>> u_chart([14], [10], center=7, limits="three_sigma").upper.round(3).tolist()
    [9.51]
    """
    found = np.atleast_1d(checked_whole(count, "count"))
    found, units = np.broadcast_arrays(found, checked_positive(inspected, "inspected"))
    mean = found.sum() / max(units.sum(), np.finfo(float).tiny)
    level = np.asarray(mean if center is None else center, dtype=np.float64)
    if not (np.isfinite(level) & (level >= 0)).all():
        raise InvalidInput(f"center must be 0 or more, got {level.min():g}")
    level = np.broadcast_to(level, found.shape)
    alarm, factor = checked_level(false_alarm, "false_alarm"), _checked_stretch(stretch)
    series = Series(found, units, level, None, alarm, factor)
    return _chart(series, chosen(DEFECTS, "limits", limits), np.full_like(units, np.inf), units)


def laney_stretch(chart: ControlChart) -> float:
    """Laney's factor of a baseline's chart: how much more its points spread than chance says.

    Parameters
    ----------
    chart : ControlChart
        A p, np, c or u chart with limits "exact" or "three_sigma", whose sigma is chance's own.

    Returns
    -------
    float
        About 1 where audits are alike; `stretch` of the charts of later audits.

    Raises
    ------
    InvalidInput
        If the chart has fewer than two points.

    References
    ----------
    Laney (2002), Quality Engineering 14, 531-537.

    Examples
    --------
    >>> baseline = p_chart([2, 8, 3, 9], [100, 200, 100, 200], limits="three_sigma")
    >>> round(laney_stretch(baseline), 3)
    0.805
    """
    return stretch_of(chart.statistic - chart.center, chart.sigma)


def standardised(chart: ControlChart) -> ControlChart:
    """The same chart in standard deviations from its centre line, which is then 0.

    Points of all sample sizes stand on one scale; which of them signal stays as it is. A point
    with no standard deviation (a center of 0 or 1) stands at 0 while it is on the centre line.

    Parameters
    ----------
    chart : ControlChart

    Returns
    -------
    ControlChart
        Limits by three sigma or Laney's lie at -3 and 3; exact ones still follow the sample size.

    Examples
    --------
    >>> z = standardised(p_chart([20], [110], center=0.0955, limits="three_sigma"))
    >>> z.statistic.round(2).tolist(), z.upper.round(2).tolist()
    ([3.08], [3.0])
    """

    def off(values: Floats) -> Floats:
        return deviations(values, chart.center, chart.sigma)

    return replace(
        chart,
        statistic=off(chart.statistic),
        center=np.zeros_like(chart.center),
        lower=off(chart.lower),
        upper=off(chart.upper),
        sigma=np.ones_like(chart.sigma),
    )


def deviations(values: Floats, center: ArrayLike, sigma: ArrayLike) -> Floats:
    """Standard deviations off the centre line; where there is none, 0 on the line, else infinite.

    `center` and `sigma` are one number or one a value.
    """
    away = values - np.asarray(center)
    none = np.copysign(np.where(away == 0, 0.0, np.inf), away)
    none[np.isnan(away)] = np.nan
    off: Floats = np.divide(away, sigma, out=none, where=np.asarray(sigma) > 0)
    return off


def _fractions(
    count: ArrayLike,
    inspected: ArrayLike,
    center: ArrayLike | None,
    correlation: float | None,
    false_alarm: float,
    stretch: float | None,
) -> Series:
    x, n = (np.atleast_1d(values) for values in checked_counts(count, inspected))
    level = x.sum() / max(n.sum(), 1) if center is None else center
    p = np.broadcast_to(checked_fraction(level, "center"), x.shape)
    rho = None if correlation is None else checked_correlation(correlation)
    alarm = checked_level(false_alarm, "false_alarm")
    return Series(x, n, p, rho, alarm, _checked_stretch(stretch))


def _checked_stretch(stretch: float | None) -> float | None:
    if stretch is None:
        return None
    if np.ndim(stretch) != 0:
        raise InvalidInput(f"stretch must be one number, got {np.size(stretch)}")
    return float(checked_positive(stretch, "stretch"))


def _chart(series: Series, rule: Rule, greatest: Floats, scale: Floats) -> ControlChart:
    """The chart whose limits, given in counts, are drawn divided by `scale`."""
    sigma = rule.sigma(series)
    low, high = rule.limits(series, sigma)
    least = np.ceil(low - ON_THE_LIMIT * np.abs(low))
    most = np.floor(high + ON_THE_LIMIT * np.abs(high))
    x = series.count
    return ControlChart(
        statistic=x / scale,
        center=series.expected / scale,
        lower=np.where(least > 0, low, np.nan) / scale,
        upper=np.where(most < greatest, high, np.nan) / scale,
        sigma=sigma / scale,
        inspected=series.inspected,
        scale=scale,
        signals=(x < least) | (x > most),
        least=np.maximum(least, 0.0),
        most=np.minimum(most, greatest),
    )
