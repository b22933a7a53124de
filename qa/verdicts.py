"""What happens to each lot: audits and the programme's plans to a verdict, and why, in words.

A verdict speaks of workmanship only. A lot is a tote, or all totes of a lane and shift. Each class
is judged by its plan on the sum of its categories' counts; one class that rejects rejects the lot.
An audit with fewer pieces than the plan asks is completed by the next pull. Nothing but a re-audit
after a later re-sort, itself accepting, overturns a failure; a food-safety finding locks its tote
and the audited totes beside it whatever the sample says.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from operator import attrgetter
from typing import Any, NamedTuple

import pandas as pd

from qa import plans
from qa._validate import checked_columns
from qa.audit import Audit
from qa.errors import InvalidInput
from qa.programme import ClassPlan, Programme, lot_size, production_day_and_shift
from qa.tally import checked, from_audits
from qa.wording import Wording, load, utc

JUDGING = ("routine", "for-cause", "re-audit")
FINDING = ("site", "lane", "tote", "found_at", "what")
Programmes = Programme | Mapping[int, Programme]


@dataclass(frozen=True, slots=True)
class LotVerdict:
    """What happens to one lot.

    Attributes
    ----------
    totes, inspected : int
        Totes and pieces of the audits that judge it.
    verdict : str
        "accept", "reject" or "pull more"; of workmanship. "not judged" only where the audit asked
        about is one that judges no lot.
    floor : str
        "release" (from this check, never leave to ship), "hold" or "locked"; "" if not judged.
    why : str
        The figures, as a sentence.
    next : str
        What to do next, as a sentence.
    last_pulled_at : datetime or None
        UTC.
    """

    lot: str
    day: Any
    shift: str
    lane: str
    totes: int
    inspected: int
    verdict: str
    floor: str
    why: str
    next: str
    last_pulled_at: Any


COLUMNS = tuple(each.name for each in fields(LotVerdict))
_values = attrgetter(*COLUMNS)


def lots(
    tallies: pd.DataFrame,
    programmes: Programmes,
    findings: pd.DataFrame | None = None,
    *,
    language: str = "en",
) -> pd.DataFrame:
    """The verdict of every lot, in the order in which the lots began.

    Parameters
    ----------
    tallies : tally
    programmes : Programme, or mapping of version to Programme
        Each audit is judged by the version in force when it was pulled.
    findings : DataFrame, optional
        Food-safety findings, columns `FINDING`; where there is a ``lifted_at``, those that have
        one lock no more.
    language : str

    Returns
    -------
    DataFrame
        A row a lot, columns `COLUMNS`.

    Raises
    ------
    InvalidInput
        If a version is missing.
    """
    rows = checked(tallies).sort_values("pulled_at", kind="stable")
    judge = _Judge(programmes, load(language))
    groups: dict[_Lot, list[dict[str, Any]]] = {}
    for record in rows[rows["purpose"].isin(JUDGING)].to_dict("records"):
        audit = {str(name): value for name, value in record.items()}
        groups.setdefault(_Lot(audit["site"], audit["lot"]), []).append(audit)
    verdicts = {lot: judge.lot(audits) for lot, audits in groups.items()}
    if findings is not None:
        for lot, locked in _locks(rows, findings, judge):
            verdicts[lot] = replace(locked, **_kept(verdicts.get(lot)))
    table = pd.DataFrame([_values(each) for each in verdicts.values()], columns=list(COLUMNS))
    return table.assign(last_pulled_at=pd.to_datetime(table["last_pulled_at"], utc=True))


def of_audit(
    audit: Audit,
    earlier: pd.DataFrame,
    programme: Programme,
    findings: pd.DataFrame | None = None,
    *,
    language: str = "en",
) -> LotVerdict:
    """The verdict of one audit's lot as the audit leaves it, and what to do next.

    Parameters
    ----------
    audit : Audit
    earlier : tally
        Audits recorded before; those of its lot count, those of its lane tell its neighbours.
    programme : Programme
        The version in force when `audit` was pulled, also taken for the earlier ones.
    findings : DataFrame, optional
        As for `lots`.
    """
    if audit.purpose not in JUDGING:
        return _not_judged(audit, load(language))
    this = from_audits([audit], programme)
    before = earlier[(earlier["lane"] == audit.lane) & (earlier["key"] != audit.key)]
    together = pd.concat([before, this]) if len(before) else this
    table = lots(together, programme, findings, language=language)
    row = table[table["lot"] == audit.lot].iloc[-1].to_dict()
    return LotVerdict(**{str(name): value for name, value in row.items()})


class _Lot(NamedTuple):
    site: str
    lot: str


class _Decision(NamedTuple):
    """What one sample says: the verdict, the figures in words, and pieces still to pull."""

    verdict: str
    why: str
    more: int = 0


class _Case(NamedTuple):
    """All that a class's decision rests on; many lots are alike, and are worded once."""

    version: int
    severity: str
    plan: plans.SinglePlan
    inspected: int
    found: int


@dataclass(slots=True)
class _Sample:
    """Pieces pulled so far towards one decision."""

    inspected: int = 0
    counts: dict[str, int] = field(default_factory=dict)

    def add(self, audit: Mapping[str, Any], categories: Sequence[str]) -> None:
        self.inspected += int(audit["inspected"])
        for code in categories:
            self.counts[code] = self.counts.get(code, 0) + int(audit[code])


class _Judge:
    """The plans of a programme's versions, and the words that a decision is told in."""

    def __init__(self, programmes: Programmes, words: Wording) -> None:
        self.programmes = programmes
        self.words = words
        self._plans: dict[tuple[int, str, str, str], plans.SinglePlan] = {}
        self._said: dict[_Case, _Decision] = {}

    def programme(self, version: int) -> Programme:
        if isinstance(self.programmes, Programme):
            return self.programmes
        if version not in self.programmes:
            known = ", ".join(str(each) for each in self.programmes)
            raise InvalidInput(f"programmes must hold every version used ({known}), got {version}")
        return self.programmes[version]

    def lot(self, audits: Sequence[Mapping[str, Any]]) -> LotVerdict:
        """The verdict of one lot from the audits that judge it, in the order they were pulled."""
        samples: dict[object, _Sample] = {}
        standing = _Decision("pull more", "")
        failed_at = None
        for audit in audits:
            programme = self.programme(audit["programme"])
            stream = _stream(audit, programme)
            sample = samples.setdefault(stream, _Sample())
            sample.add(audit, programme.category_codes)
            decision = self.decide(sample, audit, programme)
            if programme.lot == "tote" and decision.verdict != "pull more":
                del samples[stream]  # decided: what is pulled from now on is another sample
            standing = self._standing(standing, decision, audit, failed_at)
            if decision.verdict == "reject":
                failed_at = audit["pulled_at"]
            elif standing.verdict == "accept":
                failed_at = None
        return self._row(audits, standing)

    def decide(self, sample: _Sample, audit: Mapping[str, Any], programme: Programme) -> _Decision:
        """What a sample says under every class's plan."""
        by_class = []
        for severity, categories in _classes(programme).items():
            count = sum(sample.counts.get(code, 0) for code in categories)
            plan = self._plan(programme, severity, audit)
            case = _Case(audit["programme"], severity, plan, sample.inspected, count)
            if case not in self._said:
                self._said[case] = self._class(case)
            by_class.append(self._said[case])
        verdict = min((each.verdict for each in by_class), key=_WORST_FIRST.index)
        speaking = [each for each in by_class if each.verdict == verdict]
        why = "; ".join(each.why for each in speaking)
        return _Decision(verdict, why, max(each.more for each in speaking))

    def _class(self, case: _Case) -> _Decision:
        programme, (_, severity, plan, inspected, count) = self.programme(case.version), case
        names = list(_classes(programme)[severity].values())
        figures: dict[str, Any] = {
            "count": count,
            "inspected": inspected,
            "categories": self.words.listed(names, "or"),
            "n": plan.n,
            "ac": plan.ac,
        }
        if inspected < plan.n:
            if count > plan.ac:
                return _Decision("reject", self.words.say("verdict.counted_early", **figures))
            why = self.words.say("verdict.counted_short", **figures)
            return _Decision("pull more", why, plan.n - inspected)
        figures["ac"] = _acceptance_number(plan, programme.plans[severity], inspected)
        verdict = "accept" if count <= figures["ac"] else "reject"
        return _Decision(verdict, self.words.say("verdict.counted", **figures))

    def _plan(
        self, programme: Programme, severity: str, audit: Mapping[str, Any]
    ) -> plans.SinglePlan:
        key = (audit["programme"], severity, audit["lane"], audit["shift"])
        if key not in self._plans:
            of_class = programme.plans[severity]
            self._plans[key] = _class_plan(of_class, lot_size(programme, key[2], key[3]))
        return self._plans[key]

    def _standing(
        self, before: _Decision, now: _Decision, audit: Mapping[str, Any], failed_at: Any
    ) -> _Decision:
        """What stands of the lot after one more decision."""
        if now.verdict == "reject":
            return self._told(now, audit)
        if failed_at is None:
            return before if before.verdict == "accept" else self._told(now, audit)
        if audit["purpose"] != "re-audit":
            return before
        if now.verdict == "pull more":
            why = self.words.say("verdict.re_audit_short", why=before.why, short=now.why)
            return before._replace(why=why)
        if audit["re_sorted_at"] > failed_at:
            return self._told(now, audit)
        when = self._when(audit["pulled_at"], self.programme(audit["programme"]))
        why = self.words.say("verdict.not_overturned", why=before.why, when=when)
        return before._replace(why=why)

    def _told(self, decision: _Decision, audit: Mapping[str, Any]) -> _Decision:
        if audit["purpose"] != "re-audit":
            return decision
        when = self._when(audit["re_sorted_at"], self.programme(audit["programme"]))
        return decision._replace(why=self.words.say("verdict.again", when=when, why=decision.why))

    def _when(self, moment: Any, programme: Programme) -> str:
        return self.words.moment(utc(moment), programme.zone)

    def _row(self, audits: Sequence[Mapping[str, Any]], standing: _Decision) -> LotVerdict:
        first = audits[0]
        floor, key = _FLOOR[standing.verdict]
        return LotVerdict(
            lot=first["lot"],
            day=first["day"],
            shift=first["shift"],
            lane=first["lane"],
            totes=len({audit["tote"] for audit in audits}),
            inspected=sum(int(audit["inspected"]) for audit in audits),
            verdict=standing.verdict,
            floor=floor,
            why=standing.why,
            next=self.words.say(f"verdict.next.{key}", count=standing.more),
            last_pulled_at=audits[-1]["pulled_at"],
        )


_WORST_FIRST = ("reject", "pull more", "accept")
_FLOOR = {
    "accept": ("release", "release"),
    "reject": ("hold", "hold"),
    "pull more": ("hold", "pull"),
}


def _class_plan(of_class: ClassPlan, size: int) -> plans.SinglePlan:
    if of_class.aql is None:
        return plans.SinglePlan(of_class.n or 0, of_class.ac or 0)
    return plans.standard(size, of_class.aql, level=of_class.level)


def _acceptance_number(plan: plans.SinglePlan, of_class: ClassPlan, inspected: int) -> int:
    if of_class.aql is None or inspected == plan.n:
        return plan.ac
    found = plans.for_sample(inspected, of_class.aql)
    return plan.ac if found is None else found.ac


def _classes(programme: Programme) -> dict[str, dict[str, str]]:
    """Code and name of the categories of each class."""
    classes: dict[str, dict[str, str]] = {}
    for each in programme.categories:
        classes.setdefault(each.severity, {})[each.code] = each.name
    return classes


def _stream(audit: Mapping[str, Any], programme: Programme) -> object:
    """Audits that are one sample together: those before any re-sort, those after each.

    In a lot of many totes a tote pulled for cause is a sample of its own: it may reject the lot
    and never makes up for what the schedule has not pulled.
    """
    if audit["purpose"] == "re-audit":
        return audit["re_sorted_at"]
    if programme.lot == "lane_shift" and audit["purpose"] == "for-cause":
        return "for-cause", audit["tote"]
    return "first"


def _not_judged(audit: Audit, words: Wording) -> LotVerdict:
    return LotVerdict(
        lot=audit.lot,
        day=audit.day,
        shift=audit.shift,
        lane=audit.lane,
        totes=0,
        inspected=0,
        verdict="not judged",
        floor="",
        why=words.say("verdict.not_judged", purpose=audit.purpose),
        next=words.say("verdict.next.not_judged"),
        last_pulled_at=audit.pulled_at,
    )


def _kept(judged: LotVerdict | None) -> dict[str, Any]:
    """What a lock leaves of a verdict: everything but what the floor does and why."""
    if judged is None:
        return {}
    told = zip(COLUMNS, _values(judged), strict=True)
    return {name: value for name, value in told if name not in ("floor", "why", "next")}


def _locks(
    rows: pd.DataFrame, findings: pd.DataFrame, judge: _Judge
) -> Iterator[tuple[_Lot, LotVerdict]]:
    """Every lot that a finding locks, its own last, so that its own reason is the one told."""
    checked_columns(findings, FINDING, "the food-safety findings")
    if "lifted_at" in findings:
        findings = findings[findings["lifted_at"].isna()]
    order = rows.assign(at=rows["fill_start"].fillna(rows["pulled_at"])).sort_values("at")
    totes = order.drop_duplicates(["site", "lane", "tote"])
    beside, own = [], []
    for finding in findings.to_dict("records"):
        on_lane = totes[(totes["site"] == finding["site"]) & (totes["lane"] == finding["lane"])]
        here = on_lane[on_lane["tote"] == finding["tote"]]
        at = here["at"].iloc[0] if len(here) else pd.Timestamp(finding["found_at"])
        others = on_lane[on_lane["tote"] != finding["tote"]]
        near = [others[others["at"] <= at].tail(1), others[others["at"] > at].head(1)]
        beside += [(finding, row) for each in near for row in each.to_dict("records")]
        own += [(finding, row) for row in here.to_dict("records")] or [(finding, None)]
    programme = judge.programme(int(rows["programme"].max()) if len(rows) else 1)
    for key, pairs in (("locked_beside", beside), ("locked", own)):
        for finding, row in pairs:
            yield _lock(judge, programme, f"verdict.{key}", finding, row)


def _lock(
    judge: _Judge, programme: Programme, key: str, finding: Mapping[Any, Any], row: Any
) -> tuple[_Lot, LotVerdict]:
    found_at = utc(finding["found_at"])
    day, shift = production_day_and_shift(programme, found_at) or (found_at.date(), "")
    lane, tote = finding["lane"], finding["tote"]
    derived = tote if programme.lot == "tote" else f"{day} {shift} {lane}"
    when = judge.words.moment(found_at, programme.zone)
    return _Lot(finding["site"], row["lot"] if row else derived), LotVerdict(
        lot=row["lot"] if row else derived,
        day=row["day"] if row else pd.Timestamp(day),
        shift=row["shift"] if row else shift,
        lane=lane,
        totes=0,
        inspected=0,
        verdict="pull more",
        floor="locked",
        why=judge.words.say(key, tote=tote, lane=lane, when=when, what=finding["what"]),
        next=judge.words.say("verdict.next.locked"),
        last_pulled_at=row["pulled_at"] if row else None,
    )
