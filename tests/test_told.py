"""Errors and notes in a reader's language, found by their English sentences."""

import ast
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa import wording
from qa.wording.told import told

ROOT = Path(__file__).resolve().parents[1]
ENGLISH, SPANISH = (wording.load(each).sentences for each in ("en", "es"))
PUT_TOGETHER = {  # by the code, from more than one text
    *("{where} has {count} faults:", "{where} has {count} fault:", "{one} or {other}"),
    *(
        f"{{row}}, link {{number}} of the chain, {what}"
        for what in (
            "is missing from the record",
            "was changed, and cannot be read any more",
            "is not what was recorded: it or its link was changed",
        )
    ),
    "of {product} from {first} to {last} on lanes {lanes}",
    "a plan is asked in one way: by aql, by p1 and p2, by target, by lq, by aoql or by n; got "
    "{told}",
}
MESSAGES = [key for key in ENGLISH if key.startswith("message.")]


def in_source() -> set[str]:
    """Every text of the code, with {} for each of its values."""
    found = set()
    for room in ("qa", "dashboard"):
        for path in (ROOT / room).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Constant) and isinstance(node.value, str):
                    found.add(plain(node.value))
                if isinstance(node, ast.JoinedStr):
                    parts = (e.value if isinstance(e, ast.Constant) else "{}" for e in node.values)
                    found.add(plain("".join(map(str, parts))))
    return found


def plain(text: str) -> str:
    return re.sub(r"\{[^{}]*\}", "{}", text).replace('"{}"', "{}")


def test_every_message_is_one_that_the_code_says() -> None:
    whole = "\n".join(sorted(in_source()))
    lost = {ENGLISH[key] for key in MESSAGES if plain(ENGLISH[key]) not in whole}
    assert lost == PUT_TOGETHER


@pytest.mark.parametrize(("english", "spanish"), [
    ("must be a whole number, 1 or more, got 0", "debe ser un número entero, 1 o más, y dice 0"),
    ("must be above 0 and below 60, got 99,5", "debe ser mayor que 0 y menor que 60, y dice 99,5"),
    ("must be per cent, above 0 and below 0.5, got 2.5",
     "debe ser por ciento, mayor que 0 y menor que 0,5, y dice 2.5"),
    ("no double plan meets both risks with up to 4,000 pieces",
     "ningún plan doble cumple ambos riesgos con hasta 4\u202f000 piezas"),
    ("plans.minor.n: is missing", "plans.minor.n: falta"),
    ("audit k-1, entry 5: is voided without a reason",
     "audit k-1, entry 5: es voided sin motivo"),
    ("entry 7 is missing", "falta la entrada 7"),
    ("entry k-1, link 3 of the chain, is missing from the record",
     "entry k-1, eslabón 3 de la cadena, falta en el registro"),
    ("sprouts.toml has 2 faults:\n  pull: is missing\n  site: is missing",
     "sprouts.toml tiene 2 errores:\n  pull: falta\n  site: falta"),
    ('by must be one of 1, 2, got "is missing"', 'by debe ser uno de 1, 2, y dice "is missing"'),
    ("must be one of A or B, got C or D", "debe ser uno de A o B, y dice C or D"),
    ("never heard of it", "never heard of it"),
    ("", ""),
])  # fmt: skip
def test_what_is_known_is_said(english: str, spanish: str) -> None:
    assert told(english, "es") == spanish
    assert told(english, "en") == english


@given(st.sampled_from([key for key in MESSAGES if ".part." not in key]), st.data())
def test_every_message_is_found_with_its_values(key: str, data: st.DataObject) -> None:
    names = set(re.findall(r"\{(\w+)\}", ENGLISH[key]))
    values = {name: f"z{data.draw(st.integers(0, 99))}{name}" for name in sorted(names)}
    said = told(ENGLISH[key].format_map(values), "es")
    assert said == SPANISH[key].format_map(values)


@given(st.text())
def test_any_text_is_said_somehow(text: str) -> None:
    assert told(text, "en") == text
    assert isinstance(told(text, "es"), str)


def test_a_long_text_takes_no_long_time() -> None:
    text = "must be one of " + "a, got " * 20_000
    assert len(told(text, "es")) > 20_000
