"""What many tests need: the demo programme, a fresh store with it, and an audit's raw fields."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import settings

from qa.programme import Programme, parse
from qa.store import records, schema

# A busy machine is slow, not wrong: no case fails by the clock. Where CI is set, hypothesis itself
# takes the same cases each time.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")

PROGRAMME_FILE = Path(__file__).resolve().parents[1] / "data_demo" / "programme.toml"


# The demo's programme, with plans that the tables below it in the tests are of, and no switching.
PLANT = (
    PROGRAMME_FILE.read_text(encoding="utf-8")
    .replace("[plans.major]\naql = 1.5", "[plans.major]\naql = 1.0")
    .replace('switching = "mil_std_105e"', 'switching = "none"')
)


@pytest.fixture(scope="session")
def programme() -> Programme:
    return parse(PLANT)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[schema.Store]:
    """A fresh SQLite store whose first programme was put on 1 March 2026."""
    opened = schema.open_store(tmp_path / "plant.db", create=True)
    at = datetime(2026, 3, 1, tzinfo=UTC)
    records.put_programme(opened, PLANT, by="lead", at=at, reason="the plant is set up")
    yield opened
    opened.engine.dispose()


@pytest.fixture
def audit_fields() -> Callable[..., dict[str, object]]:
    """A factory: the raw fields of one good routine audit, with the changes asked for."""

    def make(**changes: object) -> dict[str, object]:
        fields: dict[str, object] = {
            "pulled_at": "2026-03-16T09:30:00+00:00",
            "lane": "1",
            "tote": "T1",
            "inspector": "Ines",
            "inspected": 200,
            "stem": 2,
            "over_trim": 1,
        }
        return {**fields, **changes}

    return make
