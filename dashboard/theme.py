"""Colours and the look of charts. The page's own colours are in `assets/toteproof.css`.

Data colours are those of Okabe & Ito (2008), made for colour-blind readers. Charts have no ground
of their own and lines in a grey that stands out on paper and in the dark; the style sheet gives
their text the page's ink, so that one figure serves both.
"""

from collections.abc import Sequence
from typing import Any

Figure = dict[str, Any]  # `data` and `layout`, as the charts' library takes them
BLUE = "#0072B2"
VERMILION = "#D55E00"
GREEN = "#009E73"
GREY = "#857f72"  # 3.4 to 1 or better on the light ground and on the dark one

FONT = '"Source Sans 3", system-ui, sans-serif'

CHART_CONFIG = {
    "showSendToCloud": False,
    "displaylogo": False,
    "displayModeBar": False,
    "responsive": True,
    "scrollZoom": False,
}
_SHORT = 3  # letters of a month on an axis


def chart_config(language: str, months: Sequence[str]) -> dict[str, Any]:
    """What a chart may do, and how it names months on its axes."""
    names = {"months": list(months), "shortMonths": [each[:_SHORT] for each in months]}
    return {**CHART_CONFIG, "locale": language, "locales": {language: {"format": names}}}


_AXIS = {
    "showgrid": True,
    "gridcolor": "rgba(133,127,114,0.22)",
    "zeroline": False,
    "linecolor": GREY,
    "tickcolor": GREY,
    "ticks": "outside",
    "ticklen": 4,
    "fixedrange": False,
    "automargin": True,
}
# How every chart looks before anything is drawn in it.
TEMPLATE = {
    "layout": {
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": FONT, "size": 14},
        "margin": {"l": 8, "r": 8, "t": 8, "b": 8},
        "xaxis": _AXIS,
        "yaxis": _AXIS,
        "showlegend": False,
        "hoverlabel": {"font": {"family": FONT, "size": 14}},
    }
}
