"""The sections of a statement that show figures: tables, the picture, the method."""

import math
from collections.abc import Iterator, Sequence

from qa.claim import Bounded, alike, as_chosen
from qa.statement import writing
from qa.statement.document import Section, Strip, StripRow, Table
from qa.statement.result import Figure
from qa.statement.teller import Teller, bounded_of, vars_of
from qa.wording.told import told as said_in

_STUDIED = 0.95  # the confidence of the bounds whose misses were counted: python -m tests.coverage


def figures(teller: Teller) -> Section:
    """As made beside as shipped."""
    of, say = teller.of, teller.say
    shown = [of.made] + ([of.shipped] if of.shipped else [])
    names = [teller.words.say(f"efficiency.{each}") for each in ("as_made", "as_shipped")]
    told = [bounded_of(teller, each) for each in shown]
    texts = [say("text.bounds", confidence=teller.confidence)]
    texts += [say("text.bounds_of_shipped")] if of.shipped else []
    return Section(
        say("section.figures"),
        table=_table_of(teller, "figure", names[: len(shown)], shown, told),
        texts=tuple(texts),
    )


def lanes(teller: Teller) -> Section:
    """Every lane, as a table and as the picture; of one alone the row as made stands above."""
    limits = ((each.estimate, each.lower, each.upper) for each in teller.of.by_lane)
    told = alike(teller.words, limits, teller.of.claim.target)
    codes = [each.label for each in teller.of.by_lane]
    several = len(codes) > 1
    return Section(
        teller.say("section.lanes"),
        table=_table_of(teller, "lane", codes, teller.of.by_lane, told) if several else None,
        strip=_strip(teller, told),
    )


def _table_of(
    teller: Teller,
    first: str,
    names: Sequence[str],
    shown: Sequence[Figure],
    told: Sequence[Bounded],
) -> Table:
    heads = (first, "totes", "pieces", "incorrect", "correct", "at_least", "at_most")
    rows, notes = [], []
    for name, each, said in zip(names, shown, told, strict=True):
        sizes = (teller.count(size) for size in (each.totes, each.inspected, each.incorrect))
        rows.append((name, *sizes, said.estimate, said.lower, said.upper))
        shipped = each is teller.of.shipped
        notes.append(writing.beside_count(teller.words, each, said, shipped=shipped))
    right = (False, *[True] * 6)
    return Table(teller.heads(*heads), tuple(rows), right, tuple(notes) if any(notes) else ())


def _strip(teller: Teller, told: Sequence[Bounded]) -> Strip:
    of, say = teller.of, teller.say
    ends = [limit for each in of.by_lane for limit in (each.lower, each.upper)]
    axis = writing.axis([*ends, of.claim.target])
    rows = []
    for each, shown in zip(of.by_lane, told, strict=True):
        label = say("text.strip_name", lane=each.label)
        said = say("text.strip_lane", lane=each.label, **vars_of(shown))
        places = (axis.place(value) for value in (each.estimate, each.lower, each.upper))
        rows.append(StripRow(label, said, *places))
    return Strip(
        caption=say("text.strip", target=teller.target),
        alt=say("text.strip_alt", target=teller.target, lanes="; ".join(row.said for row in rows)),
        rows=tuple(rows),
        ticks=tuple(
            (axis.place(tick), as_chosen(teller.words, tick).removesuffix(" %"))
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
                teller.count(each.inspected),
                share,
                most,
            )
        )
    heads = teller.heads("category", "class", "counts", "found", "pieces", "share", "at_most")
    table = Table(heads, tuple(rows), (False, False, False, True, True, True, True))
    told = say("text.categories", confidence=teller.confidence)
    return Section(say("section.categories"), table=table, texts=(*_partly(teller), told))


def _partly(teller: Teller) -> Iterator[str]:
    """Kinds of defect that not all audits looked for, since the counting rule changed."""
    for each in teller.of.categories:
        if each.first_day is not None and each.last_day is not None:
            yield teller.say(
                "text.partly",
                name=each.name,
                first=writing.day(teller.words, each.first_day),
                last=writing.day(teller.words, each.last_day),
                inspected=each.inspected,
                every=teller.of.made.inspected,
            )


def method(teller: Teller) -> Section:
    """How the figure was made, what is usual and why that is wrong."""
    say, claim, told = teller.say, teller.of.claim, teller.told
    of_totes = [say("method.totes", inspected=claim.inspected, totes=claim.totes)]
    if claim.kind != "average":
        of_totes.append(say("method.share", share=as_chosen(teller.words, claim.share)))
    elif not teller.of.scope.as_shipped and claim.confidence == _STUDIED:
        of_totes.append(say("method.coverage"))
    if told.looking:
        of_totes.append(told.looking)
    assumed = [said_in(each, teller.words.language) for each in claim.assumed]
    return Section(
        say("section.method"),
        table=Table(
            teller.heads("method", "at_least", "at_most", "answer"),
            tuple((each.name, each.lower, each.upper, each.answer) for each in told.ways),
            (False, True, True, False),
        ),
        texts=(*of_totes, told.naive, *assumed),
    )


def buyer(teller: Teller) -> Section | None:
    """The buyer's own count beside ours; None where there is none."""
    found, say, words = teller.of.buyer, teller.say, teller.words
    if found is None:
        return None
    theirs = 1.0 - found.incorrect / found.inspected
    shipped = teller.of.shipped if found.ours == "as_shipped" else None
    compared = shipped or teller.of.made
    told = say(
        "text.difference",
        incorrect=found.incorrect,
        inspected=found.inspected,
        theirs=words.per_cent(theirs, decimals=2),
        ours=words.say(f"efficiency.{found.ours}"),
        estimate=bounded_of(teller, compared).estimate,
        difference=writing.points(words, found.estimate),
        low=writing.points(words, found.low, math.floor),
        high=writing.points(words, found.high, math.ceil),
        confidence=as_chosen(words, found.confidence),
    )
    key = "difference_no" if found.low <= 0 <= found.high else "difference_yes"
    texts = (told, say(f"text.{key}"), say("text.difference_how"))
    return Section(say("section.buyer"), texts=texts)
