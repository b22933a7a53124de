"""Sampling plans: how many pieces to pull, how many incorrect a lot may show, and the risks."""

from qa.plans.single import SinglePlan, oc
from qa.plans.standard import INSPECTIONS, LEVELS, aqls, code_letter, for_sample, standard

__all__ = [
    "INSPECTIONS",
    "LEVELS",
    "SinglePlan",
    "aqls",
    "code_letter",
    "for_sample",
    "oc",
    "standard",
]
