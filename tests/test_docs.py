"""The documents say what is so: README's examples run, its commands exist, names are told."""

import doctest
import hashlib
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


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which the demo was made."""
    folder = tmp_path_factory.mktemp("demo")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        made = CliRunner().invoke(cli.main, ["demo", "--no-serve"])
    assert made.exit_code == 0, made.output
    return folder


def test_readme_s_examples_run(demo: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(demo)
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


def of_claim(said: str) -> tuple[str, str]:
    """The answer with its figures, and the SHA-256, as the command prints them."""
    [digest] = re.findall(r"^SHA-256 +([0-9a-f]{64})$", said, re.M)
    return said.split("\n\n")[1], digest


@pytest.mark.parametrize("source", ["handed over", "exported"])
def test_a_statement_is_worked_out_again_as_readme_says(
    demo: Path, monkeypatch: pytest.MonkeyPatch, source: str, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "data_demo").symlink_to(ROOT / "data_demo")
    (tmp_path / "toteproof-demo").symlink_to(demo / "toteproof-demo")
    [recipe] = re.findall(r"### Check a statement.*?```sh\n(.*?)```", README, re.S)
    lines = [line.removeprefix("toteproof ").split() for line in recipe.splitlines()]
    first, *others = lines
    said = CliRunner().invoke(cli.main, first)
    assert said.exit_code == 0, said.output
    answer, digest = of_claim(said.stdout)
    file = tmp_path / "handed-over.csv"
    assert hashlib.sha256(file.read_bytes()).hexdigest() == digest
    if source == "exported":
        file.unlink()
        where, days = first[1:3], first[3:7]
        exported = CliRunner().invoke(cli.main, ["export", file.name, *where, *days])
        assert exported.exit_code == 0, exported.output
    for line in others:
        said = CliRunner().invoke(cli.main, line)
        assert said.exit_code == 0, said.output
    again, its_digest = of_claim(said.stdout)
    made = answer.splitlines()[0]
    assert made.startswith("Supported: At least 98.5 %")
    assert again.splitlines()[0] == made
    assert its_digest == digest
