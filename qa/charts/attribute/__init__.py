"""Charts of counts, each point with its own limits: p, np, c and u."""

from qa.charts.attribute.chart import (
    ON_THE_LIMIT,
    ControlChart,
    c_chart,
    deviations,
    laney_stretch,
    np_chart,
    p_chart,
    standardised,
    u_chart,
)

__all__ = [
    "ON_THE_LIMIT",
    "ControlChart",
    "c_chart",
    "deviations",
    "laney_stretch",
    "np_chart",
    "p_chart",
    "standardised",
    "u_chart",
]
