"""The `toteproof` command: each part parses, makes one call, prints.

What a person can put right is told in one place, on the error stream, with exit status 2; anything
else is a bug and stays loud. Libraries that take long to import are imported by the parts that
need them, so that ``--help`` answers at once.
"""

import errno
import getpass
import ipaddress
import json
import os
import socket
import sys
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from qa.errors import InvalidFile, InvalidInput, QAError, StoreError

if TYPE_CHECKING:  # names for the type checker alone: these modules take long to import
    import pandas as pd

    from qa.files.importing import ImportReport
    from qa.files.mapping import ColumnMapping
    from qa.programme import Programme
    from qa.store.schema import Store

HOST, PORT = "127.0.0.1", 8050
DEMO_STORE = "toteproof.db"
_USED_AGAIN = "It is there from an earlier demo and is used again as it is; nothing was imported."
LATEST = 5  # lots shown one by one
Printer = Callable[[Mapping[str, Any]], str]


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
    from qa import efficiency, printing  # noqa: PLC0415 - pandas takes long to import
    from qa.wording import load  # noqa: PLC0415 - only for what is printed

    if not no_serve:
        _check_address(HOST, port)
    store, report = _demo_store(Path(folder))
    programme, tallies, words = *_read(store), load()
    now = _end_of(tallies, programme)
    answer: dict[str, Any] = {
        "store": store.url,
        "import": report,
        "by_lane": efficiency.estimate(tallies, programme, by=("lane",)),
        "by_shift": efficiency.estimate(tallies, programme, by=("shift",)),
        "lots": _lots(store, tallies),
        "drift": _drift(tallies, programme, now),
    }
    shifts = printing.in_programme_order(answer["by_shift"], programme, ["shift"])
    text = [
        f"The store is {store.url}; its plant and every audit in it are invented.",
        "",
        printing.imported(printing.plain(report)) if report else _USED_AGAIN,
        "",
        "Percent correct by count, as made (routine audits), per lane:",
        printing.efficiency(answer["by_lane"], ["lane"], words),
        "",
        "Per shift:",
        printing.efficiency(shifts, ["shift"], words),
        "",
        "Lot verdicts (of workmanship only; the food-safety checks stand), and the last lots held:",
        printing.lots(printing.plain(answer["lots"]), programme, words),
        "",
        f"Drift, as of {words.moment(now, programme.zone)}, the neediest lane first:",
        printing.drift(printing.plain(answer["drift"])),
    ]
    click.echo(printing.as_json(answer) if as_json else "\n".join(text))
    if not no_serve:
        _serve(store, lambda: now, HOST, port, lambda at: click.echo(_at(at), err=as_json))


@main.command()
@_store
@click.option("--host", default=HOST, show_default=True, help="A loopback address.")
@_port
@_json
def serve(where: str, host: str, port: int, as_json: bool) -> None:
    """Serve the dashboard to this machine alone."""
    from qa.store import schema  # noqa: PLC0415 - SQLAlchemy takes long to import

    _check_address(host, port)
    _serve(
        schema.open_store(where),
        lambda: datetime.now(UTC),
        *(host, port),
        lambda address: click.echo(json.dumps({"address": address}) if as_json else _at(address)),
    )


@main.command("import")
@click.argument("file", metavar="FILE")
@_store
@click.option("--programme", "programme_file", metavar="FILE", help="Of a store yet to be made.")
@click.option("--mapping", "mapping_file", metavar="FILE", help="TOML: which column is which.")
@click.option("--dry-run", is_flag=True, help="Record nothing; say what would happen.")
@click.option("--all-or-none", is_flag=True, help="Record nothing if any row is rejected.")
@click.option("--rejects", "rejects_file", metavar="FILE", help="Where to write rejected rows.")
@click.option("--who", metavar="NAME", help="Who imports; else who is logged in.")
@_json
def import_(
    file: str,
    where: str,
    programme_file: str | None,
    mapping_file: str | None,
    dry_run: bool,
    all_or_none: bool,
    rejects_file: str | None,
    who: str | None,
    as_json: bool,
) -> None:
    """Take the audits of a CSV or XLSX file into the store.

    Good rows go in, rejected ones into a file to mend and import; importing again adds nothing.
    With --programme the store is made first.
    """
    from qa.files import importing, mapping  # noqa: PLC0415 - openpyxl takes long to import

    rejects = None if dry_run else _rejects_path(Path(file), rejects_file)
    columns = mapping.load_mapping(mapping_file) if mapping_file else None
    options = {"all_or_none": all_or_none, "dry_run": dry_run}
    with _Progress() as progress:
        report = _import(
            file, where, programme_file, columns, who or _logged_in(), options, progress
        )
    if rejects and report.rejected:
        importing.write_rejects(report, rejects)
    answer = _import_answer(report, rejects if report.rejected else None, dry_run)
    _print(answer, as_json, "imported")
    if answer["held_back"]:
        sys.exit(1)


@main.command()
@_store
@click.option("--by", default="lane", show_default=True, help="Columns, such as lane,shift.")
@_from
@_to
@click.option("--specification", default="house", show_default=True, help="What counts.")
@_json
def efficiency(
    where: str,
    by: str,
    first_day: str | None,
    last_day: str | None,
    specification: str,
    as_json: bool,
) -> None:
    """Percent correct by count, with limits that allow for totes that differ."""
    from qa import efficiency as of  # noqa: PLC0415 - pandas takes long to import
    from qa import printing  # noqa: PLC0415 - pandas takes long to import
    from qa.store import schema  # noqa: PLC0415 - SQLAlchemy takes long to import
    from qa.wording import load  # noqa: PLC0415 - only for what is printed

    groups = [name.strip() for name in by.split(",") if name.strip()]
    programme, tallies = _read(schema.open_store(where), first_day, last_day)
    table = of.estimate(tallies, programme, by=groups, specification=specification)
    table = printing.in_programme_order(table, programme, groups)
    if as_json:
        click.echo(printing.as_json(table))
    else:
        click.echo(printing.efficiency(table, groups, load(), full=True))


@main.command()
@_store
@click.option("--at", metavar="TIME", help="As of then, in plant time; else now.")
@_json
def drift(where: str, at: str | None, as_json: bool) -> None:
    """Which lane drifts in which kind of defect, since when, from what to what."""
    from qa.store import schema  # noqa: PLC0415 - SQLAlchemy takes long to import

    programme, tallies = _read(schema.open_store(where))
    now = datetime.now(UTC) if at is None else _moment(at, programme)
    _print(_drift(tallies, programme, now), as_json, "drift_in_full")


@main.command()
@click.option("--lot-size", type=click.IntRange(min=2), required=True, help="Pieces in the lot.")
@click.option("--aql", type=float, required=True, help="In per cent.")
@click.option("--level", default="II", show_default=True, help="Inspection level.")
@_json
def plan(lot_size: int, aql: float, level: str, as_json: bool) -> None:
    """How many pieces to pull from a lot, what to accept on, and what that risks."""
    from qa import plans  # noqa: PLC0415 - scipy takes long to import

    chosen = plans.standard(lot_size, aql, level=level)
    steps = [share * aql / 100 for share in (0.5, 1, 2, 3, 5, 8)]
    rates = [rate for rate in steps if rate < 1]
    chances = chosen.accept(rates, model="binomial")
    answer = {
        **{"lot_size": lot_size, "aql": aql, "level": level},
        **{"n": chosen.n, "ac": chosen.ac, "re": chosen.re},
        "inspect_all": chosen.n == lot_size,
        "risks": [
            {"incorrect": rate, "accepted": float(chance)}
            for rate, chance in zip(rates, chances, strict=True)
        ],
    }
    _print(answer, as_json, "plan")


@main.command()
@_store
@_json
def check(where: str, as_json: bool) -> None:
    """Whether the record agrees with itself; exit status 1 if it does not."""
    from qa.store import schema, trail  # noqa: PLC0415 - SQLAlchemy takes long to import

    store = schema.open_store(where)
    breaks = trail.check(store)
    _print({"store": store.url, "breaks": breaks}, as_json, "checked")
    if breaks:
        sys.exit(1)


def _print(answer: Mapping[str, Any], as_json: bool, how: str) -> None:
    from qa import printing  # noqa: PLC0415 - pandas takes long to import

    printer: Printer = getattr(printing, how)
    click.echo(printing.as_json(answer) if as_json else printer(printing.plain(answer)))


def _read(
    store: "Store", first_day: str | None = None, last_day: str | None = None
) -> tuple["Programme", "pd.DataFrame"]:
    """The newest programme of a store, and its audits of some days."""
    from qa.store import records  # noqa: PLC0415 - SQLAlchemy takes long to import

    days = {"first_day": _day(first_day, "--from"), "last_day": _day(last_day, "--to")}
    return records.programme(store), records.tallies(store, **days)


def _lots(store: "Store", tallies: "pd.DataFrame") -> dict[str, Any]:
    """How many lots have which verdict, and the last ones that were not released."""
    from qa import verdicts  # noqa: PLC0415 - pandas takes long to import
    from qa.store import records  # noqa: PLC0415 - SQLAlchemy takes long to import

    lots = verdicts.lots(tallies, records.programmes_by_version(store), records.findings(store))
    counts = lots.groupby(["verdict", "floor"]).size().reset_index(name="lots")
    held = lots[lots["floor"] != "release"].sort_values("last_pulled_at", kind="stable")
    return {"counts": counts, "latest": held.tail(LATEST).iloc[::-1]}


def _drift(tallies: "pd.DataFrame", programme: "Programme", now: datetime) -> dict[str, Any]:
    from qa import drift as of  # noqa: PLC0415 - pandas takes long to import

    found = of.findings(tallies, programme, now=now)
    return {"as_of": now, "lanes": of.lanes(found), "findings": found}


def _end_of(tallies: "pd.DataFrame", programme: "Programme") -> datetime:
    """The end of the shift in which the last pieces were pulled."""
    from qa.programme import shift_times  # noqa: PLC0415 - imports scipy through the plans

    last = tallies.sort_values("pulled_at").iloc[-1]
    return shift_times(programme, last["day"].date(), last["shift"])[1]


def _demo_store(folder: Path) -> tuple["Store", dict[str, Any] | None]:
    """The demo's store in a folder of its own: made, or used again as it is, with no report."""
    from importlib import resources  # noqa: PLC0415 - only the demo reads packaged files

    from qa.files import importing  # noqa: PLC0415 - openpyxl takes long to import
    from qa.programme import parse  # noqa: PLC0415 - imports scipy through the plans
    from qa.store import records, schema  # noqa: PLC0415 - SQLAlchemy takes long to import

    path = folder / DEMO_STORE
    if folder.exists() and not path.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise StoreError(f"{folder} holds something else; name another folder with --folder")
    data = resources.files("data_demo")
    text = (data / "programme.toml").read_text(encoding="utf-8")
    programme = parse(text)
    folder.mkdir(parents=True, exist_ok=True)
    store = schema.open_store(path, create=True)
    at = datetime.now(UTC)
    if records.programmes(store).empty:
        records.put_programme(store, text, by="demo", at=at, reason="the demo is set up")
    if records.programme(store).site != programme.site:
        raise StoreError(f"{path} is the store of another plant; name another folder with --folder")
    if not records.tallies(store).empty:
        return store, None
    with resources.as_file(data / "audits.csv") as file, _Progress() as progress:
        report = importing.import_file(store, file, programme, by="demo", at=at, progress=progress)
    rejects = folder / "audits.rejects.csv"
    importing.write_rejects(report, rejects)
    return store, _import_answer(report, rejects, dry_run=False)


def _import(
    file: str,
    where: str,
    programme_file: str | None,
    columns: "ColumnMapping | None",
    who: str,
    options: Mapping[str, Any],
    progress: "_Progress",
) -> "ImportReport":
    """Into the store that there is; or, with a programme, into one made once the file is read."""
    from qa import programme  # noqa: PLC0415 - imports scipy through the plans
    from qa.files import importing  # noqa: PLC0415 - openpyxl takes long to import
    from qa.store import records, schema  # noqa: PLC0415 - SQLAlchemy takes long to import

    at = datetime.now(UTC)
    if programme_file is None:
        store = schema.open_store(where)
        settings = records.programme(store)
        return importing.import_file(
            store, file, settings, columns, by=who, at=at, progress=progress, **options
        )
    if "://" not in where and Path(where).exists():
        raise StoreError(f"{where} is there already and has its programme; leave out --programme")
    settings = programme.load(programme_file)
    report = importing.import_file(
        None, file, settings, columns, by=who, at=at, progress=progress, **options
    )
    if options["dry_run"] or (options["all_or_none"] and report.rejects):
        return report
    store = schema.open_store(where, create=True)
    text = Path(programme_file).read_text(encoding="utf-8-sig")
    records.put_programme(store, text, by=who, at=at, reason="the store is set up")
    return importing.import_file(store, file, settings, columns, by=who, at=at, **options)


def _import_answer(report: "ImportReport", rejects: Path | None, dry_run: bool) -> dict[str, Any]:
    return {
        "file": report.name,
        "dry_run": dry_run,
        "held_back": not report.recorded and not dry_run,
        **{name: getattr(report, name) for name in ("rows", "audits", "new", "already")},
        "columns": report.mapping.columns,
        "guessed": sorted(report.mapping.guessed),
        "constants": report.mapping.constants,
        "notes": report.notes,
        "rejects": report.rejects,
        "skipped": report.skipped,
        "rejects_file": None if rejects is None else str(rejects),
    }


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
) -> None:
    """Hand over to the dashboard, which this package never imports: it is an entry point."""
    from importlib.metadata import entry_points  # noqa: PLC0415 - only to serve

    servers = entry_points(group="toteproof.server")
    if not servers:
        raise InvalidInput("the dashboard is not installed; install toteproof again")
    next(iter(servers)).load()(store, now, host, port, announce)


def _at(address: str) -> str:
    return f"The dashboard is at {address} (end it with Ctrl-C)."


def _check_address(host: str, port: int) -> None:
    """Only this machine may be served until there are accounts, and the port must be free."""
    try:
        loopback = host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        loopback = False
    if not loopback:
        raise InvalidInput(f"host must be a loopback address such as {HOST}, got {host}")
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family) as probe:
        if os.name == "posix":  # elsewhere the option would let two servers share a port
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as reason:
            taken = reason.errno == errno.EADDRINUSE
            told = "is in use" if taken else f"cannot be served: {reason.strerror}"
            raise InvalidInput(f"port {port} {told}; choose another with --port") from None


def _day(text: str | None, option: str) -> Any:
    if text is None:
        return None
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        raise InvalidInput(f"{option} must be a date such as 2026-05-14, got {text}") from None


def _moment(text: str, programme: "Programme") -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise InvalidInput(f"--at must be a time such as 2026-05-14T06:00, got {text}") from None
    return moment if moment.tzinfo else moment.replace(tzinfo=programme.zone)


def _logged_in() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # an account without a name
        return "import"
