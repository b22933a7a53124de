"""The list of the ledger: its filters, its rows a page at a time, export, and the check."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from dash import html

from dashboard import components, explained, people
from dashboard.pages.ledger import filters, taking
from dashboard.pages.ledger.filters import narrowed
from dashboard.texts import Wording, told
from dashboard.views import ledger
from dashboard.views.ledger import Change, LedgerView, Line
from qa.store.ledger import PAGE

PATH = filters.PATH
CHECK_AT, EXPORT_AT = "/ledger/check", "/ledger/export"
FILES = ("csv", "xlsx", "parquet")
MOST_CHANGES = 2  # of a correction, in the list
SECONDS = 600  # a long record takes long to check
DEEDS = {
    "findings": ("found_at", "lane", "tote", "what"),
    "events": ("happened_at", "lane", "kind", "what"),
    "dispositions": ("at", "lane", "tote", "what", "reason"),
}


def body(words: Wording, view: LedgerView) -> list[Any]:
    what = view.asked.get("what", ledger.AUDITS)
    of_audits = what == ledger.AUDITS
    empty = not (view.audits or view.problems or narrowed(view))
    filled = of_audits and not empty
    return [
        components.head(words.say("ledger.title"), html.P(words.say("ledger.lead"))),
        switch(words, view),
        *([filters.form(words, view)] if filled else ()),
        rows(words, view) if of_audits else deeds(words, view, what),
        *([files(words, view)] if filled else ()),
        *([taking.panel(words)] if people.may(people.GOVERN) else ()),
        check(words),
    ]


def switch(words: Wording, view: LedgerView) -> html.Div:
    """What is listed."""
    listed = view.asked.get("what", ledger.AUDITS)
    links = [
        (words.say(f"ledger_what.{each}"), PATH + ledger.address({"what": each}), each == listed)
        for each in ledger.WHATS
    ]
    return html.Div(components.links(words.say("ledger.listed"), links), className="filters")


def rows(words: Wording, view: LedgerView) -> Any:
    say = words.say
    if view.problems:
        stray = [f"{n} {view.problems[n]}" for n in ("what", "page") if n in view.problems]
        said = stray or [say("ledger.mend")]
        return components.panel(None, *(html.P(each, className="fault") for each in said))
    if not view.audits:
        return components.note(say("ledger.none" if narrowed(view) else "ledger.empty"))
    columns = [
        say(f"ledger.{name}") for name in ("tote", "pulled", "lane", "who", "found", "state")
    ]
    table = components.table(
        None,
        columns,
        [cells(words, view, each) for each in view.audits],
        say("ledger.title"),
        stacks=("", "", say("ledger.lane"), "", "", ""),
    )
    return components.panel(None, count(words, view), table, pages(words, view), id="ledger-rows")


def cells(words: Wording, view: LedgerView, line: Line) -> list[Any]:
    say, programme = words.say, view.programme
    shifts = {each.code: each.name for each in programme.shifts}
    products = {each.code: each.name for each in programme.products}
    kept = {name: text for name, text in view.asked.items() if name != "key"}
    to = PATH + ledger.address(kept, key=line.key)
    found = ", ".join(say("ledger.of_category", name=name, count=n) for name, n in line.found)
    purpose = [html.Span(say(f"purpose.{line.purpose}"), className="quiet small")]
    several = [html.Span(products.get(line.product, line.product), className="quiet small")]
    return [
        html.Div(
            [html.A(line.tote, href=to), *(purpose if line.purpose != "routine" else ())],
            className="ledger-cell",
        ),
        stacked(
            dated(words, line.pulled_at, view),
            say(
                "ledger.shift_of", shift=shifts.get(line.shift, line.shift), day=words.day(line.day)
            ),
        ),
        html.Div([line.lane, *(several if len(products) > 1 else ())], className="ledger-cell"),
        line.inspector,
        stacked(say("ledger.counted", count=line.incorrect, inspected=line.inspected), found),
        html.Div(
            [
                html.Span(
                    [
                        html.B(say(f"ledger_state.{line.state}"), className=f"ledger-{line.state}"),
                        *([": ", brief] if (brief := briefly(words, line)) else ()),
                    ]
                ),
                html.Span(
                    say("ledger.stamp", by=line.by, when=dated(words, line.at, view)),
                    className="quiet small",
                ),
            ],
            className="ledger-cell",
        ),
    ]


def briefly(words: Wording, line: Line) -> str:
    """What a correction changed, counts first, or why an audit was voided."""
    if line.state == "voided":
        return line.reason
    told = [each for each in line.changes if each.field != "correct"] or list(line.changes)
    told.sort(key=lambda each: each.field in ledger.EDITED)
    said = [changed(words, each) for each in told[:MOST_CHANGES]]
    left = len(told) - len(said)
    return "; ".join([*said, *([words.say("ledger.more_changes", count=left)] if left else ())])


def changed(words: Wording, change: Change) -> str:
    """A field's name in the screens' words; a category's is its own."""
    known = change.field in (*ledger.EDITED, "line")
    name = words.say(f"ledger_field.{change.field}") if known else change.field
    blank = words.say("ledger.blank")
    return words.say(
        "ledger.change", field=name, before=change.before or blank, after=change.after or blank
    )


def stacked(first: str, second: str) -> html.Div:
    under = [html.Span(second, className="quiet small")] if second else []
    return html.Div([html.Span(first, className="nowrap"), *under], className="ledger-cell")


def dated(words: Wording, moment: datetime, view: Any) -> str:
    """Plant time with its day and year: a ledger is read years later."""
    zone = view.programme.zone
    return f"{moment.astimezone(zone):%Y-%m-%d} {words.clock(moment, zone)}"


def count(words: Wording, view: LedgerView) -> html.P:
    first = (view.page - 1) * PAGE
    shown = len(view.audits) or len(view.deeds)
    return html.P(
        words.say("ledger.shown", first=first + 1, last=first + shown, total=view.total),
        className="quiet",
        role="status",
    )


def pages(words: Wording, view: LedgerView) -> html.Nav:
    """To the pages beside this one, and to the ends."""
    here, last, say = view.page, view.pages, words.say
    wanted = {"first_page": 1, "before": here - 1, "after": here + 1, "last_page": last}
    links = [
        html.A(
            say(f"ledger.{name}"),
            href=PATH + ledger.address(view.asked, page=to),
            className="choice",
        )
        for name, to in wanted.items()
        if 1 <= to <= last and to != here
    ]
    here_said = html.Span(say("ledger.page", page=here, pages=last), className="choices-name")
    return html.Nav(
        [here_said, *links],
        className="choices ledger-pages",
        **{"aria-label": say("ledger.paging")},
    )


def deeds(words: Wording, view: LedgerView, what: str) -> Any:
    say = words.say
    if view.problems:
        return rows(words, view)
    if not view.deeds:
        return components.note(say(f"ledger_none.{what}"))
    names = DEEDS[what]
    columns = [*(say(f"ledger_column.{name}") for name in names), say("ledger.state")]
    body = [
        [*(said_of(words, view, what, row, name) for name in names), ended(words, view, row)]
        for row in view.deeds
    ]
    table = components.table(None, columns, body, say(f"ledger_what.{what}"), stacks=columns)
    return components.panel(None, count(words, view), table, pages(words, view), id="ledger-rows")


def said_of(words: Wording, view: LedgerView, what: str, row: Mapping[str, Any], name: str) -> str:
    value = row[name]
    if isinstance(value, datetime):
        return dated(words, value, view)
    if what == "events" and name == "kind":
        return words.say(f"event.{value}")
    if what == "dispositions" and name == "what":
        return words.say(f"disposition.{value}")
    return str(value)


def ended(words: Wording, view: LedgerView, row: Mapping[str, Any]) -> html.Div:
    """Who recorded it; and who ended it, when and why."""
    say = words.say
    lines = [say("ledger.stamp", by=row["by"], when=dated(words, row["at"], view))]
    if row.get("ended_at"):
        when = dated(words, row["ended_at"], view)
        lines.append(say("ledger.ended", by=row["ended_by"], when=when, reason=row["ended_reason"]))
    return html.Div([html.Span(each) for each in lines], className="ledger-cell")


def files(words: Wording, view: LedgerView) -> html.Section:
    """What is filtered, as a file."""
    say = words.say
    kept = {name: view.asked[name] for name in ledger.FILTERS if name in view.asked}
    made = [
        html.Button(
            say(f"ledger_file.{kind}"),
            type="button",
            className="act act-second",
            id=f"ledger-export-{kind}",
            **{
                "data-download": f"{EXPORT_AT}.{kind}{ledger.address(kept)}",
                "data-save": "audits." + kind,
                "data-fault-at": "ledger-export-fault",
                "data-unsent": say("ledger.not_written"),
            },
        )
        for kind in FILES
    ]
    return components.panel(
        say("ledger.export"),
        html.P(say("ledger.export_lead"), className="quiet"),
        html.Div(made, className="ledger-acts"),
        components.fault("ledger-export"),
    )


def check(words: Wording) -> html.Section:
    say = words.say
    return components.panel(
        say("ledger.trail"),
        html.P(say("ledger.trail_lead"), className="quiet"),
        components.form(words, "ledger", CHECK_AT, say("ledger.trail_check"), seconds=SECONDS),
        explained.more(explained.how(words, "ledger", ("ledger_check", {}))),
    )


def checked(words: Wording, breaks: Sequence[str]) -> str:
    if not breaks:
        return words.say("ledger.sound")
    return words.say("ledger.broken", count=len(breaks), first=told(breaks[0]))
