"""Food-safety findings lock their tote and the audited totes beside it, whatever a sample says."""

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

import pandas as pd

from qa._validate import checked_columns
from qa.programme import Programme, production_day_and_shift
from qa.wording import Wording, utc

FINDING = ("site", "lane", "tote", "found_at", "what")


class Lock(NamedTuple):
    """A lot that a finding locks, and why in words; `row` is an audit of it, if there is one."""

    site: str
    lot: str
    day: Any
    shift: str
    lane: str
    why: str
    row: Mapping[str, Any] | None


def locks(
    rows: pd.DataFrame, findings: pd.DataFrame, programme: Programme, words: Wording
) -> Iterator[Lock]:
    """Every lot that a finding locks, its own last, so that its own reason is the one told.

    Parameters
    ----------
    rows : tally
    findings : DataFrame
        Columns `FINDING`; where there is a ``lifted_at``, those that have one lock no more.
    programme : Programme
        The newest, whose shifts place a finding on a tote that nobody audited.
    words : Wording
    """
    checked_columns(findings, FINDING, "the food-safety findings")
    if "lifted_at" in findings:
        findings = findings[findings["lifted_at"].isna()]
    order = rows.assign(at=rows["fill_start"].fillna(rows["pulled_at"])).sort_values("at")
    totes = order.drop_duplicates(["site", "lane", "tote", "day"])  # a code may be used again
    beside, own = [], []
    for finding in findings.to_dict("records"):
        on_lane = totes[(totes["site"] == finding["site"]) & (totes["lane"] == finding["lane"])]
        here = on_lane[on_lane["tote"] == finding["tote"]]
        others = on_lane[on_lane["tote"] != finding["tote"]]
        # Which filling of the code it was is not known: every one is locked, and its neighbours.
        for at in here["at"] if len(here) else [pd.Timestamp(finding["found_at"])]:
            near = [others[others["at"] <= at].tail(1), others[others["at"] > at].head(1)]
            beside += [(finding, row) for each in near for row in each.to_dict("records")]
        own += [(finding, row) for row in here.to_dict("records")] or [(finding, None)]
    for key, pairs in (("locked_beside", beside), ("locked", own)):
        for finding, row in pairs:
            yield _lock(words, programme, f"verdict.{key}", finding, row)


def _lock(
    words: Wording, programme: Programme, key: str, finding: Mapping[Any, Any], row: Any
) -> Lock:
    found_at = utc(finding["found_at"])
    day, shift = production_day_and_shift(programme, found_at) or (found_at.date(), "")
    lane, tote = finding["lane"], finding["tote"]
    when = words.moment(found_at, programme.zone)
    why = words.say(key, tote=tote, lane=lane, when=when, what=finding["what"])
    if row:
        return Lock(finding["site"], row["lot"], row["day"], row["shift"], lane, why, row)
    lot = tote if programme.lot == "tote" else f"{day} {shift} {lane}"
    return Lock(finding["site"], lot, pd.Timestamp(day), shift, lane, why, None)
