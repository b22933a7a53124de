"""The `toteproof` command: each part parses, makes one call, prints.

What a person can put right is told in one place, on the error stream, with exit status 2; anything
else is a bug and stays loud. Libraries that take long to import are imported by the parts that
need them, so that ``--help`` answers at once.
"""

import getpass
import json
import os
import sys
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from qa.cli import agreeing, claiming, people, planning
from qa.errors import InvalidFile, InvalidInput, QAError
from qa.loopback import bound

if TYPE_CHECKING:  # a name for the type checker alone: the module takes long to import
    from qa.store.schema import Store

HOST, PORT = "127.0.0.1", 8050
Printer = Callable[[Mapping[str, Any], Any], str]  # an answer, the words to say it in


class _Told(click.Group):
    """The one place where an error that a person can put right becomes words and a status."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except QAError as reason:
            click.echo(str(reason), err=True)
            return ctx.exit(2)


@click.group(cls=_Told, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="toteproof", message="%(prog)s %(version)s")
def main() -> None:
    """Percent correct, lot verdicts and drifting lanes from finished-tote audits."""


_store = click.option("--store", "where", required=True, metavar="PATH", help="The store.")
_json = click.option("--json", "as_json", is_flag=True, help="The same content as JSON.")
_port = click.option("--port", type=click.IntRange(1, 65535), default=PORT, show_default=True)
_from = click.option("--from", "first_day", metavar="DAY", help="First production day: 2026-05-14.")
_to = click.option("--to", "last_day", metavar="DAY", help="Last production day.")


@main.command()
@click.option("--folder", default="toteproof-demo", show_default=True, help="Where to keep it.")
@click.option("--no-serve", is_flag=True, help="End before serving the dashboard.")
@_port
@_json
def demo(folder: str, no_serve: bool, port: int, as_json: bool) -> None:
    """Build a store from an invented plant's audits, say what they tell, and serve it."""
    from qa.cli import answers, printing  # noqa: PLC0415 - take long to import

    if not no_serve:
        bound(HOST, port).close()  # before the work, not after it
    with _Progress() as progress:
        store, now, answer = answers.demo(Path(folder), progress)
    told = printing.as_json(answer) if as_json else answers.demo_in_words(store, now, answer)
    click.echo(told)
    if not no_serve:
        _serve(store, lambda: now, HOST, port, lambda at: click.echo(_at(at), err=as_json))


@main.command()
@click.argument("programme", metavar="PROGRAMME")
@_store
@click.option("--reason", metavar="TEXT", help="Why the programme changes.")
@click.option("--who", metavar="NAME", help="Who sets it up; else who is logged in.")
@_json
def setup(programme: str, where: str, reason: str | None, who: str | None, as_json: bool) -> None:
    """Put the plant's programme into its store, which is made where it is not there.

    A changed programme becomes the next version, in force from now on; past audits keep theirs.
    """
    from qa.cli import answers  # noqa: PLC0415 - takes long to import

    _print(answers.setup(programme, where, who or _logged_in(), reason), as_json, "set_up")


@main.command()
@_store
@click.option("--host", default=HOST, show_default=True, help="Any address, where accounts are.")
@_port
@click.option(
    "--known-as", "names", multiple=True, metavar="NAME", help="By which others reach it."
)
@click.option("--behind-proxy", "proxy", metavar="ADDRESS", help="Whose word on TLS is taken.")
@_json
def serve(
    where: str, host: str, port: int, names: tuple[str, ...], proxy: str | None, as_json: bool
) -> None:
    """Serve the dashboard: to this machine alone, or to others too once there are accounts.

    Others reach it by the names and addresses that --known-as gives. A server that speaks TLS for
    it, on this machine or another, is named with --behind-proxy.
    """
    from qa.store import schema  # noqa: PLC0415 - SQLAlchemy takes long to import
    from qa.store.people import any_accounts  # noqa: PLC0415 - the same

    store = schema.open_store(where)
    others = any_accounts(store)
    if (names or proxy) and not others:
        raise InvalidInput(
            "--known-as and --behind-proxy let other machines in, and there are no accounts; make "
            "the first one with toteproof user add"
        )
    bound(host, port, others=others).close()
    _serve(
        store,
        lambda: datetime.now(UTC),
        *(host, port),
        lambda address: click.echo(json.dumps({"address": address}) if as_json else _at(address)),
        names=names,
        proxy=proxy,
    )


@main.command("import")
@click.argument("file", metavar="FILE")
@_store
@click.option("--mapping", "mapping_file", metavar="FILE", help="TOML: which column is which.")
@click.option("--dry-run", is_flag=True, help="Record nothing; say what would happen.")
@click.option("--all-or-none", is_flag=True, help="Record nothing if any row is rejected.")
@click.option("--rejects", "rejects_file", metavar="FILE", help="Where to write rejected rows.")
@click.option("--who", metavar="NAME", help="Who imports; else who is logged in.")
@_json
def import_(
    file: str,
    where: str,
    mapping_file: str | None,
    dry_run: bool,
    all_or_none: bool,
    rejects_file: str | None,
    who: str | None,
    as_json: bool,
) -> None:
    """Take the audits of a CSV or XLSX file into the store.

    Good rows go in, rejected ones into a file to mend and import; importing again adds nothing.
    """
    from qa.cli import answers  # noqa: PLC0415 - takes long to import

    rejects = None if dry_run else _rejects_path(Path(file), rejects_file)
    with _Progress() as progress:
        answer = answers.take_in(
            file,
            where,
            mapping_file,
            who=who or _logged_in(),
            rejects=rejects,
            progress=progress,
            all_or_none=all_or_none,
            dry_run=dry_run,
        )
    _print(answer, as_json, "imported")
    if answer["held_back"]:
        sys.exit(1)


@main.command()
@_store
@click.option("--by", default="lane", show_default=True, help="Columns, such as lane,shift.")
@_from
@_to
@click.option("--specification", default="house", show_default=True, help="What counts.")
@click.option("--as-shipped", is_flag=True, help="Of accepted lots; else as made.")
@_json
def efficiency(
    where: str,
    by: str,
    first_day: str | None,
    last_day: str | None,
    specification: str,
    as_shipped: bool,
    as_json: bool,
) -> None:
    """Percent correct by count, with limits that allow for totes that differ."""
    from qa.cli import answers, printing  # noqa: PLC0415 - take long to import
    from qa.wording import load  # noqa: PLC0415 - only for what is printed

    groups = [name.strip() for name in by.split(",") if name.strip()]
    days = _days(first_day, last_day)
    table = answers.efficiency(where, groups, days, specification, shipped=as_shipped)
    if as_json:
        click.echo(printing.as_json(table))
    else:
        click.echo(printing.efficiency(table, groups, load(), full=True))


@main.command()
@_store
@click.option("--at", metavar="TIME", help="As of then, in plant time; else now.")
@click.option(
    "--by",
    metavar="WHAT",
    help="Instead: inspector, shift, weekday, 'shift and weekday' or line, against the others.",
)
@_json
def drift(where: str, at: str | None, by: str | None, as_json: bool) -> None:
    """Which lane drifts in which kind of defect, since when, from what to what.

    With --by: which inspector, shift, weekday or line differs from the others on the same lanes in
    the same weeks. What it says of inspectors is for the lead alone.
    """
    from qa.cli import answers  # noqa: PLC0415 - takes long to import

    if by is None:
        _print(answers.drift(where, at), as_json, "drift_in_full")
    else:
        _print(answers.sources(where, at, by), as_json, "sources")


main.add_command(planning.plan)
main.add_command(claiming.claim)
main.add_command(agreeing.agreement)
main.add_command(people.user)


@main.command("export")
@click.argument("file", metavar="FILE")
@_store
@_from
@_to
@click.option("--lane", metavar="CODE", help="Of this lane alone.")
@_json
def export_(
    file: str,
    where: str,
    first_day: str | None,
    last_day: str | None,
    lane: str | None,
    as_json: bool,
) -> None:
    """Write the audits to a new file: .csv or .xlsx, which the importer takes back, or .parquet."""
    from qa.cli import answers  # noqa: PLC0415 - takes long to import

    days = _days(first_day, last_day)
    _print(answers.export(where, file, days, lane), as_json, "exported")


@main.command()
@_store
@click.option("--head", metavar="HASH", help="A head that an earlier check printed.")
@_json
def check(where: str, head: str | None, as_json: bool) -> None:
    """Whether the record is as it was recorded and agrees with itself; exit status 1 if not.

    It prints the head of the record's chain. Who keeps that elsewhere can have it held against the
    record later: all up to it is then as it was.
    """
    from qa.cli import answers  # noqa: PLC0415 - takes long to import

    answer = answers.check(where, head)
    _print(answer, as_json, "checked")
    if answer["breaks"]:
        sys.exit(1)


@main.command()
@click.argument("file", metavar="FILE")
@_store
@_json
def backup(file: str, where: str, as_json: bool) -> None:
    """Write the whole record to a new file, while others go on; it is checked before it is there.

    The file is itself a store, on SQLite, whichever database it is taken from. Keep the head that
    is printed elsewhere.
    """
    from qa.cli import answers  # noqa: PLC0415 - takes long to import

    _print(answers.back_up(where, file), as_json, "backed_up")


@main.command()
@click.argument("file", metavar="FILE")
@_store
@_json
def restore(file: str, where: str, as_json: bool) -> None:
    """Make a store from a backup, on either database; what is there already stays as it is."""
    from qa.cli import answers  # noqa: PLC0415 - takes long to import

    _print(answers.restore(file, where), as_json, "restored")


def _print(answer: Mapping[str, Any], as_json: bool, how: str) -> None:
    from qa.cli import printing  # noqa: PLC0415 - pandas takes long to import
    from qa.wording import load  # noqa: PLC0415 - only for what is printed

    printer: Printer = getattr(printing, how)
    click.echo(printing.as_json(answer) if as_json else printer(printing.plain(answer), load()))


class _Progress:
    """A bar on the error stream, for a person who watches a long file being read."""

    def __init__(self) -> None:
        self._bar: Any = None

    def __enter__(self) -> "_Progress":
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar:
            self._bar.__exit__(None, None, None)

    def __call__(self, done: int, total: int) -> None:
        if self._bar is None and sys.stderr.isatty() and done < total:
            self._bar = click.progressbar(length=total, label="Reading", file=sys.stderr)
            self._bar.__enter__()
        if self._bar:
            self._bar.update(done - self._bar.pos)


def _rejects_path(file: Path, named: str | None) -> Path:
    """Where rejects go: the file named, or a free name beside the file imported."""
    if named is not None:
        path = Path(named)
        if path.exists():
            raise InvalidFile(f"{path} is there already; name another file with --rejects")
    else:
        numbers = ["", *(f".{number}" for number in range(2, 1000))]
        names = (file.with_name(f"{file.stem}.rejects{number}.csv") for number in numbers)
        path = next(each for each in names if not each.exists())
    if file.exists() and not os.access(path.parent, os.W_OK):
        raise InvalidFile(f"rejects cannot be written to {path}; name another file with --rejects")
    return path


def _serve(
    store: "Store",
    now: Callable[[], datetime],
    host: str,
    port: int,
    announce: Callable[[str], None],
    **how: Any,
) -> None:
    """Hand over to the dashboard, which this package never imports: it is an entry point."""
    from importlib.metadata import entry_points  # noqa: PLC0415 - only to serve

    servers = entry_points(group="toteproof.server")
    if not servers:
        raise InvalidInput("the dashboard is not installed; install toteproof again")
    next(iter(servers)).load()(store, now, host, port, announce, **how)


def _at(address: str) -> str:
    return f"The dashboard is at {address} (end it with Ctrl-C)."


def _days(first: str | None, last: str | None) -> tuple[Any, Any]:
    days = _day(first, "--from"), _day(last, "--to")
    if None not in days and days[0] > days[1]:
        raise InvalidInput(f"--from must not be after --to, got {first} after {last}")
    return days


def _day(text: str | None, option: str) -> Any:
    if text is None:
        return None
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        raise InvalidInput(f"{option} must be a date such as 2026-05-14, got {text}") from None


def _logged_in() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # an account without a name
        return "import"
