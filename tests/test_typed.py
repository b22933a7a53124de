"""Figures as people type them: a comma or a point, and never a thousands mark for a decimal."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa import planning, wording
from qa.audit import parse
from qa.errors import InvalidAsk, InvalidAudit
from qa.planning.fields import aql, number, per_cent
from qa.programme import Programme
from qa.wording.typed import plainly, readings, two_ways


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("9,5", ("9.5",)),
        ("9.5", ("9.5",)),
        (" 9,5 ", ("9.5",)),
        (",5", (".5",)),
        ("5,", ("5.",)),
        ("-3,25", ("-3.25",)),
        ("0,125", ("0.125",)),
        ("0.500", ("0.500",)),  # nobody writes thousands behind a nought
        ("1,2345", ("1.2345",)),
        ("1234.500", ("1234.500",)),  # four digits stand before no thousands mark
        ("1.500", ("1.500", "1500")),
        ("1,500", ("1.500", "1500")),
        ("1.234.567", ("1234567",)),
        ("1,234,567", ("1234567",)),
        ("1.234,5", ("1234.5",)),
        ("1,234.5", ("1234.5",)),
        ("1 500", ("1500",)),
        ("1\u202f234\u202f567,5", ("1234567.5",)),
        ("1.234,567.8", ()),
        ("1,23,456", ()),
        ("1 50", ()),
        ("", ()),
        ("many", ()),
        ("1e3", ()),
        ("٣", ()),
        ("9" * 21, ()),
    ],
)
def test_what_a_figure_may_mean(text: str, found: tuple[str, ...]) -> None:
    assert readings(text) == found
    assert two_ways(text) == (len(found) == 2)
    assert plainly(text) == (found[0] if len(found) == 1 else text)


@given(st.floats(-1e6, 1e6), st.integers(0, 5), st.sampled_from(["en", "es"]))
def test_what_the_screens_write_is_read_back_or_refused(
    value: float, decimals: int, language: str
) -> None:
    words = wording.load(language)
    text = words.number(value, f".{decimals}f")
    found = readings(text)
    assert float(found[0]) == float(f"{value:.{decimals}f}")
    assert len(found) == 1 or decimals == 3


@given(st.integers(0, 10**9), st.sampled_from(["en", "es"]))
def test_a_count_as_the_screens_write_it_is_never_read_as_a_fraction(
    value: int, language: str
) -> None:
    meant = {float(each) for each in readings(wording.load(language).count(value))}
    assert value in meant
    assert len(meant) == 1 or two_ways(wording.load(language).count(value))


@pytest.mark.parametrize(("reader", "text", "value"), [
    (number(0, 3600), "2,5", 2.5),
    (number(0, 3600), "2.5", 2.5),
    (number(0, 1), "0,012", 0.012),
    (per_cent(), "1,5", 0.015),
    (per_cent(), "1,5%", 0.015),
    (per_cent(50), "99,125", 0.99125),  # no share is 99125 %
    (aql, "0,65", 0.65),
])  # fmt: skip
def test_a_plan_s_figures_take_either_mark(reader: object, text: str, value: float) -> None:
    assert callable(reader)
    assert reader(text) == pytest.approx(value)


def test_a_figure_that_may_mean_two_is_refused() -> None:
    said = r"^must have no thousands mark, got 1.500, which may be 1.500 or 1500$"
    with pytest.raises(ValueError, match=said):
        number(0, 3600)("1.500")
    with pytest.raises(InvalidAsk) as caught:
        planning.read({"way": "aql", "lot_size": "4000", "aql": "1", "piece_seconds": "1,500"})
    assert "no thousands mark" in caught.value.problems["piece_seconds"]


@pytest.mark.parametrize("text", ["200.000", "200,000", "1.500", "12.000"])
def test_a_count_of_pieces_is_never_cut_short_at_a_thousands_mark(
    text: str, programme: Programme
) -> None:
    fields = {"lane": "1", "tote": "A1", "inspector": "Ana", "pulled_at": "2026-03-16 14:05"}
    with pytest.raises(InvalidAudit) as caught:
        parse({**fields, "inspected": text}, programme)
    assert "whole number" in caught.value.problems["inspected"]
