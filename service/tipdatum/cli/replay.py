"""`tipdatum replay`: recorded sessions, as fast as they go, into tip messages."""

from __future__ import annotations

import functools
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import orjson
import typer

from tipdatum.cli.inputs import settings_from
from tipdatum.cli.options import Config, Estimator, Output, OutputDir, SessionFiles, as_typed, with_options
from tipdatum.cli.recordings import Recordings, recordings_from
from tipdatum.config import Settings
from tipdatum.core.messages_out import Outgoing
from tipdatum.errors import InputError
from tipdatum.results import STANDARD, result_file
from tipdatum.run.replay import Summary, output_name, replay_file, replay_many
from tipdatum.tables import demand_table_writer, is_table, write_table


@with_options("recordings", recordings_from)
def replay(
    session: SessionFiles,
    recordings: Recordings,
    output: Output = None,
    output_dir: OutputDir = None,
    told: Annotated[
        Path | None,
        typer.Option(help="File for all else that was said: replies, events, state, health, one a line."),
    ] = None,
    config: Config = None,
    estimator: Estimator = None,
    jobs: Annotated[
        int | None, typer.Option(min=1, help="Processes to run at once; default one a core.")
    ] = None,
) -> None:
    """Play recordings into tip messages, one a line, plus t_emit; .csv and .parquet names give a table."""
    settings = settings_from(config, estimator)
    if output is not None and output_dir is not None:
        raise InputError("--output and --output-dir exclude each other")
    if output is not None and (output.is_dir() or (len(session) > 1 and output != STANDARD)):
        output, output_dir = None, output
    if output_dir is None:
        if output is None:
            raise InputError("say where the messages go: -o FILE, or -o FOLDER for those of several sessions")
        if len(session) > 1:
            raise InputError(f"{len(session)} sessions need a folder for their messages: -o FOLDER")
        with _teller(told) as watch, recordings.opened(session) as (one,):
            if is_table(output):
                demand_table_writer(output)
                summary = _into_table(one, output, settings, watch)
            else:
                summary = replay_file(one, output, settings, watch=watch)
        _report(summary, _say)
        return
    if told is not None:
        raise InputError("--told goes with one session and --output")
    if output_dir.exists() and not output_dir.is_dir():
        raise InputError(f"{output_dir} is not a folder; the messages of several sessions want one")
    twice = [name for name, n in Counter(map(output_name, session)).items() if n > 1]
    if twice:
        raise InputError(
            f"two of the sessions would both be written to {twice[0]}; replay them into two folders"
        )
    errors: list[InputError] = []
    # Imported here: one session is replayed without a bar.
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    say = functools.partial(console.print, highlight=False, markup=False, emoji=False, soft_wrap=True)
    columns = (TextColumn("replaying"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("replaying", total=len(session))

        def progress(done: Summary | InputError) -> None:
            bar.advance(task)
            if isinstance(done, Summary):
                _report(done, say)
            else:
                errors.append(done)

        with recordings.opened(session) as files:
            replay_many(files, output_dir, settings, progress, jobs)
    for error in errors[1:]:
        say(f"tipdatum: {error}")
    if errors:
        raise errors[0]


def _into_table(
    session: Path, target: Path, settings: Settings, watch: Callable[[Outgoing], None] | None
) -> Summary:
    with tempfile.TemporaryDirectory(prefix="tipdatum-") as folder:
        messages = Path(folder) / "tip.ndjson"
        summary = replay_file(session, messages, settings, watch=watch)
        with messages.open("rb") as lines:
            write_table(target, [flat(orjson.loads(line)) for line in lines])
    return summary


def flat(message: dict[str, Any]) -> dict[str, Any]:
    """A message as a row of plain values: lists of words in one cell, sentences as their codes, no origin."""
    return {
        key: "; ".join(map(_word, value)) if isinstance(value, list) else value
        for key, value in message.items()
        if not isinstance(value, dict)
    }


def _word(value: Any) -> str:
    if isinstance(value, list):
        return " ".join(filter(None, map(_word, value)))
    return str(value.get("code", "")) if isinstance(value, dict) else str(value)


@contextmanager
def _teller(path: Path | None) -> Iterator[Callable[[Outgoing], None] | None]:
    """Writes messages with the topic that they would go to, one a line."""
    if path is None:
        yield None
        return
    with result_file(path) as out:

        def write(item: Outgoing) -> None:
            topic = f"{item.name}/{item.part}" if item.part else item.name
            out.write(orjson.dumps({"topic": topic, **item.message.model_dump(mode="json")}) + b"\n")

        yield write


def _report(summary: Summary, say: Callable[[str], None]) -> None:
    say(as_typed(f"{summary.session}: {summary.messages} tip messages over {summary.duration_s:.1f} s"))
    for warning in summary.warnings:
        say(as_typed(f"{summary.session}: warning: {warning}"))


def _say(text: str) -> None:
    typer.echo(text, err=True)
