"""When inspection becomes tightened, reduced or stops: one lot at a time, or from a history.

Results of a line (or lane), product and class of defect, in the order of production; re-sorted lots
that come back are left out (original inspection).
"""

import csv
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cache
from itertools import accumulate
from pathlib import Path

from qa._validate import checked_whole, chosen
from qa.errors import InvalidInput
from qa.plans.double import DoublePlan
from qa.plans.multiple import MultiplePlan
from qa.plans.single import SinglePlan
from qa.plans.standard import Plan, checked_aql

RULES = ("mil_std_105e", "iso_2859_1")

_LIMITS = Path(__file__).parent / "tables" / "limit_numbers.csv"
_WINDOW, _ACCEPTED_TO_NORMAL, _REJECTED_TO_STOP = 5, 5, 5
_LOTS_TO_REDUCE, _SCORE_TO_REDUCE = 10, 30


@dataclass(frozen=True, slots=True)
class LotResult:
    """What the original inspection of one lot gave.

    Parameters
    ----------
    accepted : bool
    inspected, incorrect : int
        Pieces of all samples of the lot, and the incorrect among them.
    in_gap : bool
        Accepted with a count between Ac and Re of reduced inspection.
    points : int or None
        What the lot adds to the switching score of ISO 2859-1; 0 sets the score back. None where
        it was not worked out.
    steady : bool
        Production ran steadily.
    resumed : bool
        The cause was put right before this lot, so that stopped inspection starts again.
    """

    accepted: bool
    inspected: int = 0
    incorrect: int = 0
    in_gap: bool = False
    points: int | None = None
    steady: bool = True
    resumed: bool = False


@dataclass(frozen=True, slots=True)
class Switching:
    """The inspection that the next lot gets, why, and what would change it.

    `reason` is a code ("start", "2 of 5 rejected", ...) for texts in other languages; `why` and
    `back` are short sentences. The other fields are what the rules must remember.
    """

    rule: str
    aql: float
    reduced_wanted: bool
    inspection: str = "normal"
    reason: str = "start"
    why: str = "Inspection started."
    switched: bool = False
    recent: tuple[bool, ...] = ()
    run: tuple[tuple[int, int], ...] = ()
    accepted_in_row: int = 0
    rejected: int = 0
    score: int = 0

    @property
    def back(self) -> str:
        """What would change the inspection from here, in a sentence."""
        return _BACK[self.inspection](self)


def start(
    aql: float,
    *,
    rule: str = "mil_std_105e",
    inspection: str = "normal",
    reduced_wanted: bool = False,
) -> Switching:
    """Before the first lot.

    Parameters
    ----------
    aql : float
        A column of the standard's tables.
    rule : {"mil_std_105e", "iso_2859_1"}
        They differ in how lots earn reduced inspection: ten accepted lots within the limit number
        of Table VIII, or a switching score of 30.
    inspection : {"normal", "tightened", "reduced"}
    reduced_wanted : bool
        Reduced inspection is considered desirable by those who may say so; else it never comes.

    Raises
    ------
    InvalidInput
        If an argument is not one of its choices.

    References
    ----------
    MIL-STD-105E (1989), 4.7, 4.8 and Table VIII. ISO 2859-1 (1999), 9.3 and 9.4 (recalled).
    """
    chosen(dict.fromkeys(RULES), "rule", rule)
    chosen(dict.fromkeys(("normal", "tightened", "reduced")), "inspection", inspection)
    return Switching(rule, checked_aql(aql), reduced_wanted, inspection)


def after(state: Switching, lot: LotResult) -> Switching:
    """The inspection for the next lot, after `lot` was judged under ``state.inspection``.

    Rejected lots count among any five consecutive lots, whatever inspection they were judged by
    (105E 4.7.1 says consecutive lots, not lots on normal inspection).

    Raises
    ------
    InvalidInput
        If the lot's numbers are not whole, or its points are missing where the score is kept.

    Examples
    --------
    >>> state = start(1.0)
    >>> for accepted in (False, True, False):
    ...     state = after(state, LotResult(accepted))
    >>> state.inspection, state.reason
    ('tightened', '2 of 5 rejected')
    >>> state.back
    '5 more accepted lots in a row bring normal inspection back; 5 more rejected lots stop it.'
    """
    checked_whole([lot.inspected, lot.incorrect], "inspected and incorrect")
    if state.inspection == "discontinued":
        if not lot.resumed:
            return replace(state, switched=False)
        state = _switch(state, "tightened", "resumed", "The cause was put right.")
    recent = (*state.recent, lot.accepted)[-_WINDOW:]
    return _AFTER[state.inspection](replace(state, recent=recent, switched=False), lot)


def replay(state: Switching, lots: Iterable[LotResult]) -> tuple[Switching, ...]:
    """The state after each lot of a history, beginning from `state`."""
    return tuple(accumulate(lots, after, initial=state))[1:]


def judged(
    plan: Plan,
    *counts: int,
    tighter: SinglePlan | None = None,
    steady: bool = True,
    resumed: bool = False,
) -> LotResult:
    """The result of a lot from the counts of its samples.

    Parameters
    ----------
    plan : SinglePlan, DoublePlan or MultiplePlan
    *counts : int
        Incorrect pieces of each sample that was pulled.
    tighter : SinglePlan, optional
        The plan at the same code letter with the AQL one step tighter; the switching score of a
        single plan with Ac 2 or more needs it.
    steady, resumed : bool
        As of `LotResult`.

    Returns
    -------
    LotResult
        Points: 2 for an accepted lot with Ac 0 or 1; 3 for one that the tighter AQL would accept
        too, or that a double plan accepts in the first sample, a multiple one by the third.

    Raises
    ------
    InvalidInput
        If the counts do not decide the lot.
    """
    said = plan.decide(*counts)
    if said not in ("accept", "reject"):
        raise InvalidInput(f"counts must decide the lot, got {len(counts)} that ask for a {said}")
    if isinstance(plan, SinglePlan):
        sizes, last_ac = [plan.n], plan.ac
    else:
        staged = plan.staged if isinstance(plan, DoublePlan) else plan
        sizes = [stage.n for stage in staged.stages]
        last_ac = staged.stages[-1].ac or 0
    accepted, total = said == "accept", sum(counts)
    in_gap = accepted and len(counts) == len(sizes) and total > last_ac
    points = _points(plan, counts, tighter) if accepted else 0
    return LotResult(accepted, sum(sizes[: len(counts)]), total, in_gap, points, steady, resumed)


def limit_number(inspected: int, aql: float) -> int | None:
    """Most incorrect pieces that the last lots may show for reduced inspection (Table VIII).

    None where the table has no number: `inspected` pieces are too few (take in more lots), or
    more than the table foresees at that AQL.

    Raises
    ------
    InvalidInput
        If the AQL is not in the table.
    """
    rows = _limits().get(checked_aql(aql), [])
    return next((limit for least, most, limit in rows if least <= inspected <= most), None)


def _normal(state: Switching, lot: LotResult) -> Switching:
    if state.recent.count(False) >= 2:
        why = f"2 of {_span(state.recent)} lots in a row were rejected."
        return _switch(state, "tightened", "2 of 5 rejected", why)
    run = (*state.run, (lot.inspected, lot.incorrect)) if lot.accepted else ()
    state = replace(state, run=_needed(run, state.aql), score=_score(state, lot))
    if not (state.reduced_wanted and lot.steady and lot.accepted):
        return state
    if state.rule == "iso_2859_1":
        if state.score >= _SCORE_TO_REDUCE:
            why = f"The switching score reached {state.score}."
            return _switch(state, "reduced", "score reached", why)
        return state
    inspected, incorrect = (sum(each) for each in zip(*state.run, strict=True))
    limit = limit_number(inspected, state.aql)
    if len(state.run) >= _LOTS_TO_REDUCE and limit is not None and incorrect <= limit:
        why = (
            f"The last {len(state.run)} lots were accepted with {incorrect} incorrect "
            f"of {inspected:,} pieces; the limit is {limit}."
        )
        return _switch(state, "reduced", "10 accepted within the limit", why)
    return state


def _tightened(state: Switching, lot: LotResult) -> Switching:
    state = replace(
        state,
        accepted_in_row=state.accepted_in_row + 1 if lot.accepted else 0,
        rejected=state.rejected + (not lot.accepted),
    )
    if state.rejected >= _REJECTED_TO_STOP:
        why = f"{state.rejected} lots were rejected while inspection was tightened."
        return _switch(state, "discontinued", "5 rejected on tightened", why)
    if state.accepted_in_row >= _ACCEPTED_TO_NORMAL:
        return _switch(state, "normal", "5 accepted", "5 lots in a row were accepted.")
    return state


def _reduced(state: Switching, lot: LotResult) -> Switching:
    if not lot.accepted:
        return _switch(state, "normal", "rejected on reduced", "A lot was rejected.")
    if lot.in_gap:
        why = "A lot was accepted, but its count lay between Ac and Re."
        return _switch(state, "normal", "between Ac and Re", why)
    if not lot.steady:
        return _switch(state, "normal", "not steady", "Production did not run steadily.")
    return state


_AFTER = {"normal": _normal, "tightened": _tightened, "reduced": _reduced}


def _switch(state: Switching, inspection: str, reason: str, why: str) -> Switching:
    return Switching(
        state.rule, state.aql, state.reduced_wanted, inspection, reason, why, True, state.recent
    )


def _span(recent: tuple[bool, ...]) -> int:
    return len(recent) - recent.index(False)


def _score(state: Switching, lot: LotResult) -> int:
    if state.rule != "iso_2859_1":
        return 0
    if lot.points is None:
        raise InvalidInput("points must be given where the switching score is kept, got None")
    return state.score + lot.points if lot.accepted and lot.points else 0


def _points(
    plan: SinglePlan | DoublePlan | MultiplePlan,
    counts: tuple[int, ...],
    tighter: SinglePlan | None,
) -> int | None:
    if isinstance(plan, DoublePlan):
        return 3 if len(counts) == 1 else 0
    if isinstance(plan, MultiplePlan):
        return 3 if len(counts) <= 3 else 0
    if plan.ac <= 1:
        return 2
    if tighter is None:
        return None
    return 3 if counts[0] <= tighter.ac else 0


def _needed(run: tuple[tuple[int, int], ...], aql: float) -> tuple[tuple[int, int], ...]:
    """The last ten lots; more of them where ten have too few pieces for the table."""
    lots, pieces = 0, 0
    fewest = min((least for least, _, _ in _limits().get(aql, [])), default=0)
    for inspected, _ in reversed(run):
        if lots >= _LOTS_TO_REDUCE and pieces >= fewest:
            break
        lots, pieces = lots + 1, pieces + inspected
    return run[len(run) - lots :]


def _back_from_normal(state: Switching) -> str:
    tighter = "2 rejected lots among any 5 in a row tighten it."
    if not state.reduced_wanted:
        return tighter
    if state.rule == "iso_2859_1":
        return f"{tighter} A switching score of {_SCORE_TO_REDUCE} reduces it; it is {state.score}."
    return (
        f"{tighter} {_LOTS_TO_REDUCE} accepted lots in a row within the limit number of Table VIII "
        f"reduce it; so far {len(state.run)}."
    )


def _back_from_tightened(state: Switching) -> str:
    return (
        f"{_lots(_ACCEPTED_TO_NORMAL - state.accepted_in_row, 'accepted')} in a row "
        f"{_verb(_ACCEPTED_TO_NORMAL - state.accepted_in_row, 'bring')} normal inspection back; "
        f"{_lots(_REJECTED_TO_STOP - state.rejected, 'rejected')} "
        f"{_verb(_REJECTED_TO_STOP - state.rejected, 'stop')} it."
    )


def _lots(count: int, how: str) -> str:
    return f"{count} more {how} lot{'s' * (count != 1)}"


def _verb(count: int, verb: str) -> str:
    return verb + "s" * (count == 1)


_BACK: dict[str, Callable[[Switching], str]] = {
    "normal": _back_from_normal,
    "tightened": _back_from_tightened,
    "reduced": lambda _: (
        "A rejected lot, a count between Ac and Re, or unsteady production brings normal "
        "inspection back."
    ),
    "discontinued": lambda _: (
        "Nothing is accepted by sample until the cause is put right; then inspection is tightened."
    ),
}


@cache
def _limits() -> dict[float, list[tuple[int, float, int]]]:
    """AQL -> rows of least pieces, most pieces, limit number; those with a number, rising."""
    found: dict[float, list[tuple[int, float, int]]] = {}
    with _LIMITS.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(line for line in file if not line.startswith("#")):
            if row["limit"] != "*":
                most = float(row["units_max"] or "inf")
                numbers = int(row["units_min"]), most, int(row["limit"])
                found.setdefault(float(row["aql"]), []).append(numbers)
    return {aql: sorted(rows) for aql, rows in sorted(found.items())}
