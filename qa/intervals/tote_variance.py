"""The variance of a weighted fraction over totes, from their sums: by the first rule they allow."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qa.intervals.totes import Sums, squares_about_fraction

Array = NDArray[np.float64]

FEW_PIECES = 10  # of the rarer kind: their spread over totes cannot show how much totes differ


@dataclass(frozen=True, slots=True)
class Variance:
    """Variance over p (1 - p), its degrees of freedom (0: assumed), and what was assumed.

    `least` is that of the correlation assumed, where the pieces are too few to show another.
    """

    relative: float
    freedom: float
    least: float
    assumed: tuple[str, ...] = ()


def variance_of(sums: Sums, share: Array, unfilled: Array, correlation: float) -> Variance:
    """Variance of the weighted fraction, by the first rule that the totes allow."""
    p_h = sums.x / sums.n
    p = float(share @ p_h)
    strata = share.size
    effects = 1.0 + (sums.n2 / sums.n - 1.0) * correlation * unfilled
    discounted = float(share**2 @ (effects / sums.n))
    if p == 0.0 or sums.totes.sum() == 1:
        why = _ONE_KIND if p == 0.0 else _ONE_TOTE
        return Variance(discounted, 0.0, 0.0, (why.format(correlation),))
    if (sums.totes > 1).any():
        terms, assumed = _within(sums, share**2 * unfilled)
        freedom = _satterthwaite(terms, sums.totes)
    else:
        terms = share**2 * unfilled * (p_h - p) ** 2 * strata / (strata - 1.0)
        freedom, assumed = strata - 1.0, (_COLLAPSED,)
    if float(terms.sum() * sums.n.sum()) <= 1e-12 and (unfilled > 0).any():
        return Variance(discounted, 0.0, 0.0, (*assumed, _ALIKE.format(correlation)))
    relative, pieces = float(terms.sum() / (p * (1.0 - p))), int(sums.x.sum())
    if pieces > FEW_PIECES:
        return Variance(relative, freedom, 0.0, assumed)
    few = _FEW_PIECES.format(pieces, correlation)
    return Variance(relative, freedom, discounted, (*assumed, few))


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
_FEW_PIECES = (
    "Only {} pieces are not of the prevailing kind, too few to show how much totes differ: an "
    "intra-tote correlation of at least {:g} is assumed."
)
_COLLAPSED = (
    "Every lane in a shift has one tote: they are taken together for the variance, which makes the "
    "limits wider rather than too narrow."
)
_POOLED = "Lanes in a shift with one tote ({}) take the variance between totes from the others."
