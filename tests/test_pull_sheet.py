"""What to pull, drawn over lanes and shifts, and the sheet that is printed of it."""

import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from qa import planning
from qa.errors import InvalidAsk, NoSuchPlan
from qa.planning import Answer, Cell, Pulling, sheet
from qa.plans.pull_size import Effort, for_precision, for_rise
from qa.programme import Programme
from qa.wording import load

WORDS = load()


def answered(**said: str) -> Answer:
    return planning.answer(planning.read({"lot_size": "4000", "aql": "1.0", **said}))


def pulled(programme: Programme, found: Answer | None = None, **said: str) -> Pulling:
    asked = planning.read_pull({"seed": "7", **said})
    where = planning.cells(asked, programme)
    holds = programme.pieces_per_tote
    return planning.pull(asked, found or answered(), where, pieces_per_tote=holds)


def test_totes_are_shared_over_lanes_and_shifts(programme: Programme) -> None:
    found = pulled(programme, totes="36")
    assert len(found.shares) == 18  # six lanes, three shifts
    assert set(found.shares.values()) == {2}
    drawn = Counter(each.label for each in found.schedule.pulls)
    assert drawn == Counter(dict(found.shares))


def test_full_nests_say_how_many_totes_are_filled(programme: Programme) -> None:
    # A nest every 55 ms for 8 hours is 523,636 pieces, 130 full totes of 4,000.
    cells = planning.cells(planning.read_pull({"totes": "1", "seed": "1"}), programme)
    assert {each.filled for each in cells} == {130}
    few = planning.cells(planning.read_pull({"totes": "1", "seed": "1", "filled": "9"}), programme)
    assert {each.filled for each in few} == {9}
    one = planning.read_pull({"totes": "1", "seed": "1", "lane": "4", "shift": "night"})
    assert planning.cells(one, programme) == (Cell("4", "night", 130),)


def test_the_plan_s_first_sample_is_pulled_from_each_tote(programme: Programme) -> None:
    assert pulled(programme, totes="18").size.pieces == 200
    double = pulled(programme, answered(kind="double"), totes="18")
    assert double.size.pieces == 125
    spread = pulled(programme, answered(from_totes="6"), totes="18")
    assert spread.size.pieces == 34  # 6 totes give 200 and four more
    assert pulled(programme, totes="18", pieces="50").size.pieces == 50
    assert pulled(programme, totes="18").size.cost == 18 * (300 + 200 * 1.5)


def test_precision_and_power_say_how_many_totes(programme: Programme) -> None:
    found = answered(correlation="0.01", tote_seconds="300", piece_seconds="1.5")
    effort = Effort(300, 1.5, 4000)
    size = for_precision(0.01, 0.005, effort, correlation=0.01)
    assert pulled(programme, found, by="precision", expect="1", half_width="0.5").size == size
    size = for_rise(0.01, 2, effort, correlation=0.01, power=0.8, pieces=200)
    asked = {"by": "rise", "expect": "1", "rise": "2", "power": "80", "pieces": "200"}
    assert pulled(programme, found, **asked, lane="1").size == size


def test_each_lane_and_shift_gives_one_tote_at_least(programme: Programme) -> None:
    found = pulled(programme, by="precision", expect="1", half_width="20", pieces="30")
    assert found.size.totes == 18


def test_one_seed_draws_the_same_again(programme: Programme) -> None:
    first, again = (pulled(programme, totes="20", quadrants="2") for _ in range(2))
    assert first.schedule == again.schedule
    other = pulled(programme, totes="20", quadrants="2", seed="8")
    assert other.schedule.pulls != first.schedule.pulls
    for each in first.schedule.pulls:
        assert sum(place.pieces for place in each.positions) == 200
        assert len(each.positions) == 6


@pytest.mark.parametrize(
    ("said", "problem"),
    [
        ({}, "totes is missing"),
        ({"totes": "2.5"}, "totes must be a whole number, 1 or more, got 2.5"),
        ({"totes": "9"}, "totes must be from 18, the least for each, to 2340, those filled, got 9"),
        ({"totes": "18", "lane": "9"}, "lane must be one of 1, 2, 3, 4, 5, 6, got 9"),
        ({"totes": "18", "shift": "tea"},
         "shift must be one of morning, afternoon, night, got tea"),
        ({"totes": "18", "pieces": "2"}, "pieces must be 3 or more, one for each position, got 2"),
        ({"totes": "18", "pieces": "4001"},
         "pieces must be at most the 4,000 in a tote, got 4,001"),
        ({"totes": "18", "seed": "-1"}, "seed must be a whole number, 0 or more, got -1"),
        ({"totes": "18", "quadrants": "5"}, "quadrants must be a whole number, 4 or less, got 5"),
        ({"by": "guess"}, "by must be one of plan, precision, rise, got guess"),
        ({"by": "rise", "expect": "1"}, "rise is missing"),
        ({"by": "rise", "expect": "60", "rise": "2"}, "rise "),
        ({"totes": "18", "rise": "2"}, "rise does not belong to a pull by plan, which takes"),
        ({"by": "precision", "expect": "1", "half_width": "0.5", "pieces": "4001"},
         "pieces must be at most pieces_per_tote 4000, got 4001"),
    ],
)  # fmt: skip
def test_a_bad_pull_names_the_argument(
    said: dict[str, str], problem: str, programme: Programme
) -> None:
    with pytest.raises(InvalidAsk) as caught:
        pulled(programme, **said)
    assert str(caught.value).startswith(problem)


def test_more_totes_than_anyone_pulls_is_said(programme: Programme) -> None:
    found = answered(correlation="0.5")
    with pytest.raises(NoSuchPlan, match="needs more than 2,000 totes"):
        pulled(programme, found, by="precision", expect="50", half_width="0.1")


def test_a_programme_without_nest_time_must_be_told_what_is_filled(programme: Programme) -> None:
    slow = replace(programme, lines=tuple(replace(e, nest_time_ms=None) for e in programme.lines))
    with pytest.raises(
        InvalidAsk, match=r"^filled is missing, and the programme does not tell it$"
    ):
        pulled(slow, totes="18")
    assert pulled(slow, totes="18", filled="20").size.totes == 18


# In words and on paper


def test_it_is_said_how_much_to_pull_and_what_that_reaches(programme: Programme) -> None:
    assert sheet.said(pulled(programme, totes="18"), WORDS) == (
        "Pull from 18 totes, 200 pieces from each: about 3.0 hours of one person."
    )
    found = answered(correlation="0.01")
    precise = pulled(programme, found, by="precision", expect="1.2", half_width="0.5")
    assert "a share of about 1.2 % is told to within 0.50 % either way" in sheet.said(
        precise, WORDS
    )
    rise = pulled(programme, found, by="rise", expect="1", rise="2")
    reached = f"{100 * rise.size.reached:.1f} %"
    assert f"a rise from 1.0 % to 2 times as much is found with a chance of {reached}" in (
        sheet.said(rise, WORDS)
    )


class _Document(HTMLParser):
    """Whether tags are closed in turn, and the text of each row of the table."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.rows: list[list[str]] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:  # noqa: ARG002 - the parser's
        if tag != "meta":
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "tr" in self.open and self.rows[-1]:
            self.rows[-1][-1] += data


def read(page: str) -> _Document:
    document = _Document()
    document.feed(page)
    assert document.open == []
    return document


def test_the_sheet_has_a_row_a_tote_with_boxes_to_tally(programme: Programme) -> None:
    pulling = pulled(programme, totes="6", shift="night", quadrants="1")
    page = sheet.sheet(pulling, "pull 200, accept on 5, reject on 6", WORDS, programme)
    head, *rows = read(page).rows
    assert head == [
        *("Lane", "Tote no.", "About", "Top third", "Middle third", "Bottom third", "Tote code"),
        *("inspected", "stem left on", "over-trim", "double-loaded", "correct"),
    ]
    assert len(rows) == 6
    for row, each in zip(rows, pulling.schedule.pulls, strict=True):
        assert row[:2] == [each.label.lane, str(each.tote)]  # type: ignore[attr-defined]
        assert row[3] == f"{each.positions[0].pieces} from {each.positions[0].quadrant}"
        assert row[6:] == [""] * 6
    first = pulling.schedule.pulls[0]
    minutes = round(22 * 60 + (first.tote - 0.5) / 130 * 480 - 0.5) % 1440
    hours, rest = divmod(minutes, 60)
    assert abs(int(rows[0][2][:2]) * 60 + int(rows[0][2][3:]) - (hours * 60 + rest)) <= 1
    assert "Shift: Night" in page
    assert "Judge each tote by its plan: pull 200, accept on 5, reject on 6." in page
    assert "from seed 7;" in page


def test_the_sheet_carries_its_cautions(programme: Programme) -> None:
    page = sheet.sheet(pulled(programme, totes="18"), "pull 200", WORDS, programme)
    for text in (
        "never from a moving conveyor or inside a cutting enclosure",
        "Never reach into a deep tote",
        "Guards and lockout follow the site&#x27;s own procedure",
        "go back only where the site&#x27;s rules allow",
        "follow the site&#x27;s food-safety plan and the law, whatever the sample says",
    ):
        assert text in page
    assert "@media print" in page
    assert not re.search(r"(src|href)=|https?:|<script", page)


def test_the_sheet_without_a_programme_has_totes_alone() -> None:
    asked = planning.read_pull({"totes": "3", "filled": "40", "seed": "1"})
    where = (Cell("", "", 40),)
    pulling = planning.pull(asked, answered(), where, pieces_per_tote=4000)
    head, *rows = read(sheet.sheet(pulling, "pull 200", WORDS)).rows
    assert head[0] == "Tote no."
    assert head[-2:] == ["incorrect", "correct"]
    assert len(rows) == 3


def test_a_sheet_for_a_share_does_not_judge_lots(programme: Programme) -> None:
    pulling = pulled(programme, by="precision", expect="1", half_width="1", pieces="50")
    page = sheet.sheet(pulling, "pull 200, accept on 5", WORDS, programme)
    assert "accept on 5" not in page
    assert "a lot is judged by its own plan" in page


def test_names_of_a_programme_are_text_on_the_sheet(programme: Programme) -> None:
    odd = replace(programme, name="<b>Sprouts</b> & co", site='"S"')
    page = sheet.sheet(pulled(odd, totes="18"), "pull <i>200</i>", WORDS, odd)
    assert "&lt;b&gt;Sprouts&lt;/b&gt; &amp; co" in page
    assert "&quot;S&quot;" in page
    assert "<i>" not in page
