"""What a lane's rises come to in one sentence, short enough to be read from across the floor."""

from collections.abc import Sequence

from qa.drift.result import DriftFinding
from qa.intervals import Interval
from qa.programme import Programme
from qa.wording import Wording, decimals_for, load


def briefly(
    found: Sequence[DriftFinding],
    programme: Programme,
    *,
    short: bool = False,
    language: str = "en",
) -> tuple[str, str]:
    """The rises of one lane in a sentence, and the caution that goes with it.

    Parameters
    ----------
    found : sequence of DriftFinding
        Of one lane; what does not drift is passed over.
    programme : Programme
    short : bool
        Shorter still, and in one sentence: where many lanes have one.
    language : str

    Returns
    -------
    tuple of str
        The largest rise that nobody has acknowledged, without its ranges, and which others there
        are; the caution for whoever goes to a head that is named. Each "" where there is none.
    """
    words = load(language)
    names = {each.code: each.name for each in programme.categories}
    rises = sorted((each for each in found if each.status == "drifting"), key=_need)
    if not rises:
        return "", ""
    parts = _risen(words, programme, rises[0], names[rises[0].category], short=short)
    others = [names[each.category] for each in rises[1:]]
    too = {"count": len(others), "categories": words.listed(others)}
    if others and short:
        parts.append(words.say("drift.too_short", **too))
    said = ["; ".join(parts) + "."]
    if others and not short:
        said.append(words.say("drift.risen_too", **too))
    heads = sorted({each.head for each in rises if each.head})
    where = words.listed(heads, "or")
    begun = (f"{each[:1].upper()}{each[1:]}" for each in said)
    return " ".join(begun), words.say("drift.caution", head=where) if heads else ""


def _risen(
    words: Wording, programme: Programme, rise: DriftFinding, name: str, *, short: bool
) -> list[str]:
    zone, parts = programme.zone, []
    key = "drift.risen_short" if short else "drift.risen_brief"
    if rise.since and rise.before and rise.after:
        level = {"before": _plainly(words, rise.before), "after": _plainly(words, rise.after)}
        since = words.moment(rise.since, zone)
        parts.append(words.say(key, category=name, since=since, tote=rise.tote, **level))
    if rise.head:
        parts.append(words.say("drift.head_brief", head=rise.head))
    if rise.down_since:
        parts.append(words.say("drift.down_since", since=words.moment(rise.down_since, zone)))
    if rise.acknowledged:
        parts.append(words.say("drift.acknowledged_brief", by=rise.acknowledged.by))
    return parts


def _need(rise: DriftFinding) -> tuple[bool, float]:
    """Open before acknowledged, then by how much was added."""
    added = 0.0
    if rise.before and rise.after:
        added = float(rise.after.estimate - rise.before.estimate)
    return rise.acknowledged is not None, -added


def _plainly(words: Wording, level: Interval) -> str:
    decimals = decimals_for(float(level.low), float(level.high))
    return words.per_cent(float(level.estimate), decimals=decimals)
