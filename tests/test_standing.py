"""What a shift leaves open, as it stood at its end, and what Shift says of it."""

import re
from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboard import components
from dashboard.pages import floor as floor_page
from dashboard.pages import lane as lane_page
from dashboard.pages import left_open
from dashboard.pages import shift as page
from dashboard.pages.lane.drawing import says, signal_said
from dashboard.texts import words
from dashboard.views import deeds as deeds_view
from dashboard.views import floor, lane, shift, signals, standing, tally
from dashboard.views.choices import Choices
from dashboard.views.keeping import record
from dashboard.views.record import findings
from dashboard.views.shift import ShiftView
from qa import verdicts
from qa.audit import parse
from qa.programme import Programme
from qa.programme import parse as parse_programme
from qa.store import deeds, records, schema
from qa.store.deeds import Event
from qa.wording import decimals_for
from tests.conftest import PROGRAMME_FILE
from tests.small_plant import NOW, small_plant

DAY = date(2026, 4, 17)
AT = datetime(2026, 4, 17, 9, 0, tzinfo=UTC)  # 10:00 in the plant, on the morning shift
AFTER = AT + timedelta(days=1)
FINDING = {"key": "f1", "tote": "T1", "lane": "1", "inspector": "Ines", "what": "a bolt"}


def log(store: schema.Store, programme: Programme, *audits: dict[str, object]) -> None:
    usual = {"lane": "1", "inspector": "Ines", "inspected": 200}
    made = [parse({**usual, **each}, programme) for each in audits]
    records.log_many(store, made, by="Ines", at=NOW)


def seen(store: schema.Store, name: str, now: datetime = AFTER, day: date = DAY) -> ShiftView:
    return shift.view(store, Choices(day=day, shift=name), now)


def said(view: ShiftView) -> str:
    return str(page.body(words(), view))


@pytest.fixture
def put_right(store: schema.Store, programme: Programme) -> schema.Store:
    """Tote T1 rejected in the morning, accepted in the afternoon; T0 rejected a week before."""
    again = {"tote": "T1", "purpose": "re-audit", "re_sorted_at": AT + timedelta(hours=6)}
    log(
        store,
        programme,
        {"tote": "T0", "pulled_at": AT - timedelta(days=7), "stem": 30},
        {"tote": "T1", "pulled_at": AT, "stem": 40},
        {"tote": "T2", "pulled_at": AT + timedelta(minutes=10)},
        {**again, "pulled_at": AT + timedelta(hours=7)},
    )
    return store


def test_a_shift_hands_over_what_was_held_at_its_end(put_right: schema.Store) -> None:
    view = seen(put_right, "morning")
    assert [(lot.lot, lot.since, lot.recent) for lot in view.held] == [
        ("T1", AT, True),
        ("T0", AT - timedelta(days=7), False),
    ]
    assert view.held[0].why.startswith("40 of 200")
    assert view.held[0].next.startswith("Hold the lot and re-sort it")
    assert view.lots == {"hold": 1, "release": 1}
    assert view.accepted == ()
    text = said(view)
    assert "Still open at the end of this shift" in text
    assert "1 lot held in the last 2 days, 1 lot held since before." in text
    assert "Since 10:00 on 17 April: 40 of 200" in text
    assert "1 lot held since before 16 April stands held too." in text


def test_what_was_re_sorted_and_accepted_is_told_where_it_happened(put_right: schema.Store) -> None:
    view = seen(put_right, "afternoon")
    assert [lot.lot for lot in view.held] == ["T0"]
    (lot,) = view.accepted
    assert (lot.lot, lot.rejected_at, lot.accepted_at) == ("T1", AT, AT + timedelta(hours=7))
    told = "1 rejected lot was re-sorted and accepted on its re-audit in this shift: T1 of lane 1, "
    assert told + "rejected 10:00 on 17 April, accepted 17:00 on 17 April." in said(view)


def test_a_running_shift_says_what_is_open_now(put_right: schema.Store) -> None:
    view = seen(put_right, "morning", now=AT + timedelta(hours=1))
    text = said(view)
    assert "Still open now" in text
    assert [lot.lot for lot in view.held] == ["T0"]  # as the record stands, T1 is put right


def test_a_lot_stands_at_a_moment_as_a_record_that_ends_there_has_it(
    put_right: schema.Store, programme: Programme
) -> None:
    every = records.tallies(put_right)
    for moment in (AT, AT + timedelta(hours=1), AT + timedelta(hours=8)):
        then = verdicts.lots(every[every["pulled_at"] <= moment], programme)
        now = verdicts.lots(every, programme).to_dict("records")
        found = [verdicts.LotVerdict(**{str(k): v for k, v in row.items()}) for row in now]
        stood = [each.at(moment) for each in found]
        shown = [(e.lot, e.verdict, e.floor, e.why, e.next) for e in stood if e is not None]
        names = ["lot", "verdict", "floor", "why", "next"]
        assert shown == list(then[names].itertuples(index=False, name=None))


def test_a_lot_that_fails_again_is_held_since_it_first_failed(
    store: schema.Store, programme: Programme
) -> None:
    again = {"tote": "T1", "purpose": "re-audit", "re_sorted_at": AT + timedelta(hours=6)}
    first = {"tote": "T1", "pulled_at": AT, "stem": 40}
    log(store, programme, first, {**again, "pulled_at": AT + timedelta(hours=7), "stem": 41})
    (lot,) = seen(store, "afternoon").held
    assert (lot.since, "41 of 200" in lot.why) == (AT, True)


def stands_by_a_replay(
    store: schema.Store, until: datetime | None
) -> list[tuple[str, str, str, datetime]]:
    """Every lot that stands back, told one by one: code, lane, what the floor does, since when."""
    found = records.findings(store)
    if until is not None:
        found = found[found["found_at"] <= until]
    table = verdicts.lots(records.tallies(store), records.programmes_by_version(store), found)
    lots = [
        verdicts.LotVerdict(**{str(k): v for k, v in row.items()})
        for row in table.to_dict("records")
    ]
    stood = lots if until is None else [each.at(until) for each in lots]
    back = [each for each in stood if each is not None and each.floor != "release"]
    return sorted((each.lot, each.lane, each.floor, each.since) for each in back)


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("kind", ["tote", "lane_shift"])
def test_counts_are_of_every_lot_and_the_newest_are_listed(
    seed: int, kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a record whose lots are told one by one, with those locked, as they stand and stood."""
    rng = np.random.default_rng(seed)
    text = PROGRAMME_FILE.read_text(encoding="utf-8").replace('lot = "tote"', f'lot = "{kind}"')
    store = schema.open_store(tmp_path / "held.db", create=True)
    programme = parse_programme(text)
    records.put_programme(store, text, by="Ines", at=AT - timedelta(days=40), reason="the first")
    audits, began = [], AT - timedelta(days=9)
    for number in range(90):
        at = began + number * timedelta(hours=2)
        audits.append(
            {
                "tote": f"T{number % 30}",
                "lane": str(rng.integers(1, 4)),
                "pulled_at": at,
                "stem": int(rng.choice([0, 0, 3, 40])),
            }
        )
        if rng.random() < 0.3:
            earlier = audits[int(rng.integers(max(0, len(audits) - 20), len(audits)))]
            again = {"purpose": "re-audit", "re_sorted_at": at + timedelta(minutes=5)}
            stem = int(rng.choice([0, 40]))
            later = at + timedelta(hours=int(rng.integers(1, 40)), minutes=number % 59 + 1)
            audits.append({**earlier, **again, "pulled_at": later, "stem": stem})
    log(store, programme, *audits)
    tally.save_finding(
        store, {**FINDING, "tote": "T10", "lane": audits[-1]["lane"]}, AT - timedelta(days=1)
    )
    monkeypatch.setattr(standing, "LISTED", 4)
    day = AT.date()
    for until in (None, AT, AT - timedelta(days=2), AT - timedelta(days=5)):
        stands = standing.lots(store, record(store), day, until)
        wanted = stands_by_a_replay(store, until)
        assert wanted
        counted = {lane: sum(each) for lane, each in stands.counts.items()}
        assert counted == Counter(lane for _, lane, _, _ in wanted)
        locked = sum(each.locked for each in stands.counts.values())
        assert locked == sum(floor == "locked" for _, _, floor, _ in wanted)
        found = [(each.lot, each.lane, each.floor, each.since) for each in stands.lots]
        assert set(found) <= set(wanted)
        recent = [each for each in stands.lots if each.recent]
        listed = [each for each in stands.lots if not each.recent]
        assert len(recent) + stands.before == len(wanted)
        assert len(listed) == min(4, stands.before)
        unlisted = set(wanted) - set(found)
        assert not unlisted or max(each[3] for each in unlisted) <= min(e.since for e in listed)


def test_what_was_locked_then_is_locked_on_the_sheet_of_then(put_right: schema.Store) -> None:
    tally.save_finding(put_right, FINDING, AT + timedelta(hours=2))
    given = {"finding": "f1", "by": "Ines", "reason": "all pieces looked at"}
    deeds_view.lift(put_right, given, AT + timedelta(hours=14))
    morning, afternoon, night = (seen(put_right, e) for e in ("morning", "afternoon", "night"))
    locked = {"T0": "locked", "T1": "locked", "T2": "locked"}  # its own and the ones beside it
    assert {lot.lot: lot.floor for lot in morning.held} == locked
    assert {lot.lot: lot.floor for lot in afternoon.held} == locked
    assert {lot.lot: lot.floor for lot in night.held} == {"T0": "hold"}
    assert "3 lots locked." in said(afternoon)


def test_a_locked_tote_that_nobody_audited_is_handed_over(store: schema.Store) -> None:
    tally.save_finding(store, {**FINDING, "tote": "X9"}, AT)
    view = seen(store, "morning", now=AT + timedelta(hours=1))
    assert [(lot.lot, lot.floor) for lot in view.held] == [("X9", "locked")]
    assert "Hand over: 1 lot locked." in said(view)


def test_a_lock_stays_on_the_sheet_when_its_tote_is_audited_later(
    store: schema.Store, programme: Programme
) -> None:
    log(store, programme, {"tote": "T0", "lane": "2", "pulled_at": AT})
    tally.save_finding(store, {**FINDING, "tote": "X9"}, AT + timedelta(minutes=5))
    until = AT + timedelta(hours=1)
    before = standing.lots(store, record(store), DAY, until)
    assert [(each.lot, each.floor) for each in before.lots] == [("X9", "locked")]
    log(store, programme, {"tote": "X9", "pulled_at": AT + timedelta(hours=8)})
    after = standing.lots(store, record(store), DAY, until)
    assert [(each.lot, each.floor) for each in after.lots] == [("X9", "locked")]
    assert after.counts == before.counts


@pytest.fixture
def plant(tmp_path: Path) -> schema.Store:
    return small_plant(tmp_path / "plant.db")


def test_a_lane_that_drifts_is_handed_over_with_its_signal(plant: schema.Store) -> None:
    view = seen(plant, "morning", now=NOW, day=NOW.date())
    (need,) = view.needs
    assert (need.lane, need.word, need.open) == ("2", "drifting", ("stem",))
    text = said(view)
    assert text.index("Hand over: lane 2 drifting, ") < text.index("pieces counted")
    assert "The signal on stem left on is open: nobody has acknowledged it." in text
    (signal,) = signals.of_lane(record(plant), "2", NOW)
    fields = {"key": "a1", "lane": "2", "signal": signal.key, "who": "Ines", "cause": "a nozzle"}
    signals.acknowledge(plant, {**fields, "done": "changed"}, NOW)
    after = seen(plant, "morning", now=NOW, day=NOW.date())
    assert after.needs[0].open == ()
    assert "Acknowledged by Ines" in said(after)
    assert "a nozzle" in said(after)
    yesterday = seen(plant, "morning", now=NOW, day=NOW.date() - timedelta(days=1))
    assert yesterday.needs[0].open == ("stem",)  # nobody had answered it then


def test_nothing_open_is_said_too(plant: schema.Store) -> None:
    view = seen(plant, "morning", now=NOW, day=date(2026, 4, 10))
    assert (view.needs, view.held) == ((), ())
    assert "Nothing is open." in said(view)


def test_floor_counts_what_stands_held_and_says_where_it_is_listed(
    put_right: schema.Store,
) -> None:
    seen = floor.view(put_right, Choices(), AT + timedelta(hours=1))
    (row,) = (each for each in seen.rows if each.lane == "1")
    assert (row.locked, row.held, row.before) == (0, 0, 1)
    shown = str(floor_page.body(words(), seen))
    assert "1 lot held since before" in shown
    assert "href='/shift#open'" in shown
    then = floor.view(put_right, Choices(day=DAY, shift="morning"), AFTER)
    (row,) = (each for each in then.rows if each.lane == "1")
    assert (row.locked, row.held, row.before) == (0, 1, 1)
    shown = str(floor_page.body(words(), then))
    assert "1 lot held in the last 2 days" in shown
    assert "href='/shift?day=2026-04-17&shift=morning#open'" in shown


def test_floor_marks_an_audit_as_its_lot_stood_when_it_was_judged(
    put_right: schema.Store,
) -> None:
    seen = floor.view(put_right, Choices(lane="1"), AT + timedelta(hours=8))
    marks = [(each.tote, each.verdict, each.settled) for each in seen.rows[0].recent]
    assert marks == [
        ("T0", "reject", False),
        ("T1", "reject", True),
        ("T2", "accept", False),
        ("T1", "accept", False),
    ]
    shown = floor_page.says(words(), seen)
    told = "Recent audits drawn: 4; rejected when judged: 2, of these re-sorted and accepted since"
    assert f"{told}: 1." in shown
    before = floor.view(put_right, Choices(lane="1"), AT + timedelta(hours=1))
    assert [each.settled for each in before.rows[0].recent] == [False, False, False]
    calm = replace(before.rows[0], recent=before.rows[0].recent[-1:])
    shown = floor_page.says(words(), replace(before, rows=(calm,)))
    assert shown.endswith("Recent audits drawn: 1; rejected when judged: 0.")


def test_the_pieces_and_totes_of_a_shift_add_up(plant: schema.Store) -> None:
    view = seen(plant, "morning", now=NOW, day=date(2026, 4, 13))  # with head checks
    assert set(view.pieces) == {"routine", "head-check"}
    assert sum(view.pieces.values()) == view.counted
    shares = [row.correct for row in view.rows]
    assert view.pieces["routine"] == sum(each.inspected for each in shares if each)
    assert view.totes == sum(view.lots.values()) + view.earlier_lots + view.unjudged
    text = said(view)
    assert "Of the 5,700 pieces counted, 4,800 are of routine audits (the table below) and " in text
    assert "6 totes were audited in head checks or studies alone, which judge no lot." in text


def test_a_level_has_the_same_digits_wherever_it_is_told(plant: schema.Store) -> None:
    view = lane.view(plant, Choices(lane="2", category="stem", days=14), NOW)
    (rise,) = view.rises
    sentence = next(e.sentence for e in findings(record(plant), NOW) if e.status == "drifting")
    before = components.level(words(), rise.before.fraction, rise.before.low, rise.before.high)
    assert f": {before} to " in sentence
    assert len(before.partition(".")[2]) > 3  # else any way of rounding would do
    assert f": {before} rose to " in signal_said(words(), view, rise)
    assert f"{before} → " in str(lane_page.history(words(), view))
    seen_at = view.rises[0].signalled_at.date()
    assert f": {before} to " in said(seen(plant, "morning", now=NOW, day=seen_at))


def test_of_very_many_held_lots_the_newest_are_listed_and_that_is_said() -> None:
    lots: list[Any] = list(range(left_open.MOST + 1))  # a lot is not looked into
    said, listed = left_open.newest(words("en"), lots, len(lots))
    assert listed == lots[:-1]
    assert "The newest 100 are listed" in str(said[0])
    assert left_open.newest(words("en"), lots[:-1], len(lots) - 1) == ([], lots[:-1])


def test_an_advice_is_said_once_for_all_lots_that_it_is_of(
    store: schema.Store, programme: Programme
) -> None:
    bad = [{"tote": f"B{each}", "pulled_at": AT + timedelta(minutes=9 * each)} for each in range(7)]
    good = {"tote": "A0", "pulled_at": AT - timedelta(minutes=9)}
    log(store, programme, good, *({**each, "stem": 40} for each in bad))
    tally.save_finding(store, {**FINDING, "tote": "X9", "lane": "2"}, AT)
    view = seen(store, "morning", now=AT + timedelta(hours=1))
    text = said(view)
    told = verdicts.lots(records.tallies(store), programme).iloc[-1]
    assert told["floor"] == "hold"
    assert f"Next, for each of these 7 lots: {told['next']}" in text
    assert f"Next, for this lot: {view.held[0].next}" in text
    assert text.count(told["next"]) == 1
    assert text.count("To narrow it, audit a tote filled about halfway") == 1
    assert text.count("All after tote A0 (") == 1  # what the newest holds back, the others too
    assert "What is held back with it is told at B6." in text
    others = text[text.index("The other 2 lots") :]
    assert [each for each in (f"Th(children='B{n}'" for n in range(7)) if each in others] == [
        "Th(children='B0'",
        "Th(children='B1'",
    ]
    assert re.search(r"2 more such lots: B\d \(lane 1\), B\d \(lane 1\)\. Shift tells", text)


def test_what_holds_back_most_is_in_the_open_whenever_it_was_audited(
    store: schema.Store, programme: Programme
) -> None:
    filled = {"F": -1} | {f"B{each}": each - 40 for each in range(6)}  # F last, and audited first
    rows = [
        {
            "tote": tote,
            "fill_start": AT + timedelta(minutes=at),
            "pulled_at": AT + timedelta(minutes=k),
            "stem": 40,
        }
        for k, (tote, at) in enumerate(filled.items())
    ]
    log(store, programme, {"tote": "A0", "pulled_at": AT - timedelta(hours=1)}, *rows)
    text = said(seen(store, "morning", now=AT + timedelta(hours=1)))
    in_open = text[: text.index("The other 2 lots")]
    assert "All after tote A0 (" in in_open
    assert set(re.findall(r"told at (\w+)", text)) == {"F"}
    assert "Th(children='F'" in in_open


def test_no_locked_lot_is_folded(store: schema.Store, programme: Programme) -> None:
    log(store, programme, {"tote": "A0", "pulled_at": AT})
    for each in range(left_open.SHOWN + 3):
        tally.save_finding(store, {**FINDING, "key": f"f{each}", "tote": f"X{each}"}, AT)
    text = said(seen(store, "morning", now=AT + timedelta(hours=1)))
    assert text.count("Th(children='X") == left_open.SHOWN + 3
    assert "The other" not in text


def test_lots_that_stand_alike_are_told_together_whatever_each_asks_for(
    store: schema.Store, programme: Programme
) -> None:
    short = [
        {"tote": f"S{each}", "pulled_at": AT + timedelta(minutes=each), "inspected": 20 + each}
        for each in range(4)
    ]
    log(store, programme, *short)
    view = seen(store, "morning", now=AT + timedelta(hours=1))
    told = {each.next for each in view.held}
    assert len(told) == 4
    text = said(view)
    assert text.count("Next, for each of these 4 lots, stands in its row.") == 1
    assert all(f"Next: {each}" in text for each in told)


@pytest.mark.parametrize("language", ["en", "es"])
def test_what_is_held_back_is_told_briefly_with_the_same_figures(
    store: schema.Store, programme: Programme, language: str
) -> None:
    audits = [
        {"tote": "A0", "pulled_at": AT},
        {"tote": "B1", "pulled_at": AT + timedelta(minutes=30), "stem": 40},
        {"tote": "B2", "pulled_at": AT + timedelta(minutes=90), "stem": 40},
    ]
    log(store, programme, *audits)
    table = verdicts.lots(records.tallies(store), programme, language=language)
    first, last = table.iloc[1], table.iloc[2]
    for each in (first, last):
        assert len(each["hold_brief"]) < len(each["hold"]) / 2
        shared = set(re.findall(r"[A-Z]?[0-9][0-9:]*", each["hold_brief"]))
        assert {"A0", "10:00", "17"} <= shared
        assert shared <= set(re.findall(r"[A-Z]?[0-9][0-9:]*", each["hold"]))
    assert "B1" not in first["hold_brief"]  # the lot's own tote is in the list already
    assert "B1" in last["hold_brief"]
    assert table.iloc[0]["hold_brief"] == ""


def test_of_many_lanes_in_trouble_floor_tells_each_shortly(tmp_path: Path) -> None:
    store = small_plant(tmp_path / "trouble.db", risen="135")
    view = floor.view(store, Choices(), NOW)
    assert view.many
    first = view.rows[0]
    assert "has risen since" in first.sentence
    assert re.fullmatch(r"Stem left on up since about .+: [\d.]+ % to [\d.]+ %\.", first.brief)
    assert not any(row.caution for row in view.rows)
    caution = "Before anyone goes to head B: lockout"
    shown = str(floor_page.body(words(), replace(view, caution=caution)))
    assert shown.count(caution) == 1
    assert f"{first.held} held" in shown
    few = floor.view(store, Choices(lane="1"), NOW)
    assert (few.many, few.caution) == (False, "")
    assert few.rows[0].brief.startswith("Stem left on has risen since about")


def test_the_level_and_its_baseline_are_told_in_the_same_digits(plant: schema.Store) -> None:
    for category in ("stem", "over_trim"):
        view = lane.view(plant, Choices(lane="2", category=category, days=14), NOW)
        assert view.level is not None
        decimals = decimals_for(view.level.low, view.level.high)
        base = words().per_cent(view.points[-1].center, decimals=decimals)
        text = says(words(), view)
        assert f"where the baseline has {base}" in text
        count, inspected = (sum(getattr(e, n) for e in view.points) for n in ("count", "inspected"))
        assert words().per_cent(count / inspected, decimals=decimals) in text
        assert "SP1" in str(lane_page.body(words(), view))  # on the printed sheet
    assert decimals > 1  # else any way of rounding would do


def test_a_lane_that_is_down_is_handed_over_and_called_so_on_its_page(plant: schema.Store) -> None:
    event = Event("e1", "SP1", "A", "5", NOW - timedelta(minutes=15), "lane-down", "gearbox")
    deeds.record_event(plant, event, by="Ines", at=NOW)
    view = seen(plant, "morning", now=NOW, day=NOW.date())
    assert [(each.lane, each.word) for each in view.needs] == [("2", "drifting"), ("5", "down")]
    text = said(view)
    assert "lane 2 drifting, lane 5 down" in text
    assert "The lane is down since 11:45 on 20 April: gearbox." in text
    shown = str(lane_page.sentences(words(), lane.view(plant, Choices(lane="5"), NOW)))
    assert "status-down" in shown
    assert "status-no-audits" not in shown
