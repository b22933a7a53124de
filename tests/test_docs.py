"""The documents say what is so: README's examples run, its commands exist, names are told."""

import doctest
import importlib
import inspect
import pkgutil
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

import qa
from qa import cli

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
MODULES = sorted(
    module.name
    for module in pkgutil.walk_packages(qa.__path__, "qa.")
    if ".versions." not in module.name
)


def test_readme_opens_with_the_job_in_one_paragraph() -> None:
    title, paragraph = README.split("\n\n")[:2]
    assert title == "# Toteproof"
    assert paragraph.startswith("A food plant trims produce")
    assert "\n" not in paragraph


def test_readme_s_examples_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    made = CliRunner().invoke(cli.main, ["demo", "--no-serve"])
    assert made.exit_code == 0, made.output
    blocks = re.findall(r"```python\n(.*?)```", README, re.S)
    test = doctest.DocTestParser().get_doctest("\n".join(blocks), {}, "README.md", None, 0)
    said: list[str] = []
    doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE).run(test, out=said.append)
    assert not said, "".join(said)


def test_every_command_is_in_readme_and_says_what_it_does() -> None:
    for name, command in cli.main.commands.items():
        assert f"toteproof {name}" in README, f"README does not show toteproof {name}"
        assert command.help, f"toteproof {name} does not say what it does"
        for option in command.params:
            told = getattr(option, "help", "told by its place") or option.default
            assert told, f"toteproof {name} does not say what {option.name} is"


def test_every_command_that_readme_shows_exists() -> None:
    for name in re.findall(r"`?toteproof ([a-z]+)", README):
        assert name in cli.main.commands, f"README shows toteproof {name}, which is not there"


@pytest.mark.parametrize("name", MODULES)
def test_every_public_name_of_qa_is_documented(name: str) -> None:
    module = importlib.import_module(name)
    assert module.__doc__, f"{name} says nothing of itself"
    for label, thing in vars(module).items():
        own = getattr(thing, "__module__", None) == name
        if (
            label.startswith("_")
            or not own
            or not inspect.isroutine(thing) | inspect.isclass(thing)
        ):
            continue
        assert inspect.getdoc(thing), f"{name}.{label} has no docstring"
