"""A pull as people read it: in a sentence, as rows, and as a sheet to print (one HTML page)."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from html import escape

from qa.planning.pulling import ByPlan, ByPrecision, ByRise, Cell, Pulling
from qa.planning.words import per_cent, time
from qa.plans.pull import DEPTHS, Pull
from qa.programme import Programme, Shift
from qa.wording import Wording

_CAUTIONS = ("take", "deep", "guards", "back", "food")
_STYLE = """
@page { size: A4; margin: 9mm; }
* { box-sizing: border-box; }
body { font: 9pt/1.25 "Source Sans 3", system-ui, sans-serif; color: #000; background: #fff;
  margin: 0 auto; max-width: 192mm; padding: 4mm; font-variant-numeric: tabular-nums; }
h1 { font-size: 16pt; margin: 0; } h2 { font-size: 10pt; margin: 0; } p { margin: 1mm 0; }
header { display: flex; justify-content: space-between; align-items: baseline; }
.lines { display: grid; grid-template-columns: 1fr 1fr 2fr; gap: 5mm; margin: 3mm 0; }
.lines span { border-bottom: 0.3mm solid #000; padding-bottom: 1mm; height: 8mm; display: flex;
  align-items: end; }
.cautions { border: 0.6mm solid #000; padding: 1.5mm 3mm; margin: 2mm 0; }
.cautions ul { margin: 0; padding-left: 4mm; }
table { width: 100%; border-collapse: collapse; margin-top: 2mm; }
thead { display: table-header-group; } tr { break-inside: avoid; }
th, td { border: 0.3mm solid #000; padding: 0 1.2mm; text-align: left; height: 5.8mm; }
.place span, td:not(.place) { white-space: nowrap; }
thead th { font-size: 7.5pt; vertical-align: bottom; padding-top: 0.6mm; padding-bottom: 0.6mm; }
.code { min-width: 15mm; } .tote { font-size: 11pt; font-weight: 700; }
@media print { body { padding: 0; max-width: none; } }
"""


def said(pulling: Pulling, words: Wording) -> str:
    """How much to pull, and what that reaches."""
    size, question = pulling.size, pulling.ask.question
    known = {
        "count": size.totes,
        "pieces": words.count(size.pieces),
        "time": time(size.cost / 3600, words),
    }
    if isinstance(question, ByPrecision):
        shares = {"expect": question.expect, "reached": size.reached}
        known |= {name: per_cent(each, words) for name, each in shares.items()}
        return words.say("pull.precision", **known)
    if isinstance(question, ByRise):
        known["expect"] = per_cent(question.expect, words)
        known["reached"] = words.per_cent(size.reached)
        return words.say("pull.rise", rise=words.number(question.rise), **known)
    if pulling.spread is not None:
        proves = words.say("pull.claim", spread=pulling.spread, **known)
        if pulling.left is None or size.totes == 1:
            return proves
        return f"{proves} {words.say('pull.left', confidence=words.per_cent(pulling.left))}"
    return words.say("pull.plan", **known)


def positions(pull: Pull, words: Wording) -> str:
    """Where in a tote the pieces come from, in one line."""
    return ", ".join(
        words.say(
            "pull.position",
            depth=words.say(f"pull.{each.depth}"),
            quadrant=str(each.quadrant),
            pieces=each.pieces,
        )
        for each in pull.positions
    )


def cautions(words: Wording) -> tuple[str, ...]:
    """What everyone who pulls is told, on screen and on paper."""
    return tuple(words.say(f"sheet.caution.{each}") for each in _CAUTIONS)


def sheet(pulling: Pulling, todo: str, words: Wording, programme: Programme | None = None) -> str:
    """The pull sheet: one page for up to about thirty totes.

    Parameters
    ----------
    pulling : Pulling
    todo : str
        What the plan says to do with one lot.
    words : Wording
    programme : Programme, optional
        Gives the names of the site, the shifts and the categories.

    Returns
    -------
    str
        A whole HTML document that needs nothing else.
    """
    say = words.say
    site = say("sheet.of", site=programme.site, name=programme.name) if programme else ""
    size = say("sheet.size", totes=pulling.size.totes, pieces=pulling.size.pieces)
    listed = "".join(f"<li>{_text(each)}</li>" for each in cautions(words))
    seed = str(pulling.ask.seed)
    return f"""<!DOCTYPE html>
<html lang="{_text(words.language)}">
<head><meta charset="utf-8"><title>{_text(say("sheet.title"))}</title>
<style>{_STYLE}</style></head>
<body>
<header><h1>{_text(say("sheet.title"))}</h1><span>{_text(site)}</span></header>
<div class="lines">{"".join(_blanks(pulling, words, programme))}</div>
<p><b>{_text(size)}</b> {_text(_judged(pulling, todo, words, programme))}</p>
<div class="cautions"><h2>{_text(say("sheet.cautions"))}</h2><ul>{listed}</ul></div>
<p>{_text(say("sheet.key"))} {_text(say("sheet.drawn", seed=seed))}</p>
{_table(pulling, words, programme)}
</body>
</html>
"""


def _blanks(pulling: Pulling, words: Wording, programme: Programme | None) -> Iterator[str]:
    """What is filled in by hand; the shift is told where there is but one."""
    shifts = {cell.shift for cell in pulling.shares}
    for name in ("day", "shift", "inspector"):
        told = words.say(f"sheet.{name}")
        if name == "shift" and programme and len(shifts) == 1:
            told = f"{told}: {_shift(programme, next(iter(shifts))).name}"
        yield f"<span>{_text(told)}</span>"


def _judged(pulling: Pulling, todo: str, words: Wording, programme: Programme | None) -> str:
    if not isinstance(pulling.ask.question, ByPlan):
        return words.say("sheet.estimate")
    tote = programme is not None and programme.lot == "tote"
    lot = words.say("sheet.one_tote" if tote else "sheet.one_lot")
    return words.say("sheet.plan", lot=lot, pull=todo)


def _table(pulling: Pulling, words: Wording, programme: Programme | None) -> str:
    say = words.say
    several = len({cell.shift for cell in pulling.shares}) > 1
    names = [*(["lane", *(["shift"] if several else [])] if programme else []), "tote"]
    names += ["about"] if programme else []
    depths = [say(f"sheet.depth.{each}") for each in DEPTHS]
    counted = [each.name for each in programme.categories] if programme else []
    boxes = [say("sheet.inspected"), *(counted or [say("sheet.incorrect")]), say("sheet.correct")]
    heads = [*(say(f"sheet.{each}") for each in names), *depths, say("sheet.code"), *boxes]
    top = "".join(f'<th scope="col">{_text(each)}</th>' for each in heads)
    blank = '<td class="code"></td>' + '<td class="box"></td>' * len(boxes)
    rows = []
    for pull in pulling.schedule.pulls:
        known = _known(pull, programme)
        cells = [_td(_text(known[name]), name) for name in names]
        cells += [_td(_places(pull, depth, words), "place") for depth in DEPTHS]
        rows.append(f"<tr>{''.join(cells)}{blank}</tr>\n")
    return f"<table><thead><tr>{top}</tr></thead>\n<tbody>\n{''.join(rows)}</tbody></table>"


def _known(pull: Pull, programme: Programme | None) -> dict[str, str]:
    """What is known of a tote before it is filled."""
    cell, known = pull.label, {"tote": str(pull.tote)}
    if programme and isinstance(cell, Cell):
        shift = _shift(programme, cell.shift)
        # At a steady pace the middle of the k-th of m totes falls (k - 1/2) / m into the shift.
        into = timedelta(hours=shift.hours * (pull.tote - 0.5) / max(cell.filled, 1))
        about = f"{datetime.combine(datetime.min, shift.start) + into:%H:%M}"
        known |= {"lane": cell.lane, "shift": shift.name, "about": about}
    return known


def _shift(programme: Programme, code: str) -> Shift:
    return next(each for each in programme.shifts if each.code == code)


def _places(pull: Pull, depth: str, words: Wording) -> str:
    """The places in one third, each on a line of its own where they do not fit beside others."""
    told = (
        words.say("sheet.place", pieces=each.pieces, quadrant=str(each.quadrant))
        for each in pull.positions
        if each.depth == depth
    )
    return " ".join(f"<span>{_text(each)}</span>" for each in told)


def _td(html: str, look: str) -> str:
    return f'<td class="{look}">{html}</td>'


def _text(text: str) -> str:
    return escape(text, quote=True)
