"""Which head carries a rise: head checks of one lane compared, head against the others."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

DOUBT = 0.05  # chance, over all heads of the lane, of naming one when they are alike


@dataclass(frozen=True, slots=True)
class Sample:
    """Pieces of one kind found, and the pieces of a simple random sample that say as much."""

    count: float
    worth: float

    @property
    def fraction(self) -> float:
        """Share of pieces found."""
        return self.count / self.worth


@dataclass(frozen=True, slots=True)
class Carrier:
    """The head that carries a rise: its rate in head checks and that of the others together."""

    head: str
    rate: float
    others: float


def carrier(checks: pd.DataFrame, category: str, correlation: float) -> Carrier | None:
    """The head with more pieces of a category than the other heads, if the head checks show it.

    The difference must be above 0 by Newcombe's hybrid score interval on effective sample sizes,
    each head's pieces being discounted for the correlation of pieces caught together; the level
    is shared over the heads compared (Bonferroni).

    Parameters
    ----------
    checks : DataFrame
        Head checks of one lane, columns head, inspected and the category.
    category : str
    correlation : float
        Of pieces caught in one check.

    References
    ----------
    Newcombe (1998), Statistics in Medicine 17, 873-890, method 10. Rao & Scott (1992), Biometrics
    48, 577-585 (effective sample sizes).
    """
    heads = sorted(set(checks["head"]))
    found = {head: _rate(checks[checks["head"] == head], category, correlation) for head in heads}
    if len(heads) < 2:
        return None
    worst = max(heads, key=lambda head: found[head].fraction)
    others = _rate(checks[checks["head"] != worst], category, correlation)
    low, _ = difference(found[worst], others, confidence=1 - DOUBT / len(heads))
    return Carrier(worst, found[worst].fraction, others.fraction) if low > 0 else None


def difference(one: Sample, other: Sample, *, confidence: float) -> tuple[float, float]:
    """Limits of the difference of two fractions, Newcombe's method 10.

    Examples
    --------
    >>> low, high = difference(Sample(56, 70), Sample(48, 80), confidence=0.95)
    >>> round(low, 4), round(high, 4)
    (0.0524, 0.3339)
    """
    z = -float(special.ndtri((1 - confidence) / 2))
    low_one, high_one = _score_limits(one, z)
    low_other, high_other = _score_limits(other, z)
    p, q = one.fraction, other.fraction
    below, above = np.hypot(p - low_one, high_other - q), np.hypot(high_one - p, q - low_other)
    return float(p - q - below), float(p - q + above)


def _rate(checks: pd.DataFrame, category: str, correlation: float) -> Sample:
    n = checks["inspected"].to_numpy(dtype=np.float64)
    design_effect = 1 + ((n * n).sum() / n.sum() - 1) * correlation
    return Sample(float(checks[category].sum()) / design_effect, float(n.sum()) / design_effect)


def _score_limits(sample: Sample, z: float) -> tuple[float, float]:
    """Wilson's limits; the pieces need not be whole."""
    p, n = sample.fraction, sample.worth
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return float(middle - half), float(middle + half)
