"""How long charts run before they signal, and limits solved for a wanted run length."""

from qa.charts.run_length.chain import RunLength
from qa.charts.run_length.cusum import CusumLimit, cusum_limit, cusum_run_length
from qa.charts.run_length.ewma import EwmaLimit, ewma_limit, ewma_run_length
from qa.charts.run_length.guarded import guarded_limit
from qa.charts.run_length.pair import cusum_pair_run_length
from qa.charts.run_length.pieces import BernoulliLimit, bernoulli_limit, bernoulli_run_length
from qa.charts.run_length.shewhart import shewhart_run_length

__all__ = [
    "BernoulliLimit",
    "CusumLimit",
    "EwmaLimit",
    "RunLength",
    "bernoulli_limit",
    "bernoulli_run_length",
    "cusum_limit",
    "cusum_pair_run_length",
    "cusum_run_length",
    "ewma_limit",
    "ewma_run_length",
    "guarded_limit",
    "shewhart_run_length",
]
