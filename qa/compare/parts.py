"""Where the variance lies: within totes, between totes of a lane, and between lanes."""

from collections.abc import Hashable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qa._validate import checked_counts
from qa.errors import InvalidInput

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class VarianceParts:
    """Variance of a piece being of the kind, by what it goes with.

    Attributes
    ----------
    within : between pieces of one tote
    totes : between totes of one lane
    lanes : between lanes; nan with one lane alone
    tote_correlation : of two pieces of one tote, within its lane
    lane_correlation : of two pieces of one lane, from different totes; nan with one lane alone

    Notes
    -----
    A part is an estimate and may come out below 0, where totes or lanes differ less than chance;
    it is given as it is, so that a mean over several periods stays right.
    """

    within: float
    totes: float
    lanes: float
    tote_correlation: float
    lane_correlation: float


def variance_parts(
    count: ArrayLike,
    inspected: ArrayLike,
    lane: Iterable[Hashable] | NDArray[np.generic] | None = None,
) -> VarianceParts:
    """Parts of the variance by the nested analysis of variance, totes in lanes.

    Parameters
    ----------
    count, inspected : array_like of int, a value for each tote
    lane : one label a tote, optional
        All totes are of one lane without it.

    Returns
    -------
    VarianceParts

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected, labels do not match totes, no lane has two totes,
        or no tote two pieces.

    References
    ----------
    Searle (1971), Linear Models, chapter 11 (two-way nested, unbalanced); Ridout, Demetrio & Firth
    (1999), Biometrics 55, 137-148 (correlations of binary pieces).

    Examples
    --------
    >>> parts = variance_parts([9, 7, 2, 0], [200] * 4, lane=["1", "1", "2", "2"])
    >>> round(parts.tote_correlation, 4), round(parts.lane_correlation, 4)
    (-0.0027, 0.0263)
    """
    x, n = (np.atleast_1d(values) for values in checked_counts(count, inspected))
    if x.ndim != 1:
        raise InvalidInput(f"count must be one value a tote, got an array of {x.ndim} dimensions")
    code = _coded(lane, x.size)
    lanes = int(code.max(initial=0)) + 1
    pieces, found, squares = (np.bincount(code, each, lanes) for each in (n, x, n * n))
    total = n.sum()
    if x.size == lanes or total == x.size:
        raise InvalidInput(
            f"some lane must have two totes and some tote two pieces, "
            f"got {x.size} totes of {lanes} lanes and {total:.0f} pieces"
        )
    of_totes, of_lanes = (x * x / n).sum(), (found**2 / pieces).sum()
    within = float((x.sum() - of_totes) / (total - x.size))
    inner = (squares / pieces).sum()
    totes = ((of_totes - of_lanes) / (x.size - lanes) - within) * (x.size - lanes) / (total - inner)
    between = np.nan
    if lanes > 1:
        mean_square = (of_lanes - x.sum() ** 2 / total) / (lanes - 1)
        through_totes = (inner - (n * n).sum() / total) / (lanes - 1)
        size = (total - (pieces**2).sum() / total) / (lanes - 1)
        between = float((mean_square - within - through_totes * totes) / size)
    one_lane = within + float(totes)
    whole = one_lane + between
    return VarianceParts(
        within,
        float(totes),
        between,
        float(totes) / one_lane if one_lane > 0 else np.nan,
        between / whole if whole > 0 else np.nan,
    )


def _coded(lane: Iterable[Hashable] | NDArray[np.generic] | None, size: int) -> NDArray[np.intp]:
    if lane is None:
        return np.zeros(size, dtype=np.intp)
    labels = lane.tolist() if isinstance(lane, np.ndarray) else list(lane)
    if len(labels) != size:
        raise InvalidInput(f"lane must have {size} labels, got {len(labels)}")
    places: dict[Hashable, int] = {}
    return np.array([places.setdefault(each, len(places)) for each in labels], dtype=np.intp)
