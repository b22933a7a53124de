"""No line parts a figure from its unit on a screen; files and devices get plain spaces."""

import json

import pytest
from flask import Flask, Response

from dashboard.unparted import register, unparted

HARD = "\u00a0"


@pytest.mark.parametrize(
    ("of", "plain", "held"),
    [
        ("en", "0.6 % of 200", "0.6_% of 200"),
        ("en", "since 02:10 on 14 May, 44 min ago", "since 02:10 on 14_May, 44_min ago"),
        ("en", "1.5 s a piece and 2 h", "1.5_s a piece and 2_h"),
        ("en", "12 shifts of 40 heads, 5 Mayors", "12 shifts of 40 heads, 5 Mayors"),
        ("es", "a las 02:10 del 14 de mayo", "a las 02:10 del 14_de_mayo"),
        ("es", "14 de cada 100", "14 de cada 100"),
        ("en", "lane 4 and Lane 12, lanes 1 to 3", "lane_4 and Lane_12, lanes 1 to 3"),
        ("es", "en el carril 4, ISO 2859-1", "en el carril_4, ISO_2859-1"),
    ],
)
def test_units_and_months_stay_with_their_figure(of: str, plain: str, held: str) -> None:
    told = json.dumps({"children": [plain, {"title": plain}]})
    assert json.loads(unparted(told, of)) == json.loads(
        told.replace(plain, held.replace("_", HARD))
    )


def test_what_a_field_holds_stays_as_it_was_typed() -> None:
    told = {"value": 'say "99 %" to 5 May', "children": "99 %"}
    for written in (json.dumps(told), json.dumps(told, separators=(",", ":"))):
        assert json.loads(unparted(written, "en")) == told | {"children": f"99{HARD}%"}


@pytest.mark.parametrize(
    "name", ["data-value", "data-inspector", "href", "id", "tote", "lot", "lane", "inspector"]
)
def test_what_an_element_sends_back_stays_as_it_is(name: str) -> None:
    told = {name: "sprout 24 h", "lane 5 h": "of 5 May", "data-say-one": "5 h"}
    assert json.loads(unparted(json.dumps(told), "en")) == {
        name: "sprout 24 h",
        "lane 5 h": f"of 5{HARD}May",
        "data-say-one": f"5{HARD}h",
    }


def test_files_and_devices_get_plain_spaces() -> None:
    server = Flask(__name__)
    register(server)
    kind = "application/json"
    file = {"Content-Disposition": 'attachment; filename="a.json"'}
    server.add_url_rule("/file", "file", lambda: Response('"9 %"', mimetype=kind, headers=file))
    for path in ("/page", "/api/v1/drift"):
        server.add_url_rule(path, path, lambda: Response('"9 %"', mimetype=kind))
    client = server.test_client()
    said = {path: client.get(path).json for path in ("/page", "/file", "/api/v1/drift")}
    assert said == {"/page": f"9{HARD}%", "/file": "9 %", "/api/v1/drift": "9 %"}
