"""PostgreSQL beneath the pages: restarted under load, its disk full; told, and over by itself."""

import os
import subprocess
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread
from typing import Any

import pytest
from flask.testing import FlaskClient

from dashboard.app import create_app
from dashboard.pages.lane import FRESH
from qa import audit
from qa.errors import StoreUnavailable
from qa.store import records, schema, trail
from tests.databases import Cluster
from tests.small_plant import NOW

PAGE = {"Accept": "text/html"}
BY: dict[str, Any] = {"by": "Ines", "at": NOW}


def see(client: FlaskClient) -> int:
    """A page's frame, as a browser that opens it asks."""
    answer = client.get("/lane?lane=2", headers=PAGE)
    if answer.status_code == 503:
        assert "does not answer: " in answer.text
        assert answer.headers["Refresh"]
    return int(answer.status_code)


def draw(client: FlaskClient) -> int:
    """What is in the page."""
    inputs: list[dict[str, Any]] = [{"id": "app-address", "property": "search", "value": "?lane=2"}]
    inputs += [{"id": each, "property": "data"} for each in FRESH]
    asked = {
        "output": "lane-body.children",
        "outputs": {"id": "lane-body", "property": "children"},
        "inputs": inputs,
        "changedPropIds": [],
        "state": [],
    }
    answer = client.post("/_dash-update-component", json=asked)
    if answer.status_code == 503:
        assert "does not answer: " in answer.get_json()["trouble"]
    else:
        assert '"trouble"' not in answer.text
    return int(answer.status_code)


def test_pages_say_that_the_server_restarts_and_go_on_by_themselves(postgres: Cluster) -> None:
    """Totes are logged meanwhile as the browser's outbox does: again until they are taken."""
    store = schema.open_store(postgres.database("plant"))
    server = create_app(store, lambda: NOW).server
    done, failed = Event(), list[BaseException]()
    seen: dict[str, Counter[int]] = {each: Counter() for each in ("see", "draw", "save")}
    saved: list[str] = []

    def save(client: FlaskClient) -> int:
        key = f"k-{len(saved)}"
        sent = {"key": key, "lane": "2", "tote": key, "inspector": "Ines", "inspected": "200"}
        answer = client.post("/tally/audits", json={**sent, "stem": "1"})
        if answer.status_code == 200:
            saved.append(key)
        else:
            assert answer.get_json()["problems"] == {}, "the tote is not at fault"
        return int(answer.status_code)

    def keep_on(name: str, act: Any) -> None:
        client = server.test_client()
        try:
            while not done.is_set():
                seen[name][act(client)] += 1
        except BaseException as reason:
            failed.append(reason)

    acts = {"see": see, "draw": draw, "save": save}
    asking = [Thread(target=keep_on, args=each) for each in acts.items()]
    for each in asking:
        each.start()
    try:
        for _ in range(2):
            _until_more(seen, 200, failed)
            postgres.stop()
            _until_more(seen, 503, failed)
            postgres.start()
        _until_more(seen, 200, failed)
    finally:
        done.set()
        for each in asking:
            each.join()
    assert failed == []
    assert {status for each in seen.values() for status in each} == {200, 503}, seen
    kept = records.tallies(store)["key"]
    assert set(saved) <= set(kept)
    assert kept.is_unique
    assert len(kept) <= len(saved) + 1
    assert trail.check(store) == ()
    store.engine.dispose()


def _until_more(seen: dict[str, Counter[int]], status: int, failed: list[BaseException]) -> None:
    """Until each has had an answer of a status once more."""
    before = {name: counts[status] for name, counts in seen.items()}
    pause = Event()
    for _ in range(3600):
        if failed or all(counts[status] > before[name] for name, counts in seen.items()):
            return
        pause.wait(0.05)
    raise TimeoutError(f"not every one had a {status}: {seen}")


@contextmanager
def small_disk(owner: str, megabytes: int) -> Iterator[Path]:
    """A disk of its own, in memory; the test is skipped where none can be made."""
    folder = Path(tempfile.mkdtemp(prefix="toteproof-disk-"))
    try:
        made = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "toteproof", folder],
            capture_output=True,
        )
        if made.returncode:
            pytest.skip("no small disk can be made here: only root may, outside most containers")
        try:
            subprocess.run(["chown", owner, folder], check=True)
            yield folder
        finally:
            subprocess.run(["umount", "-l", folder], check=True)
    finally:
        folder.rmdir()


def test_a_server_s_full_disk_is_told_and_over_when_there_is_room(
    postgres: Cluster, programme: Any, audit_fields: Any
) -> None:
    with small_disk("postgres", 32) as disk:
        url = postgres.database_on(disk)
        store = schema.open_store(url)
        balloon = disk / "balloon"
        kept = 0

        def log(many: int) -> None:
            made = [audit_fields(key=f"K{n}", tote=f"T{n}") for n in range(kept, kept + many)]
            records.log_many(store, [audit.parse(each, programme) for each in made], **BY)

        log(20)
        kept += 20
        balloon.write_bytes(b"x" * (_free(disk) - 100_000))
        with pytest.raises(StoreUnavailable) as told:
            for _ in range(200):
                log(20)
                kept += 20
        assert str(told.value) == f"the disk of the store {store.url} is full; nothing was changed"
        assert kept < 4000
        assert len(records.tallies(store)) == kept
        client = create_app(store, lambda: NOW).server.test_client()
        sent = {"key": "k-1", "lane": "2", "tote": "k-1", "inspector": "Ines", "inspected": "200"}
        statuses = {client.post("/tally/audits", json=sent).status_code for _ in range(2)}
        assert statuses <= {200, 503}  # a single one may still find room in a page that is begun
        balloon.unlink()
        log(20)
        assert client.post("/tally/audits", json=sent).status_code == 200
        assert len(records.tallies(store)) == kept + 21
        assert trail.check(store) == ()
        store.engine.dispose()
        postgres.drop(url)


def _free(disk: Path) -> int:
    found = os.statvfs(disk)
    return found.f_bavail * found.f_frsize
