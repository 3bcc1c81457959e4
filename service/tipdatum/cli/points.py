"""`tipdatum points`: the as-dug points of a running service."""

from __future__ import annotations

from contextlib import closing
from typing import Annotated

import typer

from tipdatum.cli import Exit
from tipdatum.cli.asker import Asker
from tipdatum.cli.options import Access, By, Csv, Json, Output, print_json, talker, with_access
from tipdatum.cli.send import sender
from tipdatum.results import write_text
from tipdatum.sentences import counted
from tipdatum.tables import grid, rows_of

WITHIN_S = 10.0


@with_access
def points(
    access: Access,
    output: Output = None,
    csv: Csv = False,
    as_json: Json = False,
    plain: Annotated[
        bool, typer.Option("--plain", help="Leave the # lines of the CSV out that say whose record it is.")
    ] = False,
    by: By = None,
) -> None:
    """Print the as-dug points, or write them as CSV."""
    text, count = exported(access, by or sender(access), plain=plain)
    if as_json:
        print_json(rows_of(text), output)
    elif output is not None:
        write_text(output, text)
        talker(output).print(f"{counted(count, 'as-dug point')} written to {output}.")
    elif csv:
        typer.echo(text, nl=False)
    else:
        # Without rows there are no columns, and a table without columns shows not even its title.
        talker().print(grid(rows_of(text), counted(count, "as-dug point")) if count else "No as-dug points.")


def exported(access: Access, by: str, *, plain: bool) -> tuple[str, int]:
    """All points as CSV, and how many they are."""
    parts: list[str] = []
    first: int | None = 1
    count = 0
    with closing(Asker(access)) as asker:
        while first is not None:
            reply = asker.ask("point/export", {"first": first}, by, WITHIN_S)
            if not reply["ok"]:
                typer.echo(reply["text"], err=True)
                raise typer.Exit(Exit.NO)
            result = reply["result"]
            parts.append(result["text"])
            count += result["points"]
            first = result["next"]
    return joined(parts, plain), count


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
