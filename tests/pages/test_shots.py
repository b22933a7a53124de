"""The command that makes pictures of the pages."""

import struct
from pathlib import Path
from typing import Any

from dashboard.app import APART, PAGES
from tests import browser
from tests.shots import __main__ as command


def test_it_knows_every_page() -> None:
    known = {address.partition("?")[0] for address in command.PAGES.values()}
    assert known == {page.PATH for page in (*PAGES, *APART)}


def test_a_page_is_pictured_whole_at_every_width_light_and_dark(
    chromium: Any, server: Any, tmp_path: Path
) -> None:
    try:
        made = list(command.shots(chromium, server.address, tmp_path, ["floor"]))
    finally:
        browser.look_as_ever(chromium)
    sizes = [struct.unpack(">II", each.read_bytes()[16:24]) for each in made]
    assert [size[0] for size in sizes] == [width for width in browser.WIDTHS for _ in range(2)]
    assert sizes[0][1] > 1.4 * sizes[-1][1], "what lies below the first screen is there too"
    assert len({each.read_bytes() for each in made}) == len(made)
    assert {each.parent for each in made} == {tmp_path}
