"""The sections of a statement that show figures: tables, the picture, the method."""

from collections.abc import Sequence

from qa.claim import Bounds
from qa.statement import writing
from qa.statement.document import Section, Strip, StripRow, Table
from qa.statement.result import Figure
from qa.statement.teller import Teller, alike, vars_of
from qa.wording import decimals_beside

_CLOSE = 1.05  # limits no more than this many times wider are said to come close


def figures(teller: Teller) -> Section:
    """As made beside as shipped."""
    of, say = teller.of, teller.say
    shown = [of.made] + ([of.shipped] if of.shipped else [])
    texts = [say("text.bounds", confidence=teller.confidence)]
    texts += [say("text.bounds_of_shipped")] if of.shipped else []
    return Section(
        say("section.figures"),
        table=_table_of(teller, "figure", shown),
        texts=tuple(texts),
    )


def lanes(teller: Teller) -> Section:
    """Every lane, as a table and as the picture."""
    return Section(
        teller.say("section.lanes"),
        table=_table_of(teller, "lane", teller.of.by_lane),
        strip=_strip(teller),
    )


def _table_of(teller: Teller, first: str, shown: Sequence[Figure]) -> Table:
    names = (first, "totes", "pieces", "incorrect", "correct", "at_least", "at_most")
    rows = []
    for each, told in zip(shown, alike(teller, shown), strict=True):
        sizes = (teller.count(size) for size in (each.totes, each.inspected, each.incorrect))
        rows.append((each.label, *sizes, told.estimate, told.lower, told.upper))
    return Table(teller.heads(*names), tuple(rows), (False, *[True] * 6))


def _strip(teller: Teller) -> Strip:
    of, say = teller.of, teller.say
    ends = [limit for each in of.by_lane for limit in (each.lower, each.upper)]
    axis = writing.axis([*ends, of.claim.target])
    rows = []
    for each, told in zip(of.by_lane, alike(teller, of.by_lane), strict=True):
        label = say("text.strip_name", lane=each.label)
        said = say("text.strip_lane", lane=each.label, **vars_of(told))
        places = (axis.place(value) for value in (each.estimate, each.lower, each.upper))
        rows.append(StripRow(label, said, *places))
    return Strip(
        caption=say("text.strip", target=teller.target),
        alt=say("text.strip_alt", target=teller.target, lanes="; ".join(row.said for row in rows)),
        rows=tuple(rows),
        ticks=tuple(
            (axis.place(tick), writing.whole(teller.words, tick).removesuffix(" %"))
            for tick in axis.ticks
        ),
        target=axis.place(of.claim.target),
        target_said=say("text.strip_target", target=teller.target),
    )


def categories(teller: Teller) -> Section:
    """Every kind of defect with its upper bound."""
    say, words = teller.say, teller.words
    rows = []
    for each in teller.of.categories:
        share, most = writing.share(words, each.share, each.upper)
        rows.append(
            (
                each.name,
                words.say(f"class.{each.severity}"),
                say("yes.yes" if each.counts else "yes.no"),
                teller.count(each.count),
                share,
                most,
            )
        )
    heads = teller.heads("category", "class", "counts", "found", "share", "at_most")
    table = Table(heads, tuple(rows), (False, False, False, True, True, True))
    told = say("text.categories", confidence=teller.confidence)
    return Section(say("section.categories"), table=table, texts=(told,))


def method(teller: Teller) -> Section:
    """How the figure was made, what is usual and why that is wrong."""
    of, say = teller.of, teller.say
    claim = of.claim
    texts = [say("method.totes", inspected=claim.inspected, totes=claim.totes), _naive(teller)]
    ways = (claim.bounds, *claim.beside) + ((claim.naive,) if claim.kind == "average" else ())
    at = max(decimals_beside(each.lower, each.upper, claim.target) for each in ways)
    return Section(
        say("section.method"),
        table=Table(
            teller.heads("method", "at_least", "at_most", "answer"),
            tuple(_way(teller, each, at) for each in ways),
            (False, True, True, False),
        ),
        texts=(*texts, *claim.assumed),
    )


def _way(teller: Teller, way: Bounds, at: int) -> tuple[str, ...]:
    told = writing.bounded(teller.words, teller.of.claim.estimate, way.lower, way.upper, at)
    answer = teller.say(f"answer.{way.answer}").lower()
    return teller.say(f"by.{way.method}"), told.lower, told.upper, answer


def _naive(teller: Teller) -> str:
    claim, say = teller.of.claim, teller.say
    naive, goal = claim.naive, claim.target if claim.kind == "average" else claim.share
    at = decimals_beside(naive.lower, naive.upper, goal)
    told = writing.bounded(teller.words, claim.estimate, naive.lower, naive.upper, at)
    said = {
        "lower": told.lower,
        "upper": told.upper,
        "answer": say(f"answer.{naive.answer}").lower(),
    }
    if claim.kind != "average":
        return say("method.naive_share", target=teller.target, **said)
    factor = (claim.bounds.upper - claim.bounds.lower) / (naive.upper - naive.lower)
    key = "naive_wide" if factor > _CLOSE else "naive_alike"
    shown = f"{factor:.1f}".replace(".", teller.words.decimal)
    return (
        f"{say('method.naive', inspected=claim.inspected, **said)} "
        f"{say(f'method.{key}', factor=shown)}"
    )


def buyer(teller: Teller) -> Section | None:
    """The buyer's own count beside ours; None where there is none."""
    found, say, words = teller.of.buyer, teller.say, teller.words
    if found is None:
        return None
    theirs = 1.0 - found.incorrect / found.inspected
    told = say(
        "text.difference",
        incorrect=found.incorrect,
        inspected=found.inspected,
        theirs=words.per_cent(theirs),
        ours=words.say(f"efficiency.{found.ours}"),
        estimate=words.per_cent(theirs - found.estimate),
        difference=writing.points(words, found.estimate),
        low=writing.points(words, found.low),
        high=writing.points(words, found.high),
        confidence=writing.whole(words, found.confidence),
    )
    key = "difference_no" if found.low <= 0 <= found.high else "difference_yes"
    texts = (told, say(f"text.{key}"), say("text.difference_how"))
    return Section(say("section.buyer"), texts=texts)
