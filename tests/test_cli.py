"""The command: what it prints, what it refuses, and that JSON and text say the same."""

import json
import os
import re
import socket
import subprocess
import sys
import tomllib
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path

import click
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from scipy import stats

from qa import cli, drift, efficiency, verdicts
from qa.cli import answers, printing
from qa.store import ledger, records, schema
from qa.wording import load
from tests import ports

DATA = Path(__file__).resolve().parents[1] / "data_demo"
PROGRAMME = str(DATA / "programme.toml")
HEAD = "lane,tote,pulled_at,inspector,inspected,stem,over_trim,double"


def run(*arguments: str, status: int = 0) -> Result:
    result = CliRunner().invoke(cli.main, list(arguments))
    if result.exception and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == status, result.output
    return result


def refused(*arguments: str) -> str:
    """The one sentence that a refusal gives, on the error stream, with status 2."""
    result = run(*arguments, status=2)
    assert result.stdout == ""
    return result.stderr.rstrip("\n")


@pytest.fixture
def audits(tmp_path: Path) -> Path:
    path = tmp_path / "audits.csv"
    rows = [
        f"{lane},T{lane}{hour:02},2026-03-16 {hour:02}:10,Ines,200,{(hour * int(lane)) % 4},1,0"
        for lane in "12"
        for hour in range(6, 22)
    ]
    path.write_text("\n".join([HEAD, *rows, "9,T9,2026-03-16 09:10,Ines,200,0,0,0"]))
    return path


@pytest.fixture
def store(tmp_path: Path, audits: Path) -> str:
    where = str(tmp_path / "plant.db")
    run("setup", PROGRAMME, "--store", where, "--who", "Ines")
    run("import", str(audits), "--store", where, "--who", "Ines")
    return where


@pytest.fixture
def empty(tmp_path: Path) -> str:
    where = str(tmp_path / "plant.db")
    run("setup", PROGRAMME, "--store", where)
    return where


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> list[tuple]:
    """A dashboard that only notes with what it was called, in the place of the installed one."""
    calls: list[tuple] = []

    class Entry:
        def load(self):
            def serve(store, now, host, port, announce, names=(), proxy=None) -> None:
                calls.append((store, now(), host, port))
                announce(f"http://{host}:{port}/")

            return serve

    monkeypatch.setattr(metadata, "entry_points", lambda group: [Entry()] * (group == SERVER))
    return calls


SERVER = "toteproof.server"


# -- help ----------------------------------------------------------------------------------------


def test_help_answers_at_once_and_loads_no_heavy_library() -> None:
    code = (
        "import sys; from qa.cli import main; main(['--help'], standalone_mode=False); "
        "print(*sys.modules, file=sys.stderr)"
    )
    took = []
    for _ in range(5):
        before = os.times()
        command = [sys.executable, "-c", code]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        after = os.times()
        took += [after.children_user + after.children_system]
        took[-1] -= before.children_user + before.children_system
    loaded = set(done.stderr.split())
    assert not loaded & {"numpy", "pandas", "scipy", "sqlalchemy", "openpyxl", "dash", "dashboard"}
    # The least of some processor times: what else a busy machine does only adds to them.
    assert min(took) < 0.3
    for name in ("demo", "serve", "import", "efficiency", "drift", "plan", "check"):
        assert f"\n  {name} " in done.stdout


def test_every_command_that_prints_has_json() -> None:
    for name, command in cli.main.commands.items():
        commands = command.commands.values() if isinstance(command, click.Group) else [command]
        options = [option for each in commands for option in each.params]
        assert any("--json" in each.opts for each in options), name


# -- import --------------------------------------------------------------------------------------


def test_import_says_what_became_of_each_row(tmp_path: Path, audits: Path, empty: str) -> None:
    said = run("import", str(audits), "--store", empty).stdout
    assert "33 rows hold 32 audits without fault: 32 new, 0 already there" in said
    assert re.search(r'^34 +lane +9 +must be one of 1, 2, 3, 4, 5, 6, got "9"$', said, re.M)
    rejects = tmp_path / "audits.rejects.csv"
    assert str(rejects) in said
    assert len(rejects.read_text(encoding="utf-8-sig").splitlines()) == 2
    again = json.loads(run("import", str(audits), "--store", empty, "--json").stdout)
    assert (again["new"], again["already"], len(again["rejects"])) == (0, 32, 1)
    assert again["rejects_file"] == str(tmp_path / "audits.rejects.2.csv")  # the first is kept


def test_mended_rejects_go_in(tmp_path: Path, store: str) -> None:
    rejects = tmp_path / "audits.rejects.csv"
    rejects.write_text(rejects.read_text(encoding="utf-8-sig").replace("9,T9", "3,T9"))
    answer = json.loads(run("import", str(rejects), "--store", store, "--json").stdout)
    assert (answer["new"], answer["rejects"], answer["rejects_file"]) == (1, [], None)
    assert len(records.tallies(schema.open_store(store))) == 33


def test_a_dry_run_records_nothing(tmp_path: Path, audits: Path, empty: str) -> None:
    said = run("import", str(audits), "--store", empty, "--dry-run").stdout
    assert "32 would be new" in said
    assert records.tallies(schema.open_store(empty)).empty
    assert not list(tmp_path.glob("*.rejects.csv"))


def test_all_or_none_records_nothing_and_says_so(audits: Path, empty: str) -> None:
    result = run("import", str(audits), "--store", empty, "--all-or-none", status=1)
    assert "Nothing was recorded" in result.stdout
    assert records.tallies(schema.open_store(empty)).empty


def test_import_takes_a_mapping_and_a_place_for_rejects(
    tmp_path: Path, audits: Path, empty: str
) -> None:
    audits.write_text(audits.read_text().replace("lane,", "Bahn,"))
    (tmp_path / "m.toml").write_text('[columns]\nlane = "Bahn"\n')
    said = run(
        *("import", str(audits), "--store", empty),
        *("--mapping", str(tmp_path / "m.toml"), "--rejects", str(tmp_path / "r.csv")),
    ).stdout
    assert 'Columns: lane from "Bahn"; the others by their own names.' in said
    assert (tmp_path / "r.csv").exists()


# -- setup ---------------------------------------------------------------------------------------


# 55 ms a nest at 45 inches a second: 18.18 pieces a second, a pitch of 2.475 inches (62.9 mm);
# common practice, no published source.
def test_setup_makes_the_store_and_says_what_follows(tmp_path: Path) -> None:
    said = run("setup", PROGRAMME, "--store", str(tmp_path / "plant.db")).stdout
    assert "version 1 of the programme of SP1" in said
    assert "18.18 pieces a second on a lane; nest pitch 62.9 mm" in said
    assert "Of class major: stem left on, double-loaded; on 80 pieces 3 are accepted." in said


def test_a_changed_programme_is_a_new_version_and_wants_a_reason(
    tmp_path: Path, empty: str
) -> None:
    again = json.loads(run("setup", PROGRAMME, "--store", empty, "--json").stdout)
    assert (again["version"], again["new"]) == (1, False)
    changed = tmp_path / "changed.toml"
    changed.write_text(Path(PROGRAMME).read_text().replace("pull = 200", "pull = 150"))
    words = refused("setup", str(changed), "--store", empty)
    assert words == "--reason is missing: say why the programme changes"
    said = run("setup", str(changed), "--store", empty, "--reason", "less to pull").stdout
    assert "version 2" in said
    assert "150 are pulled from a tote" in said
    assert records.programmes(schema.open_store(empty))["reason"].iloc[-1] == "less to pull"


# -- refusals: one sentence, status 2, nothing half-written --------------------------------------


def test_what_is_missing_or_malformed(tmp_path: Path, audits: Path, store: str) -> None:
    nowhere, bad = str(tmp_path / "nowhere"), tmp_path / "bad.toml"
    bad.write_text('site = "T1"\n')
    other, new = tmp_path / "other.toml", str(tmp_path / "new.db")
    other.write_text(Path(PROGRAMME).read_text().replace('"SP1"', '"T9"'))
    before = sorted(tmp_path.iterdir())
    told = {
        ("import", nowhere, "--store", store): f"{nowhere} cannot be read: No such file",
        ("import", str(audits), "--store", nowhere): f"there is no store at {nowhere}",
        ("setup", nowhere, "--store", new): "cannot be read",
        ("setup", str(bad), "--store", new): "faults:",
        (
            "setup",
            str(other),
            "--store",
            store,
        ): "the store is of site SP1, and the programme of T9",
        ("import", str(audits), "--store", store, "--mapping", nowhere): "cannot be read",
        ("import", str(audits), "--store", store, "--rejects", str(bad)): "is there already",
        ("import", str(bad), "--store", store): "bad.toml: ",
        ("check", "--store", str(audits)): "is not a Toteproof store",
        ("efficiency", "--store", store, "--by", "lame"): "by must be one of",
        ("efficiency", "--store", store, "--from", "May"): "--from must be a date such as",
        ("efficiency", "--store", store, "--specification", "x"): "specification must be one of",
        ("efficiency", "--store", store, "--from", "2026-05-15", "--to", "2026-05-14"): (
            "--from must not be after --to, got 2026-05-15 after 2026-05-14"
        ),
        ("drift", "--store", store, "--at", "dawn"): "--at must be a time such as",
        ("plan", "--lot-size", "4000", "--aql", "1.1"): "1.1",
        ("serve", "--store", nowhere): "there is no store at",
    }
    for arguments, words in told.items():
        assert words in refused(*arguments), arguments
    assert sorted(tmp_path.iterdir()) == before


def test_a_bug_stays_loud(store: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(efficiency, "estimate", broken)
    with pytest.raises(ZeroDivisionError):
        run("efficiency", "--store", store)


# -- answers -------------------------------------------------------------------------------------


def test_efficiency_says_what_the_package_says(store: str) -> None:
    opened = schema.open_store(store)
    programme, tallies = records.programme(opened), records.tallies(opened)
    table = efficiency.estimate(tallies, programme, by=("lane", "shift"))
    rows = json.loads(run("efficiency", "--store", store, "--by", "lane,shift", "--json").stdout)
    assert [(row["lane"], row["shift"]) for row in rows] == [
        *(("1", "morning"), ("1", "afternoon"), ("2", "morning"), ("2", "afternoon")),
    ]
    assert {(row["lane"], row["shift"]): row["low"] for row in rows} == {
        (row["lane"], row["shift"]): row["low"] for row in table.to_dict("records")
    }
    said = run("efficiency", "--store", store, "--by", "lane,shift").stdout.splitlines()
    assert said[0].split("  ")[0] == "lane"
    assert re.match(r"1 +morning +8 +1,600 +\d+ +9\d\.\d+ % \(9\d\.\d+ to 9\d\.\d+\)", said[1])
    assert said[-2:] == [f"as made, limits by {rows[0]['method']}", rows[0]["assumed"]]


def test_efficiency_of_some_days_and_of_another_specification(store: str) -> None:
    (row,) = json.loads(
        run(
            "efficiency", "--store", store, "--by", "", "--specification", "freezer", "--json"
        ).stdout
    )
    assert row["incorrect"] == sum((hour * lane) % 4 for lane in (1, 2) for hour in range(6, 22))
    none = run("efficiency", "--store", store, "--from", "2026-03-17", "--to", "2026-03-18")
    assert none.stdout == "No routine audit yet.\n"


def test_efficiency_as_shipped_is_another_figure_and_says_so(store: str) -> None:
    opened = schema.open_store(store)
    programme, tallies = records.programme(opened), records.tallies(opened)
    lots = verdicts.lots(tallies, records.programmes_by_version(opened))
    table = efficiency.as_shipped(tallies, programme, lots, by=("lane",))
    rows = json.loads(run("efficiency", "--store", store, "--as-shipped", "--json").stdout)
    assert [row["low"] for row in rows] == list(table["low"])
    assert {row["figure"] for row in rows} == {"as shipped"}
    assert "as shipped, limits by" in run("efficiency", "--store", store, "--as-shipped").stdout


def test_drift_says_what_the_package_says(store: str) -> None:
    opened = schema.open_store(store)
    now = datetime(2026, 3, 16, 22, tzinfo=UTC)
    found = drift.findings(records.tallies(opened), records.programme(opened), now=now)
    lanes = drift.lanes(found).to_dict("records")
    answer = json.loads(run("drift", "--store", store, "--at", "2026-03-16T22:00", "--json").stdout)
    assert answer["lanes"] == lanes
    assert len(answer["findings"]) == len(found)
    said = run("drift", "--store", store, "--at", "2026-03-16T22:00").stdout
    for each in found:
        of = f"{each.category}, {each.product}" if each.product else each.category
        assert f"  {of} ({each.status})\n    {each.sentence}\n" in said
    assert said.splitlines()[1] == "Lane {lane} ({status}): {sentence}".format(**lanes[0])


def test_plan_says_what_to_pull_and_what_it_risks() -> None:
    # MIL-STD-105E, tables I and II-A: 3,201 to 10,000 at level II is L: n 200; AQL 1.0: 5, 6.
    said = run("plan", "--lot-size", "4000", "--aql", "1.0").stdout
    assert said.startswith("pull 200, accept on 5, reject on 6\n")
    answer = json.loads(run("plan", "--lot-size", "4000", "--aql", "1.0", "--json").stdout)
    for row in answer["risks"]:
        assert row["accepted"] == pytest.approx(stats.binom.cdf(5, 200, row["incorrect"]))
    assert [row["incorrect"] for row in answer["risks"]][:2] == [0.005, 0.01]
    assert run("plan", "--lot-size", "10", "--aql", "0.1").stdout.startswith("inspect all 10, ")


def test_check_of_a_whole_and_of_a_tampered_store(store: str) -> None:
    whole, kept = run("check", "--store", store).stdout.splitlines()
    assert whole == f"{store}: the record agrees with itself."
    head = re.fullmatch(r"Its chain has \d+ links, and its head is ([0-9a-f]{64})", kept)[1]
    assert run("check", "--store", store, "--head", head).stdout.splitlines() == [whole, kept]
    said = run("check", "--store", store, "--head", "0" * 64, status=1).stdout
    assert "is not among the" in said
    assert "16 to 64 hexadecimal" in run("check", "--store", store, "--head", "x", status=2).stderr
    opened = schema.open_store(store)
    with schema.writing(opened) as connection:
        connection.exec_driver_sql("UPDATE sums SET x = x + 1")
    said = run("check", "--store", store, status=1).stdout
    assert "the record contradicts itself" in said
    assert json.loads(run("check", "--store", store, "--json", status=1).stdout)["breaks"]


def test_backup_and_restore(store: str, tmp_path: Path) -> None:
    copy, again = str(tmp_path / "monday.db"), str(tmp_path / "again.db")
    told, head = run("backup", copy, "--store", store).stdout.splitlines()
    assert told == f"{copy}: a backup of {store}, checked."
    assert run("check", "--store", store).stdout.splitlines()[1] == head
    assert "is there already" in run("backup", copy, "--store", store, status=2).stderr
    said = run("restore", copy, "--store", again).stdout.splitlines()
    assert said == [f"{again}: made from {copy}, and checked.", head]
    assert "is there already" in run("restore", copy, "--store", store, status=2).stderr
    answer = json.loads(run("backup", f"{copy}.2", "--store", again, "--json").stdout)
    assert head.endswith(answer["hash"])


# -- serving -------------------------------------------------------------------------------------


def test_serve_hands_the_store_over_and_prints_the_address(store: str, served: list) -> None:
    port = ports.free()
    before = datetime.now(UTC)
    said = run("serve", "--store", store, "--port", str(port)).stdout
    assert said == f"The dashboard is at http://127.0.0.1:{port}/ (end it with Ctrl-C).\n"
    ((opened, now, host, used),) = served
    assert (opened.url, host, used) == (store, "127.0.0.1", port)
    assert before <= now <= datetime.now(UTC)
    answer = json.loads(run("serve", "--store", store, "--port", str(port), "--json").stdout)
    assert answer == {"address": f"http://127.0.0.1:{port}/"}


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.1.2", "example.org", "::"])
def test_no_host_but_this_machine(store: str, served: list, host: str) -> None:
    said = refused("serve", "--store", store, "--host", host)
    told = "host must be a loopback address such as 127.0.0.1, or any of this machine's once there"
    assert said == f"{told} are accounts, got {host}"
    assert served == []


def test_a_port_in_use_is_one_sentence(tmp_path: Path, store: str, served: list) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        told = f"port {port} is in use; choose another with --port"
        assert refused("serve", "--store", store, "--port", port) == told
        assert refused("demo", "--folder", str(tmp_path / "d"), "--port", port) == told
    assert served == []
    assert not (tmp_path / "d").exists()


def test_without_a_dashboard_it_says_so(store: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(metadata, "entry_points", lambda **_: [])
    said = refused("serve", "--store", store, "--port", str(ports.free()))
    assert said == "the dashboard is not installed; install toteproof again"


# -- demo ----------------------------------------------------------------------------------------


def test_demo_builds_prints_serves_and_runs_again(
    tmp_path: Path, served: list, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "sprouts"
    truth = tomllib.loads((DATA / "truth.toml").read_text(encoding="utf-8"))
    port = str(ports.free())
    said = run("demo", "--folder", str(folder), "--port", port).stdout
    assert f"The store is {folder / 'toteproof.db'}" in said
    good, bad = truth["rows"]["good"], truth["rows"]["bad"]
    assert f"{good:,} new, 0 already there; {bad} rows rejected" in said
    for heading in ("per lane:", "Per shift:", "Lot verdicts", "Drift, as of 05:59 on 15 May"):
        assert heading in said
    assert said.endswith(f"The dashboard is at http://127.0.0.1:{port}/ (end it with Ctrl-C).\n")
    assert served[0][1] == datetime(2026, 5, 15, 4, 59, tzinfo=UTC)  # ends at 6 in plant
    logged = ledger.audits(schema.open_store(folder / "toteproof.db"), ledger.Asked()).rows
    assert set(logged["at"]) == {pd.Timestamp(served[0][1])}  # by its own clock, not this machine's
    first = next(line for line in said.splitlines() if line.startswith("Lane "))
    assert first.startswith(f"Lane {truth['planted']['head_wear']['lane']} (drifting): ")

    monkeypatch.setattr(drift, "findings", lambda *_, **__: ())  # slow, and seen above
    again = run("demo", "--folder", str(folder), "--no-serve", "--json")
    answer = json.loads(again.stdout)
    assert answer["import"] is None  # what is there is used as it is, whatever data come later
    assert len(records.tallies(schema.open_store(folder / "toteproof.db"))) == good
    assert [row["lane"] for row in answer["by_lane"]] == list("123456")
    assert sum(row["lots"] for row in answer["lots"]["counts"]) > 5000
    assert sorted(each.name for each in folder.iterdir() if "db" not in each.name) == [
        "audits.rejects.csv"
    ]


def test_demo_never_writes_over_something_else(tmp_path: Path, store: str) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("dear")
    told = "holds something else; name another folder with --folder"
    for folder in (tmp_path / "mine", tmp_path / "mine" / "letter.txt"):
        assert refused("demo", "--no-serve", "--folder", str(folder)) == f"{folder} {told}"
    text = Path(PROGRAMME).read_text(encoding="utf-8").replace('site = "SP1"', 'site = "XX"')
    (tmp_path / "other.toml").write_text(text, encoding="utf-8")
    (tmp_path / "other").mkdir()
    other = tmp_path / "other" / answers.DEMO_STORE
    opened = schema.open_store(other, create=True)
    at = datetime(2026, 1, 1, tzinfo=UTC)
    records.put_programme(opened, text, by="lead", at=at, reason="set up")
    said = refused("demo", "--no-serve", "--folder", str(other.parent))
    assert said == f"{other} is the store of another plant; name another folder with --folder"
    assert records.tallies(opened).empty


# -- printing ------------------------------------------------------------------------------------


def test_tables_line_up() -> None:
    lines = printing.aligned(["lane", "pieces"], [["1", 200], ["12345", 1_234_567]]).splitlines()
    assert lines == ["lane      pieces", "1            200", "12345  1,234,567"]
    assert printing.aligned(["lane"], []) == "lane"


def test_json_has_no_value_that_json_lacks() -> None:
    table = pd.DataFrame({"low": [float("nan")], "at": [pd.Timestamp("2026-05-14", tz="UTC")]})
    assert printing.plain({"t": table, "n": np.int64(3), "x": np.array([0.5]), "p": {1}}) == {
        "t": [{"low": None, "at": "2026-05-14T00:00:00+00:00"}],
        "n": 3,
        "x": [0.5],
        "p": [1],
    }


def test_a_moment_is_printed_in_utc_whatever_its_zone() -> None:
    said = printing.drift_in_full(
        {"as_of": "2026-05-15T00:00:00+01:00", "lanes": [], "findings": []}, load()
    )
    assert said.startswith("As of 2026-05-14 23:00 UTC")


def test_a_signal_that_is_over_says_how_it_ended_and_what_was_said_of_it() -> None:
    at = "2026-05-14T10:00:00+00:00"
    answer = {"by": "Ines", "cause": "worn nozzle", "done": "changed it", "at": at}
    past = {"since": "Monday", "until": "Friday", "closed_by": "level", "acknowledged": None}
    again = {**past, "closed_by": "baseline", "acknowledged": answer}
    found = {
        "lane": "1",
        "product": "",
        "category": "stem",
        "status": "steady",
        "sentence": "Calm.",
    }
    lane = {"lane": "1", "status": "steady", "sentence": "Calm."}
    found |= {"notes": [], "past": [past, again]}
    said = printing.drift_in_full({"as_of": at, "lanes": [lane], "findings": [found]}, load())
    assert "It was up before, from Monday to Friday." in said
    assert "from Monday, until another baseline was chosen at Friday." in said
    assert said.count("Acknowledged by Ines at 2026-05-14 10:00 UTC: worn nozzle; changed it.") == 1


def test_what_is_printed_is_worded_in_the_text_file() -> None:
    source = Path(printing.__file__).read_text(encoding="utf-8")
    code = re.sub(r'""".*?"""', "", source, flags=re.S)
    quoted = re.findall(r'"([^"\n]*)"', code)
    assert [each for each in quoted if re.search(r"[a-z]{2,} [a-z]{2,}", each)] == []
    said = " ".join(quoted)
    plural = re.compile(r"\.(one|other)$")
    known = (plural.sub("", key) for key in load().sentences if key.startswith("command."))
    keys = (key.split(".")[-1] for key in known)
    folder = Path(answers.__file__).parent
    others = "".join(path.read_text(encoding="utf-8") for path in folder.glob("*.py"))
    assert [key for key in keys if key not in said and f'{key}"' not in others] == []


def test_export_writes_a_file_and_says_how_many(tmp_path: Path, store: str) -> None:
    file = tmp_path / "out.csv"
    said = run("export", str(file), "--store", store, "--to", "2026-03-16").stdout
    count = len(pd.read_csv(file))
    assert said == f"{count} audits are in {file}.\n"
    assert count
    told = refused("export", str(file), "--store", store)
    assert told == f"{file} is there already; name another file"
