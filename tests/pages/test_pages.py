"""Each page's main path in a real browser, as the person at it would go it."""

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from qa.audit import parse
from qa.store import deeds, records, schema

STUDY = Path(__file__).resolve().parents[2] / "data_demo" / "study.csv"


def fill(page: Any, tote: str, lane: str = "1") -> None:
    page.find("#tally-form[data-state]")
    page.type("#tally-tote", tote)
    page.type("#tally-inspector", "insp-07")
    page.click(f'#tally-lane [data-value="{lane}"]')


def verdict(page: Any) -> str:
    page.find("#tally-answer .answer-word")
    return str(page.text("#tally-verdict"))


def test_floor_puts_the_drifting_lane_first_and_says_why(page: Any) -> None:
    page.open("/")
    page.drawn()
    assert page.attribute(".rows > .row", "id") == "floor-lane-2"
    page.says("drifting", "#floor-lane-2")
    page.says("Stem left on has risen since", "#floor-lane-2")
    assert len(page.all(".rows > .row")) == 6
    page.says("Heard from the store", "#floor-heard")
    page.click("#floor-lane-2 .row-lane")
    page.says("Lane 2", "h1")
    assert "lane=2" in page.driver.current_url
    assert page.complaints() == []


def test_floor_takes_in_a_new_audit_by_itself(
    page: Any, plant: schema.Store, now: datetime
) -> None:
    page.open("/floor?lane=5")
    page.drawn()
    page.find("#floor-lane-5 .recent-mark")
    page.driver.execute_script("document.getElementById('floor-open-5').focus()")
    fields = {"pulled_at": now - timedelta(minutes=2), "lane": "5", "tote": "new-5"}
    fields |= {"inspector": "insp-01", "inspected": 200, "double": 9}
    records.log(plant, parse(fields, records.programme(plant)), by="test", at=now)
    page.says("reject · 2 min ago", "#floor-lane-5")
    page.find("#floor-open-5:focus")
    assert page.all(".bone") == []


def test_the_title_says_which_page_it_is_and_what_of_it(page: Any) -> None:
    page.open("/lane?lane=2")
    page.says("Lane 2", "h1")
    page.wait(lambda driver: driver.title == page.text("h1") + " · Toteproof", "the page's title")
    page.click('.filters a[href*="lane=5"]')
    page.says("Lane 5", "h1")
    page.wait(lambda driver: driver.title == page.text("h1") + " · Toteproof", "the new title")


def test_lane_draws_its_charts_with_the_figures_behind(page: Any) -> None:
    page.open("/lane?lane=2&category=stem&days=30")
    page.drawn()
    page.find("#lane-chart .main-svg")
    assert page.attribute("figure", "role") == "img"
    label = page.attribute("figure", "aria-label").replace("\u00a0", " ")
    assert label.startswith("Control chart of stem left on on lane 2")
    page.says("goes on")
    page.says("Head B")
    page.click("#lane-behind summary")
    page.find("#lane-behind[open] tbody tr")
    page.click('nav[aria-label="Shows"] a:first-of-type')
    page.says("Lane 2: percent correct")
    assert "category=correct" in page.driver.current_url
    assert page.complaints() == []


def test_shift_is_handed_over_and_goes_back_a_day(page: Any) -> None:
    page.open("/shift?day=2026-04-19&shift=morning")
    page.says("Morning shift of 19 April")
    page.says("lots held")
    page.drawn()
    assert len(page.all(".shift-matrix .charted > .scroll tbody tr")) == 6
    page.says("higher than baseline", ".shift-matrix")
    page.click('nav[aria-label="Day"] a:first-of-type')
    page.says("Morning shift of 18 April")
    page.click('nav[aria-label="Shift"] a:last-of-type')
    page.says("No audit is recorded for the Night shift of 18 April")
    assert page.complaints() == []


def test_a_clean_tote_is_logged_in_a_few_taps(page: Any, plant: schema.Store) -> None:
    page.open("/tally")
    page.says("Pull 200 pieces")
    fill(page, "clean-1")
    page.click("#tally-clean")
    page.says("200", "#tally-sum")
    page.click("#tally-save")
    said = verdict(page)
    assert "Accept" in said
    assert "not leave to ship" in said
    logged = records.tallies(plant, tote="clean-1")
    assert logged[["inspected", "correct", "inspector"]].to_numpy().tolist() == [
        [200, 200, "insp-07"]
    ]
    assert page.complaints() == []


def test_counters_count_and_a_bad_tote_is_held(page: Any, plant: schema.Store) -> None:
    page.open("/tally")
    fill(page, "bad-1", lane="3")
    for _ in range(9):
        page.click('[data-of="tally-stem"][data-step="1"]')
    page.click('[data-of="tally-stem"][data-step="-1"]')
    page.type("#tally-double", "2")
    page.says("190", "#tally-sum")
    page.click("#tally-save")
    assert "Hold" in verdict(page)
    row = records.tallies(plant, tote="bad-1").iloc[0]
    assert (row["stem"], row["double"], row["correct"]) == (8, 2, 190)
    page.click("#tally-save")  # which now says "Next tote"
    page.says("not counted yet", "#tally-sum")
    assert page.value("#tally-inspector") == "insp-07"
    assert page.text('#tally-lane [aria-pressed="true"]') == "3"


def test_a_double_tap_records_once(page: Any, plant: schema.Store) -> None:
    page.open("/tally")
    fill(page, "twice-1")
    page.click("#tally-clean")
    page.driver.execute_script(
        "const b = document.getElementById('tally-save'); b.click(); b.click();"
    )
    verdict(page)
    assert len(records.tallies(plant, tote="twice-1")) == 1


def test_impossible_counts_are_refused_beside_their_fields(page: Any, plant: schema.Store) -> None:
    page.open("/tally")
    page.find("#tally-form[data-state]")
    page.click("#tally-save")
    page.says("say what was found", "#tally-correct-fault")
    fill(page, "wrong-1")
    page.type("#tally-stem", "two")
    assert page.text("#tally-sum") == ""
    page.type("#tally-over_trim", "201")
    page.click("#tally-save")
    page.says("must be a whole number", "#tally-stem-fault")
    page.find('#tally-stem[aria-invalid="true"]')
    assert "Not saved" in verdict(page)
    assert records.tallies(plant, tote="wrong-1").empty


def test_a_re_audit_asks_when_it_was_re_sorted_and_a_head_check_which_head(page: Any) -> None:
    page.open("/tally")
    page.find("#tally-form[data-state]")
    assert not page.shown("#tally-re_sorted_at")
    page.click('#tally-purpose [data-value="re-audit"]')
    assert page.shown("#tally-re_sorted_at")
    fill(page, "again-1")
    page.click("#tally-clean")
    page.click("#tally-save")
    page.says("is missing", "#tally-re_sorted_at-fault")
    page.click('#tally-purpose [data-value="head-check"]')
    assert page.shown("#tally-head")
    assert not page.shown("#tally-re_sorted_at")


def test_a_food_safety_finding_locks_the_tote(page: Any, plant: schema.Store) -> None:
    page.open("/tally")
    fill(page, "glass-1", lane="6")
    page.click(".tally-finding summary")
    page.type("#tally-what", "a splinter of glass")
    page.click("#tally-lock")
    assert "Locked" in verdict(page)
    found = records.findings(plant)
    assert found["what"].tolist() == ["a splinter of glass"]
    page.click("#tally-clean")
    page.click("#tally-save")
    page.says("whatever the sample says", "#tally-answer")


def test_a_wrong_address_gets_a_sentence(page: Any) -> None:
    page.open("/shift?day=never")
    page.says('Day must be a date such as 2026-05-14, got "never".')
    page.open("/lane?lane=99")
    page.says("Lane must be one of 1, 2, 3, 4, 5, 6")
    page.open("/nowhere")
    page.says("There is no page at /nowhere.")


def test_a_rejected_tote_asks_for_its_re_audit_one_tap_away(page: Any, plant: schema.Store) -> None:
    page.open("/tally")
    fill(page, "again-1", lane="5")
    page.type("#tally-stem", "30")
    page.click("#tally-save")
    assert "Consider holding what lane 5 filled after tote" in verdict(page)
    page.click("#tally-then")
    page.find('#tally-form[data-state="open"]')
    assert page.value("#tally-tote") == "again-1"
    assert page.text('#tally-purpose [aria-pressed="true"]') == "re-audit"
    page.type("#tally-re_sorted_at", "11:58")
    page.click("#tally-clean")
    page.click("#tally-save")
    page.says("does not overturn it", "#tally-answer")
    assert records.tallies(plant, tote="again-1")["purpose"].tolist() == ["routine", "re-audit"]


def test_what_was_done_with_a_held_tote_is_recorded_on_shift(
    page: Any, plant: schema.Store
) -> None:
    page.open("/shift?day=2026-04-20&shift=morning")
    page.says("What was done with held totes")
    page.click("form[data-name=shift] [type=submit]")
    page.says("is missing", "#shift-tote-fault")
    page.says("must be chosen", "#shift-what-fault")
    page.type("#shift-tote", "2351")
    page.type("#shift-who", "Ines")
    page.type("#shift-why", "stems all through")
    page.click('#shift-what [data-value="rework"]')
    page.click("form[data-name=shift] [type=submit]")
    page.says("Recorded: tote 2351 of lane 2, rework.", "#shift-said")
    page.says("Tote 2351: rework, by Ines")
    found = deeds.dispositions(plant).set_index("tote").loc["2351"]
    assert found[["lane", "lot", "what", "reason"]].tolist() == [
        *("2", "2351", "rework", "stems all through"),
    ]


def test_a_cause_put_right_starts_stopped_inspection_again(page: Any, plant: schema.Store) -> None:
    page.open("/floor")
    page.says("Inspection of the major class is stopped", "#floor-lane-2")
    page.open("/tally")
    page.find("#tally-form[data-state]")
    page.click('#tally-lane [data-value="2"]')
    page.says("is stopped: nothing is accepted by sample", "#tally-pull-note")
    page.click('#tally-lane [data-value="1"]')
    assert page.text("#tally-pull-note") == ""
    page.open("/lane?lane=2")
    page.says("5 lots were rejected while inspection was tightened")
    page.click("form[data-name=lane] [type=submit]")
    page.says("is missing", "#lane-what-fault")
    page.click('#lane-kind [data-value="put-right"]')
    page.type("#lane-what", "nozzle of head B changed")
    page.type("#lane-who", "Ines")
    page.type("#lane-when", "half past")
    page.click("form[data-name=lane] [type=submit]")
    page.says("must be a date and time", "#lane-when-fault")
    page.retype("#lane-when", "11:59")
    page.click("form[data-name=lane] [type=submit]")
    page.says("Recorded on lane 2: cause put right.", "#lane-said")
    page.says("Tightened inspection of the major class")
    assert deeds.events(plant)["what"].tolist() == ["nozzle of head B changed"]


def test_a_claim_is_answered_in_words_and_asked_again_from_the_form(page: Any) -> None:
    page.open("/claim?first=2026-04-01&last=2026-04-10&lane=1")
    page.says("on lane 1, 1 to 10 April 2026, were correct by count, as made", ".answer")
    page.says("The figure speaks of workmanship", ".answer")
    page.says("valid however often one looks")
    page.says("What would change the answer", "#claim-more")
    page.retype("#claim-target", "ninety")
    page.click("#claim-send")
    page.says(
        "Must be a share from 50 to below 100 %, such as 99, got ninety.", "#claim-target-fault"
    )
    assert "target=ninety" in page.driver.current_url
    assert page.complaints() == []


def test_a_study_s_file_is_looked_at_and_its_tallies_go_into_the_claim(
    page: Any, tmp_path: Path
) -> None:
    page.open("/claim?first=2026-04-01&last=2026-04-10&lane=1")
    page.says("were correct by count, as made", ".answer")
    page.click("#claim-study form [type=submit]")
    page.says("must be chosen", "#claim-study-file-fault")
    bad = tmp_path / "calls.csv"
    bad.write_text("piece,inspector,called\n1,a,\n")
    page.choose("#claim-study input[type=file]", bad)
    page.click("#claim-study form [type=submit]")
    page.says('Row 2, column "called": is blank', "#claim-study-shown")
    none = tmp_path / "none.csv"
    none.write_text("")
    page.choose("#claim-study input[type=file]", none)
    page.click("#claim-study form [type=submit]")
    page.says("none.csv has no row with headers", "#claim-study-fault")
    page.choose("#claim-study input[type=file]", STUDY)
    page.click("#claim-study form [type=submit]")
    page.says("On 221 of 240 pieces insp-02, insp-05 and insp-08 agree", "#claim-study-shown")
    page.says("What is taken for what", "#claim-study-shown")
    page.click("#claim-study-use [type=submit]")
    page.says("with inspectors' misses allowed for", ".claim-picture")
    for tally in ("lane=1", "found=52", "incorrect=60", "passed=179", "study_correct=180"):
        assert tally in page.driver.current_url
    page.says("On 221 of 240 pieces", "#claim-study-shown")
    assert all("422" in each for each in page.complaints())  # of the two files refused
