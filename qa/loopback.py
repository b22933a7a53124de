"""The one place that takes an address and a port to serve from: of this machine alone, mostly."""

import errno
import ipaddress
import os
import socket

from qa.errors import InvalidInput


def bound(host: str, port: int, *, others: bool = False) -> socket.socket:
    """A listening socket that only this machine can reach, unless others may reach it too.

    The caller closes it; closing it at once only asks whether the place can be had.

    Parameters
    ----------
    host : str
        "localhost" or a loopback address, of either version.
    port : int
        0 takes any free one.
    others : bool
        Whether other machines may reach it, since people must sign in: `host` may then be any
        address that this machine has.

    Raises
    ------
    InvalidInput
        If `host` is no address, or is other machines' to reach and must not be, or the port
        cannot be had.

    Examples
    --------
    >>> with bound("127.0.0.1", 0) as place:
    ...     place.getsockname()[0]
    '127.0.0.1'
    """
    try:
        loopback = host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        loopback, others = False, False
    if not (loopback or others):
        raise InvalidInput(
            "host must be a loopback address such as 127.0.0.1, or any of this machine's once "
            f"there are accounts, got {host}"
        )
    place = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
    if os.name == "posix":  # elsewhere the option would let two servers share a port
        place.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        place.bind((host, port))
        place.listen()
    except OSError as reason:
        place.close()
        if reason.errno == errno.EADDRNOTAVAIL:
            raise InvalidInput(f"host must be an address of this machine, got {host}") from None
        taken = reason.errno == errno.EADDRINUSE
        told = "is in use" if taken else f"cannot be served: {reason.strerror}"
        raise InvalidInput(f"port {port} {told}; choose another with --port") from None
    return place
