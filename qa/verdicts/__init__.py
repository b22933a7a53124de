"""What happens to each lot: audits and the programme's plans to a verdict, and why, in words.

A verdict speaks of workmanship only. A lot is a tote, or all totes of a lane and shift. Each class
is judged by its plan on the sum of its categories' counts; one class that rejects rejects the lot.
An audit with fewer pieces than the plan asks is completed by the next pull; once a sample is
decided, what is pulled after it is another. Inspection becomes tightened, reduced or stops as the
programme's switching rules say, for each lane, product and class, by replay of the record. Nothing
but a re-audit after a later re-sort, itself accepting, overturns a failure; a food-safety finding
locks its tote and the audited totes beside it whatever the sample says.
"""

from qa.verdicts.answer import (
    INSPECTION,
    LotVerdict,
    in_force,
    lots,
    lots_and_inspection,
    of_audit,
)
from qa.verdicts.cases import USED_AGAIN
from qa.verdicts.following import Following
from qa.verdicts.judged import Judged, Replay
from qa.verdicts.judging import JUDGING
from qa.verdicts.locks import FINDING
from qa.verdicts.numbers import STOPPED, class_plan, first_pull, floor_plan, numbers_at

__all__ = [
    "FINDING",
    "INSPECTION",
    "JUDGING",
    "STOPPED",
    "USED_AGAIN",
    "Following",
    "Judged",
    "LotVerdict",
    "Replay",
    "class_plan",
    "first_pull",
    "floor_plan",
    "in_force",
    "lots",
    "lots_and_inspection",
    "numbers_at",
    "of_audit",
]
