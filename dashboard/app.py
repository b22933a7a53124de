"""The app: its pages, their navigation, what every answer carries, and the server."""

import threading
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import waitress
from dash import Dash, Input, Output, ctx, dcc, html, no_update
from flask import Flask, Response, jsonify

from dashboard import components
from dashboard.pages import claim, floor, inspectors, lane, ledger, plan, setup, shift, tally
from dashboard.texts import LANGUAGE, words
from dashboard.views import choices
from dashboard.views import floor as floor_view
from dashboard.views.taking_in import MOST_UPLOAD
from qa.errors import InvalidAudit, QAError
from qa.loopback import bound
from qa.store.schema import Store

PAGES = (floor, lane, shift, plan, claim, tally, ledger, setup)
APART = (inspectors,)  # for the lead: at their own addresses, named on no page that all see
ADDRESS, NAV, PAGE = "app-address", "app-nav", "app-page"
THREADS = 8
MOST_BYTES = 1_000_000
LOOPBACK = ("localhost", "127.0.0.1", "[::1]")  # until there are accounts

POLICY = "; ".join(
    (
        "default-src 'self'",
        "style-src 'self' 'unsafe-inline'",  # charts and inputs put styles into the page
        "img-src 'self' data:",
        "object-src 'none'",
        "base-uri 'none'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    )
)
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), camera=(), microphone=()",
}

INDEX = f"""<!DOCTYPE html>
<html lang="{LANGUAGE}">
    <head>
        {{%metas%}}
        <meta name="color-scheme" content="light dark">
        <title>{{%title%}}</title>
        {{%favicon%}}
        {{%css%}}
    </head>
    <body>
        {{%app_entry%}}
        <footer>{{%config%}}{{%scripts%}}{{%renderer%}}</footer>
    </body>
</html>
"""


def create_app(store: Store, now: Callable[[], datetime]) -> Dash:
    """The dashboard over a store; `now` is the clock, so that a demo can stand still."""
    app = Dash(
        "dashboard",
        pages_folder="",
        assets_folder=str(Path(__file__).parent / "assets"),
        title=words().say("app.name"),
        update_title="",
        index_string=INDEX,
        suppress_callback_exceptions=True,
        on_error=_told,
        enable_mcp=False,
    )
    app.layout = _frame
    app.callback(Output(NAV, "children"), Input(ADDRESS, "pathname"))(_nav)
    app.callback(Output(PAGE, "children"), Input(ADDRESS, "pathname"))(_page)
    for page in (*PAGES, *APART):
        page.register(app, store, now)
    _secure(app)
    return app


def serve(
    store: Store,
    now: Callable[[], datetime],
    host: str,
    port: int,
    announce: Callable[[str], None],
) -> None:
    """Serve the dashboard to this machine alone, until it is interrupted.

    Raises
    ------
    InvalidInput
        If `host` is another machine's to reach, or the port cannot be had.
    """
    with bound(host, port) as place:
        app = create_app(store, now)
        app.server.config["TRUSTED_HOSTS"] = [*LOOPBACK, host]
        server = waitress.create_server(
            app.server,
            sockets=[place],
            threads=THREADS,
            ident=None,
            max_request_body_size=MOST_UPLOAD + MOST_BYTES,
        )
        threading.Thread(target=_warm, args=(store, now), daemon=True).start()
        shown = f"[{host}]" if ":" in host else host
        announce(f"http://{shown}:{place.getsockname()[1]}/")
        try:
            server.run()
        finally:
            server.close()


def _warm(store: Store, now: Callable[[], datetime]) -> None:
    """Work out Floor once, so that the first reader does not wait for it."""
    try:
        floor_view.view(store, choices.Choices(), now())
    except QAError:
        return  # the page itself will say it


def _frame() -> list[Any]:
    """What stands around every page."""
    say = words().say
    return [
        dcc.Location(id=ADDRESS, refresh="callback-nav"),
        html.A(say("app.skip"), href=f"#{PAGE}", className="skip"),
        html.Header(
            [
                html.Div(
                    [html.Span(className="bar-mark"), html.Span(say("app.name"))],
                    className="bar-name",
                ),
                html.Nav(id=NAV, **{"aria-label": say("app.pages")}),
                html.A(
                    id="app-outbox",
                    href=tally.PATH,
                    className="bar-waits",
                    hidden=True,
                    role="status",
                    **{
                        "data-say-one": say("app.outbox_one"),
                        "data-say-other": say("app.outbox_other", count="{count}"),
                        "data-say-refused": say("app.outbox_refused", count="{count}"),
                    },
                ),
            ],
            className="bar",
        ),
        html.Main(components.skeleton(words()), id=PAGE, tabIndex=-1),
    ]


def _nav(path: str | None) -> list[html.A]:
    here = _known(path)
    return [
        html.A(
            words().say(page.TITLE),
            href=page.PATH,
            **({"aria-current": "page"} if page is here else {}),
        )
        for page in PAGES
    ]


def _page(path: str | None) -> Any:
    page = _known(path)
    if page is None:
        say = words().say
        return [
            components.head(say("app.unknown_title")),
            components.note(say("app.unknown", path=path)),
        ]
    return page.layout()


def _known(path: str | None) -> Any:
    asked = (path or "/").rstrip("/") or floor.PATH
    return next((page for page in (*PAGES, *APART) if asked == page.PATH), None)


def _told(fault: Exception) -> Any:
    """What a page shows for an error that a person can put right; any other is a bug, and loud."""
    if not isinstance(fault, QAError):
        raise fault
    output = ctx.outputs_list
    if isinstance(output, dict) and output["property"] == "children":
        return components.trouble(words(), str(fault))
    return no_update


def _answered(fault: QAError) -> tuple[Response, int]:
    """The same for a form that was sent."""
    problems = fault.problems if isinstance(fault, InvalidAudit) else {}
    return jsonify(problems=problems, trouble="" if problems else str(fault)), 422


def _secure(app: Dash) -> None:
    """What every answer carries, and whom the server listens to."""
    server: Flask = app.server
    server.config.update(MAX_CONTENT_LENGTH=MOST_BYTES, TRUSTED_HOSTS=list(LOOPBACK))
    server.register_error_handler(QAError, _answered)

    def carry(answer: Response) -> Response:
        # Dash may add a script of its own at the first request, so its hashes are asked each time.
        scripts = " ".join(("script-src 'self'", *app.csp_hashes()))
        answer.headers["Content-Security-Policy"] = f"{scripts}; {POLICY}"
        answer.headers.update(HEADERS)
        return answer

    server.after_request(carry)
