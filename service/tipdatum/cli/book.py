"""`tipdatum book`: the level book of a running service."""

from __future__ import annotations

from contextlib import closing

import typer

from tipdatum.cli import Exit
from tipdatum.cli.asker import Asker
from tipdatum.cli.options import Access, By, Csv, Json, Output, print_json, talker, with_access
from tipdatum.cli.send import sender
from tipdatum.results import write_text
from tipdatum.tables import rows_of

WITHIN_S = 10.0


@with_access
def book(
    access: Access, output: Output = None, csv: Csv = False, as_json: Json = False, by: By = None
) -> None:
    """Print the level book, or write it as CSV."""
    form = "csv" if csv or as_json or output is not None else "table"
    with closing(Asker(access)) as asker:
        reply = asker.ask("book/export", {"form": form}, by or sender(access), WITHIN_S)
    if not reply["ok"]:
        typer.echo(reply["text"], err=True)
        raise typer.Exit(Exit.NO)
    text = reply["result"]["text"]
    if as_json:
        print_json(rows_of(text), output)
    elif output is None:
        typer.echo(text, nl=False)
    else:
        write_text(output, text)
        talker(output).print(f"{reply['text'].rstrip('.')} written to {output}.")
