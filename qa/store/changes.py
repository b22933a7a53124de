"""Which audits were corrected or voided, among those of some days, and what they said before."""

from datetime import date

import pandas as pd
from sqlalchemy import select

from qa.store import records, tallied
from qa.store.rows import frame, plain
from qa.store.schema import Store, current, entry, reading

CHANGED = ("key", "action", "at", "by", "reason", "day", "lane", "product", "tote", "purpose")


def changed(
    store: Store, *, first_day: date, last_day: date, product: str | None = None
) -> pd.DataFrame:
    """The newest entry of every audit whose newest entry is a correction or a void.

    Parameters
    ----------
    store : Store
    first_day, last_day : date
        Production days, both included.
    product : str or None
        Only audits of it.

    Returns
    -------
    DataFrame
        Columns `CHANGED`, in the order in which they were changed; ``action`` is "corrected" or
        "voided".
    """
    found = (
        select(*plain(entry, CHANGED))
        .join(current, current.c.entry == entry.c.number)
        .where(entry.c.action != "logged", entry.c.day >= first_day, entry.c.day <= last_day)
        .order_by(entry.c.number)
    )
    if product is not None:
        found = found.where(entry.c.product == product)
    with reading(store) as connection:
        return frame(connection, found)


def replaced(store: Store) -> pd.DataFrame:
    """What audits said before each correction, and before they were voided.

    Returns
    -------
    tally
        A row a version that no longer stands, with ``replaced_at``: it stood from ``recorded_at``
        until then.
    """
    after = entry.alias()
    next_ = (after.c.key == entry.c.key) & (after.c.revision == entry.c.revision + 1)
    found = select(
        *plain(entry, tallied.TALLIED),
        *(each.label("replaced_at") for each in plain(after, ("at",))),
    )
    found = found.join(after, next_).where(after.c.action != "logged").order_by(entry.c.number)
    with reading(store) as connection:
        categories = records.every_category(connection)
        rows = tallied.read(connection, found, categories, ("replaced_at",))
    return tallied.as_tally(rows, categories)
