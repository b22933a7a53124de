"""The `plan` part of the command: the answer to a wish, what to pull for it, and the sheet."""

import secrets
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

import click

from qa.errors import InvalidFile, InvalidInput

F = TypeVar("F", bound=Callable[..., Any])

# Option -> what it says; texts go to the one place that reads and words them, `qa.planning`.
_ASKS = {
    "lot_size": "Pieces in the lot; without it, of a running process.",
    "aql": "First way: acceptance quality limit of the standard's table, in per cent.",
    "level": "With --aql: inspection level, S-1 to S-4 or I to III; II if not said.",
    "inspection": "With --aql: normal (if not said), tightened or reduced.",
    "kind": "With --aql: single, double or multiple; with --p1: single or double.",
    "p1": "Second way, with --p2: quality seldom rejected, in per cent incorrect.",
    "p2": "Quality seldom accepted, in per cent incorrect.",
    "producer_risk": "Most rejected at --p1, in per cent; 5 if not said.",
    "consumer_risk": "Most accepted at --p2 or --lq, in per cent; 10 if not said.",
    "target": "Third way: per cent correct to prove.",
    "confidence": "With --target, in per cent; 95 if not said.",
    "incorrect": "With --target: incorrect pieces that may be seen; 0 if not said.",
    "lq": "Fourth way: limiting quality of an isolated lot, in per cent incorrect.",
    "n": "Sixth way: pieces of a plan that is there already, to see what it risks.",
    "ac": "With --lq or --n: acceptance number; 0 if not said.",
    "aoql": "Fifth way: most that goes out on average, in per cent, rejected lots sorted.",
    "process_average": "With --aoql: what comes in on average, in per cent incorrect.",
    "sensitivity": "Incorrect pieces that inspectors find, in per cent; 100 if not said.",
    "specificity": "Correct pieces that they pass, in per cent; 100 if not said.",
    "correlation": "Intra-tote correlation, 0 to 1; 0 if not said.",
    "from_totes": "Totes that one sample comes from; 1 if not said.",
    "lots": "Lots judged in a shift, for the work.",
    "piece_seconds": "To look at a piece; 1.5 if not said.",
    "tote_seconds": "To get at a tote; 300 if not said.",
}
_PULLS = {
    "totes": "To pull from, all lanes and shifts together.",
    "pieces": "From each tote; else as the plan or the cost says.",
    "expect": "Per cent incorrect that is expected, for --half-width and --rise.",
    "half_width": "Pull as many totes as tell the share to within so many per cent.",
    "rise": "Pull as many totes as find that the share rose so many times.",
    "power": "With --rise: chance of finding it, in per cent; 90 if not said.",
    "filled": "Totes that a lane fills in a shift; else those of full nests.",
    "lane": "One lane; else all of the programme.",
    "shift": "One shift; else all of the programme.",
    "quadrants": "Drawn in each third of a tote's depth, 1 to 4; 1 if not said.",
    "seed": "To draw the same again; else a new one is drawn and told.",
}


def _options(command: F) -> F:
    for name, told in reversed({**_ASKS, **_PULLS}.items()):
        command = click.option(f"--{name.replace('_', '-')}", name, metavar="X", help=told)(command)
    return command


@click.command()
@_options
@click.option("--store", "where", metavar="PATH", help="A store, whose programme is pulled for.")
@click.option("--sheet", metavar="FILE", help="Write the pull sheet there (HTML); - prints it.")
@click.option("--json", "as_json", is_flag=True, help="The same content as JSON.")
def plan(where: str | None, sheet: str | None, as_json: bool, **said: str | None) -> None:
    """How many pieces to pull from a lot, what to accept on, and what that risks.

    Ask in one of six ways: by --aql and level, by two points (--p1, --p2), by a claim to prove
    (--target), by limiting quality (--lq), by outgoing quality (--aoql), or by the numbers of a
    plan that is there already (--n, --ac).
    """
    from qa.cli import printing  # noqa: PLC0415 - pandas takes long to import

    if sheet == "-" and as_json:
        raise InvalidInput("--sheet - and --json both take the output; name a file for the sheet")
    if sheet not in (None, "-") and Path(str(sheet)).exists():
        raise InvalidFile(f"{sheet} is there already; name another file with --sheet")
    texts = {name: text for name, text in said.items() if text is not None}
    answer, page = answered(texts, where, sheet)
    if page is not None and sheet == "-":
        sys.stdout.write(page)
        return
    if page is not None:
        _written(Path(str(sheet)), page)
    if as_json:
        click.echo(printing.as_json(answer))
    else:
        click.echo(told(printing.plain(answer)))


def answered(
    texts: Mapping[str, str], where: str | None, sheet: str | None
) -> tuple[dict[str, Any], str | None]:
    """The answer to a wish as plain tables, and the sheet where one is wanted.

    Raises
    ------
    QAError
        If the wish cannot be answered; every fault of it is named.
    """
    from qa import planning  # noqa: PLC0415 - scipy takes long to import
    from qa.planning import sheet as sheets  # noqa: PLC0415 - the same
    from qa.planning.words import tell  # noqa: PLC0415 - the same
    from qa.wording import load  # noqa: PLC0415 - the same

    words = load()
    programme = _programme(where)
    asked = {name: text for name, text in texts.items() if name in _ASKS}
    if programme and programme.lot == "tote" and {"aql", "aoql"} & asked.keys():
        asked.setdefault("lot_size", str(programme.pieces_per_tote))
    found = planning.answer(planning.read(asked))
    lot = programme.lot if programme else ""
    said = tell(found, words, lot)
    pulled = {name: text for name, text in texts.items() if name in _PULLS}
    answer = _as_tables(found, said, words)
    if not pulled and sheet is None:
        return answer, None
    pulling = _pulled(pulled, found, programme)
    page = None if sheet is None else sheets.sheet(pulling, said.pull, words, programme)
    pull_said = sheets.said(pulling, words)
    answer["pull"] = {
        **{"words": pull_said, "seed": pulling.ask.seed, "sheet": sheet},
        **{"totes": pulling.size.totes, "pieces": pulling.size.pieces},
        "schedule": [
            {
                **{"lane": each.label.lane, "shift": each.label.shift, "tote": each.tote},
                "positions": each.positions,
                "where": sheets.positions(each, words),
            }
            for each in pulling.schedule.pulls
        ],
    }
    return answer, page


def told(answer: Mapping[str, Any]) -> str:
    """An answer for the terminal: words first, then the table, then what to pull."""
    from qa.cli import printing  # noqa: PLC0415 - pandas takes long to import
    from qa.wording import load  # noqa: PLC0415 - the same

    say = load().say
    parts = [
        f"{answer['words']}\n{answer['meaning']}",
        printing.aligned(answer["table"]["heads"], answer["table"]["rows"]),
        "\n".join(each for each in (answer["holds"], answer["work"]["words"]) if each),
        "\n".join(answer["warnings"]),
    ]
    pull = answer.get("pull")
    if pull:
        heads = [say(f"pull.{name}") for name in ("lane", "shift", "tote", "positions")]
        rows = [
            [each["lane"], each["shift"], each["tote"], each["where"]] for each in pull["schedule"]
        ]
        parts += [
            f"{pull['words']} {say('pull.seed', seed=str(pull['seed']))}",
            printing.aligned(heads, rows),
        ]
        if pull["sheet"]:
            parts.append(say("pull.written", path=pull["sheet"]))
    return "\n\n".join(parts)


def _as_tables(found: Any, said: Any, words: Any) -> dict[str, Any]:
    from qa.planning.words import table  # noqa: PLC0415 - scipy takes long to import

    ask, plan, last = found.ask, found.plan, found.stages[-1]
    heads, rows = table(found, words)
    risks = {
        "incorrect": found.risks.p,
        "accepted": found.risks.accepted,
        **{name: getattr(found.risks, name) for name in _EFFECTS},
    }
    return {
        "way": ask.way,
        "words": said.pull,
        "meaning": said.meaning,
        "holds": said.holds,
        "warnings": said.warnings,
        "lot_size": ask.lot_size,
        **{name: getattr(ask.question, name) for name in ask.question.__dataclass_fields__},
        "conditions": ask.conditions,
        **{"n": plan.n, "ac": last.ac, "re": last.re},
        "stages": [stage._asdict() for stage in found.stages],
        "inspect_all": found.inspect_all,
        "model": found.model,
        "qualities": [
            {"accepted": chance, "incorrect": quality}
            for chance, quality in zip(found.chances, found.qualities, strict=True)
        ],
        "risks": [
            {name: None if column is None else float(column[at]) for name, column in risks.items()}
            for at in range(len(found.risks.p))
        ],
        "aoql_reached": None if found.aoql is None else found.aoql._asdict(),
        "work": {"words": said.work, **{name: getattr(found.work, name) for name in _WORK}},
        "table": {"heads": heads, "rows": rows},
    }


_EFFECTS = ("by_inspectors", "in_totes", "asn", "ati", "aoq")
_WORK = ("lots", "pieces", "hours", "sorted_pieces", "sorted_hours")


def _pulled(texts: dict[str, str], found: Any, programme: Any) -> Any:
    """What to pull: from the programme's lanes and shifts, or from totes of no name."""
    from qa import planning  # noqa: PLC0415 - scipy takes long to import
    from qa.errors import InvalidAsk  # noqa: PLC0415 - beside its only use

    by = next((way for name, way in _BY.items() if name in texts), "plan")
    texts.setdefault("seed", str(secrets.randbelow(10**9)))
    asked = planning.read_pull({"by": by, **texts})
    if programme:
        where, holds = planning.cells(asked, programme), programme.pieces_per_tote
        return planning.pull(asked, found, where, pieces_per_tote=holds)
    needed = {"filled": asked.filled, "lot_size": found.ask.lot_size}
    missing = {name: "is missing; give it, or --store" for name, it in needed.items() if not it}
    if missing:
        raise InvalidAsk(missing)
    for name in ("lane", "shift"):
        if name in texts:
            raise InvalidAsk({name: f"is of a programme, which --store names; got {texts[name]}"})
    where = (planning.Cell("", "", asked.filled or 0),)
    return planning.pull(asked, found, where, pieces_per_tote=found.ask.lot_size)


_BY = {"half_width": "precision", "rise": "rise"}


def _programme(where: str | None) -> Any:
    if where is None:
        return None
    from qa.store import records, schema  # noqa: PLC0415 - SQLAlchemy takes long to import

    return records.programme(schema.open_store(where))


def _written(path: Path, page: str) -> None:
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as reason:
        raise InvalidFile(f"{path} cannot be written: {reason.strerror}") from None
