"""What people ask of verdicts: every lot's, one audit's, and the inspection in force."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from operator import attrgetter
from typing import Any

import pandas as pd

from qa._validate import checked_columns
from qa.audit import Audit
from qa.plans.standard import Plan
from qa.programme import Programme
from qa.tally import checked, from_audits
from qa.verdicts.back import since
from qa.verdicts.cases import Case, Lot, Seen
from qa.verdicts.holding import Held, held
from qa.verdicts.judging import JUDGING, Judge, Programmes
from qa.verdicts.locks import Lock, locks
from qa.verdicts.numbers import STOPPED, class_plan, classes
from qa.verdicts.telling import Stream, told_back, told_why
from qa.wording import Wording, load

RESUMED = ("site", "lane", "at")


@dataclass(frozen=True, slots=True)
class LotVerdict:
    """What happens to one lot.

    Attributes
    ----------
    totes, inspected : int
        Totes and pieces of the audits that judge it.
    verdict : str
        "accept", "reject" or "pull more"; of workmanship. "not judged" where inspection of the
        lane is stopped, and where the audit asked about is one that judges no lot.
    inspection : str
        The strictest that its classes were judged by: "normal", "tightened", "reduced" or
        "discontinued".
    floor : str
        "release" (from this check, never leave to ship), "hold" or "locked"; "" if the audit
        asked about judges no lot.
    why : str
        The figures, as a sentence.
    next : str
        What to do next, as a sentence.
    more : int
        Pieces still to pull.
    held : tuple of str
        For a rejected lot, the lane's audited totes since its last accepted one.
    hold : str
        What the floor must consider holding with it and how to narrow it, as sentences.
    switched : str
        What this lot changed in the inspection of its lane, as sentences.
    began : datetime or None
        When its first audit was pulled, UTC: tells two lots of one code apart.
    last_pulled_at : datetime or None
        UTC.
    earlier : tuple of Seen
        Its audits but the last, each with how the lot stood after it.
    hold_brief : str
        What `hold` says where a list says once what to consider and how to narrow it.
    """

    site: str
    lot: str
    began: Any
    day: Any
    shift: str
    lane: str
    totes: int
    inspected: int
    verdict: str
    inspection: str
    floor: str
    why: str
    next: str
    more: int
    held: tuple[str, ...]
    hold: str
    switched: str
    last_pulled_at: Any
    earlier: tuple[Seen, ...] = ()
    hold_brief: str = ""

    @property
    def stood(self) -> tuple[tuple[Any, str], ...]:
        """When each of its audits was pulled, and the verdict that stood after it."""
        before = tuple((each.pulled_at, each.stood.verdict) for each in self.earlier)
        return (
            before
            if pd.isna(self.last_pulled_at)
            else (*before, (self.last_pulled_at, self.verdict))
        )

    @property
    def since(self) -> Any:
        """When the audit was pulled that left it as it is, released or not; None without one."""
        return since(self.stood)

    def at(self, moment: datetime, language: str = "en") -> "LotVerdict | None":
        """As it stood at a moment, of audits pulled by then; None where there was none.

        What it is locked by stays, and what an earlier rejection held back is not told.
        """
        if pd.isna(self.last_pulled_at) or self.last_pulled_at <= moment:
            return self
        seen = [each for each in self.earlier if each.pulled_at <= moment]
        return _as_it_stood(load(language), self, seen) if seen else None


COLUMNS = tuple(each.name for each in fields(LotVerdict))
INSPECTION = (
    *("site", "lane", "product", "severity", "inspection"),
    *("plan", "pull", "why", "back", "stopped"),
)
_values = attrgetter(*COLUMNS)


def lots(
    tallies: pd.DataFrame,
    programmes: Programmes,
    findings: pd.DataFrame | None = None,
    resumed: pd.DataFrame | None = None,
    *,
    language: str = "en",
) -> pd.DataFrame:
    """The verdict of every lot, in the order in which the lots began.

    Parameters
    ----------
    tallies : tally
        From the first audit on, where the programme switches inspection: it follows from them.
    programmes : Programme, or mapping of version to Programme
        Each audit is judged by the version in force when it was pulled.
    findings : DataFrame, optional
        Food-safety findings, columns `FINDING`; where there is a ``lifted_at``, those that have
        one lock no more.
    resumed : DataFrame, optional
        When the cause of stopped inspection was put right, columns `RESUMED`.
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
    return lots_and_inspection(tallies, programmes, findings, resumed, language=language)[0]


def lots_and_inspection(
    tallies: pd.DataFrame,
    programmes: Programmes,
    findings: pd.DataFrame | None = None,
    resumed: pd.DataFrame | None = None,
    *,
    language: str = "en",
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What `lots` and `in_force` give, from one replay of the record."""
    rows, judge = _judged(tallies, programmes, resumed, load(language))
    programme = newest(programmes)
    back = held(judge, programme)
    verdicts = {
        lot: verdict_of(judge.words, lot, case, back.get(lot)) for lot, case in judge.lots.items()
    }
    if findings is not None:
        for lock in locks(rows, findings, programme, judge.words):
            put_lock(judge.words, lock, verdicts)
    return table_of(verdicts.values()), inspection_in_force(judge, programme)


def table_of(verdicts: Iterable[LotVerdict]) -> pd.DataFrame:
    """Verdicts as `lots` gives them."""
    table = pd.DataFrame([_values(each) for each in verdicts], columns=list(COLUMNS))
    moments = {name: pd.to_datetime(table[name], utc=True) for name in ("began", "last_pulled_at")}
    return table.assign(**moments)


def put_lock(words: Wording, lock: Lock, verdicts: dict[Lot, LotVerdict]) -> None:
    """Lock the lot that a lock is of, among those of its code at least."""
    lot = _of_lock(lock, verdicts)
    verdicts[lot] = _locked(words, lock, verdicts.get(lot))


def of_audit(
    audit: Audit,
    tallies: pd.DataFrame,
    programmes: Programmes,
    findings: pd.DataFrame | None = None,
    resumed: pd.DataFrame | None = None,
    *,
    language: str = "en",
) -> LotVerdict:
    """The verdict of one audit's lot as the record leaves it, and what to do next.

    Parameters
    ----------
    audit : Audit
    tallies : tally
        The audits recorded; those of its lot count, whenever they were pulled, and those of its
        lane tell its neighbours and the inspection in force. Where `audit` is not among them it
        is added, under the newest version of the programme.
    programmes, findings, resumed
        As for `lots`.
    """
    if audit.purpose not in JUDGING:
        return not_judged(audit, load(language))
    here = tallies[(tallies["site"] == audit.site) & (tallies["lane"] == audit.lane)]
    if not (here["key"] == audit.key).any():
        version = 1 if isinstance(programmes, Programme) else max(programmes)
        this = from_audits([audit], newest(programmes)).assign(programme=version)
        here = pd.concat([here, this]) if len(here) else this
    table = lots(here, programmes, findings, resumed, language=language)
    own = table[(table["lot"] == audit.lot) & (table["began"] <= audit.pulled_at)]
    row = own.sort_values("began").iloc[-1].to_dict()
    return LotVerdict(**{str(name): value for name, value in row.items()})


def in_force(
    tallies: pd.DataFrame,
    programmes: Programmes,
    resumed: pd.DataFrame | None = None,
    *,
    language: str = "en",
) -> pd.DataFrame:
    """The inspection that the next lot gets, for every lane, product and class.

    Returns
    -------
    DataFrame
        Columns `INSPECTION`: ``plan`` (a `SinglePlan`, `DoublePlan` or `MultiplePlan`, for the
        shift with the largest lots), ``pull`` (pieces of its first sample), and in words ``why``
        inspection is what it is and what would bring it ``back``; both "" where nothing switches.
    """
    _, judge = _judged(tallies, programmes, resumed, load(language))
    return inspection_in_force(judge, newest(programmes))


def inspection_in_force(judge: Judge, programme: Programme) -> pd.DataFrame:
    """As `in_force` gives it, where a replay stands."""
    judge = judge.at(judge.standing())
    found = []
    for lane in programme.lanes:
        judge.resume(programme.site, lane.code, None)
        for product in programme.products:
            for severity in classes(programme):
                stream = Stream(programme.site, lane.code, product.code, severity)
                state = judge.state(stream, programme)
                inspection = state.inspection if state else "normal"
                plan = _largest(programme, severity, lane.code, inspection)
                why = told_why(judge.words, state) if state else ""
                back = told_back(judge.words, state) if state else ""
                stopped = inspection == STOPPED
                found.append((*stream, inspection, plan, plan.first, why, back, stopped))
    return pd.DataFrame(found, columns=list(INSPECTION))


def _of_lock(lock: Lock, verdicts: Mapping[Lot, LotVerdict]) -> Lot:
    """The lot of its code that a lock is of: the last that began before the locked audit."""
    same = [lot for lot in verdicts if lot[:2] == (lock.site, lock.lot)]
    if lock.row is None or len(same) < 2:
        return same[-1] if same else (lock.site, lock.lot, 0)
    began = [lot for lot in same if verdicts[lot].began <= lock.row["pulled_at"]]
    return (began or same)[-1]


def _largest(programme: Programme, severity: str, lane: str, inspection: str) -> Plan:
    table = "tightened" if inspection == STOPPED else inspection
    every = [class_plan(programme, severity, lane, each.code, table) for each in programme.shifts]
    return max(every, key=lambda plan: plan.n)


def _judged(
    tallies: pd.DataFrame, programmes: Programmes, resumed: pd.DataFrame | None, words: Wording
) -> tuple[pd.DataFrame, Judge]:
    rows = checked(tallies).sort_values(["pulled_at", "key"], kind="stable")
    moments: dict[tuple[str, str], list[Any]] = {}
    if resumed is not None:
        checked_columns(resumed, RESUMED, "what was put right")
        for each in resumed.to_dict("records"):
            moments.setdefault((each["site"], each["lane"]), []).append(each["at"])
    judge = Judge(programmes, words, moments)
    for record in rows[rows["purpose"].isin(JUDGING)].to_dict("records"):
        judge.take({str(name): value for name, value in record.items()})
    return rows, judge


def newest(programmes: Programmes) -> Programme:
    """The newest version."""
    return programmes if isinstance(programmes, Programme) else programmes[max(programmes)]


_FLOOR = {
    "accept": ("release", "release"),
    "reject": ("hold", "hold"),
    "pull more": ("hold", "pull"),
    "not judged": ("hold", "stopped"),
}


def verdict_of(words: Wording, lot: Lot, case: Case, back: Held | None) -> LotVerdict:
    """What happens to a lot as it stands, with what it holds back."""
    first, standing = case.audits[0], case.standing
    floor, key = _FLOOR[standing.verdict]
    return LotVerdict(
        site=lot[0],
        lot=lot[1],
        began=first.pulled_at,
        day=first.day,
        shift=first.shift,
        lane=first.lane,
        totes=len({audit.tote for audit in case.audits}),
        inspected=sum(audit.inspected for audit in case.audits),
        verdict=standing.verdict,
        inspection=standing.inspection,
        floor=floor,
        why=standing.why,
        next=words.say(f"verdict.next.{key}", count=standing.more, lane=first.lane),
        more=standing.more,
        held=back.totes if back else (),
        hold=back.said if back else "",
        switched=case.switched,
        last_pulled_at=case.audits[-1].pulled_at,
        earlier=tuple(case.audits[:-1]),
        hold_brief=back.brief if back else "",
    )


def _as_it_stood(words: Wording, now: LotVerdict, seen: Sequence[Seen]) -> LotVerdict:
    """A lot after the first of its audits."""
    stood = seen[-1].stood
    floor, key = _FLOOR[stood.verdict]
    then = replace(
        now,
        totes=len({each.tote for each in seen}),
        inspected=sum(each.inspected for each in seen),
        verdict=stood.verdict,
        inspection=stood.inspection,
        floor=floor,
        why=stood.why,
        next=words.say(f"verdict.next.{key}", count=stood.more, lane=now.lane),
        more=stood.more,
        held=(),
        hold="",
        hold_brief="",
        last_pulled_at=seen[-1].pulled_at,
        earlier=tuple(seen[:-1]),
    )
    return (
        replace(then, floor="locked", why=now.why, next=now.next) if now.floor == "locked" else then
    )


def _locked(words: Wording, lock: Lock, judged: LotVerdict | None) -> LotVerdict:
    """A lock leaves of a verdict everything but what the floor does and why."""
    then = words.say("verdict.next.locked")
    if judged is not None:
        return replace(judged, floor="locked", why=lock.why, next=then)
    return LotVerdict(
        site=lock.site,
        lot=lock.lot,
        began=lock.row["pulled_at"] if lock.row else None,
        day=lock.day,
        shift=lock.shift,
        lane=lock.lane,
        totes=0,
        inspected=0,
        verdict="pull more",
        inspection="normal",
        floor="locked",
        why=lock.why,
        next=then,
        more=0,
        held=(),
        hold="",
        switched="",
        last_pulled_at=lock.row["pulled_at"] if lock.row else None,
    )


def not_judged(audit: Audit, words: Wording) -> LotVerdict:
    """What is said of an audit whose purpose judges no lot."""
    return LotVerdict(
        site=audit.site,
        lot=audit.lot,
        began=audit.pulled_at,
        day=audit.day,
        shift=audit.shift,
        lane=audit.lane,
        totes=0,
        inspected=0,
        verdict="not judged",
        inspection="normal",
        floor="",
        why=words.say("verdict.not_judged", purpose=audit.purpose),
        next=words.say("verdict.next.not_judged"),
        more=0,
        held=(),
        hold="",
        switched="",
        last_pulled_at=audit.pulled_at,
    )
