"""The import rule of the house: who may call whom (DEVELOPERS.md, "Who may import whom")."""

import ast
import sys
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
ROOMS = sorted(path for room in ("qa", "dashboard") for path in (ROOT / room).rglob("*.py"))
STATISTICS = ("qa.intervals", "qa.plans", "qa.charts")
SCREENS = ("dash", "plotly", "flask", "dashboard", "waitress")
GROUND = ("qa._validate", "qa.errors")

# room -> what it may import of ours, and which libraries; the first room that fits decides.
RULES: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    # A plan's risk under differing totes, and the totes that find a rise, are sums over the
    # beta-binomial distribution that charts own: a plain function, where the alternative is a copy.
    **dict.fromkeys(
        ("qa.plans.risks", "qa.plans.pull_size"),
        (("qa.plans", "qa.charts.beta_binomial", *GROUND), ("numpy", "scipy")),
    ),
    # Two fractions are compared through the interval of each, which the room of intervals owns.
    "qa.compare": (("qa.compare", "qa.intervals", *GROUND), ("numpy", "scipy")),
    # What inspectors miss and call falsely are shares, with the interval of a share.
    "qa.agreement": (("qa.agreement", "qa.intervals", *GROUND), ("numpy", "scipy")),
    **{room: ((room, *GROUND), ("numpy", "scipy")) for room in STATISTICS},
    "qa.store": (
        ("qa.store", "qa.audit", "qa.tally", "qa.programme", "qa.events", *GROUND),
        ("sqlalchemy", "alembic", "pandas", "numpy", "argon2"),
    ),
    # An import ends in the record, so files may call the store; the store never calls files.
    "qa.files": (
        ("qa.files", "qa.store", "qa.audit", "qa.tally", "qa.programme", *GROUND),
        ("pandas", "numpy", "openpyxl", "pydantic", "duckdb"),
    ),
    "qa.claim": (
        ("qa.claim", "qa.intervals", "qa.tally", "qa.programme", "qa.wording", *GROUND),
        ("pandas", "numpy"),
    ),
    "qa.planning": (
        ("qa.planning", "qa.plans", "qa.programme", "qa.wording", *GROUND),
        ("numpy",),
    ),
    # A study is a file of calls; nothing of it goes into the record.
    "qa.studies": (
        ("qa.studies", "qa.files.studies", "qa.agreement", "qa.intervals", "qa.wording", *GROUND),
        ("numpy",),
    ),
    # A statement asks every answer that there is, and no command.
    "qa.statement": (
        (
            *("qa.statement", "qa.claim", "qa.efficiency", "qa.verdicts", "qa.compare"),
            *("qa.intervals", "qa.plans", "qa.store", "qa.files", "qa.tally", "qa.programme"),
            *("qa.wording", "qa._plain", *GROUND),
        ),
        ("pandas", "numpy", "typst"),
    ),
    "dashboard.figures": (("qa", "dashboard.figures", "dashboard.theme"), ("plotly", "numpy")),
    "dashboard.views": (("qa", "dashboard.views"), ("pandas", "numpy")),
    "dashboard.pages": (
        ("dashboard", "qa.store", "qa.amending", "qa.errors"),
        ("dash", "plotly", "flask"),
    ),
}


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(path: Path) -> set[str]:
    """Every module that a file imports, whether it names the module or a name in it."""
    known = {module_name(other) for other in ROOMS}
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are absolute"
            inner = {f"{node.module}.{alias.name}" for alias in node.names}
            modules = inner & known
            found |= modules
            if len(modules) < len(inner):
                found.add(str(node.module))
    return found


def within(name: str, rooms: tuple[str, ...]) -> bool:
    return any(name == room or name.startswith(f"{room}.") for room in rooms)


def foreign(name: str) -> bool:
    return name.partition(".")[0] not in {*sys.stdlib_module_names, "qa", "dashboard"}


@pytest.mark.parametrize("path", ROOMS, ids=module_name)
def test_a_room_imports_only_what_it_may(path: Path) -> None:
    name, wanted = module_name(path), imports(path)
    if within(name, ("qa",)):
        assert not [each for each in wanted if within(each, SCREENS)], "qa knows no screen"
    rule = next((rule for room, rule in RULES.items() if within(name, (room,))), None)
    if rule is None:
        return
    ours, libraries = rule
    own = {each for each in wanted if within(each, ("qa", "dashboard"))}
    assert not {each for each in own if not within(each, ours)}
    assert not {each for each in wanted if foreign(each) and not within(each, libraries)}


def circle(graph: dict[str, set[str]]) -> list[str]:
    """Modules that import each other in a circle; none when there is no circle."""
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as found:
        return list(found.args[1])
    return []


def test_imports_make_no_circle() -> None:
    graph = {
        module_name(path): {each for each in imports(path) if each != module_name(path)}
        for path in ROOMS
    }
    assert circle(graph) == []
    assert circle({"a": {"b"}, "b": {"a"}}) != []
