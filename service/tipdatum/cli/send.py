"""`tipdatum send`: a command to a running service, and its answer."""

from __future__ import annotations

import getpass
from contextlib import closing
from typing import Annotated, Any

import typer

from tipdatum.cli import Exit
from tipdatum.cli.asker import Asker
from tipdatum.cli.options import Access, By, Json, body_of, print_json, with_access
from tipdatum.errors import CommandRefused, InputError
from tipdatum.grade.commands import COMMANDS, explain, listing, parse_body, spec_of


def command_names(incomplete: str) -> list[tuple[str, str]]:
    """What a shell offers in the command's place."""
    return [(name, spec.help) for name, spec in sorted(COMMANDS.items()) if name.startswith(incomplete)]


@with_access
def send(
    access: Access,
    command: Annotated[
        str | None,
        typer.Argument(help="Such as datum/set; left out: list all.", autocompletion=command_names),
    ] = None,
    values: Annotated[
        list[str] | None,
        typer.Argument(help='Such as elevation_m=24.31, grade="falling 1%", depth=1.2m, table=@profile.csv.'),
    ] = None,
    fields: Annotated[bool, typer.Option("--fields", help="Explain what the command takes.")] = False,
    as_json: Json = False,
    by: By = None,
    wait: Annotated[
        float, typer.Option("--wait", min=1, max=600, help="How long to wait for the answer, s.")
    ] = 130.0,
) -> None:
    """Send a command to a running service and print its answer."""
    if command is None or fields:
        _say_what_there_is(command, as_json=as_json)
        return
    body = body_of(values or [])
    _check(command, body)
    with closing(Asker(access)) as asker:
        reply = asker.ask(command, body, by or sender(access), wait)
    if as_json:
        print_json(reply)
    else:
        typer.echo(reply["text"], err=not reply["ok"])
    if not reply["ok"]:
        raise typer.Exit(Exit.NO)
    text = (reply.get("result") or {}).get("text")
    if text and not as_json:
        typer.echo(text, nl=False)


def _say_what_there_is(command: str | None, *, as_json: bool) -> None:
    """All commands in a line each, or what one of them takes; as JSON the schema of its body."""
    if as_json:
        by_name = {name: spec.help for name, spec in sorted(COMMANDS.items())}
        print_json(by_name if command is None else spec_of(command).body.model_json_schema())
    else:
        typer.echo(listing() if command is None else explain(command), nl=False)


def sender(access: Access) -> str:
    """Who sends a command where --by does not say it."""
    if access.user:
        return access.user
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "command line"


def _check(command: str, body: dict[str, Any]) -> None:
    """Find a mistake here, before it travels.

    Raises:
        InputError: the service would refuse it for its form.
    """
    try:
        parse_body(command, body)
    except CommandRefused as reason:
        raise InputError(str(reason)) from None
