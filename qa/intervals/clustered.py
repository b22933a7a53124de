"""The fraction of pieces of one kind over many totes, each of them a cluster, with its interval."""

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_fraction, checked_positive, chosen
from qa.errors import InvalidInput
from qa.intervals.binomial import Interval, exact_limits, one_sided, tail_of
from qa.intervals.totes import (
    Labels,
    Sums,
    anova_correlation,
    squares_about_fraction,
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
) -> Estimate:
    """Fraction of pieces of one kind over many totes, each tote a cluster.

    In a stratum the ratio of sums with its linearised variance (Cochran 1977, sections 6.3 and
    9A.2); over strata their weighted mean. Degrees of freedom by Satterthwaite (Cochran 1977,
    eq. 5.16), which are totes less strata where strata bear alike on the variance. Limits by Korn
    & Graubard (1998): Clopper-Pearson on the effective sample size, adjusted for the degrees of
    freedom and never above the pieces inspected.

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
    method : {"korn_graubard"}
    side : {"both", "lower", "upper"}
    correlation : float, 0 to 1
        Intra-tote correlation to discount the pieces with, when totes cannot show it.

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected, labels do not match totes, or a stratum has no
        weight or more totes inspected than filled.

    References
    ----------
    Korn & Graubard (1998), Survey Methodology 24, 193-201. Cochran (1977), Sampling Techniques,
    3rd ed. Ridout, Demetrio & Firth (1999), Biometrics 55, 137-148 (correlation). Tarone (1979),
    Biometrika 66, 585-590.

    Examples
    --------
    >>> estimate = clustered([197, 200, 198, 192], [200, 200, 200, 200])
    >>> round(float(estimate.interval.estimate), 5), round(float(estimate.interval.low), 4)
    (0.98375, 0.9284)
    """
    added, labels = sums_of_totes(count, inspected, stratum)
    design = _Design(labels, weight, filled, _checked_correlation(correlation))
    return _estimate(added, design, (confidence, method, side))


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
    variance needs, so the mean size of that analysis stands for each.

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
    design = _Design(labels, weight, filled, _checked_correlation(correlation))
    return _estimate(added, design, (confidence, method, side))


@dataclass(frozen=True, slots=True)
class _Design:
    """The strata of the totes, what is known of them, and the correlation to assume."""

    labels: list[Hashable]
    weight: PerStratum | float | None
    filled: PerStratum | float | None
    correlation: float


@dataclass(frozen=True, slots=True)
class _Variance:
    """Variance over p (1 - p), its degrees of freedom (0: assumed), and what was assumed."""

    relative: float
    freedom: float
    assumed: tuple[str, ...] = ()


def _estimate(sums: Sums, design: _Design, asked: tuple[float, str, str]) -> Estimate:
    confidence, method, side = asked
    effective_n = chosen(_EFFECTIVE, "method", method)
    tail = tail_of(confidence, side)
    share, unfilled, assumed = _weights(sums.totes, design)
    n, x = float(sums.n.sum()), float(sums.x.sum())
    mostly = 2.0 * x > n  # then through the other kind: the rarer has no digits to lose
    rarer = sums.others() if mostly else sums
    variance = _variance(rarer, share, unfilled, design.correlation)
    effective = effective_n(n, variance, tail)
    p = share @ (rarer.x / rarer.n)
    low, high = exact_limits(np.array(p * effective), np.array(effective), tail)
    low, high = (1.0 - high, 1.0 - low) if mostly else (low, high)
    alike = rarer if (sums.totes > 1).any() else rarer.together()
    return Estimate(
        Interval(
            np.array(share @ (sums.x / sums.n)),
            *one_sided(np.array(low), np.array(high), side),
            confidence,
            method,
            side,
        ),
        totes=int(sums.totes.sum()),
        inspected=int(n),
        count=int(x),
        design_effect=n * variance.relative,
        effective_n=effective,
        correlation=anova_correlation(alike),
        tarone_p=tarone_p(alike),
        degrees_of_freedom=variance.freedom,
        assumed=(*assumed, *variance.assumed, *_few(sums.totes)),
    )


def _variance(sums: Sums, share: Array, unfilled: Array, correlation: float) -> _Variance:
    """Variance of the weighted fraction, by the first rule that the totes allow."""
    p_h = sums.x / sums.n
    p = float(share @ p_h)
    strata = share.size
    effects = 1.0 + (sums.n2 / sums.n - 1.0) * correlation
    discounted = float(share**2 @ (effects / sums.n))
    if p == 0.0 or sums.totes.sum() == 1:
        why = _ONE_KIND if p == 0.0 else _ONE_TOTE
        return _Variance(discounted, 0.0, (why.format(correlation),))
    if (sums.totes > 1).any():
        terms, assumed = _within(sums, share**2 * unfilled)
        freedom = _satterthwaite(terms, sums.totes)
    else:
        terms = share**2 * unfilled * (p_h - p) ** 2 * strata / (strata - 1.0)
        freedom, assumed = strata - 1.0, (_COLLAPSED,)
    if float(terms.sum() * sums.n.sum()) <= 1e-12 and (unfilled > 0).any():
        return _Variance(discounted, 0.0, (*assumed, _ALIKE.format(correlation)))
    return _Variance(float(terms.sum() / (p * (1.0 - p))), freedom, assumed)


def _within(sums: Sums, factor: Array) -> tuple[Array, tuple[str, ...]]:
    """What each stratum's totes add to the variance, `factor` the squared share of a stratum.

    Strata with one tote add nothing themselves: their part is the pooled mean square, whose
    pieces go to the strata that it comes from, so that the parts stay independent.
    """
    squares = squares_about_fraction(sums)
    single = sums.totes == 1
    inner = np.where(single, 1.0, 1.0 - 1.0 / sums.totes)
    terms = factor * squares / sums.n**2 / inner
    if not single.any():
        return terms, ()
    pooled = squares / (sums.n2 * inner)[~single].sum()
    return terms + factor[single].sum() * pooled, (_POOLED.format(int(single.sum())),)


def _satterthwaite(terms: Array, totes: Array) -> float:
    """Degrees of freedom of a sum of independent variances (Cochran 1977, eq. 5.16)."""
    several = totes > 1
    spread = (terms[several] ** 2 / (totes[several] - 1.0)).sum()
    return float(terms.sum() ** 2 / spread) if spread else float((totes - 1.0).sum())


def _korn_graubard(n: float, variance: _Variance, tail: float) -> float:
    """Effective sample size: never above n, less for the degrees of freedom."""
    if variance.relative * n <= 1e-12:
        return n
    effective = 1.0 / variance.relative
    if variance.freedom:
        beyond = tail if tail != 0.5 else 0.5 - 1e-6  # both quantiles are 0 there
        ratio = special.stdtrit(n - 1.0, beyond) / special.stdtrit(variance.freedom, beyond)
        effective *= float(ratio) ** 2
    return min(n, effective)


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


_EFFECTIVE: dict[str, Callable[[float, _Variance, float], float]] = {
    "korn_graubard": _korn_graubard
}
_ALIKE = (
    "The totes that could show how much totes differ are all alike, which cannot prove that they "
    "are: an intra-tote correlation of {:g} is assumed."
)
_ONE_TOTE = (
    "One tote cannot show how much totes differ: an intra-tote correlation of {:g} is assumed."
)
_ONE_KIND = (
    "All pieces are of one kind, so the totes cannot show how much they differ: an intra-tote "
    "correlation of {:g} is assumed."
)
_COLLAPSED = (
    "Every stratum has one tote: they are taken together for the variance, which makes the "
    "limits wider rather than too narrow."
)
_POOLED = "Strata with one tote ({}) take the variance between totes from the other strata."
_BY_INSPECTED = "How many pieces each stratum made is not known: strata count by totes inspected."
_BY_FILLED = "How many pieces each stratum made is not known: strata count by totes filled."
_UNSEEN = "No tote was inspected in {}: the figure does not speak of it."
_FEW = (
    "Only {} inspected: fewer than {} cannot show how often a bad tote comes, so the true "
    "fraction may lie outside the limits more often than stated."
)
