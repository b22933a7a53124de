"""What happens to each lot: audits and the programme's plans to a verdict, and why, in words.

A verdict speaks of workmanship only. A lot is a tote, or all totes of a lane and shift. Each class
is judged by its plan on the sum of its categories' counts; one class that rejects rejects the lot.
An audit with fewer pieces than the plan asks is completed by the next pull; once a sample is
decided, what is pulled after it is another. Inspection becomes tightened, reduced or stops as the
programme's switching rules say, for each lane, product and class, by replay of the record. Nothing
but a re-audit after a later re-sort, itself accepting, overturns a failure; a food-safety finding
locks its tote and the audited totes beside it whatever the sample says.
"""

from dataclasses import dataclass, fields, replace
from operator import attrgetter
from typing import Any

import pandas as pd

from qa._validate import checked_columns
from qa.audit import Audit
from qa.plans.standard import Plan
from qa.programme import Programme
from qa.tally import checked, from_audits
from qa.verdicts.holding import Held, held
from qa.verdicts.judging import (
    STOPPED,
    Case,
    Judge,
    Programmes,
    Stream,
    class_plan,
    classes,
    told_back,
    told_why,
)
from qa.verdicts.locks import FINDING, Lock, locks
from qa.wording import Wording, load

__all__ = [
    "FINDING",
    "INSPECTION",
    "JUDGING",
    "STOPPED",
    "LotVerdict",
    "class_plan",
    "in_force",
    "lots",
    "of_audit",
]

JUDGING = ("routine", "for-cause", "re-audit")
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
    last_pulled_at : datetime or None
        UTC.
    """

    site: str
    lot: str
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
    rows, judge = _judged(tallies, programmes, resumed, load(language))
    programme = judge.programme(int(rows["programme"].max()) if len(rows) else _any(programmes))
    back = held(judge, programme)
    verdicts = {
        lot: _verdict(judge.words, lot, case, back.get(lot)) for lot, case in judge.lots.items()
    }
    if findings is not None:
        for lock in locks(rows, findings, programme, judge.words):
            lot = lock.site, lock.lot
            verdicts[lot] = _locked(judge.words, lock, verdicts.get(lot))
    table = pd.DataFrame([_values(each) for each in verdicts.values()], columns=list(COLUMNS))
    return table.assign(last_pulled_at=pd.to_datetime(table["last_pulled_at"], utc=True))


def of_audit(
    audit: Audit,
    earlier: pd.DataFrame,
    programme: Programme,
    findings: pd.DataFrame | None = None,
    resumed: pd.DataFrame | None = None,
    *,
    language: str = "en",
) -> LotVerdict:
    """The verdict of one audit's lot as the audit leaves it, and what to do next.

    Parameters
    ----------
    audit : Audit
    earlier : tally
        Audits recorded before; those of its lot count, those of its lane tell its neighbours and
        the inspection in force.
    programme : Programme
        The version in force when `audit` was pulled, also taken for the earlier ones.
    findings, resumed : DataFrame, optional
        As for `lots`.
    """
    if audit.purpose not in JUDGING:
        return _not_judged(audit, load(language))
    this = from_audits([audit], programme)
    before = earlier[
        (earlier["site"] == audit.site)
        & (earlier["lane"] == audit.lane)
        & (earlier["key"] != audit.key)
    ]
    together = pd.concat([before, this]) if len(before) else this
    table = lots(together, programme, findings, resumed, language=language)
    row = table[table["lot"] == audit.lot].iloc[-1].to_dict()
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
    words = load(language)
    rows, judge = _judged(tallies, programmes, resumed, words)
    programme = judge.programme(int(rows["programme"].max()) if len(rows) else _any(programmes))
    found = []
    for lane in programme.lanes:
        judge.resume(programme.site, lane.code, None)
        for product in programme.products:
            for severity in classes(programme):
                stream = Stream(programme.site, lane.code, product.code, severity)
                state = judge.state(stream, programme)
                inspection = state.inspection if state else "normal"
                plan = _largest(programme, severity, lane.code, inspection)
                why = told_why(words, state) if state else ""
                back = told_back(words, state) if state else ""
                stopped = inspection == STOPPED
                found.append((*stream, inspection, plan, plan.first, why, back, stopped))
    return pd.DataFrame(found, columns=list(INSPECTION))


def _largest(programme: Programme, severity: str, lane: str, inspection: str) -> Plan:
    table = "tightened" if inspection == STOPPED else inspection
    every = [class_plan(programme, severity, lane, each.code, table) for each in programme.shifts]
    return max(every, key=lambda plan: plan.n)


def _judged(
    tallies: pd.DataFrame, programmes: Programmes, resumed: pd.DataFrame | None, words: Wording
) -> tuple[pd.DataFrame, Judge]:
    rows = checked(tallies).sort_values("pulled_at", kind="stable")
    moments: dict[tuple[str, str], list[Any]] = {}
    if resumed is not None:
        checked_columns(resumed, RESUMED, "what was put right")
        for each in resumed.to_dict("records"):
            moments.setdefault((each["site"], each["lane"]), []).append(each["at"])
    judge = Judge(programmes, words, moments)
    for record in rows[rows["purpose"].isin(JUDGING)].to_dict("records"):
        judge.take({str(name): value for name, value in record.items()})
    return rows, judge


def _any(programmes: Programmes) -> int:
    return 1 if isinstance(programmes, Programme) else max(programmes, default=1)


_FLOOR = {
    "accept": ("release", "release"),
    "reject": ("hold", "hold"),
    "pull more": ("hold", "pull"),
    "not judged": ("hold", "stopped"),
}


def _verdict(words: Wording, lot: tuple[str, str], case: Case, back: Held | None) -> LotVerdict:
    first, standing = case.audits[0], case.standing
    floor, key = _FLOOR[standing.verdict]
    return LotVerdict(
        site=lot[0],
        lot=lot[1],
        day=first["day"],
        shift=first["shift"],
        lane=first["lane"],
        totes=len({audit["tote"] for audit in case.audits}),
        inspected=sum(int(audit["inspected"]) for audit in case.audits),
        verdict=standing.verdict,
        inspection=standing.inspection,
        floor=floor,
        why=standing.why,
        next=words.say(f"verdict.next.{key}", count=standing.more, lane=first["lane"]),
        more=standing.more,
        held=back.totes if back else (),
        hold=back.said if back else "",
        switched=case.switched,
        last_pulled_at=case.audits[-1]["pulled_at"],
    )


def _locked(words: Wording, lock: Lock, judged: LotVerdict | None) -> LotVerdict:
    """A lock leaves of a verdict everything but what the floor does and why."""
    then = words.say("verdict.next.locked")
    if judged is not None:
        return replace(judged, floor="locked", why=lock.why, next=then)
    return LotVerdict(
        site=lock.site,
        lot=lock.lot,
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


def _not_judged(audit: Audit, words: Wording) -> LotVerdict:
    return LotVerdict(
        site=audit.site,
        lot=audit.lot,
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
