"""The mean fraction and the correlation of totes that differ, by the beta-binomial distribution.

Each tote has a fraction of its own, beta-distributed around the mean; the intra-tote correlation
says how widely. Here is the posterior of both, by quadrature: no random numbers, and doubled in
fineness until it has settled.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft, special

from qa._validate import checked_positive
from qa.errors import InvalidInput
from qa.intervals.totes import Labels, sums_of_totes

Array = NDArray[np.float64]
Prior = tuple[float, float]
LogDensity = Callable[[Array, Array], Array]

CORRELATION_PRIOR: Prior = (0.5, 10.0)  # before anything is known of the plant
_ENDS = np.array([[0.0, np.pi / 2.0], [0.0, np.pi / 2.0 - 1e-6]])  # 0 / 0 at a correlation of 1


@dataclass(frozen=True, slots=True, eq=False)
class Rising:
    """Distinct counts and the weight of the totes that have each of them.

    Its sum is that of log(start + k rho) over k below each tote's count: the logarithm of the
    rising factorials that make up a beta-binomial chance.
    """

    count: Array
    weight: Array

    def summed(self, start: Array, rho: Array) -> Array:
        """The weighted sum over totes, for every start (its last axis is that of `rho`)."""
        largest = int(self.count.max(initial=0))
        if largest <= _CHEAPER * self.count.size:
            return _step_by_step(self.above(largest), start, rho)
        total = np.zeros(start.shape)
        for count, weight in zip(self.count, self.weight, strict=True):
            total += weight * log_rising(start, rho, count)
        return total

    def above(self, largest: int) -> Array:
        """Weight of the totes whose count is above k, for every k below `largest`."""
        at = np.bincount(self.count.astype(np.intp), self.weight, largest + 1)
        return np.asarray(np.cumsum(at[:0:-1])[::-1])


@dataclass(frozen=True, slots=True, eq=False)
class Totes:
    """Totes as the likelihood needs them: pieces of the kind, others, all."""

    hits: Rising
    misses: Rising
    all_: Rising

    def log_likelihood(self, mean: Array, rho: Array) -> Array:
        """A row a mean (or, with as many columns, means of their own for each correlation).

        A column a correlation; without the binomial coefficients.
        """
        mean = mean[:, np.newaxis] if mean.ndim == 1 else mean
        rest = 1.0 - rho
        return (
            self.hits.summed(mean * rest, rho)
            + self.misses.summed((1.0 - mean) * rest, rho)
            - self.all_.summed(rest, rho)
        )


@dataclass(frozen=True, slots=True, eq=False)
class Density:
    """Density of an angle in equal steps from `first` to `last`; the fraction is its sine squared.

    Between the steps it is its cosine series, whose integral is exact.
    """

    first: float
    last: float
    values: Array

    def below(self, tail: float) -> float:
        """The fraction below which the chance is `tail`."""
        return float(np.sin(self._angle(self.values, tail)) ** 2)

    def above(self, tail: float) -> float:
        """The fraction above which the chance is `tail`."""
        back = self._angle(self.values[::-1], tail)
        return float(np.sin(self.first + self.last - back) ** 2)

    def moments(self) -> tuple[float, float]:
        """Mean and variance of the fraction."""
        weight = halved_ends(self.values)
        fraction = np.sin(np.linspace(self.first, self.last, weight.size)) ** 2
        mean = float(weight @ fraction / weight.sum())
        return mean, float(weight @ (fraction - mean) ** 2 / weight.sum())

    def settled(self, within: float = 1e-5) -> bool:
        """Whether the steps are small enough: the last quarter of the series adds nothing.

        Nothing is less than a part of the first term.
        """
        series = np.abs(fft.dct(self.values, type=1))
        return bool(series[-(series.size // 4) :].max() < within * series[0])

    def chance_below(self, fraction: float) -> float:
        """The chance that it is below a fraction."""
        at = (np.arcsin(np.sqrt(fraction)) - self.first) / (self.last - self.first)
        return float(_series(self.values)(float(np.clip(at, 0.0, 1.0))))

    def _angle(self, values: Array, tail: float) -> float:
        chance, low, high = _series(values), 0.0, 1.0
        for _ in range(52):
            middle = (low + high) / 2.0
            low, high = (middle, high) if chance(middle) < tail else (low, middle)
        return self.first + (self.last - self.first) * (low + high) / 2.0


def _series(values: Array) -> Callable[[float], float]:
    """The chance below each place from 0, the first of equal steps, to 1, the last."""
    series, waves = fft.dct(values, type=1), np.pi * np.arange(1, values.size)
    part = 2.0 * halved_ends(series)[1:] / (waves * series[0])
    return lambda at: at + float(part @ np.sin(waves * at))


def checked_prior(prior: Prior) -> Prior:
    """The two shapes of a beta distribution of the correlation, each at least 1/2.

    Raises
    ------
    InvalidInput
        Otherwise.
    """
    shapes = checked_positive(prior, "correlation_prior")
    if shapes.shape != (2,) or shapes.min() < 0.5:
        raise InvalidInput(
            f"correlation_prior must be two numbers, each at least 0.5, got {prior!r}"
        )
    return float(shapes[0]), float(shapes[1])


@dataclass(frozen=True, slots=True, eq=False)
class Joint:
    """Posterior of the angles of mean and correlation: a row a mean, a column a correlation."""

    mean: Array
    rho: Array
    values: Array

    def marginals(self) -> tuple[Density, Density]:
        """Of the mean, and of the correlation."""
        mean = self.values @ halved_ends(np.ones_like(self.rho))
        rho = halved_ends(np.ones_like(self.mean)) @ self.values
        return (
            Density(self.mean[0], self.mean[-1], mean),
            Density(self.rho[0], self.rho[-1], rho),
        )

    def chance_below(self, limit: Array) -> float:
        """Chance of a mean below a limit that each correlation has of its own."""
        first, last = self.mean[[0, -1]]
        at = np.clip((np.arcsin(np.sqrt(limit)) - first) / (last - first), 0.0, 1.0)
        series = halved_ends(fft.dct(self.values, type=1, axis=0))
        waves = np.pi * np.arange(1, len(series))
        swing = np.sin(np.multiply.outer(waves, at)) * series[1:] / waves[:, np.newaxis]
        weight = halved_ends(np.ones_like(self.rho))
        below = (series[0] * at + swing.sum(axis=0)) @ weight
        return float(below / (series[0] @ weight))


def totes_of(count: ArrayLike, inspected: ArrayLike, weight: Array | None = None) -> Totes:
    """The totes for the likelihood, each of them counted `weight` times."""
    x, n = np.asarray(count, dtype=np.float64), np.asarray(inspected, dtype=np.float64)
    weight = np.ones_like(x) if weight is None else weight
    return Totes(*(_rising(each, weight) for each in (x, n - x, n)))


def posterior(totes: Totes, prior: Prior = CORRELATION_PRIOR) -> tuple[Density, Density]:
    """Marginal posterior of the mean and of the correlation.

    Priors: Beta(1/2, 1/2) on the mean, ``Beta(*prior)`` on the correlation. In the angles whose
    sine squared they are, the integrand is even at its ends, so equal steps over the box that
    holds the mass converge faster than any power of the step.

    Parameters
    ----------
    totes : Totes
    prior : pair of float, each at least 1/2

    References
    ----------
    Trefethen & Weideman (2014), SIAM Review 56, 385-458 (equal steps). Griffiths (1973),
    Biometrics 29, 637-648 (the likelihood in this form).
    """
    return joint(totes, prior).marginals()


def joint(totes: Totes, prior: Prior = CORRELATION_PRIOR) -> Joint:
    """The posterior behind both, its steps halved until both marginals have settled."""
    log_density = log_density_of(totes, prior)
    box, steps = box_of(log_density), np.array(_FIRST_STEPS)
    for _ in range(_DOUBLINGS):
        mean, rho = (_spaced(ends, int(n)) for ends, n in zip(box, steps, strict=True))
        table = log_density(mean, rho)
        found = Joint(mean, rho, np.exp(table - table.max()))
        rough = np.array([not each.settled() for each in found.marginals()])
        if not rough.any():
            break
        steps = steps * (1 + rough)
    return found


def learned_prior(
    count: ArrayLike, inspected: ArrayLike, *, stratum: Labels | None = None
) -> Prior:
    """The prior of the correlation that a plant's own history teaches.

    Each stratum (such as a lane in a month) has its own mean, all have one correlation. The beta
    distribution has the mean of its posterior and twice its standard deviation, but at least half
    of the mean, since totes to come need not differ as those of the past did.

    Parameters
    ----------
    count, inspected : array_like of int, one value a tote
        Routine audits of a past period, not those to be judged with the prior.
    stratum : one label a tote, optional

    Returns
    -------
    pair of float
        The shapes, for the argument `correlation_prior` of `clustered`.

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected, or labels do not match totes.

    Examples
    --------
    >>> a, b = learned_prior([2, 0, 1, 9, 0, 3, 1, 2, 0, 4] * 20, [200] * 200)
    >>> round(a, 1), round(a / (a + b), 4)
    (3.9, 0.0108)
    """
    sums, labels, counts = sums_of_totes(count, inspected, stratum)
    parts = [counts.stratum == place for place in range(len(labels))]
    strata = [totes_of(counts.x[mine], counts.n[mine]) for mine in parts]
    a, b = CORRELATION_PRIOR

    def height(angle: Array) -> Array:
        """Logarithm of the density of each angle of the correlation."""
        known = special.xlogy(2.0 * a - 1.0, np.sin(angle)) + (2.0 * b - 1.0) * np.log(
            np.cos(angle)
        )
        seen = [
            _of_angle(totes, (x, n, n2 / n), angle)
            for totes, x, n, n2 in zip(strata, sums.x, sums.n, sums.n2, strict=True)
        ]
        return np.asarray(known + np.sum(seen, axis=0))

    (first, last), steps = box_of(height, _ENDS[1:])[0], _FIRST_STEPS[1]
    for _ in range(_DOUBLINGS):
        values = height(np.linspace(first, last, steps + 1))
        found = Density(first, last, np.exp(values - values.max()))
        if found.settled():
            break
        steps *= 2
    mean, variance = found.moments()
    variance = max(4.0 * variance, (mean / 2.0) ** 2)
    size = mean * (1.0 - mean) / variance - 1.0
    size = max(size, 0.5 / mean, 0.5 / (1.0 - mean))  # no shape below 1/2
    return max(0.5, mean * size), max(0.5, (1.0 - mean) * size)


def _of_angle(totes: Totes, sums: tuple[float, float, float], angle: Array) -> Array:
    """Logarithm of the likelihood of each angle of the correlation, the mean integrated out.

    In the angle of the mean, whose spread hangs on the pieces that the correlation leaves and on
    hardly anything else, over ten standard deviations to both sides.
    """
    (x, n, size), rho = sums, np.sin(angle) ** 2
    middle = np.arcsin(np.sqrt((x + 0.5) / (n + 1.0)))
    reach = _REACH * 0.5 * np.sqrt((1.0 + (size - 1.0) * rho) / n)
    first, last = np.maximum(middle - reach, 0.0), np.minimum(middle + reach, np.pi / 2.0)
    mean = first + (last - first) * np.linspace(0.0, 1.0, _MEANS + 1)[:, np.newaxis]
    with np.errstate(divide="ignore"):
        table = totes.log_likelihood(np.sin(mean) ** 2, rho)
    top = table.max(axis=0)
    return np.asarray(top + np.log(halved_ends(np.exp(table - top)).sum(axis=0) * (last - first)))


def log_density_of(totes: Totes, prior: Prior) -> LogDensity:
    """Logarithm of the posterior of both angles, but for a constant: of means and correlations."""
    a, b = prior

    def log_density(mean: Array, rho: Array) -> Array:
        with np.errstate(divide="ignore"):  # a mean of 0 makes any piece impossible: log 0
            seen = totes.log_likelihood(np.sin(mean) ** 2, np.sin(rho) ** 2)
        known = special.xlogy(2.0 * a - 1.0, np.sin(rho))
        return np.asarray(seen + known + (2.0 * b - 1.0) * np.log(np.cos(rho)))

    return log_density


def box_of(log_density: Callable[..., Array], ends: Array = _ENDS) -> Array:
    """The box of the angles that holds all but nothing of the mass: row by row its two ends.

    A coarse grid is laid over a box, and the next box reaches two of its steps beyond what lies
    near the highest point, until that changes little.
    """
    box = ends
    for _ in range(_ZOOMS):
        grid = np.linspace(box[:, 0], box[:, 1], _COARSE, axis=1)
        table = log_density(*grid)
        near = np.argwhere(table > table.max() - _DEPTH)
        step = (grid[:, 1] - grid[:, 0])[:, np.newaxis]
        reached = np.stack([near.min(axis=0) - 2, near.max(axis=0) + 2], axis=1)
        old, box = box, np.clip(box[:, :1] + step * reached, ends[:, :1], ends[:, 1:])
        if (np.abs(box - old) <= 4.0 * step).all():
            break
    return box


def _rising(count: Array, weight: Array) -> Rising:
    distinct, at = np.unique(count, return_inverse=True)
    return Rising(distinct, np.bincount(at, weight).astype(np.float64))


def _step_by_step(above: Array, start: Array, rho: Array) -> Array:
    """Sum over k of above[k] log(start + k rho), in blocks that fit the cache."""
    total = np.zeros(start.shape)
    for k in range(0, above.size, _BLOCK):
        step = np.arange(k, min(k + _BLOCK, above.size), dtype=np.float64)
        terms = np.log(start[..., np.newaxis] + np.multiply.outer(rho, step))
        total += terms @ above[k : k + _BLOCK]
    return total


def log_rising(start: Array, rho: Array, count: float) -> Array:
    """Sum of log(start + k rho) over k below `count`.

    From start / rho = 10 on by Stirling's series of both gamma functions, whose leading parts are
    taken together and hold at correlation 0; below that by the gamma functions.
    """
    rho = np.maximum(rho, _TINY)
    z = np.maximum(start / rho, _TINY)
    total = count * np.log(rho) + np.zeros_like(z)
    far = z > _FAR
    near, away = z[~far], z[far]
    total[~far] += special.gammaln(near + count) - special.gammaln(near)
    top = (away + count - 0.5) * np.log1p(count / away) - count
    total[far] = top + special.xlogy(count, start[far]) + _stirling(away + count) - _stirling(away)
    return total


def _stirling(z: Array) -> Array:
    """What Stirling's formula leaves out, to 12 digits from z = 10 on."""
    part = 1.0 / z
    square = part * part
    return np.asarray((1 / 12 - (1 / 360 - (1 / 1260 - square / 1680) * square) * square) * part)


def _spaced(ends: Array, steps: int) -> Array:
    return np.linspace(float(ends[0]), float(ends[1]), steps + 1)


def halved_ends(values: Array) -> Array:
    """The values with the weights of the trapezoidal rule along the first axis."""
    values = values.copy()
    values[[0, -1]] /= 2.0
    return values


_FIRST_STEPS = (64, 48)
_DOUBLINGS = 6
_COARSE = 25
_MEANS = 32
_REACH = 10.0
_ZOOMS = 30
_DEPTH = 25.0  # in logarithms below the highest point
_BLOCK = 256
_CHEAPER = 8  # logarithms that take the time of one rising factorial
_FAR = 10.0
_TINY = 1e-290
