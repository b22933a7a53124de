"""Run rules: patterns of points inside the limits, each with the false alarms that it costs.

A rule asks for so many of the last points beyond a line on one side of the centre line. No chart
applies one unless asked to: every rule adds false alarms, and `rule_run_lengths` says how many.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qa.charts.attribute import ON_THE_LIMIT, ControlChart, deviations
from qa.charts.law import NEVER, Law, chances, checked_law
from qa.charts.run_length.chain import Chain, RunLength, dense, run_length, settled, started
from qa.errors import InvalidInput

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class RunRule:
    """`points` of the last `of` points beyond `beyond` standard deviations, all on one side.

    With `beyond` 0 the line is the centre line. The newest point must be one of them.
    """

    points: int
    of: int
    beyond: float = 0.0

    def __post_init__(self) -> None:
        """Refuse a rule that no points, or any points, could break."""
        if not 1 <= self.points <= self.of or self.of > _LONGEST:
            raise InvalidInput(
                f"points must be from 1 to of, and of up to {_LONGEST}, "
                f"got {self.points} of {self.of}"
            )
        if not 0 <= self.beyond < np.inf:
            raise InvalidInput(f"beyond must be 0 or more, got {self.beyond!r}")

    @property
    def sentence(self) -> str:
        """Key of the rule's words in the text file; its values are the rule's own fields."""
        where = "beyond" if self.beyond > 0 else "one_side"
        return f"run_rule.{where}.{'row' if self.points == self.of else 'of'}"


_LONGEST = 20
RUN_RULES = (RunRule(8, 8), RunRule(2, 3, 2.0), RunRule(4, 5, 1.0))
"""The usual choice of rules (Champ & Woodall 1987)."""


@dataclass(frozen=True, slots=True)
class RuleRunLengths:
    """What rules cost on a chart: run lengths, whose inverse is the rate of signals.

    Attributes
    ----------
    limits : of the control limits without any rule
    alone : of each rule without limits and without the others
    together : of the limits and all rules
    """

    limits: RunLength
    alone: tuple[RunLength, ...]
    together: RunLength


def run_rules(
    chart: ControlChart, rules: Sequence[RunRule] = RUN_RULES, *, series: ArrayLike | None = None
) -> Flags:
    """Points at which each rule signals: a row for each rule, a column for each point.

    Parameters
    ----------
    chart : ControlChart
        One that judges each point alone: p, np, c or u.
    rules : sequence of RunRule
    series : array_like, one label a point, optional
        Points of one label, in their order, make a series of their own. Without it all points do.

    Raises
    ------
    InvalidInput
        If the chart does not judge each point alone, or labels do not match points.

    References
    ----------
    Champ & Woodall (1987), Technometrics 29, 393-399.

    Examples
    --------
    >>> from qa.charts import p_chart
    >>> chart = p_chart([1, 4, 5, 3, 4, 3, 5, 4, 3], [200] * 9, center=0.01)
    >>> run_rules(chart, [RunRule(8, 8)]).tolist()
    [[False, False, False, False, False, False, False, False, True]]
    """
    z = _deviations(chart)
    order, starts = _in_series(z.size, series)
    z = z if order is None else z[order]
    found = np.zeros((len(rules), z.size), dtype=np.bool_)
    for row, rule in zip(found, rules, strict=True):
        line = rule.beyond + ON_THE_LIMIT
        row[:] = _filled(z > line, z < -line, rule, starts)
    if order is None:
        return found
    unsorted = np.empty_like(found)
    for row, sorted_row in zip(unsorted, found, strict=True):
        row[order] = sorted_row
    return unsorted


def rule_run_lengths(
    chart: ControlChart,
    rules: Sequence[RunRule] = RUN_RULES,
    *,
    rate: float | None = None,
    correlation: float = 0.0,
    model: str = "binomial",
    start: str = "zero",
) -> RuleRunLengths:
    """Exact run lengths of a chart's limits, of each rule alone, and of all together.

    Parameters
    ----------
    chart : ControlChart
        A p or np chart, or with model "poisson" a c or u chart. Its points' sizes, centre lines
        and limits are taken to come again, each tote anew.
    rules : sequence of RunRule
    rate : float, optional
        True fraction (or defects a unit); by default in control, each point at its own center.
    correlation : float, from 0, below 1
        True intra-class correlation of pieces in one tote.
    model : {"binomial", "poisson"}
    start : {"zero", "steady"}
        Whether the run is counted from a fresh chart, or from one that has long run in control
        without a signal when the rate changes.

    Returns
    -------
    RuleRunLengths

    Raises
    ------
    InvalidInput
        If the rate is none, the chart does not judge each point alone, or the rules together
        remember too much to be followed.

    References
    ----------
    Champ & Woodall (1987), Technometrics 29, 393-399.

    Examples
    --------
    >>> from qa.charts import p_chart
    >>> chart = p_chart([2], [200], center=0.01)
    >>> found = rule_run_lengths(chart, [RunRule(8, 8)])
    >>> round(found.limits.mean), round(found.alone[0].mean), round(found.together.mean)
    (988, 1964, 658)
    """
    lines = sorted({rule.beyond for rule in rules})
    quiet, beyond = _level_chances(chart, lines, (rate, correlation, model))
    base = (quiet, beyond)
    if start != "zero" and rate is not None:
        base = _level_chances(chart, lines, (None, correlation, model))

    def run(asked: Sequence[RunRule], *, limits: bool) -> RunLength:
        moves = _moves(asked, lines)
        now, before = (part[0] if limits else part[0] + part[1] for part in ((quiet, beyond), base))
        here = started(start, lambda: settled(_chain(moves, before)))
        return run_length(_chain(moves, now), here)

    return RuleRunLengths(
        run((), limits=True),
        tuple(run((rule,), limits=False) for rule in rules),
        run(rules, limits=True),
    )


def _deviations(chart: ControlChart) -> Floats:
    """How far each point is off the centre line, in standard deviations."""
    count = chart.statistic * chart.scale
    if (np.abs(count - np.rint(count)) > 1e-6).any():
        raise InvalidInput(
            "run rules must be used on a chart that judges each point alone, not standardised"
        )
    return deviations(chart.statistic, chart.center, chart.sigma)


def _in_series(
    size: int, series: ArrayLike | None
) -> tuple[NDArray[np.intp] | None, NDArray[np.intp]]:
    """An order in which series follow each other, if theirs is another, and where each begins."""
    if series is None or size == 0:
        return None, np.zeros(min(size, 1), dtype=np.intp)
    labels = np.asarray(series)
    if labels.shape != (size,):
        raise InvalidInput(f"series must have {size} labels, got {labels.size}")
    if labels.dtype.kind in "iu" and int(labels.max()) - int(labels.min()) < 1 << 16:
        labels = (labels - labels.min()).astype(np.uint16)  # so short, numpy sorts by digits
    order = None
    if not (labels[1:] >= labels[:-1]).all():
        order = np.argsort(labels, kind="stable")
        labels = labels[order]
    return order, np.concatenate([[0], np.flatnonzero(labels[1:] != labels[:-1]) + 1])


def _filled(up: Flags, down: Flags, rule: RunRule, starts: NDArray[np.intp]) -> Flags:
    """Points at which enough of the last ones lie on one side, theirs.

    Both sides are counted in one running sum, the lower one in its high half. It wraps round, and
    so do differences; those over a window, of at most 20 points a side, come out right.
    """
    total = np.zeros(up.size + 1, dtype=np.int16)
    np.cumsum(up + down * _HIGH, dtype=np.int16, out=total[1:])
    inside = total[1:].copy()
    inside[rule.of :] -= total[1 : max(up.size + 1 - rule.of, 1)]
    ends = np.append(starts[1:], up.size)[:, np.newaxis]
    early = starts[:, np.newaxis] + np.arange(rule.of)
    row, at = np.nonzero(early < ends)
    early = early[row, at]
    inside[early] = total[early + 1] - total[starts[row]]
    above, below = inside & (_HIGH - 1), inside >> _HALF
    return np.asarray((up & (above >= rule.points)) | (down & (below >= rule.points)))


_HALF = 8
_HIGH = np.int16(1 << _HALF)


def _level_chances(
    chart: ControlChart, lines: list[float], truth: tuple[float | None, float, str]
) -> tuple[Floats, Floats]:
    """Chance that a point is so many lines off, -k to k, inside the limits and beyond them."""
    rate, correlation, model = truth
    _deviations(chart)
    parts = [chart.inspected, chart.scale, chart.center, chart.sigma, chart.least, chart.most]
    kinds, times = np.unique(np.stack(parts), axis=1, return_counts=True)
    found = np.zeros((2, 2 * len(lines) + 1))
    for kind, share in zip(kinds.T, times / chart.inspected.size, strict=True):
        size, scale, center, sigma, least, most = kind.tolist()
        own = center * scale / size if rate is None else rate
        law = checked_law(own, correlation, model, "rate")
        found += share * _levels(law, size, (least, most), (center * scale, sigma * scale), lines)
    return found[0], found[1]


def _levels(
    law: Law,
    size: float,
    ends: tuple[float, float],
    line: tuple[float, float],
    lines: list[float],
) -> Floats:
    chance = chances(law, np.array([size]))[0]
    count = np.flatnonzero(chance > NEVER)
    z = deviations(count.astype(np.float64), *line)
    marks = np.array(lines) + ON_THE_LIMIT
    level = np.searchsorted(marks, z) - np.searchsorted(marks, -z)
    beyond = ((count < ends[0]) | (count > ends[1])).astype(np.int64)
    width = 2 * len(lines) + 1
    flat = np.bincount(beyond * width + level + len(lines), chance[count], 2 * width)
    return np.asarray(flat.reshape(2, width))


_MOST_STATES = 3000  # beyond this the chain takes minutes
_Moves = list[list[int]]  # from each state, at each level: the next state, or -1 for a signal


def _moves(rules: Sequence[RunRule], lines: list[float]) -> _Moves:
    """Every state that the rules' memories can be in, and where each level of a point leads."""
    places = [lines.index(rule.beyond) + 1 for rule in rules]
    states: dict[tuple[int, ...], int] = {(0,) * 2 * len(rules): 0}
    moves: _Moves = []
    todo = list(states)
    for state in todo:
        if len(states) > _MOST_STATES:
            raise InvalidInput(
                f"rules must be fewer or shorter: together they remember more than "
                f"{_MOST_STATES} things, got {len(rules)} of up to "
                f"{max(rule.of for rule in rules)} points"
            )
        row = []
        for level in range(-len(lines), len(lines) + 1):
            flags = [side * level >= place for place in places for side in (1, -1)]
            after = _remembered(state, flags, rules)
            if after is not None and after not in states:
                states[after] = len(states)
                todo.append(after)
            row.append(-1 if after is None else states[after])
        moves.append(row)
    return moves


def _remembered(
    state: tuple[int, ...], flags: list[bool], rules: Sequence[RunRule]
) -> tuple[int, ...] | None:
    """What each rule still knows of the last points on each side, or None if one signals."""
    after = []
    for at, flag in enumerate(flags):
        rule = rules[at // 2]
        window = state[at] << 1 | flag
        if flag and window.bit_count() >= rule.points:
            return None
        after.append(_useful(window, rule))
    return tuple(after)


def _useful(window: int, rule: RunRule) -> int:
    """The points of a window, newest in the lowest bit, that may still be part of a signal."""
    kept = 0
    for age in range(rule.of - 1):
        newer = (window & ((1 << (age + 1)) - 1)).bit_count()
        if window >> age & 1 and newer + rule.of - 1 - age >= rule.points:
            kept |= 1 << age
    return kept


def _chain(moves: _Moves, level: Floats) -> Chain:
    matrix = np.zeros((len(moves), len(moves)))
    for state, row in enumerate(moves):
        for there, chance in zip(row, level.tolist(), strict=True):
            if there >= 0:
                matrix[state, there] += chance
    return dense(matrix)
