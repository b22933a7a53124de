"""Sampling plans: how many pieces to pull, how many incorrect a lot may show, and the risks."""

from qa.plans.continuous import (
    ChainPlan,
    ContinuousPlan,
    SkipLotPlan,
    clearance_for,
    fraction_for,
)
from qa.plans.design import by_limiting_quality, for_claim, quality_at, two_point, two_points
from qa.plans.double import DoublePlan
from qa.plans.multiple import MultiplePlan, Stage
from qa.plans.rectifying import Aoql, aoql, by_aoql, by_ltpd
from qa.plans.risks import accept_by_inspectors, accept_in_totes, seen
from qa.plans.sequential import SequentialPlan, wald
from qa.plans.single import SinglePlan, oc
from qa.plans.standard import INSPECTIONS, LEVELS, aqls, code_letter, for_sample, standard
from qa.plans.switching import LotResult, Switching

__all__ = [
    "INSPECTIONS",
    "LEVELS",
    "Aoql",
    "ChainPlan",
    "ContinuousPlan",
    "DoublePlan",
    "LotResult",
    "MultiplePlan",
    "SequentialPlan",
    "SinglePlan",
    "SkipLotPlan",
    "Stage",
    "Switching",
    "accept_by_inspectors",
    "accept_in_totes",
    "aoql",
    "aqls",
    "by_aoql",
    "by_limiting_quality",
    "by_ltpd",
    "clearance_for",
    "code_letter",
    "for_claim",
    "for_sample",
    "fraction_for",
    "oc",
    "quality_at",
    "seen",
    "standard",
    "two_point",
    "two_points",
    "wald",
]
