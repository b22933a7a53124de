"""What is asked of a callback, held against what the callback takes, before it runs.

Pages ask as they were told to; whoever asks otherwise made it up, and is told so.
"""

from typing import Any

from dash import Dash
from flask import request

from dashboard import plain

PAGE_S_END = "endId"  # which every page sends; any other is for jobs in the background
# What each property of a page's parts may be, beside nothing.
KINDS: dict[str, type | tuple[type, ...]] = {
    "pathname": str,
    "search": str,
    "value": str,
    "n_intervals": int,
    "data": (str, int, float),
    "children": object,
}


def outputs(output: str) -> list[str]:
    """The outputs of a callback, by its name."""
    return output.removeprefix("..").removesuffix("..").split("...")


def well(app: Dash) -> bool:
    """Whether a callback that there is gets the inputs that it takes, each of its kind."""
    asked = plain.json_sent()
    if not isinstance(asked, dict) or set(request.args) - {PAGE_S_END}:
        return False
    output = asked.get("output")
    kept = app.callback_map.get(output) if isinstance(output, str) else None
    changed = asked.get("changedPropIds", [])
    return (
        kept is not None
        and _same(asked.get("outputs"), str(output))
        and _fit(asked.get("inputs"), kept["inputs"])
        and _fit(asked.get("state", []), kept["state"])
        and isinstance(changed, list)
        and all(isinstance(each, str) for each in changed)
    )


def _same(sent: Any, output: str) -> bool:
    wanted = outputs(output)
    parts = sent if output.startswith("..") else [sent]
    return isinstance(parts, list) and [_name(each) for each in parts] == wanted


def _fit(sent: Any, wanted: list[dict[str, str]]) -> bool:
    return (
        isinstance(sent, list)
        and [_name(each) for each in sent] == [_name(each) for each in wanted]
        and all(_is_kind(each["property"], each.get("value")) for each in sent)
    )


def _is_kind(name: str, value: Any) -> bool:
    return value is None or isinstance(value, KINDS[name])


def _name(part: Any) -> str | None:
    return f"{part.get('id')}.{part.get('property')}" if isinstance(part, dict) else None
