"""A file into the record: chosen, looked at row by row, then recorded."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from dash import Dash, dcc, html
from flask import Response, request

from dashboard import components
from dashboard.pages.sending import answered, asked_who, file_sent, signed
from dashboard.texts import Wording, language, told, words
from dashboard.views import taking_in
from dashboard.views.taking_in import MOST_UPLOAD, Sent
from qa.store.schema import Store

NAME = "ledger-import"
LOOK_AT, RECORD_AT, REJECTS_AT = "/ledger/preview", "/ledger/imports", "/ledger/rejects"
SHOWN_AT = f"{NAME}-shown"
SHOWN = 100  # rejects and rows left out that a page lists; the file has them all


def register(app: Dash, store: Store, now: Callable[[], datetime]) -> None:
    @app.server.post(LOOK_AT)
    def look() -> Response:
        file = received()
        report = taking_in.preview(store, file, now(), language())
        return answered(shown(words(), report, recorded=False), digest=file.digest)

    @app.server.post(RECORD_AT)
    def record() -> Response:
        file, asked = received(), request.form
        digest, who = asked.get("digest", ""), signed(asked.get("who", ""))
        report = taking_in.take(store, file, digest, who, now(), language())
        return answered(shown(words(), report, recorded=True))

    @app.server.post(REJECTS_AT)
    def rejects() -> Response:
        text = taking_in.rejects(store, received(), now())
        return Response(text.encode("utf-8-sig"), mimetype="text/csv")


def received() -> Sent:
    """What a page's script sent."""
    name, content = file_sent(MOST_UPLOAD, words().say("ledger.too_large", most=MOST_UPLOAD >> 20))
    asked = request.form
    return Sent(name, content, asked.get("mapping", ""), asked.get("rows", "") == "all")


def panel(words: Wording) -> html.Details:
    say = words.say
    ways = [(each, say(f"ledger_rows.{each}")) for each in ("good", "all")]
    form = html.Form(
        [
            html.Div(
                [
                    html.Div(
                        [
                            html.Span(say("ledger.file"), className="field-name"),
                            html.Div(className="file", **{"data-file": say("ledger.file")}),
                            components.fault(f"{NAME}-file"),
                        ],
                        className="field",
                    ),
                    asked_who(words, f"{NAME}-who"),
                    components.select(f"{NAME}-rows", say("ledger.rows"), ways, "good"),
                ],
                className="fields",
            ),
            html.Details(
                [
                    html.Summary(say("ledger.mapping")),
                    html.P(say("ledger.mapping_lead"), className="quiet"),
                    dcc.Textarea(
                        id=f"{NAME}-mapping", className="ledger-text", placeholder=EXAMPLE
                    ),
                ]
            ),
            html.Button(say("ledger.look"), type="submit", className="act act-second"),
            waiting(words),
            components.fault(NAME),
        ],
        className="form",
        autoComplete="off",
        **{"data-look": LOOK_AT, "data-name": NAME, "data-unsent": say("form.unsent")},
    )
    return html.Details(
        [
            html.Summary(say("ledger.import")),
            html.P(say("ledger.import_lead", most=MOST_UPLOAD >> 20), className="quiet"),
            form,
            html.Div(id=SHOWN_AT, className="ledger-report", **{"aria-live": "polite"}),
        ],
        className="panel",
        id=NAME,
    )


def waiting(words: Wording) -> html.Div:
    """What is said while a file is looked at or recorded, with the seconds that it has taken."""
    return html.Div(
        [
            html.Progress(**{"aria-label": words.say("ledger.waiting")}),
            html.Span(role="status"),
            html.Span(**{"aria-hidden": "true"}),
        ],
        id=f"{NAME}-waiting",
        className="waiting",
        hidden=True,
        **{
            "data-look": words.say("ledger.waiting_look"),
            "data-record": words.say("ledger.waiting_record"),
            "data-seconds": words.say("ledger.waiting_seconds", seconds="{seconds}"),
        },
    )


EXAMPLE = '[columns]\nstem = "Stems"\n\n[values.shift]\nN = "night"'


def shown(words: Wording, report: taking_in.ImportReport, *, recorded: bool) -> list[Any]:
    """What a file holds, what becomes of it, and every row that does not go in."""
    say, bad = words.say, len({each.number for each in report.rejected})
    counts = {"name": report.name, "rows": report.rows, "count": report.new}
    done = recorded and report.recorded
    key = "ledger.recorded" if done else "ledger.held_back" if recorded else "ledger.looked"
    lines = [say(key, **counts)]
    lines += [say("ledger.were_there", count=report.already)] if report.already else []
    lines += [say("ledger.rejected", count=bad)] if bad else []
    lines += [say("ledger.left_out", count=len(report.skipped))] if report.skipped else []
    taken = [say("ledger.column", field=f, header=h) for f, h in report.mapping.columns.items()]
    parts: list[Any] = [html.P(each) for each in lines]
    if report.rejects:
        parts += [rejected(words, report), rejects_button(words)]
    if report.skipped:
        said = [
            say("ledger.skipped", row=e.row, reason=told(e.reason)) for e in report.skipped[:SHOWN]
        ]
        parts.append(more(say("ledger.skipped_rows"), said))
    parts.append(more(say("ledger.columns"), [*taken, *map(told, report.notes[:SHOWN])]))
    if not recorded and report.new:
        parts.append(record_button(words, report))
    return parts


def rejected(words: Wording, report: taking_in.ImportReport) -> html.Div:
    say = words.say
    columns = [say(f"ledger.{name}") for name in ("row", "column_name", "value", "problem")]
    rows = [
        [str(each.row), each.column, each.value[:200], components.sentence(told(each.reason))]
        for each in report.rejects[:SHOWN]
    ]
    hidden = len(report.rejects) - SHOWN
    caption = say("ledger.more_rejects", count=hidden) if hidden > 0 else None
    return components.table(caption, columns, rows, say("ledger.problem"), stacks=columns)


def more(title: str, lines: list[str]) -> html.Details:
    return html.Details([html.Summary(title), html.Ul([html.Li(each) for each in lines])])


def rejects_button(words: Wording) -> html.Button:
    return html.Button(
        words.say("ledger.rejects_file"),
        type="button",
        className="choice",
        **{
            "data-rejects": REJECTS_AT,
            "data-save": "rejects.csv",
            "data-fault-at": f"{NAME}-fault",
            "data-unsent": words.say("ledger.not_written"),
        },
    )


def record_button(words: Wording, report: taking_in.ImportReport) -> html.Button:
    return html.Button(
        words.say("ledger.record", count=report.new),
        type="button",
        className="act",
        id=f"{NAME}-record",
        **{"data-record": RECORD_AT},
    )
