"""Many elements as one component of the framework, which looks at each of its own at every change.

With a table of fifty rows the framework took over a second to draw a page. What nothing in it
listens to is told as plain elements, and drawn at once by a script of the same name.
"""

from collections.abc import Collection
from functools import cache
from pathlib import Path
from typing import Any

import plotly
from dash.development.base_component import Component
from dash.fingerprint import build_fingerprint

_HTML = "dash_html_components"
_ABOUT = ("_", "available_")  # what a component has beside what its element has
_CHARTS = "package_data/plotly.min.js"  # the charts' library, in its package


class _Ours(Component):
    """A component that a script of ours draws."""

    _namespace = "toteproof"
    _valid_wildcard_attributes = ()
    available_wildcard_properties = ()


class Drawn(_Ours):
    """Elements, of which those in `children` are the framework's own.

    `told` has an element as a list (its name, what it has, its children), one of `children` as its
    place there, and a text as it is.
    """

    _type = "Drawn"
    _prop_names = ("children", "told")
    available_properties = _prop_names


class Chart(_Ours):
    """A figure in its place, or, without one, the place alone, while the library is fetched.

    When a page is drawn anew, the chart of the same `id` is changed and not made anew. A stretch
    that was dragged over goes to the store that `chosen` names. Where the library does not come,
    `missing` is said in the chart's place.
    """

    _type = "Chart"
    _prop_names = ("id", "figure", "config", "height", "library", "chosen", "missing")
    available_properties = _prop_names


def chart_ahead(identity: str) -> Chart:
    """A chart's place while its page is worked out: its library is fetched meanwhile."""
    return Chart(id=identity, library=library())


@cache
def library() -> str:
    """The address of the charts' library, which a browser keeps until there is another version."""
    made = int((Path(str(plotly.__file__)).parent / _CHARTS).stat().st_mtime)
    named: str = build_fingerprint(_CHARTS, plotly.__version__, made)
    return f"/_dash-component-suites/plotly/{named}"


def as_one(parts: Any, own: Collection[str] = ()) -> Drawn:
    """The same parts as one component.

    What is neither a plain element nor a chart stays the framework's own, and so do those whose ids
    are in `own`: whatever a callback or a script gives something to.
    """
    inside: list[Component] = []
    return Drawn(told=_told(parts, own, inside), children=inside)


def _told(part: Any, own: Collection[str], inside: list[Component]) -> list[Any]:
    if part is None:
        return []
    if isinstance(part, list | tuple):
        return [each for one in part for each in _told(one, own, inside)]
    if not isinstance(part, Component):
        return [str(part)]
    having = {n: each for n, each in vars(part).items() if not n.startswith(_ABOUT)}
    if isinstance(part, Chart):
        return [[part._type, having]]
    if part._namespace != _HTML or having.get("id") in own:
        inside.append(part)
        return [len(inside) - 1]
    return [[part._type.lower(), having, *_told(having.pop("children", None), own, inside)]]
