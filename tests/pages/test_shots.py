"""The command that makes pictures of the pages."""

import struct
from pathlib import Path
from typing import Any

from dashboard.app import APART, PAGES
from dashboard.people import AT_STATION, DOOR_WORDS, OWN_PASSWORD, ROUTES, SIGN_IN
from tests import browser
from tests.shots import __main__ as command
from tests.shots import doors


def test_it_knows_every_page() -> None:
    known = {address.partition("?")[0] for address in command.PAGES.values()}
    assert known == {page.PATH for page in (*PAGES, *APART)}
    plain = {SIGN_IN, DOOR_WORDS, OWN_PASSWORD, AT_STATION}
    assert set(doors.PAGES.values()) == plain <= set(ROUTES)


def test_the_doors_are_pictured_each_as_who_may_stands_there(
    chromium: Any, quick_hashes: None, tmp_path: Path
) -> None:
    title = "return document.querySelector('h1').textContent"
    said = {}
    with doors.guarded() as address:
        chromium.get(address + "/assets/source-sans-3-licence.txt")
        chromium.delete_all_cookies()
        try:
            for name in doors.PAGES:
                made = list(command.shots(chromium, address, tmp_path, [name]))
                assert len(made) == len(browser.WIDTHS) * len(browser.SCHEMES)
                said[name] = chromium.execute_script(title)
        finally:
            browser.look_as_ever(chromium)
            chromium.get("about:blank")
    assert said == {
        "sign-in": "Sign in",
        "sign-in-words": "What do these words mean?",
        "password": "Your password and PIN",
        "station": "Who logs here?",
    }


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
