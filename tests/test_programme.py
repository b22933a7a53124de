"""The programme: what its file may say, every fault in words, and the plant's own clock."""

import re
from contextlib import suppress
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa import programme as programmes
from qa.errors import InvalidProgramme
from qa.programme import ClassPlan, Line, Programme

SMALL = """
site = "S"
name = "Small"
time_zone = "Europe/Dublin"
lot = "tote"
pieces_per_tote = 4000
pull = 200
target = 0.99

[[lines]]
code = "A"
nest_time_ms = 55
belt_speed_mm_s = 1143

[[lanes]]
code = "007"
line = "A"
heads = ["A", "B"]

[[shifts]]
code = "day"
name = "Day"
start = 06:00:00
end = 18:00:00

[[shifts]]
code = "night"
name = "Night"
start = 18:00:00
end = 02:00:00

[[products]]
code = "p"
name = "Product"

[[categories]]
code = "stem"
name = "stem left on"
class = "major"

[plans.major]
aql = 1.0
"""
SPECIFICATION = '[[specifications]]\ncode = "s"\nname = "S"\ncategories = {}\n'
BASELINE = '[[baselines]]\nproduct = "{}"\nfirst_day = {}\nlast_day = {}\n'


def changed(old: str, new: str) -> str:
    assert old in SMALL
    return SMALL.replace(old, new, 1)


def faults(text: str) -> list[str]:
    with pytest.raises(InvalidProgramme) as told:
        programmes.parse(text)
    return told.value.problems


def utc(*numbers: int) -> datetime:
    return datetime(*numbers, tzinfo=UTC)  # type: ignore[misc,arg-type]


def test_what_may_be_left_out_has_a_stated_value() -> None:
    small = programmes.parse(SMALL)
    assert (small.several_per_piece, small.confidence, small.correlation) == (False, 0.95, 0.01)
    assert small.false_alarms_per_week == 1.0
    assert (small.specifications, small.baselines) == ((), ())
    assert small.plans == {"major": ClassPlan("major", aql=1.0, level="II")}
    assert small.lanes[0].code == "007"
    assert programmes.parse(changed('heads = ["A", "B"]', "")).lanes[0].heads == ()


def test_the_demo_programme_reads_as_written(programme: Programme) -> None:
    assert (programme.site, programme.time_zone, programme.lot) == ("SP1", "Europe/Dublin", "tote")
    assert [lane.code for lane in programme.lanes] == list("123456")
    assert programme.category_codes == ("stem", "over_trim", "double")
    assert programme.line_of("4") == Line("A", 55, 1143)
    assert programme.baselines[0].last_day == date(2026, 4, 4)
    assert programme.shifts[2].start == time(22)


# A check value of common practice, without a published source: one piece every 55 ms on a belt
# that runs 45 inches a second (an inch is 25.4 mm).
def test_rates_follow_from_nest_time_and_belt_speed() -> None:
    line = Line("A", nest_time_ms=55, belt_speed_mm_s=45 * 25.4)
    assert line.pieces_per_second == pytest.approx(18.18, abs=0.005)
    assert line.nest_pitch_mm is not None
    assert line.nest_pitch_mm / 25.4 == pytest.approx(2.475, rel=1e-12)
    assert (Line("A").pieces_per_second, Line("A", 55).nest_pitch_mm) == (None, None)


def test_a_lot_is_a_tote_or_what_a_lane_can_carry_in_a_shift() -> None:
    assert programmes.lot_size(programmes.parse(SMALL), "007", "day") == 4000
    lane_shift = programmes.parse(changed('"tote"', '"lane_shift"'))
    assert programmes.lot_size(lane_shift, "007", "day") == round(12 * 3600 / 0.055)
    assert programmes.lot_size(lane_shift, "007", "night") == round(8 * 3600 / 0.055)


FAULTS = [
    ('site = "S"', "", "site: is missing, must be a code in quotes"),
    ('site = "S"', 'site = " S"', 'site: must be a code in quotes, got " S"'),
    ('site = "S"', "site = 7", "site: must be a code in quotes, got 7"),
    ('name = "Small"', 'name = " "', 'name: must be text in quotes, got " "'),
    (
        '"Europe/Dublin"',
        '"Dublin"',
        'time_zone: must be a time zone such as Europe/Dublin, got "Dublin"',
    ),
    (
        '"Europe/Dublin"',
        '"../Dublin"',
        'time_zone: must be a time zone such as Europe/Dublin, got "../Dublin"',
    ),
    (
        '"Europe/Dublin"',
        '"Europe"',
        'time_zone: must be a time zone such as Europe/Dublin, got "Europe"',
    ),
    ('"tote"', '"truck"', 'lot: must be one of tote, lane_shift, got "truck"'),
    ("4000", "0", "pieces_per_tote: must be a whole number, 1 or more, got 0"),
    ("4000", "4000.5", "pieces_per_tote: must be a whole number, 1 or more, got 4000.5"),
    ("pull = 200", "pull = true", "pull: must be a whole number, 1 or more, got True"),
    ("pull = 200", "pull = 5000", "pull: must be at most pieces_per_tote 4000, got 5000"),
    ("0.99", "99", "target: must be a fraction between 0 and 1, got 99"),
    ("0.99", "1.0", "target: must be a fraction between 0 and 1, got 1.0"),
    ("0.99", "nan", "target: must be a fraction between 0 and 1, got nan"),
    ("55", "0", "lines[1].nest_time_ms: must be a number above 0, got 0"),
    ("55", "inf", "lines[1].nest_time_ms: must be a number above 0, got inf"),
    ("55", '"55"', 'lines[1].nest_time_ms: must be a number above 0, got "55"'),
    ("55", "1" + "0" * 400, "lines[1].nest_time_ms: must be a number above 0, got 1" + "0" * 59),
    ('line = "A"', 'line = "Z"', 'lanes (007).line: must be one of A, got "Z"'),
    (
        '["A", "B"]',
        '["A", 2]',
        'lanes[1].heads: must be a list such as ["A", "B"], each code once, got [\'A\', 2]',
    ),
    (
        '["A", "B"]',
        '["A", "A"]',
        "lanes[1].heads: must be a list such as [\"A\", \"B\"], each code once, got ['A', 'A']",
    ),
    (
        "start = 06:00:00",
        "start = 6",
        "shifts[1].start: must be a time of day such as 06:00:00, got 6",
    ),
    (
        "start = 06:00:00",
        'start = "25:00"',
        'shifts[1].start: must be a time of day such as 06:00:00, got "25:00"',
    ),
    (
        "start = 06:00:00",
        "start = 01:00:00",
        "shifts (night): must not overlap another shift, overlaps day",
    ),
    (
        'code = "night"',
        'code = "day"',
        'shifts: every code must be there once, got "day" more than once',
    ),
    (
        'code = "stem"',
        'code = "Stem left"',
        "categories[1].code: must be small letters, digits and underscores, in quotes, "
        'got "Stem left"',
    ),
    (
        'code = "stem"',
        'code = "lane"',
        'categories[1].code: must be no name of an audit\'s own fields, got "lane"',
    ),
    (
        'class = "major"',
        'class = "bad"',
        'categories[1].class: must be one of critical, major, minor, got "bad"',
    ),
    (
        'class = "major"',
        'class = "minor"',
        "plans.minor: is missing, and there are categories of class minor",
    ),
    ("[plans.major]\naql = 1.0", "", "plans: is missing, must be tables such as [plans.critical]"),
    (
        "[plans.major]\naql = 1.0",
        "[plans]\nmajor = 1",
        "plans: must be tables such as [plans.critical], got {'major': 1}",
    ),
    (
        "aql = 1.0",
        "aql = 1.0\n[plans.huge]",
        "plans.huge: must be one of critical, major, minor, together",
    ),
    (
        "aql = 1.0",
        'aql = 1.0\nlevel = "IV"',
        'plans.major.level: must be one of S-1, S-2, S-3, S-4, I, II, III, got "IV"',
    ),
    (
        "aql = 1.0",
        'aql = 1.0\nkind = "triple"',
        'plans.major.kind: must be one of single, double, multiple, got "triple"',
    ),
    (  # 105E table III-A, letter L: the first sample is of 125
        "aql = 1.0",
        'aql = 1.0\nkind = "double"',
        "pull: must be at most 125, the first sample of the double plan of class major, got 200",
    ),
    (
        "pull = 200",
        'pull = 200\nswitching = "sometimes"',
        'switching: must be one of none, mil_std_105e, iso_2859_1, got "sometimes"',
    ),
    ("aql = 1.0", "n = 50", "plans.major.ac: is missing, must be a whole number, 0 or more"),
    ("aql = 1.0", "n = 50\nac = 50", "plans.major.ac: must be below n 50, got 50"),
    (
        "aql = 1.0",
        "n = 50\nac = 1\naql = 1.0",
        "plans.major.aql: is not a key of a programme; look for a misspelling",
    ),
    (
        "\n[[lines]]",
        "speed = 1\n[[lines]]",
        "speed: is not a key of a programme; look for a misspelling",
    ),
    (
        "belt_speed_mm_s",
        "belt_speed",
        "lines[1].belt_speed: is not a key of a programme; look for a misspelling",
    ),
    (
        "\n[[lines]]",
        'several_per_piece = "no"\n[[lines]]',
        'several_per_piece: must be true or false, got "no"',
    ),
    (
        '[[products]]\ncode = "p"\nname = "Product"',
        "",
        "products: is missing, must be one or more [[products]]",
    ),
    (
        "\n[[lines]]",
        SPECIFICATION.format('["stem", "mud"]') + "\n[[lines]]",
        'specifications (s).categories: must be one of stem, got "mud"',
    ),
    (
        "\n[[lines]]",
        SPECIFICATION.format("[]") + "\n[[lines]]",
        'specifications[1].categories: must be a list such as ["A", "B"], each code once, got []',
    ),
    (
        "\n[[lines]]",
        BASELINE.format("q", "2026-03-01", "2026-03-02") + "\n[[lines]]",
        'baselines (q).product: must be one of p, got "q"',
    ),
    (
        "\n[[lines]]",
        BASELINE.format("p", "2026-03-02", "2026-03-01") + "\n[[lines]]",
        "baselines (p).last_day: must not be before first_day 2026-03-02, got 2026-03-01",
    ),
    (
        "\n[[lines]]",
        BASELINE.format("p", "2026-03-01T06:00:00", "2026-03-02") + "\n[[lines]]",
        "baselines[1].first_day: must be a date such as 2026-03-16, got 2026-03-01 06:00:00",
    ),
    (
        "\n[[lines]]",
        BASELINE.format("p", "2026-03-01", '"2026-02-30"') + "\n[[lines]]",
        'baselines[1].last_day: must be a date such as 2026-03-16, got "2026-02-30"',
    ),
]


@pytest.mark.parametrize(("old", "new", "told"), FAULTS)
def test_each_fault_names_its_key_and_what_came(old: str, new: str, told: str) -> None:
    assert faults(changed(old, new)) == [told]


def test_a_critical_class_has_a_single_plan_that_accepts_on_none() -> None:
    text = SMALL.replace('class = "major"', 'class = "critical"')
    plan = text.replace("[plans.major]\naql = 1.0", "[plans.critical]\n{}")
    told = faults(plan.replace("{}", "n = 50\nac = 1"))
    assert told == ["plans.critical.ac: must be 0 for a critical class, got 1"]
    told = faults(
        plan.replace("{}", 'aql = 1.0\nkind = "double"').replace("pull = 200", "pull = 50")
    )
    assert told == ['plans.critical.kind: must be single for a critical class, got "double"']
    assert programmes.parse(plan.replace("{}", "n = 50\nac = 0")).plans["critical"].ac == 0


def test_a_double_plan_needs_every_class_to_ask_for_no_more_than_its_first_sample() -> None:
    text = SMALL.replace("pull = 200", "pull = 100").replace(
        "aql = 1.0", 'aql = 1.0\nkind = "double"\n[plans.minor]\nn = 200\nac = 3'
    )
    assert faults(text) == [
        "plans.major.kind: must be single where another class asks for more pieces than its "
        "first sample of 125, got double and 200"
    ]


def test_multiple_plans_are_not_switched() -> None:
    text = SMALL.replace("aql = 1.0", 'aql = 1.5\nkind = "multiple"').replace(
        "pull = 200", "pull = 20"
    )
    told = faults(text.replace("pull = 20", 'pull = 20\nswitching = "mil_std_105e"'))
    assert told == [
        "plans.major.kind: multiple plans are printed for normal inspection alone; "
        'set switching to "none", got "mil_std_105e"'
    ]
    assert programmes.parse(text).plans["major"].kind == "multiple"


def test_every_fault_is_told_at_once_whatever_its_kind() -> None:
    text = SMALL
    for old, new in (
        ("0.99", "99"),  # misread
        ('name = "Small"', 'nome = "Small"'),  # misspelled, and so missing
        ('line = "A"', 'line = "Z"'),  # names what is not there
        ("start = 06:00:00", "start = 01:00:00"),  # overlaps
        ("pull = 200", "pull = 5000"),  # two numbers against each other
        ('class = "major"', 'class = "minor"'),  # without a plan
    ):
        text = text.replace(old, new, 1)
    with pytest.raises(InvalidProgramme) as told:
        programmes.parse(text, where="plant.toml")
    assert [problem.partition(":")[0] for problem in told.value.problems] == [
        *("name", "target", "nome", "lanes (007).line", "shifts (night)", "pull", "plans.minor"),
    ]
    assert str(told.value).startswith("plant.toml has 7 faults:\n  name: is missing")
    assert "programme has 1 fault:" in str(InvalidProgramme(["x"]))


def test_a_part_that_cannot_be_read_is_not_blamed_twice() -> None:
    assert faults(changed('class = "major"', "class = 1")) == [
        "categories[1].class: must be one of critical, major, minor, got 1"
    ]


def test_specifications_need_one_category_a_piece() -> None:
    two = '[[categories]]\ncode = "mud"\nname = "mud"\nclass = "major"\n'
    several = changed("pull = 200", "pull = 200\nseveral_per_piece = true") + two
    everything = SPECIFICATION.format('["stem", "mud"]')
    assert programmes.parse(several + everything).several_per_piece
    assert faults(several + SPECIFICATION.format('["stem"]')) == [
        "specifications: need one category a piece, and several_per_piece is true: the counts "
        'cannot say how many pieces are correct under "s"'
    ]
    assert programmes.parse(SMALL + two + SPECIFICATION.format('["stem"]'))


def test_a_lot_of_a_lane_and_shift_needs_the_nest_time() -> None:
    text = changed("nest_time_ms = 55\n", "").replace('"tote"', '"lane_shift"')
    assert faults(text) == [
        "lines: nest_time_ms is needed where a lot is a lane's totes of a shift"
    ]


def test_a_plan_that_the_standard_does_not_hold_is_told_by_its_class() -> None:
    found = faults(changed("aql = 1.0", "aql = 1.1"))
    assert len(found) == 1
    assert found[0].startswith("plans.major: aql must be one of ")


def test_a_file_that_is_not_a_programme_is_told_in_one_sentence(tmp_path: Path) -> None:
    assert faults("site = ") == ["is not TOML: Invalid value (at end of document)"]
    assert faults("a = " + "[" * 100_000)[0].startswith("is not TOML: ")
    with pytest.raises(InvalidProgramme, match="cannot be read: No such file or directory"):
        programmes.load(tmp_path / "none.toml")
    with pytest.raises(InvalidProgramme, match="cannot be read: Is a directory"):
        programmes.load(tmp_path)
    (tmp_path / "latin.toml").write_bytes('name = "Größe"'.encode("latin-1"))
    with pytest.raises(InvalidProgramme, match="cannot be read: is not UTF-8 text"):
        programmes.load(tmp_path / "latin.toml")
    (tmp_path / "mark.toml").write_text(SMALL, encoding="utf-8-sig")
    assert programmes.load(str(tmp_path / "mark.toml")) == programmes.parse(SMALL)


@given(st.text(max_size=40), st.sampled_from(re.findall(r"= (.+)", SMALL)))
def test_any_other_value_is_read_or_told(value: str, old: str) -> None:
    with suppress(InvalidProgramme):
        programmes.parse(SMALL.replace(f"= {old}", f"= {value}", 1))


# The clocks in Ireland: 29 March 2026, 01:00 becomes 02:00; 25 October 2026, 02:00 becomes 01:00
# (Directive 2000/84/EC, cited from memory: the last Sundays of March and October at 01:00 UTC).
@pytest.mark.parametrize(
    ("moment", "day", "shift"),
    [
        (utc(2026, 3, 16, 5, 59, 59), date(2026, 3, 15), "night"),
        (utc(2026, 3, 16, 6), date(2026, 3, 16), "morning"),
        (utc(2026, 3, 16, 13, 59, 59), date(2026, 3, 16), "morning"),
        (utc(2026, 3, 16, 14), date(2026, 3, 16), "afternoon"),
        (utc(2026, 3, 16, 22), date(2026, 3, 16), "night"),
        (utc(2026, 3, 16, 23, 59, 59), date(2026, 3, 16), "night"),
        (utc(2026, 3, 17), date(2026, 3, 16), "night"),
        (utc(2026, 3, 29, 4, 59, 59), date(2026, 3, 28), "night"),  # 05:59:59, summer time
        (utc(2026, 3, 29, 5), date(2026, 3, 29), "morning"),
        (utc(2026, 3, 29, 21), date(2026, 3, 29), "night"),
        (utc(2026, 10, 25, 5, 59, 59), date(2026, 10, 24), "night"),  # winter time again
        (utc(2026, 10, 25, 6), date(2026, 10, 25), "morning"),
    ],
)
def test_a_night_belongs_to_the_day_on_which_it_began(
    programme: Programme, moment: datetime, day: date, shift: str
) -> None:
    assert programmes.production_day_and_shift(programme, moment) == (day, shift)


@pytest.mark.parametrize(
    ("day", "hours"),
    [(date(2026, 3, 27), 8), (date(2026, 3, 28), 7), (date(2026, 10, 24), 9)],
)
def test_a_night_is_an_hour_shorter_or_longer_when_the_clocks_change(
    programme: Programme, day: date, hours: int
) -> None:
    begins, ends = programmes.shift_times(programme, day, "night")
    assert ends - begins == timedelta(hours=hours)
    assert begins.astimezone(programme.zone).time() == time(22)
    assert ends.astimezone(programme.zone).time() == time(6)


def test_no_shift_may_run() -> None:
    small = programmes.parse(SMALL)
    idle = datetime(2026, 7, 1, 3, tzinfo=ZoneInfo("Europe/Dublin"))
    assert programmes.production_day_and_shift(small, idle) is None
    assert programmes.production_day_and_shift(small, idle - timedelta(hours=1, seconds=1)) == (
        date(2026, 6, 30),
        "night",
    )


def test_a_shift_may_last_the_whole_day() -> None:
    text = changed("end = 18:00:00", "end = 06:00:00")
    start = text.index('[[shifts]]\ncode = "night"')
    whole = programmes.parse(text[:start] + text[text.index("[[products]]") :])
    assert whole.shifts[0].hours == 24
    early = utc(2026, 1, 2, 5, 59)
    assert programmes.production_day_and_shift(whole, early) == (date(2026, 1, 1), "day")


@given(moment=st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC)))
def test_every_moment_lies_in_the_shift_that_is_named(
    programme: Programme, moment: datetime
) -> None:
    found = programmes.production_day_and_shift(programme, moment)
    assert found is not None  # the demo's three shifts fill the day
    begins, ends = programmes.shift_times(programme, *found)
    assert begins <= moment < ends


GROSS = 'class = "major"\ngross = {}\n\n[plans.major]'


def test_a_category_may_have_a_gross_limit_with_whom_to_call():
    text = SMALL.replace(
        'class = "major"\n\n[plans.major]', GROSS.format('{ at = 7.5, call = "shift lead" }')
    )
    (category,) = programmes.parse(text).categories
    assert category.gross == programmes.GrossLimit(7.5, "shift lead")
    assert programmes.parse(SMALL).categories[0].gross is None


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ("10.0", "categories[1].gross: must be a table such as { at = 10.0"),
        ('{ at = 0, call = "Ines" }', "gross.at: must be per cent, above 0 and below 100, got 0"),
        ('{ at = 100, call = "Ines" }', "gross.at: must be per cent, above 0 and below 100"),
        ("{ at = 10 }", "categories[1].gross.call: is missing, must be text in quotes"),
        ('{ call = "Ines" }', "categories[1].gross.at: is missing, must be per cent"),
        ('{ at = 10, call = " " }', "gross.call: must be text in quotes"),
        ('{ at = 10, call = "Ines", who = "Otto" }', "gross.who: is not a key of a programme"),
    ],
)
def test_a_gross_limit_must_say_per_cent_and_whom(table, told):
    text = SMALL.replace('class = "major"\n\n[plans.major]', GROSS.format(table))
    with pytest.raises(InvalidProgramme, match=re.escape(told)):
        programmes.parse(text)
