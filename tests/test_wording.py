"""Sentences and figures for people."""

import calendar
import re
import string
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa import wording
from qa.errors import InvalidInput

WORDS = wording.load("en")
ROOT = Path(__file__).resolve().parents[1]
DUBLIN = ZoneInfo("Europe/Dublin")


def test_a_sentence_is_said_with_its_values():
    said = WORDS.say("figure.span", first="02:10", last="04:20 on 14 May")
    assert said == "between 02:10 and 04:20 on 14 May"


def test_a_missing_sentence_is_loud():
    with pytest.raises(KeyError, match=r'no sentence "drift.nothing" in language en'):
        WORDS.say("drift.nothing", lane="4")


def test_a_missing_value_is_loud():
    with pytest.raises(KeyError, match=r"figure\.span.*needs the value last"):
        WORDS.say("figure.span", first="02:10")


def test_an_unknown_language_names_those_there_are():
    with pytest.raises(InvalidInput, match=r'language must be one of en.*, got "tlh"'):
        wording.load("tlh")


def test_one_and_many_have_their_own_forms():
    assert "1 more piece at" in WORDS.say("verdict.next.pull", count=1)
    assert "1,200 more pieces at" in WORDS.say("verdict.next.pull", count=1200)


NOTE = {"first": "2 March", "last": "11 March", "product": "sprouts", "days": 10, "pieces": 1200}


@pytest.mark.parametrize(
    ("key", "one", "many"),
    [
        ("drift.baseline", "11 March: 1 tote, 1,200", "11 March: 1,400 totes, 1,200"),
        ("drift.baseline_first", "11 March: 1 tote, 1,200", "11 March: 1,400 totes, 1,200"),
        ("drift.near", "in the last tote, 1 %", "in the last 1,400 totes, 1 %"),
    ],
)
def test_one_tote_is_no_plural(key: str, one: str, many: str):
    values = {**NOTE, "category": "stem", "now": "2 %", "before": "1 %"}
    assert one in WORDS.say(key, count=1, **values)
    assert many in WORDS.say(key, count=1400, **values)


def test_codes_stay_as_they_are_and_whole_numbers_are_written_for_people():
    said = WORDS.say("verdict.counted", count=3, inspected=12000, categories="007", ac=5)
    assert said == "3 of 12,000 007, accepts up to 5"


def test_a_sentence_that_is_no_text_is_refused(tmp_path: Path):
    (tmp_path / "en.toml").write_text("[page]\ntitle = 3\n")
    with pytest.raises(InvalidInput, match=r"sentence page\.title must be a text, got 3"):
        wording.load("en", tmp_path)


def test_screens_keep_their_own_sentences_and_share_the_figures(tmp_path: Path):
    (tmp_path / "en.toml").write_text('[floor]\ntitle = "Which lane needs me now?"\n')
    screens = wording.load("en", tmp_path)
    assert screens.say("floor.title") == "Which lane needs me now?"
    assert screens.interval(0.987, 0.981, 0.991) == "98.7 % (98.1 to 99.1)"


@pytest.mark.parametrize(
    ("fraction", "text"),
    [(0.006, "0.6 %"), (0.9996, "99.96 %"), (0.0004, "0.04 %"), (0.0, "0.0 %"), (1.0, "100.0 %")],
)
def test_per_cent_is_never_rounded_to_all_or_nothing(fraction: float, text: str):
    assert WORDS.per_cent(fraction) == text


@given(st.floats(1e-7, 1 - 1e-7))
def test_per_cent_says_the_fraction_to_half_its_last_digit(fraction: float):
    text = WORDS.per_cent(fraction).removesuffix(" %")
    decimals = len(text.partition(".")[2])
    assert abs(float(text) - 100 * fraction) <= 0.5 * 10**-decimals + 1e-9
    assert 0 < float(text) < 100


@pytest.mark.parametrize(
    ("ends", "text"),
    [
        ((0.0, 0.03), "0.4 % (0.0 to 3.0)"),
        ((3e-7, 0.03), "0.4 % (<0.1 to 3.0)"),
        ((0.002, 0.999996), "0.4 % (0.2 to >99.9)"),
        ((0.002, 1.0), "0.4 % (0.2 to 100.0)"),
    ],
)
def test_limits_near_the_ends_keep_sensible_digits(ends: tuple[float, float], text: str):
    assert WORDS.interval(0.004, *ends) == text


def test_narrow_intervals_get_more_decimals():
    assert WORDS.interval(0.9863, 0.9855, 0.9871) == "98.63 % (98.55 to 98.71)"


def test_times_are_in_plant_time():
    moment = datetime(2026, 5, 14, 1, 10, tzinfo=UTC)
    assert WORDS.moment(moment, DUBLIN) == "02:10 on 14 May"
    assert WORDS.day(date(2026, 5, 14)) == "14 May"


def test_the_hour_that_comes_twice_says_which_it_is():
    first, second = (datetime(2026, 10, 25, hour, 30, tzinfo=UTC) for hour in (0, 1))
    assert (WORDS.clock(first, DUBLIN), WORDS.clock(second, DUBLIN)) == ("01:30 IST", "01:30 GMT")


def test_a_span_says_the_day_once_or_twice():
    first, last = datetime(2026, 5, 13, 22, 30, tzinfo=UTC), datetime(2026, 5, 14, 3, tzinfo=UTC)
    assert WORDS.span(first, last, DUBLIN) == "between 23:30 on 13 May and 04:00 on 14 May"
    assert WORDS.span(last, last, DUBLIN) == "between 04:00 and 04:00 on 14 May"


def test_items_are_listed():
    assert WORDS.listed(["a"]) == "a"
    assert WORDS.listed(["a", "b", "c"]) == "a, b and c"
    assert WORDS.listed(["a", "b"], "or") == "a or b"


def test_every_language_has_the_same_sentences_with_the_same_values():
    def needs(words: wording.Wording) -> dict[str, set[str]]:
        read = string.Formatter().parse
        return {
            key: {name for _, name, _, _ in read(text) if name is not None}
            for key, text in words.sentences.items()
        }

    languages = [path.stem for path in wording.HERE.glob("*.toml")]
    assert "en" in languages
    for language in languages:
        assert needs(wording.load(language)) == needs(WORDS)


def test_no_sentence_is_kept_that_nobody_says():
    """The last word of each stands in the code, or is put together there; messages are matched."""
    sources = (path for room in ("qa", "dashboard") for path in (ROOT / room).rglob("*.py"))
    code = "".join(path.read_text(encoding="utf-8") for path in sources)
    words = set(re.findall(r"[\w-]+", code))
    begun = set(re.findall(r"([\w-]+)\{", code))  # "short_" of f"short_{why}"
    ended = set(re.findall(r"\}([\w-]+)", code))
    days = {day.lower() for day in calendar.day_name}

    def said(key: str) -> bool:
        whole = re.sub(r"\.(one|other)$", "", key)
        last = whole.rpartition(".")[2]
        parts = last.split()
        cuts = [cut for cut, each in enumerate(last) if each == "_"]
        together = any(last[: cut + 1] in begun or last[cut:] in ended | words for cut in cuts)
        return whole in code or set(parts) <= words or together or last in days

    keys = {key for key in WORDS.sentences if not key.startswith("message.")}
    assert {key for key in keys if not said(key)} == set()
