"""Ledger: what exactly was recorded, by whom, and what was changed."""

import tempfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from dash import Dash, Input, Output, dcc, html
from flask import Response, jsonify, request

from dashboard import components
from dashboard.drawn import as_one
from dashboard.pages.ledger import listing, one, taking
from dashboard.pages.sending import sent
from dashboard.texts import language, words
from dashboard.views import ledger
from qa.store.schema import Store

PATH, TITLE = "/ledger", "page.ledger"
BODY = "ledger-body"
FORMS = ("ledger", "ledger-void")
KINDS = {
    "csv": "text/csv",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "parquet": "application/vnd.apache.parquet",
}


def layout() -> list[Any]:
    said = [html.P(id=f"{name}-said", className="said", role="status") for name in FORMS]
    return [
        html.Div(components.skeleton(words()), id=BODY),
        *said,
        *(dcc.Store(id=f"{name}-fresh") for name in FORMS),
    ]


def register(app: Dash, store: Store, now: Callable[[], datetime]) -> None:
    @app.callback(
        Output(BODY, "children"),
        Input("app-address", "search"),
        *(Input(f"{name}-fresh", "data") for name in FORMS),
    )
    def draw(search: str | None, *fresh: int | None) -> Any:
        del fresh  # something was recorded: the same again, from the record as it is now
        known = ledger.asked(search)
        if "key" in known:
            return as_one(one.body(words(), ledger.history(store, known)))
        return as_one(
            listing.body(words(), ledger.view(store, known, language())), own=(taking.SHOWN_AT,)
        )

    @app.server.post(one.CORRECT_AT)
    def correct() -> Response:
        done = ledger.correct(store, sent(ledger.WHO), now(), language())
        if done is None:
            return jsonify(said=words().say("ledger.same"))
        told = words().say("ledger.corrected", tote=done.tote)
        return jsonify(said=" ".join([told, *one.restated(words(), done.lots)]))

    @app.server.post(one.VOID_AT)
    def void() -> Response:
        lots = ledger.void(store, sent(ledger.WHO), now(), language())
        told = words().say("ledger.voided")
        return jsonify(said=" ".join([told, *one.restated(words(), lots)]))

    @app.server.post(listing.CHECK_AT)
    def check() -> Response:
        sent()
        return jsonify(said=listing.checked(words(), ledger.breaks(store)))

    @app.server.get(f"{listing.EXPORT_AT}.<kind>")
    def export(kind: str) -> tuple[Response, int] | Response:
        if kind not in KINDS:
            return jsonify(trouble=words().say("ledger.no_kind", kind=kind[:20])), 404
        known = ledger.asked(request.query_string.decode("utf-8", "replace"))
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / ("audits." + kind)
            ledger.export(store, path, known, language())
            return Response(path.read_bytes(), mimetype=KINDS[kind])

    taking.register(app, store, now)
