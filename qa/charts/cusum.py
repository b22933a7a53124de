"""The CUSUM of log-likelihood ratios: the quickest watch for a lasting rise or fall of a rate."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qa._validate import checked_positive
from qa.charts.attribute import ON_THE_LIMIT
from qa.charts.law import checked_change, checked_law, checked_series, score
from qa.charts.run_length.cusum import cusum_limit
from qa.charts.run_length.grid import checked_head_start
from qa.errors import InvalidInput

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Cusum:
    """A two-sided CUSUM: arrays of one length, a value for each audit in time order.

    Attributes
    ----------
    path_up, path_down : the sums for a rise and for a fall, 0 or more; a sum that signalled
        starts afresh with the next audit
    limit_up, limit_down : a sum above its limit signals, one on it (to a billionth) does not;
        infinite where that way is not watched
    signals_up, signals_down : bool
    inspected : pieces looked at
    baseline : float, the fraction held against
    arl_up, arl_down : in-control average run lengths from 0, where this call solved the limits;
        else nan
    """

    path_up: Floats
    path_down: Floats
    limit_up: float
    limit_down: float
    signals_up: NDArray[np.bool_]
    signals_down: NDArray[np.bool_]
    inspected: Floats
    baseline: float
    arl_up: float
    arl_down: float

    @property
    def signals(self) -> NDArray[np.bool_]:
        """Audits at which either sum signals."""
        return self.signals_up | self.signals_down

    @property
    def statistic(self) -> Floats:
        """The sum that is nearer its limit, that for a fall drawn below zero."""
        rising = self.path_up / self.limit_up >= self.path_down / self.limit_down
        return np.where(rising, self.path_up, -self.path_down)

    @property
    def center(self) -> Floats:
        """The line the sums start from: zero."""
        return np.zeros_like(self.path_up)

    @property
    def upper(self) -> Floats:
        """Limit for a rise; nan where it is not watched."""
        return _line(self.limit_up, self.path_up)

    @property
    def lower(self) -> Floats:
        """Limit for a fall, below zero like the statistic; nan where it is not watched."""
        return _line(-self.limit_down, self.path_down)


def cusum(
    count: ArrayLike,
    inspected: ArrayLike,
    *,
    center: float,
    correlation: float = 0.0,
    rise: float | None = 2.0,
    fall: float | None = 0.5,
    model: str = "binomial",
    limit: float | tuple[float, float] | None = None,
    arl: float = 500.0,
    reset: bool = True,
    head_start: float = 0.0,
) -> Cusum:
    """Log-likelihood-ratio CUSUM of counts in samples of any size, for a rise and for a fall.

    Each audit adds log P(count | changed) - log P(count | baseline); the sum is never let below
    0. An audit of more pieces weighs more by itself.

    Parameters
    ----------
    count, inspected : array_like of int, broadcast to one length
        Pieces of the kind, and pieces looked at, in time order; with model "poisson" defects,
        and the units they were found in, whole or not.
    center : float, between 0 and 1
        Baseline fraction, or defects a unit (then any number above 0).
    correlation : float, from 0, below 1
        Intra-class correlation of pieces in one tote; 0 is the binomial CUSUM, which raises many
        false alarms when totes differ.
    rise, fall : float or None
        The changes to find, as factors of the center; None leaves that way unwatched.
    model : {"binomial", "poisson"}
        "binomial" with a correlation is beta-binomial.
    limit : float or (float, float), optional
        Limit of both sums, or of the rise and of the fall. By default each is solved, by
        `cusum_limit` on the sizes given, for an in-control average run length of `arl`.
    arl : float, above 1
    reset : bool
        Start a sum afresh after it signals (else it runs on, and signals while above).
    head_start : float, from 0, below 1
        Share of its limit from which a fresh sum sets out (fast initial response): one half
        finds what is off from the start sooner, and shortens the in-control run a little.

    Returns
    -------
    Cusum

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected, or rise or fall leads to no fraction.

    References
    ----------
    Page (1954), Biometrika 41, 100-115; Lucas (1985), Technometrics 27, 129-144 (counts, by the
    Poisson distribution); likelihood-ratio scores with a baseline that varies from
    case to case as in Steiner et al. (2000), Biostatistics 1, 441-452; Lucas & Crosier (1982),
    Technometrics 24, 199-205 (head start).

    Examples
    --------
    >>> watch = cusum([2, 1, 6, 5, 7], [200] * 5, center=0.01, correlation=0.01, limit=2.5)
    >>> watch.path_up.round(2).tolist()
    [0.0, 0.0, 0.85, 1.55, 2.53]
    >>> watch.signals_up.tolist()
    [False, False, False, False, True]
    """
    law = checked_law(center, correlation, model)
    x, n = checked_series(count, inspected, model)
    head = checked_head_start(head_start)

    def side(name: str, ratio: float, wanted: float | None) -> Side:
        shift = checked_change(law, ratio, name)
        top, attained = wanted, np.nan
        if top is None:
            found = cusum_limit(
                n, center=law.rate, correlation=correlation, ratio=ratio, model=model, arl=arl
            )
            top, attained = found.limit, found.arl
        path = running(score(shift, x, n), top if reset else np.inf, head * top)
        return Side(path, top, attained)

    return two_sided(n, law.rate, (rise, fall), limit, side)


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """One of the two sums: its path, its limit, and the run length where the limit was solved."""

    path: Floats
    limit: float
    arl: float


def two_sided(
    inspected: Floats,
    baseline: float,
    ratios: tuple[float | None, float | None],
    limit: float | tuple[float, float] | None,
    side: Callable[[str, float, float | None], Side],
) -> Cusum:
    """The chart of both sums, each made by `side` from its name, its ratio and the limit wanted."""
    unwatched = Side(np.zeros(inspected.size), np.inf, np.nan)
    up, down = (
        unwatched if ratio is None else side(name, _on_its_side(name, ratio), wanted)
        for name, ratio, wanted in zip(("rise", "fall"), ratios, _pair(limit), strict=True)
    )
    return Cusum(
        up.path,
        down.path,
        up.limit,
        down.limit,
        up.path > _beyond(up.limit),
        down.path > _beyond(down.limit),
        inspected,
        baseline,
        up.arl,
        down.arl,
    )


def _on_its_side(name: str, ratio: float) -> float:
    if np.ndim(ratio) == 0 and (ratio > 1) == (name == "rise"):
        return ratio
    raise InvalidInput(f"{name} must be {'above' if name == 'rise' else 'below'} 1, got {ratio!r}")


def _pair(limit: float | tuple[float, float] | None) -> tuple[float | None, float | None]:
    if limit is None:
        return None, None
    top, bottom = limit if isinstance(limit, tuple) else (limit, limit)
    return float(checked_positive(top, "limit")), float(checked_positive(bottom, "limit"))


def running(score: Floats, limit: float, fresh: float = 0.0) -> Floats:
    """Sums that never fall below 0 and start afresh, at `fresh`, after passing the limit."""
    path, total, beyond = [], fresh, _beyond(limit)
    for step in score.tolist():
        total = (fresh if total > beyond else total) + step
        if not total > 0.0:
            total = 0.0
        path.append(total)
    return np.array(path, dtype=np.float64)


def _beyond(limit: float) -> float:
    """What a sum must pass: sums of logarithms that are equal on paper differ in floats."""
    return limit * (1 + ON_THE_LIMIT)


def _line(limit: float, path: Floats) -> Floats:
    return np.full_like(path, limit if np.isfinite(limit) else np.nan)
