"""Many elements as one component of the framework, which looks at each of its own at every change.

With a table of fifty rows the framework took over a second to draw a page. What nothing in it
listens to is told as plain elements, and drawn at once by a script of the same name.
"""

from collections.abc import Collection
from typing import Any

from dash.development.base_component import Component

_HTML = "dash_html_components"


class Drawn(Component):
    """Elements, of which those in `children` are the framework's own.

    `told` has an element as a list (its name, what it has, its children), one of `children` as its
    place there, and a text as it is.
    """

    _namespace = "toteproof"
    _type = "Drawn"
    _prop_names = ("children", "told")
    _valid_wildcard_attributes = ()
    available_properties = _prop_names
    available_wildcard_properties = ()


def as_one(parts: Any, own: Collection[str] = ()) -> Drawn:
    """The same parts as one component.

    What is no plain element stays the framework's own, and so do those whose ids are in `own`:
    whatever a callback or a script gives something to.
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
    having = part.to_plotly_json()["props"]
    if part._namespace != _HTML or having.get("id") in own:
        inside.append(part)
        return [len(inside) - 1]
    return [[part._type.lower(), having, *_told(having.pop("children", None), own, inside)]]
