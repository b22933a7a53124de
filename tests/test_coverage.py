"""The coverage study asks what `qa` answers, counts rightly, and decides by its rule."""

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from qa.intervals import binomial, clustered
from tests.coverage import __main__ as coverage
from tests.coverage import many_totes, one_tote
from tests.coverage.many_totes import Cell, Found


def test_one_tote_is_enumerated() -> None:
    n = 50
    found = one_tote.one_tote("wilson", n)
    covered, missed = [], []
    for p in one_tote.CORRECT:
        chance = [math.comb(n, x) * p**x * (1 - p) ** (n - x) for x in range(n + 1)]
        both = [binomial(x, n, method="wilson") for x in range(n + 1)]
        lower = [binomial(x, n, method="wilson", side="lower").low for x in range(n + 1)]
        covered.append(sum(c for c, i in zip(chance, both, strict=True) if i.low <= p <= i.high))
        missed.append(sum(c for c, low in zip(chance, lower, strict=True) if low > p))
    assert_allclose(found.least_coverage, min(covered), rtol=1e-9)
    assert_allclose(found.mean_coverage, np.mean(covered), rtol=1e-9)
    assert_allclose(found.most_misses, max(missed), atol=1e-12)
    exact = one_tote.one_tote("exact", n)
    assert exact.least_coverage >= 0.95
    assert exact.most_misses <= 0.05


@pytest.mark.parametrize("unequal", [False, True])
def test_one_posterior_answers_both_questions_as_clustered_does(unequal: bool) -> None:
    cell = Cell(6, 0.98, 0.02, unequal=unequal)
    for x, n in zip(*cell.draw(np.random.default_rng(1), 3), strict=True):
        both = clustered(n - x, n, method="beta_binomial").interval
        alone = clustered(n - x, n, method="beta_binomial", side="lower").interval
        expected = [both.low, both.high, alone.low]
        assert_allclose(many_totes.beta_binomial(x, n), expected, rtol=1e-9)


def test_totes_are_drawn_as_the_cell_says() -> None:
    rng = np.random.default_rng(2)
    for cell in (
        Cell(40, 0.98, 0.02),
        Cell(40, 0.98, 0.0),
        Cell(40, 0.98, math.nan, shape="mixture"),
    ):
        x, n = cell.draw(rng, 2000)
        assert abs((x / n).mean() - 0.02) < 0.001
        between = (x / n).var() - 0.02 * 0.98 / 200
        expected = {"beta": 0.02 * 0.98 * cell.correlation, "mixture": 0.02**2 * 16 / 9}[cell.shape]
        assert abs(between - expected) < 0.15 * expected + 2e-6
    assert set(np.unique(Cell(9, 0.9, 0.1, unequal=True).draw(rng, 900)[1])) == set(range(50, 351))


def test_misses_are_counted() -> None:
    limits = np.array([[0.97, 0.995, 0.98], [0.991, 0.999, 0.9905], [0.95, 0.985, 0.96]] * 100)
    row = many_totes.found(Cell(5, 0.99, 0.01), "pooled", limits)
    assert_allclose([row.coverage, row.misses], [1 / 3, 1 / 3])
    assert_allclose(row.misses_error, np.sqrt(2 / 9 / 300))
    assert_allclose(row.short, 0.99 - (0.98 + 0.9905 + 0.96) / 3)
    never = many_totes.found(Cell(5, 0.99, 0.01), "pooled", limits[2:3])
    assert never.misses_error > 0, "no miss seen is not none to come"


def test_a_quick_run_writes_every_cell_and_is_repeatable(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(one_tote, "SIZES", (50,))
    texts = []
    for name in ("one.csv", "two.csv"):
        assert coverage.main(["--quick", "--csv", str(tmp_path / name)]) == 0
        texts.append((tmp_path / name).read_text("utf-8"))
    assert texts[0] == texts[1]
    rows = list(csv.DictReader(texts[0].splitlines()))
    assert len(rows) == 3 * len(many_totes.METHODS)
    assert {row["method"] for row in rows} == set(many_totes.METHODS)
    said = capsys.readouterr().out
    assert "| exact | 50 |" in said
    assert "| mixture | korn_graubard |" in said


def test_the_decision_follows_its_rule() -> None:
    cell = Cell(20, 0.99, 0.01)
    good = Found(cell, "korn_graubard", 600, 0.95, 0.05, 0.009, 0.004)
    wide = replace(good, method="beta_binomial", short=0.006)
    wrong = replace(good, method="pooled", misses=0.2, misses_error=0.02, short=0.001)
    assert coverage.decision([good, wide, wrong]).endswith("narrowest: korn_graubard.")
    bad = replace(good, misses=0.055 + 3 * 0.009 + 1e-6)
    assert coverage.decision([bad, wide, wrong]).endswith("narrowest: beta_binomial.")
    elsewhere = replace(bad, cell=replace(cell, shape="mixture"))
    assert coverage.decision([good, wide, wrong, elsewhere]).endswith("narrowest: korn_graubard.")
    assert coverage.decision([bad, wrong, replace(wide, misses=0.2)]).startswith("No method")


def test_the_kept_table_is_of_todays_cells() -> None:
    with coverage.TABLE.open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    assert len(rows) == len(many_totes.cells()) * len(many_totes.METHODS)
