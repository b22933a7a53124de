"""The true fraction of incorrect pieces behind what inspectors call incorrect.

An inspector passes some incorrect pieces and calls some correct ones incorrect. What share, an
agreement study says: pieces whose kind is known, called by the inspectors. It has an uncertainty
of its own, which the limits here carry.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_counts, checked_fraction, chosen, first, position
from qa.errors import InvalidInput
from qa.intervals.binomial import Interval, one_sided, tail_of
from qa.intervals.clustered import Estimate

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class InspectionStudy:
    """How inspectors called pieces of known kind.

    Parameters
    ----------
    found, incorrect : int
        Incorrect pieces that were called incorrect, of all incorrect pieces in the study.
    passed, correct : int
        Correct pieces that were called correct, of all correct pieces in the study.

    Raises
    ------
    InvalidInput
        If a count is not from 0 to the pieces it is of, or the study does not show that an
        incorrect piece is called incorrect more often than a correct one.

    Examples
    --------
    >>> study = InspectionStudy(found=23, incorrect=41, passed=187, correct=195)
    >>> round(study.sensitivity, 3), round(study.specificity, 3)
    (0.561, 0.959)
    """

    found: int
    incorrect: int
    passed: int
    correct: int

    def __post_init__(self) -> None:
        checked_counts(self.found, self.incorrect, names=("found", "incorrect"))
        checked_counts(self.passed, self.correct, names=("passed", "correct"))
        _checked_sum(self.sensitivity, self.specificity)
        _checked_sum(
            (self.found + 1) / (self.incorrect + 2), (self.passed + 1) / (self.correct + 2)
        )

    @property
    def sensitivity(self) -> float:
        """Share of incorrect pieces called incorrect."""
        return self.found / self.incorrect

    @property
    def specificity(self) -> float:
        """Share of correct pieces called correct."""
        return self.passed / self.correct


def rogan_gladen(fraction: ArrayLike, sensitivity: float, specificity: float) -> Array:
    """The true fraction of incorrect pieces behind the fraction called incorrect, from 0 to 1.

    Limits of the one become limits of the other, when sensitivity and specificity are known.

    Parameters
    ----------
    fraction : array_like, from 0 to 1
        Called incorrect.
    sensitivity, specificity : float, from 0 to 1
        Chance that an incorrect piece is called incorrect, and a correct one correct; their sum
        is above 1.

    Raises
    ------
    InvalidInput
        If a value is out of its range, or the sum is not above 1.

    References
    ----------
    Rogan & Gladen (1978), American Journal of Epidemiology 107, 71-76.

    Examples
    --------
    >>> round(float(rogan_gladen(0.13, 0.30, 0.96)), 4)
    0.3462
    """
    p = checked_fraction(fraction, "fraction")
    checked_fraction(sensitivity, "sensitivity")
    checked_fraction(specificity, "specificity")
    _checked_sum(sensitivity, specificity)
    return np.asarray(np.clip((p + specificity - 1.0) / (sensitivity + specificity - 1.0), 0, 1))


def corrected(
    count: ArrayLike,
    inspected: ArrayLike,
    study: InspectionStudy,
    *,
    counted: str = "incorrect",
    confidence: float = 0.95,
    side: str = "both",
) -> Interval:
    """Interval for the true fraction, from one random sample called by fallible inspectors.

    Parameters
    ----------
    count, inspected : array_like of int, broadcast to one shape S
        Pieces called of the kind, and pieces looked at (at least 1).
    study : InspectionStudy
        Of the same inspectors; other pieces than those counted.
    counted : {"incorrect", "correct"}
        Which kind `count` is of.
    confidence : float, between 0 and 1
    side : {"both", "lower", "upper"}
        "lower" gives a lower bound alone; the other limit is then 1 ("upper": 0).

    Returns
    -------
    Interval
        Arrays of shape S. The estimate is Rogan & Gladen's, cut off at 0 and 1; the limits lie
        about an adjusted one, so in a very small sample the estimate may lie outside of them.

    Raises
    ------
    InvalidInput
        If a count is negative, not whole, or larger than the number inspected; or if the study's
        wrong calls alone give more than the sample showed, when both limits lie beyond 0 or 1.

    References
    ----------
    Lang & Reiczigel (2014), Preventive Veterinary Medicine 113, 13-22; in their equation 4 the
    last factor is (1 - P) squared, not (1 + P) squared as printed.

    Examples
    --------
    >>> study = InspectionStudy(found=23, incorrect=41, passed=187, correct=195)
    >>> found = corrected(51, 509, study)
    >>> round(float(found.low), 3), round(float(found.high), 3)
    (0.037, 0.195)
    """
    x, n = checked_counts(count, inspected)
    return _interval(np.asarray(x / n), n, study, counted, (confidence, side))


def corrected_estimate(
    estimate: Estimate, study: InspectionStudy, *, counted: str = "incorrect"
) -> Interval:
    """The same for an estimate over many totes, at its own confidence and side.

    Its effective sample size stands for the pieces inspected, so that totes that differ make the
    limits as much wider as they do without the inspectors' errors.

    Examples
    --------
    >>> from qa.intervals import clustered
    >>> study = InspectionStudy(found=95, incorrect=100, passed=298, correct=300)
    >>> seen = clustered([3, 0, 2, 8], [200, 200, 200, 200])
    >>> round(float(corrected_estimate(seen, study).high), 3)
    0.074
    """
    seen = estimate.interval
    size = np.asarray(estimate.effective_n)
    return _interval(seen.estimate, size, study, counted, (seen.confidence, seen.side))


def _interval(
    p: Array, n: Array, study: InspectionStudy, counted: str, asked: tuple[float, str]
) -> Interval:
    confidence, side = asked
    tail = tail_of(confidence, side)
    calls = chosen(_CALLS, "counted", counted)
    (hit, hits), (miss, misses) = ((getattr(study, a), getattr(study, b)) for a, b in calls)
    seen, estimate = np.asarray(p), rogan_gladen(p, hit / hits, miss / misses)
    z = -special.ndtri(tail)
    size = n + z * z
    p = (n * p + z * z / 2.0) / size
    se, sp = (hit + 1) / (hits + 2), (miss + 1) / (misses + 2)
    gain = se + sp - 1.0
    true = (p + sp - 1.0) / gain
    of_se, of_sp = se * (1.0 - se) / (hits + 2), sp * (1.0 - sp) / (misses + 2)
    shift = 2.0 * z * z * (true * of_se - (1.0 - true) * of_sp)
    spread = p * (1.0 - p) / size + true**2 * of_se + (1.0 - true) ** 2 * of_sp
    half = z * np.sqrt(spread) / gain
    low, high = one_sided(true + shift - half, true + shift + half, side)
    other = "correct" if counted == "incorrect" else "incorrect"
    _check_explained(high <= 0.0, counted, seen, 1.0 - miss / misses)
    _check_explained(low >= 1.0, other, 1.0 - seen, 1.0 - hit / hits)
    low, high = np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)
    return Interval(estimate, low, high, confidence, "lang_reiczigel", side)


def _check_explained(beyond: NDArray[np.bool_], kind: str, called: Array, wrongly: float) -> None:
    """Refuse audits whose calls of a kind are fewer than the study's wrong calls alone give."""
    if np.any(beyond):
        at = first(np.broadcast_to(beyond, called.shape))
        raise InvalidInput(
            f"the share called {kind} must not be below what the study's wrong calls alone give, "
            f"got {called[at]:.4g} and {wrongly:.4g}{position(at)}"
        )


def _checked_sum(sensitivity: float, specificity: float) -> None:
    if not sensitivity + specificity > 1.0:
        raise InvalidInput(
            "sensitivity and specificity must add up to more than 1 (each piece of the study "
            f"counted, and one of each call added), got {sensitivity:g} and {specificity:g}"
        )


_CALLS = {
    "incorrect": (("found", "incorrect"), ("passed", "correct")),
    "correct": (("passed", "correct"), ("found", "incorrect")),
}
