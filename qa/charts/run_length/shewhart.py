"""Run length of a chart that judges each point alone: the same chance of a signal at each."""

import numpy as np
from numpy.typing import NDArray
from scipy import special

from qa._validate import checked_level, checked_positive, chosen
from qa.charts.attribute import ControlChart
from qa.charts.beta_binomial import beta_binomial, checked_correlation
from qa.charts.run_length.chain import RunLength, geometric
from qa.errors import InvalidInput

Floats = NDArray[np.float64]


def shewhart_run_length(
    chart: ControlChart, *, rate: float, correlation: float = 0.0, model: str = "binomial"
) -> RunLength:
    """Run length of a chart that judges each point alone, sizes drawn from the chart's own.

    Parameters
    ----------
    chart : ControlChart
        A p or np chart; with model "poisson" a c or u chart; with "geometric" a g chart. Limits
        of any kind, Laney's too, are taken as they are; all but a g chart may be standardised.
    rate : float
        True fraction of pieces (or defects a unit) while the chart runs.
    correlation : float, from 0, below 1
        True intra-class correlation of pieces in one tote, for the binomial model.
    model : {"binomial", "poisson", "geometric"}
        "binomial" with a correlation is beta-binomial.

    Returns
    -------
    RunLength
        In points of the chart. Geometric, and the same from a fresh chart as in the steady
        state: nothing is carried from point to point. The pieces that a g chart needs on average
        are the mean x incorrect pieces a point / rate.

    Raises
    ------
    InvalidInput
        If the rate is none of the model's, the chart carries anything from point to point (EWMA),
        or its counts cannot be the model's.

    Examples
    --------
    >>> from qa.charts import p_chart
    >>> chart = p_chart([2], [200], center=0.01)
    >>> round(shewhart_run_length(chart, rate=0.02).mean, 1)
    20.3
    """
    signal_chance = chosen(_SIGNALS, "model", model)
    _check_alone(chart)
    return geometric(float(signal_chance(chart, rate, checked_correlation(correlation)).mean()))


def _check_alone(chart: ControlChart) -> None:
    count = chart.statistic * chart.scale
    standardised = not chart.center.any() and (chart.sigma == 1).all()
    if not standardised and (np.abs(count - np.rint(count)) > 1e-6).any():
        raise InvalidInput("chart must be one that judges each point alone, got a running mean")


def _poisson(chart: ControlChart, rate: float, _: float) -> Floats:
    mean = float(checked_positive(rate, "rate")) * chart.inspected
    low = np.where(chart.least > 0, special.gammaincc(np.maximum(chart.least, 1), mean), 0.0)
    beyond: Floats = low + special.gammainc(chart.most + 1, mean)
    return beyond


def _geometric(chart: ControlChart, rate: float, _: float) -> Floats:
    """Fewer than `least` correct pieces, or more than `most`, before the last incorrect one."""
    p = checked_level(rate, "rate")
    incorrect = chart.inspected - chart.statistic
    if (incorrect < 1).any() or (incorrect != np.rint(incorrect)).any():
        raise InvalidInput('chart must be a g chart, not standardised, with model "geometric"')
    low = special.betainc(incorrect, np.maximum(chart.least, 1), p)
    high: Floats = special.betaincc(incorrect, chart.most + 1, p)
    return np.where(chart.least > 0, low, 0.0) + high


def _binomial(chart: ControlChart, rate: float, correlation: float) -> Floats:
    if (chart.most > chart.inspected).any() or (chart.inspected % 1 != 0).any():
        raise InvalidInput(
            'chart must be a p or np chart with model "binomial", got limits beyond what was '
            "inspected, or parts of a unit"
        )
    ends, where = np.unique(
        np.stack([chart.inspected, chart.least, chart.most]).astype(np.int64),
        axis=1,
        return_inverse=True,
    )
    law = beta_binomial(checked_level(rate, "rate"), correlation, int(ends[0].max()))
    found = [
        chance[:least].sum() + chance[most + 1 :].sum()
        for n, least, most in ends.T
        for chance in law.chances(np.array([n]))
    ]
    return np.array(found)[where.ravel()]


_SIGNALS = {"binomial": _binomial, "poisson": _poisson, "geometric": _geometric}
