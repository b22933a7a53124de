"""The bench measures both sides, checks their answers and writes the names it promises."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from tests.bench import __main__ as bench
from tests.bench.timing import Row, measure


def row(name: str, ours: int) -> Row:
    return Row(name, lambda: sum(range(3000)), lambda: ours, 2.0, lambda usual, got: usual == got)


def test_a_row_is_measured_and_its_answers_compared() -> None:
    result = measure(row("sum", 4_498_500))
    assert result["answers_equal"] is True
    assert result["ratio"] == result["usual_seconds"] / result["ours_seconds"] > 1
    assert result["reached"] is (result["ratio"] >= 2)
    assert measure(row("sum", 0))["answers_equal"] is False


def test_a_goal_in_seconds_counts_too() -> None:
    hasty = replace(row("sum", 4_498_500), goal=0.0)
    assert measure(hasty)["reached"] is True
    assert measure(replace(hasty, seconds=1e-12))["reached"] is False


def test_the_table_and_the_file_say_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [row("sum, right", 4_498_500), row("sum, wrong", 0), row("product", 4_498_500)]
    monkeypatch.setattr(bench, "all_rows", lambda: rows)
    file = tmp_path / "bench.json"
    monkeypatch.setattr("sys.argv", ["bench", "--only", "SUM", "--json", str(file)])
    assert bench.main() == 1  # an answer differs
    listed = json.loads(file.read_text("utf-8"))
    names = {"name", "usual seconds", "ours", "ratio", "goal", "reached", "answers equal"}
    assert [set(entry) for entry in listed] == [names, names]
    assert [entry["answers equal"] for entry in listed] == [True, False]
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[-1] for line in lines] == ["equal", "yes", "NO"]
    assert "product" not in "".join(lines)
