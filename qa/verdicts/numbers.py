"""The numbers that a count is held against: a class's plan, its stages, what lies beyond them."""

from collections.abc import Iterable, Mapping
from functools import cache, lru_cache
from typing import Any, NamedTuple

from qa import plans
from qa.plans import LotResult, switching
from qa.plans.standard import Plan
from qa.programme import TOGETHER, Category, ClassPlan, Programme, lot_size

STOPPED = "discontinued"
_MANY = 100_000  # counts that are remembered: most lots are like others


class Asked(NamedTuple):
    """A class's plan, and the inspection it belongs to."""

    of_class: ClassPlan
    plan: Plan
    inspection: str
    several: bool  # totes of one lot: pieces add up over audits


class Stage(NamedTuple):
    """Where a count stands: numbers of the last sample reached, pieces of it and of the next."""

    at: int
    pieces: int
    accepts: int | None
    re: int
    following: int | None


def class_plan(
    programme: Programme, severity: str, lane: str, shift: str, inspection: str = "normal"
) -> Plan:
    """The plan of a class for the lots of a lane and shift, under an inspection.

    A critical class accepts on 0, whatever its AQL would allow.
    """
    size = lot_size(programme, lane, shift)
    return _class_plan(programme.plans[severity], size, inspection)


def first_pull(programme: Programme, first: int) -> int:
    """Pieces pulled from a tote whose plans ask `first` at first: the programme's pull at least.

    A lot of many totes gets its pieces from many pulls.
    """
    asked = first if programme.lot == "tote" else 0
    return min(max(programme.pull, asked), programme.pieces_per_tote)


def floor_plan(programme: Programme, severity: str) -> plans.SinglePlan | None:
    """The single plan that lots of a class are really judged by, inspection being normal.

    For the shift and lane with the largest lots; where a lot is a tote, at the pieces that are
    pulled from it. None for plans of several samples.
    """
    every = [
        class_plan(programme, severity, lane.code, shift.code)
        for lane in programme.lanes
        for shift in programme.shifts
    ]
    plan = max(every, key=lambda each: each.n)
    if not isinstance(plan, plans.SinglePlan):
        return None
    several = programme.lot != "tote"
    n = plan.n if several else max(first_pull(programme, plan.n), plan.n)
    stage = stage_of(Asked(programme.plans[severity], plan, "normal", several), n)
    return plans.SinglePlan(n, stage.re - 1)


def numbers_at(
    programme: Programme, severity: str, plan: Plan, inspection: str, sizes: Iterable[int]
) -> list[tuple[int, int | None, int]]:
    """Size, Ac and Re wherever they change over sizes in which lots were judged, smallest first."""
    of = Asked(programme.plans[severity], plan, inspection, programme.lot != "tote")
    found: list[tuple[int, int | None, int]] = []
    for size in sorted(sizes):
        stage = stage_of(of, size)
        if not found or found[-1][1:] != (stage.accepts, stage.re):
            found.append((size, stage.accepts, stage.re))
    return found


@cache
def _class_plan(of_class: ClassPlan, size: int, inspection: str) -> Plan:
    if of_class.aql is None:
        return plans.SinglePlan(of_class.n or 0, of_class.ac or 0)
    found = plans.standard(
        size, of_class.aql, level=of_class.level, inspection=inspection, kind=of_class.kind
    )
    return plans.SinglePlan(found.first, 0) if of_class.severity == "critical" else found


def classes(programme: Programme) -> dict[str, dict[str, str]]:
    """Code and name of the categories of each class, and of all together where that has a plan."""
    return _classes(programme.categories, TOGETHER in programme.plans)


@cache
def _classes(categories: tuple[Category, ...], together: bool) -> dict[str, dict[str, str]]:
    found: dict[str, dict[str, str]] = {}
    for each in categories:
        found.setdefault(each.severity, {})[each.code] = each.name
    if together:
        found[TOGETHER] = {each.code: each.name for each in categories}
    return found


def _stages(plan: Plan) -> list[tuple[int, int | None, int]]:
    """Pieces, Ac and Re of each sample, all counted from the first on."""
    if isinstance(plan, plans.SinglePlan):
        return [(plan.n, plan.ac, plan.re)]
    staged = plan.staged if isinstance(plan, plans.DoublePlan) else plan
    pieces, found = 0, []
    for stage in staged.stages:
        pieces += stage.n
        found.append((pieces, stage.ac, stage.re))
    return found


@lru_cache(maxsize=_MANY)
def stage_of(asked: Asked, inspected: int) -> Stage:
    """The numbers that a count of so many pieces is held against."""
    stages = _stages(asked.plan)
    at = max((at for at, stage in enumerate(stages) if stage[0] <= inspected), default=0)
    pieces, ac, re = stages[at]
    following = stages[at + 1][0] if at + 1 < len(stages) else None
    if isinstance(asked.plan, plans.SinglePlan) and inspected > pieces:
        ac, re = _beyond(asked, asked.plan, inspected)
    return Stage(at, pieces, ac, re, following)


@cache
def _beyond(asked: Asked, plan: plans.SinglePlan, inspected: int) -> tuple[int, int]:
    """Ac and Re where more pieces were pulled than the plan asks.

    By AQL: those of the largest tabled sample not above. By n and Ac, in a lot of many totes: the
    most that leaves the consumer as safe, so that a quality that the plan accepts one time in ten
    is accepted no more often. A tote's own n and Ac are taken as they are.
    """
    of_class = asked.of_class
    if of_class.severity == "critical":
        return plan.ac, plan.re
    if of_class.aql is not None:
        inspection = "tightened" if asked.inspection == STOPPED else asked.inspection
        found = plans.for_sample(inspected, of_class.aql, inspection=inspection)
        return (found.ac, found.re) if found and found.n >= plan.n else (plan.ac, plan.re)
    if not asked.several:
        return plan.ac, plan.re
    worst = plans.quality_at(plan, 0.1)
    ac = plan.ac
    while plans.SinglePlan(inspected, ac + 1).accept(worst) <= 0.1:
        ac += 1
    return ac, ac + 1


def result(
    asked: Asked, inspected: int, found: int, programme: Programme, audit: Mapping[str, Any]
) -> LotResult | None:
    """What a class's first sample tells the switching rules; None where it did not decide."""
    stage = stage_of(asked, inspected)
    accepted = found < stage.re
    if accepted and (inspected < stage.pieces or goes_on(stage, found)):
        return None
    if asked.inspection == STOPPED:
        return LotResult(accepted, inspected, found)
    in_gap = accepted and stage.following is None and found > (stage.accepts or 0)
    points = 0
    if accepted and programme.switching == "iso_2859_1":
        tighter = _tighter(asked, inspected, programme, audit)
        points = switching.points(asked.plan, found, stage.at + 1, tighter) or 0
    return LotResult(accepted, inspected, found, in_gap, points)


def goes_on(stage: Stage, found: int) -> bool:
    """Whether a count asks for the next sample."""
    return stage.following is not None and (stage.accepts is None or found > stage.accepts)


def _tighter(
    asked: Asked, inspected: int, programme: Programme, audit: Mapping[str, Any]
) -> plans.SinglePlan | None:
    """The single plan one AQL step tighter; None at the tables' tightest."""
    columns = plans.aqls()
    at = columns.index(asked.of_class.aql or 0.0)
    if not at:
        return None
    size = lot_size(programme, audit["lane"], audit["shift"])
    plan = plans.standard(size, columns[at - 1], level=asked.of_class.level)
    wider = plans.for_sample(inspected, columns[at - 1]) if inspected > plan.n else None
    return wider if wider and wider.n >= plan.n else plan
