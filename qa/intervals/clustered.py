"""The fraction of pieces of one kind over many totes, each of them a cluster, with its interval."""

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_fraction, checked_positive, chosen
from qa.errors import InvalidInput
from qa.intervals import beta_binomial
from qa.intervals.beta_binomial import CORRELATION_PRIOR, Prior
from qa.intervals.binomial import Interval, exact_limits, one_sided, tail_of
from qa.intervals.tote_variance import Variance, variance_of
from qa.intervals.totes import (
    Counts,
    Labels,
    Sums,
    anova_correlation,
    sums_of_rows,
    sums_of_totes,
    tarone_p,
)

Array = NDArray[np.float64]
PerStratum: TypeAlias = Mapping[Any, float]

FEW_TOTES = 20  # with fewer, no method can know how often a bad tote comes


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """A fraction over many totes: its interval, what it rests on, and what was assumed.

    Attributes
    ----------
    interval : Interval
        Arrays of no dimension, so ``float(interval.low)``.
    totes, inspected, count : int
        Totes (m), pieces inspected in them (n), pieces of the kind found (x).
    design_effect : float
        Variance over that of a simple random sample of as many pieces.
    effective_n : float
        Pieces of a simple random sample that would say as much; the limits rest on it.
    correlation : float
        Intra-class (intra-tote) correlation by the analysis of variance; nan when the totes
        cannot show it (one tote, or all pieces of one kind).
    tarone_p : float
        Tarone's test that totes do not differ: chance of totes differing as much if they did not
        (one-sided, as only totes that differ more than chance matter); nan like `correlation`.
    degrees_of_freedom : float
        Of the variance; 0 when it was assumed.
    assumed : tuple of str
        What was assumed or should be known, each a plain sentence.
    """

    interval: Interval
    totes: int
    inspected: int
    count: int
    design_effect: float
    effective_n: float
    correlation: float
    tarone_p: float
    degrees_of_freedom: float
    assumed: tuple[str, ...]


def clustered(
    count: ArrayLike,
    inspected: ArrayLike,
    *,
    stratum: Labels | None = None,
    weight: PerStratum | float | None = None,
    filled: PerStratum | float | None = None,
    confidence: float = 0.95,
    method: str = "korn_graubard",
    side: str = "both",
    correlation: float = 0.01,
    correlation_prior: Prior = CORRELATION_PRIOR,
) -> Estimate:
    """Fraction of pieces of one kind over many totes, each tote a cluster.

    In a stratum the ratio of sums with its linearised variance (Cochran 1977, sections 6.3 and
    9A.2); over strata their weighted mean. Degrees of freedom by Satterthwaite (Cochran 1977,
    eq. 5.16), which are totes less strata where strata bear alike on the variance.

    "korn_graubard": limits by Korn & Graubard (1998): Clopper-Pearson on the effective sample
    size, adjusted for the degrees of freedom and never above the pieces inspected. With
    `FEW_PIECES` of the rarer kind or fewer, never above what `correlation` leaves of the pieces
    either: a few incorrect pieces, each in a tote of its own, look like no correlation at all.

    "beta_binomial": limits by the posterior of the mean of beta-binomial totes, with prior Beta(
    1/2, 1/2) on the fraction and `correlation_prior` on the correlation. Totes of all strata are
    taken for draws from one distribution, so that what strata differ by counts as totes that
    differ, which errs on the wide side. (A posterior a stratum would bring a prior a stratum, and
    half a piece of either kind in each of many strata is more than the pieces found.) Where the
    strata's weights are not those of their totes, a tote's likelihood is raised to the power of
    its weight, scaled to Kish's effective number of totes (Savitsky & Toth 2016). A finite number
    of totes filled does not make these limits closer. Limits are widened to hold the estimate.

    A stratum with one tote has no variance of its own and takes the mean square between totes of
    the strata with several. When every stratum has one tote, they are collapsed into one
    (Hansen, Hurwitz & Madow 1953; Cochran 1977, section 5A.12), which errs on the wide side.

    Parameters
    ----------
    count, inspected : array_like of int, one value a tote
    stratum : one label a tote, optional
        Such as lane and shift; all totes are one stratum without it.
    weight : mapping of stratum to its share of the pieces, optional
        In any unit. Without it strata count by totes filled, or else by totes inspected.
    filled : mapping of stratum to totes filled, optional
        Makes the variance smaller by the share of totes inspected. A number for one stratum.
    confidence : float, between 0 and 1
    method : {"korn_graubard", "beta_binomial"}
    side : {"both", "lower", "upper"}
    correlation : float, 0 to 1
        Intra-tote correlation to discount the pieces with, when totes cannot show it.
    correlation_prior : pair of float, each at least 1/2
        The beta distribution in which the intra-tote correlation is believed to lie, for
        "beta_binomial"; `learned_prior` takes it from the plant's own history.

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected, labels do not match totes, a stratum has no
        weight or more totes inspected than filled, or the prior is none.

    References
    ----------
    Korn & Graubard (1998), Survey Methodology 24, 193-201. Cochran (1977), Sampling Techniques,
    3rd ed. Ridout, Demetrio & Firth (1999), Biometrics 55, 137-148 (correlation). Tarone (1979),
    Biometrika 66, 585-590. Savitsky & Toth (2016), Electronic Journal of Statistics 10,
    1677-1708 (weighted likelihood). Kish (1965), Survey Sampling, section 11.7.

    Examples
    --------
    >>> estimate = clustered([197, 200, 198, 192], [200, 200, 200, 200])
    >>> round(float(estimate.interval.estimate), 5), round(float(estimate.interval.low), 4)
    (0.98375, 0.9284)
    """
    added, labels, counts = sums_of_totes(count, inspected, stratum)
    known = _checked_correlation(correlation), beta_binomial.checked_prior(correlation_prior)
    design = _Design(labels, weight, filled, *known)
    asked = _Asked(confidence, method, side)
    return _estimate(added, design, asked, counts, chosen(_LIMITS, "method", method))


def clustered_from_sums(
    sums: Mapping[str, ArrayLike],
    *,
    stratum: Labels | None = None,
    weight: PerStratum | float | None = None,
    filled: PerStratum | float | None = None,
    confidence: float = 0.95,
    method: str = "korn_graubard",
    side: str = "both",
    correlation: float = 0.01,
) -> Estimate:
    """The same from the six additive sums, one row a stratum or several that add up.

    Everything equals what `clustered` says of the totes behind the sums, except the correlation
    where totes of a stratum have unequal sizes: the six sums do not hold what its analysis of
    variance needs, so the mean size of that analysis stands for each. "beta_binomial" wants the
    totes themselves.

    Parameters
    ----------
    sums : mapping of str to array_like (a dict or a DataFrame)
        "totes" and the sums over them: "n" inspected, "x" count, "n2", "x2" and "nx" of their
        squares and product.
    stratum : one label a row, optional
        Each row is a stratum of its own without it.

    Raises
    ------
    InvalidInput
        As `clustered`, and if the sums cannot come from the same totes.

    Examples
    --------
    >>> sums = dict(totes=4, n=800, x=787, n2=160_000, x2=154_877, nx=157_400)
    >>> round(float(clustered_from_sums(sums).interval.low), 4)
    0.9284
    """
    added, labels = sums_of_rows(sums, stratum)
    design = _Design(labels, weight, filled, _checked_correlation(correlation), CORRELATION_PRIOR)
    asked = _Asked(confidence, method, side)
    return _estimate(added, design, asked, None, chosen(_FROM_SUMS, "method", method))


@dataclass(frozen=True, slots=True)
class _Design:
    """The strata of the totes, what is known of them, and what is believed of the correlation."""

    labels: list[Hashable]
    weight: PerStratum | float | None
    filled: PerStratum | float | None
    correlation: float
    prior: Prior


@dataclass(frozen=True, slots=True)
class _Asked:
    """Which limits."""

    confidence: float
    method: str
    side: str

    @property
    def tail(self) -> float:
        """The chance beyond one limit."""
        return tail_of(self.confidence, self.side)


@dataclass(frozen=True, slots=True, eq=False)
class _Sample:
    """What limits are made from, counted in the rarer kind."""

    sums: Sums
    counts: Counts | None
    design: _Design
    share: Array
    p: float
    variance: Variance


@dataclass(frozen=True, slots=True)
class _Limits:
    """Limits of the rarer kind, the sample size that they say, and what they assume."""

    low: float
    high: float
    effective_n: float
    assumed: tuple[str, ...] = ()


Limits: TypeAlias = Callable[[_Sample, float], _Limits]


def _estimate(
    sums: Sums, design: _Design, asked: _Asked, counts: Counts | None, limits: Limits
) -> Estimate:
    tail = asked.tail
    share, unfilled, assumed = _weights(sums.totes, design)
    n, x = float(sums.n.sum()), float(sums.x.sum())
    mostly = 2.0 * x > n  # then through the other kind: the rarer has no digits to lose
    rarer, counts = (sums.others(), counts and counts.others()) if mostly else (sums, counts)
    variance = variance_of(rarer, share, unfilled, design.correlation)
    p = float(share @ (rarer.x / rarer.n))
    found = limits(_Sample(rarer, counts, design, share, p, variance), tail)
    low, high = (1.0 - found.high, 1.0 - found.low) if mostly else (found.low, found.high)
    estimate = float(share @ (sums.x / sums.n))
    low, high = min(low, estimate), max(high, estimate)  # which a posterior need not hold
    alike = rarer if (sums.totes > 1).any() else rarer.together()
    return Estimate(
        Interval(
            np.array(estimate),
            *one_sided(np.array(low), np.array(high), asked.side),
            asked.confidence,
            asked.method,
            asked.side,
        ),
        totes=int(sums.totes.sum()),
        inspected=int(n),
        count=int(x),
        design_effect=n * max(variance.relative, variance.least),
        effective_n=found.effective_n,
        correlation=anova_correlation(alike),
        tarone_p=tarone_p(alike),
        degrees_of_freedom=variance.freedom,
        assumed=(*assumed, *found.assumed, *_few(sums.totes)),
    )


def _korn_graubard(sample: _Sample, tail: float) -> _Limits:
    """Effective sample size: never above n, less for the degrees of freedom or few pieces."""
    n, variance = float(sample.sums.n.sum()), sample.variance
    effective = n
    if variance.relative * n > 1e-12:
        effective = 1.0 / variance.relative
        if variance.freedom:
            beyond = tail if tail != 0.5 else 0.5 - 1e-6  # both quantiles are 0 there
            ratio = special.stdtrit(n - 1.0, beyond) / special.stdtrit(variance.freedom, beyond)
            effective *= float(ratio) ** 2
    effective = min(n, effective, 1.0 / variance.least if variance.least else n)
    low, high = exact_limits(np.array(sample.p * effective), np.array(effective), tail)
    return _Limits(float(low), float(high), effective, variance.assumed)


def _posterior(sample: _Sample, tail: float) -> _Limits:
    """Quantiles of the posterior."""
    if sample.counts is None:  # pragma: no cover
        raise TypeError("the posterior wants totes")
    x, n, stratum = sample.counts.x, sample.counts.n, sample.counts.stratum
    totes = sample.sums.totes
    weight = (sample.share * totes.sum() / totes)[stratum]
    weight *= weight.sum() / (weight @ weight)
    found, _ = beta_binomial.posterior(beta_binomial.totes_of(x, n, weight), sample.design.prior)
    mean, variance = found.moments()
    assumed = (_NOT_FINITE,) * (sample.design.filled is not None)
    effective = min(float(n.sum()), mean * (1.0 - mean) / variance)
    return _Limits(found.below(tail), found.above(tail), effective, assumed)


def _weights(totes: Array, design: _Design) -> tuple[Array, Array, tuple[str, ...]]:
    """Share of each stratum, the part of its totes not inspected, and what was assumed."""
    several = len(design.labels) > 1
    unfilled, share, assumed = np.ones_like(totes), totes, (_BY_INSPECTED,) * several
    if design.filled is not None:
        share = filled = _of_strata(design.filled, design.labels, "filled")
        if (short := filled < totes).any():
            at = int(np.argmax(short))
            raise InvalidInput(
                f"filled must be at least the totes inspected, got {filled[at]:g} "
                f"of {totes[at]:g} inspected{_in_stratum(design.labels[at])}"
            )
        unfilled, assumed = 1.0 - totes / filled, (_BY_FILLED,) * several
    if design.weight is not None:
        share = _of_strata(design.weight, design.labels, "weight")
        assumed = _left_out(design.weight, design.labels)
    return share / share.sum(), unfilled, assumed


def _of_strata(values: PerStratum | float, labels: list[Hashable], name: str) -> Array:
    if not isinstance(values, Mapping):
        if len(labels) > 1:
            raise InvalidInput(
                f"{name} must map each of {len(labels)} strata to a number, got {values!r}"
            )
        values = {labels[0]: values}
    for label in labels:
        if label not in values:
            raise InvalidInput(f"{name} must name every stratum, got none for {label!r}")
    return checked_positive([values[label] for label in labels], name)


def _left_out(weight: PerStratum | float, labels: list[Hashable]) -> tuple[str, ...]:
    known = set(labels)
    unseen = [
        str(label)
        for label in (weight if isinstance(weight, Mapping) else ())
        if label not in known
    ]
    return (_UNSEEN.format(", ".join(unseen)),) if unseen else ()


def _few(totes: Array) -> tuple[str, ...]:
    count = int(totes.sum())
    what = "1 tote was" if count == 1 else f"{count} totes were"
    return (_FEW.format(what, FEW_TOTES),) if count < FEW_TOTES else ()


def _checked_correlation(value: float) -> float:
    array = checked_fraction(value, "correlation")
    if array.ndim:
        raise InvalidInput(f"correlation must be one number, got {array.size}")
    return float(array)


def _in_stratum(label: Hashable) -> str:
    return "" if label is None else f" in stratum {label!r}"


_FROM_SUMS: dict[str, Limits] = {"korn_graubard": _korn_graubard}
_LIMITS: dict[str, Limits] = {**_FROM_SUMS, "beta_binomial": _posterior}
_NOT_FINITE = (
    "That a finite number of totes was filled is not used: the limits are those of the process, "
    "and a little wide."
)
# People read these; a stratum is a lane in a shift to them.
_BY_INSPECTED = (
    "How many pieces each lane made in a shift is not known: each lane in a shift counts by its "
    "totes inspected."
)
_BY_FILLED = (
    "How many pieces each lane made in a shift is not known: each lane in a shift counts by its "
    "totes filled."
)
_UNSEEN = "No tote was inspected in {}: the figure does not speak of it."
_FEW = (
    "Only {} inspected: fewer than {} cannot show how often a bad tote comes, so the true "
    "fraction may lie outside the limits more often than stated."
)
