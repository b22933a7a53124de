"""Published attribute series, imported with a mapping like any plant's file, charted as printed."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xlsxwriter
from numpy.testing import assert_allclose

from qa.charts import np_chart, p_chart
from qa.files.importing import import_file
from qa.files.mapping import load_mapping
from qa.files.tables import read_table
from qa.programme import parse
from qa.store import records, schema

FOLDER = Path(__file__).parent / "reference"
PROGRAMME = """
site = "P"
name = "A published series"
time_zone = "UTC"
lot = "tote"
pieces_per_tote = 1000
pull = 100
target = 0.9
lines = [{ code = "A" }]
lanes = [{ code = "1", line = "A" }]
shifts = [{ code = "all", name = "All day", start = 00:00:00, end = 00:00:00 }]
products = [{ code = "piece", name = "Piece" }]
categories = [{ code = "nonconforming", name = "nonconforming", class = "major" }]
plans = { major = { n = 80, ac = 5 } }
"""
# The books number their samples and give no time: the number takes the place of the tote.
MAPPING = """
header_row = 2
[columns]
tote = "sample"
inspected = "n"
nonconforming = "{counted}"
{more}
[constants]
lane = "1"
inspector = "as published"
pulled_at = 2002-01-01T12:00:00
"""


@dataclass(frozen=True)
class Series:
    count: np.ndarray
    inspected: np.ndarray


Load = Callable[..., Series]


@pytest.fixture
def load(tmp_path: Path):
    """File, mapping, importer, store, tally: the way of a plant's own audits."""
    store = schema.open_store(tmp_path / "published.db", create=True)
    at = datetime(2001, 1, 1, tzinfo=UTC)
    records.put_programme(store, PROGRAMME, by="lead", at=at, reason="published series")

    def loaded(path: Path, counted: str, more: str = "", rows: int = 0) -> Series:
        mapping = tmp_path / "mapping.toml"
        mapping.write_text(MAPPING.format(counted=counted, more=more), encoding="utf-8")
        report = import_file(store, path, parse(PROGRAMME), load_mapping(mapping), by="lead", at=at)
        assert (report.rejects, report.skipped, report.new) == ((), (), rows)
        tallies = records.tallies(store)
        assert len(tallies) == rows
        tallies = tallies.sort_values("tote", key=pd.to_numeric)
        return Series(tallies["nonconforming"].to_numpy(), tallies["inspected"].to_numpy())

    yield loaded
    store.engine.dispose()


def test_thirty_samples_of_a_hundred(load: Load) -> None:
    # Montgomery & Runger (2002) exercise 16-24; answer printed in a later edition (15-50), seen:
    # centre line 0.0993, upper limit 0.189; four and three decimals.
    series = load(FOLDER / "series" / "fraction_30x100.csv", "defective", rows=30)
    chart = p_chart(series.count, series.inspected, limits="three_sigma")
    assert_allclose(chart.center, 0.0993, atol=5e-5)
    assert_allclose(chart.upper, 0.189, atol=5e-4)
    assert not chart.signals.any()


def test_telephone_statements(load: Load, tmp_path: Path) -> None:
    # Teaching exercise, author not stated: total 220 and centre line 0.11 seen. Limits of 3 sigma
    # by hand: 0.11 +- 3 sqrt(0.11 x 0.89 / 100) = 0.0161 and 0.2039. Here from a workbook.
    source = read_table(FOLDER / "series" / "phone_bills_20x100.csv", header_row=2)
    path = tmp_path / "phone.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        sheet.write(0, 0, "Telephone statements")
        sheet.write_row(1, 0, source.headers)
        for at, row in enumerate(source.rows):
            sheet.write_row(2 + at, 0, [int(cell) for cell in row.cells])
    series = load(path, "defective", rows=20)
    chart = p_chart(series.count, series.inspected, limits="three_sigma")
    assert series.count.sum() == 220
    assert_allclose(chart.center, 0.11, atol=1e-12)
    assert_allclose(chart.lower, 0.0161, atol=5e-5)
    assert_allclose(chart.upper, 0.2039, atol=5e-5)
    assert (np.flatnonzero(chart.signals) + 1).tolist() == [8, 15]


def test_records_keyed_by_twenty_clerks(load: Load) -> None:
    # Heizer & Render: total 80 seen; centre 0.04, limits 0.10 and 0, and clerk 17 beyond them,
    # from memory. The printed 0.10 is 0.0988 rounded up.
    series = load(FOLDER / "series" / "data_entry_20x100.csv", "errors", rows=20)
    chart = p_chart(series.count, series.inspected, limits="three_sigma")
    assert series.count.sum() == 80
    assert_allclose(chart.center, 0.04, atol=1e-12)
    assert_allclose(chart.upper, 0.0988, atol=5e-5)
    assert np.isnan(chart.lower).all()  # a clipped limit of 0 is no limit, so 0 errors are quiet
    assert (np.flatnonzero(chart.signals) + 1).tolist() == [17]


def test_cans_of_orange_juice(load: Load) -> None:
    # Montgomery, Introduction to Statistical Quality Control, examples 7.1 and 7.2 (from memory,
    # total 347 and mean 0.2313 seen): trial, revised and later limits, np chart.
    path = FOLDER / "charts" / "orange_juice_54x50.csv"
    series = load(path, "nonconforming", 'note = "phase"', rows=54)
    trial = p_chart(series.count[:30], series.inspected[:30], limits="three_sigma")
    assert series.count[:30].sum() == 347
    assert_allclose(trial.center, 0.2313, atol=5e-5)
    assert_allclose([trial.lower[0], trial.upper[0]], [0.0524, 0.4102], atol=1e-4)
    assert (np.flatnonzero(trial.signals) + 1).tolist() == [15, 23]
    kept = ~trial.signals
    revised = p_chart(
        series.count[:30],
        series.inspected[:30],
        center=series.count[:30][kept].sum() / series.inspected[:30][kept].sum(),
        limits="three_sigma",
    )
    assert_allclose(revised.center, 0.2150, atol=5e-5)
    assert_allclose([revised.lower[0], revised.upper[0]], [0.0407, 0.3893], atol=1e-4)
    assert (np.flatnonzero(revised.signals) + 1).tolist() == [15, 21, 23]
    later = p_chart(series.count[30:], series.inspected[30:], limits="three_sigma")
    assert_allclose(later.center, 0.1108, atol=5e-5)
    assert_allclose(later.upper, 0.2440, atol=2e-4)
    number = np_chart(series.count[:30], series.inspected[:30], limits="three_sigma")
    assert_allclose(number.center, 11.565, atol=2e-3)  # the book's 50 x 0.2313
    assert_allclose([number.lower[0], number.upper[0]], [2.62, 20.51], atol=2e-3)


def test_purchase_orders_of_varying_number(load: Load) -> None:
    # Montgomery, Introduction to Statistical Quality Control, tables 7.4 and 7.5 (from memory):
    # centre 0.096, limits at each sample's own size; sample 11 lies 3.08 standard errors out.
    path = FOLDER / "charts" / "purchase_orders_25.csv"
    series = load(path, "nonconforming", rows=25)
    chart = p_chart(series.count, series.inspected, limits="three_sigma")
    assert_allclose(chart.center, 0.096, atol=5e-4)
    out = (chart.statistic - chart.center) / ((chart.upper - chart.center) / 3)
    assert_allclose(out[10], 3.08, atol=0.02)
    assert (np.flatnonzero(chart.signals) + 1).tolist() == [11]
