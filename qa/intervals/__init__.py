"""Intervals for the fraction of pieces of one kind: from one sample, and from many totes."""

from qa.intervals.binomial import Interval, binomial

__all__ = ["Interval", "binomial"]
