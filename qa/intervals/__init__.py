"""Intervals for the fraction of pieces of one kind: from one sample, and from many totes."""

from qa.intervals.accepted import accepted
from qa.intervals.always_valid import always_valid
from qa.intervals.beta_binomial import learned_prior
from qa.intervals.binomial import Interval, binomial
from qa.intervals.clustered import Estimate, clustered, clustered_from_sums
from qa.intervals.finite import finite
from qa.intervals.inspectors import (
    InspectionStudy,
    corrected,
    corrected_estimate,
    rogan_gladen,
)
from qa.intervals.tote_fit import ToteFit, correlation_interval, fit_totes
from qa.intervals.tote_quality import tote_quality

__all__ = [
    "Estimate",
    "InspectionStudy",
    "Interval",
    "ToteFit",
    "accepted",
    "always_valid",
    "binomial",
    "clustered",
    "clustered_from_sums",
    "corrected",
    "corrected_estimate",
    "correlation_interval",
    "finite",
    "fit_totes",
    "learned_prior",
    "rogan_gladen",
    "tote_quality",
]
