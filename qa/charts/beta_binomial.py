"""The count of incorrect pieces in a sample when totes differ: the beta-binomial distribution.

It is written by its mean fraction and the intra-class correlation of pieces in one tote, so that
correlation 0 is the binomial and nothing changes form on the way there. Charts, run lengths and
change points all take their chances and likelihood ratios from here.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qa._validate import checked_fraction, checked_level
from qa.errors import InvalidInput

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class BetaBinomial:
    """Tables from which the chance of any count in any sample up to a size is read off.

    `hits[x]` is the sum over k < x of log(center + k s), `misses` the same for 1 - center, and
    `all_[n]` for 1, with s = correlation / (1 - correlation); P(x of n) is their product over the
    binomial coefficient. The products hold at correlation 0, where differences of log gamma
    functions lose their digits. `ways[n]` is the logarithm of n!. Made by `beta_binomial`.

    References
    ----------
    Skellam (1948), JRSS B 10, 257-261; the product form is Griffiths (1973), Biometrics 29, 637.
    """

    hits: Floats
    misses: Floats
    all_: Floats
    ways: Floats

    def log_chance(self, count: Whole, inspected: Whole) -> Floats:
        """Logarithm of the chance of each count in its sample (0 <= count <= inspected)."""
        rest = inspected - count
        found = self.hits[count] - self.ways[count]
        missed = self.misses[rest] - self.ways[rest]
        logarithm: Floats = found + missed + self.ways[inspected] - self.all_[inspected]
        return logarithm

    def chances(self, inspected: Whole, most: int | None = None) -> Floats:
        """Chance of every count: a row for each sample size, a column for 0, 1, ... `most` pieces.

        By default up to the largest sample.
        """
        size = np.asarray(inspected)
        count = np.arange((int(size.max()) if most is None else most) + 1)
        rest = size[:, np.newaxis] - count
        found, missed = self.hits - self.ways, self.misses - self.ways
        log_chance = (self.ways - self.all_)[size][:, np.newaxis] + missed[np.maximum(rest, 0)]
        log_chance += found[np.minimum(count, found.size - 1)]
        return np.where(rest >= 0, np.exp(log_chance), 0.0)


def beta_binomial(center: float, correlation: float, largest: int) -> BetaBinomial:
    """The distribution with a mean fraction and a correlation, for samples up to `largest`.

    Parameters
    ----------
    center : float, from 0 to 1
        Expected fraction of pieces.
    correlation : float, from 0, below 1
        Intra-class correlation of pieces in one tote; the shapes of the beta distribution are
        center and 1 - center times (1 - correlation) / correlation.
    largest : int
        Largest sample size that will be asked about.
    """
    spread = correlation / (1 - correlation)
    return BetaBinomial(
        log_rising(center, spread, largest),
        log_rising(1 - center, spread, largest),
        log_rising(1.0, spread, largest),
        log_rising(1.0, 1.0, largest),
    )


def log_rising(start: ArrayLike, spread: float, largest: int) -> Floats:
    """Running sums of log(start + k spread) for k = 0, 1, ...: 0, then `largest` more values.

    `start` may be an array of shape S; the result has shape S + (largest + 1,).
    """
    base = np.asarray(start, dtype=np.float64)[..., np.newaxis]
    with np.errstate(divide="ignore"):  # a fraction of 0 makes any piece impossible: log 0
        terms = np.log(base + spread * np.arange(largest))
    return np.concatenate([np.zeros_like(base), np.cumsum(terms, axis=-1)], axis=-1)


def log_ratio(
    count: Whole, inspected: Whole, *, center: float, ratio: float, correlation: float
) -> Floats:
    """Log-likelihood ratio of each count: the mean at ratio x center against center itself."""
    largest, spread = int(np.max(inspected, initial=1)), correlation / (1 - correlation)
    other = center * ratio
    rise = _rising(other, spread, largest) - _rising(center, spread, largest)
    fall = _rising(1 - other, spread, largest) - _rising(1 - center, spread, largest)
    score: Floats = rise[count] + fall[inspected - count]
    return score


@lru_cache(maxsize=256)
def _rising(start: float, spread: float, largest: int) -> Floats:
    """As `log_rising`; kept, since a chart asks for its own again and again."""
    return log_rising(start, spread, largest)


def checked_correlation(value: float, name: str = "correlation") -> float:
    """One number from 0, below 1.

    Raises
    ------
    InvalidInput
        Otherwise.
    """
    if np.ndim(value) != 0 or not 0 <= float(checked_fraction(value, name)) < 1:
        raise InvalidInput(f"{name} must be one number from 0, below 1, got {value!r}")
    return float(value)


def checked_shift(center: float, ratio: float, name: str = "ratio") -> tuple[float, float]:
    """A baseline fraction and the factor to be found, the shifted fraction being one too.

    Raises
    ------
    InvalidInput
        If center or ratio x center is not between 0 and 1, or ratio is 1: nothing to find.
    """
    base = checked_level(center, "center")
    if np.ndim(ratio) != 0 or not 0 < ratio * base < 1 or ratio == 1:
        raise InvalidInput(
            f"{name} must take the center {base:g} to another fraction between 0 and 1, "
            f"got {ratio!r}"
        )
    return base, float(ratio)
