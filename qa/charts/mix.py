"""Has the mix of categories changed? Chi-square against the baseline's mix, and what drives it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import (
    checked_fraction,
    checked_level,
    checked_positive,
    checked_whole,
    one_whole,
)
from qa.charts.run_length.chain import RunLength, geometric
from qa.errors import InvalidInput

Floats = NDArray[np.float64]
_CELL_LEVEL = 0.05  # at which a category is said to drive the change, all of them together


@dataclass(frozen=True, slots=True, eq=False)
class Mix:
    """Mixes of categories against a baseline: P periods, K categories.

    Attributes
    ----------
    statistic : (P,) Pearson's chi-square of the period against the baseline, over the design effect
    degrees_of_freedom : (P,) categories seen, less one
    p_value : (P,) chance of a mix as far off, were it the baseline's
    exact : (P,) bool, the chance is summed over every possible mix, not chi-square's tail
    signals : (P,) bool, the chance is at most the false alarms allowed
    expected : (P, K) count of each category by the mix of period and baseline together
    residual : (P, K) count less expected in standard deviations (adjusted residual)
    drives : (P, K) bool, in a period that signals: the category is off by itself, Holm's way
    """

    statistic: Floats
    degrees_of_freedom: Floats
    p_value: Floats
    exact: NDArray[np.bool_]
    signals: NDArray[np.bool_]
    expected: Floats
    residual: Floats
    drives: NDArray[np.bool_]


def mix(
    count: ArrayLike,
    baseline: ArrayLike,
    *,
    design_effect: float = 1.0,
    false_alarm: float = 0.0027,
    tables: int = 50_000,
) -> Mix:
    """Chi-square of the category mix of each period against the baseline's.

    The baseline is a sample too, so each period is compared with it as two samples are.

    Parameters
    ----------
    count : array_like of int, shape (K,) or (P, K)
        Pieces of each category, every piece in one.
    baseline : array_like of int, shape (K,)
        The same in the baseline.
    design_effect : float, above 0
        How much more counts vary than pieces picked one by one, since totes differ; divides the
        statistic (Rao & Scott 1981, first order).
    false_alarm : float, between 0 and 1
        Chance at which a period signals.
    tables : int
        Where a period can be divided over the categories in no more ways than this, and the
        design effect is 1, the p-value is exact given the totals; else chi-square's, which is
        rough where less than about one piece is expected.

    Returns
    -------
    Mix

    Raises
    ------
    InvalidInput
        If counts are not whole, categories do not match, or the baseline is empty.

    References
    ----------
    Pearson (1900), Philosophical Magazine 50, 157-175; Haberman (1973), Biometrics 29, 205-220
    (adjusted residuals); Rao & Scott (1981), JASA 76, 221-230; Holm (1979).

    Examples
    --------
    >>> found = mix([2, 14, 3], [60, 60, 30])
    >>> found.p_value.round(4).tolist(), found.residual.round(1).tolist()
    ([0.0115], [[-2.5, 2.8, -0.4]])
    """
    observed, base, effect = _checked(count, baseline, design_effect)
    alarm = checked_level(false_alarm, "false_alarm")
    both = observed + base
    n, total = observed.sum(axis=1), both.sum(axis=1)
    expected = both * (n / total)[:, np.newaxis]
    statistic = _pearson(observed, expected, both) / effect
    freedom = np.maximum((both > 0).sum(axis=1) - 1.0, 0.0)
    p_value = np.where(freedom > 0, special.chdtrc(np.maximum(freedom, 1), statistic), 1.0)
    exact = (_ways(n, freedom) <= tables) & (effect == 1)
    for period in np.flatnonzero(exact):
        p_value[period] = _exact_p(statistic[period], n[period], both[period])
    others = 1 - both / total[:, np.newaxis]
    spread = np.sqrt(expected * others * (1 - n / total)[:, np.newaxis] * effect)
    away = observed - expected
    residual = np.divide(away, spread, out=np.zeros_like(away), where=spread > 0)
    signals = p_value <= alarm
    return Mix(
        statistic,
        freedom,
        p_value,
        exact,
        signals,
        expected,
        residual,
        signals[:, np.newaxis] & _off_by_themselves(residual),
    )


def mix_run_length(
    baseline: ArrayLike,
    inspected: int,
    *,
    shares: ArrayLike | None = None,
    design_effect: float = 1.0,
    false_alarm: float = 0.0027,
) -> RunLength:
    """Periods until the mix of categories signals, from every mix that a period can show.

    Parameters
    ----------
    baseline, design_effect, false_alarm
        As for `mix`.
    inspected : int, 1 or more
        Pieces of a period, each of one category.
    shares : array_like of fractions that sum to 1, optional
        True share of each category; by default the baseline's.

    Returns
    -------
    RunLength
        In periods; geometric, and the same from a fresh chart as in the steady state.

    Raises
    ------
    InvalidInput
        If shares match no baseline, or the pieces divide over the categories in more than 5,000
        ways.

    Examples
    --------
    >>> run = mix_run_length([60, 60, 30], 20, shares=[0.1, 0.8, 0.1], false_alarm=0.01)
    >>> round(run.mean, 1)
    1.3
    """
    n = one_whole(inspected, "inspected", least=1)
    base = checked_whole(baseline, "baseline")
    share = _checked_shares(base / max(base.sum(), 1) if shares is None else shares, base)
    ways = float(special.binom(n + base.size - 1, base.size - 1))
    if ways > _MOST_WAYS:
        raise InvalidInput(
            f"inspected must divide over the categories in {_MOST_WAYS} ways or fewer, got {ways:g}"
        )
    table = _divisions(n, np.full(base.size, n, dtype=np.int64))
    found = mix(table, base, design_effect=design_effect, false_alarm=false_alarm)
    log_ways = special.gammaln(n + 1.0) - special.gammaln(table + 1.0).sum(axis=1)
    chance = np.exp(log_ways + special.xlogy(table, share).sum(axis=1))
    return geometric(float(chance[found.signals].sum()))


_MOST_WAYS = 5_000


def _checked_shares(shares: ArrayLike, baseline: Floats) -> Floats:
    share = checked_fraction(shares, "shares")
    if share.shape != baseline.shape or abs(share.sum() - 1) > 1e-9:
        raise InvalidInput(
            f"shares must be {baseline.size} fractions that sum to 1, "
            f"got {share.size} that sum to {share.sum():g}"
        )
    return share


def _checked(
    count: ArrayLike, baseline: ArrayLike, design_effect: float
) -> tuple[Floats, Floats, float]:
    observed = np.atleast_2d(checked_whole(count, "count"))
    base = checked_whole(baseline, "baseline")
    if base.ndim != 1 or observed.ndim != 2 or observed.shape[1] != base.size:
        raise InvalidInput(
            f"count must have a column for each of the baseline's categories, "
            f"got shapes {observed.shape} and {base.shape}"
        )
    if base.sum() == 0:
        raise InvalidInput("baseline must hold 1 piece or more, got none")
    if np.ndim(design_effect) != 0:
        raise InvalidInput(f"design_effect must be one number, got {np.size(design_effect)}")
    return observed, base, float(checked_positive(design_effect, "design_effect"))


def _pearson(observed: Floats, expected: Floats, both: Floats) -> Floats:
    """Chi-square of two rows: the baseline is off by as much, the other way."""
    weight = np.divide(1.0, expected, out=np.zeros_like(expected), where=expected > 0)
    rest = both - expected
    weight += np.divide(1.0, rest, out=np.zeros_like(rest), where=rest > 0)
    found: Floats = ((observed - expected) ** 2 * weight).sum(axis=-1)
    return found


def _ways(n: Floats, freedom: Floats) -> Floats:
    """In how many ways n pieces fall into the categories seen, at most."""
    ways: Floats = np.rint(special.binom(n + freedom, freedom))
    return ways


def _exact_p(statistic: float, n: float, both: Floats) -> float:
    """Chance, the totals given, of a division at least as far off: multivariate hypergeometric."""
    seen = both[both > 0]
    table = _divisions(int(n), seen.astype(np.int64))
    log_chance = sum(_log_ways(most, table[:, at]) for at, most in enumerate(seen))
    log_chance = log_chance - _log_ways(float(seen.sum()), np.array([int(n)]))
    expected = seen * n / seen.sum()
    off = _pearson(table.astype(np.float64), expected[np.newaxis, :], seen[np.newaxis, :])
    chance = np.exp(log_chance)[off >= statistic - 1e-9 * (1 + statistic)].sum()
    return min(float(chance), 1.0)


def _divisions(n: int, most: NDArray[np.int64]) -> NDArray[np.int64]:
    """Every way to divide n pieces over the categories, none above its total: a row each."""
    table, left = np.zeros((1, 0), dtype=np.int64), np.array([n])
    for at, here in enumerate(most):
        least = np.maximum(left - most[at + 1 :].sum(), 0)
        ways = np.minimum(left, here) - least + 1
        row = np.repeat(np.arange(left.size), ways)
        taken = np.arange(row.size) - np.repeat(np.cumsum(ways) - ways, ways) + least[row]
        table, left = np.column_stack([table[row], taken]), left[row] - taken
    return table


def _log_ways(most: float, taken: NDArray[np.int64]) -> Floats:
    """Logarithm of `most` over each number taken, by its product: no large terms cancel."""
    falling = np.log(np.maximum(most - np.arange(int(taken.max(initial=0))), 1.0))
    running = np.concatenate([[0.0], np.cumsum(falling)])
    ways: Floats = running[taken] - special.gammaln(taken + 1.0)
    return ways


def _off_by_themselves(residual: Floats) -> NDArray[np.bool_]:
    """Categories whose residual stands out among all of the period's, by Holm's steps."""
    p = 2 * special.ndtr(-np.abs(residual))
    order = np.argsort(p, axis=1)
    steps = np.take_along_axis(p, order, axis=1) * np.arange(p.shape[1], 0, -1)
    kept = np.maximum.accumulate(steps, axis=1) <= _CELL_LEVEL
    found = np.zeros_like(kept)
    np.put_along_axis(found, order, kept, axis=1)
    return found
