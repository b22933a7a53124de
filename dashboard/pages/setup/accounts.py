"""People on Setup: accounts and devices, what each may do, and what was changed of them."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

from dash import html

from dashboard import components, people
from dashboard.pages.sending import asked_who
from dashboard.texts import Wording
from dashboard.views.people import ACCOUNT, DEED, DEEDS, WHO, WHY, Done, PeopleView
from qa.store.people import DEVICE_ROLES, LEAD, MOST, RECORDER, ROLES, Account, Change, Device

PART, CHANGE_AT = "people", "/setup/people"
PATH = "/setup"
FORMS = tuple(f"setup-{deed}" for deed in DEEDS)


def body(words: Wording, view: PeopleView) -> html.Div:
    return html.Div(one(words, view, view.of) if view.of else every(words, view))


def every(words: Wording, view: PeopleView) -> list[Any]:
    say = words.say
    first = not view.accounts
    accounts = components.note(say("people.none")) if first else listed(words, view)
    parts = [components.panel(say("people.accounts"), accounts, id="setup-accounts")]
    parts.append(adding(words, view, first=first))
    return [*parts, *([] if first else devices(words, view)), *history(words, view)]


def listed(words: Wording, view: PeopleView) -> html.Div:
    """Every account, each leading to what can be changed of it."""
    say = words.say
    columns = [
        say(f"people.{name}")
        for name in ("name", "role", "ways", "stands", "last_sign_in", "locked_until")
    ]
    rows = []
    for each in view.accounts:
        standing = view.standings.get(each.name)
        address = f"{PATH}?{urlencode({'part': PART, ACCOUNT: each.name})}"
        rows.append(
            [
                html.A(each.name, href=address),
                say(f"role.{each.role}"),
                ways(words, each),
                say("people.shut" if each.disabled else "people.active"),
                moment(words, view, standing and standing.passed) or say("people.never"),
                moment(words, view, standing and standing.locked_until) or say("people.not_locked"),
            ]
        )
    return components.table(None, columns, rows, say("people.accounts"), stacks=("", *columns[1:]))


def ways(words: Wording, account: Account) -> str:
    known = [way for way in ("password", "pin") if getattr(account, way)]
    return ", ".join(words.say(f"people.by_{way}") for way in known) or words.say("people.by_none")


def adding(words: Wording, view: PeopleView, *, first: bool) -> html.Section:
    say = words.say
    roles, usual = ((LEAD,), LEAD) if first else (ROLES, RECORDER)
    fields = [
        components.field("setup-add-name", say("people.name")),
        role(words, "setup-add-role", roles, usual),
        password(words, "setup-add-password"),
        *([] if first else [pin(words, "setup-add-pin")]),
    ]
    return components.panel(
        say("people.add_first" if first else "people.add"),
        html.P(say("people.roles"), className="quiet"),
        html.P(say("people.made_first" if first else "people.made"), className="quiet"),
        form(words, "add", fields),
        key=mark("add", view),
        className="setup",
    )


def one(words: Wording, view: PeopleView, account: Account) -> list[Any]:
    """One account: how it stands, the forms that change it, and what was done to it."""
    say = words.say
    of = components.hidden
    standing = view.standings.get(account.name)
    last = moment(words, view, standing and standing.passed)
    locked = moment(words, view, standing and standing.locked_until)
    said = [
        say("people.is", role=say(f"role.{account.role}"), ways=ways(words, account)),
        say("people.is_shut") if account.disabled else "",
        say("people.last", when=last) if last else say("people.never_in"),
        say("people.is_locked", when=locked) if locked else "",
    ]
    changes = {
        "role": [role(words, "setup-role-role", ROLES, account.role)],
        "password": [password(words, "setup-password-password")],
        "pin": [pin(words, "setup-pin-pin")],
        "open" if account.disabled else "shut": [],
    }
    panels = [
        panel(words, view, deed, fields, of(f"setup-{deed}-{ACCOUNT}", account.name))
        for deed, fields in changes.items()
    ]
    back = html.A(say("people.back"), href=f"{PATH}?part={PART}", className="choice")
    return [
        html.Nav(back, className="filters"),
        components.panel(
            account.name, *(html.P(each) for each in said if each), id="setup-account"
        ),
        *panels,
        *history(words, view),
    ]


def devices(words: Wording, view: PeopleView) -> list[html.Section]:
    say = words.say
    names = ("device", "kind", "role", "stands", "last_used", "since", "who")
    rows = [device(words, view, each) for each in view.devices]
    columns = [say(f"people.{name}") for name in names]
    there = (
        components.table(None, columns, rows, say("people.devices"), stacks=("", *columns[1:]))
        if rows
        else None
    )
    live = [(each.name, each.name) for each in view.devices if not each.revoked]
    station = html.A(say("make_station.title"), href=people.AT_STATION, target="_self")
    token = [
        components.field("setup-token-name", say("people.device")),
        role(words, "setup-token-role", DEVICE_ROLES, RECORDER),
    ]
    ending = components.select("setup-revoke-name", say("people.device"), live)
    parts = [
        components.panel(
            say("people.devices"),
            there or components.note(say("people.no_devices")),
            html.P([say("people.lead_station"), " ", station], className="quiet"),
            id="setup-devices",
        ),
        panel(words, view, "token", token),
    ]
    return [*parts, panel(words, view, "revoke", [ending])] if live else parts


def panel(
    words: Wording, view: PeopleView, deed: str, fields: list[Any], *hidden: Any
) -> html.Section:
    """A form with its title and what must be known before."""
    return components.panel(
        words.say(f"people.title_{deed}"),
        html.P(words.say(f"people.lead_{deed}"), className="quiet"),
        form(words, deed, fields, *hidden),
        key=mark(deed, view),
        className="setup",
    )


def device(words: Wording, view: PeopleView, found: Device) -> list[Any]:
    say = words.say
    return [
        found.name,
        say(f"people.kind_{found.kind}"),
        say(f"role.{found.role}"),
        say("people.revoked" if found.revoked else "people.opens"),
        moment(words, view, found.used) or say("people.never"),
        moment(words, view, found.at),
        found.by,
    ]


def history(words: Wording, view: PeopleView) -> list[html.Section]:
    """What was done, by whom, when and why, the newest first."""
    if not view.changes:
        return []
    say = words.say
    columns = [say(f"people.{name}") for name in ("when", "what", "who", "why")]
    rows = [
        [
            moment(words, view, each.at),
            told(words, each),
            each.by,
            each.reason or say("people.no_reason"),
        ]
        for each in view.changes
    ]
    more = say("people.earlier", count=view.earlier) if view.earlier else None
    of = say("people.history_of", name=view.of.name) if view.of else say("people.history")
    table = components.table(more, columns, rows, of, stacks=("", "", *columns[2:]))
    return [components.panel(of, table, id="setup-people-history")]


def told(words: Wording, change: Change) -> str:
    """One change as a sentence."""
    role = words.say(f"role.{change.role}") if change.role else ""
    named = {"name": change.name, "role": role}
    if change.kind == ACCOUNT:
        return words.say(f"people_of_account.{change.action}", **named)
    return words.say(f"people_of_device.{change.action}", **named)


def done(words: Wording, what: Done) -> dict[str, str]:
    """What a form hears back."""
    role = words.say(f"role.{what.role}") if what.role else ""
    key = f"people_once.{what.deed}" if what.once else f"people_done.{what.deed}"
    return {"said": words.say(key, name=what.name, role=role), "once": what.once}


def role(words: Wording, identity: str, roles: Iterable[str], chosen: str) -> html.Div:
    ways = [(each, words.say(f"role.{each}")) for each in roles]
    return components.select(identity, words.say("people.role"), ways, chosen)


def password(words: Wording, identity: str) -> html.Div:
    return components.field(identity, words.say("people.password"), secret=True, most=MOST)


def pin(words: Wording, identity: str) -> html.Div:
    return components.field(identity, words.say("people.pin"), number=True, most=8)


def form(words: Wording, deed: str, fields: list[Any], *hidden: Any) -> html.Form:
    name = f"setup-{deed}"
    stamp = [
        asked_who(words, f"{name}-{WHO}"),
        components.field(f"{name}-{WHY}", words.say("people.why")),
    ]
    return components.form(
        words,
        name,
        CHANGE_AT,
        words.say(f"people.do_{deed}"),
        components.hidden(f"{name}-{DEED}", deed),
        *hidden,
        html.Div([*fields, *stamp], className="fields"),
    )


def mark(part: str, view: PeopleView) -> str:
    """What makes a form a new one, with nothing typed in it, after each change."""
    of = view.of.name if view.of else ""
    return f"{part} {of} {len(view.changes) + view.earlier}"


def moment(words: Wording, view: PeopleView, at: datetime | None) -> str:
    """In plant time, with the day; "" for none."""
    if at is None:
        return ""
    return f"{at.astimezone(view.zone):%Y-%m-%d} {words.clock(at, view.zone)}"
