"""What a programme's parts must be to each other; every check says its faults in words."""

from collections import Counter
from collections.abc import Callable, Iterable
from itertools import product
from typing import Any

from qa import plans
from qa.errors import QAError
from qa.programme.settings import ClassPlan, Programme, lot_size, minutes

LISTS = ("lines", "lanes", "shifts", "products", "categories", "specifications")


def faults(programme: Programme, misread: tuple[str, ...]) -> Iterable[str]:
    """Every fault of the parts that could be read; `misread` begin with the names of the others."""
    for parts, check in _CHECKS:
        if not any(fault.startswith(parts) for fault in misread):
            yield from check(programme)


def _repeated(name: str) -> Callable[[Programme], Iterable[str]]:
    def check(programme: Programme) -> Iterable[str]:
        codes = Counter(each.code for each in getattr(programme, name))
        for code in (code for code, times in codes.items() if times > 1):
            yield f'{name}: every code must be there once, got "{code}" more than once'

    return check


def _lane_faults(programme: Programme) -> Iterable[str]:
    named = ((lane.code, (lane.line,)) for lane in programme.lanes)
    return _unknown("lanes", "line", programme.lines, named)


def _specification_faults(programme: Programme) -> Iterable[str]:
    named = ((each.code, each.categories) for each in programme.specifications)
    return _unknown("specifications", "categories", programme.categories, named)


def _several_faults(programme: Programme) -> Iterable[str]:
    every = set(programme.category_codes)
    partial = [each.code for each in programme.specifications if set(each.categories) < every]
    if programme.several_per_piece and partial:
        yield (
            "specifications: need one category a piece, and several_per_piece is true: the counts "
            f'cannot say how many pieces are correct under "{partial[0]}"'
        )


def _baseline_faults(programme: Programme) -> Iterable[str]:
    named = ((each.product, (each.product,)) for each in programme.baselines)
    yield from _unknown("baselines", "product", programme.products, named)
    for each in programme.baselines:
        if each.last_day < each.first_day:
            yield (
                f"baselines ({each.product}).last_day: must not be before first_day "
                f"{each.first_day}, got {each.last_day}"
            )


def _unknown(
    owner: str, key: str, known: Iterable[Any], named: Iterable[tuple[str, tuple[str, ...]]]
) -> Iterable[str]:
    codes = [each.code for each in known]
    for code, values in named:
        for value in values:
            if value not in codes:
                yield f'{owner} ({code}).{key}: must be one of {", ".join(codes)}, got "{value}"'


def _shift_faults(programme: Programme) -> Iterable[str]:
    taken: dict[int, str] = {}
    for shift in programme.shifts:
        begins, length = minutes(shift.start), round(shift.hours * 60)
        taking = [minute % 1440 for minute in range(begins, begins + length)]
        clash = next((taken[minute] for minute in taking if minute in taken), None)
        if clash:
            yield f"shifts ({shift.code}): must not overlap another shift, overlaps {clash}"
        taken.update(dict.fromkeys(taking, shift.code))


def _pull_faults(programme: Programme) -> Iterable[str]:
    if programme.pull > programme.pieces_per_tote:
        yield (
            f"pull: must be at most pieces_per_tote {programme.pieces_per_tote}, "
            f"got {programme.pull}"
        )


def _class_faults(programme: Programme) -> Iterable[str]:
    for severity in dict.fromkeys(each.severity for each in programme.categories):
        if severity not in programme.plans:
            yield f"plans.{severity}: is missing, and there are categories of class {severity}"


def _number_faults(programme: Programme) -> Iterable[str]:
    for severity, plan in programme.plans.items():
        if plan.n is not None and plan.ac is not None and plan.ac >= plan.n:
            yield f"plans.{severity}.ac: must be below n {plan.n}, got {plan.ac}"
    critical = programme.plans.get("critical")
    if critical and critical.ac:
        yield f"plans.critical.ac: must be 0 for a critical class, got {critical.ac}"
    if critical and critical.kind != "single":
        yield f'plans.critical.kind: must be single for a critical class, got "{critical.kind}"'


def _table_faults(programme: Programme) -> Iterable[str]:
    if programme.lot == "lane_shift" and any(not line.nest_time_ms for line in programme.lines):
        yield "lines: nest_time_ms is needed where a lot is a lane's totes of a shift"
        return
    known = {line.code for line in programme.lines}
    cells = product((e.code for e in programme.lanes if e.line in known), programme.shifts)
    sizes = sorted({lot_size(programme, lane, shift.code) for lane, shift in cells})
    by_aql = [(each, each.aql) for each in programme.plans.values() if each.aql is not None]
    by_number = [plan.n for plan in programme.plans.values() if plan.n is not None]
    pulled, staged = max((programme.pull, *by_number)), []
    for (plan, aql), size in product(by_aql, sizes):
        try:
            found = plans.standard(size, aql, level=plan.level, kind=plan.kind)
        except QAError as reason:
            yield f"plans.{plan.severity}: {reason}"
            return
        pulled = max(pulled, found.first)
        if isinstance(found, plans.DoublePlan | plans.MultiplePlan):
            staged.append((plan, found.first))
    for plan, first in staged:
        yield from _stage_faults(programme, plan, first, pulled)


def _stage_faults(programme: Programme, plan: ClassPlan, first: int, pulled: int) -> Iterable[str]:
    """A tote's sample is pulled at once: more pieces than a first stage would skip a decision."""
    if programme.lot == "tote" and programme.pull > first:
        yield (
            f"pull: must be at most {first}, the first sample of the {plan.kind} plan of class "
            f"{plan.severity}, got {programme.pull}"
        )
    elif programme.lot == "tote" and pulled > first:
        yield (
            f"plans.{plan.severity}.kind: must be single where another class asks for more "
            f"pieces than its first sample of {first}, got {plan.kind} and {pulled}"
        )
    if plan.kind == "multiple" and programme.switching != "none":
        yield (
            f"plans.{plan.severity}.kind: multiple plans are printed for normal inspection alone; "
            f'set switching to "none", got "{programme.switching}"'
        )


# Each check looks at some parts of the file, and is left out where these could not be read.
_CHECKS: tuple[tuple[tuple[str, ...], Callable[[Programme], Iterable[str]]], ...] = (
    *(((name,), _repeated(name)) for name in LISTS),
    (("lines", "lanes"), _lane_faults),
    (("shifts",), _shift_faults),
    (("categories", "specifications"), _specification_faults),
    (("several_per_piece", "categories", "specifications"), _several_faults),
    (("products", "baselines"), _baseline_faults),
    (("pull", "pieces_per_tote"), _pull_faults),
    (("categories", "plans"), _class_faults),
    (("plans",), _number_faults),
    (("lot", "pieces_per_tote", "lines", "lanes", "shifts", "plans"), _table_faults),
)
