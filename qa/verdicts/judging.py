"""Audits in the order they were pulled, folded into decisions: samples, plans, switching.

Each class is judged by its plan on its own count; one class that rejects rejects the lot. A sample
is judged once, when it has as many pieces as its plans ask; what is pulled after that begins
another. The plans of a sample are those in force when its first pieces were pulled.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from functools import cache
from typing import Any, NamedTuple

from qa import plans
from qa.errors import InvalidInput
from qa.plans import LotResult, Switching, switching
from qa.plans.standard import Plan
from qa.programme import TOGETHER, Category, ClassPlan, Programme, lot_size
from qa.wording import Wording, utc

Programmes = Programme | Mapping[int, Programme]
Record = Mapping[str, Any]
STOPPED = "discontinued"
USED_AGAIN = timedelta(days=7)  # after so long without an audit, a lot's code is another lot's
_WORST_FIRST = ("reject", "pull more", "not judged", "accept")


class Stream(NamedTuple):
    """What is inspected by one switching state: a class of defect, of a product, on a lane."""

    site: str
    lane: str
    product: str
    severity: str


class Decision(NamedTuple):
    """What one sample says: the verdict, the figures in words, and pieces still to pull."""

    verdict: str
    why: str
    more: int = 0
    inspection: str = "normal"


class _Asked(NamedTuple):
    """A class's plan, and the inspection it belongs to."""

    of_class: ClassPlan
    plan: Plan
    inspection: str
    several: bool  # totes of one lot: pieces add up over audits


class _Case(NamedTuple):
    """All that a class's decision rests on; many lots are alike, and are worded once."""

    version: int
    severity: str
    asked: _Asked
    inspected: int
    found: int


class _Stage(NamedTuple):
    """Where a count stands: numbers of the last sample reached, pieces of it and of the next."""

    at: int
    pieces: int
    accepts: int | None
    re: int
    following: int | None


@dataclass(slots=True)
class _Sample:
    """Pieces pulled so far towards one decision, and the plans that they were pulled for.

    The programme is that of its first pieces: a later version never rewrites what was asked.
    """

    version: int
    programme: Programme
    asked: dict[str, _Asked]
    inspected: int = 0
    counts: dict[str, int] = field(default_factory=dict)
    scheduled: bool = True

    def add(self, audit: Record) -> None:
        self.inspected += int(audit["inspected"])
        self.scheduled = self.scheduled and audit["purpose"] == "routine"
        for code in self.programme.category_codes:
            self.counts[code] = self.counts.get(code, 0) + int(audit.get(code, 0))

    def found(self, categories: Iterable[str]) -> int:
        """Pieces of some categories together."""
        return sum(self.counts.get(code, 0) for code in categories)


@dataclass(slots=True)
class Case:
    """One lot as it stands: its audits, its open samples, and what was decided last."""

    audits: list[Record] = field(default_factory=list)
    samples: dict[object, _Sample] = field(default_factory=dict)
    standing: Decision = field(default_factory=lambda: Decision("pull more", ""))
    failed: bool = False
    failed_at: Any = None
    first_decided: bool = False
    original: Decision | None = None
    switched: str = ""

    def ended(self, audit: Record) -> bool:
        """Whether an audit of the same code must be of another lot: long after, or elsewhere."""
        last = self.audits[-1]
        return bool(
            last["lane"] != audit["lane"] or audit["pulled_at"] - last["pulled_at"] > USED_AGAIN
        )


class Judge:
    """Takes audits one at a time, in the order they were pulled, and keeps what follows.

    Parameters
    ----------
    programmes : Programme, or mapping of version to Programme
    words : Wording
    resumed : mapping of (site, lane) to moments
        When the cause of a stop was put right.
    """

    def __init__(
        self,
        programmes: Programmes,
        words: Wording,
        resumed: Mapping[tuple[str, str], Sequence[Any]] | None = None,
    ) -> None:
        self.programmes = programmes
        self.words = words
        self.lots: dict[tuple[str, str, int], Case] = {}
        self._coded: dict[tuple[str, str], list[Case]] = {}
        self.states: dict[Stream, Switching] = {}
        self._resumed = {lane: sorted(moments) for lane, moments in (resumed or {}).items()}
        self._said: dict[_Case, Decision] = {}
        self._stopped_at: dict[Stream, Any] = {}

    def programme(self, version: int) -> Programme:
        """The programme of a version."""
        if isinstance(self.programmes, Programme):
            return self.programmes
        if version not in self.programmes:
            known = ", ".join(str(each) for each in self.programmes)
            raise InvalidInput(f"programmes must hold every version used ({known}), got {version}")
        return self.programmes[version]

    def take(self, audit: Record) -> None:
        """One more audit, pulled after all that were taken before."""
        lot = self._lot(audit)
        lot.audits.append(audit)
        programme = self.programme(audit["programme"])
        stream = _stream(audit, programme)
        if stream not in lot.samples:
            self.resume(audit["site"], audit["lane"], audit["pulled_at"])
            asked = self._asked(audit, programme)
            lot.samples[stream] = _Sample(audit["programme"], programme, asked)
        sample = lot.samples[stream]
        sample.add(audit)
        decision = self._decide(sample)
        if decision.verdict != "pull more":
            del lot.samples[stream]  # decided once: what is pulled from now on is another sample
            if stream == "first" and not lot.first_decided:
                lot.first_decided = True
                if sample.scheduled:
                    lot.switched = self._switch(sample, audit)
        if isinstance(stream, tuple) and decision.verdict != "reject":
            decision = self._aside(lot, sample, decision)
        elif audit["purpose"] != "re-audit" and not lot.failed:
            lot.original = decision
        lot.failed = lot.failed or decision.verdict == "reject"
        standing = self._standing(lot, decision, audit)
        if decision.verdict == "reject":
            lot.failed_at = audit["pulled_at"]
        elif standing.verdict == "accept":
            lot.failed_at = None
        lot.standing = standing

    def _lot(self, audit: Record) -> Case:
        """The lot of an audit: the last of its code, or a new one where the code is used again."""
        code = audit["site"], audit["lot"]
        cases = self._coded.setdefault(code, [])
        if not cases or (audit["purpose"] != "re-audit" and cases[-1].ended(audit)):
            cases.append(self.lots.setdefault((*code, len(cases)), Case()))
        return cases[-1]

    def _aside(self, lot: Case, sample: _Sample, decision: Decision) -> Decision:
        """A tote pulled for cause may reject a lot of many totes; else the schedule's word stands.

        It makes up for none of the pieces that the schedule has still to pull.
        """
        if lot.standing.why:
            return lot.standing
        more = max(each.plan.first for each in sample.asked.values())
        return Decision("pull more", self.words.say("verdict.aside", why=decision.why), more)

    def state(self, stream: Stream, programme: Programme) -> Switching | None:
        """The switching state of a stream; None where its class is not switched."""
        of_class = programme.plans[stream.severity]
        if of_class.aql is None or programme.switching == "none":
            return None
        kept = self.states.get(stream)
        if kept is None or (kept.aql, kept.rule) != (of_class.aql, programme.switching):
            fresh = switching.start(
                of_class.aql, rule=programme.switching, reduced_wanted=programme.reduced
            )
            # A new AQL or rule counts afresh, and lets no lane off what it has not earned.
            kept = (
                fresh
                if kept is None
                else replace(
                    fresh, inspection=kept.inspection, reason=kept.reason, figures=kept.figures
                )
            )
        elif kept.reduced_wanted != programme.reduced:
            kept = replace(kept, reduced_wanted=programme.reduced)
        self.states[stream] = kept
        return kept

    def resume(self, site: str, lane: str, until: Any) -> None:
        """Stopped inspection starts again where its cause was put right; `until` None for all."""
        moments = self._resumed.get((site, lane), [])
        while moments and (until is None or moments[0] <= until):
            moment = moments.pop(0)
            for stream, state in self.states.items():
                here = (stream.site, stream.lane) == (site, lane)
                if here and state.inspection == STOPPED and moment >= self._stopped_at[stream]:
                    self.states[stream] = switching.resumed(state)

    def _asked(self, audit: Record, programme: Programme) -> dict[str, _Asked]:
        asked = {}
        for severity in classes(programme):
            stream = Stream(audit["site"], audit["lane"], audit["product"], severity)
            state = self.state(stream, programme)
            inspection = state.inspection if state else "normal"
            again = audit["purpose"] == "re-audit"
            if again:  # a lot that failed is never let off lightly
                inspection = {"reduced": "normal", STOPPED: "tightened"}.get(inspection, inspection)
            table = "tightened" if inspection == STOPPED else inspection
            plan = class_plan(programme, severity, audit["lane"], audit["shift"], table)
            several = programme.lot == "lane_shift"
            asked[severity] = _Asked(programme.plans[severity], plan, inspection, several)
        return asked

    def _decide(self, sample: _Sample) -> Decision:
        """What a sample says under every class's plan."""
        by_class = []
        for severity, categories in classes(sample.programme).items():
            case = _Case(
                sample.version,
                severity,
                sample.asked[severity],
                sample.inspected,
                sample.found(categories),
            )
            if case not in self._said:
                self._said[case] = self._class(case)
            by_class.append(self._said[case])
        verdict = min((each.verdict for each in by_class), key=_WORST_FIRST.index)
        speaking = [each for each in by_class if each.verdict == verdict]
        why = "; ".join(each.why for each in speaking)
        strictest = max((each.inspection for each in speaking), key=_STRICTNESS.index)
        return Decision(verdict, why, max(each.more for each in speaking), strictest)

    def _class(self, case: _Case) -> Decision:
        programme = self.programme(case.version)
        names = list(classes(programme)[case.severity].values())
        stage = _stage(case.asked, case.inspected)
        reached = case.inspected >= stage.pieces
        last = stage.following is None
        accepts = stage.re - 1 if last else stage.accepts
        key, more, verdict = "counted", 0, "accept"
        if case.found >= stage.re:
            verdict = "reject"
            key = "counted_early" if not reached else "counted" if last else "counted_rejects"
        elif not reached:
            verdict, key, more = "pull more", "counted_short", stage.pieces - case.inspected
        elif not last and (accepts is None or case.found > accepts):
            verdict, key = "pull more", "counted_between"
            more = (stage.following or 0) - case.inspected
        elif case.asked.inspection == STOPPED:
            verdict, key = "not judged", "counted_stopped"
        why = self.words.say(
            f"verdict.{key}",
            count=case.found,
            inspected=case.inspected,
            categories=self.words.listed(names, "or"),
            n=stage.pieces,
            ac=stage.re - 1 if accepts is None else accepts,
            re=stage.re,
        )
        if case.asked.inspection in ("tightened", "reduced"):
            why = self.words.say(f"verdict.{case.asked.inspection}", why=why)
        return Decision(verdict, why, more, case.asked.inspection)

    def _switch(self, sample: _Sample, audit: Record) -> str:
        """Every class's state after a lot's first sample; what changed, as sentences.

        A class is told its own result: one that accepts is not charged with another's rejection.
        """
        told = []
        for severity, categories in classes(sample.programme).items():
            stream = Stream(audit["site"], audit["lane"], audit["product"], severity)
            state = self.state(stream, sample.programme)
            result = _result(sample, severity, sample.found(categories), audit)
            if state is None or result is None:
                continue
            now = switching.after(state, result)
            self.states[stream] = now
            if now.switched:
                told.append(told_switch(self.words, stream, now))
                if now.inspection == STOPPED:
                    self._stopped_at[stream] = audit["pulled_at"]
        return " ".join(told)

    def _standing(self, lot: Case, now: Decision, audit: Record) -> Decision:
        """What stands of the lot after one more decision."""
        before = lot.standing
        if now.verdict == "reject":
            return self._told(now, audit)
        if lot.failed_at is None:
            return before if before.verdict == "accept" else self._told(now, audit)
        if audit["purpose"] != "re-audit":
            return before
        if now.verdict == "pull more":
            why = self.words.say("verdict.re_audit_short", why=before.why, short=now.why)
            return before._replace(why=why)
        if audit["re_sorted_at"] > lot.failed_at:
            return self._told(now, audit)
        when = self._when(audit["pulled_at"], audit)
        why = self.words.say("verdict.not_overturned", why=before.why, when=when)
        return before._replace(why=why)

    def _told(self, decision: Decision, audit: Record) -> Decision:
        if audit["purpose"] != "re-audit":
            return decision
        when = self._when(audit["re_sorted_at"], audit)
        return decision._replace(why=self.words.say("verdict.again", when=when, why=decision.why))

    def _when(self, moment: Any, audit: Record) -> str:
        return self.words.moment(utc(moment), self.programme(audit["programme"]).zone)


_STRICTNESS = ("reduced", "normal", "tightened", STOPPED)


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


def class_plan(
    programme: Programme, severity: str, lane: str, shift: str, inspection: str = "normal"
) -> Plan:
    """The plan of a class for the lots of a lane and shift, under an inspection.

    A critical class accepts on 0, whatever its AQL would allow.
    """
    size = lot_size(programme, lane, shift)
    return _class_plan(programme.plans[severity], size, inspection)


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


def _stage(asked: _Asked, inspected: int) -> _Stage:
    """The numbers that a count of so many pieces is held against."""
    stages = _stages(asked.plan)
    at = max((at for at, stage in enumerate(stages) if stage[0] <= inspected), default=0)
    pieces, ac, re = stages[at]
    following = stages[at + 1][0] if at + 1 < len(stages) else None
    if isinstance(asked.plan, plans.SinglePlan) and inspected > pieces:
        ac, re = _beyond(asked, asked.plan, inspected)
    return _Stage(at, pieces, ac, re, following)


@cache
def _beyond(asked: _Asked, plan: plans.SinglePlan, inspected: int) -> tuple[int, int]:
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


def _result(sample: _Sample, severity: str, found: int, audit: Record) -> LotResult | None:
    """What a class's first sample tells the switching rules; None where it did not decide."""
    asked, inspected = sample.asked[severity], sample.inspected
    stage = _stage(asked, inspected)
    accepted = found < stage.re
    if accepted and (inspected < stage.pieces or _goes_on(stage, found)):
        return None
    if asked.inspection == STOPPED:
        return LotResult(accepted, inspected, found)
    in_gap = accepted and stage.following is None and found > (stage.accepts or 0)
    points = 0
    if accepted and sample.programme.switching == "iso_2859_1":
        tighter = _tighter(asked, inspected, sample.programme, audit)
        points = switching.points(asked.plan, found, stage.at + 1, tighter) or 0
    return LotResult(accepted, inspected, found, in_gap, points)


def _goes_on(stage: _Stage, found: int) -> bool:
    return stage.following is not None and (stage.accepts is None or found > stage.accepts)


def _tighter(
    asked: _Asked, inspected: int, programme: Programme, audit: Record
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


def _stream(audit: Record, programme: Programme) -> object:
    """Audits that are one sample together: those before any re-sort, those after each.

    In a lot of many totes a tote pulled for cause is a sample of its own: it may reject the lot
    and never makes up for what the schedule has not pulled.
    """
    if audit["purpose"] == "re-audit":
        return audit["re_sorted_at"]
    if programme.lot == "lane_shift" and audit["purpose"] == "for-cause":
        return "for-cause", audit["tote"]
    return "first"
