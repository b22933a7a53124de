"""What each part of the command answers with: one call into `qa`, laid out as plain tables.

Everything that takes long to import stands here, and the command imports this when it needs it.
"""

from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime, time, timedelta
from importlib import resources
from pathlib import Path
from typing import Any

import pandas as pd

from qa import drift as drifting
from qa import efficiency as efficient
from qa import verdicts
from qa.cli import printing
from qa.errors import InvalidInput, StoreError
from qa.files import exporting, importing, mapping
from qa.files.importing import ImportReport
from qa.files.rows import Progress
from qa.programme import Programme, lot_size, parse, read_text, shift_times
from qa.store import backup, changes, deeds, records, schema, signals, trail
from qa.store.schema import Store
from qa.wording import load

DEMO_STORE = "toteproof.db"
LATEST = 5  # lots shown one by one
Answer = dict[str, Any]


def setup(file: str, where: str, who: str, reason: str | None) -> Answer:
    """Put a programme into a store as its next dated version, and say what it arranges.

    Raises
    ------
    QAError
        If the programme has faults, is another site's, or changes without a reason.
    """
    text = read_text(file)
    programme = parse(text, file)
    store = schema.open_store(where, create=True)
    before = records.programmes(store)
    if not before.empty:
        site = records.programme(store).site
        if site != programme.site:
            raise StoreError(f"the store is of site {site}, and the programme of {programme.site}")
        if before["text"].iloc[-1] != text and not reason:
            raise InvalidInput("--reason is missing: say why the programme changes")
    at, told = datetime.now(UTC), reason or "the plant is set up"
    version = records.put_programme(store, text, by=who, at=at, reason=told)
    kept = records.programmes(store).set_index("version").loc[version]
    return {
        "store": store.url,
        "site": programme.site,
        "name": programme.name,
        "version": version,
        "new": version > len(before),
        "in_force_from": kept["at"],
        **_arranged(programme),
    }


def take_in(
    file: str,
    where: str,
    mapping_file: str | None,
    *,
    who: str,
    rejects: Path | None,
    progress: Progress,
    **options: bool,
) -> Answer:
    """What one file's import into a store did; its rejected rows are written to a file."""
    columns = mapping.load_mapping(mapping_file) if mapping_file else None
    store = schema.open_store(where)
    at, programme = datetime.now(UTC), records.programme(store)
    report = importing.import_file(
        store, file, programme, columns, by=who, at=at, progress=progress, **options
    )
    kept = rejects if report.rejected else None
    if kept:
        importing.write_rejects(report, kept)
    return _imported(report, kept, dry_run=options["dry_run"])


def efficiency(
    where: str, groups: list[str], days: tuple[Any, Any], specification: str, *, shipped: bool
) -> pd.DataFrame:
    """Percent correct by some columns, as made or as shipped, in the programme's order."""
    store = schema.open_store(where)
    programme = records.programme(store)
    tallies = records.tallies(store, first_day=days[0], last_day=days[1])
    how: dict[str, Any] = {"by": groups, "specification": specification}
    if shipped:
        table = efficient.as_shipped(
            tallies, programme, _verdicts(store, records.tallies(store)), **how
        )
    else:
        table = efficient.estimate(tallies, programme, **how)
    return printing.in_programme_order(table, programme, groups)


def export(where: str, file: str, days: tuple[Any, Any], lane: str | None) -> Answer:
    """Write audits to a file that is not there yet."""
    store = schema.open_store(where)
    count = exporting.export(store, file, first_day=days[0], last_day=days[1], lane=lane)
    return {"file": file, "audits": count}


def drift(where: str, at: str | None) -> Answer:
    """Every lane's status and finding as of a moment in plant time, or now."""
    store = schema.open_store(where)
    programme = records.programme(store)
    now = datetime.now(UTC) if at is None else _moment(at, programme)
    return _drift(store, records.tallies(store), programme, now)


def sources(where: str, at: str | None, by: str) -> Answer:
    """Every inspector, shift, weekday or line against the others, of audits up to a moment."""
    store = schema.open_store(where)
    programme = records.programme(store)
    now = datetime.now(UTC) if at is None else _moment(at, programme)
    tallies = records.tallies(store)
    found = drifting.sources(tallies[tallies["pulled_at"] <= now], programme, by=by)
    return {"as_of": now, "by": by, "doubt": drifting.DOUBT, "sources": found}


def check(where: str, head: str | None) -> Answer:
    """Where a store contradicts itself, and the end of its chain."""
    store = schema.open_store(where)
    found = trail.checked(store, head)
    return {"store": store.url, "breaks": found.breaks, **asdict(found.head)}


def back_up(where: str, file: str) -> Answer:
    """The backup that was made, and the end of its chain."""
    store = schema.open_store(where)
    return {"store": store.url, "file": file, **asdict(backup.back_up(store, file))}


def restore(file: str, where: str) -> Answer:
    """The store that was made, and the end of its chain."""
    head = backup.restore(file, where)
    return {"store": schema.open_store(where).url, "file": file, **asdict(head)}


def demo(folder: Path, progress: Progress) -> tuple[Store, datetime, Answer]:
    """The demo's store, the last minute of its last shift, and what its audits tell."""
    store, report = _demo_store(folder, progress)
    programme, tallies = records.programme(store), records.tallies(store)
    last = tallies.sort_values("pulled_at").iloc[-1]
    now = shift_times(programme, last["day"].date(), last["shift"])[1] - timedelta(minutes=1)
    by_shift = efficient.estimate(tallies, programme, by=("shift",))
    return (
        store,
        now,
        {
            "store": store.url,
            "import": report,
            "by_lane": efficient.estimate(tallies, programme, by=("lane",)),
            "by_shift": printing.in_programme_order(by_shift, programme, ["shift"]),
            "lots": _lots(store, tallies),
            "drift": _drift(store, tallies, programme, now),
        },
    )


def demo_in_words(store: Store, now: datetime, answer: Answer) -> str:
    """The demo's answer as a page of text for a newcomer."""
    programme, words = records.programme(store), load()
    report = answer["import"]

    def say(key: str, **values: object) -> str:
        return words.say(f"command.demo.{key}", **values)

    return "\n".join(
        [
            say("store", store=store.url),
            "",
            printing.imported(printing.plain(report), words) if report else say("used_again"),
            "",
            say("by_lane"),
            printing.efficiency(answer["by_lane"], ["lane"], words),
            "",
            say("by_shift"),
            printing.efficiency(answer["by_shift"], ["shift"], words),
            "",
            say("lots"),
            printing.lots(printing.plain(answer["lots"]), programme, words),
            "",
            say("drift", when=words.moment(now, programme.zone)),
            printing.drift(printing.plain(answer["drift"]), words),
        ]
    )


def _arranged(programme: Programme) -> Answer:
    """What a programme arranges, with what follows from it: rates, lots, plans."""
    first = programme.lanes[0].code, programme.shifts[0].code
    lot = lot_size(programme, *first)
    judged = []
    for severity in programme.plans:
        names = [each.name for each in programme.categories if each.severity == severity]
        if not names:
            continue
        rule = verdicts.class_plan(programme, severity, *first)
        judged.append({"class": severity, "categories": names, "n": rule.n, "ac": rule.last_ac})
    return {
        "lines": [
            {
                "line": line.code,
                "lanes": [lane.code for lane in programme.lanes if lane.line == line.code],
                "pieces_per_second": line.pieces_per_second,
                "nest_pitch_mm": line.nest_pitch_mm,
            }
            for line in programme.lines
        ],
        "shifts": [each.name for each in programme.shifts],
        "products": [each.name for each in programme.products],
        "lot": programme.lot,
        "lot_size": lot,
        "pull": programme.pull,
        "target": programme.target,
        "plans": judged,
    }


def _lots(store: Store, tallies: pd.DataFrame) -> Answer:
    """How many lots have which verdict, and the last ones that were not released."""
    lots = _verdicts(store, tallies)
    counts = lots.groupby(["verdict", "floor"]).size().reset_index(name="lots")
    held = lots[lots["floor"] != "release"].sort_values("last_pulled_at", kind="stable")
    return {"counts": counts, "latest": held.tail(LATEST).iloc[::-1]}


def _verdicts(store: Store, tallies: pd.DataFrame) -> pd.DataFrame:
    return verdicts.lots(
        tallies,
        records.programmes_by_version(store),
        records.findings(store),
        deeds.resumed(store),
    )


def _drift(store: Store, tallies: pd.DataFrame, programme: Programme, now: datetime) -> Answer:
    known = drifting.Known(
        deeds.events(store, withdrawn=True),
        signals.baselines(store),
        signals.acknowledgements(store, withdrawn=True),
        changes.replaced(store),
    )
    found = drifting.findings(tallies, programme, now=now, known=known)
    return {"as_of": now, "lanes": drifting.lanes(found), "findings": found}


def _demo_store(folder: Path, progress: Progress) -> tuple[Store, Mapping[str, Any] | None]:
    """The demo's store in a folder of its own: made, or used again as it is, with no report."""
    path = folder / DEMO_STORE
    if folder.exists() and not path.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise StoreError(f"{folder} holds something else; name another folder with --folder")
    data = resources.files("data_demo")
    text = (data / "programme.toml").read_text(encoding="utf-8")
    programme = parse(text)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as reason:
        raise StoreError(f"{folder} cannot be made: {reason.strerror}") from None
    store = schema.open_store(path, create=True)
    if records.programmes(store).empty:
        # Before its first audit, so that whoever changes it on a demo's clock changes what follows.
        begun = datetime.combine(programme.baselines[0].first_day, time(0), programme.zone)
        records.put_programme(store, text, by="demo", at=begun, reason="the demo is set up")
    if records.programme(store).site != programme.site:
        raise StoreError(f"{path} is the store of another plant; name another folder with --folder")
    if not records.tallies(store).empty:
        return store, None
    with resources.as_file(data / "audits.csv") as file:
        at = _demo_moment(file, programme)
        report = importing.import_file(store, file, programme, by="demo", at=at, progress=progress)
    rejects = folder / "audits.rejects.csv"
    importing.write_rejects(report, rejects)
    return store, _imported(report, rejects, dry_run=False)


def _demo_moment(file: Path, programme: Programme) -> datetime:
    """When the demo's audits come onto record: at its clock, the last minute of their last day.

    By this machine's clock they would come after what people change in them at the demo's.
    """
    days = pd.read_csv(file, usecols=["day"], dtype=str)["day"]
    last = pd.to_datetime(days, format="%Y-%m-%d", errors="coerce").max().date()
    ends = max(shift_times(programme, last, each.code)[1] for each in programme.shifts)
    return ends - timedelta(minutes=1)


def _imported(report: ImportReport, rejects: Path | None, *, dry_run: bool) -> Answer:
    """What an import did, with where its rejects are."""
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


def _moment(text: str, programme: Programme) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise InvalidInput(f"--at must be a time such as 2026-05-14T06:00, got {text}") from None
    return moment if moment.tzinfo else moment.replace(tzinfo=programme.zone)
