"""`tipdatum points`: the as-dug points of a running service, as CSV."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Annotated

import typer

from tipdatum.bus.topics import ROOT
from tipdatum.cli.asker import Asker
from tipdatum.cli.send import (
    REFUSED,
    Ca,
    Host,
    MachineId,
    PasswordFile,
    Port,
    Tls,
    TopicRoot,
    User,
    access_to,
)
from tipdatum.cli.writing import write_text


def points(
    output: Annotated[Path | None, typer.Option("--output", "-o", help="Write to this file.")] = None,
    plain: Annotated[
        bool, typer.Option("--plain", help="Leave the # lines out that say whose record it is.")
    ] = False,
    host: Host = "127.0.0.1",
    port: Port = 1883,
    machine: MachineId = None,
    user: User = None,
    password_file: PasswordFile = None,
    tls: Tls = False,
    ca: Ca = None,
    topic_root: TopicRoot = ROOT,
) -> None:
    """Print the as-dug points as CSV, or write them to a file."""
    access = access_to(host, port, user, password_file, tls, ca)
    parts: list[str] = []
    first: int | None = 1
    count = 0
    with closing(Asker(access, machine, topic_root)) as asker:
        while first is not None:
            reply = asker.ask("point/export", {"first": first}, "command line", 10.0)
            if not reply["ok"]:
                typer.echo(reply["text"], err=True)
                raise typer.Exit(REFUSED)
            result = reply["result"]
            parts.append(result["text"])
            count += result["points"]
            first = result["next"]
    text = joined(parts, plain)
    if output is None:
        typer.echo(text, nl=False)
    else:
        write_text(output, text)
        typer.echo(f"{count} points written to {output}.")


def joined(parts: list[str], plain: bool) -> str:
    """Several exports as one: head and column line once; without the # lines where `plain`."""
    lines: list[str] = []
    for i, part in enumerate(parts):
        rows = part.splitlines()
        says = [row for row in rows if row.startswith("# ")]
        rest = rows[len(says) :]
        if i == 0 and not plain:
            lines += says
        lines += rest if i == 0 else rest[1:]
    return "\n".join(lines) + "\n"
