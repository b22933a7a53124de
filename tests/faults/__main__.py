"""Kills a recording process many times on each database, and prints what was seen.

``python -m tests.faults [--kills 1000] [--database sqlite] [--seed 1] [--served]``
"""

import argparse
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path

from tests.conftest import set_up
from tests.databases import cluster
from tests.faults import killing, serving


def main() -> None:
    """Print the figures; an assertion fails at the first thing lost, doubled or half."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--database", choices=["sqlite", "postgresql"], default="sqlite")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--served", action="store_true", help="kill what serves the HTTP API")
    asked = parser.parse_args()
    run = serving.run if asked.served else killing.run
    with _address(asked.database) as address:
        set_up(address).engine.dispose()
        start = time.monotonic()
        figures = run(address, asked.kills, seed=asked.seed)
        print(asked.database, *(f"{name} {value}" for name, value in asdict(figures).items()))
        print(f"{time.monotonic() - start:.0f} s; nothing lost, doubled or half")


@contextmanager
def _address(database: str) -> Iterator[str]:
    if database == "sqlite":
        with tempfile.TemporaryDirectory() as folder:
            yield str(Path(folder) / "plant.db")
    else:
        with cluster() as server:
            yield server.database()


if __name__ == "__main__":
    main()
