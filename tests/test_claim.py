"""What the audits say of a claim, against the statistics asked directly and other simulations."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from qa import claim, tally
from qa.claim import Simulation
from qa.errors import InvalidInput
from qa.intervals import always_valid, binomial, clustered, learned_prior, tote_quality
from qa.programme import Programme

LANES = ("1", "2", "3")
Plant = Callable[..., pd.DataFrame]


@pytest.fixture
def plant(programme: Programme) -> Plant:
    """Routine audits of 200 pieces from beta-binomial totes: as many each lane and day."""

    def make(
        mean: float = 0.01, rho: float = 0.01, days: int = 4, each: int = 3, seed: int = 1
    ) -> pd.DataFrame:
        rng = np.random.default_rng(seed)
        places = [(day, lane) for day in range(days) for lane in LANES for _ in range(each)]
        rows = pd.DataFrame(places, columns=["day", "lane"])
        a, b = mean * (1 / rho - 1), (1 - mean) * (1 / rho - 1)
        x = rng.binomial(200, rng.beta(a, b, len(rows)))
        start = pd.Timestamp("2026-03-16 08:00", tz="UTC")
        made = rows.assign(
            key=rows.index.astype(str),
            site=programme.site,
            line="A",
            shift="morning",
            day=start.tz_localize(None).normalize() + pd.to_timedelta(rows["day"], unit="D"),
            tote=rows.index.astype(str),
            lot=rows.index.astype(str),
            purpose="routine",
            pulled_at=start + pd.to_timedelta(rows["day"] * 1440 + rows.index % 97, unit="min"),
            inspected=200,
            correct=200 - x,
            incorrect=x,
            stem=x,
        )
        return tally.table(made.assign(programme=1), programme.category_codes)

    return make


def test_an_average_claim_is_what_the_intervals_say(plant: Plant, programme: Programme) -> None:
    audits = plant()
    found = claim.average(audits, programme, target=0.98)
    counts = audits["correct"].to_numpy(), audits["inspected"].to_numpy()
    for bounds in (found.bounds, found.beside[0]):
        for side in ("lower", "upper"):
            alone = clustered(
                *counts, stratum=audits["lane"], method=bounds.method, side=side
            ).interval
            limit = alone.low if side == "lower" else alone.high
            assert_allclose(getattr(bounds, side), limit, rtol=1e-9)
    daily = audits.sort_values("pulled_at", kind="stable")
    watched = always_valid(daily["correct"], daily["inspected"], side="lower")
    assert_allclose(found.beside[1].lower, watched.low[-1])
    pooled = binomial(*(each.sum() for each in counts), side="lower")
    assert_allclose(found.naive.lower, pooled.low)
    assert [each.method for each in found.beside] == ["korn_graubard", "always_valid"]
    assert (found.kind, found.share, found.confidence) == ("average", 1.0, 0.95)
    assert (found.totes, found.inspected) == (36, 7200)
    assert found.incorrect == audits["incorrect"].sum()
    assert_allclose(found.estimate, counts[0].sum() / 7200)
    assert found.assumed[0].endswith("each lane in a shift counts by its totes inspected.")


def test_the_answer_follows_the_bounds(plant: Plant, programme: Programme) -> None:
    audits = plant()
    bounds = claim.average(audits, programme).bounds
    for target, answer in (
        (bounds.lower, "supported"),
        (bounds.lower + 1e-6, "not_settled"),
        (bounds.upper, "not_settled"),
        (bounds.upper + 1e-6, "contradicted"),
    ):
        found = claim.average(audits, programme, target=target)
        assert found.answer == found.bounds.answer == answer
        assert found.target == target
    halfway = (bounds.lower + claim.average(audits, programme).naive.lower) / 2
    naive = claim.average(audits, programme, target=halfway)
    assert naive.answer == "not_settled"
    assert naive.naive.answer == "supported", "one sample of so many pieces would have claimed it"


def test_only_routine_audits_under_the_specification_speak(
    plant: Plant, programme: Programme
) -> None:
    audits = plant()
    cause = plant(mean=0.3, seed=5).assign(purpose="for-cause", tote=lambda t: "c" + t["tote"])
    both = pd.concat([audits, cause], ignore_index=True)
    assert claim.average(both, programme) == claim.average(audits, programme)
    named = replace(
        programme.specifications[0] if programme.specifications else None,
        code="no stems",
        categories=("over_trim",),
    )
    lenient = replace(programme, specifications=(named,))
    assert claim.average(audits, lenient, specification="no stems").incorrect == 0
    with pytest.raises(InvalidInput, match="a claim needs a routine audit, got none"):
        claim.average(cause, programme)


def test_totes_are_watched_in_the_order_of_their_audits(plant: Plant, programme: Programme) -> None:
    audits = plant(days=20)
    late = audits.assign(pulled_at=audits["pulled_at"].to_numpy()[::-1])
    worse = late["pulled_at"] > late["pulled_at"].median()
    turned = late.assign(correct=np.where(worse, 180, 200), incorrect=np.where(worse, 20, 0))
    daily = turned.sort_values("pulled_at", kind="stable")
    found = always_valid(daily["correct"], daily["inspected"], confidence=0.9)
    watched = claim.average(turned, programme).beside[1]
    assert_allclose([watched.lower, watched.upper], [found.low[-1], found.high[-1]])
    reverse = always_valid(daily["correct"][::-1], daily["inspected"], confidence=0.9)
    assert abs(reverse.low[-1] - watched.lower) > 1e-3


def test_two_audits_of_a_tote_are_one_cluster(plant: Plant, programme: Programme) -> None:
    audits = plant()
    twice = audits.assign(tote=(np.arange(len(audits)) // 3).astype(str))
    found = claim.average(twice, programme)
    assert (found.totes, found.inspected) == (12, 7200)


def test_a_claim_tote_by_tote_is_what_the_quality_of_totes_says(
    plant: Plant, programme: Programme
) -> None:
    audits = plant()
    found = claim.tote_by_tote(audits, programme, share=0.9, target=0.95)
    asked = audits["correct"].to_numpy(), audits["inspected"].to_numpy()
    lower = tote_quality(*asked, share=0.9)
    upper = tote_quality(*asked, share=0.9, side="upper")
    assert_allclose(found.bounds.lower, lower.low, atol=1e-8)
    assert_allclose(found.bounds.upper, upper.high, atol=1e-8)
    assert_allclose(found.estimate, lower.estimate, atol=1e-8)
    assert (found.kind, found.share) == ("tote_by_tote", 0.9)
    good = (audits["correct"] >= 190).sum()
    assert_allclose(found.naive.lower, binomial(good, 36, side="lower").low)
    assert found.answer == ("supported" if lower.low >= 0.95 else "not_settled")
    hard = claim.tote_by_tote(audits, programme, share=0.9, target=0.999)
    assert hard.answer == hard.naive.answer == "contradicted"
    mean = claim.average(audits, programme).bounds.lower
    assert found.bounds.lower < mean, "the tenth worst of totes are worse than the mean"


def between(audits: pd.DataFrame, programme: Programme) -> float:
    """A target that the audits do not settle yet, with the line above it."""
    found = claim.average(audits, programme)
    return (found.bounds.lower + found.estimate) / 2


# Independent road: other draws judged one by one. 150 samples, so one standard error of a chance of
# 0.8 is 0.033; ours has its own beside it.
def test_totes_needed_give_the_assurance_in_another_simulation(
    plant: Plant, programme: Programme
) -> None:
    audits = plant(days=3)
    target = between(audits, programme)
    counts = audits["correct"].to_numpy(), audits["inspected"].to_numpy()
    run = Simulation(samples=150)
    (found,) = claim.totes_still_needed(
        audits, programme, target=target, assurances=[0.8], simulation=run
    )
    assert found.totes
    assert found.inspected == 200
    assert found.chance >= 0.8
    assert_allclose(found.error, np.sqrt(0.8 * 0.2 / 150), rtol=0.3)

    def chance(totes: int) -> float:
        rng = np.random.default_rng(99)
        from_fit = claim.ahead._fitted(200 - counts[0], counts[1], 0.01)
        shape = from_fit[0] * (1 / from_fit[1] - 1), (1 - from_fit[0]) * (1 / from_fit[1] - 1)
        settled = []
        for _ in range(150):
            more = 200 - rng.binomial(200, rng.beta(*shape, totes))
            whole = np.concatenate([counts[0], more])
            low = clustered(whole, 200, method="beta_binomial", side="lower").interval.low
            settled.append(low >= target)
        return float(np.mean(settled))

    assert abs(chance(found.totes) - found.chance) < 4 * np.hypot(found.error, 0.033)
    assert chance(found.totes // 3) < 0.8


def test_totes_needed_are_repeatable_and_grow_with_the_assurance(
    plant: Plant, programme: Programme
) -> None:
    audits, run = plant(days=3), Simulation(samples=40, most=400)
    target = between(audits, programme)
    found = claim.totes_still_needed(audits, programme, target=target, simulation=run)
    assert found == claim.totes_still_needed(audits, programme, target=target, simulation=run)
    assert [each.assurance for each in found] == [0.8, 0.9]
    assert all(each.totes is None or 0 < each.totes <= 400 for each in found)
    assert found[0].totes is not None
    assert found[1].totes is None or found[1].totes >= found[0].totes


def test_totes_needed_at_the_ends(plant: Plant, programme: Programme) -> None:
    run, audits = Simulation(samples=20, most=10), plant()
    settled = claim.totes_still_needed(audits, programme, target=0.9, simulation=run)
    assert [(each.totes, each.chance, each.error) for each in settled] == [(0, 1, 0), (0, 1, 0)]
    estimate = claim.average(audits, programme).estimate
    never = claim.totes_still_needed(audits, programme, target=estimate, simulation=run)
    assert [each.totes for each in never] == [None, None]
    assert never[0].chance < 0.8
    false = claim.totes_still_needed(audits, programme, target=0.9995, simulation=run)
    assert false[0].totes == 0, "what is contradicted is settled too"
    clean = audits.assign(correct=200, incorrect=0, stem=0)
    (few,) = claim.totes_still_needed(
        clean, programme, target=0.999, assurances=[0.5], simulation=run
    )
    assert 0 <= few.chance <= 1
    with pytest.raises(InvalidInput, match="samples must be whole numbers, 1 or more, got 0"):
        claim.totes_still_needed(audits, programme, simulation=Simulation(samples=0))
    with pytest.raises(InvalidInput, match="assurances must be between 0 and 1"):
        claim.totes_still_needed(audits, programme, assurances=[1.5])


def test_the_sensitivity_table_says_each_change(plant: Plant, programme: Programme) -> None:
    audits = plant()
    table = claim.sensitivity(audits, programme, target=0.98)
    whole = claim.average(audits, programme, target=0.98)
    first = table.iloc[0]
    assert (first["change"], first["value"], first["answer"]) == (
        "method",
        "beta_binomial",
        whole.answer,
    )
    assert_allclose([first["lower"], first["upper"]], [whole.bounds.lower, whole.bounds.upper])
    assert list(table["change"].unique()) == [
        "method",
        "correlation",
        "without lane",
        "without day",
    ]
    for change, column, value in (
        ("without lane", audits["lane"], "2"),
        ("without day", audits["day"].dt.strftime("%Y-%m-%d"), "2026-03-17"),
    ):
        row = table[(table["change"] == change) & (table["value"] == value)].iloc[0]
        alone = claim.average(audits[column != value], programme, target=0.98)
        assert_allclose(row["lower"], alone.bounds.lower)
        assert row["totes"] == alone.totes
        assert row["answer"] == alone.answer
    rows = table[table["change"] == "correlation"]
    assert list(rows["value"]) == ["0.005", "0.01", "0.02", "0.05"]
    assert (np.diff(rows["lower"]) < 0).all(), "the more totes may differ, the less is known"
    naive = table[table["value"] == "pooled"].iloc[0]
    assert_allclose(naive["lower"], whole.naive.lower)


def test_one_lane_on_one_day_leaves_nothing_out(plant: Plant, programme: Programme) -> None:
    audits = plant(days=1)
    one = claim.sensitivity(audits[audits["lane"] == "1"], programme)
    assert set(one["change"]) == {"method", "correlation"}


def test_history_teaches_the_correlation(plant: Plant, programme: Programme) -> None:
    history = plant(mean=0.02, rho=0.03, days=40)
    learned = claim.learned_from(history, programme)
    group = history["lane"] + history["day"].dt.strftime("%Y-%m")
    expected = learned_prior(history["incorrect"], history["inspected"], stratum=list(group))
    assert_allclose(learned, expected, rtol=1e-9)
    few = plant(days=1, seed=3)
    before = claim.average(few, programme)
    after = claim.average(few, programme, correlation_prior=learned)
    assert after.bounds.lower > before.bounds.lower


def test_messages(plant: Plant, programme: Programme) -> None:
    audits = plant(days=1)
    with pytest.raises(InvalidInput, match="target must be between 0 and 1, both excluded, got 1"):
        claim.average(audits, programme, target=1)
    with pytest.raises(InvalidInput, match="share must be between 0 and 1, both excluded, got 0"):
        claim.tote_by_tote(audits, programme, share=0)
    unsure = replace(programme, confidence=0.5)
    with pytest.raises(InvalidInput, match=r"confidence must be above 0\.5 for a claim, got 0\.5"):
        claim.average(audits, unsure)
    assert claim.average(audits, programme).target == programme.target
