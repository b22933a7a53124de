"""Intervals for the fraction of pieces of one kind: from one sample, and from many totes."""

from qa.intervals.binomial import Interval, binomial
from qa.intervals.clustered import Estimate, clustered, clustered_from_sums

__all__ = ["Estimate", "Interval", "binomial", "clustered", "clustered_from_sums"]
