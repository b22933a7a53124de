"""How many pieces a Bernoulli CUSUM takes before it signals: exact, on its own lattice.

In steps of 1/m the sum moves by one step one way and by m - 1 steps the other, so one of the two
ways misses no point. From the far end inwards, the time and the chance of getting one point on
are then sums of positive terms of those before, for every limit at once and without a matrix.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from qa._validate import checked_level, checked_positive
from qa.charts.law import checked_change, checked_law
from qa.charts.run_length.chain import RunLength, quantiles, started, still
from qa.charts.run_length.cusum import checked_arl
from qa.errors import InvalidInput

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BernoulliLimit:
    """A Bernoulli CUSUM's limit, with the chart it belongs to.

    Attributes
    ----------
    limit : a sum above it signals; whole steps of 1 / `steps`, or half of one where any piece
        that raises the sum signals
    arl : average number of pieces to a signal that it attains at `center`
    center, ratio : what the sum holds against each other: center, and ratio x center
    steps : steps of the sum to one incorrect piece (m)
    """

    limit: float
    arl: float
    center: float
    ratio: float
    steps: int


@dataclass(frozen=True, slots=True, eq=False)
class _Walk:
    """Steps of the lattice, whether incorrect pieces raise the sum, and their true chance."""

    steps: int
    rises: bool
    rate: float


@dataclass(frozen=True, slots=True, eq=False)
class _Times:
    """From each point of the lattice: the mean number of pieces, and half of E[T (T + 1)]."""

    first: Floats
    second: Floats


def bernoulli_limit(*, center: float, ratio: float = 2.0, arl: float = 50_000.0) -> BernoulliLimit:
    """Limit of a Bernoulli CUSUM for a wanted average number of pieces between false alarms.

    Parameters
    ----------
    center : float, between 0 and 1
        Baseline fraction of incorrect pieces, taken as known.
    ratio : float
        The change to find, as a factor of the center.
    arl : float, above 1
        Pieces between false alarms wanted on average.

    Returns
    -------
    BernoulliLimit
        The smallest limit on the lattice that attains `arl`; `ratio` is the nearest to the one
        asked for that has a lattice.

    References
    ----------
    Reynolds & Stoumbos (1999), Journal of Quality Technology 31, 87-108.

    Examples
    --------
    >>> found = bernoulli_limit(center=0.005, arl=7_500)
    >>> found.steps, round(found.limit * found.steps), round(found.arl)
    (139, 498, 7516)
    """
    steps, nearest = lattice(center, ratio)
    wanted = checked_arl(arl)
    walk = _Walk(steps, ratio > 1, center)
    reach, attained = 4 * steps, np.zeros(1)
    while attained[-1] < wanted:
        attained = _from_zero(walk, reach)
        reach *= 2
    at = int(np.searchsorted(attained, wanted))
    return BernoulliLimit(max(at, 0.5) / steps, float(attained[at]), float(center), nearest, steps)


def bernoulli_run_length(
    *,
    center: float,
    limit: float,
    ratio: float = 2.0,
    rate: float | None = None,
    start: str = "zero",
) -> RunLength:
    """Pieces until a Bernoulli CUSUM signals above `limit`.

    Parameters
    ----------
    center, ratio
        As for `bernoulli_limit`.
    limit : float, above 0
    rate : float, optional
        True fraction of incorrect pieces; by default the center, that is in control.
    start : {"zero", "steady"}
        Whether pieces are counted from a fresh sum, or from one that has long run in control
        without a signal when the rate changes.

    Returns
    -------
    RunLength
        In pieces. The quantiles take longer the rarer incorrect pieces are.

    Examples
    --------
    >>> run = bernoulli_run_length(center=0.005, limit=299 / 139, rate=0.01)
    >>> round(run.mean, 1)
    481.6
    """
    steps, _ = lattice(center, ratio)
    states = int(np.floor(float(checked_positive(limit, "limit")) * steps + 1e-6)) + 1
    true = center if rate is None else checked_level(rate, "rate")
    walk = _Walk(steps, ratio > 1, true)
    times = (_rising if walk.rises else _falling)(walk, states)
    fresh = np.zeros(states)
    fresh[0] = 1.0
    here = started(start, lambda: still(_stepper(_Walk(steps, ratio > 1, center)), fresh))
    here = fresh if here is None else here
    mean = float(here @ times.first)
    spread = max(2 * float(here @ times.second) - mean - mean**2, 0.0)
    return RunLength(mean, float(np.sqrt(spread)), quantiles(_stepper(walk), here, mean))


def lattice(center: float, ratio: float, name: str = "ratio") -> tuple[int, float]:
    """Steps of the sum to an incorrect piece, and the ratio for which they are exact.

    The correct pieces that weigh as much as an incorrect one are rounded to a whole number m,
    and the ratio is moved to where that is so (Reynolds & Stoumbos 1999). For a rise m lies below
    1 / center and for a fall above it: else the sum would drift to its limit in control.

    Raises
    ------
    InvalidInput
        If the ratio leads to no fraction, or a rise has no such m.
    """
    shift = checked_change(checked_law(center, 0.0, "binomial"), ratio, name)

    def balance(factor: float) -> float:
        correct = np.log1p(-factor * center) - np.log1p(-center)
        return float((correct - np.log(factor)) / correct)

    steps = max(2, round(balance(shift.ratio)))
    if ratio < 1:
        steps = max(steps, int(np.floor(1 / center)) + 1)
    elif center < 0.5:
        steps = min(steps, int(np.ceil(1 / center)) - 1)
    else:
        raise InvalidInput(f"center must be below 1/2 where a rise is sought, got {center:g}")
    ends = (1 + 1e-9, (1 - 1e-12) / center) if ratio > 1 else (1e-12, 1 - 1e-9)
    low, high = (balance(end) - steps for end in ends)
    if low * high > 0:
        return steps, shift.ratio
    return steps, float(optimize.brentq(lambda factor: balance(factor) - steps, *ends))


def _from_zero(walk: _Walk, states: int) -> Floats:
    """Mean pieces from a fresh sum, for the limits of 1, 2, ... points without a signal."""
    if not walk.rises:
        return np.cumsum(_climbs(walk, states)[0])
    windows = _descents(walk, states)[0]
    p = walk.rate
    found: Floats = (1 + p * windows[:, 0]) / (p * windows[:, 1])
    return found


def _falling(walk: _Walk, states: int) -> _Times:
    """Correct pieces raise the sum step by step: the times of its steps are independent."""
    mean, variance = _climbs(walk, states)
    first, spread = (np.cumsum(each[::-1])[::-1] for each in (mean, variance))
    return _Times(first, (spread + first**2 + first) / 2)


def _climbs(walk: _Walk, states: int) -> tuple[Floats, Floats]:
    """Mean and variance of the pieces from each point to the next above it.

    An incorrect piece costs the climb back over the m - 1 points that it fell, or from 0.
    """
    p, q, fallen = walk.rate, 1 - walk.rate, walk.steps - 1
    times, spreads = [0.0], [0.0]  # running sums
    for point in range(states):
        low = max(point - fallen, 0)
        time = (1 + p * (times[point] - times[low])) / q
        again = times[point] - times[low] + time
        spread = p * (spreads[point] - spreads[low]) / q + p * again**2
        times.append(times[-1] + time)
        spreads.append(spreads[-1] + spread)
    return np.diff(times), np.diff(spreads)


def _rising(walk: _Walk, states: int) -> _Times:
    """Incorrect pieces raise the sum: from 0 up, each point's times follow from the one below."""
    windows, parts = _descents(walk, states)
    p = walk.rate
    time, beyond, half, slope = windows[-1]
    first, second = np.empty((2, states))
    first[0] = (1 + p * time) / (p * beyond)
    second[0] = (first[0] + p * (half + slope * first[0])) / (p * beyond)
    for point, part in enumerate(parts[: states - 1][::-1].tolist(), start=1):
        time, beyond, half, slope = part
        first[point] = time + (1 - beyond) * first[point - 1]
        second[point] = half + slope * first[point - 1] + (1 - beyond) * second[point - 1]
    return _Times(first, second)


_Part = tuple[float, float, float, float]
_NOTHING: _Part = (0.0, 0.0, 0.0, 0.0)
_SIGNAL: _Part = (0.0, 1.0, 0.0, 0.0)


def _descents(walk: _Walk, states: int) -> tuple[Floats, Floats]:
    """What it takes to get a point down, from the points 1, 2, ... below the limit.

    With E and S the mean and half of E[T (T + 1)] at the point reached, those at the point left
    are t + (1 - b) E and s + u E + (1 - b) S; a row holds t, b, s, u, b being the chance of a
    signal on the way. The first table is of the m - 1 points from where an incorrect piece leads
    back down to each point, the second of the single points. The rows of a window are joined as
    a queue of two stacks, so that nothing is ever taken away from a sum.
    """
    p, q, width = walk.rate, 1 - walk.rate, walk.steps - 1
    windows: list[_Part] = []
    parts: list[_Part] = []
    older: list[_Part] = []
    newer = _NOTHING
    for point in range(1, states + 1):
        window = _SIGNAL
        if point > width:
            if not older:
                older, newer = _stacked(parts[-width:]), _NOTHING
            window = _joined(older.pop(), newer)
        time, beyond, half, slope = window
        stay = q + p * beyond  # 1 - p x the chance of coming back without a signal
        mean, more = (1 + p * time) / stay, 1 + p * slope
        part = (mean, p * beyond / stay, (mean * more + p * half) / stay, q * more / stay**2)
        windows.append(window)
        parts.append(part)
        if older:
            newer = _joined(newer, part)
    return np.array(windows), np.array(parts)


def _joined(outer: _Part, inner: _Part) -> _Part:
    """From the point left by `outer` to the point reached by `inner`."""
    time, beyond, half, slope = outer
    back = 1 - beyond
    return (
        time + back * inner[0],
        beyond + back * inner[1],
        half + slope * inner[0] + back * inner[2],
        slope * (1 - inner[1]) + back * inner[3],
    )


def _stacked(parts: list[_Part]) -> list[_Part]:
    """The joins of the newest part, of the newest two, ... of all."""
    found, last = [], _NOTHING
    for part in reversed(parts):
        last = _joined(part, last)
        found.append(last)
    return found


def _stepper(walk: _Walk) -> Callable[[Floats], Floats]:
    p, q, far = walk.rate, 1 - walk.rate, walk.steps - 1

    def rise(here: Floats) -> Floats:
        after = np.zeros_like(here)
        after[:-1] = q * here[1:]
        after[0] += q * here[0]
        after[far:] += p * here[: max(here.size - far, 0)]
        return after

    def fall(here: Floats) -> Floats:
        after = np.zeros_like(here)
        after[1:] = q * here[:-1]
        after[: max(here.size - far, 0)] += p * here[far:]
        after[0] += p * here[:far].sum()
        return after

    return rise if walk.rises else fall
