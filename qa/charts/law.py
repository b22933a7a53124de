"""The law of a count: binomial, beta-binomial or Poisson, and how a changed rate scores a count.

Pieces are counted in samples (binomial; beta-binomial where totes differ), defects in units of
any size (Poisson). Charts and their run lengths ask here and need not know which it is.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_counts, checked_level, checked_positive, checked_whole, chosen
from qa.charts.beta_binomial import beta_binomial, checked_correlation, checked_shift, log_ratio
from qa.errors import InvalidInput

Floats = NDArray[np.float64]
NEVER = 1e-18  # a count less likely than this changes no run length anyone waits for
_POISSON: Mapping[str, bool] = {"binomial": False, "poisson": True}


@dataclass(frozen=True, slots=True)
class Law:
    """A checked law: the mean rate, the correlation of pieces in a tote, and whether Poisson."""

    rate: float
    correlation: float
    poisson: bool


@dataclass(frozen=True, slots=True)
class Shift:
    """A law in control, and the factor by which its rate may change."""

    law: Law
    ratio: float


def checked_law(rate: float, correlation: float, model: str, name: str = "center") -> Law:
    """A law whose rate may be asked about.

    Raises
    ------
    InvalidInput
        If the rate is no fraction (or, Poisson, not above 0), the model is none of its choices,
        or a Poisson law is given a correlation.
    """
    rho = checked_correlation(correlation)
    if not chosen(_POISSON, "model", model):
        return Law(checked_level(rate, name), rho, False)
    if rho > 0:
        raise InvalidInput(f"correlation must be 0 with the Poisson model, got {correlation!r}")
    if np.ndim(rate) != 0:
        raise InvalidInput(f"{name} must be one number, got {np.size(rate)}")
    return Law(float(checked_positive(rate, name)), 0.0, True)


def checked_change(law: Law, ratio: float, name: str = "ratio") -> Shift:
    """A law and the factor to be found.

    Raises
    ------
    InvalidInput
        If the factor leads to no rate, or is 1: nothing to find.
    """
    if not law.poisson:
        return Shift(law, checked_shift(law.rate, ratio, name)[1])
    if np.ndim(ratio) != 0 or not 0 < ratio < np.inf or ratio == 1:
        raise InvalidInput(f"{name} must be above 0 and not 1, got {ratio!r}")
    return Shift(law, float(ratio))


def checked_sizes(inspected_sizes: ArrayLike, law: Law) -> tuple[Floats, Floats]:
    """The distinct sizes of samples and the share of each.

    Raises
    ------
    InvalidInput
        If there is none, or one is not whole (Poisson: not above 0).
    """
    name = "inspected_sizes"
    if law.poisson:
        sizes = checked_positive(inspected_sizes, name).ravel()
    else:
        sizes = checked_whole(inspected_sizes, name, least=1).ravel()
    if sizes.size == 0:
        raise InvalidInput(f"{name} must hold one size or more, got none")
    distinct, times = np.unique(sizes, return_counts=True)
    return distinct, times / sizes.size


def checked_series(count: ArrayLike, inspected: ArrayLike, model: str) -> tuple[Floats, Floats]:
    """One series of counts and what they were found in.

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected (Poisson: not whole), or there are many series.
    """
    if chosen(_POISSON, "model", model):
        found, units = checked_whole(count, "count"), checked_positive(inspected, "inspected")
        found, units = np.broadcast_arrays(found, units)
    else:
        found, units = checked_counts(count, inspected)
    if found.ndim > 1:
        raise InvalidInput(f"count must be one series, got an array of {found.ndim} dimensions")
    return np.atleast_1d(found), np.atleast_1d(units)


def chances(law: Law, sizes: Floats) -> Floats:
    """Chance of every count: a row for each size, a column for 0, 1, 2, ... of them."""
    if not law.poisson:
        whole = sizes.astype(np.int64)
        return beta_binomial(law.rate, law.correlation, int(whole.max())).chances(whole)
    mean = law.rate * sizes[:, np.newaxis]
    count = np.arange(_poisson_reach(float(mean.max())) + 1)
    table: Floats = np.exp(special.xlogy(count, mean) - mean - special.gammaln(count + 1.0))
    return table


def variance(law: Law, sizes: Floats) -> Floats:
    """Variance of the rate that samples of these sizes show."""
    if law.poisson:
        return law.rate / sizes
    return law.rate * (1 - law.rate) * (1 + (sizes - 1) * law.correlation) / sizes


def score(shift: Shift, count: Floats, inspected: Floats) -> Floats:
    """Log-likelihood ratio of each count: the changed rate against the rate in control."""
    law, ratio = shift.law, shift.ratio
    if law.poisson:
        return count * float(np.log(ratio)) - inspected * (law.rate * (ratio - 1))
    return log_ratio(
        count.astype(np.int64),
        inspected.astype(np.int64),
        center=law.rate,
        ratio=ratio,
        correlation=law.correlation,
    )


def _poisson_reach(mean: float) -> int:
    """A count that is less likely exceeded than `NEVER`, whatever the mean."""
    return int(mean + 10 * np.sqrt(mean) + 30)
