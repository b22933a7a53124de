"""How much to pull: how many totes and how many pieces each, for the cost, precision or power."""

from dataclasses import dataclass
from math import ceil, floor, sqrt

import numpy as np
from scipy import special

from qa._validate import checked_level, checked_positive, one_whole
from qa.charts.beta_binomial import beta_binomial, checked_correlation, checked_shift
from qa.errors import InvalidInput, NoSuchPlan

_MOST_TOTES = 2000  # beyond it the question is asked wrongly


@dataclass(frozen=True, slots=True)
class Effort:
    """What pulling costs, in one unit of time or money.

    Parameters
    ----------
    tote, piece : float
        For each tote, however many pieces are pulled from it, and for each piece, above 0.
    pieces_per_tote : int
        Pieces that a tote holds, at least 1.

    Raises
    ------
    InvalidInput
        If a number is out of its range.
    """

    tote: float
    piece: float
    pieces_per_tote: int

    def __post_init__(self) -> None:
        for name in ("tote", "piece"):
            if checked_positive(getattr(self, name), name).ndim:
                raise InvalidInput(f"{name} must be one number, got {getattr(self, name)!r}")
        one_whole(self.pieces_per_tote, "pieces_per_tote", least=1)

    def of(self, totes: int, pieces: int) -> float:
        """Cost of `pieces` from each of `totes`."""
        return totes * (self.tote + self.piece * pieces)


@dataclass(frozen=True, slots=True)
class PullSize:
    """How much to pull.

    Attributes
    ----------
    totes, pieces : totes, and pieces from each
    cost : in the unit of the effort
    reached : half width of the interval, or power, that this size has
    """

    totes: int
    pieces: int
    cost: float
    reached: float


def best_pieces(effort: Effort, correlation: float) -> int:
    """Pieces from each tote that give the most precision for the cost.

    The whole number beside ``sqrt(tote / piece * (1 - r) / r)`` that makes the variance of one tote
    times its cost smallest; at most those in a tote, and all of them where totes do not differ.

    Raises
    ------
    InvalidInput
        If correlation is not from 0, below 1.

    References
    ----------
    Cochran (1977), Sampling Techniques, 3rd ed., 10.6; with the intra-class correlation Kish
    (1965), Survey Sampling, 8.3.

    Examples
    --------
    >>> best_pieces(Effort(tote=300, piece=1.5, pieces_per_tote=4000), 0.01)
    141
    """
    spread = checked_correlation(correlation)
    most = effort.pieces_per_tote
    if spread == 0:
        return most
    best = sqrt(effort.tote / effort.piece * (1 - spread) / spread)
    around = (min(max(each, 1), most) for each in (floor(best), ceil(best)))
    return min(around, key=lambda n: _variance(0.5, spread, n) * effort.of(1, n))


def for_precision(
    p: float,
    half_width: float,
    effort: Effort,
    *,
    correlation: float,
    confidence: float = 0.95,
    pieces: int | None = None,
) -> PullSize:
    """Totes whose pooled fraction is known to within a half width.

    Parameters
    ----------
    p : float
        Fraction that is expected, between 0 and 1.
    half_width : float
        Wanted, between 0 and 1.
    effort : Effort
    correlation : float, from 0, below 1
        Intra-class correlation of pieces in one tote.
    confidence : float, between 0 and 1
    pieces : int, optional
        From each tote; `best_pieces` when left out.

    Returns
    -------
    PullSize
        The fewest totes m, at least 2, whose ``t sqrt(p q (r + (1 - r) / n) / m)``, t with m - 1
        degrees of freedom, is at most the half width.

    Raises
    ------
    InvalidInput
        If an argument is out of its range.
    NoSuchPlan
        If more than 2,000 totes are needed.

    References
    ----------
    Cochran (1977), 4.4 and 9.4.

    Examples
    --------
    >>> effort = Effort(tote=300, piece=1.5, pieces_per_tote=4000)
    >>> for_precision(0.01, 0.005, effort, correlation=0.01, pieces=200).totes
    26
    """
    center, wanted = checked_level(p, "p"), checked_level(half_width, "half_width")
    tail = (1 + checked_level(confidence)) / 2
    spread, n = checked_correlation(correlation), _pieces(effort, correlation, pieces)
    m = np.arange(2, _MOST_TOTES + 1)
    half = special.stdtrit(m - 1, tail) * np.sqrt(_variance(center, spread, n) / m)
    enough = np.flatnonzero(half <= wanted)
    if not enough.size:
        raise NoSuchPlan(
            f"a half width of {wanted:g} needs more than {_MOST_TOTES:,} totes of {n} pieces"
        )
    totes = int(m[enough[0]])
    return PullSize(totes, n, effort.of(totes, n), float(half[enough[0]]))


def for_rise(
    p: float,
    rise: float,
    effort: Effort,
    *,
    correlation: float,
    power: float = 0.9,
    false_alarm: float = 0.05,
    pieces: int | None = None,
) -> PullSize:
    """Totes that find, once pulled, that a known fraction has risen.

    Parameters
    ----------
    p : float
        Fraction before, between 0 and 1, known.
    rise : float
        Factor to be found, above 1; the fraction after it stays below 1.
    effort, correlation, pieces
        As of `for_precision`.
    power, false_alarm : float, between 0 and 1
        Chance of finding the rise, and of finding one that is none.

    Returns
    -------
    PullSize
        The fewest totes for which some count is exceeded with at least that power after the rise,
        and with at most that chance before; exact sums of beta-binomial counts. One tote more can
        have slightly less power, for counts are whole.

    Raises
    ------
    InvalidInput
        If an argument is out of its range.
    NoSuchPlan
        If more than 2,000 totes are needed.

    Examples
    --------
    >>> effort = Effort(tote=300, piece=1.5, pieces_per_tote=4000)
    >>> for_rise(0.01, 2, effort, correlation=0.01, pieces=200).totes
    20
    """
    base, ratio = checked_shift(p, rise, "rise")
    if ratio < 1:
        raise InvalidInput(f"rise must be above 1, got {ratio:g}")
    wanted, alarm = checked_level(power, "power"), checked_level(false_alarm, "false_alarm")
    spread, n = checked_correlation(correlation), _pieces(effort, correlation, pieces)
    before, after = (_tote_chances(each, spread, n) for each in (base, base * ratio))
    calm, risen = np.ones(1), np.ones(1)
    for totes in range(1, _MOST_TOTES + 1):
        calm, risen = _added(calm, before), _added(risen, after)
        beyond = np.cumsum(calm[::-1])[::-1]  # chance of each count or more
        first = int(np.argmax(beyond <= alarm)) if beyond[-1] <= alarm else calm.size
        reached = float(risen[first:].sum())
        if reached >= wanted:
            return PullSize(totes, n, effort.of(totes, n), min(reached, 1.0))
    raise NoSuchPlan(f"a rise to {ratio:g} x {base:g} needs more than {_MOST_TOTES:,} totes")


def _pieces(effort: Effort, correlation: float, pieces: int | None) -> int:
    if pieces is None:
        return best_pieces(effort, correlation)
    n = one_whole(pieces, "pieces", least=1)
    if n > effort.pieces_per_tote:
        raise InvalidInput(
            f"pieces must be at most pieces_per_tote {effort.pieces_per_tote}, got {n}"
        )
    return n


def _variance(p: float, correlation: float, pieces: int) -> float:
    """Variance of the fraction in `pieces` of one tote."""
    return p * (1 - p) * (correlation + (1 - correlation) / pieces)


def _tote_chances(p: float, correlation: float, pieces: int) -> np.ndarray:
    """Chances of the counts of one tote, cut off where less than 1e-15 lies beyond."""
    count = np.arange(pieces + 1)
    distribution = beta_binomial(p, correlation, pieces)
    chance = np.exp(distribution.log_chance(count, np.full_like(count, pieces)))
    beyond = np.cumsum(chance[::-1])[::-1]
    return chance[: int(np.count_nonzero(beyond > 1e-15))]


def _added(total: np.ndarray, tote: np.ndarray) -> np.ndarray:
    together: np.ndarray = np.convolve(total, tote)
    return together[: int(np.flatnonzero(together > 1e-18)[-1]) + 1]
