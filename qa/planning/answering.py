"""The plan that answers a wish: what it risks, what it costs, and its curves; no words."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import floor, log10
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qa import plans
from qa.errors import InvalidAsk, InvalidInput, NoSuchPlan
from qa.planning.ask import (
    Ask,
    ByAql,
    ByClaim,
    ByLimitingQuality,
    ByNumbers,
    ByOutgoingQuality,
    ByPoints,
    Conditions,
)
from qa.plans import Aoql, DoublePlan, MultiplePlan, SinglePlan, Stage
from qa.plans.points import least_in_bad_lot, most_in_good_lot

Plan = SinglePlan | DoublePlan | MultiplePlan
Array = NDArray[np.float64]
CHANCES = (0.95, 0.5, 0.1)  # the chances of acceptance whose qualities are told
_MOST_AS_PIECES = 10  # AQLs above count defects, and a piece may have several
_MOST_IN_TOTES = 100_000  # pieces; the sums over larger samples would keep a page waiting
# Double plans take long to find beyond: pieces in the lot that they are for, or pulled at once.
_MOST_IN_LOT, _MOST_SINGLE = 1000, 2000
_NEVER = 0.005  # a curve is drawn to where acceptance is as rare
_STEPS = 121


@dataclass(frozen=True, slots=True)
class Curves:
    """What a plan does at each quality `p`: arrays of one shape, None where it has no meaning.

    Attributes
    ----------
    p : fraction incorrect (defects a piece where the plan's model is "poisson")
    accepted : chance of acceptance
    by_inspectors : the same when inspectors err as the wish says (lots of a process)
    in_totes : the same when totes differ around `p` as the wish says (lots of a process)
    asn, ati : pieces looked at in each lot on average, without and with the sorting of rejected
        lots
    aoq : fraction incorrect that goes out when rejected lots are sorted
    """

    p: Array
    accepted: Array
    by_inspectors: Array | None
    in_totes: Array | None
    asn: Array | None
    ati: Array | None
    aoq: Array | None


@dataclass(frozen=True, slots=True)
class Work:
    """What a plan asks of people.

    Attributes
    ----------
    lots : judged in a shift; None where that is not known
    pieces : looked at in each lot on average, at the quality `Answer.at`
    hours : of one person, for all lots of a shift, or for one lot where `lots` is None
    sorted_pieces, sorted_hours : the same when rejected lots are sorted to the end; None where no
        lot size is known
    """

    lots: int | None
    pieces: float
    hours: float
    sorted_pieces: float | None
    sorted_hours: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """A wish and the plan that answers it.

    Attributes
    ----------
    model : "binomial" (lots of a process), "hypergeometric" (one lot of the size asked) or
        "poisson" (defects a piece)
    stages : the samples of the plan, one or more
    inspect_all : whether the sample is the whole lot
    at : the quality at which averages are told
    qualities : for each of `CHANCES` the quality accepted as often, of one lot the nearest that
        whole pieces make; None where there is none
    chances : of acceptance at these qualities; those of `CHANCES`, except for one lot
    risks : the curves at a few round qualities
    aoql : worst average outgoing quality; None where no lot size is known
    """

    ask: Ask
    plan: Plan
    model: str
    stages: tuple[Stage, ...]
    inspect_all: bool
    at: float
    qualities: tuple[float | None, ...]
    chances: tuple[float, ...]
    risks: Curves
    aoql: Aoql | None
    work: Work


@dataclass(frozen=True, slots=True)
class _Found:
    """A plan, how its chances are counted, and the qualities to tell of."""

    plan: Plan
    at: float
    rates: Sequence[float]
    model: str


def answer(ask: Ask) -> Answer:
    """The plan that a wish asks for, and what it risks and costs.

    Raises
    ------
    InvalidAsk
        If an argument does not go with the plan.
    NoSuchPlan
        If there is none: every piece of the lot is to be inspected.

    Examples
    --------
    >>> from qa.planning.ask import read
    >>> answer(read({"lot_size": "4000", "aql": "1.0"})).plan
    SinglePlan(n=200, ac=5, re=6)
    """
    try:
        found = _PLANS[type(ask.question)](ask.question, ask.lot_size)
    except InvalidInput as reason:
        name, _, told = str(reason).partition(" ")
        raise InvalidAsk({name: told}) from None
    plan, conditions = found.plan, ask.conditions
    if conditions.from_totes > plan.n:
        least = f"must be at most n {plan.n:,}, got {conditions.from_totes:,}"
        raise InvalidAsk({"from_totes": least})
    if found.model == "hypergeometric" and ask.lot_size:
        found = replace(found, rates=_whole(found.rates, ask.lot_size))
    points = [_told(found, each, ask.lot_size) for each in CHANCES]
    counts = ask.lot_size if _countable(ask, found) else None
    return Answer(
        ask=ask,
        plan=plan,
        model=found.model,
        stages=(Stage(plan.n, plan.ac, plan.re),)
        if isinstance(plan, SinglePlan)
        else _stages(plan),
        inspect_all=plan.n == ask.lot_size and isinstance(plan, SinglePlan),
        at=found.at,
        qualities=tuple(quality for quality, _ in points),
        chances=tuple(accepted for _, accepted in points),
        risks=_curves(ask, found, np.asarray(found.rates, dtype=np.float64)),
        aoql=None if counts is None else plans.aoql(plan, counts),
        work=_work(ask, found),
    )


def span(answered: Answer) -> float:
    """The quality up to which a plan's curve is worth drawing: it hardly accepts any worse."""
    found = _Found(answered.plan, answered.at, (), answered.model)
    last = _quality(found, _NEVER, answered.ask.lot_size)
    if last is None:
        return 1.0 if answered.model != "poisson" else 10.0
    return min(1.1 * last, 1.0) if answered.model != "poisson" else 1.1 * last


def curves(answered: Answer, worst: float) -> Curves:
    """A plan's curves from perfect lots to lots of quality `worst`."""
    found = _Found(answered.plan, answered.at, (), answered.model)
    return _curves(answered.ask, found, np.linspace(0, worst, _STEPS))


def _by_aql(question: ByAql, lot_size: int | None) -> _Found:
    try:
        plan = plans.standard(
            lot_size or 0,  # a missing lot was refused when the wish was read
            question.aql,
            level=question.level,
            inspection=question.inspection,
            kind=question.kind,
        )
    except NoSuchPlan as reason:  # of the kind asked; the others there are
        raise InvalidAsk({"kind": str(reason)}) from None
    model = "poisson" if question.aql > _MOST_AS_PIECES else "binomial"
    rates = [times * question.aql / 100 for times in (0.5, 1, 2, 3, 5, 8)]
    kept = [each for each in rates if each < 1 or model == "poisson"]
    return _Found(plan, question.aql / 100, kept, model)


def _by_points(question: ByPoints, lot_size: int | None) -> _Found:
    p1, p2 = question.p1, question.p2
    most = _MOST_IN_LOT if question.kind == "double" else float("inf")
    model = "hypergeometric" if lot_size is not None and lot_size <= most else "binomial"
    if question.kind == "double" and model == "binomial":
        _check_double(question)
    plan = plans.two_point(
        p1,
        p2,
        producer_risk=question.producer_risk,
        consumer_risk=question.consumer_risk,
        model=model,
        lot_size=lot_size,
        kind=question.kind,
    )
    if model == "hypergeometric" and lot_size:
        good, bad = most_in_good_lot(p1, lot_size), least_in_bad_lot(p2, lot_size)
        p1, p2 = good / lot_size, bad / lot_size
    figures = max(2, 2 - floor(log10((p2 - p1) / p2)))
    between = [float(f"{p1 + (p2 - p1) * part:.{figures}g}") for part in (1 / 3, 2 / 3)]
    return _Found(plan, question.p1, sorted({p1 / 2, p1, *between, p2, min(1.5 * p2, 1)}), model)


def _check_double(question: ByPoints) -> None:
    single = plans.two_point(
        question.p1,
        question.p2,
        producer_risk=question.producer_risk,
        consumer_risk=question.consumer_risk,
    ).n
    if single > _MOST_SINGLE:
        rule = f"single where one sample would be more than {_MOST_SINGLE:,} pieces"
        raise InvalidAsk({"kind": f"must be {rule}, got double and {single:,}"})


def _by_claim(question: ByClaim, lot_size: int | None) -> _Found:
    short = 1 - question.target
    plan = plans.for_claim(
        question.target, question.confidence, incorrect=question.incorrect, lot_size=lot_size
    )
    return _Found(plan, short / 10, _below(_bad(short, lot_size)), _of(lot_size))


def _by_limiting_quality(question: ByLimitingQuality, lot_size: int | None) -> _Found:
    plan = plans.by_limiting_quality(
        question.lq, consumer_risk=question.consumer_risk, ac=question.ac, lot_size=lot_size
    )
    return _Found(plan, question.lq / 10, _below(_bad(question.lq, lot_size)), _of(lot_size))


def _by_outgoing_quality(question: ByOutgoingQuality, lot_size: int | None) -> _Found:
    plan = plans.by_aoql(question.aoql, question.process_average, lot_size or 0)
    times = sorted({question.process_average, *(question.aoql * part for part in (0.5, 1, 2, 3))})
    return _Found(plan, question.process_average, [min(each, 1) for each in times], "binomial")


def _by_numbers(question: ByNumbers, lot_size: int | None) -> _Found:
    if lot_size is not None and question.n > lot_size:
        raise InvalidInput(f"n must be at most the lot's {lot_size:,} pieces, got {question.n:,}")
    plan = plans.SinglePlan(question.n, question.ac)
    good, bad = (float(f"{plans.quality_at(plan, chance):.2g}") for chance in (0.95, 0.1))
    between = [float(f"{good + (bad - good) * part:.2g}") for part in (1 / 3, 2 / 3)]
    return _Found(
        plan, good, sorted({good / 2, good, *between, bad, min(1.5 * bad, 1)}), "binomial"
    )


_PLANS: dict[type, Callable[[Any, int | None], _Found]] = {
    ByAql: _by_aql,
    ByPoints: _by_points,
    ByClaim: _by_claim,
    ByLimitingQuality: _by_limiting_quality,
    ByOutgoingQuality: _by_outgoing_quality,
    ByNumbers: _by_numbers,
}


def _below(bad: float) -> list[float]:
    """Qualities to tell of when only a bad one was asked."""
    return [min(times * bad, 1.0) for times in (0.05, 0.1, 0.2, 0.5, 1, 1.5)]


def _bad(quality: float, lot_size: int | None) -> float:
    return quality if lot_size is None else least_in_bad_lot(quality, lot_size) / lot_size


def _whole(rates: Sequence[float], lot_size: int) -> list[float]:
    return [each / lot_size for each in sorted({round(rate * lot_size) for rate in rates})]


def _told(found: _Found, chance: float, lot_size: int | None) -> tuple[float | None, float]:
    """The quality accepted with a chance; of one lot that of whole pieces, with its own chance."""
    quality = _quality(found, chance, lot_size)
    if quality is None or found.model != "hypergeometric" or not lot_size:
        return quality, chance
    whole = round(quality * lot_size) / lot_size
    return whole, float(found.plan.accept(whole, model=found.model, lot_size=lot_size))


def _of(lot_size: int | None) -> str:
    return "binomial" if lot_size is None else "hypergeometric"


def _countable(ask: Ask, found: _Found) -> bool:
    """Whether rejected lots can be sorted: the lot is known, and pieces are counted in it."""
    return ask.lot_size is not None and found.model != "poisson"


def _stages(plan: DoublePlan | MultiplePlan) -> tuple[Stage, ...]:
    return (plan.staged if isinstance(plan, DoublePlan) else plan).stages


def _quality(found: _Found, chance: float, lot_size: int | None) -> float | None:
    try:
        return float(plans.quality_at(found.plan, chance, model=found.model, lot_size=lot_size))
    except InvalidInput:  # even the worst lot is accepted more often
        return None


def _curves(ask: Ask, found: _Found, p: Array) -> Curves:
    plan, model, lot = found.plan, found.model, ask.lot_size
    counted = _countable(ask, found)
    pieces = model != "poisson"
    return Curves(
        p=p,
        accepted=plan.accept(p, model=model, lot_size=lot),
        by_inspectors=by_inspectors(plan, p, ask.conditions) if pieces else None,
        in_totes=in_totes(plan, p, ask.conditions) if pieces else None,
        asn=plan.asn(p) if pieces else None,
        ati=plan.ati(p, lot) if counted and lot else None,
        aoq=plan.aoq(p, lot) if counted and lot else None,
    )


def by_inspectors(plan: Plan, p: ArrayLike, conditions: Conditions) -> Array | None:
    """Chance of acceptance when inspectors err; None where they do not."""
    if conditions.sensitivity == conditions.specificity == 1:
        return None
    return plans.accept_by_inspectors(
        plan, p, sensitivity=conditions.sensitivity, specificity=conditions.specificity
    )


def in_totes(plan: Plan, p: ArrayLike, conditions: Conditions) -> Array | None:
    """Chance of acceptance when totes differ; None where they do not.

    None too for plans of several samples, of which nothing says from which totes each comes, and
    for samples beyond any that comes from totes.
    """
    if conditions.correlation == 0 or not isinstance(plan, SinglePlan) or plan.n > _MOST_IN_TOTES:
        return None
    each, over = divmod(plan.n, conditions.from_totes)
    pieces = [each + (at < over) for at in range(conditions.from_totes)]
    return plans.accept_in_totes(plan, p, correlation=conditions.correlation, pieces=pieces)


def _work(ask: Ask, found: _Found) -> Work:
    told, plan = ask.conditions, found.plan

    lots = None if isinstance(ask.question, ByClaim) else told.lots  # a claim is proved once

    def hours(pieces: float) -> float:
        seconds = pieces * told.piece_seconds + told.from_totes * told.tote_seconds
        return seconds * (lots or 1) / 3600

    pieces = float(plan.n if found.model == "poisson" else plan.asn(found.at))
    if not _countable(ask, found):
        return Work(lots, pieces, hours(pieces), None, None)
    sorting = float(plan.ati(found.at, ask.lot_size or 0))
    return Work(lots, pieces, hours(pieces), sorting, hours(sorting))
