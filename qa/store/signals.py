"""What people say of signals, and the baselines that charts are held against.

Both are only ever added to. An acknowledgement that was entered wrongly is withdrawn with its
reason. A baseline holds from the moment it was recorded and never speaks of what was before; the
newest of a product and lane holds.
"""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date, datetime
from typing import Any

import pandas as pd
from sqlalchemy import select

from qa._validate import chosen
from qa.errors import InvalidInput
from qa.programme import Programme, production_day_and_shift
from qa.store import records, schema
from qa.store.entries import Logged
from qa.store.recording import RECORDED, record, stamped, stated, withdraw
from qa.store.rows import check_filled, check_stamp, frame, plain
from qa.store.schema import Store, reading

BASELINE = ("key", "product", "lane", "first_day", "last_day", "set_aside", "by", "at", "reason")


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """The answer to a signal: what caused it and what was done.

    Attributes
    ----------
    key : str
        The sender's, so that a second sending is harmless.
    lane, product, category : str
        Of the chart that signalled.
    signalled_at : datetime
        When the tote of the signal was filled, with its zone. The acknowledgement answers the
        signal that goes on at that moment, so that an audit entered late does not lose it.
    cause, done : str
        In the person's own words.
    """

    key: str
    site: str
    lane: str
    product: str
    category: str
    signalled_at: datetime
    cause: str
    done: str


@dataclass(frozen=True, slots=True)
class ChosenBaseline:
    """Production days whose level charts are held against from now on.

    Attributes
    ----------
    lane : str or None
        None for all lanes of the product.
    first_day, last_day : date
        Production days, both included.
    set_aside : mapping of str to str
        Totes of these days that do not speak, each with its cause.
    """

    key: str
    site: str
    product: str
    lane: str | None
    first_day: date
    last_day: date
    set_aside: Mapping[str, str] = field(default_factory=dict)


def acknowledge(store: Store, said: Acknowledgement, *, by: str, at: datetime) -> Logged:
    """Record what caused a signal and what was done; sending the same again is harmless.

    Raises
    ------
    Conflict
        If the key is there with other content.
    InvalidInput
        If a field is blank, or a time has no zone.
    """
    check_stamp(by, at)
    stamp = {"action": RECORDED, **stamped(by, at, "")}
    return record(store, schema.acknowledgement, asdict(said), stamp)


def withdraw_acknowledgement(
    store: Store, key: str, *, by: str, at: datetime, reason: str
) -> Logged:
    """Say that an acknowledgement was wrong, and why: the signal is open again.

    Raises
    ------
    StoreError
        If there is no such acknowledgement.
    """
    return withdraw(store, schema.acknowledgement, key, by=by, at=at, reason=reason)


def acknowledgements(store: Store, *, withdrawn: bool = False) -> pd.DataFrame:
    """Every acknowledgement that stands: the fields of `Acknowledgement`, ``by`` and ``at``.

    In the order in which they were made; with `withdrawn` those withdrawn since too, and
    ``withdrawn_at``.
    """
    table = schema.acknowledgement
    names = (*Acknowledgement.__dataclass_fields__, "by", "at")
    found = stated(table, names, withdrawn=withdrawn)
    with reading(store) as connection:
        return frame(connection, found.order_by(table.c.at, table.c.key))


def set_baseline(
    store: Store, made: ChosenBaseline, *, by: str, at: datetime, reason: str
) -> Logged:
    """Record a baseline that holds from `at` on; sending the same again is harmless.

    Raises
    ------
    Conflict
        If the key is there with other content.
    InvalidInput
        If the product or lane is unknown, the days are not in order or not over yet, a tote set
        aside has no cause, or who or why is blank.
    """
    check_stamp(by, at, reason)
    _check_baseline(made, records.programme(store), at)
    aside = {tote.strip(): cause.strip() for tote, cause in made.set_aside.items()}
    for tote, cause in aside.items():
        check_filled({"tote": tote, f"cause of tote {tote}": cause}, "baseline")
    row = {**asdict(made), "set_aside": json.dumps(aside, sort_keys=True, ensure_ascii=False)}
    return record(store, schema.baseline, row, stamped(by, at, reason))


def baselines(store: Store) -> pd.DataFrame:
    """Every baseline from the moment it holds, the earliest first.

    Those of the programme's versions are among them: a version's baseline of a product holds from
    that version on, the first version's from the beginning.

    Returns
    -------
    DataFrame
        key, product, lane ("" for all), first_day, last_day, set_aside (a mapping), by, at,
        reason; `at` is NaT where it holds from the beginning, key "" where the programme says it.
    """
    table = schema.baseline
    with reading(store) as connection:
        found = frame(connection, select(*plain(table, BASELINE)))
    rows = found.to_dict("records")
    for row in rows:
        row["set_aside"] = json.loads(row["set_aside"])
    every = pd.DataFrame([*_of_programmes(store), *rows], columns=list(BASELINE))
    for name in ("first_day", "last_day"):
        every[name] = pd.to_datetime(every[name]).astype("datetime64[us]")
    every["at"] = pd.to_datetime(every["at"], utc=True).astype("datetime64[us, UTC]")
    every["lane"] = every["lane"].fillna("").astype("str")
    return every.sort_values(["at", "key"], na_position="first", ignore_index=True)


def _of_programmes(store: Store) -> list[dict[str, Any]]:
    """The baselines of the programme's versions, each where it is new."""
    programmes = records.programmes_by_version(store)
    held: dict[str, tuple[date, date]] = {}
    made: list[dict[str, Any]] = []
    for row in records.programmes(store).to_dict("records"):
        newest = {each.product: each for each in programmes[int(row["version"])].baselines}
        for product, each in newest.items():
            days = (each.first_day, each.last_day)
            if held.get(product) == days:
                continue
            held[product] = days
            at = row["at"] if row["version"] > min(programmes) else pd.NaT
            values: tuple[Any, ...] = ("", product, None, *days, {}, row["by"], at, row["reason"])
            made.append(dict(zip(BASELINE, values, strict=True)))
    return made


def _check_baseline(made: ChosenBaseline, programme: Programme, at: datetime) -> None:
    chosen(dict.fromkeys(each.code for each in programme.products), "product", made.product)
    if made.lane is not None:
        chosen(dict.fromkeys(each.code for each in programme.lanes), "lane", made.lane)
    if made.last_day < made.first_day:
        raise InvalidInput(
            f"last_day must not be before first_day {made.first_day}, got {made.last_day}"
        )
    running = production_day_and_shift(programme, at)
    today = running[0] if running else at.astimezone(programme.zone).date()
    if made.last_day > today:
        raise InvalidInput(f"last_day must not lie after today {today}, got {made.last_day}")
