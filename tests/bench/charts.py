"""Charts and run lengths against what one writes with pandas and scipy."""

from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from qa.charts import RunRule, cusum, cusum_limit, guarded_limit, p_chart, run_rules
from qa.charts.law import checked_law
from qa.charts.run_length import ewma as ewma_runs
from qa.charts.run_length import pieces
from qa.charts.run_length.grid import STATES
from tests.bench.timing import Row

ARL = 500.0
CENTER, CORRELATION, RATIO = 0.01, 0.01, 2.0
TOTAL = (1 - CORRELATION) / CORRELATION  # of the shapes of the beta distribution
SIZES = np.arange(100, 251, 5)
CENTERS = np.linspace(0.005, 0.02, 100)
LIMIT = 4.0
EFFECTIVE, ASSURANCE, SHARING = 8000.0, 0.9, 18  # pieces a baseline is worth; charts of one promise
RULES = (
    RunRule(8, 8),
    RunRule(2, 3, 2.0),
    RunRule(4, 5, 1.0),
    RunRule(10, 11),
    RunRule(14, 14),
)
WEIGHT, WIDTH = 0.1, 2.7  # of the EWMA
STEP = np.log(ARL) / (STATES - 0.5)  # of the grid of the CUSUM


def rows() -> list[Row]:
    """The rows of the performance sheet that the charts fill."""
    rng = np.random.default_rng(4)
    plant, lane = many_lanes(rng, 1000), many_lanes(rng, 1)
    inspected = rng.integers(100, 251, 100_000)
    center = np.repeat(rng.uniform(0.002, 0.03, 100), 1000)
    count = rng.binomial(inspected, center)
    return [
        Row(
            "CUSUM limit for a target ARL, beta-binomial, 31 sizes",
            dense_limit,
            lambda: cusum_limit(SIZES, center=CENTER, correlation=CORRELATION, arl=ARL),
            8,
            lambda usual, ours: bool(np.allclose(usual, (ours.limit, ours.arl), rtol=1e-6)),
        ),
        Row(
            "p chart, exact limits, 1e5 audits in 100 series",
            lambda: exact_by_quantiles(count, inspected, center),
            lambda: p_chart(count, inspected, center=center).signals,
            4,
            lambda usual, ours: bool((usual == ours).all()),
        ),
        Row(
            "limits, CUSUM and signals, 1e6 audits in 1,000 series (under 2 s)",
            lambda: watched_by_tables(*plant),
            lambda: watched(*plant),
            4,
            lambda usual, ours: bool((usual == ours).all()),
            seconds=2.0,
        ),
        Row(
            "one more audit: its lane's 1,000 again (under 5 ms)",
            lambda: watched_by_tables(*lane),
            lambda: watched(*lane),
            4,
            lambda usual, ours: bool((usual == ours).all()),
            seconds=0.005,
        ),
        Row(
            "limits for 100 CUSUM charts (under 1 s)",
            lambda: [dense_limit(center) for center in CENTERS],
            lambda: [cusum_limit(SIZES, center=p, correlation=CORRELATION) for p in CENTERS],
            8,
            lambda usual, ours: bool(
                np.allclose(usual, [(each.limit, each.arl) for each in ours], rtol=1e-6)
            ),
            seconds=1.0,
        ),
        Row(
            "guarded limits for 100 CUSUM charts (under 1 s)",
            lambda: [dense_guarded(center) for center in CENTERS],
            lambda: [
                guarded_limit(SIZES, center=p, correlation=CORRELATION, effective_n=EFFECTIVE)
                for p in CENTERS
            ],
            8,
            lambda usual, ours: bool(
                np.allclose(usual, [(each.limit, each.arl) for each in ours], rtol=1e-6)
            ),
            seconds=1.0,
        ),
        Row(
            "guarded limits for 10 of 18 CUSUM charts that share a promise (under 0.1 s)",
            lambda: [dense_shared(center) for center in CENTERS[::10]],
            lambda: [
                guarded_limit(
                    SIZES, center=p, correlation=CORRELATION, effective_n=EFFECTIVE, charts=SHARING
                )
                for p in CENTERS[::10]
            ],
            8,
            lambda usual, ours: bool(np.allclose(usual, [each.limit for each in ours], rtol=1e-6)),
            seconds=0.1,
        ),
        ruled_row(rng),
        Row(
            "EWMA ARL (ours 401 states, usual 1,001)",
            ewma_by_cdf,
            ewma_by_sharing,
            2.5,
            lambda usual, ours: bool(np.isclose(usual, ours, rtol=0.01)),
        ),
        Row(
            "Bernoulli CUSUM ARL, 695 states",
            lambda: dense_bernoulli(139, 695, 0.005),
            lambda: pieces._from_zero(pieces._Walk(139, True, 0.005), 695)[-1],
            10,
            lambda usual, ours: bool(np.isclose(usual, ours, rtol=1e-9)),
        ),
    ]


def many_lanes(rng: np.random.Generator, lanes: int) -> tuple[np.ndarray, ...]:
    """Counts, sizes and levels of lanes, a row each, of 1,000 audits of totes that differ."""
    inspected, center = rng.integers(100, 251, (lanes, 1000)), rng.uniform(0.002, 0.03, (lanes, 1))
    both = 1 / CORRELATION - 1
    of_tote = rng.beta(center * both, (1 - center) * both, inspected.shape)
    return rng.binomial(inspected, of_tote), inspected, np.broadcast_to(center, inspected.shape)


def watched(count: np.ndarray, inspected: np.ndarray, center: np.ndarray) -> np.ndarray:
    """Signals of the limits, then of the sum, run on over its signals."""
    flat = (each.ravel() for each in (count, inspected))
    chart = p_chart(*flat, center=center.ravel(), correlation=CORRELATION, limits="beta_binomial")
    asked = {"correlation": CORRELATION, "fall": None, "limit": LIMIT, "reset": False}
    sums = [
        cusum(x, n, center=p[0], **asked).signals_up
        for x, n, p in zip(count, inspected, center, strict=True)
    ]
    return np.stack([chart.signals, np.concatenate(sums)])


def watched_by_tables(count: np.ndarray, inspected: np.ndarray, center: np.ndarray) -> np.ndarray:
    """scipy's table of each lane's counts and sizes, and all sums side by side, audit by audit."""
    signals, score = np.empty(count.shape, dtype=bool), np.empty(count.shape)
    sizes, counts = np.arange(100, 251)[:, np.newaxis], np.arange(251)
    for lane, (x, n, p) in enumerate(zip(count, inspected - 100, center[:, 0], strict=True)):
        same, twice = (beta_binomial(sizes, rate).logpmf(counts) for rate in (p, RATIO * p))
        up = np.cumsum(np.exp(same[:, ::-1]), axis=1)[:, ::-1]
        down = np.cumsum(np.exp(same), axis=1)
        signals[lane] = np.minimum(up, down)[n, x] <= 0.0027 / 2
        score[lane] = twice[n, x] - same[n, x]
    total, over = np.zeros(len(count)), np.empty(count.shape, dtype=bool)
    for at in range(count.shape[1]):
        total = np.maximum(total + score[:, at], 0)
        over[:, at] = total > LIMIT
    return np.stack([signals.ravel(), over.ravel()])


def ruled_row(rng: np.random.Generator) -> Row:
    """A million audits of a thousand series as they come, mixed."""
    series = rng.permutation(np.repeat(np.arange(1000), 1000))
    inspected = rng.integers(100, 251, series.size)
    center = rng.uniform(0.002, 0.03, 1000)[series]
    count = rng.binomial(inspected, center)
    frame = pd.DataFrame({"series": series, "n": inspected, "p": center, "x": count})

    def ours() -> Any:
        chart = p_chart(count, inspected, center=center, limits="three_sigma")
        return np.vstack([chart.signals, run_rules(chart, RULES, series=series)])

    return Row(
        "p chart + 5 run rules, 1e6 audits in 1,000 series",
        lambda: ruled_by_pandas(frame),
        ours,
        4,
        lambda usual, ours: bool((usual == ours).all()),
    )


def ruled_by_pandas(frame: pd.DataFrame) -> np.ndarray:
    """Running sums within each series, less those a window ago."""
    sigma = np.sqrt(frame["n"] * frame["p"] * (1 - frame["p"]))
    z = (frame["x"] - frame["n"] * frame["p"]) / sigma
    found = [z.abs() > 3 * (1 + 1e-9)]
    for rule in RULES:
        signals = pd.Series(False, index=frame.index)
        for side in (1, -1):
            flag = side * z > rule.beyond + 1e-9
            total = flag.groupby(frame["series"]).cumsum()
            before = total.groupby(frame["series"]).shift(rule.of, fill_value=0)
            signals |= flag & (total - before >= rule.points)
        found.append(signals)
    return np.vstack(found)


def ewma_by_cdf() -> float:
    """Brook & Evans' cells: the distribution function at every edge from every middle."""
    half = WIDTH * np.sqrt(CENTER * (1 - CENTER) / 200 * WEIGHT / (2 - WEIGHT))
    edges = np.linspace(max(CENTER - half, 0.0), CENTER + half, 1002)
    middle = (edges[1:] + edges[:-1]) / 2
    beyond = (edges - (1 - WEIGHT) * middle[:, np.newaxis]) / WEIGHT
    chain = np.diff(stats.binom.cdf(np.floor(beyond * 200 + 1e-9), 200, CENTER), axis=1)
    runs = np.linalg.solve(np.eye(1001) - chain, np.ones(1001))
    return float(np.interp(CENTER, middle, runs))


def ewma_by_sharing() -> float:
    law = checked_law(CENTER, 0.0, "binomial")
    sizes = np.array([200.0]), np.ones(1)
    design = ewma_runs._Design(WEIGHT, WIDTH, 0)
    chain = ewma_runs._grid(law, law, sizes, design, ewma_runs._STATES).chain
    return float(chain.visits(chain.start).sum())


def dense_bernoulli(steps: int, states: int, p: float) -> float:
    place = np.arange(states)
    chain = np.zeros((states, states))
    chain[place, np.maximum(place - 1, 0)] += 1 - p
    inside = place + steps - 1 < states
    chain[place[inside], place[inside] + steps - 1] += p
    return float(np.linalg.solve(np.eye(states) - chain, np.ones(states))[0])


def dense_limit(center: float = CENTER, changed: float | None = None) -> tuple[float, float]:
    """Bisection for the limit, a dense chain solved at each step, on the grid that ours uses."""
    moves = dense_moves(center, changed or RATIO * center, center)
    few, many = 1, STATES
    while many - few > 1:
        middle = (few + many) // 2
        few, many = (few, middle) if dense_arl(moves, middle) >= ARL else (middle, many)
    return (many - 0.5) * STEP, dense_arl(moves, many)


def dense_moves(center: float, changed: float, true: float) -> np.ndarray:
    """Chances of the moves on the grid, of sizes one after another."""
    moves = np.zeros(2 * STATES + 2)
    for n in SIZES:
        x = np.arange(n + 1)
        score = beta_binomial(n, changed).logpmf(x) - beta_binomial(n, center).logpmf(x)
        place = np.clip(score / STEP, -STATES, STATES)
        low = np.floor(place).astype(int)
        chance = beta_binomial(n, true).pmf(x) / SIZES.size
        np.add.at(moves, low + STATES, chance * (1 - (place - low)))
        np.add.at(moves, low + STATES + 1, chance * (place - low))
    return moves


def dense_guarded(center: float) -> tuple[float, float]:
    """The same at the quantile of the level's posterior."""
    worst = float(posterior(center).ppf(ASSURANCE))
    return dense_limit(worst, max(RATIO * center, np.sqrt(RATIO) * worst))


def dense_shared(center: float) -> float:
    """Bisection for the limit at which many charts' mean rate of false alarms is low enough."""
    worst, (z, weight) = (
        float(posterior(center).ppf(ASSURANCE)),
        np.polynomial.hermite_e.hermegauss(5),
    )
    changed, weight = max(RATIO * center, np.sqrt(RATIO) * worst), (weight / weight.sum())[1:]
    levels = posterior(center).ppf(stats.norm.cdf(z[1:]))
    moves = [dense_moves(worst, changed, level) for level in levels]
    few, many = 1, STATES
    while many - few > 1:
        middle = (few + many) // 2
        rates = np.array([1 / dense_arl(each, middle) for each in moves])
        mean = weight @ rates
        spread = np.log1p((weight @ rates**2 / mean**2 - 1) / SHARING)
        likely = mean * np.exp(stats.norm.ppf(ASSURANCE) * np.sqrt(spread) - spread / 2)
        few, many = (few, middle) if likely * ARL <= 1 else (middle, many)
    return (many - 0.5) * STEP


def posterior(center: float) -> Any:
    return stats.beta(center * EFFECTIVE + 0.5, (1 - center) * EFFECTIVE + 0.5)


def dense_arl(moves: np.ndarray, size: int) -> float:
    place = np.arange(size)
    chain = moves[STATES + place - place[:, None]]
    chain[:, 0] = np.cumsum(moves)[STATES - place]
    return float(np.linalg.solve(np.eye(size) - chain, np.ones(size))[0])


def beta_binomial(n: int, p: float) -> Any:
    return stats.betabinom(n, p * TOTAL, (1 - p) * TOTAL)


def exact_by_quantiles(count: np.ndarray, inspected: np.ndarray, center: np.ndarray) -> Any:
    """Signals beyond the tail quantiles of scipy's binomial, one call for all audits."""
    most = stats.binom.isf(0.00135, inspected, center)
    least = stats.binom.ppf(0.00135, inspected, center)
    return (count > most) | (count < least)
