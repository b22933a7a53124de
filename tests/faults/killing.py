"""Kill -9 in the middle of recording: what was acknowledged is there once, and nothing half."""

import os
import random
import select as readiness
import signal
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlalchemy import func, select

from qa.audit import Audit, parse
from qa.files.importing import import_file
from qa.files.uploads import Upload
from qa.programme import Programme
from qa.store import records, schema, trail

AT = datetime(2026, 3, 16, 10, tzinfo=UTC)
START = datetime(2026, 3, 16, 6, tzinfo=UTC)
IMPORTED = 60  # rows of one file
CHECKED_EVERY = 50
SECONDS = 120  # at most, until a process on a busy machine tells something


@dataclass
class Figures:
    """What a run did and saw."""

    kills: int = 0
    acknowledged: int = 0
    kept_unacknowledged: int = 0
    entries: int = 0
    checks: int = 0


def run(address: str, kills: int, *, seed: int = 1, longest: float = 0.02) -> Figures:
    """Kill a recording process again and again, and hold the store against what it had said.

    Every third one imports files. A later process sends again what was not acknowledged, as an
    outbox does.

    Raises
    ------
    AssertionError
        If something acknowledged is not there, is there twice, or a file is there half.
    """
    chance, figures = random.Random(seed), Figures()
    next_audit = next_file = 0
    for kill in range(kills):
        imports = kill % 3 == 2
        first = next_file if imports else next_audit
        said = _killed(
            lambda tell, imports=imports, first=first: _record(address, imports, first, tell),
            told=chance.randint(0, 2 if imports else 12),
            after=chance.uniform(0.0, longest),
        )
        done = first + len(said)
        assert said == list(range(first, done))
        _hold(address, imports, first, done, figures)
        next_file, next_audit = (done, next_audit) if imports else (next_file, done)
        figures.kills += 1
        figures.acknowledged += len(said) * (IMPORTED if imports else 1)
        if kill % CHECKED_EVERY == CHECKED_EVERY - 1 or kill == kills - 1:
            figures.entries = _check(address, next_audit, next_file)
            figures.checks += 1
    return figures


def _killed(act: Callable[[Callable[[int], None]], None], told: int, after: float) -> list[int]:
    """What a process told before it was killed, some seconds after it had told so many things."""
    read_end, write_end = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(read_end)
            act(lambda number: os.write(write_end, b"%d\n" % number) and None)
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(1)
    os.close(write_end)
    said = b""
    while said.count(b"\n") < told + 1:  # the first says that it is ready
        ready, _, _ = readiness.select([read_end], [], [], SECONDS)
        assert ready, "the process that records tells nothing"
        more = os.read(read_end, 4096)
        assert more, "the process that records ended by itself"
        said += more
    time.sleep(after)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with os.fdopen(read_end, "rb") as pipe:
        said += pipe.read()
    return [int(line) for line in said.split()[1:]]


def _record(address: str, imports: bool, first: int, tell: Callable[[int], None]) -> None:
    """Record for ever, and tell the number of each audit or file once it is acknowledged."""
    store = schema.open_store(address)
    programme = records.programme(store)
    tell(-1)
    for number in range(first, first + 1_000_000):
        if imports:
            file = Upload(f"file{number}.csv", _file(number))
            import_file(store, file, programme, by="Ines", at=AT)
        else:
            records.log(store, _audit(number, programme), by="Ines", at=AT)
            if number % 5 == 0:
                better = _audit(number, programme, stem=7)
                records.correct(store, better, by="Ivo", at=AT, reason="recounted")
        tell(number)


def _audit(number: int, programme: Programme, **changes: object) -> Audit:
    fields = {
        "key": f"K{number}",
        "pulled_at": START + timedelta(seconds=number),
        "lane": str(number % 6 + 1),
        "tote": f"T{number // 3}",
        "inspector": "Ines",
        "inspected": 200,
        "stem": number % 4,
    }
    return parse({**fields, **changes}, programme)


def _file(number: int) -> bytes:
    lines = ["pulled_at,lane,tote,inspector,inspected,correct,stem"]
    for row in range(IMPORTED):
        pulled_at = START + timedelta(days=1, seconds=number * IMPORTED + row)
        lines.append(f"{pulled_at:%Y-%m-%dT%H:%M:%S}Z,{row % 6 + 1},F{number}-{row},Ivo,200,199,1")
    return "\n".join(lines).encode()


def _hold(address: str, imports: bool, first: int, done: int, figures: Figures) -> None:
    """All that was told is there once; of what was not told at most the one under way."""
    store, entry = schema.open_store(address), schema.entry
    with schema.reading(store) as connection:
        if imports:
            for number in range(first, done + 1):
                named = entry.c.source.like(f"file{number}.csv%")
                found = select(func.count()).select_from(entry).where(named)
                count = connection.execute(found).scalar()
                assert count in ((IMPORTED,) if number < done else (0, IMPORTED)), (number, count)
                figures.kept_unacknowledged += (number == done) * (count or 0)
        else:
            keys = [f"K{number}" for number in range(first, done + 2)]
            found = select(entry.c.key, func.count()).where(entry.c.key.in_(keys))
            counts = dict(map(tuple, connection.execute(found.group_by(entry.c.key))))
            for number in range(first, done):
                assert counts[f"K{number}"] == (2 if number % 5 == 0 else 1), number
            assert counts.get(f"K{done}", 0) <= (2 if done % 5 == 0 else 1)
            assert f"K{done + 1}" not in counts
            figures.kept_unacknowledged += counts.get(f"K{done}", 0)
    store.engine.dispose()


def _check(address: str, audits: int, files: int) -> int:
    store = schema.open_store(address)
    assert trail.check(store) == ()
    tallies = records.tallies(store)
    assert tallies["key"].is_unique
    least = audits + IMPORTED * files
    assert least <= len(tallies) <= least + 1 + IMPORTED, (least, len(tallies))
    assert tallies["tote"].str.startswith("F").sum() % IMPORTED == 0
    with schema.reading(store) as connection:
        entries = connection.execute(select(func.count()).select_from(schema.entry)).scalar() or 0
    store.engine.dispose()
    return int(entries)
