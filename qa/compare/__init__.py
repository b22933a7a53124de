"""Comparing lanes, shifts and heads: two fractions, many at once, and where the variance lies."""

from qa.compare.many import Funnel, Shares, adjusted, funnel, shares
from qa.compare.parts import VarianceParts, variance_parts
from qa.compare.rates import (
    Comparison,
    difference,
    difference_of_totes,
    joined_difference,
    ratio,
    ratio_of_totes,
)
from qa.compare.standardised import Standardised, standardised

__all__ = [
    "Comparison",
    "Funnel",
    "Shares",
    "Standardised",
    "VarianceParts",
    "adjusted",
    "difference",
    "difference_of_totes",
    "funnel",
    "joined_difference",
    "ratio",
    "ratio_of_totes",
    "shares",
    "standardised",
    "variance_parts",
]
