"""What the inspection of a lane is, why, and what would change it, in words."""

from typing import NamedTuple

from qa.plans import Switching, switching
from qa.wording import Wording


class Stream(NamedTuple):
    """What is inspected by one switching state: a class of defect, of a product, on a lane."""

    site: str
    lane: str
    product: str
    severity: str


def told_switch(words: Wording, stream: Stream, state: Switching) -> str:
    """What changed for a stream and why, as a sentence."""
    return words.say(
        f"switching.{state.inspection}",
        lane=stream.lane,
        severity=words.say(f"class.{stream.severity}"),
        why=told_why(words, state),
        back=told_back(words, state),
    )


def told_why(words: Wording, state: Switching) -> str:
    """Why inspection is what it is, as a sentence."""
    return words.say(f"switching.why.{state.reason}", **dict(state.figures))


def told_back(words: Wording, state: Switching) -> str:
    """What would change inspection from here, as a sentence."""
    key = state.inspection
    if key == "normal" and state.reduced_wanted:
        key = f"normal_{state.rule}"
    return words.say(
        f"switching.back.{key}",
        accepted=switching.ACCEPTED_TO_NORMAL - state.accepted_in_row,
        rejected=switching.REJECTED_TO_STOP - state.rejected,
        score=state.score,
        wanted=switching.SCORE_TO_REDUCE,
        lots=switching.LOTS_TO_REDUCE,
        run=len(state.run),
    )
