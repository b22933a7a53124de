"""Wishes for a plan: what each way gives, in figures and in words, and what is refused."""

import contextlib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import optimize, stats

from qa import planning, plans
from qa.errors import InvalidAsk, InvalidInput, NoSuchPlan, QAError
from qa.planning import Answer, words
from qa.plans import DoublePlan, MultiplePlan, SinglePlan
from qa.wording import load

WORDS = load()
ONE_OF_EACH = [
    {"aql": "1.0", "lot_size": "4000"},
    {"p1": "1", "p2": "6"},
    {"target": "99"},
    {"lq": "5", "ac": "1"},
    {"aoql": "3", "process_average": "1", "lot_size": "5000"},
    {"n": "200", "ac": "7"},
]


def asked(**said: str) -> Answer:
    return planning.answer(planning.read(said))


def told(lot: str = "", **said: str) -> words.Told:
    return words.tell(asked(**said), WORDS, lot)


# The six ways


@pytest.mark.parametrize(
    ("said", "plan"),
    [
        # MIL-STD-105E, tables I and II-A to II-C, III-A: letter L at AQL 1.0, as test_standard.
        ({}, SinglePlan(200, 5)),
        ({"inspection": "tightened"}, SinglePlan(200, 3)),
        ({"inspection": "reduced"}, SinglePlan(80, 2, 5)),
        ({"kind": "double"}, DoublePlan(125, 2, 5, 125, 6, 7)),
        ({"level": "I"}, SinglePlan(80, 2)),
    ],
)
def test_by_aql_gives_the_standard_s_plan(said: dict[str, str], plan: object) -> None:
    found = asked(lot_size="4000", aql="1.0", **said)
    assert found.plan == plan
    assert (found.model, found.at, found.inspect_all) == ("binomial", 0.01, False)


def test_by_aql_gives_the_printed_multiple_plan() -> None:
    found = asked(lot_size="4000", aql="1.5", kind="multiple")
    assert isinstance(found.plan, MultiplePlan)
    assert found.stages == plans.standard(4000, 1.5, kind="multiple").stages  # type: ignore[union-attr]
    assert len(found.stages) == 7


def test_by_two_points_gives_guenther_s_plan() -> None:
    # Guenther (1969), J. Quality Technology 1: n 110, c 3 keeps both risks strictly.
    found = asked(p1="1", p2="6")
    assert found.plan == SinglePlan(110, 3)
    assert stats.binom.cdf(3, 110, 0.01) >= 0.95
    assert stats.binom.cdf(3, 110, 0.06) <= 0.10
    assert asked(p1="1 %", p2="6%", producer_risk="5", consumer_risk="10").plan == found.plan


def test_two_points_of_one_lot_are_counted_in_that_lot() -> None:
    found = asked(p1="1", p2="6", lot_size="200")
    n, c = found.plan.n, found.stages[0].ac
    assert found.model == "hypergeometric"
    assert stats.hypergeom.cdf(c, 200, 2, n) >= 0.95
    assert stats.hypergeom.cdf(c, 200, 12, n) <= 0.10
    double = asked(p1="1", p2="6", lot_size="200", kind="double")
    (n1, ac1, re1), (n2, ac2, _) = double.stages
    assert double.model == "hypergeometric"
    for incorrect, least, most in ((2, 0.95, 1), (12, 0, 0.10)):
        first = stats.hypergeom(200, incorrect, n1)
        accepted = first.cdf(ac1) + sum(
            first.pmf(d) * stats.hypergeom.cdf(ac2 - d, 200 - n1, incorrect - d, n2)
            for d in range(int(ac1) + 1, min(re1, incorrect + 1))
        )
        assert least <= accepted <= most
    double = asked(p1="1", p2="6", lot_size="4000", kind="double")
    assert (double.plan, double.model) == (plans.two_point(0.01, 0.06, kind="double"), "binomial")


def test_by_claim_gives_the_zero_defect_numbers() -> None:
    # n = ln(1 - confidence) / ln(target); for a lot, ISPM 31 (2008), appendix 2.
    assert asked(target="99").plan == SinglePlan(299, 0)
    assert asked(target="95", confidence="95", lot_size="100").plan == SinglePlan(45, 0)
    assert asked(target="95", incorrect="1").plan.n == 93


def test_by_limiting_quality_keeps_the_risk_and_no_smaller_sample_does() -> None:
    found = asked(lq="2", ac="1")
    assert found.plan == SinglePlan(194, 1)
    assert stats.binom.cdf(1, 194, 0.02) <= 0.10 < stats.binom.cdf(1, 193, 0.02)


def test_by_outgoing_quality_keeps_the_limit_for_the_least_work() -> None:
    # Dodge & Romig (1959): N 5,000, AOQL 3 %, process average 1 %; exact, see test_rectifying.
    found = asked(aoql="3", process_average="1", lot_size="5000")
    assert found.plan == SinglePlan(64, 3)
    p = np.linspace(0, 0.2, 4001)
    out = p * stats.binom.cdf(3, 64, p) * (5000 - 64) / 5000
    assert found.aoql is not None
    assert found.aoql.value == pytest.approx(out.max(), rel=1e-6)
    assert found.aoql.value <= 0.03


def test_by_numbers_tells_what_a_plan_that_is_there_risks() -> None:
    found = asked(n="200", ac="7", lot_size="4000")
    assert (found.plan, found.model) == (SinglePlan(200, 7), "binomial")
    assert_allclose(found.risks.accepted, stats.binom.cdf(7, 200, found.risks.p), rtol=1e-9)
    good, _, bad = found.qualities
    assert stats.binom.cdf(7, 200, good) == pytest.approx(0.95)
    assert stats.binom.cdf(7, 200, bad) == pytest.approx(0.10)
    assert found.at == pytest.approx(good, rel=0.05)
    with pytest.raises(InvalidAsk, match="n must be at most the lot's 150 pieces, got 200"):
        asked(n="200", lot_size="150")
    with pytest.raises(InvalidAsk, match="ac must be below n 5, got 5"):
        asked(n="5", ac="5")


def test_the_way_may_be_named_and_follows_from_what_is_asked() -> None:
    for way, said in zip(planning.WAYS, ONE_OF_EACH, strict=True):
        assert planning.read(said).way == way
        assert planning.read({"way": way, **said}) == planning.read(said)


def test_aqls_above_ten_count_defects() -> None:
    found = asked(lot_size="4000", aql="40")
    assert found.model == "poisson"
    assert found.risks.asn is None
    assert found.aoql is None
    assert_allclose(found.risks.accepted, stats.poisson.cdf(21, 32 * found.risks.p), rtol=1e-9)
    assert "defects in 100 pieces" in words.tell(found, WORDS).holds
    double = asked(lot_size="4000", aql="40", kind="double")
    assert double.work.pieces == 40


def test_a_sample_of_the_whole_lot_is_said() -> None:
    found = asked(lot_size="10", aql="0.1")
    assert found.inspect_all
    said = words.tell(found, WORDS)
    assert said.pull == "inspect all 10, accept on 0, reject on 1"
    assert said.holds.startswith("Every piece is looked at")
    assert_allclose(found.risks.ati, 10)
    assert_allclose(found.risks.aoq, 0)


# What it risks


@pytest.mark.parametrize("said", ONE_OF_EACH, ids=list(planning.WAYS))
def test_the_qualities_read_back_are_those_of_scipy(said: dict[str, str]) -> None:
    found = asked(**said)
    n, most = found.plan.n, found.stages[0].re - 1
    for chance, quality in zip((0.95, 0.5, 0.1), found.qualities, strict=True):
        root = optimize.brentq(lambda p, c=chance: stats.binom.cdf(most, n, p) - c, 1e-9, 0.9)
        assert quality == pytest.approx(root, rel=1e-6)


def test_the_risk_table_is_scipy_s() -> None:
    found = asked(lot_size="4000", aql="0.65", sensitivity="80", specificity="99.9",
                  correlation="0.02")  # fmt: skip
    p, risks = found.risks.p, found.risks
    assert_allclose(p, [0.00325, 0.0065, 0.013, 0.0195, 0.0325, 0.052])
    assert_allclose(risks.accepted, stats.binom.cdf(3, 200, p), rtol=1e-9)
    seen = 0.8 * p + 0.001 * (1 - p)
    assert_allclose(risks.by_inspectors, stats.binom.cdf(3, 200, seen), rtol=1e-9)
    a, b = p * 49, (1 - p) * 49  # a correlation of 0.02 is 1 / (a + b + 1)
    assert_allclose(risks.in_totes, stats.betabinom.cdf(3, 200, a, b), rtol=1e-8)
    assert_allclose(risks.ati, 200 + 3800 * stats.binom.sf(3, 200, p), rtol=1e-9)
    assert_allclose(risks.aoq, p * stats.binom.cdf(3, 200, p) * 3800 / 4000, rtol=1e-9)


def test_a_sample_from_several_totes_feels_their_difference_less() -> None:
    one = asked(p1="1", p2="6", correlation="0.05")
    many = asked(p1="1", p2="6", correlation="0.05", from_totes="7")
    assert one.risks.in_totes is not None
    assert many.risks.in_totes is not None
    plain, bad = one.risks.accepted[-2], -2
    assert plain < many.risks.in_totes[bad] < one.risks.in_totes[bad]
    pieces = [16] * 5 + [15] * 2
    direct = plans.accept_in_totes(SinglePlan(110, 3), 0.06, correlation=0.05, pieces=pieces)
    assert many.risks.in_totes[bad] == pytest.approx(float(direct))


def test_totes_that_differ_are_not_asked_of_several_samples() -> None:
    assert asked(lot_size="4000", aql="1", kind="double", correlation="0.01").risks.in_totes is None
    assert asked(lq="0.001", correlation="0.01").risks.in_totes is None  # 230,258 pieces


@pytest.mark.parametrize("said", ONE_OF_EACH, ids=list(planning.WAYS))
def test_curves_begin_with_certainty_and_end_with_next_to_none(said: dict[str, str]) -> None:
    found = asked(**said)
    drawn = planning.curves(found, planning.span(found))
    assert drawn.accepted[0] == pytest.approx(1)
    assert 0 < drawn.accepted[-1] < 0.01
    assert (np.diff(drawn.accepted) <= 1e-12).all()


def test_a_plan_that_accepts_even_the_worst_is_drawn_to_the_worst() -> None:
    known = asked(lot_size="10", aql="10")
    sure = replace(known, plan=SinglePlan(2, 2), qualities=(None, None, None))
    assert planning.span(sure) == 1
    assert words.tell(sure, WORDS).holds == ""
    assert planning.span(replace(sure, model="poisson")) > 1


# The work


def test_the_work_is_pieces_and_hours() -> None:
    work = asked(lot_size="4000", aql="0.65").work
    assert (work.pieces, work.hours) == (200, pytest.approx((200 * 1.5 + 300) / 3600))
    ati = 200 + 3800 * stats.binom.sf(3, 200, 0.0065)
    assert work.sorted_pieces == pytest.approx(ati)
    shift = asked(
        lot_size="4000", aql="0.65", lots="30", piece_seconds="2", tote_seconds="60", from_totes="4"
    ).work
    assert shift.hours == pytest.approx(30 * (200 * 2 + 4 * 60) / 3600)
    assert shift.sorted_hours == pytest.approx(30 * (ati * 2 + 4 * 60) / 3600)


def test_the_work_of_a_double_plan_is_its_average_sample() -> None:
    work = asked(lot_size="4000", aql="1.0", kind="double").work
    second = stats.binom.cdf(4, 125, 0.01) - stats.binom.cdf(2, 125, 0.01)
    assert work.pieces == pytest.approx(125 + 125 * second)
    assert (
        "That is the average of lots from a process at 1.0 % incorrect; the most is 250."
        in told(lot_size="4000", aql="1.0", kind="double").work
    )


# In words


def test_it_warns_what_an_accepted_tote_may_still_hold() -> None:
    said = told(lot="tote", lot_size="4000", aql="0.65")
    assert said.pull == "pull 200, accept on 3, reject on 4"
    assert "a tote with 3.3 % incorrect still passes one time in ten" in said.holds
    assert "one with 1.8 % every other time. One with 0.69 % is rejected one time in" in said.holds
    for chance, quality in ((0.1, 0.0331), (0.5, 0.0183), (0.95, 0.0069)):
        assert stats.binom.cdf(3, 200, quality) == pytest.approx(chance, abs=0.005)
    assert said.work.startswith("Work: 200 pieces and about 10 minutes for a tote")


@pytest.mark.parametrize("said", ONE_OF_EACH, ids=list(planning.WAYS))
def test_food_safety_gets_no_aql(said: dict[str, str]) -> None:
    last = told(**said).warnings[-1]
    assert "Foreign matter and other food-safety matters get no AQL" in last


def test_each_kind_of_plan_is_said_as_it_is_done() -> None:
    lot = {"lot_size": "4000", "aql": "1.0"}
    assert told(**lot, kind="double").pull == (
        "pull 125, accept on 2, reject on 5; then pull 125 more, accept on 6 in all, reject on 7"
    )
    multiple = told(lot_size="4000", aql="0.4", kind="multiple").pull
    assert "accept on none yet" in multiple
    assert multiple.count("; then pull ") == 6
    reduced = told(**lot, inspection="reduced").warnings
    assert reduced[0] == (
        "A count of 3 to 4 accepts this lot, and normal inspection comes back with the next."
    )
    assert "switching rules" in reduced[1]
    instead = told(lot_size="4000", aql="0.1", kind="double").warnings[0]
    assert instead == "The standard gives a single plan here, not a double one."


def test_effects_are_said_at_the_quality_that_passes_one_time_in_ten() -> None:
    said = told(lot_size="4000", aql="0.65", sensitivity="80", correlation="0.02", from_totes="10")
    bad = asked(lot_size="4000", aql="0.65").qualities[-1]
    assert bad is not None
    chance = stats.binom.cdf(3, 200, 0.8 * bad)
    assert f"a lot with 3.3 % passes {100 * chance:.1f} % of the time" in " ".join(said.warnings)
    assert "the sample comes from 10 of them" in " ".join(said.warnings)


def test_effects_are_those_of_the_table_s_row_where_it_has_the_quality() -> None:
    wish = {"n": "200", "ac": "7", "lot_size": "4000", "correlation": "0.01"}
    found = asked(**wish)
    heads, rows = words.table(found, WORDS)
    row = next(each for each in rows if each[0] == "5.8 %")
    shown = row[heads.index("when totes differ")]
    assert f"it passes {shown} of the time" in " ".join(told(**wish).warnings)


@pytest.mark.parametrize(
    ("probability", "text"),
    [(0, "0.0 %"), (1e-9, "<0.1 %"), (0.0996, "10.0 %"), (0.99999, ">99.9 %"), (1, "100.0 %")],
)
def test_a_chance_is_never_rounded_to_never_or_always(probability: float, text: str) -> None:
    assert words.chance(probability, WORDS) == text


@pytest.mark.parametrize(
    ("fraction", "text"),
    [
        (0.0331, "3.3 %"),
        (0.00687, "0.69 %"),
        (0.00005, "0.0050 %"),
        (0.33, "33.0 %"),
        (0, "0.0 %"),
        (1e-30, "<0.0001 %"),
        (1e-6, "0.00010 %"),
        (1, "100.0 %"),
    ],
)
def test_a_quality_has_two_figures_that_count(fraction: float, text: str) -> None:
    assert words.per_cent(fraction, WORDS) == text


def test_the_table_has_a_column_for_what_there_is() -> None:
    heads, rows = words.table(asked(p1="1", p2="6"), WORDS)
    assert len(heads) == len(rows[0]) == 3
    heads, rows = words.table(asked(lot_size="4000", aql="1", correlation="0.01"), WORDS)
    assert "when totes differ" in heads
    assert rows[1][:2] == ["1.0 %", "98.4 %"]


@pytest.mark.parametrize(
    ("said", "size", "counts"),
    [
        ({"lq": "6", "ac": "1", "lot_size": "60"}, 60, [0, 1, 2, 4, 6]),
        ({"target": "99", "lot_size": "50"}, 50, [0, 1, 2]),
        ({"p1": "0.5", "p2": "6", "lot_size": "60"}, 60, [0, 1, 3, 4, 6]),
    ],
)
def test_a_lot_is_told_of_in_whole_pieces(
    said: dict[str, str], size: int, counts: list[int]
) -> None:
    found = asked(**said)
    law = [stats.hypergeom.cdf(found.stages[0].ac, size, each, found.plan.n) for each in counts]
    assert_allclose(found.risks.p * size, counts)
    assert_allclose(found.risks.accepted, law, atol=1e-12)
    for quality, accepted in zip(found.qualities, found.chances, strict=True):
        assert quality is not None
        pieces = round(quality * size)
        assert quality == pieces / size
        exact = stats.hypergeom.cdf(found.stages[0].ac, size, pieces, found.plan.n)
        assert accepted == pytest.approx(exact)
    assert f"({counts[1]} of {size} pieces)" in words.table(found, WORDS)[1][1][0]
    assert f" of {size} pieces) incorrect still passes" in words.tell(found, WORDS).holds


def test_the_risk_of_a_lot_is_that_of_whole_pieces() -> None:
    # 3.6 of 60 pieces are 4: the plan was found for them.
    meaning = told(lq="6", ac="1", lot_size="60").meaning
    assert "6 % (4 of 60 pieces) incorrect are accepted 8.9 % of the time" in meaning
    assert "averages of pieces looked at, of sorting and of what goes out, of lots from" in meaning
    assert stats.hypergeom.cdf(1, 60, 4, 41) == pytest.approx(0.089, abs=0.0005)


def test_a_wish_is_told_as_it_was_typed() -> None:
    assert "Lots with 3.15 % incorrect" in told(lq="3.15").meaning
    assert "Lots with 1 % incorrect" in told(p1="1", p2="1.1").meaning
    assert "lots with 1.01 % incorrect" in told(p1="1", p2="1.01").meaning


def test_rows_of_the_table_have_the_decimals_that_tell_them_apart() -> None:
    _, rows = words.table(asked(p1="1", p2="1.01"), WORDS)
    firsts = [row[0] for row in rows]
    assert firsts == ["0.50 %", "1.000 %", "1.003 %", "1.007 %", "1.010 %", "1.5 %"]


def test_a_sample_that_no_shift_can_count_is_called_so() -> None:
    # 8,518,555 pieces at 1.5 s are 3,549 hours; ten people have 80 in a shift of 8.
    warning = told(p1="1", p2="1.01").warnings[0]
    assert warning.startswith("Hopeless: 8,518,555 pieces take 3,549 hours to count,")
    assert not told(p1="1", p2="1.2").warnings[0].startswith("Hopeless")
    assert told(p1="1", p2="1.2", piece_seconds="30").warnings[0].startswith("Hopeless")


# What is refused, and how


@pytest.mark.parametrize(
    ("said", "problems"),
    [
        ({"aql": "1", "lot_size": "0"}, {"lot_size": "must be a whole number, 1 or more, got 0"}),
        ({"aql": "1", "lot_size": "1"}, {"lot_size": "must be whole numbers, 2 or more, got 1"}),
        ({"aql": "1", "lot_size": "4.5"},
         {"lot_size": "must be a whole number, 1 or more, got 4.5"}),
        ({"aql": "1", "lot_size": "9" * 12},
         {"lot_size": "must be a whole number, 10,000,000 or less, got 999999999999"}),
        ({"aql": "1"}, {"lot_size": "is missing"}),
        ({"p1": "2"}, {"p2": "is missing"}),
        ({"aql": "one", "lot_size": "9"}, {"aql": "must be per cent, such as 1.5, got one"}),
        ({"aql": "1", "lot_size": "9", "level": "IV"},
         {"level": "must be one of S-1, S-2, S-3, S-4, I, II, III, got IV"}),
        ({"p1": "6", "p2": "1"}, {"p1": "must be below p2 1 %, got 6 %"}),
        ({"p1": "1", "p2": "1"}, {"p1": "must be below p2 1 %, got 1 %"}),
        ({"p1": "1", "p2": "100"}, {"p2": "must be per cent, above 0 and below 100, got 100"}),
        ({"p1": "1", "p2": "6", "producer_risk": "0.05"},
         {"producer_risk": "must be per cent, above 0.1 and below 50, got 0.05"}),
        ({"p1": "1", "p2": "6", "kind": "multiple"},
         {"kind": "must be single or double when two points are asked, got multiple"}),
        ({"p1": "1", "p2": "1.5", "kind": "double"},
         {"kind": "must be single where one sample would be more than 2,000 pieces, "
                  "got double and 4,163"}),
        ({"target": "0.99"}, {"target": "must be per cent, above 50 and below 100, got 0.99"}),
        ({"target": "nan"}, {"target": "must be per cent, above 50 and below 100, got nan"}),
        ({"aoql": "1", "process_average": "2", "lot_size": "50"},
         {"process_average": "must be below aoql 1 %, got 2 %"}),
        ({"target": "99", "sensitivity": "40", "specificity": "60"},
         {"sensitivity": "and specificity must add to more than 100 %, got 40 % and 60 %"}),
        ({"target": "99", "sensitivity": "101"},
         {"sensitivity": "must be per cent, above 0 and at most 100, got 101"}),
        ({"target": "99", "correlation": "1"},
         {"correlation": "must be 0 or more and below 1, got 1"}),
        ({"target": "99", "correlation": "x"}, {"correlation": "must be a number, got x"}),
        ({"target": "99", "piece_seconds": "0"},
         {"piece_seconds": "must be above 0 and below 3600, got 0"}),
        ({"lq": "5", "from_totes": "46"}, {"from_totes": "must be at most n 45, got 46"}),
    ],
)  # fmt: skip
def test_a_bad_wish_names_each_argument(said: dict[str, str], problems: dict[str, str]) -> None:
    with pytest.raises(InvalidAsk) as caught:
        asked(**said)
    assert caught.value.problems == problems
    name, text = next(iter(problems.items()))
    assert str(caught.value) == f"{name} {text}"


def test_an_aql_outside_the_table_names_those_in_it() -> None:
    with pytest.raises(InvalidAsk, match=r"^aql must be one of 0\.01, .*, 1000, got 1\.1$"):
        asked(lot_size="4000", aql="1.1")


def test_every_fault_is_named_at_once() -> None:
    with pytest.raises(InvalidAsk) as caught:
        asked(lot_size="x", aql="1.1", level="IX", correlation="2")
    assert set(caught.value.problems) == {"lot_size", "aql", "level", "correlation"}


def test_what_has_no_place_is_never_left_aside() -> None:
    with pytest.raises(InvalidAsk, match="level does not belong to asking by claim, which takes"):
        asked(target="99", level="II")


@pytest.mark.parametrize(
    ("said", "got"),
    [({}, "none of them"), ({"aql": "1", "p2": "5"}, "aql and p2"), ({"aql": " "}, "none of them")],
)
def test_one_way_at_a_time(said: dict[str, str], got: str) -> None:
    with pytest.raises(InvalidInput, match=f"^a plan is asked in one way: .*; got {got}$"):
        asked(**said)
    with pytest.raises(InvalidInput, match=r'way must be one of aql, points, .*, got "guess"'):
        asked(way="guess")


def test_risks_that_no_plan_within_the_lot_meets_say_so() -> None:
    with pytest.raises(NoSuchPlan, match=r"^no sample of a lot of 20 tells when 1 incorrect"):
        asked(target="95", incorrect="1", lot_size="20")
    with pytest.raises(NoSuchPlan, match=r"; inspect every piece$"):
        asked(p1="1", p2="2", lot_size="1200", kind="double")


def test_a_multiple_plan_that_is_not_printed_is_a_fault_of_the_kind() -> None:
    with pytest.raises(InvalidAsk, match=r"^kind multiple plans are printed at AQL 0\.4 for lots"):
        asked(lot_size="4000", aql="1", kind="multiple")


@given(st.floats(0.001, 99.99))
def test_per_cent_is_read_as_a_fraction(value: float) -> None:
    assert planning.read({"lq": f"{value!r}"}).question.lq == pytest.approx(value / 100)  # type: ignore[union-attr]


@given(st.dictionaries(st.sampled_from(["lot_size", "aql", "p1", "p2", "kind", "lq"]), st.text()))
def test_any_text_is_answered_or_told_in_words(said: dict[str, str]) -> None:
    with contextlib.suppress(QAError):
        assert planning.answer(planning.read(said)).plan.n >= 1
