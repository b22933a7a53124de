"""OC curves of many plans, beside the usual broadcast of a general-purpose distribution."""

from typing import Any

import numpy as np
from scipy import stats

from qa.plans import SinglePlan, oc
from tests.bench.timing import Row


def rows() -> list[Row]:
    """The rows of this family."""
    rng = np.random.default_rng(2)
    sizes = rng.choice([13, 20, 32, 50, 80, 125, 200, 315, 500], 10_000)
    numbers = np.minimum(rng.integers(0, 22, sizes.size), sizes)
    plans = [SinglePlan(int(n), int(ac)) for n, ac in zip(sizes, numbers, strict=True)]
    p = np.linspace(0.0005, 0.1, 200)

    def usual() -> Any:
        return stats.binom.cdf(numbers[:, np.newaxis], sizes[:, np.newaxis], p)

    return [
        Row(
            name="OC, 1e4 plans x 200 p",
            usual=usual,
            ours=lambda: oc(plans, p),
            goal=2.0,
            equal=lambda usual, ours: np.allclose(usual, ours, rtol=1e-9, atol=1e-12),
        )
    ]
