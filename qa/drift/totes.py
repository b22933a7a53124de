"""The totes that drift speaks of, kept up with the record: a change makes its own lanes anew.

Nothing here decides anything: the totes are those that `qa.drift.baseline.series` makes of all
audits at once.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pandas as pd

from qa.drift.baseline import EVER, Series, moments_of, of_routine
from qa.programme import Programme
from qa.tally import checked, in_order

_ROUTINE = (
    *("key", "lane", "product", "tote", "day"),
    *("at", "pulled_at", "recorded_at", "inspected"),
)
_CHECKS = ("key", "lane", "product", "head", "pulled_at", "inspected")
Made = Mapping[tuple[str, str], Series]


@dataclass(frozen=True, slots=True, eq=False)
class _Lane:
    """A lane's routine audits, in parts, and its totes by product."""

    parts: tuple[pd.DataFrame, ...]
    series: Made
    last: pd.Timestamp
    product: str  # that it ran last


@dataclass(frozen=True, slots=True, eq=False)
class Totes:
    """The totes of every lane, and the audits of heads; what it holds never changes."""

    codes: tuple[str, ...]
    lanes: Mapping[str, _Lane]
    checks: pd.DataFrame

    @property
    def series(self) -> dict[tuple[str, str], Series]:
        """As `qa.drift.baseline.series` gives them."""
        return {key: each for lane in self.lanes.values() for key, each in lane.series.items()}

    @property
    def running(self) -> dict[str, str]:
        """The product that each lane ran last."""
        return {name: lane.product for name, lane in self.lanes.items()}

    def routine(self, lane: str) -> pd.DataFrame:
        """A lane's routine audits: of each what the totes are made of."""
        return pd.concat(list(self.lanes[lane].parts))

    def counting(self, *codes: str) -> "Totes":
        """With the counts of some of the categories alone."""
        lanes = {
            name: replace(
                lane,
                series={
                    key: replace(each, counts={code: each.counts[code] for code in codes})
                    for key, each in lane.series.items()
                },
            )
            for name, lane in self.lanes.items()
        }
        return Totes(codes, lanes, self.checks)

    def until(self, now: datetime | None) -> "Totes":
        """Those of audits pulled up to a moment."""
        if now is None:
            return self
        lanes = {}
        for name, lane in self.lanes.items():
            if lane.last <= now:
                lanes[name] = lane
            elif any((part["pulled_at"] <= now).any() for part in lane.parts):
                kept = (part[part["pulled_at"] <= now] for part in lane.parts)
                lanes[name] = _lane(pd.concat(list(kept)), self.codes)
        return Totes(self.codes, lanes, self.checks[self.checks["pulled_at"] <= now])


def totes(tallies: pd.DataFrame, programme: Programme, *counted: str) -> Totes:
    """The totes of a tally, with the programme's categories and more columns that are `counted`."""
    codes = (*programme.category_codes, *counted)
    routine, checks = _parted(checked(tallies, codes), codes)
    by_lane = routine.groupby("lane", sort=False)
    return Totes(codes, {str(lane): _lane(rows, codes) for lane, rows in by_lane}, checks)


def followed(known: Totes, gone: pd.DataFrame, new: pd.DataFrame) -> Totes:
    """The totes after some audits of a tally went and others came; the same as of all anew."""
    (lost, lost_checks), (won, checks) = (_parted(each, known.codes) for each in (gone, new))
    lanes = dict(known.lanes)
    for name in dict.fromkeys((*lost["lane"], *won["lane"])):
        made = _changed(
            lanes.get(name),
            lost.loc[lost["lane"] == name, "key"],
            won[won["lane"] == name],
            known.codes,
        )
        lanes[name] = made
        if not made.series:
            del lanes[name]
    still = known.checks[~known.checks["key"].isin(lost_checks["key"])]
    return Totes(known.codes, lanes, pd.concat([still, checks], ignore_index=True))


def _parted(tallies: pd.DataFrame, codes: tuple[str, ...]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Routine audits and audits of heads, with what is needed of each."""
    purpose = tallies["purpose"]
    routine, checks = (tallies[(purpose == each).to_numpy()] for each in ("routine", "head-check"))
    at = routine["fill_start"].fillna(routine["pulled_at"])
    routine = routine.assign(at=at)[[*_ROUTINE, *codes]]
    kinds = dict.fromkeys(("inspected", *codes), "int64")
    texts = dict.fromkeys(("key", "lane", "product"), "str")
    checks = checks[[*_CHECKS, *codes]].astype({**kinds, **texts, "head": "str"})
    return routine.astype({**kinds, **texts, "tote": "str"}), checks


def _changed(
    lane: _Lane | None, gone: pd.Series, new: pd.DataFrame, codes: tuple[str, ...]
) -> _Lane:
    if lane is None:
        return _lane(new, codes)
    more = None if len(gone) else _longer(lane, new, codes)
    if more is not None:
        return more
    still = (part[~part["key"].isin(gone)] for part in lane.parts)
    return _lane(pd.concat([*still, new], ignore_index=True), codes)


def _lane(rows: pd.DataFrame, codes: tuple[str, ...]) -> _Lane:
    rows = in_order(rows)
    if rows.empty:
        return _Lane((), {}, pd.Timestamp(0, tz="UTC"), "")
    made = of_routine(rows, codes)
    return _Lane((rows,), made, rows["pulled_at"].iloc[-1], str(rows["product"].iloc[-1]))


def _longer(lane: _Lane, new: pd.DataFrame, codes: tuple[str, ...]) -> _Lane | None:
    """The lane with more totes at its end, the usual case; None where it is another."""
    key = str(new["lane"].iloc[0]), lane.product
    if (new["product"] != lane.product).any() or new["tote"].duplicated().any():
        return None
    new = new.sort_values(["at"], kind="stable")
    of = lane.series[key]
    at = new["at"].dt.tz_localize(None).to_numpy()
    ends = max(each.filled_at[-1] for each in lane.series.values())
    late = new["pulled_at"].min() <= lane.last or at[0] <= ends
    that_day = np.isin(of.day, new["day"].to_numpy())
    if late or np.isin(of.tote[that_day], new["tote"].to_numpy(dtype=np.str_)).any():
        return None
    pulled, recorded = new["pulled_at"].max(), moments_of(new["recorded_at"], EVER)
    longer = replace(
        of,
        tote=np.append(of.tote, new["tote"].to_numpy(dtype=np.str_)),
        day=np.append(of.day, new["day"].to_numpy()),
        filled_at=np.append(of.filled_at, at),
        last_audit=pulled.tz_localize(None).to_datetime64(),
        inspected=np.append(of.inspected, new["inspected"].to_numpy()),
        counts={code: np.append(of.counts[code], new[code].to_numpy()) for code in codes},
        recorded=np.append(of.recorded, recorded),
        settled=np.append(of.settled, recorded),
    )
    return _Lane((*lane.parts, new), {**lane.series, key: longer}, pulled, lane.product)
