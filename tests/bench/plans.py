"""Plans: operating characteristics of many at once."""

import numpy as np
from scipy import stats

from qa.plans import SinglePlan, oc
from tests.bench.timing import Row


def rows() -> list[Row]:
    rng = np.random.default_rng(20260514)
    n = rng.integers(20, 501, 10_000)
    c = rng.integers(0, 11, 10_000)
    p = np.linspace(0.0005, 0.1, 200)
    plans = [SinglePlan(int(size), int(ac)) for size, ac in zip(n, c, strict=True)]
    return [
        Row(
            "OC, 1e4 plans x 200 p",
            lambda: stats.binom.cdf(c[:, None], n[:, None], p),
            lambda: oc(plans, p),
            2,
            lambda usual, ours: np.allclose(usual, ours, rtol=1e-9, atol=0),
        )
    ]
