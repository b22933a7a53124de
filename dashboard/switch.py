"""The switch of languages, on every page: a plain form, which leaves a cookie in the browser."""

from flask import Flask, redirect, request
from werkzeug.wrappers import Response

from dashboard.plain import SWITCH_AT, local, split
from dashboard.texts import COOKIE, LANGUAGES

FOR_GOOD = 400 * 24 * 3600  # seconds: no browser keeps a cookie longer


def register(server: Flask) -> None:
    """The route of the switch, open to everybody: the doors have it too."""

    @server.post(SWITCH_AT)
    def switch() -> Response:
        """Back to the page where it was pressed, in the other language from now on."""
        came = split(request.referrer or "")
        if came.netloc != request.host:
            return redirect("/", 303)  # pressed on no page of ours: nothing is changed
        there = f"{came.path}?{came.query}" if came.query else came.path
        answer = redirect(local(there), 303)
        chosen = request.form.get("language", "")
        if chosen in LANGUAGES:
            answer.set_cookie(
                COOKIE,
                chosen,
                max_age=FOR_GOOD,
                secure=request.is_secure,
                httponly=True,
                samesite="Lax",
            )
        return answer
