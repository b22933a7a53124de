"""Food-safety findings: recorded once, lifted with a reason, never taken away."""

from datetime import datetime

import pandas as pd
from sqlalchemy import select

from qa.audit import Finding
from qa.store import recording, schema
from qa.store.entries import Logged
from qa.store.recording import RECORDED, stamped
from qa.store.rows import check_stamp, frame, plain
from qa.store.schema import Store, reading

LIFTED = "lifted"


def record_finding(store: Store, found: Finding, *, by: str, at: datetime) -> Logged:
    """Record a food-safety finding; sending the same again is harmless.

    Raises
    ------
    Conflict
        If the key is there with other content.
    InvalidInput
        If a field is blank, or a time has no zone.
    """
    check_stamp(by, at)
    row = {name: getattr(found, name) for name in Finding.__dataclass_fields__}
    stamp = {"action": RECORDED, **stamped(by, at, "")}
    return recording.record(store, schema.finding, row, stamp)


def lift_finding(store: Store, key: str, *, by: str, at: datetime, reason: str) -> Logged:
    """Say that a food-safety finding no longer locks anything, and why; it stays on record.

    Raises
    ------
    StoreError
        If there is no such finding.
    """
    return recording.end(store, schema.finding, LIFTED, key, by=by, at=at, reason=reason)


def findings(store: Store) -> pd.DataFrame:
    """Every food-safety finding, in order of finding.

    Returns
    -------
    DataFrame
        key, site, found_at, line, lane, tote, what, by, at, and lifted_at, lifted_by,
        lifted_reason: NaT and "" while it stands.
    """
    recorded, lifted = schema.finding.alias(), schema.finding.alias()
    names = (*Finding.__dataclass_fields__, "by", "at")
    found = (
        select(
            *plain(recorded, names),
            *(each.label(f"lifted_{each.key}") for each in plain(lifted, ("at", "by", "reason"))),
        )
        .outerjoin(lifted, (lifted.c.key == recorded.c.key) & (lifted.c.action == LIFTED))
        .where(recorded.c.action == RECORDED)
        .order_by(recorded.c.found_at, recorded.c.key)
    )
    with reading(store) as connection:
        rows = frame(connection, found)
    return rows.fillna({"lifted_by": "", "lifted_reason": ""})
