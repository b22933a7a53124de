"""Shift: the sheet that one shift hands to the next."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from dash import Dash, Input, Output, dcc, html
from flask import Response, jsonify

from dashboard import components, explained, people
from dashboard.drawn import as_one
from dashboard.figures.scale import Scale, low_scale
from dashboard.pages import left_open
from dashboard.pages.sending import asked_who, sent
from dashboard.texts import Wording, language, words
from dashboard.views import choices, deeds, shift
from dashboard.views.deeds import DISPOSITIONS, Disposition
from dashboard.views.keeping import record
from dashboard.views.record import Share
from dashboard.views.shift import Cell, ShiftView, Signal
from qa.store.schema import Store

PATH, TITLE = "/shift", "page.shift"
BODY, FRESH, SAID = "shift-body", "shift-fresh", "shift-said"
DISPOSE_AT, LIFT_AT = "/shift/dispositions", "/shift/lifts"
COLUMNS = ("lane", "what", "share", "low", "high", "count", "inspected", "totes", "baseline")


def layout() -> list[Any]:
    return [
        html.Div(components.skeleton(words()), id=BODY),
        html.P(id=SAID, className="said", role="status"),
        dcc.Store(id=FRESH),
    ]


def register(app: Dash, store: Store, now: Callable[[], datetime]) -> None:
    @app.server.post(DISPOSE_AT)
    def dispose() -> Response:
        return jsonify(said=disposed(words(), deeds.dispose(store, sent("who"), now(), language())))

    @app.server.post(LIFT_AT)
    def lift() -> Response:
        tote = deeds.lift(store, sent("by"), now(), language())
        return jsonify(said=words().say("shift.lifted", tote=tote))

    @app.callback(Output(BODY, "children"), Input("app-address", "search"), Input(FRESH, "data"))
    def draw(search: str | None, fresh: int | None) -> Any:
        del fresh  # something was recorded: the same again, from the record as it is now
        asked = choices.read(search, record(store).programme)
        return as_one(body(words(), shift.view(store, asked, now(), language())))


def body(words: Wording, view: ShiftView) -> list[Any]:
    say, zone = words.say, view.programme.zone
    when = say(
        "shift.when",
        shift=view.name,
        day=words.day(view.day),
        start=words.clock(view.start, zone),
        end=words.clock(view.end, zone),
    )
    running = f" {say('shift.running')}" if view.start <= view.now < view.end else ""
    top = [
        components.head(
            say("shift.title"),
            html.P(f"{when}.{running}"),
            html.P(paper(words, view), className="only-print"),
            printing(words),
        ),
        filters(words, view),
    ]
    if view.start <= view.now:
        top.append(left_open.block(words, view))
    if view.empty:
        empty = say("shift.empty", shift=view.name, day=words.day(view.day))
        return [*top, components.beginning(words, empty)]
    return [
        *top,
        tiles(words, view),
        matrix(words, view),
        *(deciding(words, view) if people.may(people.DECIDE) else ()),
        signals(words, view),
        *(
            components.panel(say(f"shift.{name}"), html.Ul([html.Li(each) for each in said]))
            for name, said in listed(words, view)
            if said
        ),
    ]


def paper(words: Wording, view: ShiftView) -> str:
    """What a sheet on a wall must say besides."""
    target, year = words.per_cent(view.programme.target), str(view.day.year)
    of = {"site": view.programme.site, "name": view.programme.name}
    return words.say("shift.paper", **of, year=year, target=target)


def deciding(words: Wording, view: ShiftView) -> list[Any]:
    """The forms for what becomes of totes."""
    held = any(each.totes for each in view.held)
    forms = [disposition(words, view)] if held else []
    return [*forms, *([lifting(words, view)] if view.findings else ())]


def filters(words: Wording, view: ShiftView) -> html.Div:
    say = words.say

    def to(**changed: Any) -> str:
        return PATH + choices.query(**{"day": view.day, "shift": view.shift, **changed})

    shifts = [
        (each.name, to(shift=each.code), each.code == view.shift) for each in view.programme.shifts
    ]
    before, after = view.day - timedelta(days=1), view.day + timedelta(days=1)
    days = [(f"← {words.day(before)}", to(day=before), False)]
    days.append((words.day(view.day), to(), True))
    if view.days and after <= view.days[-1]:
        days.append((f"{words.day(after)} →", to(day=after), False))
    days.append((say("choice.latest"), PATH, False))
    return html.Div(
        [
            components.links(say("choice.day"), days),
            components.links(say("choice.shift"), shifts),
        ],
        className="filters",
    )


def printing(words: Wording) -> html.Button:
    look = "choice no-print"
    return html.Button(
        words.say("shift.print"), className=look, type="button", **{"data-print": ""}
    )


def tiles(words: Wording, view: ShiftView) -> html.Div:
    """The shift in a few figures."""
    line = components.figure(words, view.line) if view.line else words.say("share.none")
    figures = [
        (line, "line"),
        (words.count(view.counted), "counted"),
        (words.count(view.totes), "totes"),
        (words.count(view.lots.get("release", 0)), "released"),
        (words.count(view.lots.get("hold", 0)), "held"),
        (words.count(view.lots.get("locked", 0)), "locked"),
    ]
    return html.Div(
        [
            html.Div([html.B(figure), html.Span(words.say(f"shift.{name}"))], className="tile")
            for figure, name in figures
        ]
        + ([html.P(" ".join(told), className="quiet")] if (told := summed(words, view)) else []),
        className="shift-tiles",
    )


def summed(words: Wording, view: ShiftView) -> list[str]:
    """Where the figures of the tiles are, so that each is a sum that the reader can make."""
    say, told = words.say, []
    if set(view.pieces) - {"routine"}:
        parts = [
            say("shift.pieces_of", count=count, purpose=say(f"shift.in_{purpose}"))
            for purpose, count in view.pieces.items()
        ]
        told.append(say("shift.pieces", count=view.counted, parts=words.listed(parts)))
    counts = [("unjudged", view.unjudged), ("earlier", view.earlier_lots)]
    return told + [say(f"shift.{name}", count=count) for name, count in counts if count]


def matrix(words: Wording, view: ShiftView) -> html.Section:
    """Lane by category; percent correct is told, each category drawn beside its baseline."""
    say = words.say
    cells = [cell for row in view.rows for cell in row.cells.values()]
    shown = [share for cell in cells for share in (cell.now, cell.baseline) if share]
    scale = low_scale(share.high for share in shown)
    categories = {each.code: each.name for each in view.programme.categories}
    rows = [
        [
            html.A(row.lane, href=f"/lane{choices.query(lane=row.lane, day=view.day)}"),
            correct(words, row.correct),
            *(
                cell_of(words, row.cells[code], scale, f"{name}, {row.lane}")
                for code, name in categories.items()
            ),
        ]
        for row in view.rows
    ]
    columns = [
        say("shift.lane"),
        say("shift.correct"),
        *(
            html.Div([html.Span(name, className="scale-of"), components.ticks(words, scale)])
            for name in categories.values()
        ),
    ]
    stacks = (say("shift.lane"), "", *categories.values())
    table = components.table(None, columns, rows, name=say("shift.table"), stacks=stacks)
    return components.panel(
        say("shift.table"),
        html.P(caption(words, view), className="quiet"),
        explained.charted(says(words, view), [table], behind(words, view), how(words, view)),
        className="shift-matrix",
    )


def says(words: Wording, view: ShiftView) -> str:
    """Which shares lie above their baselines beyond chance."""
    names = {each.code: each.name for each in view.programme.categories}
    cells = [(row.lane, code, cell) for row in view.rows for code, cell in row.cells.items()]
    higher = [
        words.say(
            "shift.says_cell",
            category=names[code],
            lane=lane,
            share=words.per_cent(cell.now.fraction),
            baseline=words.per_cent(cell.baseline.fraction),
        )
        for lane, code, cell in cells
        if cell.apart and cell.now and cell.baseline
    ]
    held = sum(bool(cell.now and cell.baseline) for *_, cell in cells)
    if not higher:
        return words.say("shift.says_none", count=held)
    return words.say("shift.says_higher", count=len(higher), held=held, cells="; ".join(higher))


def behind(words: Wording, view: ShiftView) -> html.Details:
    """Every share of the table with what it was counted in, and its baseline."""
    names = {each.code: each.name for each in view.programme.categories}
    rows = []
    for row in view.rows:
        shares = [(words.say("shift.correct"), Cell(row.correct, None))]
        shares += [(names[code], cell) for code, cell in row.cells.items()]
        for name, cell in shares:
            if cell.now is None:
                continue
            base = components.share(words, cell.baseline) if cell.baseline else "–"
            told = [*explained.ends(words, cell.now), *explained.counts(words, cell.now)]
            rows.append([row.lane, name, *told, base])
    columns = [words.say(f"shift_column.{name}") for name in COLUMNS]
    return explained.behind(words, "shift", columns, rows, texts=(0, 1))


def how(words: Wording, view: ShiftView) -> html.Details:
    base = words.say("shift.how_bare")
    if len(view.baselines) > 1:
        base = words.say("shift.how_each")
    elif view.baselines:
        first, last = (words.day(each) for each in view.baselines[0])
        base = words.say("shift.how_base", first=first, last=last)
    cells = {
        "confidence": words.per_cent(view.programme.confidence, decimals=0)[:-2],
        "audits": words.say("count.audits", count=view.audits),
        "baseline": base,
    }
    line = {"line": explained.rests(words, view.line)}
    return explained.how(words, "shift", ("shift_tiles", line), ("shift_cells", cells))


def caption(words: Wording, view: ShiftView) -> str:
    confidence = words.per_cent(view.programme.confidence, decimals=0)[:-2]
    if not view.baselines:
        return words.say("shift.table_caption_bare", confidence=confidence)
    if len(view.baselines) > 1:
        return words.say("shift.table_caption_each", confidence=confidence)
    first, last = (words.day(each) for each in view.baselines[0])
    return words.say("shift.table_caption", confidence=confidence, first=first, last=last)


def correct(words: Wording, share: Share | None) -> Any:
    if share is None:
        return html.Span(words.say("shift.none"), className="quiet")
    return html.Div(
        [
            html.B(components.share(words, share)),
            html.Span(
                words.say("shift.counted_of", count=share.count, inspected=share.inspected),
                className="quiet small",
            ),
        ],
        className="shift-cell",
    )


def cell_of(words: Wording, cell: Cell, scale: Scale, name: str) -> Any:
    if cell.now is None:
        return html.Span(words.say("shift.none"), className="quiet")
    said = components.share(words, cell.now)
    look = "strip-thin strip-high" if cell.apart else "strip-thin"
    strip = components.strip(cell.now, scale, f"{name}: {said}", look=look, base=cell.baseline)
    parts = [html.Span(said, className="nowrap"), strip]
    if cell.apart and cell.baseline:
        level = words.per_cent(cell.baseline.fraction)
        told = words.say("shift.higher", baseline=level)
        parts.append(html.Span(told, className="fault"))
    return html.Div(parts, className="shift-cell")


def disposed(words: Wording, made: Disposition) -> str:
    what = words.say(f"disposition.{made.what}")
    return words.say("shift.disposed", tote=made.tote, lane=made.lane, what=what)


def disposition(words: Wording, view: ShiftView) -> html.Section:
    """What was done with each held tote, as people enter it."""
    say = words.say
    totes = dict.fromkeys(each.tote for lot in view.held for each in lot.totes if not each.what)
    lanes = sorted(view.stands.counts)
    return components.panel(
        say("shift.dispose"),
        html.P(say("shift.dispose_lead"), className="quiet"),
        components.form(
            words,
            "shift",
            DISPOSE_AT,
            say("shift.dispose_save"),
            html.Div(
                [
                    components.field(
                        "shift-tote", say("shift.tote"), offers=[*totes][: left_open.MOST]
                    ),
                    asked_who(words, "shift-who"),
                    components.field("shift-why", say("shift.reason")),
                ],
                className="fields",
            ),
            components.buttons("shift-lane", say("shift.lane"), [(each, each) for each in lanes]),
            components.buttons(
                "shift-what",
                say("shift.what"),
                [(each, say(f"disposition.{each}")) for each in DISPOSITIONS],
            ),
        ),
        className="no-print",
    )


def listed(words: Wording, view: ShiftView) -> list[tuple[str, list[str]]]:
    """What changed in the inspection, and what was done with totes."""
    disposed = [left_open.done(words, view, each) for each in view.dispositions]
    return [("inspection", list(view.switched)), ("dispositions", disposed)]


def lifting(words: Wording, view: ShiftView) -> html.Details:
    """Findings that lock totes, and how one is lifted."""
    say = words.say
    which = [(key, f"{tote}: {what}") for key, tote, what in view.findings]
    return html.Details(
        [
            html.Summary(say("shift.lift")),
            html.P(say("shift.lift_lead"), className="quiet"),
            components.form(
                words,
                "shift",
                LIFT_AT,
                say("shift.lift_save"),
                components.buttons("shift-finding", say("shift.lift_which"), which),
                html.Div(
                    [
                        asked_who(words, "shift-by"),
                        components.field("shift-reason", say("shift.reason")),
                    ],
                    className="fields",
                ),
            ),
        ],
        className="panel no-print",
    )


def signals(words: Wording, view: ShiftView) -> html.Section:
    title = words.say("shift.signals")
    said = [html.Li(signal_said(words, view, each)) for each in view.signals]
    if not said:
        none = html.P(words.say("shift.signals_none"))
        return components.panel(title, none, className="shift-signals")
    return components.panel(title, html.Ul(said))


def signal_said(words: Wording, view: ShiftView, signal: Signal) -> str:
    zone, rise = view.programme.zone, signal.excursion
    names = {each.code: each.name for each in view.programme.categories}
    known = {
        "lane": signal.lane,
        "category": names[signal.category],
        "since": words.moment(rise.since, zone),
    }
    if not signal.opened and rise.until:
        key = "signal_rebased" if rise.closed_by == "baseline" else "signal_closed"
        return words.say(f"shift.{key}", **known, until=words.moment(rise.until, zone))
    ends = {
        name: [float(each) for each in (level.estimate, level.low, level.high)]
        for name, level in (("before", rise.before), ("after", rise.after))
    }
    return words.say(
        "shift.signal_opened",
        **known,
        **{name: components.level(words, *each) for name, each in ends.items()},
        tote=rise.tote,
        when=words.moment(rise.signalled_at, zone),
    )
