"""Kill -9 of the process that serves, while devices send audits to the HTTP API with their keys."""

import http.client
import json
import os
import random
import signal
import socket
import threading
import time
import traceback
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from sqlalchemy import func, select
from werkzeug.serving import make_server

from dashboard.app import create_app
from qa.store import people, records, schema, trail

NOW = datetime(2026, 3, 16, 12, tzinfo=UTC)
DEVICES = 3
SECONDS = 120


@dataclass
class Figures:
    """What a run did and saw."""

    kills: int = 0
    acknowledged: int = 0
    sent_again: int = 0  # what nobody answered, in the next server's time
    were_there: int = 0  # of those, recorded before the kill
    repeated: int = 0  # acknowledged, and sent once more


@dataclass
class Device:
    """What sends one audit after the other, each until it is acknowledged."""

    name: str
    token: str
    acknowledged: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    waiting: bool = False  # the next one was sent, and nobody answered


def run(address: str, kills: int, *, seed: int = 1, longest: float = 0.3) -> Figures:
    """Kill a serving process again and again, and hold the store against what it had said.

    Raises
    ------
    AssertionError
        If something acknowledged is not there, or anything is there twice.
    """
    store = schema.open_store(address)
    names = [f"scale {number}" for number in range(DEVICES)]
    tokens = [people.register(store, each, people.TOKEN, by="test", at=NOW) for each in names]
    devices = [Device(*each) for each in zip(names, tokens, strict=True)]
    store.engine.dispose()
    chance, figures = random.Random(seed), Figures()
    with socket.socket() as listening:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(("127.0.0.1", 0))
        listening.listen(16)
        for _ in range(kills):
            _one_server(address, listening, devices, chance.uniform(0, longest), figures)
            figures.kills += 1
    figures.acknowledged = sum(len(each.acknowledged) for each in devices)
    assert not any(each.faults for each in devices), [each.faults for each in devices]
    _hold(address, devices)
    return figures


def _one_server(
    address: str, listening: socket.socket, devices: list[Device], after: float, figures: Figures
) -> None:
    """Serve, let the devices send until some time after the first answer, and kill."""
    child = os.fork()
    if child == 0:
        _serve(address, listening)
    heard = threading.Event()
    port = listening.getsockname()[1]
    sending = [
        threading.Thread(target=_send, args=(each, port, heard, figures)) for each in devices
    ]
    for each in sending:
        each.start()
    answered = heard.wait(SECONDS)
    time.sleep(after)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    _refuse(listening, sending)
    assert answered, "the process that serves does not answer"


def _serve(address: str, listening: socket.socket) -> None:
    """In a process of its own, until it is killed."""
    try:
        store = schema.open_store(address)
        app = create_app(store, lambda: NOW).server
        make_server("127.0.0.1", 0, app, threaded=True, fd=listening.fileno()).serve_forever()
    except BaseException:
        traceback.print_exc()
    finally:
        os._exit(1)


def _refuse(listening: socket.socket, sending: list[threading.Thread]) -> None:
    """Hang up on whoever waits where nobody serves any more."""
    listening.settimeout(0.05)
    while any(each.is_alive() for each in sending):
        try:
            listening.accept()[0].close()
        except TimeoutError:
            continue
    listening.settimeout(None)


def _send(device: Device, port: int, heard: threading.Event, figures: Figures) -> None:
    """Send until nobody answers; what was not answered before goes first."""
    again = device.waiting
    try:
        while True:
            number = len(device.acknowledged)
            status, said = _post(port, device, number)
            if status not in (200, 201):
                device.faults.append(f"{number}: {status} {said}")
                return
            if status == 200 and not again:
                device.faults.append(f"{number}: was there, and was never sent")
            figures.sent_again += again
            figures.were_there += again and status == 200
            device.acknowledged.append(said["key"])
            again, device.waiting = False, False
            if number % 4 == 0:
                status, said = _post(port, device, number)
                figures.repeated += 1
                if (status, said["new"]) != (200, False):
                    device.faults.append(f"{number}: {status} when sent once more")
            heard.set()
    except (OSError, http.client.HTTPException):
        device.waiting = len(device.acknowledged) == number


def _post(port: int, device: Device, number: int) -> tuple[int, dict[str, str]]:
    at = NOW - timedelta(hours=4) + timedelta(seconds=number)
    audit = {"pulled_at": at.isoformat(), "lane": str(int(device.name[-1]) + 1)}
    audit |= {"tote": f"{device.name}-{number}", "inspector": "Ines"}
    body = json.dumps({**audit, "inspected": 200, "stem": number % 4})
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=SECONDS)
    try:
        head = {"Authorization": f"Bearer {device.token}", "Content-Type": "application/json"}
        head["Idempotency-Key"] = f"{device.name}-{number}".replace(" ", "-")
        connection.request("POST", "/api/v1/audits", body, head)
        answer = connection.getresponse()
        return answer.status, json.loads(answer.read())
    finally:
        connection.close()


def _hold(address: str, devices: list[Device]) -> None:
    """What was acknowledged is there once, and beside it at most what each had under way."""
    store, entry = schema.open_store(address), schema.entry
    with schema.reading(store) as connection:
        counted = select(entry.c.key, func.count()).group_by(entry.c.key)
        counts = dict(map(tuple, connection.execute(counted)))
    assert set(counts.values()) <= {1}, "an audit is there twice"
    acknowledged = {key for each in devices for key in each.acknowledged}
    assert len(acknowledged) == sum(len(each.acknowledged) for each in devices)
    assert acknowledged <= counts.keys(), acknowledged - counts.keys()
    assert len(counts) <= len(acknowledged) + len(devices)
    assert len(records.tallies(store)) == len(counts)
    assert trail.check(store) == ()
    store.engine.dispose()
