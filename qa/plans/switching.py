"""When inspection becomes tightened, reduced or stops: one lot at a time, or from a history.

Results of a line (or lane), product and class of defect, in the order of production; re-sorted lots
that come back are left out (original inspection).
"""

import csv
from collections.abc import Iterable
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
ACCEPTED_TO_NORMAL, REJECTED_TO_STOP = 5, 5
LOTS_TO_REDUCE, SCORE_TO_REDUCE = 10, 30
_WINDOW = 5


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

    `reason` is a code ("start", "2 of 5 rejected", ...) that the texts of each language put into
    words, with its `figures`. The other fields are what the rules must remember.
    """

    rule: str
    aql: float
    reduced_wanted: bool
    inspection: str = "normal"
    reason: str = "start"
    figures: tuple[tuple[str, int], ...] = ()
    switched: bool = False
    recent: tuple[bool, ...] = ()
    run: tuple[tuple[int, int], ...] = ()
    accepted_in_row: int = 0
    rejected: int = 0
    score: int = 0


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
    >>> state.figures
    (('lots', 3),)
    """
    counts = (lot.inspected, lot.incorrect)
    if not all(type(count) is int and count >= 0 for count in counts):  # many lots: the quick way
        checked_whole(counts, "inspected and incorrect")
    if state.inspection == "discontinued":
        if not lot.resumed:
            return replace(state, switched=False)
        state = resumed(state)
    recent = (*state.recent, lot.accepted)[-_WINDOW:]
    return _AFTER[state.inspection](replace(state, recent=recent, switched=False), lot)


def resumed(state: Switching) -> Switching:
    """Stopped inspection that starts again, tightened, once its cause was put right."""
    return _switch(state, "tightened", "resumed")


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
    scored = points(plan, counts[0], len(counts), tighter) if accepted else 0
    return LotResult(accepted, sum(sizes[: len(counts)]), total, in_gap, scored, steady, resumed)


def points(plan: Plan, count: int, samples: int, tighter: SinglePlan | None = None) -> int | None:
    """What an accepted lot adds to the switching score of ISO 2859-1; 0 sets the score back.

    Parameters
    ----------
    plan, tighter
        As of `judged`.
    count : int
        Incorrect pieces of the first sample.
    samples : int
        Samples that were pulled.

    Returns
    -------
    int or None
        None where a single plan with Ac 2 or more needs `tighter`.
    """
    if isinstance(plan, DoublePlan):
        return 3 if samples == 1 else 0
    if isinstance(plan, MultiplePlan):
        return 3 if samples <= 3 else 0
    if plan.ac <= 1:
        return 2
    if tighter is None:
        return None
    return 3 if count <= tighter.ac else 0


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
        return _switch(state, "tightened", "2 of 5 rejected", lots=_span(state.recent))
    if not state.reduced_wanted and state.rule != "iso_2859_1":
        return state
    run = (*state.run, (lot.inspected, lot.incorrect)) if lot.accepted else ()
    state = replace(state, run=_needed(run, state.aql), score=_score(state, lot))
    if not (state.reduced_wanted and lot.steady and lot.accepted):
        return state
    if state.rule == "iso_2859_1":
        if state.score >= SCORE_TO_REDUCE:
            return _switch(state, "reduced", "score reached", score=state.score)
        return state
    inspected, incorrect = (sum(each) for each in zip(*state.run, strict=True))
    limit = limit_number(inspected, state.aql)
    if len(state.run) >= LOTS_TO_REDUCE and limit is not None and incorrect <= limit:
        figures = {"lots": len(state.run), "incorrect": incorrect, "inspected": inspected}
        return _switch(state, "reduced", "10 accepted within the limit", **figures, limit=limit)
    return state


def _tightened(state: Switching, lot: LotResult) -> Switching:
    state = replace(
        state,
        accepted_in_row=state.accepted_in_row + 1 if lot.accepted else 0,
        rejected=state.rejected + (not lot.accepted),
    )
    if state.rejected >= REJECTED_TO_STOP:
        return _switch(state, "discontinued", "5 rejected on tightened", lots=state.rejected)
    if state.accepted_in_row >= ACCEPTED_TO_NORMAL:
        return _switch(state, "normal", "5 accepted")
    return state


def _reduced(state: Switching, lot: LotResult) -> Switching:
    if not lot.accepted:
        return _switch(state, "normal", "rejected on reduced")
    if lot.in_gap:
        return _switch(state, "normal", "between Ac and Re")
    if not lot.steady:
        return _switch(state, "normal", "not steady")
    return state


_AFTER = {"normal": _normal, "tightened": _tightened, "reduced": _reduced}


def _switch(state: Switching, inspection: str, reason: str, **figures: int) -> Switching:
    return Switching(
        *(state.rule, state.aql, state.reduced_wanted, inspection, reason),
        figures=tuple(figures.items()),
        switched=True,
        recent=state.recent,
    )


def _span(recent: tuple[bool, ...]) -> int:
    return len(recent) - recent.index(False)


def _score(state: Switching, lot: LotResult) -> int:
    if state.rule != "iso_2859_1":
        return 0
    if lot.points is None:
        raise InvalidInput("points must be given where the switching score is kept, got None")
    return state.score + lot.points if lot.accepted and lot.points else 0


def _needed(run: tuple[tuple[int, int], ...], aql: float) -> tuple[tuple[int, int], ...]:
    """The last ten lots; more of them where ten have too few pieces for the table."""
    lots, pieces = 0, 0
    fewest = min((least for least, _, _ in _limits().get(aql, [])), default=0)
    for inspected, _ in reversed(run):
        if lots >= LOTS_TO_REDUCE and pieces >= fewest:
            break
        lots, pieces = lots + 1, pieces + inspected
    return run[len(run) - lots :]


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
