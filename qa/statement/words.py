"""A statement in words: every figure as people read it, section by section."""

from collections.abc import Iterator
from zoneinfo import ZoneInfo

from qa.statement import shown, writing
from qa.statement.cautions import cautions
from qa.statement.document import Document, Section, Table
from qa.statement.result import Statement
from qa.statement.teller import Teller, bounded_of, vars_of
from qa.wording import Wording

DIGITS = 16  # of a programme's digest that paper shows


def tell(statement: Statement, words: Wording) -> Document:
    """A statement as a document."""
    teller = Teller(statement, words)
    parts = (
        _subject,
        shown.figures,
        shown.lanes,
        shown.categories,
        _totes,
        _lots,
        shown.method,
        shown.buyer,
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
        answer=statement.claim.answer,
        answer_said=teller.told.word.capitalize(),
        sentences=tuple(_sentences(teller)),
        sections=tuple(section for section in told if section is not None),
        signature=teller.say("label.signature"),
        number=teller.say("number", number=statement.paper.issue) if statement.paper.issue else "",
    )


def _sentences(teller: Teller) -> Iterator[str]:
    """The claim, then what must be known with it."""
    yield teller.told.sentence
    yield from teller.told.ahead
    other = teller.of.made if teller.of.scope.as_shipped else teller.of.shipped
    if other:
        key = "made" if teller.of.scope.as_shipped else "shipped"
        yield teller.say(f"more.{key}", **vars_of(bounded_of(teller, other)))
    yield from cautions(teller.words, teller.of.claim, teller.of.counted, teller.figure)


def _subject(teller: Teller) -> Section:
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
        "period_one" if scope.first_day == scope.last_day else "period",
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


def _totes(teller: Teller) -> Section:
    of, say, words = teller.of, teller.say, teller.words
    counted, spread = of.counted, of.spread
    key = "audited_same" if counted.fewest == counted.most else "audited_range"
    audited = say(
        f"text.{key}",
        totes=of.claim.totes,
        audits=counted.counted,
        inspected=of.claim.inspected,
        fewest=counted.fewest,
        most=counted.most,
    )
    left_out = [
        say("text.left_out_one", count=count, purpose=say(f"purpose.{purpose}"))
        for purpose, count in counted.left_out.items()
    ]
    listed = say("none")
    if left_out:
        listed = say(f"text.left_out_{teller.figure}", listed=words.listed(left_out))
    chosen = f"{say(f'text.chosen_{teller.figure}')} {of.paper.chosen}".strip()
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
            ("chosen", chosen),
            ("left_out", listed),
            ("changed", changed),
            ("worst", worst),
            ("spread", _spread(teller)),
        ),
    )


def _spread(teller: Teller) -> str:
    spread = teller.of.spread
    told = teller.say(
        "text.spread",
        count=teller.of.claim.totes,
        at_target=spread.at_target,
        target=teller.target,
        median=teller.words.per_cent(spread.median),
        tenth=teller.words.per_cent(spread.tenth),
    )
    return f"{told} {writing.likeness(teller.words, spread)}".strip()


def _load(teller: Teller) -> str:
    shipped, audited = teller.of.paper.shipped, teller.of.claim.totes
    if shipped is None:
        return ""
    if shipped < audited:
        return teller.say("text.load", shipped=shipped, audited=audited)
    missed = shipped - audited
    return teller.say("text.load_missed", shipped=shipped, audited=audited, missed=missed)


def _lots(teller: Teller) -> Section:
    lots, say, words = teller.of.lots, teller.say, teller.words
    became = [
        say("text.became_one", count=count, what=say(f"disposition.{what}"))
        for what, count in lots.totes.items()
    ]
    judged = {"judged": lots.judged, "accepted": lots.accepted, "re_sorted": lots.re_sorted}
    rows = []
    for each in teller.of.plans:
        inspection = say(f"inspection.{each.inspection}")
        lanes = words.listed(list(each.lanes))
        plan = writing.plan(words, each.stages, each.pulled)
        rows.append((words.say(f"class.{each.severity}"), inspection, lanes, plan))
    heads = teller.heads("judged", "inspection", "lanes", "plan")
    return Section(
        say("section.lots"),
        pairs=teller.pairs(
            ("judged", say("text.judged", **judged)),
            ("held", say("text.held", held=lots.held, locked=lots.locked)),
            ("became", words.listed(became) if became else say("text.became_none")),
        ),
        table=Table(heads, tuple(rows), (False,) * len(heads)),
    )


def _excluded(teller: Teller) -> Section:
    every = (teller.say(f"excluded.{name}") for name in ("scope", "inspectors", "later"))
    return Section(teller.say("section.excluded"), texts=(*every, *teller.of.paper.excluded))


def _cautions(teller: Teller) -> Section:
    names = ["workmanship", "food"] + (["average"] if teller.of.claim.kind == "average" else [])
    return Section(
        teller.say("section.cautions"),
        texts=tuple(teller.say(f"caution.{name}") for name in names),
    )


def _again(teller: Teller) -> Section:
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
    follows = say(f"again.{teller.figure}")
    return Section(
        say("section.again"),
        pairs=teller.pairs(
            ("programme", teller.words.listed(versions)), ("digest", of.digest.sha256)
        ),
        texts=(say("again.digest", count=of.digest.audits, columns=columns), follows),
    )


def _issued(teller: Teller) -> Section:
    paper, say = teller.of.paper, teller.say
    return Section(
        say("section.issued"),
        pairs=teller.pairs(
            ("issue", paper.issue or say("not_given")),
            ("supersedes", paper.supersedes or say("not_given")),
            ("signatory", paper.signatory or say("not_given")),
        ),
    )
