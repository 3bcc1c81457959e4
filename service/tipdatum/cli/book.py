"""`tipdatum book`: the level book of a running service."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tipdatum.bus.topics import ROOT
from tipdatum.cli.send import (
    REFUSED,
    By,
    Ca,
    Host,
    MachineId,
    PasswordFile,
    Port,
    Tls,
    TopicRoot,
    User,
    access_to,
    ask,
)
from tipdatum.cli.writing import write_text


def book(
    output: Annotated[Path | None, typer.Option("--output", "-o", help="Write CSV to this file.")] = None,
    csv: Annotated[bool, typer.Option("--csv", help="Print CSV instead of a table.")] = False,
    host: Host = "127.0.0.1",
    port: Port = 1883,
    machine: MachineId = None,
    user: User = None,
    password_file: PasswordFile = None,
    tls: Tls = False,
    ca: Ca = None,
    topic_root: TopicRoot = ROOT,
    by: By = None,
) -> None:
    """Print the level book, or write it as CSV."""
    form = "csv" if csv or output is not None else "table"
    access = access_to(host, port, user, password_file, tls, ca)
    reply = ask(access, "book/export", {"form": form}, machine, topic_root, by, wait=10.0)
    if not reply["ok"]:
        typer.echo(reply["text"], err=True)
        raise typer.Exit(REFUSED)
    text = reply["result"]["text"]
    if output is None:
        typer.echo(text, nl=False)
    else:
        write_text(output, text)
        typer.echo(f"{reply['text'].rstrip('.')} written to {output}.")
