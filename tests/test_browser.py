"""The server that browser tests stop and start again, and the ports that it is given."""

import socket
from collections.abc import Iterator
from threading import Event, Thread
from typing import Any

import pytest

from qa.store import schema
from tests import browser, ports
from tests.small_plant import NOW

ASKED = b"GET /no-network HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"


@pytest.fixture
def server(store: schema.Store) -> Iterator[browser.Server]:
    running = browser.Server(store, lambda: NOW)
    yield running
    running.stop()


def connected(server: browser.Server) -> socket.socket:
    return socket.create_connection(("127.0.0.1", server.port), browser.SECONDS)


def answer(connection: socket.socket) -> bytes:
    """How it begins; nothing where the server hung up."""
    try:
        connection.sendall(ASKED)
        return connection.recv(12)
    except ConnectionError:
        return b""


def test_who_connected_ahead_is_not_answered_by_a_server_that_is_stopped(
    server: browser.Server,
) -> None:
    with connected(server) as ahead, connected(server) as before:
        assert answer(before) == b"HTTP/1.1 200"
        server.stop()
        assert answer(ahead) == b""
        with pytest.raises(ConnectionRefusedError):
            connected(server)
    server.start()
    with connected(server) as again:
        assert answer(again) == b"HTTP/1.1 200"


def test_a_question_under_way_is_answered_before_it_stops(server: browser.Server) -> None:
    app, asked, go_on = server.app, Event(), Event()

    def slow(environ: Any, begin: Any) -> Any:
        asked.set()
        assert go_on.wait(browser.SECONDS)
        return app(environ, begin)

    server.app = slow
    with connected(server) as connection:
        connection.sendall(ASKED)
        assert asked.wait(browser.SECONDS)
        stopping = Thread(target=server.stop)
        stopping.start()
        go_on.set()
        stopping.join()
        assert connection.recv(12) == b"HTTP/1.1 200"
    server.start()


def test_no_port_is_given_twice_nor_one_that_the_system_lends() -> None:
    given = [ports.free() for _ in range(50)]
    assert len(set(given)) == len(given)
    assert max(given) < 32_768
