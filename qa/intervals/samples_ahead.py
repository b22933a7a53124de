"""What totes to come would show: the posteriors of many samples that share the totes seen."""

import numpy as np
from numpy.typing import NDArray

from qa.intervals import beta_binomial as bb
from qa.intervals.beta_binomial import CORRELATION_PRIOR, Density, Prior, Totes

Array = NDArray[np.float64]
Whole = NDArray[np.int64]


def posteriors_ahead(
    seen: Totes, ahead: Whole, size: int, prior: Prior = CORRELATION_PRIOR
) -> list[Density]:
    """The posterior of the mean after each of many samples of totes to come.

    As `qa.intervals.beta_binomial.posterior` has it. All samples share one grid, on which the
    likelihood of a tote is worked out once for every count that it may have.

    Parameters
    ----------
    seen : Totes
        Those audited, the same in every sample.
    ahead : array of int, a row a sample, a column a tote
        Pieces of the kind in each tote to come; no column if there is none.
    size : int
        Pieces inspected in each tote to come.

    Returns
    -------
    list of Density
        One a sample.
    """
    of_seen, times = bb.log_density_of(seen, prior), _times(ahead)

    def tables(mean: Array, rho: Array) -> Array:
        """Logarithm of each sample's density, its highest point at 0."""
        each = _of_each_count(
            len(times[0]), size, np.sin(mean[:, np.newaxis]) ** 2, np.sin(rho) ** 2
        )
        found = of_seen(mean, rho) + np.tensordot(times, each, axes=1)
        return np.asarray(found - found.max(axis=(1, 2), keepdims=True))

    box = bb.box_of(lambda mean, rho: tables(mean, rho).max(axis=0))
    steps = np.array(_FIRST_STEPS)
    for _ in range(_DOUBLINGS):
        mean, rho = (np.linspace(a, b, n + 1) for (a, b), n in zip(box, steps, strict=True))
        values = np.exp(tables(mean, rho))
        means, rhos = _marginals(values, 2, box[0]), _marginals(values, 1, box[1])
        rough = np.array(
            [not all(each.settled(_SETTLED) for each in part) for part in (means, rhos)]
        )
        if not rough.any():
            break
        steps = steps * (1 + rough)
    return means


def _times(ahead: Whole) -> Array:
    """How many totes of each sample have 0, 1, 2, ... pieces of the kind."""
    samples, width = len(ahead), int(ahead.max(initial=0)) + 1
    codes = ahead + width * np.arange(samples)[:, np.newaxis]
    times = np.bincount(codes.ravel(), minlength=samples * width)
    return times.astype(np.float64).reshape(samples, width)


def _of_each_count(counts: int, size: int, mean: Array, rho: Array) -> Array:
    """Log-likelihood of one tote with 0, 1, 2, ... pieces of the kind, at each mean and rho."""
    rest = 1.0 - rho
    hit, miss = mean * rest, (1.0 - mean) * rest
    found = np.empty((counts, *hit.shape))
    found[0] = bb.log_rising(miss, rho, size) - bb.log_rising(rest, rho, size)
    for k in range(counts - 1):
        up, down = hit + k * rho, miss + (size - 1 - k) * rho
        found[k + 1] = found[k] + np.log(np.maximum(up, _TINY) / np.maximum(down, _TINY))
    return found


def _marginals(values: Array, over: int, ends: Array) -> list[Density]:
    """Of each sample, one axis summed over by the trapezoidal rule."""
    weight = np.ones(values.shape[over])
    weight[[0, -1]] = 0.5
    first, last = ends
    return [Density(first, last, row) for row in np.tensordot(values, weight, axes=(over, 0))]


_FIRST_STEPS = (64, 48)
_SETTLED = 1e-3  # which leaves an error of 1e-5 in a chance at most
_DOUBLINGS = 5
_TINY = 1e-290
