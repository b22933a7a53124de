"""Ports of this machine for servers of the tests, also for those that stop and start again."""

import random
import socket
from collections.abc import Iterator

# Below the ports that systems lend to connections (32768 and up, or 49152 and up): none of those
# takes the place of a server that is stopped for a while.
_NUMBERS = range(20_000, 32_000)


def _each_once() -> Iterator[int]:
    yield from random.SystemRandom().sample(_NUMBERS, len(_NUMBERS))


_ORDER = _each_once()


def free() -> int:
    """A port that nobody listens on and that was given to nobody before.

    A browser keeps cookies, drafts and files by the address: a port that came again would bring
    those of another test along.
    """
    for number in _ORDER:
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", number))
            except OSError:
                continue
            return number
    raise LookupError("every port was given")
