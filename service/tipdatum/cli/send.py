"""`tipdatum send`: a command to a running service, and its answer."""

from __future__ import annotations

import getpass
from contextlib import closing
from pathlib import Path
from typing import Annotated, Any

import orjson
import typer

from tipdatum.bus.options import BrokerOptions
from tipdatum.bus.topics import ROOT
from tipdatum.cli.asker import Access, Asker
from tipdatum.errors import CommandRefused, InputError
from tipdatum.grade.commands import explain, listing, parse_body

REFUSED = 1
"""Exit code when the service refuses."""

Host = Annotated[str, typer.Option(help="The broker's address.")]
Port = Annotated[int, typer.Option(min=1, max=65535, help="The broker's MQTT port.")]
MachineId = Annotated[str | None, typer.Option(help="Machine id; default the only one there is.")]
User = Annotated[str | None, typer.Option(help="User at the broker.")]
PasswordFile = Annotated[
    Path | None,
    typer.Option(help="File whose first line is the password (or set TIPDATUM_BROKER_PASSWORD)."),
]
Tls = Annotated[bool, typer.Option("--tls", help="Speak TLS with the broker (usually port 8883).")]
Ca = Annotated[
    Path | None, typer.Option(help="Certificates to trust, PEM; default this computer's. Means --tls.")
]
TopicRoot = Annotated[str, typer.Option(help="First part of the topics.")]
By = Annotated[str | None, typer.Option(help="Who sends it, for the change log; default your user name.")]


def send(
    command: Annotated[str | None, typer.Argument(help="Such as datum/set; left out: list all.")] = None,
    values: Annotated[
        list[str] | None,
        typer.Argument(help='Such as elevation_m=24.31, grade="falling 1%", depth=1.2m, table=@profile.csv.'),
    ] = None,
    fields: Annotated[bool, typer.Option("--fields", help="Explain what the command takes.")] = False,
    host: Host = "127.0.0.1",
    port: Port = 1883,
    machine: MachineId = None,
    user: User = None,
    password_file: PasswordFile = None,
    tls: Tls = False,
    ca: Ca = None,
    topic_root: TopicRoot = ROOT,
    by: By = None,
    wait: Annotated[float, typer.Option(min=1, max=600, help="How long to wait for the answer, s.")] = 130.0,
) -> None:
    """Send a command to a running service and print its answer."""
    if command is None:
        typer.echo(listing(), nl=False)
        return
    if fields:
        typer.echo(explain(command), nl=False)
        return
    body = body_of(values or [])
    _check(command, body)
    reply = ask(
        access_to(host, port, user, password_file, tls, ca), command, body, machine, topic_root, by, wait
    )
    typer.echo(reply["text"], err=not reply["ok"])
    if not reply["ok"]:
        raise typer.Exit(REFUSED)
    text = (reply.get("result") or {}).get("text")
    if text:
        typer.echo(text, nl=False)


def access_to(
    host: str, port: int, user: str | None, password_file: Path | None, tls: bool, ca: Path | None
) -> Access:
    """The broker that the options name.

    Raises:
        ConfigError: the password's file cannot be read or is empty.
    """
    password = BrokerOptions(password_file=password_file).password(file="--password-file")
    return Access(host, port, user, password, tls or ca is not None, ca)


def ask(
    access: Access,
    command: str,
    body: dict[str, Any],
    machine: str | None,
    topic_root: str,
    by: str | None,
    wait: float,
) -> dict[str, Any]:
    """One command and its reply.

    Raises:
        PortError: the broker cannot be reached, or no answer came.
    """
    with closing(Asker(access, machine, topic_root)) as asker:
        return asker.ask(command, body, by or access.user or _user(), wait)


def body_of(values: list[str]) -> dict[str, Any]:
    """A command's body from key=value pairs; a value that is no JSON is taken as text, @FILE as its content.

    Raises:
        InputError: a pair without =, or a file that cannot be read.
    """
    body: dict[str, Any] = {}
    for pair in values:
        key, equals, text = pair.partition("=")
        if not equals or not key:
            raise InputError(f'"{pair}": expected key=value, such as elevation_m=24.31')
        body[key] = _value(text)
    return body


def _value(text: str) -> Any:
    if text.startswith("@"):
        try:
            return Path(text[1:]).read_text(encoding="utf-8")
        except OSError as error:
            raise InputError(f"{text[1:]}: cannot be read ({error.strerror or error})") from None
        except UnicodeDecodeError:
            raise InputError(f"{text[1:]}: found no text; expected a text file in UTF-8") from None
    try:
        return orjson.loads(text)
    except orjson.JSONDecodeError:
        return text


def _check(command: str, body: dict[str, Any]) -> None:
    """Find a mistake here, before it travels.

    Raises:
        InputError: the service would refuse it for its form.
    """
    try:
        parse_body(command, body)
    except CommandRefused as reason:
        raise InputError(str(reason)) from None


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "command line"
