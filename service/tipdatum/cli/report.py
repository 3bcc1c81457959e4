"""`tipdatum report`: a dig, or two of them beside each other, as one HTML file to read and print."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import typer

from tipdatum.cli.gather import gather
from tipdatum.cli.inputs import settings_from
from tipdatum.cli.options import (
    STANDARD_INPUT,
    Config,
    Estimators,
    Output,
    ReadersLanguage,
    SessionFiles,
    speech_for,
    talker,
    with_options,
)
from tipdatum.cli.recordings import Recordings, recordings_from
from tipdatum.display.report.page import all_tables
from tipdatum.display.report.page import report as write_report
from tipdatum.display.report.run import Run
from tipdatum.display.report.tables import TIP_HEAD, tip_rows
from tipdatum.display.report.words import UNITS, Words
from tipdatum.errors import InputError
from tipdatum.results import write_text
from tipdatum.run.replay import output_name
from tipdatum.tables import write_both

MOST_RUNS = 4
"""More lines than this in one drawing nobody tells apart."""


@with_options("recordings", recordings_from)
def report(
    session: SessionFiles,
    recordings: Recordings,
    output: Output = None,
    tables: Annotated[
        Path | None, typer.Option(help="Folder for the tables: CSV, with pyarrow also Parquet.")
    ] = None,
    estimator: Estimators = None,
    config: Config = None,
    units: Annotated[str, typer.Option(help="m: metres and millimetres; ft: decimal feet and inches.")] = "m",
    language: ReadersLanguage = "en",
    site: Annotated[str, typer.Option(help="Site, for the report's head.")] = "",
    operator: Annotated[str, typer.Option(help="Who dug, for the report's head.")] = "",
    joined: Annotated[
        bool, typer.Option("--joined", help="The sessions are one day of one machine, one after the other.")
    ] = False,
    timezone: Annotated[
        str | None, typer.Option(help="Zone of the times, such as Europe/Vienna; default this computer's.")
    ] = None,
) -> None:
    """Write what was dug, how closely, on which reference, and how the sensors did, as one HTML file."""
    if units not in UNITS:
        raise InputError(f'--units: found "{units}", expected one of {", ".join(UNITS)}')
    speech_for(language)
    words = Words.of(UNITS[units], language, _zone(timezone))
    plan = _plan(session[:1] if joined else session, estimator or [])
    later = session[1:] if joined else []
    with recordings.opened([*(path for path, _, _ in plan), *later]) as files:
        more = files[len(plan) :]
        runs = [
            gather(file, settings_from(config, name), label, more)
            for file, (_, name, label) in zip(files, plan, strict=False)
        ]
    runs = [replace(run, site=site or run.site, operator=operator or run.operator) for run in runs]
    if output is None and session[0].name.startswith(STANDARD_INPUT):
        raise InputError("a session from standard input has no place of its own: say --output FILE")
    beside = session[0].with_name(output_name(session[0]).replace(".tip.ndjson", ".report.html"))
    target = beside if output is None else output / beside.name if output.is_dir() else output
    try:
        write_text(target, write_report(runs, words))
        console = talker(target)
        console.print(f"{target}: report of {', '.join(run.name for run in runs)}", soft_wrap=True)
        if tables is not None:
            for run in runs:
                folder = tables / run.name.replace("/", "-") if len(runs) > 1 else tables
                count = _write_tables(run, folder, words)
                console.print(f"{folder}: {count} tables", soft_wrap=True)
    except OSError as error:
        raise InputError(f"{error.filename or target}: {(error.strerror or str(error)).lower()}") from None


def _plan(sessions: list[Path], estimators: list[str]) -> list[tuple[Path, str | None, str]]:
    """(session, estimator, label) of each run."""
    names = [output_name(path).removesuffix(".tip.ndjson") for path in sessions]
    if len(estimators) > 1 and len(sessions) > 1:
        raise InputError("compare either several sessions or several estimators, not both at once")
    if len(estimators) > 1:
        plan: list[tuple[Path, str | None, str]] = [(sessions[0], name, name) for name in estimators]
    else:
        only = estimators[0] if estimators else None
        plan = [
            (path, only, name if names.count(name) == 1 else f"{name} {i + 1}")
            for i, (path, name) in enumerate(zip(sessions, names, strict=True))
        ]
    if len(plan) > MOST_RUNS:
        raise InputError(f"{len(plan)} runs in one report; at most {MOST_RUNS} can be told apart")
    return plan


def _zone(name: str | None) -> ZoneInfo | None:
    if name is None:
        return None
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        raise InputError(f'--timezone: found "{name}", expected a zone such as Europe/Vienna') from None


def _write_tables(run: Run, folder: Path, words: Words) -> int:
    folder.mkdir(parents=True, exist_ok=True)
    tables = all_tables(run, words)
    for table in tables:
        write_both(folder, table.key, *table.plain())
    write_both(folder, "tip", TIP_HEAD, list(tip_rows(run)))
    return len(tables) + 1
