"""What many tests need: the demo programme, a fresh store with it, and an audit's raw fields."""

import os
import shutil
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from itertools import count
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from qa.programme import Programme, parse
from qa.store import records, schema
from tests.databases import Cluster, cluster

# A busy machine is slow, not wrong: no case fails by the clock, nor the making of cases. Elsewhere
# cases are others each time; what must pass before anything lands takes the same ones.
SAME = bool(os.environ.get("CI") or os.environ.get("TOTEPROOF_SAME_CASES"))
settings.register_profile(
    "unhurried",
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    derandomize=SAME,
)
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


@pytest.fixture(scope="session")
def postgres() -> Iterator[Cluster]:
    """The tests' own PostgreSQL server; in its database "plant" a store as `store` gives it."""
    with cluster() as server:
        server.sql("CREATE DATABASE plant")
        set_up(server.url("plant")).engine.dispose()
        yield server


@pytest.fixture(scope="session")
def store_to_copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file to copy: making the tables afresh for each test takes longer than most tests."""
    made = tmp_path_factory.mktemp("plant") / "plant.db"
    set_up(made).engine.dispose()
    return made


@pytest.fixture
def database(request: pytest.FixtureRequest) -> str:
    """Which database a test is on: SQLite, but where `tests.databases.both` says on both."""
    return getattr(request, "param", "sqlite")


@pytest.fixture
def somewhere(database: str, tmp_path: Path, request: pytest.FixtureRequest) -> Callable[[], str]:
    """A factory: where a store can be made, and none is."""
    numbers = count()
    if database == "sqlite":
        return lambda: str(tmp_path / f"place{next(numbers)}.db")
    return lambda: request.getfixturevalue("postgres").database()


@pytest.fixture
def store(database: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[schema.Store]:
    """A fresh store whose first programme was put on 1 March 2026."""
    if database == "sqlite":
        opened = schema.open_store(shutil.copy(request.getfixturevalue("store_to_copy"), tmp_path))
    else:
        opened = schema.open_store(request.getfixturevalue("postgres").database("plant"))
    yield opened
    opened.engine.dispose()


def set_up(where: Path | str) -> schema.Store:
    """A new store whose first programme was put on 1 March 2026."""
    opened = schema.open_store(where, create=True)
    at = datetime(2026, 3, 1, tzinfo=UTC)
    records.put_programme(opened, PLANT, by="lead", at=at, reason="the plant is set up")
    return opened


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
