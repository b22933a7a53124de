"""The `agreement` part of the command: do our inspectors agree, in words, figures and as data."""

from typing import TYPE_CHECKING

import click

from qa.cli import percent

if TYPE_CHECKING:  # a name for the type checker alone: the module takes long to import
    from qa.studies import Told


@click.command()
@click.argument("file", metavar="FILE")
@click.option(
    "--correct",
    default="correct",
    show_default=True,
    metavar="WORD",
    help="The file's word for a correct piece.",
)
@click.option("--confidence", metavar="X", default="95", show_default=True, help="In per cent.")
@click.option("--json", "as_json", is_flag=True, help="The same content as JSON.")
def agreement(file: str, correct: str, confidence: str, as_json: bool) -> None:
    """Do our inspectors agree: with each other, and with what a piece is known to be.

    FILE is CSV or XLSX with one row a call: piece, inspector and called; trial where one called a
    piece more than once; known where it is known what the piece is. Nothing is recorded.
    """
    from qa import studies  # noqa: PLC0415 - scipy takes long to import
    from qa.cli import printing  # noqa: PLC0415 - pandas takes long to import
    from qa.files.studies import read_study  # noqa: PLC0415 - openpyxl takes long to import
    from qa.wording import load  # noqa: PLC0415 - only for what is printed

    study = read_study(file, correct=correct)
    answer = studies.answer(study, confidence=percent.high(confidence, "--confidence"))
    words = studies.told(answer, load())
    if as_json:
        click.echo(printing.as_json({"figures": answer, "words": words}))
    else:
        click.echo(in_words(words))


def in_words(told: "Told") -> str:
    """A study for the terminal: sentences, then tables."""
    from qa.cli.printing import aligned  # noqa: PLC0415 - pandas takes long to import

    parts = ["\n".join([*told.sentences, *([told.carried] if told.carried else [])])]
    parts += [f"{each.title}\n{aligned(each.heads, each.rows)}" for each in told.tables]
    return "\n\n".join(parts)
