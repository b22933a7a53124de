"""Audits in the order they were pulled, folded into decisions: samples, plans, switching.

Each class is judged by its plan on its own count; one class that rejects rejects the lot. A sample
is judged once, when it has as many pieces as its plans ask; what is pulled after that begins
another. The plans of a sample are those in force when its first pieces were pulled.
"""

from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import replace
from functools import lru_cache
from typing import Any, NamedTuple

from qa.errors import InvalidInput
from qa.plans import LotResult, Switching, switching
from qa.programme import Programme
from qa.verdicts.cases import Asking, Case, Decision, Lot, Record, Sample, Standing, seen
from qa.verdicts.numbers import STOPPED, Asked, class_plan, classes, result, stage_of
from qa.verdicts.telling import Stream, told_switch
from qa.wording import Wording, utc

Programmes = Programme | Mapping[int, Programme]
JUDGING = ("routine", "for-cause", "re-audit")  # purposes of audits that judge a lot
_WORST_FIRST = ("reject", "pull more", "not judged", "accept")


class _Counted(NamedTuple):
    """All that a class's decision rests on; many lots are alike, and are worded once."""

    version: int
    severity: str
    asked: Asked
    inspected: int
    found: int


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
        self.lots: dict[Lot, Case] = {}
        self.states: dict[Stream, Switching] = {}
        self._coded: dict[tuple[str, str], int] = {}
        self._resumed = {lane: sorted(moments) for lane, moments in (resumed or {}).items()}
        self.stopped_at: dict[Stream, Any] = {}
        self._plans: dict[object, Asking] = {}
        self._said: dict[_Counted, Decision] = {}
        self._decided: dict[object, Decision] = {}
        self._results: dict[object, tuple[LotResult | None, ...]] = {}

    def programme(self, version: int) -> Programme:
        """The programme of a version."""
        if isinstance(self.programmes, Programme):
            return self.programmes
        if version not in self.programmes:
            known = ", ".join(str(each) for each in self.programmes)
            raise InvalidInput(f"programmes must hold every version used ({known}), got {version}")
        return self.programmes[version]

    def standing(self) -> Standing:
        """What the next audit rests on, besides its lot."""
        left = {lane: list(moments) for lane, moments in self._resumed.items()}
        return Standing(dict(self.states), dict(self.stopped_at), left)

    def at(self, standing: Standing) -> "Judge":
        """Another that judges as this one does, from where a replay stood."""
        other = copy(self)
        other.states, other.stopped_at = dict(standing.states), dict(standing.stopped_at)
        other._resumed = {lane: list(moments) for lane, moments in standing.resumed.items()}
        return other

    def put_right(self, resumed: Mapping[tuple[str, str], Sequence[Any]], after: Any) -> None:
        """Learn anew when causes were put right after a moment; None for always."""
        for lane in {**self._resumed, **resumed}:
            known = self._resumed.get(lane, [])
            left = [each for each in known if after is not None and each <= after]
            more = [each for each in resumed.get(lane, ()) if after is None or each > after]
            self._resumed[lane] = sorted(left + more)

    def next_put_right(self, site: str, lane: str) -> Any:
        """When a cause on a lane was put right next; None where no moment is left."""
        return next(iter(self._resumed.get((site, lane), ())), None)

    def take(self, audit: Record) -> None:
        """One more audit, pulled after all that were taken before."""
        self.add(self._lot(audit), audit)

    def begins(self, lot: Case, audit: Record) -> bool:
        """Whether an audit begins a sample of its lot."""
        return _stream(audit, self.programme(audit["programme"])) not in lot.samples

    def add(self, lot: Case, audit: Record) -> None:
        """One more audit of a lot."""
        programme = self.programme(audit["programme"])
        stream = _stream(audit, programme)
        if stream not in lot.samples:
            self.resume(audit["site"], audit["lane"], audit["pulled_at"])
            asking = self._asked(audit, programme)
            lot.samples[stream] = Sample(audit["programme"], programme, asking)
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
        lot.audits.append(seen(audit, standing))

    def _lot(self, audit: Record) -> Case:
        """The lot of an audit: the last of its code, or a new one where the code is used again."""
        code = audit["site"], audit["lot"]
        number = self._coded.get(code, 0)
        if number:
            lot = self.lots[(*code, number - 1)]
            if audit["purpose"] == "re-audit" or not lot.ended(audit):
                return lot
        self._coded[code] = number + 1
        return self.lots.setdefault((*code, number), Case(len(self.lots)))

    def _aside(self, lot: Case, sample: Sample, decision: Decision) -> Decision:
        """A tote pulled for cause may reject a lot of many totes; else the schedule's word stands.

        It makes up for none of the pieces that the schedule has still to pull.
        """
        if lot.standing.why:
            return lot.standing
        more = max(each.plan.first for each in sample.asking.asked.values())
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
                if here and state.inspection == STOPPED and moment >= self.stopped_at[stream]:
                    self.states[stream] = switching.resumed(state)

    def _asked(self, audit: Record, programme: Programme) -> Asking:
        lane, shift, again = audit["lane"], audit["shift"], audit["purpose"] == "re-audit"
        held = []
        for severity in classes(programme):
            stream = Stream(audit["site"], lane, audit["product"], severity)
            state = self.state(stream, programme)
            inspection = state.inspection if state else "normal"
            if again:  # a lot that failed is never let off lightly
                inspection = {"reduced": "normal", STOPPED: "tightened"}.get(inspection, inspection)
            held.append(inspection)
        key = (audit["programme"], lane, shift, *held)
        if key not in self._plans:
            asked = {}
            for severity, inspection in zip(classes(programme), held, strict=True):
                table = "tightened" if inspection == STOPPED else inspection
                plan = class_plan(programme, severity, lane, shift, table)
                several = programme.lot == "lane_shift"
                asked[severity] = Asked(programme.plans[severity], plan, inspection, several)
            self._plans[key] = Asking(key, asked, classes(programme))
        return self._plans[key]

    def _decide(self, sample: Sample) -> Decision:
        """What a sample says under every class's plan; samples that are alike are decided once."""
        found = sample.found
        key = sample.asking.key, sample.inspected, found
        if key not in self._decided:
            self._decided[key] = self._decision(sample, found)
        return self._decided[key]

    def _decision(self, sample: Sample, found: Sequence[int]) -> Decision:
        by_class = []
        for (severity, asked), count in zip(sample.asking.asked.items(), found, strict=True):
            case = _Counted(sample.version, severity, asked, sample.inspected, count)
            if case not in self._said:
                self._said[case] = self._class(case)
            by_class.append(self._said[case])
        verdict = min((each.verdict for each in by_class), key=_WORST_FIRST.index)
        speaking = [each for each in by_class if each.verdict == verdict]
        why = "; ".join(each.why for each in speaking)
        strictest = max((each.inspection for each in speaking), key=_STRICTNESS.index)
        return Decision(verdict, why, max(each.more for each in speaking), strictest)

    def _class(self, case: _Counted) -> Decision:
        programme = self.programme(case.version)
        names = list(classes(programme)[case.severity].values())
        stage = stage_of(case.asked, case.inspected)
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

    def _switch(self, sample: Sample, audit: Record) -> str:
        """Every class's state after a lot's first sample; what changed, as sentences.

        A class is told its own result: one that accepts is not charged with another's rejection.
        """
        told = []
        results = self._told_results(sample, audit)
        for severity, lot in zip(sample.asking.classes, results, strict=True):
            stream = Stream(audit["site"], audit["lane"], audit["product"], severity)
            state = self.state(stream, sample.programme)
            if state is None or lot is None:
                continue
            now = _after(state, lot)
            self.states[stream] = now
            if now.switched:
                told.append(told_switch(self.words, stream, now))
                if now.inspection == STOPPED:
                    self.stopped_at[stream] = audit["pulled_at"]
        return " ".join(told)

    def _told_results(self, sample: Sample, audit: Record) -> tuple[LotResult | None, ...]:
        """What a first sample tells the switching rules of each class."""
        asking, n, found = sample.asking, sample.inspected, sample.found
        # The lot's size, which a result may rest on, is that of the lane and shift of this audit.
        key = asking.key, audit["lane"], audit["shift"], n, found
        if key not in self._results:
            self._results[key] = tuple(
                result(asked, n, count, sample.programme, audit)
                for asked, count in zip(asking.asked.values(), found, strict=True)
            )
        return self._results[key]

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


# Most lots change a state as others did before them.
_after = lru_cache(maxsize=100_000)(switching.after)
_STRICTNESS = ("reduced", "normal", "tightened", STOPPED)


def stream_kind(purpose: str, programme: Programme) -> str:
    """Which audits of a lot are one sample together.

    Those of a re-sort ("again"), those before any ("first"). In a lot of many totes a tote pulled
    for cause is a sample of its own ("aside"): it may reject the lot and never makes up for what
    the schedule has not pulled.
    """
    if purpose == "re-audit":
        return "again"
    return "aside" if programme.lot == "lane_shift" and purpose == "for-cause" else "first"


def _stream(audit: Record, programme: Programme) -> object:
    """What names the sample of a lot that an audit belongs to."""
    kind = stream_kind(audit["purpose"], programme)
    if kind == "again":
        return audit["re_sorted_at"]
    return (kind, audit["tote"]) if kind == "aside" else kind
