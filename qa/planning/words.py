"""An answer in words: what to do, what it means, what an accepted lot may still hold, the work."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import floor, log10
from typing import Any

from qa.planning.answering import Answer, by_inspectors, in_totes
from qa.planning.ask import (
    Ask,
    ByAql,
    ByClaim,
    ByLimitingQuality,
    ByNumbers,
    ByOutgoingQuality,
    ByPoints,
)
from qa.plans import SinglePlan
from qa.plans.points import least_in_bad_lot, most_in_good_lot
from qa.wording import Wording

COLUMNS = ("accepted", "by_inspectors", "in_totes", "asn", "ati", "aoq")
_LEAST = 1e-6  # fractions below are not worth their decimals
_BARELY = 0.0005  # rounds to a tenth of a per cent
_CREW_HOURS = 80  # ten people in a shift of eight hours
_MOST_DECIMALS = 9
LOTS = {"tote": "a_tote"}  # what a programme may accept or reject that has a word of its own


@dataclass(frozen=True, slots=True)
class Told:
    """An answer in words.

    Attributes
    ----------
    pull : what the floor does: "pull 200, accept on 3, reject on 4"
    meaning : what was asked, and what the plan keeps of it
    holds : what an accepted lot may still hold
    warnings : what else to know, food safety last
    work : what it asks of people
    """

    pull: str
    meaning: str
    holds: str
    warnings: tuple[str, ...]
    work: str


def tell(answered: Answer, words: Wording, lot: str = "") -> Told:
    """An answer in words; `lot` is what the programme accepts or rejects together."""
    of = words.say(f"planning.{LOTS.get(lot, 'a_lot')}")
    return Told(
        pull=pulls(answered, words),
        meaning=_meaning(answered, words),
        holds=" ".join(_holds(answered, words, of)),
        warnings=tuple(_warnings(answered, words, of)),
        work=" ".join(_work(answered, words, of)),
    )


def pulls(answered: Answer, words: Wording) -> str:
    """What the floor does, sample by sample."""
    first = "pull_all" if answered.inspect_all else "pull"
    steps = []
    for at, stage in enumerate(answered.stages):
        key = "then" if at else first
        known = {"n": stage.n, "re": stage.re}
        if stage.ac is None:
            steps.append(words.say(f"planning.{key}_wait", **known))
        else:
            steps.append(words.say(f"planning.{key}", ac=stage.ac, **known))
    return "; ".join(steps)


def brief(answered: Answer, words: Wording) -> str:
    """The same in a few words: plans of more than two samples by their first alone."""
    told = pulls(answered, words)
    more = len(answered.stages) - 1
    if more < 2:
        return told
    return words.say("planning.brief", first=told.partition(";")[0], count=more)


def stages(answered: Answer, words: Wording) -> tuple[list[str], list[list[str]]]:
    """The samples of a plan as a table: its heads and its rows."""
    heads = [words.say(f"planning.stage.{name}") for name in ("sample", "n", "ac", "re")]
    none = words.say("planning.stage.none")
    rows = [
        [str(at), str(stage.n), none if stage.ac is None else str(stage.ac), str(stage.re)]
        for at, stage in enumerate(answered.stages, 1)
    ]
    return heads, rows


def share(answered: Answer, quality: float, words: Wording) -> str:
    """A quality with two figures that count: 3.3 %, 0.69 %; or defects in 100 pieces."""
    if answered.model == "poisson":
        return words.say("planning.defects", count=words.number(100 * quality, ".3g"))
    size = answered.ask.lot_size
    if answered.model == "hypergeometric" and size:
        known = {"pieces": words.count(round(quality * size)), "lot_size": size}
        return words.say("planning.pieces", share=per_cent(quality, words), **known)
    return per_cent(quality, words)


def as_asked(fraction: float, words: Wording) -> str:
    """A fraction of the wish, in per cent with every figure that was typed."""
    return f"{words.number(100 * fraction, '.12g')} %"


def per_cent(fraction: float, words: Wording) -> str:
    """A fraction with as many decimals as two figures need, one or more; <0.0001 % below that."""
    if 0 < fraction < _LEAST:
        return f"<{words.per_cent(_LEAST, decimals=4)}"
    decimals = 1 if fraction <= 0 else max(1, 1 - floor(log10(100 * fraction) + 1e-9))
    return words.per_cent(fraction, decimals=decimals)


def instead(asked: Ask, words: Wording, lot: str = "") -> str:
    """What inspecting every piece of a lot asks, where no plan answers; blank for a process."""
    if asked.lot_size is None:
        return ""
    told = asked.conditions
    seconds = asked.lot_size * told.piece_seconds + told.tote_seconds
    return words.say(
        "planning.instead",
        pieces=asked.lot_size,
        lot=words.say(f"planning.{LOTS.get(lot, 'a_lot')}"),
        time=time(seconds / 3600, words),
    )


def chance(probability: float, words: Wording) -> str:
    """A chance to a tenth of a per cent; what rounds to never or always is said to lie beside."""
    if 0 < probability < _BARELY:
        return f"<{words.per_cent(2 * _BARELY)}"
    if 1 - _BARELY < probability < 1:
        return f">{words.per_cent(1 - 2 * _BARELY)}"
    return words.per_cent(probability)


def table(answered: Answer, words: Wording) -> tuple[list[str], list[list[str]]]:
    """The risk table: its heads, and its rows as people read them."""
    risks = answered.risks
    kept = [name for name in COLUMNS if getattr(risks, name) is not None]
    first = "defects" if answered.model == "poisson" else "incorrect"
    heads = [words.say(f"planning.column.{name}") for name in (first, *kept)]
    shares, rows = _apart(answered, words), []
    for at in range(len(risks.p)):
        cells = [_cell(name, float(getattr(risks, name)[at]), words) for name in kept]
        rows.append([shares[at], *cells])
    return heads, rows


def _apart(answered: Answer, words: Wording) -> list[str]:
    """The risk table's qualities, with more decimals where two would read the same."""
    shown = [share(answered, float(each), words) for each in answered.risks.p]
    if answered.model != "binomial":
        return shown
    for decimals in range(2, _MOST_DECIMALS):
        same = [shown.count(each) > 1 for each in shown]
        if not any(same):
            break
        shown = [
            words.per_cent(float(each), decimals=decimals) if twice else text
            for each, text, twice in zip(answered.risks.p, shown, same, strict=True)
        ]
    return shown


def _cell(name: str, value: float, words: Wording) -> str:
    if name in ("asn", "ati"):
        return words.count(value)
    return per_cent(value, words) if name == "aoq" else chance(value, words)


def _meaning(answered: Answer, words: Wording) -> str:
    said = _MEANINGS[type(answered.ask.question)](answered, words)
    lot = answered.ask.lot_size or 0
    return f"{said} {words.say(f'planning.counted.{answered.model}', lot_size=lot)}"


def _by_aql(answered: Answer, words: Wording) -> str:
    question: Any = answered.ask.question
    unit = "" if answered.model == "poisson" else " %"
    return words.say(
        "planning.aql",
        lot_size=answered.ask.lot_size,
        aql=f"{words.number(question.aql)}{unit}",
        level=question.level,
        inspection=words.say(f"planning.inspection.{question.inspection}"),
    )


def _by_points(answered: Answer, words: Wording) -> str:
    question: Any = answered.ask.question
    good, bad = question.p1, _bad(answered, question.p2)
    if answered.model == "hypergeometric":
        size = answered.ask.lot_size or 1
        good = most_in_good_lot(good, size) / size
    return words.say(
        "planning.points",
        p1=as_asked(question.p1, words) + _pieces(answered, good, words),
        p2=as_asked(question.p2, words) + _pieces(answered, bad, words),
        good=chance(_chance(answered, good), words),
        bad=chance(_chance(answered, bad), words),
        least=as_asked(1 - question.producer_risk, words),
        most=as_asked(question.consumer_risk, words),
    )


def _by_claim(answered: Answer, words: Wording) -> str:
    question: Any = answered.ask.question
    return words.say(
        "planning.claim",
        confidence=f"{words.number(100 * question.confidence)} %",
        target=f"{words.number(100 * question.target)} %",
    )


def _by_limiting_quality(answered: Answer, words: Wording) -> str:
    question: Any = answered.ask.question
    bad = _bad(answered, question.lq)
    return words.say(
        "planning.limiting_quality",
        lq=as_asked(question.lq, words) + _pieces(answered, bad, words),
        chance=chance(_chance(answered, bad), words),
        most=as_asked(question.consumer_risk, words),
    )


def _by_outgoing_quality(answered: Answer, words: Wording) -> str:
    question: Any = answered.ask.question
    levels = {"aoql": question.aoql, "average": question.process_average}
    told = {name: as_asked(level, words) for name, level in levels.items()}
    return words.say("planning.outgoing_quality", **told)


def _by_numbers(answered: Answer, words: Wording) -> str:
    del answered
    return words.say("planning.numbers")


_MEANINGS: dict[type, Callable[[Answer, Wording], str]] = {
    ByAql: _by_aql,
    ByPoints: _by_points,
    ByClaim: _by_claim,
    ByLimitingQuality: _by_limiting_quality,
    ByOutgoingQuality: _by_outgoing_quality,
    ByNumbers: _by_numbers,
}


def _bad(answered: Answer, quality: float) -> float:
    """The quality of the best lot that is as bad: whole pieces where one lot is judged."""
    size = answered.ask.lot_size
    if answered.model != "hypergeometric" or not size:
        return quality
    return least_in_bad_lot(quality, size) / size


def _pieces(answered: Answer, quality: float, words: Wording) -> str:
    size = answered.ask.lot_size
    if answered.model != "hypergeometric" or not size:
        return ""
    told = words.say("planning.of_pieces", pieces=words.count(quality * size), lot_size=size)
    return f" {told}"


def _chance(answered: Answer, quality: float) -> float:
    lot = answered.ask.lot_size
    return float(answered.plan.accept(quality, model=answered.model, lot_size=lot))


def _holds(answered: Answer, words: Wording, of: str) -> Iterator[str]:
    if answered.inspect_all:
        yield words.say("planning.may_hold_all", ac=answered.stages[0].re - 1)
        return
    good, half, bad = answered.qualities
    if bad is None or half is None:
        return
    if answered.model == "hypergeometric":
        yield from _lot_holds(answered, words, of)
        return
    shares = {"tenth": share(answered, bad, words), "half": share(answered, half, words)}
    key = "may_hold_defects" if answered.model == "poisson" else "may_hold"
    yield words.say(f"planning.{key}", lot=of, **shares)
    if good is not None:
        yield words.say("planning.rejected", twentieth=share(answered, good, words))


def _lot_holds(answered: Answer, words: Wording, of: str) -> Iterator[str]:
    found = dict(zip(answered.qualities[::-1], answered.chances[::-1], strict=True))
    for at, (quality, accepted) in enumerate(found.items()):
        if quality:
            yield words.say(
                "planning.may_hold_lot" if at == 0 else "planning.and_lot",
                lot=of,
                share=share(answered, quality, words),
                chance=chance(accepted, words),
            )


def _warnings(answered: Answer, words: Wording, of: str) -> Iterator[str]:
    question, last = answered.ask.question, answered.stages[-1]
    kind = getattr(question, "kind", "single")
    counting = answered.plan.n * answered.ask.conditions.piece_seconds / 3600
    if counting > _CREW_HOURS:
        known = {"time": time(counting, words), "hours": _CREW_HOURS}
        yield words.say("planning.hopeless", pieces=answered.plan.n, **known)
    if kind != "single" and isinstance(answered.plan, SinglePlan):
        yield words.say("planning.single_instead", kind=kind)
    if last.ac is not None and last.re > last.ac + 1:
        ends = {"first": last.ac + 1, "last": last.re - 1}
        yield words.say("planning.gap", count=last.re - 1 - last.ac, **ends)
    if isinstance(question, ByAql) and question.inspection != "normal":
        yield words.say("planning.switching")
    if isinstance(question, ByClaim):
        yield words.say("planning.proves_random")
    yield from _effects(answered, words, of)
    yield words.say("planning.food_safety")


def _effects(answered: Answer, words: Wording, of: str) -> Iterator[str]:
    """What inspectors' misses and unlike totes do to the quality that passes one time in ten."""
    told, bad = answered.ask.conditions, answered.qualities[-1]
    if bad is None or answered.model == "poisson":
        return
    tenth = share(answered, bad, words)
    rows = (float(each) for each in answered.risks.p)  # where the table has the same, of its row
    bad = next((each for each in rows if share(answered, each, words) == tenth), bad)
    erring = by_inspectors(answered.plan, bad, told)
    if erring is not None:
        yield words.say(
            "planning.inspectors",
            lot=of,
            tenth=tenth,
            sensitivity=words.per_cent(told.sensitivity),
            specificity=words.per_cent(told.specificity),
            chance=chance(float(erring), words),
        )
    differing = in_totes(answered.plan, bad, told)
    if differing is not None:
        yield words.say(
            "planning.in_totes",
            count=told.from_totes,
            tenth=tenth,
            correlation=words.number(told.correlation),
            chance=chance(float(differing), words),
        )


def _work(answered: Answer, words: Wording, of: str) -> Iterator[str]:
    work, told, plan = answered.work, answered.ask.conditions, answered.plan
    proves = isinstance(answered.ask.question, ByClaim)
    known = {
        "pieces": words.count(work.pieces),
        "time": time(work.hours, words),
        "piece_seconds": words.number(told.piece_seconds),
        "tote_seconds": words.number(told.tote_seconds),
        "lot": words.say("planning.all_claimed") if proves else of,
    }
    if work.lots is None:
        yield words.say("planning.work", **known)
    else:
        total = words.count(work.lots * work.pieces)
        yield words.say("planning.work_shift", lots=work.lots, total=total, **known)
    at = per_cent(answered.at, words)
    if not isinstance(plan, SinglePlan) and answered.model != "poisson":
        yield words.say("planning.work_average", at=at, most=plan.n)
    limit = answered.aoql
    if work.sorted_pieces is None or work.sorted_hours is None or answered.inspect_all:
        return
    if limit is not None:
        yield words.say(
            "planning.work_sorting",
            pieces=words.count(work.sorted_pieces),
            time=time(work.sorted_hours, words),
            at=at,
            aoql=per_cent(limit.value, words),
            worst=per_cent(limit.at, words),
        )


def time(hours: float, words: Wording) -> str:
    """How long something takes: minutes under an hour, else hours."""
    if hours < 1:
        return words.say("planning.minutes", count=f"{max(60 * hours, 1):.0f}")
    shown = words.number(hours, ".1f") if hours < 100 else words.count(hours)
    return words.say("planning.hours", count=shown)
