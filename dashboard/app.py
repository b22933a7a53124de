"""The app: its pages, their navigation, what every answer carries, and the server."""

import threading
from collections.abc import Callable, Iterable
from datetime import datetime
from pathlib import Path
from typing import Any

import waitress
from dash import Dash, Input, Output, ctx, dcc, html, no_update
from dash.exceptions import DependencyException
from flask import Flask, Response, jsonify, request
from flask_wtf.csrf import generate_csrf

from dashboard import (
    api,
    components,
    door_words,
    log,
    offline,
    own_password,
    people,
    plain,
    sign_in,
    switch,
    unparted,
)
from dashboard.pages import (
    claim,
    floor,
    glossary,
    inspectors,
    lane,
    ledger,
    plan,
    setup,
    shift,
    tally,
)
from dashboard.texts import DEFAULT, language, others, told, words
from dashboard.views import choices, keeping
from dashboard.views import floor as floor_view
from dashboard.views.taking_in import MOST_UPLOAD
from qa.errors import InvalidAudit, QAError, StoreUnavailable
from qa.loopback import bound
from qa.store import people as qa_people
from qa.store.schema import Store

PAGES = (floor, lane, shift, plan, claim, tally, ledger, setup)
# At their own addresses and not among the pages' names: one for the lead, one at every page's foot.
APART = (inspectors, glossary)
ADDRESS, NAV, PAGE = "app-address", "app-nav", "app-page"
THREADS = 8
AGAIN = 5  # seconds until a page asks anew for what the store did not give
MOST_BYTES = 1_000_000
# Idle connections that wait at once, and for how many seconds: beyond them nobody is served.
WAITING = {"connection_limit": 400, "channel_timeout": 30, "asyncore_use_poll": True}
BEHIND = {
    "trusted_proxy_count": 1,
    "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-host", "x-forwarded-proto"},
}
ALONE = {"clear_untrusted_proxy_headers": False}  # the guard asks whether there are any
A_YEAR = 365 * 24 * 3600  # seconds

POLICY = "; ".join(
    (
        "default-src 'self'",
        "style-src 'self' 'unsafe-inline'",  # charts and inputs put styles into the page
        "img-src 'self' data:",
        "object-src 'none'",
        "worker-src 'self'",
        "base-uri 'none'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    )
)
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "X-Frame-Options": "DENY",  # for browsers that do not know the policy's word for it
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), camera=(), microphone=()",
}

INDEX = f"""<!DOCTYPE html>
<html lang="{DEFAULT}">
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


class App(Dash):
    """The app, whose frame says the reader's language."""

    def interpolate_index(self, **kwargs: Any) -> str:
        """The frame of every page."""
        said = f'<html lang="{language()}">'
        made: str = super().interpolate_index(**kwargs)
        return made.replace(f'<html lang="{DEFAULT}">', said, 1)


def create_app(store: Store, now: Callable[[], datetime]) -> Dash:
    """The dashboard over a store; `now` is the clock, so that a demo can stand still."""
    app = App(
        "dashboard",
        server=Flask("dashboard", static_folder=None),
        use_pages=False,
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
    people.guard(app, store, now)
    sign_in.register(app.server, now)
    own_password.register(app.server, now)
    door_words.register(app.server)
    switch.register(app.server)
    offline.register(app.server)
    unparted.register(app.server)
    api.register(app.server, store, now)
    return app


def serve(
    store: Store,
    now: Callable[[], datetime],
    host: str,
    port: int,
    announce: Callable[[str], None],
    names: Iterable[str] = (),
    proxy: str | None = None,
) -> None:
    """Serve the dashboard until it is interrupted: to this machine, or to others that sign in.

    Parameters
    ----------
    store : Store
    now : callable
        The clock.
    host, port : str, int
        Where to listen.
    announce : callable
        Is told the address.
    names : iterable of str
        Names and addresses by which other machines reach it.
    proxy : str or None
        The address of a server before it whose word is taken on who asks, for what and by TLS.

    Raises
    ------
    InvalidInput
        If `host` is other machines' to reach and there are no accounts, or the port cannot be had.
    """
    with bound(host, port, others=qa_people.any_accounts(store)) as place:
        app = create_app(store, now)
        app.server.config[people.KNOWN_AS] = people.known_as(host, *names)
        server = waitress.create_server(
            app.server,
            sockets=[place],
            threads=THREADS,
            ident=None,
            max_request_body_size=MOST_UPLOAD + MOST_BYTES,
            **WAITING,
            **(BEHIND | {"trusted_proxy": proxy} if proxy else ALONE),
        )
        threading.Thread(target=_warm, args=(store, now), daemon=True).start()
        announce(f"http://{_shown(host)}:{place.getsockname()[1]}/")
        try:
            server.run()
        finally:
            server.close()


def _shown(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _warm(store: Store, now: Callable[[], datetime]) -> None:
    """Read the record and work out Floor once, so that the first reader does not wait for it."""
    try:
        keeping.begin(store)
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
                _languages(),
                *_person(),
                _waiting(),
                html.P(
                    say("app.away"), id="app-away", className="bar-ended", role="alert", hidden=True
                ),
            ],
            className="bar",
        ),
        html.Main(
            components.skeleton(words()),
            id=PAGE,
            tabIndex=-1,
            **{"data-sideways": say("app_foot.sideways")},
        ),
        html.Footer(html.A(say("app_foot.words"), href=glossary.PATH), className="foot"),
    ]


def _waiting() -> html.A:
    """How many totes wait in this browser, as a script counts them."""
    say = words().say
    return html.A(
        id="app-outbox",
        href=tally.PATH,
        className="bar-waits",
        hidden=True,
        role="status",
        **{
            "data-say-one": say("app.outbox_one"),
            "data-say-other": say("app.outbox_other", count="{count}"),
            "data-say-refused": say("app.outbox_refused", count="{count}"),
            "data-say-back": say("app.outbox_back", tote="{tote}", word="{word}"),
            "data-say-more": say("app.outbox_more", count="{count}"),
        },
    )


def _languages() -> html.Form:
    """The other languages, one button each."""
    named = {"name": "language", "type": "submit", "className": "choice"}
    buttons = [html.Button(name, value=code, lang=code, **named) for code, name in others()]
    return html.Form(
        buttons,
        action=plain.SWITCH_AT,
        method="post",
        className="bar-language",
        id="app-language",
    )


def _person() -> list[Any]:
    """Who is signed in, with the way out; and what a script shows when the session has ended."""
    say, found = words().say, people.person()
    if found is None:
        return []
    if found.station:
        who: Any = html.Span(say("app.at_station", name=found.name, station=found.station))
    else:
        said = say("app.signed_in", name=found.name, role=say(f"role.{found.role}"))
        titled = say("own_password.title")
        who = html.A(said, href=people.OWN_PASSWORD, target="_self", title=titled)
    door = people.AT_STATION if found.station else people.SIGN_IN
    ended = [say("refused.again"), " ", html.A(say("sign_in.title"), href=door)]
    return [
        html.Form(
            [
                who,
                dcc.Input(type="hidden", name="csrf_token", value=generate_csrf(), id="app-token"),
                html.Button(
                    say("app.change" if found.station else "app.sign_out"),
                    type="submit",
                    className="choice",
                ),
            ],
            action=people.SIGN_OUT,
            method="post",
            className="bar-person",
            id="app-person",
        ),
        html.P(ended, id="app-ended", className="bar-ended", role="alert", hidden=True),
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
        if people.may_see(page.PATH)
    ]


def _page(path: str | None) -> Any:
    page = _known(path)
    if page is None:
        say = words().say
        return [
            components.head(say("app.unknown_title")),
            components.note(say("app.unknown", path=path)),
        ]
    if not people.may_see(page.PATH):
        say = words().say
        return [components.head(say(page.TITLE)), components.note(say("refused.right"))]
    return page.layout()


def _known(path: str | None) -> Any:
    asked = (path or "/").rstrip("/") or floor.PATH
    return next((page for page in (*PAGES, *APART) if asked == page.PATH), None)


def _told(fault: Exception) -> Any:
    """What a page shows for an error that a person can put right; any other is a bug, and loud.

    A store that does not answer is told with a status, so that the page's script asks again.
    """
    if not isinstance(fault, QAError) or isinstance(fault, StoreUnavailable):
        raise fault
    output = ctx.outputs_list
    if isinstance(output, dict) and output["property"] == "children":
        if isinstance(fault, keeping.StillReading):
            return components.still_reading(words())
        return components.trouble(words(), told(str(fault)))
    return no_update


def _answered(fault: QAError) -> tuple[Response, int] | Response:
    """The same for a form that was sent, and for a page that is none of the app's own."""
    away = isinstance(fault, StoreUnavailable)
    status = 503 if away else 422
    if plain.wants_page():
        answer = plain.told(f"{components.sentence(told(str(fault)))}.", status)
        if away:
            answer.headers["Refresh"] = str(AGAIN)  # the browser asks for the page again by itself
        return answer
    given = fault.problems if isinstance(fault, InvalidAudit) else {}
    problems = {name: told(said) for name, said in given.items()}
    return jsonify(problems=problems, trouble="" if problems else told(str(fault))), status


def _unknown(_: Exception) -> Response:
    """A script that no library has: the address is wrong, and nothing is broken."""
    return plain.told(words().say("app.unknown", path=request.path), 404)


def _secure(app: Dash) -> None:
    """What every answer carries, and whom the server listens to."""
    server: Flask = app.server
    server.config.update(MAX_CONTENT_LENGTH=MOST_BYTES)
    log.keep_to_lines(server)
    server.register_error_handler(QAError, _answered)
    server.register_error_handler(DependencyException, _unknown)

    def carry(answer: Response) -> Response:
        # Dash may add a script of its own at the first request, so its hashes are asked each time.
        scripts = " ".join(("script-src 'self'", *app.csp_hashes()))
        answer.headers["Content-Security-Policy"] = f"{scripts}; {POLICY}"
        answer.headers.update(HEADERS)
        answer.vary.update(("Accept-Language", "Cookie"))
        if (
            answer.status_code == 200
            and request.path.startswith("/assets/")
            and "m" in request.args
        ):
            kept = f"private, max-age={A_YEAR}, immutable"  # `m` says when the file was made
            answer.headers["Cache-Control"] = kept
        if request.is_secure:  # whoever came by TLS once comes by it from then on
            answer.headers["Strict-Transport-Security"] = f"max-age={A_YEAR}"
        return answer

    server.after_request(carry)
