"""The totes that drift speaks of, kept up with the record: a change makes its own lanes anew.

Nothing here decides anything: the totes are those that `qa.drift.baseline.series` makes of all
audits at once.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa.drift.baseline import EVER, Series, moments_of, of_routine
from qa.programme import Programme
from qa.tally import checked, in_order

_ROUTINE = (
    *("key", "lane", "product", "tote", "day"),
    *("at", "pulled_at", "recorded_at", "inspected"),
)
_CHECKS = ("key", "lane", "product", "head", "pulled_at", "inspected")
_COLUMNS = (
    *("tote", "day", "filled_at", "first_pulled", "last_pulled", "inspected"),
    *("recorded", "settled"),
)
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
        until = pd.Timestamp(now)
        lanes = {
            name: lane if lane.last <= until else _shorter(lane, until, self.codes)
            for name, lane in self.lanes.items()
            if lane.parts[0]["pulled_at"].iloc[0] <= until
        }
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
    recorded = moments_of(new["recorded_at"], EVER)
    pulled = new["pulled_at"].dt.tz_localize(None).to_numpy()
    longer = replace(
        of,
        tote=np.append(of.tote, new["tote"].to_numpy(dtype=np.str_)),
        day=np.append(of.day, new["day"].to_numpy()),
        filled_at=np.append(of.filled_at, at),
        first_pulled=np.append(of.first_pulled, pulled),
        last_pulled=np.append(of.last_pulled, pulled),
        inspected=np.append(of.inspected, new["inspected"].to_numpy()),
        counts={code: np.append(of.counts[code], new[code].to_numpy()) for code in codes},
        recorded=np.append(of.recorded, recorded),
        settled=np.append(of.settled, recorded),
    )
    last = new["pulled_at"].max()
    return _Lane((*lane.parts, new), {**lane.series, key: longer}, last, lane.product)


def _shorter(lane: _Lane, until: pd.Timestamp, codes: tuple[str, ...]) -> _Lane:
    """The lane as it was at a moment: its totes cut off there where that gives the same."""
    ends = [int(part["pulled_at"].searchsorted(until, side="right")) for part in lane.parts]
    parts = [part.iloc[:end] for part, end in zip(lane.parts, ends, strict=True) if end]
    moment = until.tz_convert("UTC").tz_localize(None).to_datetime64()
    stays = {key: each.last_pulled <= moment for key, each in lane.series.items()}
    if not _cut_between(lane.series, stays, moment):
        return _lane(pd.concat(parts), codes)
    series = {
        key: _chosen(each, stays[key]) for key, each in lane.series.items() if stays[key].any()
    }
    last = parts[-1].iloc[-1]
    return _Lane(tuple(parts), series, last["pulled_at"], str(last["product"]))


def _cut_between(
    series: Made, stays: Mapping[tuple[str, str], NDArray[np.bool_]], moment: np.datetime64
) -> bool:
    """Whether a moment parts whole totes, and, of several products, those filled before it."""
    gone = {key: ~each for key, each in stays.items()}
    if any((each.first_pulled[gone[key]] <= moment).any() for key, each in series.items()):
        return False
    if len(series) == 1:
        return True
    before, after = (
        np.concatenate([each.filled_at[at[key]] for key, each in series.items()])
        for at in (stays, gone)
    )
    return bool(before.max() < after.min())


def _chosen(series: Series, stays: NDArray[np.bool_]) -> Series:
    """Some totes of a series; where its lane ran several products, the first ones."""
    counts = {code: each[stays] for code, each in series.counts.items()}
    columns = {name: getattr(series, name)[stays] for name in _COLUMNS}
    turned = tuple(each for each in series.turned if each < stays.sum())
    return replace(series, counts=counts, turned=turned, **columns)
