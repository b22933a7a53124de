"""Audits of a scope to the figures of a statement: pure functions of tables."""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from qa import efficiency
from qa.claim.answer import METHOD
from qa.claim.evidence import both_sides, reaches
from qa.compare import joined_difference
from qa.files.exporting import LEFT_OUT, as_rows
from qa.intervals import clustered
from qa.plans import DoublePlan, MultiplePlan, SinglePlan
from qa.plans.standard import Plan
from qa.programme import HOUSE, Category, Programme
from qa.statement.audits import Audits
from qa.statement.result import (
    BuyersCount,
    CategoryShare,
    Counted,
    Digest,
    Figure,
    Lots,
    PlanInForce,
    Scope,
    Spread,
    Stage,
)
from qa.tally import COLUMNS, routine, stratified, under
from qa.verdicts import JUDGING, numbers_at

_LOT = ["site", "lot"]
UNCHANGED = pd.DataFrame({"action": pd.Series(dtype=str)})  # no audit was corrected or voided


def figures(
    tallies: pd.DataFrame, programme: Programme, by: Sequence[str], specification: str
) -> tuple[Figure, ...]:
    """Percent correct as made, a figure a group, its limits one-sided bounds."""
    wide = replace(programme, confidence=both_sides(programme))
    table = efficiency.estimate(tallies, wide, by=by, specification=specification, method=METHOD)
    return _figures(table, by)


def shipped_figure(audits: Audits, programme: Programme, specification: str) -> Figure | None:
    """Percent correct as shipped; None where no lot was accepted."""
    wide = replace(programme, confidence=both_sides(programme))
    table = efficiency.as_shipped(
        audits.of_lots, wide, audits.judged, by=(), specification=specification
    )
    return next(iter(_figures(table, ())), None)


def _figures(table: pd.DataFrame, by: Sequence[str]) -> tuple[Figure, ...]:
    return tuple(
        Figure(
            label=" ".join(str(row[name]) for name in by) or str(row["figure"]),
            totes=int(row["totes"]),
            inspected=int(row["inspected"]),
            incorrect=int(row["incorrect"]),
            by_count=1.0 - int(row["incorrect"]) / int(row["inspected"]),
            estimate=row["correct"],
            lower=row["low"],
            upper=row["high"],
        )
        for row in table.to_dict("records")
    )


def categories(
    tallies: pd.DataFrame,
    programme: Programme,
    programmes: Mapping[int, Programme],
    specification: str,
) -> tuple[CategoryShare, ...]:
    """The share of each category in the routine audits that looked for it, with its upper bound.

    An audit looks for the categories of the version of the programme that it was made under; a
    category that none of them looked for is left out.
    """
    used, counted = routine(tallies), counted_categories(programme, specification)
    whole = set(counted) == set(programme.category_codes)
    known = [programmes[version] for version in sorted(used["programme"].unique(), reverse=True)]
    every = {each.code: each for one in (programme, *known) for each in reversed(one.categories)}
    found = []
    for each in reversed(every.values()):
        having = [at for at, one in programmes.items() if each.code in one.category_codes]
        looked = used[used["programme"].isin(having)]
        if len(looked):
            counts = whole or each.code in counted
            found.append(_category_share(each, counts, looked, len(looked) < len(used), programme))
    return tuple(found)


def _category_share(
    each: Category, counts: bool, looked: pd.DataFrame, partly: bool, programme: Programme
) -> CategoryShare:
    totes = stratified(looked, (), [each.code])
    x, n = totes[each.code].to_numpy(), totes["inspected"].to_numpy()
    without = clustered(
        n - x,
        n,
        stratum=totes["stratum"].to_numpy(dtype=object),
        confidence=programme.confidence,
        method=METHOD,
        side="lower",
        correlation=programme.correlation,
    ).interval
    return CategoryShare(
        each.code,
        each.name,
        each.severity,
        counts,
        int(x.sum()),
        int(n.sum()),
        round(1.0 - float(without.estimate), 12),  # none found is no share at all
        1.0 - float(without.low),
        *((looked["day"].min().date(), looked["day"].max().date()) if partly else (None, None)),
    )


def counted_categories(programme: Programme, specification: str) -> tuple[str, ...]:
    """Codes of the categories that count against a piece."""
    named = {each.code: each.categories for each in programme.specifications}
    return {HOUSE: programme.category_codes, **named}[specification]


def spread(
    tallies: pd.DataFrame, programme: Programme, specification: str, target: float
) -> Spread:
    """The worst audited tote, and how audited totes differ."""
    audits = under(routine(tallies), programme, specification)
    totes = stratified(audits, (), ["correct"])
    n, x = totes["inspected"].to_numpy(), totes["correct"].to_numpy()
    good = x / n
    reached = reaches(x, n, target)
    worst = totes.iloc[int(np.lexsort((-n, good))[0])]
    found = clustered(x, n, stratum=totes["stratum"].to_numpy(dtype=object))
    return Spread(
        worst=str(worst["tote"]),
        worst_lane=str(worst["lane"]),
        worst_day=worst["day"].date(),
        worst_incorrect=int(worst["inspected"] - worst["correct"]),
        worst_inspected=int(worst["inspected"]),
        tenth=float(np.quantile(good, 0.1)),
        median=float(np.median(good)),
        at_target=int(reached.sum()),
        correlation=found.correlation,
        design_effect=found.design_effect,
        effective_n=found.effective_n,
        tarone_p=found.tarone_p,
    )


def counted(audits: Audits, changed: pd.DataFrame, scope: Scope) -> Counted:
    """Audits that the claim rests on, the others of the scope, and those changed."""
    used, pool = audits.spoken, audits.here
    if scope.as_shipped:
        pool = pd.concat([pool, audits.of_lots]).drop_duplicates("key")
    others = pool.loc[~pool["key"].isin(used["key"]), "purpose"].value_counts(sort=False)
    actions = changed["action"].value_counts()
    days = (scope.last_day - scope.first_day).days + 1
    within = used["day"].between(pd.Timestamp(scope.first_day), pd.Timestamp(scope.last_day))
    return Counted(
        counted=len(used),
        left_out={str(name): int(others[name]) for name in sorted(others.index)},
        corrected=int(actions.get("corrected", 0)),
        voided=int(actions.get("voided", 0)),
        fewest=int(used["inspected"].min()),
        most=int(used["inspected"].max()),
        silent_lanes=tuple(lane for lane in scope.lanes if lane not in set(used["lane"])),
        silent_days=days - used.loc[within, "day"].nunique(),
        days=days,
    )


def lots(audits: Audits, dispositions: pd.DataFrame) -> Lots:
    """How lots of the scope stand; the dispositions are of these lots alone."""
    verdicts, tallies = audits.judged, audits.of_lots
    again = tallies.loc[tallies["purpose"] == "re-audit", _LOT]
    re_sorted = pd.MultiIndex.from_frame(verdicts[_LOT]).isin(pd.MultiIndex.from_frame(again))
    free = verdicts["floor"] == "release"
    became = dispositions["what"].value_counts(sort=False)
    return Lots(
        judged=len(verdicts),
        accepted=int((free & ~re_sorted).sum()),
        re_sorted=int((free & re_sorted).sum()),
        held=int((verdicts["floor"] == "hold").sum()),
        locked=int((verdicts["floor"] == "locked").sum()),
        totes={str(name): int(became[name]) for name in sorted(became.index)},
    )


def plans(
    in_force: pd.DataFrame, lanes: Iterable[str], programme: Programme, audits: Audits
) -> tuple[PlanInForce, ...]:
    """Each class's plans and the lanes that have them, from `qa.verdicts.in_force`.

    Where a lot is a tote, with the numbers at the sizes pulled, where these are more than asked.
    """
    used = audits.of_lots[audits.of_lots["purpose"].isin(JUDGING)]
    sizes = {int(n) for n in used["inspected"]} if programme.lot == "tote" else set()
    found: dict[tuple[str, str, tuple[Stage, ...], tuple[Stage, ...]], list[str]] = {}
    for row in in_force[in_force["lane"].isin(list(lanes))].to_dict("records"):
        severity, inspection, plan = row["severity"], row["inspection"], row["plan"]
        stages = _stages(plan)
        beyond = [n for n in sizes if n > stages[-1].n]
        pulled = numbers_at(programme, severity, plan, inspection, beyond)
        key = (severity, inspection, stages, tuple(Stage(*each) for each in pulled))
        found.setdefault(key, []).append(row["lane"])
    return tuple(PlanInForce(*key, tuple(where)) for key, where in found.items())


def _stages(plan: Plan) -> tuple[Stage, ...]:
    if isinstance(plan, SinglePlan):
        return (Stage(plan.n, plan.ac, plan.re),)
    staged: MultiplePlan = plan.staged if isinstance(plan, DoublePlan) else plan
    sizes = np.cumsum([each.n for each in staged.stages])
    return tuple(
        Stage(int(n), each.ac, each.re) for n, each in zip(sizes, staged.stages, strict=True)
    )


def buyers_count(
    incorrect: int, inspected: int, audits: Audits, programme: Programme, specification: str
) -> BuyersCount:
    """A buyer's count beside what was shipped, or made where nothing was: theirs less ours.

    Of fractions correct, ours with the limits that the paper's own figure rests on. How many totes
    the buyer's pieces came from is not known, so they are taken for those of one tote, which errs
    on the wide side.
    """
    how: dict[str, Any] = {"by": (), "specification": specification}
    if audits.left.empty:
        ours = "as_made"
        table = efficiency.estimate(audits.here, programme, method=METHOD, **how)
    else:
        ours = "as_shipped"
        table = efficiency.as_shipped(audits.of_lots, programme, audits.judged, **how)
    own = table[["correct", "low", "high"]].iloc[0].astype(float)
    theirs = clustered(
        [inspected - incorrect],
        [inspected],
        confidence=programme.confidence,
        correlation=programme.correlation,
    ).interval
    ends = (theirs.estimate, theirs.low, theirs.high)
    low, high = (float(each) for each in joined_difference(*ends, *own))
    estimate = float(theirs.estimate) - float(own["correct"])
    return BuyersCount(incorrect, inspected, ours, estimate, low, high, programme.confidence)


def canonical(audits: pd.DataFrame, category_codes: Sequence[str]) -> str:
    """Audits as a CSV file that the same audits always give, whatever else a store holds.

    Lines end in a line feed and are in order of key; columns are those of an export, without
    notes, and of categories those alone that were found.
    """
    fields = [name for name in COLUMNS if name not in LEFT_OUT]
    seen = sorted(code for code in category_codes if audits[code].any())
    rows = as_rows(audits.sort_values("key", kind="stable")[[*fields, *seen]])
    return rows.to_csv(index=False, lineterminator="\n")


def digest(canonical_csv: str, audits: int) -> Digest:
    """SHA-256 of the file that `canonical` gives for so many audits, as UTF-8."""
    head = canonical_csv.partition("\n")[0]
    sha256 = hashlib.sha256(canonical_csv.encode("utf-8")).hexdigest()
    return Digest(sha256, audits, tuple(head.split(",")))
