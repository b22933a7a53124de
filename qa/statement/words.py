"""A statement in words: every figure as people read it, section by section."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from qa.claim import Bounds, Simulation
from qa.intervals.clustered import FEW_TOTES
from qa.statement import writing
from qa.statement.document import Document, Section, Strip, StripRow, Table
from qa.statement.result import Figure, Statement
from qa.wording import Wording

DIGITS = 16  # of a programme's digest that paper shows
_ALIKE = 1.05  # limits no more than this many times wider are said to come close


@dataclass(frozen=True, slots=True)
class _Teller:
    """A statement and the words to tell it in."""

    of: Statement
    words: Wording

    def say(self, key: str, **values: object) -> str:
        """A sentence of the statement."""
        return self.words.say(f"statement.{key}", **values)

    def heads(self, *names: str) -> tuple[str, ...]:
        """Heads of a table."""
        return tuple(self.say(f"head.{name}") for name in names)

    def pairs(self, *pairs: tuple[str, str]) -> tuple[tuple[str, str], ...]:
        """Texts with their labels, those without a text left out."""
        return tuple((self.say(f"label.{label}"), text) for label, text in pairs if text)

    def count(self, number: int) -> str:
        """A whole number."""
        return self.words.count(number)

    @property
    def confidence(self) -> str:
        """Of each bound."""
        return writing.whole(self.words, self.of.claim.confidence)

    @property
    def target(self) -> str:
        """Of the claim."""
        return writing.whole(self.words, self.of.claim.target)


def tell(statement: Statement, words: Wording) -> Document:
    """A statement as a document."""
    teller = _Teller(statement, words)
    claim = statement.claim
    parts = (
        _subject,
        _figures,
        _lanes,
        _categories,
        _totes,
        _lots,
        _method,
        _buyer,
        _excluded,
        _cautions,
        _again,
        _issued,
    )
    told = (part(teller) for part in parts)
    return Document(
        language=words.language,
        title=teller.say("title"),
        of=teller.say("of", name=statement.name, site=statement.site),
        answer=claim.answer,
        answer_said=teller.say(f"answer.{claim.answer}"),
        sentences=tuple(_sentences(teller)),
        sections=tuple(section for section in told if section is not None),
        signature=teller.say("label.signature"),
        number=teller.say("number", number=statement.paper.issue) if statement.paper.issue else "",
    )


def _sentences(teller: _Teller) -> Iterator[str]:
    """The claim, then what must be known with it."""
    claim, words = teller.of.claim, teller.words
    limits = claim.bounds.lower, claim.bounds.upper
    yield teller.say(
        f"{claim.kind}.{claim.answer}",
        target=teller.target,
        share=writing.whole(words, claim.share),
        confidence=teller.confidence,
        **vars_of(_limits(teller, claim.estimate, *limits)),
    )
    for each in teller.of.needed:
        assurance = writing.whole(words, each.assurance)
        if each.totes is None:
            yield teller.say("more.beyond", most=Simulation().most, assurance=assurance)
        else:
            sizes = {"totes": each.totes, "pieces": each.inspected}
            yield teller.say("more.needed", assurance=assurance, **sizes)
    if teller.of.shipped:
        [told] = _alike(teller, [teller.of.shipped])
        yield teller.say("more.shipped", **vars_of(told))


def _subject(teller: _Teller) -> Section:
    of, say = teller.of, teller.say
    scope, paper, zone = of.scope, of.paper, ZoneInfo(of.zone)
    lanes = teller.words.listed(list(of.lanes))
    counted = [each.name for each in of.categories if each.counts]
    allowed = [each.name for each in of.categories if not each.counts]
    names = teller.words.listed(counted, "or")
    if allowed:
        rule = say("text.rule_some", categories=names, allowed=teller.words.listed(allowed))
    else:
        rule = say("text.rule_all", categories=names)
    period = say(
        "period",
        first=writing.day(teller.words, scope.first_day),
        last=writing.day(teller.words, scope.last_day),
        begins=teller.words.moment(of.begins, zone),
        ends=teller.words.moment(of.ends, zone),
        zone=of.zone,
    )
    spec = say("text.specification", name=of.specification_name, code=scope.specification)
    given = ((name, getattr(paper, name)) for name in ("buyer", "order", "load", "lots"))
    return Section(
        say("section.subject"),
        pairs=teller.pairs(
            *((name, text or say("not_given")) for name, text in given),
            ("product", of.product_name),
            ("specification", spec),
            ("rule", rule),
            ("period", period),
            ("lanes", say("text.every_lane", lanes=lanes) if of.every_lane else lanes),
        ),
    )


def _figures(teller: _Teller) -> Section:
    of, say = teller.of, teller.say
    shown = [of.made] + ([of.shipped] if of.shipped else [])
    texts = [say("text.bounds", confidence=teller.confidence)]
    texts += [say("text.bounds_of_shipped")] if of.shipped else []
    return Section(
        say("section.figures"),
        table=_table_of(teller, "figure", shown),
        texts=tuple(texts),
    )


def _lanes(teller: _Teller) -> Section:
    return Section(
        teller.say("section.lanes"),
        table=_table_of(teller, "lane", teller.of.by_lane),
        strip=_strip(teller),
    )


def _table_of(teller: _Teller, first: str, shown: Sequence[Figure]) -> Table:
    names = (first, "totes", "pieces", "incorrect", "correct", "at_least", "at_most")
    rows = []
    for each, told in zip(shown, _alike(teller, shown), strict=True):
        sizes = (teller.count(size) for size in (each.totes, each.inspected, each.incorrect))
        rows.append((each.label, *sizes, told.estimate, told.lower, told.upper))
    return Table(teller.heads(*names), tuple(rows), (False, *[True] * 6))


def _strip(teller: _Teller) -> Strip:
    of, say = teller.of, teller.say
    ends = [limit for each in of.by_lane for limit in (each.lower, each.upper)]
    axis = writing.axis([*ends, of.claim.target])
    rows = []
    for each, told in zip(of.by_lane, _alike(teller, of.by_lane), strict=True):
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


def _categories(teller: _Teller) -> Section:
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


def _totes(teller: _Teller) -> Section:
    of, say, words = teller.of, teller.say, teller.words
    claim, counted, spread = of.claim, of.counted, of.spread
    key = "audited_same" if counted.fewest == counted.most else "audited_range"
    audited = say(
        f"text.{key}",
        totes=claim.totes,
        audits=counted.counted,
        inspected=claim.inspected,
        fewest=counted.fewest,
        most=counted.most,
    )
    left_out = [
        say("text.left_out_one", count=count, purpose=say(f"purpose.{purpose}"))
        for purpose, count in counted.left_out.items()
    ]
    listed = say("text.left_out", listed=words.listed(left_out)) if left_out else say("none")
    chosen = "chosen_also" if of.paper.chosen else "chosen"
    worst = say(
        "text.worst",
        tote=spread.worst,
        lane=spread.worst_lane,
        day=writing.day(words, spread.worst_day),
        incorrect=spread.worst_incorrect,
        inspected=spread.worst_inspected,
        share=words.per_cent(spread.worst_incorrect / spread.worst_inspected),
    )
    changed = say("text.unchanged")
    if counted.corrected or counted.voided:
        changed = say("text.changed", corrected=counted.corrected, voided=counted.voided)
    return Section(
        say("section.totes"),
        pairs=teller.pairs(
            ("load_totes", _load(teller)),
            ("audited", audited),
            ("silent", _silent(teller)),
            ("chosen", say(f"text.{chosen}", chosen=of.paper.chosen)),
            ("left_out", listed),
            ("changed", changed),
            ("worst", worst),
            ("spread", _spread(teller)),
        ),
    )


def _silent(teller: _Teller) -> str:
    """Lanes and days of the scope of which no figure speaks."""
    of, told = teller.of.counted, []
    if of.silent_lanes:
        lanes = teller.words.listed(list(of.silent_lanes))
        told.append(teller.say("text.silent_lanes", lanes=lanes))
    if of.silent_days:
        known = {"silent": of.silent_days, "days": of.days}
        told.append(teller.say("text.silent_days", **known))
    return " ".join(told)


def _spread(teller: _Teller) -> str:
    spread = teller.of.spread
    told = teller.say(
        "text.spread",
        totes=teller.of.claim.totes,
        at_target=spread.at_target,
        target=teller.target,
        median=teller.words.per_cent(spread.median),
        tenth=teller.words.per_cent(spread.tenth),
    )
    if spread.correlation != spread.correlation:  # totes cannot show one
        return told
    value = f"{spread.correlation:.3f}".replace(".", teller.words.decimal)
    return f"{told} {teller.say('text.spread_correlation', value=value)}"


def _load(teller: _Teller) -> str:
    shipped, audited = teller.of.paper.shipped, teller.of.claim.totes
    if shipped is None:
        return ""
    if shipped < audited:
        return teller.say("text.load", shipped=shipped, audited=audited)
    missed = shipped - audited
    return teller.say("text.load_missed", shipped=shipped, audited=audited, missed=missed)


def _lots(teller: _Teller) -> Section:
    lots, say, words = teller.of.lots, teller.say, teller.words
    became = [
        say("text.became_one", count=count, what=say(f"disposition.{what}"))
        for what, count in lots.totes.items()
    ]
    judged = {"judged": lots.judged, "accepted": lots.accepted, "re_sorted": lots.re_sorted}
    rows = []
    for each in teller.of.plans:
        plan = say(
            "plan.lanes",
            lanes=words.listed(list(each.lanes)),
            plan=writing.plan(words, each.stages),
        )
        inspection = say(f"inspection.{each.inspection}")
        rows.append((words.say(f"class.{each.severity}"), inspection, plan))
    return Section(
        say("section.lots"),
        pairs=teller.pairs(
            ("judged", say("text.judged", **judged)),
            ("held", say("text.held", held=lots.held, locked=lots.locked)),
            ("became", words.listed(became)),
        ),
        table=Table(teller.heads("judged", "inspection", "plan"), tuple(rows), (False,) * 3),
    )


def _method(teller: _Teller) -> Section:
    of, say = teller.of, teller.say
    claim = of.claim
    texts = [say("method.totes", inspected=claim.inspected, totes=claim.totes), _naive(teller)]
    texts += [say("method.few", few=FEW_TOTES)] if claim.totes < FEW_TOTES else []
    ways = (claim.bounds, *claim.beside) + ((claim.naive,) if claim.kind == "average" else ())
    at = max(writing.decimals(each.lower, each.upper, claim.target) for each in ways)
    return Section(
        say("section.method"),
        table=Table(
            teller.heads("method", "at_least", "at_most", "answer"),
            tuple(_way(teller, each, at) for each in ways),
            (False, True, True, False),
        ),
        texts=(*texts, *claim.assumed),
    )


def _way(teller: _Teller, way: Bounds, at: int) -> tuple[str, ...]:
    told = writing.bounded(teller.words, teller.of.claim.estimate, way.lower, way.upper, at)
    answer = teller.say(f"answer.{way.answer}").lower()
    return teller.say(f"by.{way.method}"), told.lower, told.upper, answer


def _naive(teller: _Teller) -> str:
    claim, say = teller.of.claim, teller.say
    naive, goal = claim.naive, claim.target if claim.kind == "average" else claim.share
    at = writing.decimals(naive.lower, naive.upper, goal)
    told = writing.bounded(teller.words, claim.estimate, naive.lower, naive.upper, at)
    said = {
        "lower": told.lower,
        "upper": told.upper,
        "answer": say(f"answer.{naive.answer}").lower(),
    }
    if claim.kind != "average":
        return say("method.naive_share", target=teller.target, **said)
    factor = (claim.bounds.upper - claim.bounds.lower) / (naive.upper - naive.lower)
    key = "naive_wide" if factor > _ALIKE else "naive_alike"
    shown = f"{factor:.1f}".replace(".", teller.words.decimal)
    return (
        f"{say('method.naive', inspected=claim.inspected, **said)} "
        f"{say(f'method.{key}', factor=shown)}"
    )


def _buyer(teller: _Teller) -> Section | None:
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


def _excluded(teller: _Teller) -> Section:
    every = (teller.say(f"excluded.{name}") for name in ("scope", "inspectors", "later"))
    return Section(teller.say("section.excluded"), texts=(*every, *teller.of.paper.excluded))


def _cautions(teller: _Teller) -> Section:
    names = ["workmanship", "food"] + (["average"] if teller.of.claim.kind == "average" else [])
    return Section(
        teller.say("section.cautions"),
        texts=tuple(teller.say(f"caution.{name}") for name in names),
    )


def _again(teller: _Teller) -> Section:
    of, say = teller.of, teller.say
    versions = [
        say(
            "text.programme",
            version=str(each.version),
            digest=each.sha256[:DIGITS],
        )
        for each in of.versions
    ]
    columns = ", ".join(of.digest.columns)
    return Section(
        say("section.again"),
        pairs=teller.pairs(
            ("programme", teller.words.listed(versions)), ("digest", of.digest.sha256)
        ),
        texts=(say("again.digest", count=of.digest.audits, columns=columns),),
    )


def _issued(teller: _Teller) -> Section:
    paper, say = teller.of.paper, teller.say
    return Section(
        say("section.issued"),
        pairs=teller.pairs(
            ("issue", paper.issue or say("not_given")),
            ("supersedes", paper.supersedes or say("none")),
            ("signatory", paper.signatory or say("not_given")),
        ),
    )


def _limits(teller: _Teller, estimate: float, lower: float, upper: float) -> writing.Bounded:
    at = writing.decimals(lower, upper, teller.of.claim.target)
    return writing.bounded(teller.words, estimate, lower, upper, at)


def _alike(teller: _Teller, shown: Sequence[Figure]) -> list[writing.Bounded]:
    """Figures of one table, all with the decimals of the one that wants most."""
    target = teller.of.claim.target
    at = max(writing.decimals(each.lower, each.upper, target) for each in shown)
    limits = ((each.estimate, each.lower, each.upper) for each in shown)
    return [writing.bounded(teller.words, *each, at) for each in limits]


def vars_of(told: writing.Bounded) -> dict[str, str]:
    """The three texts by name, for a sentence."""
    return {"estimate": told.estimate, "lower": told.lower, "upper": told.upper}
