"""The coverage study asks what `qa` answers, counts rightly, and decides by its rule."""

import csv
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from qa.intervals import binomial, clustered
from tests.coverage import __main__ as coverage
from tests.coverage import history, many_totes, one_tote, shipped
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
        assert_allclose(many_totes.of_posterior(x, n), expected, rtol=1e-9)


def test_samples_that_share_a_grid_say_what_each_says_alone() -> None:
    x, n = Cell(12, 0.98, 0.02).draw(np.random.default_rng(5), 7)
    got = many_totes.together(x, 200, at_once=3)
    assert_allclose(got, many_totes.once_each(many_totes.of_posterior, x, n), atol=1e-5)


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
    row = many_totes.found(Cell(5, 0.99, 0.01), "pooled", limits, 0.99)
    assert_allclose([row.coverage, row.misses], [1 / 3, 1 / 3])
    assert_allclose(row.misses_error, np.sqrt(2 / 9 / 300))
    assert_allclose(row.short, 0.99 - (0.98 + 0.9905 + 0.96) / 3)
    never = many_totes.found(Cell(5, 0.99, 0.01), "pooled", limits[2:3], 0.99)
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
    assert len(rows) == 3 * len(many_totes.METHODS) + 2 * 2 + 2
    others = {"as made", "as shipped", "learned"}
    assert {row["method"] for row in rows} == set(many_totes.METHODS) | others
    said = capsys.readouterr().out
    assert "| exact | 50 |" in said
    assert "| mixture | korn_graubard |" in said
    assert "| tote lots, correlation 0.05 | as shipped |" in said


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


# Lots of one tote: what leaves is what was accepted, and what was accepted after re-sorts.
@pytest.mark.parametrize("lots", list(shipped.LOTS))
def test_lots_leave_when_a_sample_accepts_them(lots: str) -> None:
    cell = Cell(40, 0.98, 0.05, shape=lots)
    made, left, passed, truth = shipped.simulated(np.random.default_rng(6), cell, 400)
    size, ac = shipped.PLAN[0] // shipped.LOTS[lots], shipped.PLAN[1]
    assert made.shape == left.shape == (400, 40)
    assert abs((made / size).mean() - 0.02) < 0.001
    of_lots = (each.reshape(400, -1, shipped.LOTS[lots]).sum(axis=2) for each in (made, left))
    before, after = of_lots
    assert (after <= ac).all()
    assert (after[before <= ac] == before[before <= ac]).all(), "an accepted lot is left alone"
    assert (passed == np.repeat(before <= ac, shipped.LOTS[lots], axis=1)).all()
    mean = truth.mean()
    assert 0.98 < mean < 1 - (left / size).mean(), "samples that accept look too good"


def test_the_truth_of_what_leaves_is_that_of_the_totes_left() -> None:
    always = Cell(40, 0.999, 0.0005, shape="shift lots")
    made, left, passed, truth = shipped.simulated(np.random.default_rng(6), always, 400)
    assert passed.all()
    assert (made == left).all()
    assert abs(truth.mean() - 0.999) < 2e-5


def test_a_history_is_drawn_as_its_name_says(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []

    def kept(x: np.ndarray, n: np.ndarray, *, stratum: np.ndarray) -> tuple[float, float]:
        seen.append((x, n, stratum))
        return 1.0, 99.0

    monkeypatch.setattr(history, "learned_prior", kept)
    cell = Cell(8, 0.99, 0.02, shape="history of 40000")
    assert history.learned(np.random.default_rng(7), cell) == (1.0, 99.0)
    x, n, lane = seen[0]
    assert (x.size, set(n), set(lane)) == (40_000, {200}, set(range(history.LANES)))
    means = [(x / n)[lane == each].mean() for each in range(history.LANES)]
    assert_allclose(means, 0.01 * np.array([0.5, 5 / 6, 7 / 6, 1.5]), rtol=0.05)
    assert abs((x / n).var() / (0.01 * 0.99) - (0.02 + 0.98 / 200)) < 0.005
    history.learned(np.random.default_rng(7), replace(cell, shape=history.CHANGED))
    assert seen[1][0].size == 400


def kept_rows(*methods: str, shape: Callable[[str], bool] = lambda _: True) -> list[dict[str, str]]:
    with coverage.TABLE.open(encoding="utf-8") as lines:
        found = [row for row in csv.DictReader(lines) if shape(row["shape"])]
    return [row for row in found if not methods or row["method"] in methods]


def most(*methods: str, shape: Callable[[str], bool]) -> float:
    """Misses of a lower bound, per cent, in the cell that has most."""
    return 100 * max(float(row["misses"]) for row in kept_rows(*methods, shape=shape))


def test_the_kept_table_is_of_todays_cells() -> None:
    expected = len(many_totes.cells()) * len(many_totes.METHODS)
    expected += 2 * (len(shipped.cells()) + len(history.cells()))
    assert len(kept_rows()) == expected


BETA, MIXTURE, LOTS = "beta".__eq__, "mixture".__eq__, shipped.LOTS.__contains__
STEADY = {f"history of {totes}" for totes in history.HISTORIES}.__contains__


# What people read of coverage is what the table holds: the sentences are written from it here.
def test_the_sentences_on_coverage_say_what_the_table_says() -> None:
    readme, developers = (Path(name).read_text("utf-8") for name in ("README.md", "DEVELOPERS.md"))
    ours, naive = most("beta_binomial", shape=BETA), most("pooled", shape=BETA)
    worse, left = most("beta_binomial", shape=MIXTURE), most("as shipped", shape=LOTS)
    kinds = len(kept_rows("beta_binomial", shape=BETA))
    assert f"in {kinds} kinds of totes that differ" in readme
    assert f"miss in at most {ours:.1f} % of simulated samples" in readme
    assert f"pooled exact interval miss in up to {naive:.0f} %" in readme
    assert f"five times as bad, they miss in up to {worse:.0f} %" in readme
    assert f"having decided which lots leave; they miss in up to {left:.0f} %" in readme
    (worst,) = (row for row in kept_rows("beta_binomial", shape=BETA) if at(row, ours))
    error = 100 * float(worst["misses_error"])
    others = kept_rows("korn_graubard", shape=BETA)
    beyond = [row for row in others if excess(row) > 0.055]
    assert f"{kinds} kinds of beta-binomial totes" in developers
    assert f"miss in at most {ours:.1f} % (error {error:.1f}) of the samples" in developers
    top = most("korn_graubard", shape=BETA)
    assert f"in up to {top:.0f} %, beyond 5.5 % by more than three" in developers
    assert f"errors in {len(beyond)} kinds, all of correlation 0.05" in developers
    assert {row["correlation"] for row in beyond} == {"0.05"}
    assert f"it misses up to {worse:.1f} % (20 totes), Korn-Graubard " in developers
    mixed = most("korn_graubard", shape=MIXTURE), most("pooled", shape=MIXTURE)
    made, learned = most("as made", shape=LOTS), most("learned", shape=STEADY)
    assert f"bounds as made miss in at most {made:.1f} %" in developers
    assert f"as shipped in up to {left:.0f} % (" in developers
    assert f"they miss in at most {learned:.1f} % and lie" in developers
    assert f"but in {most('learned', shape=history.CHANGED.__eq__):.0f} % where" in developers
    assert f"Korn-Graubard {mixed[0]:.1f} %, a pooled exact bound {mixed[1]:.0f} %" in developers


def test_the_buyers_words_on_coverage_say_what_the_table_says() -> None:
    words = Path("qa/wording/en.toml").read_text("utf-8")
    ours, worse = most("beta_binomial", shape=BETA), most("beta_binomial", shape=MIXTURE)
    assert f"failed in at most {math.ceil(ours)} samples of 100" in words
    assert f"in {worse:.0f} of 100 where one tote in ten was five times as bad" in words
    left = most("as shipped", shape=LOTS)
    assert words.count(f"bounds failed in up to {left:.0f} samples of 100") == 1


def at(row: dict[str, str], per_cent: float) -> bool:
    return 100 * float(row["misses"]) == per_cent


def excess(row: dict[str, str]) -> float:
    """Misses beyond what a simulation's error explains."""
    return float(row["misses"]) - coverage.ERRORS * float(row["misses_error"])
