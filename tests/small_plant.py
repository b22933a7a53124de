"""An invented plant, small enough to fill a store in a second: what the screens are tested on."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from qa.audit import parse
from qa.store import records, schema

PROGRAMME_FILE = Path(__file__).resolve().parents[1] / "data_demo" / "programme.toml"
NOW = datetime(2026, 4, 20, 11, 0, tzinfo=UTC)  # 12:00 in the plant, on the morning shift
FIRST = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
RISEN = 28  # days after the first, on which lane 2 begins to leave more stems: 13 April
LANES = 6


def small_plant(where: Path | str, risen: str = "2") -> schema.Store:
    """A new store with four routine totes a lane and day, and a head check a lane and week.

    The lanes of `risen` leave more stems from `RISEN` on.
    """
    store = schema.open_store(where, create=True)
    text, at = PROGRAMME_FILE.read_text(encoding="utf-8"), datetime(2026, 3, 1, tzinfo=UTC)
    records.put_programme(store, text, by="lead", at=at, reason="the plant is set up")
    programme = records.programme(store)
    days = range((NOW - FIRST).days + 1)
    made = [
        _routine(day, lane, hour, risen=str(lane) in risen and day >= RISEN)
        for day in days
        for lane in range(1, LANES + 1)
        for hour in range(4)
    ]
    made += [_check(day, lane) for day in days[::7] for lane in range(1, LANES + 1)]
    records.log_many(store, [parse(each, programme) for each in made], by="test", at=NOW)
    return store


def _routine(day: int, lane: int, hour: int, *, risen: bool) -> dict[str, object]:
    filled = FIRST + timedelta(days=day, hours=hour, minutes=10 * lane)
    return {
        "pulled_at": filled + timedelta(minutes=5),
        "fill_start": filled,
        "lane": str(lane),
        "tote": f"{lane}{day:02}{hour}",
        "inspector": "insp-01",
        "inspected": 200,
        "stem": 6 + (day + hour) % 3 if risen else int((day + lane + hour) % 3 == 0),
        "over_trim": int((day + hour) % 4 == 0),
    }


def _check(day: int, lane: int) -> dict[str, object]:
    head = "AB"[day // 7 % 2]
    return {
        "pulled_at": FIRST + timedelta(days=day, hours=4, minutes=30 + lane),
        "lane": str(lane),
        "tote": f"{lane}{day:02}-{head}",
        "inspector": "insp-02",
        "purpose": "head-check",
        "head": head,
        "inspected": 150,
        "stem": 3 if head == "B" else 0,
    }
