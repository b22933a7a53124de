"""A store of a million audits: the demo's plant run over and over, each time 60 days later."""

import os
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory, gettempdir
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import func, select

from qa.cli import answers
from qa.store import entries, places, records, schema
from qa.store.schema import Store

FILE = Path(gettempdir()) / "toteproof-million.db"
PLACE = "TOTEPROOF_MILLION"  # the environment's name for another file
AUDITS = 1_000_000
DAYS = 60  # of production in the demo
MOMENTS = ("pulled_at", "fill_start", "fill_end", "re_sorted_at")


def million(where: Path | None = None, audits: int = AUDITS) -> Store:
    """The store, made if it is not there: whole or not at all.

    Every row is recorded as the program itself records it, chained and added up, in batches.
    """
    path = where or Path(os.environ.get(PLACE, FILE))
    if not path.exists():
        with places.draft_of(path) as draft:
            _fill(draft, audits)
            places.settle(draft, path)
    return schema.open_store(path)


def end(store: Store) -> datetime:
    """The minute after the last audit, at which the plant is looked at."""
    with schema.reading(store) as connection:
        last = connection.execute(select(func.max(schema.entry.c.pulled_at))).scalar()
    return last + timedelta(minutes=1)


def _fill(draft: Path, audits: int) -> None:
    schema.make_file(draft, str(draft))
    store = schema.open_store(draft)
    try:
        rows, programme = _demo()
        records.put_programme(store, programme.text, **_stamped(programme))
        zone = records.programme(store).zone
        for copy in range(-(-audits // len(rows))):
            batch = [_later(row, copy, zone) for row in rows]
            at = max(row["pulled_at"] for row in batch)
            stamp = {"action": "logged", "by": "bench", "at": at, "reason": ""}
            with schema.writing(store) as connection:
                entries.append(connection, batch, stamp)
    finally:
        store.engine.dispose()


def _stamped(programme: Any) -> dict[str, Any]:
    return {name: getattr(programme, name) for name in ("by", "at", "reason")}


def _demo() -> tuple[Sequence[dict[str, Any]], Any]:
    """The demo's audits as rows of entries, and the row of its programme."""
    with TemporaryDirectory() as folder:
        store, _, _ = answers.demo(Path(folder), lambda *_: None)
        with schema.reading(store) as connection:
            programme = entries.versions(connection)[0]
            keys = connection.execute(select(schema.current.c.key)).scalars().all()
            rows = list(entries.of_keys(connection, keys))
        store.engine.dispose()
    return [row for row in rows if row["action"] != "voided"], programme


def _later(row: dict[str, Any], copy: int, zone: ZoneInfo) -> dict[str, Any]:
    """A row as another tote's, some whole runs of the demo later by the plant's clock."""
    by = timedelta(days=DAYS * copy)
    moved = {name: _moved(row[name], by, zone) for name in MOMENTS}
    named = {name: f"{copy:03}-{row[name]}" for name in ("key", "tote", "lot")}
    return {**row, **moved, **named, "day": row["day"] + by, "revision": 1}


def _moved(moment: datetime | None, by: timedelta, zone: ZoneInfo) -> datetime | None:
    return moment and (moment.astimezone(zone) + by).astimezone(schema.UTC)
