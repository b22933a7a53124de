"""Audits beyond a category's gross limit: who is called, at once, whatever the plan says.

The limit is the programme's own, in per cent of the pieces of one audit; an audit exactly on it
does not pass it. It is no statistic: one audit may pass it by chance.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction

import pandas as pd

from qa.programme import Category, Programme
from qa.tally import checked
from qa.wording import Wording, load, utc

STANDS = timedelta(hours=24)  # after that the lane is told by what was audited since
NOT_OF_THE_LANE = ("re-audit", "study")


@dataclass(frozen=True, slots=True)
class Gross:
    """One category of one audit beyond its gross limit.

    Attributes
    ----------
    lane, tote, category : str
    pulled_at : datetime
        UTC.
    count, inspected : int
    limit : float
        Per cent of pieces.
    call : str
        Whom to call, as the programme names them.
    sentence : str
        What was found, whom to call, and the caution before anyone goes to a head.
    """

    lane: str
    tote: str
    category: str
    pulled_at: datetime
    count: int
    inspected: int
    limit: float
    call: str
    sentence: str


def passed(
    audit: Mapping[str, object],
    counts: Mapping[str, int],
    programme: Programme,
    *,
    language: str = "en",
) -> tuple[Gross, ...]:
    """The categories of one audit that pass their gross limits.

    Parameters
    ----------
    audit : mapping
        Its lane, tote, pulled_at and inspected.
    counts : mapping of category code to int
    programme : Programme
        The one in force when the pieces were pulled.
    language : str

    Returns
    -------
    tuple of Gross
        In the programme's order.
    """
    words, inspected = load(language), int(str(audit["inspected"]))
    return tuple(
        _gross(audit, int(counts[each.code]), inspected, each, words)
        for each in programme.categories
        if _beyond(int(counts.get(each.code, 0)), inspected, each)
    )


def standing(
    tallies: pd.DataFrame,
    programmes: Mapping[int, Programme],
    *,
    now: datetime,
    language: str = "en",
) -> dict[str, tuple[Gross, ...]]:
    """Lanes whose newest audit, of the last `STANDS`, passes a gross limit.

    Re-audits after a re-sort and studies say nothing of what a lane makes now.

    Parameters
    ----------
    tallies : tally
    programmes : mapping of version to Programme
    now : datetime
    language : str

    Returns
    -------
    dict of lane to tuple of Gross
    """
    rows = tallies[~checked(tallies)["purpose"].isin(NOT_OF_THE_LANE)]
    rows = rows[(rows["pulled_at"] <= now) & (rows["pulled_at"] > now - STANDS)]
    newest = rows.sort_values("pulled_at", kind="stable").groupby("lane").tail(1)
    found = {}
    for row in newest.to_dict("records"):
        programme = programmes[int(row["programme"])]
        counts = {code: int(row[code]) for code in programme.category_codes}
        audit = {str(name): value for name, value in row.items()}
        beyond = passed(audit, counts, programme, language=language)
        if beyond:
            found[str(row["lane"])] = beyond
    return found


def _beyond(count: int, inspected: int, category: Category) -> bool:
    limit = category.gross
    # As the programme writes it: 0.3 is no float, and exactly on the limit does not pass it.
    return limit is not None and 100 * Fraction(count, inspected) > Fraction(str(limit.at))


def _gross(
    audit: Mapping[str, object], count: int, inspected: int, category: Category, words: Wording
) -> Gross:
    limit = category.gross
    at, call = (limit.at, limit.call) if limit else (0.0, "")
    lane, tote = str(audit["lane"]), str(audit["tote"])
    said = words.say(
        "gross.passed",
        category=category.name,
        count=count,
        inspected=inspected,
        share=words.per_cent(count / inspected),
        limit=words.number(at),
        lane=lane,
        tote=tote,
        call=call,
    )
    return Gross(
        lane=lane,
        tote=tote,
        category=category.code,
        pulled_at=utc(audit["pulled_at"]),
        count=count,
        inspected=inspected,
        limit=at,
        call=call,
        sentence=f"{said} {words.say('gross.caution')}",
    )
