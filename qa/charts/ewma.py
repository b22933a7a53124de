"""The EWMA of fractions: a mean that leans on the newest audits, for small lasting changes."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qa._validate import checked_positive
from qa.charts.attribute import ON_THE_LIMIT, ControlChart
from qa.charts.law import checked_law, checked_series, variance
from qa.charts.run_length.ewma import checked_weight, ewma_limit, fresh_totes

Floats = NDArray[np.float64]


def ewma(
    count: ArrayLike,
    inspected: ArrayLike,
    *,
    center: float | None = None,
    weight: float = 0.1,
    width: float | None = None,
    correlation: float = 0.0,
    model: str = "binomial",
    limits: str = "exact",
    arl: float = 500.0,
) -> ControlChart:
    """Chart of the exponentially weighted moving average of fractions, or of defects a unit.

    The mean starts at the centre line; each audit moves it by `weight` of the way to its own
    fraction. Its variance is that for the sizes of all audits so far: weight^2 times that of the
    newest fraction, and (1 - weight)^2 times that of the mean before.

    Parameters
    ----------
    count, inspected : array_like of int, broadcast to one length
        Pieces of the kind, and pieces looked at, in time order; with model "poisson" defects,
        and the units they were found in, whole or not.
    center : float, between 0 and 1, optional
        Baseline level, or defects a unit (then any number above 0); by default all counted over
        all inspected.
    weight : float, above 0, up to 1
        Of the newest fraction (lambda); 1 is a p chart. Smaller weights find smaller changes.
    width : float, above 0, optional
        Distance of the limits from the centre line in standard deviations of the mean. By default
        solved, by `ewma_limit` on the sizes given, for an in-control run length of `arl`.
    correlation : float, from 0, below 1
        Intra-class correlation of pieces in one tote.
    model : {"binomial", "poisson"}
        "binomial" with a correlation is beta-binomial.
    limits : {"exact", "asymptotic"}
        "exact" limits follow the variance of the mean, small at first; "asymptotic" ones take
        the chart to have long run, on audits of the first one's size.
    arl : float, above 1
        Totes between false alarms wanted on average; not used when `width` is given.

    Returns
    -------
    ControlChart
        `statistic` is the mean; `least` and `most` are the counts between which the newest audit
        would have left it inside its limits.

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected, or the center is not between 0 and 1.

    References
    ----------
    Roberts (1959), Technometrics 1, 239-250; Lucas & Saccucci (1990), Technometrics 32, 1-12;
    Borror, Champ & Rigdon (1998), Journal of Quality Technology 30, 352-361 (Poisson).

    Examples
    --------
    >>> chart = ewma([2, 6, 7, 8], [200] * 4, center=0.01, weight=0.2, width=3)
    >>> chart.statistic.round(4).tolist(), chart.signals.tolist()
    ([0.01, 0.014, 0.0182, 0.0226], [False, False, True, True])
    """
    x, n = checked_series(count, inspected, model)
    if center is None:
        center = x.sum() / max(n.sum(), np.finfo(float).tiny)
    law, part = checked_law(center, correlation, model), checked_weight(weight)
    level, greatest = law.rate, np.full_like(n, np.inf) if law.poisson else n
    if width is None:
        found = ewma_limit(
            n,
            center=level,
            weight=part,
            correlation=correlation,
            model=model,
            limits=limits,
            arl=arl,
        )
        width = found.width
    wide = float(checked_positive(width, "width"))
    mean = _smoothed(x / n, part, 1 - part, level)
    new = variance(law, n)
    old = float(new[0]) * part / (2 - part) if n.size and not fresh_totes(part, limits) else 0.0
    sigma = np.sqrt(_smoothed(new, part**2, (1 - part) ** 2, old))
    before = (1 - part) * np.concatenate([[level], mean[:-1]])[: mean.size]
    low, high = level - wide * sigma, level + wide * sigma
    ends = [(limit - before) / part * n for limit in (low, high)]  # as counts of this audit
    least = np.ceil(ends[0] - ON_THE_LIMIT * (1 + np.abs(ends[0])))
    most = np.floor(ends[1] + ON_THE_LIMIT * (1 + np.abs(ends[1])))
    return ControlChart(
        statistic=mean,
        center=np.full_like(mean, level),
        lower=np.where(low > 0, low, np.nan),
        upper=np.where(high < greatest / n, high, np.nan),
        sigma=sigma,
        inspected=n,
        scale=n,
        signals=(x < least) | (x > most),
        least=np.maximum(least, 0.0),
        most=np.minimum(most, greatest),
    )


def _smoothed(values: Floats, newest: float, before: float, start: float) -> Floats:
    """Running values: `newest` of each value and `before` of what there was."""
    found, last = [], start
    for value in values.tolist():
        last = newest * value + before * last
        found.append(last)
    return np.array(found, dtype=np.float64)
