"""May we say 99 %: what the audits say of a claim, and what would settle it.

Two kinds of claim. *Average*: over the period, percent correct is at or above a target. *Tote by
tote*: at least a share of totes is at least so good. A claim is supported when the one-sided lower
bound is at or above the target, contradicted when the one-sided upper bound is below it, and not
settled otherwise. Only routine audits speak, and each tote is a cluster.
"""

from qa.claim.ahead import Needed, Simulation, totes_still_needed
from qa.claim.answer import METHOD, Bounds, Claim, average, tote_by_tote
from qa.claim.evidence import learned_from
from qa.claim.misses import with_misses
from qa.claim.sensitivity import sensitivity
from qa.claim.shipped import SHIPPED, as_shipped
from qa.claim.told import Bounded, Told, Way, alike, as_chosen, bounded, told, way

__all__ = [
    "METHOD",
    "SHIPPED",
    "Bounded",
    "Bounds",
    "Claim",
    "Needed",
    "Simulation",
    "Told",
    "Way",
    "alike",
    "as_chosen",
    "as_shipped",
    "average",
    "bounded",
    "learned_from",
    "sensitivity",
    "told",
    "tote_by_tote",
    "totes_still_needed",
    "way",
    "with_misses",
]
