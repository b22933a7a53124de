"""Gathers the rows of every module beside it, measures them and prints a table.

``python -m tests.bench [--only WORD] [--json FILE]``; ``--only pages`` opens every page in a
browser over a million audits, which are made first where they are not there (ten minutes)
"""

import argparse
import importlib
import json
import pkgutil
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from tests.bench import pages
from tests.bench.timing import Row, measure

WIDTH = 60
HEADINGS = ("computation", "usual", "ours", "ratio", "goal", "reached", "equal")


def main() -> int:
    """Print the table; 1 when answers differ (a ratio alone depends on the machine)."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--json", metavar="FILE", type=Path, help="write the results there too")
    parser.add_argument("--only", metavar="WORD", default="", help="rows whose name has this word")
    asked = parser.parse_args()
    rows = [row for row in all_rows() if asked.only.lower() in row.name.lower()]
    results = list(shown(map(measure, rows), [row.name for row in rows]))
    results += shown(pages.results(asked.only), [])
    if asked.json:
        asked.json.write_text(json.dumps([listed(r) for r in results], indent=1) + "\n", "utf-8")
    return 0 if all(result["answers_equal"] for result in results) else 1


def all_rows() -> list[Row]:
    """The rows of every module of this folder that has some, in the order of their names."""
    names = sorted(module.name for module in pkgutil.iter_modules([str(Path(__file__).parent)]))
    modules = [importlib.import_module(f"tests.bench.{name}") for name in names if name[0] != "_"]
    return [row for module in modules if hasattr(module, "rows") for row in module.rows()]


def shown(results: Iterable[dict[str, Any]], names: Iterable[str]) -> Iterator[dict[str, Any]]:
    """Each result printed as soon as it is known; of a page "usual" is what is wanted."""
    width = max([len(name) for name in names] + [WIDTH])
    for number, result in enumerate(results):
        if not number:
            print(f"{HEADINGS[0]:{width}}" + "".join(f"{each:>11}" for each in HEADINGS[1:]))
        cells = (
            duration(result["usual_seconds"]),
            duration(result["ours_seconds"]),
            f"{result['ratio']:.1f} x",
            f"{result['goal']:g} x",
            "yes" if result["reached"] else "no",
            "yes" if result["answers_equal"] else "NO",
        )
        print(f"{result['name']:{width}}" + "".join(f"{cell:>11}" for cell in cells), flush=True)
        yield result


def duration(seconds: float) -> str:
    """A time with three digits and a fitting unit."""
    for unit, name in ((1.0, "s"), (1e-3, "ms"), (1e-6, "us")):
        if seconds >= unit:
            return f"{seconds / unit:.3g} {name}"
    return f"{seconds / 1e-9:.3g} ns"


def listed(result: dict[str, Any]) -> dict[str, Any]:
    """The result under the names that its file promises."""
    names = {
        "usual_seconds": "usual seconds",
        "ours_seconds": "ours",
        "answers_equal": "answers equal",
    }
    return {names.get(key, key): value for key, value in result.items()}


if __name__ == "__main__":
    raise SystemExit(main())
