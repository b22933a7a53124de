"""What must be known with a claim's answer, on the page and at the head of the paper."""

from qa.claim import Claim
from qa.intervals.clustered import FEW_TOTES
from qa.statement.result import Counted
from qa.wording import Wording


def cautions(words: Wording, claim: Claim, counted: Counted, figure: str) -> tuple[str, ...]:
    """Few totes, and lanes and days of the scope of which no figure speaks.

    Parameters
    ----------
    figure : {"as_made", "as_shipped"}
    """
    found = []
    if claim.totes < FEW_TOTES:
        found.append(words.say("statement.few", count=claim.totes, least=FEW_TOTES))
    if counted.silent_lanes:
        lanes = words.listed(list(counted.silent_lanes))
        found.append(words.say(f"statement.silent.lanes.{figure}", lanes=lanes))
    if counted.silent_days:
        days = {"silent": counted.silent_days, "days": counted.days}
        found.append(words.say(f"statement.silent.days.{figure}", **days))
    return tuple(found)
