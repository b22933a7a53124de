"""Which audits were corrected or voided, among those of some days."""

from datetime import date

import pandas as pd
from sqlalchemy import select

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
