"""The words at the doors: the glossary for whoever is not signed in, as a plain page."""

from flask import Flask, redirect, request
from werkzeug.wrappers import Response as Answer

from dashboard import plain
from dashboard.pages import glossary
from dashboard.people import AT_STATION, DEVICE_COOKIE, DOOR_WORDS, NAME, SIGN_IN, Gate
from dashboard.texts import words


def register(server: Flask) -> None:
    """The route of the page, open to everybody: it shows nothing of a store."""
    gate: Gate = server.extensions[NAME]

    @server.get(DOOR_WORDS)
    def door_words() -> Answer:
        if not gate.guarded():
            return redirect(glossary.PATH, 303)
        say, back = words().say, plain.local(request.args.get("next"))
        if plain.split(back).path not in (SIGN_IN, AT_STATION):
            back = AT_STATION if DEVICE_COOKIE in request.cookies else SIGN_IN
        at_station = plain.split(back).path == AT_STATION
        return plain.page(
            "words",
            title=say("words.title"),
            lead=say("words.lead"),
            back=back,
            door=say("station.title" if at_station else "sign_in.title"),
            groups=[(say(f"words_group.{each}"), terms(each)) for each in glossary.GROUPS],
        )


def terms(group: str) -> list[tuple[str, str, str]]:
    """Each word of a group, what it means, and whose word it is."""
    parts = ("word", "word_means", "word_from")
    return [
        (words().say(f"word.{each}"), *(words().say(f"{part}.{each}") for part in parts[1:]))
        for each in glossary.GROUPS[group]
    ]
