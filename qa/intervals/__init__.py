"""Intervals for the fraction of pieces of one kind: from one sample, and from many totes."""

from qa.intervals.always_valid import always_valid
from qa.intervals.beta_binomial import learned_prior
from qa.intervals.binomial import Interval, binomial
from qa.intervals.clustered import Estimate, clustered, clustered_from_sums
from qa.intervals.finite import finite
from qa.intervals.tote_fit import ToteFit, correlation_interval, fit_totes
from qa.intervals.tote_quality import tote_quality

__all__ = [
    "Estimate",
    "Interval",
    "ToteFit",
    "always_valid",
    "binomial",
    "clustered",
    "clustered_from_sums",
    "correlation_interval",
    "finite",
    "fit_totes",
    "learned_prior",
    "tote_quality",
]
