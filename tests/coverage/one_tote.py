"""One tote: what every method for one sample covers, by exact enumeration."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import stats

from qa.intervals import binomial

METHODS = ("exact", "wilson", "wilson_cc", "jeffreys", "mid_p", "agresti_coull", "blaker")
SIZES = (50, 200, 500)
CORRECT = np.linspace(0.95, 0.999, 981)  # the fractions correct that are gone through
LEVEL = 0.95


@dataclass(frozen=True)
class OneTote:
    """A method at a sample size, over all fractions correct: least and mean, most and mean."""

    method: str
    inspected: int
    least_coverage: float
    mean_coverage: float
    most_misses: float
    mean_misses: float


def rows() -> Iterator[OneTote]:
    for method in METHODS:
        for n in SIZES:
            yield one_tote(method, n)


def one_tote(method: str, n: int) -> OneTote:
    x = np.arange(n + 1)
    chance = stats.binom.pmf(x, n, CORRECT[:, np.newaxis])
    both = binomial(x, n, confidence=LEVEL, method=method)
    lower = binomial(x, n, confidence=LEVEL, method=method, side="lower").low
    truth = CORRECT[:, np.newaxis]
    covered = (chance * ((both.low <= truth) & (truth <= both.high))).sum(axis=1)
    missed = (chance * (lower > truth)).sum(axis=1)
    return OneTote(method, n, covered.min(), covered.mean(), missed.max(), missed.mean())
