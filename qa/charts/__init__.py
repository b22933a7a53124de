"""Charts that watch a rate over time: counts in, centre lines, limits and signals out."""

from qa.charts.attribute import (
    ControlChart,
    c_chart,
    laney_stretch,
    np_chart,
    p_chart,
    standardised,
    u_chart,
)
from qa.charts.change_point import ChangePoint, change_point
from qa.charts.cusum import Cusum, cusum
from qa.charts.ewma import ewma
from qa.charts.leaning import Lean, lean, outlying, scored
from qa.charts.mix import Mix, mix, mix_run_length
from qa.charts.rare import bernoulli_cusum, g_chart, pieces_between
from qa.charts.run_length import (
    BernoulliLimit,
    CusumLimit,
    EwmaLimit,
    RunLength,
    bernoulli_limit,
    bernoulli_run_length,
    cusum_limit,
    cusum_pair_run_length,
    cusum_run_length,
    ewma_limit,
    ewma_run_length,
    guarded_limit,
    shewhart_run_length,
)
from qa.charts.run_rules import (
    RUN_RULES,
    RuleRunLengths,
    RunRule,
    rule_run_lengths,
    run_rules,
)

__all__ = [
    "RUN_RULES",
    "BernoulliLimit",
    "ChangePoint",
    "ControlChart",
    "Cusum",
    "CusumLimit",
    "EwmaLimit",
    "Lean",
    "Mix",
    "RuleRunLengths",
    "RunLength",
    "RunRule",
    "bernoulli_cusum",
    "bernoulli_limit",
    "bernoulli_run_length",
    "c_chart",
    "change_point",
    "cusum",
    "cusum_limit",
    "cusum_pair_run_length",
    "cusum_run_length",
    "ewma",
    "ewma_limit",
    "ewma_run_length",
    "g_chart",
    "guarded_limit",
    "laney_stretch",
    "lean",
    "mix",
    "mix_run_length",
    "np_chart",
    "outlying",
    "p_chart",
    "pieces_between",
    "rule_run_lengths",
    "run_rules",
    "scored",
    "shewhart_run_length",
    "standardised",
    "u_chart",
]
