"""The `claim` part of the command: may we say so, in words, as paper, as data."""

from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from qa.cli import percent
from qa.errors import InvalidFile, InvalidInput

if TYPE_CHECKING:  # names for the type checker alone: the modules take long to import
    from qa.statement.document import Document, Section, Table

F = TypeVar("F", bound=Callable[..., Any])

# Option -> what it says; these go on the paper as they are typed.
_PAPER = {
    "buyer": "For whom.",
    "order": "The buyer's order.",
    "load": "The load's code.",
    "lots": "Lot codes of the load.",
    "chosen": "How totes were chosen, in your own words.",
    "signatory": "Who signs for the plant.",
    "issue": "The statement's number.",
    "supersedes": "Which statement it supersedes.",
}


def _options(command: F) -> F:
    for name, told in reversed(_PAPER.items()):
        command = click.option(f"--{name}", name, metavar="TEXT", default="", help=told)(command)
    return command


@click.command()
@click.option("--store", "where", required=True, metavar="PATH", help="The store.")
@click.option("--product", metavar="CODE", help="Else the programme's only one.")
@click.option(
    *("--from", "first_day"), required=True, metavar="DAY", help="First production day: 2026-05-14."
)
@click.option("--to", "last_day", required=True, metavar="DAY", help="Last production day.")
@click.option("--lanes", metavar="CODES", help="Such as 1,2; else all.")
@click.option("--specification", default="house", show_default=True, help="What counts.")
@click.option(
    *("--kind",),
    default="average",
    show_default=True,
    metavar="KIND",
    help="average, or tote-by-tote: at least a --share of totes is so good.",
)
@click.option("--target", metavar="X", help="Per cent correct to claim; else the programme's.")
@click.option("--confidence", metavar="X", help="In per cent; else the programme's.")
@click.option("--share", metavar="X", help="Per cent of totes, for tote-by-tote; 95 if not said.")
@click.option("--as-shipped", is_flag=True, help="Of accepted lots; else as made.")
@_options
@click.option("--shipped", metavar="N", help="Totes in the load.")
@click.option("--exclude", multiple=True, metavar="TEXT", help="What it does not cover; many.")
@click.option("--buyer-incorrect", metavar="N", help="The buyer's own count: incorrect pieces.")
@click.option("--buyer-inspected", metavar="N", help="The buyer's own count: pieces inspected.")
@click.option("--pdf", "paper_file", metavar="FILE", help="Write the buyer statement there.")
@click.option("--audits", "audits_file", metavar="FILE", help="Write what it rests on there (CSV).")
@click.option("--json", "as_json", is_flag=True, help="The same content as JSON.")
def claim(
    where: str,
    paper_file: str | None,
    audits_file: str | None,
    as_json: bool,
    as_shipped: bool,
    exclude: tuple[str, ...],
    **said: str | None,
) -> None:
    """May we say so: whether the audits of a period support a claim, and the buyer statement."""
    from qa import statement as statements  # noqa: PLC0415 - scipy and SQLAlchemy take long
    from qa.statement.pdf import pdf  # noqa: PLC0415 - the same
    from qa.store import schema  # noqa: PLC0415 - the same
    from qa.wording import load  # noqa: PLC0415 - only for what is printed

    for option, file in (("--pdf", paper_file), ("--audits", audits_file)):
        _check_free(option, file)
    words, store = load(), schema.open_store(where)
    paper = statements.Paper(
        **{name: str(said[name]) for name in _PAPER},
        shipped=_whole(said["shipped"], "--shipped"),
        excluded=exclude,
    )
    found, audits = statements.gather(
        store, _scope(store, as_shipped, said), paper, buyers=_buyers(said)
    )
    document = statements.tell(found, words)
    told = [statements.as_json(found, document) if as_json else in_words(document)]
    if paper_file is not None:
        _written(paper_file, pdf(document, found.ends))
        told += [] if as_json else [words.say("command.claim.pdf", path=paper_file)]
    if audits_file is not None:
        _written(audits_file, audits.encode("utf-8"))
        told += [] if as_json else [words.say("command.claim.audits", path=audits_file)]
    click.echo("\n".join(told))


def in_words(document: "Document") -> str:
    """A statement for the terminal: the claim first, then section by section."""
    parts = [
        "\n".join([f"{document.answer_said}: {document.sentences[0]}", *document.sentences[1:]])
    ]
    parts += [_section(each) for each in document.sections]
    return "\n\n".join([f"{document.title}, {document.of}", *parts])


def _section(section: "Section") -> str:
    wide = max((len(label) for label, _ in section.pairs), default=0)
    lines = [f"{label.ljust(wide)}  {text}" for label, text in section.pairs]
    lines += [_table(section.table)] if section.table else []
    return "\n".join([section.title, *lines, *section.texts])


def _table(table: "Table") -> str:
    lines = (table.heads, *table.rows)
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    notes = ("", *(table.notes or [""] * len(table.rows)))
    told = []
    for line, note in zip(lines, notes, strict=True):
        cells = (
            cell.rjust(width) if right else cell.ljust(width)
            for cell, width, right in zip(line, widths, table.numbers, strict=True)
        )
        told += ["  ".join(cells).rstrip(), *([f"  {note}"] if note else [])]
    return "\n".join(told)


def _scope(store: Any, as_shipped: bool, said: dict[str, str | None]) -> Any:
    from qa.statement import Scope  # noqa: PLC0415 - scipy takes long to import
    from qa.store import records  # noqa: PLC0415 - SQLAlchemy takes long to import

    products = [each.code for each in records.programme(store).products]
    product = said["product"] or (products[0] if len(products) == 1 else None)
    if product is None:
        raise InvalidInput(f"--product is missing; the products are {', '.join(products)}")
    lanes = tuple(code.strip() for code in (said["lanes"] or "").split(",") if code.strip())
    share = _per_cent(said["share"], "--share")
    if share is not None and said["kind"] != "tote-by-tote":
        raise InvalidInput(f"--share is of totes, for --kind tote-by-tote, got {said['kind']}")
    return Scope(
        product=product,
        first_day=_day(said["first_day"], "--from"),
        last_day=_day(said["last_day"], "--to"),
        lanes=lanes,
        specification=str(said["specification"]),
        kind=str(said["kind"]),
        target=_per_cent(said["target"], "--target"),
        confidence=_per_cent(said["confidence"], "--confidence"),
        as_shipped=as_shipped,
        **({} if share is None else {"share": share}),
    )


def _buyers(said: dict[str, str | None]) -> tuple[int, int] | None:
    names = ("buyer_incorrect", "buyer_inspected")
    incorrect, inspected = (_whole(said[name], f"--{name.replace('_', '-')}") for name in names)
    if incorrect is None and inspected is None:
        return None
    if incorrect is None or inspected is None:
        raise InvalidInput("--buyer-incorrect and --buyer-inspected must be given together")
    return incorrect, inspected


def _per_cent(text: str | None, option: str) -> float | None:
    return None if text is None else percent.high(text, option)


def _whole(text: str | None, option: str) -> int | None:
    if text is None:
        return None
    if not text.isascii() or not text.isdigit():
        raise InvalidInput(f"{option} must be a whole number of 0 or more, got {text}")
    return int(text)


def _day(text: str | None, option: str) -> date:
    try:
        return datetime.strptime(str(text), "%Y-%m-%d").date()
    except ValueError:
        raise InvalidInput(f"{option} must be a date such as 2026-05-14, got {text}") from None


def _check_free(option: str, file: str | None) -> None:
    """Refuse to write where something is, before the work and not after it."""
    if file is None:
        return
    if Path(file).exists():
        raise InvalidFile(f"{file} is there already; name another file with {option}")
    if not Path(file).parent.is_dir():
        raise InvalidFile(f"there is no folder {Path(file).parent} for {Path(file).name}")


def _written(file: str, content: bytes) -> None:
    try:
        with Path(file).open("xb") as opened:
            opened.write(content)
    except OSError as reason:
        raise InvalidFile(f"{file} cannot be written: {reason.strerror}") from None
