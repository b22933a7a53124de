"""Run lengths from a Markov chain over the states in which a chart does not signal.

Two things are asked of a chain: where one more tote leads, and how often each state is visited
before the signal. The moments follow from the visits, the quantiles from stepping on until the
run length is geometric, the steady state from visiting again and again.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from qa._validate import chosen

Floats = NDArray[np.float64]
_QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)


@dataclass(frozen=True, slots=True)
class RunLength:
    """Totes until a chart signals, counting the one that signals.

    Attributes
    ----------
    mean : average run length (ARL); infinite where no chart of the kind ever signals, or so
        rarely (beyond 1e12 totes) that rounding would hide it
    sd : standard deviation
    quantiles : for 0.05, 0.25, 0.5, 0.75, 0.95, the first tote by which the chart has signalled
        with at least that chance
    """

    mean: float
    sd: float
    quantiles: Mapping[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """A chart's states that do not signal, as row vectors of chances.

    Attributes
    ----------
    start : chances of the states in which a fresh chart is
    step : chances after one more tote that does not signal
    visits : expected number of times in each state, from the chances at the outset until the
        signal: the chances times the fundamental matrix
    longest : average run lengths beyond it are lost in the rounding of the visits
    """

    start: Floats
    step: Callable[[Floats], Floats]
    visits: Callable[[Floats], Floats]
    longest: float = 1e12


def dense(chances: Floats, start: Floats | None = None) -> Chain:
    """A chain given by its matrix of chances; a row's missing part signals.

    Without `start` a fresh chart is in the first state.
    """
    factors = linalg.lu_factor((np.eye(len(chances)) - chances).T, check_finite=False)
    if start is None:
        start = np.zeros(len(chances))
        start[0] = 1.0

    def visits(here: Floats) -> Floats:
        solved: Floats = linalg.lu_solve(factors, here, check_finite=False)
        return solved

    return Chain(start, lambda here: here @ chances, visits)


def led(chain: Chain, quiet: Floats) -> Chain:
    """The chain of a fresh chart whose first totes may signal in states that are quiet later.

    `quiet` has a row for each such tote, and for each state the chance of no signal there. The
    states of the new chain are (totes since the outset, state), after the last row those of the
    old chain.
    """
    totes, states = quiet.shape
    start = np.zeros((totes + 1, states))
    start[0] = chain.start

    def step(here: Floats) -> Floats:
        layers = here.reshape(totes + 1, states)
        after = np.zeros_like(layers)
        for at in np.flatnonzero(layers.any(axis=1)):
            moved = chain.step(layers[at])
            after[min(at + 1, totes)] += moved * quiet[at] if at < totes else moved
        return after.ravel()

    def visits(here: Floats) -> Floats:
        found = here.reshape(totes + 1, states).copy()
        for at in range(totes):
            found[at + 1] += chain.step(found[at]) * quiet[at]
        found[totes] = chain.visits(found[totes])
        return found.ravel()

    return Chain(start.ravel(), step, visits, chain.longest)


def run_length(chain: Chain, start: Floats | None = None) -> RunLength:
    """Moments and quantiles of the totes to the signal, from `start` or a fresh chart.

    E[T (T + 1)] / 2 is the sum of the visits' visits, and E[T] that of the visits.
    """
    here = chain.start if start is None else start
    mean = mean_run(chain, here)
    if mean == np.inf:
        return geometric(0.0)
    visits = chain.visits(here)
    square = 2 * float(chain.visits(visits).sum()) - mean
    spread = max(square - mean**2, 0.0)
    return RunLength(mean, float(np.sqrt(spread)), quantiles(chain.step, here, mean))


def mean_run(chain: Chain, start: Floats | None = None) -> float:
    """Average totes to the signal; infinite where that is too long to be told from never."""
    mean = float(chain.visits(chain.start if start is None else start).sum())
    return mean if 0 < mean < chain.longest else np.inf


def settled(chain: Chain) -> Floats:
    """Chances of the states on a chart that has long run without a signal: the steady state.

    Visiting again and again leaves the part that dies out slowest (conditional steady state).
    """
    here = chain.start
    for _ in range(_MOST_ROUNDS):
        after = chain.visits(here)
        after = after / after.sum()
        if np.abs(after - here).sum() < 1e-11:
            break
        here = after
    return after


_MOST_ROUNDS = 500


def started(start: str, steady: Callable[[], Floats]) -> Floats | None:
    """Chances at the outset for the start that is asked for; None is a fresh chart.

    Raises
    ------
    InvalidInput
        If start is neither "zero" nor "steady".
    """
    return steady() if chosen({"zero": False, "steady": True}, "start", start) else None


def geometric(chance: float) -> RunLength:
    """Run length of a chart that signals at each tote with the same chance."""
    if chance <= 0:
        return RunLength(np.inf, np.inf, dict.fromkeys(_QUANTILES, np.inf))
    stay = np.log1p(-chance) if chance < 1 else -np.inf
    quantiles = {q: max(float(np.ceil(np.log1p(-q) / stay)), 1.0) for q in _QUANTILES}
    return RunLength(1 / chance, float(np.sqrt(max(1 - chance, 0))) / chance, quantiles)


def quantiles(step: Callable[[Floats], Floats], here: Floats, mean: float) -> dict[float, float]:
    """Quantiles of the totes to the signal, by stepping until the run length is geometric.

    From there on the chance of a signal at each tote is that which gives the known mean: the
    sums of chances alive differ too little to show it where signals are rare.
    """
    alive, _ = _stepped(step, here, 1 - _QUANTILES[-1])
    left = mean - float(alive[:-1].sum())
    leak = min(float(alive[-1]) / left, _ALL) if left > 0 else _ALL
    return {q: _first_below(alive, leak, 1 - q) for q in _QUANTILES}


_ALL = 1 - 2.0**-53


def still(step: Callable[[Floats], Floats], here: Floats) -> Floats:
    """The steady state by stepping, for a chain whose visits are not at hand."""
    _, last = _stepped(step, here, 0.0)
    return np.asarray(last / last.sum())


def _stepped(step: Callable[[Floats], Floats], here: Floats, least: float) -> tuple[Floats, Floats]:
    """Share of runs alive after 0, 1, ... totes, until `least` are or their states stand still."""
    alive = [float(here.sum())]
    while alive[-1] > least:
        after = step(here)
        alive.append(float(after.sum()))
        if alive[-1] <= 0 or np.abs(after / alive[-1] - here / alive[-2]).max() < 1e-10:
            break
        here = after
    return np.array(alive), here


def _first_below(alive: Floats, leak: float, level: float) -> float:
    """First tote at which at most `level` of the runs are alive, `leak` of them signalling each."""
    if alive[-1] <= level:
        return float(np.argmax(alive <= level))
    return float(alive.size - 1 + np.ceil(np.log(level / alive[-1]) / np.log1p(-leak)))
