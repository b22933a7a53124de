"""The server's log: what was sent writes no line of its own there."""

import logging
import traceback
from contextlib import suppress

from flask import Flask

SERVERS = "waitress"  # the logger of what takes the requests


def keep_to_lines(server: Flask) -> None:
    """Write every message on one line, and each line of a traceback further in."""
    for logger in (server.logger, logging.getLogger(SERVERS)):
        logger.addFilter(_in_lines)  # the same one twice is once


def _in_lines(record: logging.LogRecord) -> bool:
    with suppress(TypeError, ValueError):  # values that do not fit: logging itself says so
        record.msg, record.args = _plain(record.getMessage()), ()
    if record.exc_info:
        lines = "".join(traceback.format_exception(*record.exc_info)).split("\n")
        record.exc_text = "\n".join(f"  {_plain(line)}" for line in lines if line)
    return True


def _plain(text: str) -> str:
    """Text with a code in place of what would end a line, or tell a terminal something."""
    return "".join(each if each.isprintable() else ascii(each)[1:-1] for each in text)
