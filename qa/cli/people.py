"""`toteproof user`: who may sign in and as what, and which devices may send.

Passwords and PINs come from a prompt, or from the first line of what is piped in; never from the
command line, where others could read them.
"""

import getpass
import sys
from collections.abc import Callable, Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click

from qa.errors import InvalidInput

if TYPE_CHECKING:  # a name for the type checker alone: the module takes long to import
    from qa.store.schema import Store

ROLES = ("viewer", "recorder", "supervisor", "lead")
SENDERS = ("viewer", "recorder")
Answer = dict[str, Any]

_store = click.option("--store", "where", required=True, metavar="PATH", help="The store.")
_who = click.option("--who", metavar="NAME", help="Who changes it; else who is logged in.")
_json = click.option("--json", "as_json", is_flag=True, help="The same content as JSON.")
_reason = click.option("--reason", metavar="TEXT", required=True, help="Why.")
_name = click.argument("name", metavar="NAME")


@click.group()
def user() -> None:
    """People's accounts and devices: add, list, role, password, pin, disable, token, revoke."""


@user.command()
@_name
@_store
@click.option("--role", type=click.Choice(ROLES), required=True, help="What the account may do.")
@click.option("--no-password", "bare", is_flag=True, help="For stations alone, by PIN.")
@_who
@_json
def add(name: str, where: str, role: str, bare: bool, who: str | None, as_json: bool) -> None:
    """Add an account and its password; the first one is the lead's."""
    from qa.store import people  # noqa: PLC0415 - SQLAlchemy takes long to import

    store, by = _opened(where), _by(who)
    people.check_new(store, name, role)
    password = "" if bare else _typed("Password", name)
    if not bare:
        people.check_password(name, password)
    given = None if bare else password
    kept = people.add_account(store, name, role, by=by, at=_now(), password=given)
    _say("added", kept, as_json)


@user.command("list")
@_store
@_json
def list_(where: str, as_json: bool) -> None:
    """Every account and device as it stands."""
    from qa.cli import printing  # noqa: PLC0415 - pandas takes long to import
    from qa.store import people  # noqa: PLC0415 - SQLAlchemy takes long to import
    from qa.wording import load  # noqa: PLC0415 - only for what is printed

    store = _opened(where)
    answer = {
        "accounts": [_shown(each) for each in people.accounts(store)],
        "devices": [_shown(each) for each in people.devices(store)],
    }
    told = printing.as_json(answer) if as_json else printing.people(printing.plain(answer), load())
    click.echo(told)


@user.command()
@_name
@click.argument("role", metavar="ROLE", type=click.Choice(ROLES))
@_store
@click.option("--reason", metavar="TEXT", default="", help="Why.")
@_who
@_json
def role(name: str, role: str, where: str, reason: str, who: str | None, as_json: bool) -> None:
    """Give an account another role: viewer, recorder, supervisor or lead."""
    from qa.store import people  # noqa: PLC0415 - SQLAlchemy takes long to import

    kept = people.set_role(_opened(where), name, role, by=_by(who), at=_now(), reason=reason)
    _say("changed", kept, as_json)


@user.command()
@_name
@_store
@_who
@_json
def password(name: str, where: str, who: str | None, as_json: bool) -> None:
    """Give an account a new password, which signs it out everywhere."""
    from qa.store import people  # noqa: PLC0415 - SQLAlchemy takes long to import

    _set_typed(people.set_password, "Password", name, where, who, as_json)


@user.command()
@_name
@_store
@_who
@_json
def pin(name: str, where: str, who: str | None, as_json: bool) -> None:
    """Give an account a PIN of four to eight digits, for stations."""
    from qa.store import people  # noqa: PLC0415 - SQLAlchemy takes long to import

    _set_typed(people.set_pin, "PIN", name, where, who, as_json)


@user.command()
@_name
@_store
@_reason
@click.option("--undo", is_flag=True, help="Open it again.")
@_who
@_json
def disable(name: str, where: str, reason: str, undo: bool, who: str | None, as_json: bool) -> None:
    """Shut an account, which signs it out everywhere; it stays on record."""
    from qa.store import people  # noqa: PLC0415 - SQLAlchemy takes long to import

    store, by = _opened(where), _by(who)
    kept = people.set_disabled(store, name, not undo, by=by, at=_now(), reason=reason)
    _say("opened" if undo else "disabled", kept, as_json)


@user.command()
@click.argument("device", metavar="DEVICE")
@_store
@click.option(
    "--role",
    type=click.Choice(SENDERS),
    default="recorder",
    show_default=True,
    help="Whether it may record, or read alone.",
)
@_who
@_json
def token(device: str, where: str, role: str, who: str | None, as_json: bool) -> None:
    """Give a device a token for the HTTP API, told this once; an older one of it ends.

    A station for Tally is made on its own browser instead, by a lead, at the address /station.
    """
    from qa.store import people  # noqa: PLC0415 - SQLAlchemy takes long to import

    store = _opened(where)
    key = people.register(store, device, people.TOKEN, role=role, by=_by(who), at=_now())
    _tell("token", {"device": device, "role": role, "token": key}, as_json)


@user.command()
@click.argument("device", metavar="DEVICE")
@_store
@_reason
@_who
@_json
def revoke(device: str, where: str, reason: str, who: str | None, as_json: bool) -> None:
    """Say that a device's token, or a station, opens nothing any more."""
    from qa.store import people  # noqa: PLC0415 - SQLAlchemy takes long to import

    kept = people.revoke(_opened(where), device, reason=reason, by=_by(who), at=_now())
    _say("revoked", kept, as_json)


def _set_typed(
    change: Callable[..., Any], what: str, name: str, where: str, who: str | None, as_json: bool
) -> None:
    """Ask for a secret of an account that is there, and keep it."""
    from qa.store import people  # noqa: PLC0415 - SQLAlchemy takes long to import

    store = _opened(where)
    people.check_known(store, name)
    kept = change(store, name, _typed(what, name), by=_by(who), at=_now())
    _say("changed", kept, as_json)


def _typed(what: str, name: str) -> str:
    if sys.stdin.isatty():
        prompt = f"{what} for {name}"
        return str(click.prompt(prompt, hide_input=True, confirmation_prompt=True, err=True))
    line = sys.stdin.readline().rstrip("\r\n")
    if not line:
        raise InvalidInput(f"{what} is missing: type it when asked, or pipe it in as a line")
    return line


def _say(key: str, kept: Any, as_json: bool) -> None:
    _tell(key, _shown(kept), as_json)


def _tell(key: str, answer: Mapping[str, Any], as_json: bool) -> None:
    from qa.cli import printing  # noqa: PLC0415 - pandas takes long to import
    from qa.wording import load  # noqa: PLC0415 - only for what is printed

    said = load().say(f"command.user.{key}", **answer)
    click.echo(printing.as_json(answer) if as_json else said)


def _shown(kept: Any) -> Answer:
    """An account or a device; there is no digest in either."""
    return {name: value for name, value in asdict(kept).items() if name != "number"}


def _opened(where: str) -> "Store":
    from qa.store import schema  # noqa: PLC0415 - SQLAlchemy takes long to import

    return schema.open_store(where)


def _by(who: str | None) -> str:
    if who:
        return who
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # an account without a name
        return "command"


def _now() -> datetime:
    return datetime.now(UTC)
