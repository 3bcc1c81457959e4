"""`tipdatum score`: how far a replay was from the truth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer
from rich import box
from rich.table import Table

from tipdatum.cli import Exit
from tipdatum.cli.options import Csv, Json, Output, input_file, print_json, talker, with_options
from tipdatum.cli.recordings import Recordings, recordings_from
from tipdatum.errors import InputError
from tipdatum.results import STANDARD, write_text
from tipdatum.run.replay import output_name
from tipdatum.sessions.scorer import Errors, Score
from tipdatum.sessions.verdict import JudgedSession, judge, parse_limits, row
from tipdatum.sessions.verdict import junit as as_junit
from tipdatum.tables import write_table


@with_options("recordings", recordings_from)
def score(
    files: Annotated[
        list[Path],
        input_file("A session with truth and what tipdatum replay made of it; or sessions and their folder."),
    ],
    recordings: Recordings,
    limit: Annotated[
        list[str] | None,
        typer.Option(
            help="Not more than this, such as moving=0.02 (m RMS), slow.p95=0.01, lag=0.05; repeat it."
        ),
    ] = None,
    any_session: Annotated[
        bool,
        typer.Option("--any-session", help="Compare although the messages say they are another session's."),
    ] = False,
    junit: Annotated[Path | None, typer.Option(help="JUnit XML file for a build server.")] = None,
    as_json: Json = False,
    csv: Csv = False,
    output: Output = None,
) -> None:
    """Compare replayed tip messages with the truth of their sessions; exit code 1 over a limit."""
    limits = parse_limits(limit or ())
    judged: list[JudgedSession] = []
    errors: list[tuple[Path, InputError]] = []
    pairs = _pairs(files)
    with recordings.opened([session for session, _ in pairs]) as opened:
        for (session, tips), readable in zip(pairs, opened, strict=True):
            try:
                one = judge(readable, tips, limits, any_session=any_session)
                judged.append(replace(one, session=session))
            except InputError as error:
                errors.append((session, error))
    console = talker(output or junit, as_json=as_json or csv)
    if judged and as_json:
        scores = [{"session": one.session.name, **one.score.model_dump()} for one in judged]
        print_json(scores if len(pairs) > 1 else judged[0].score.model_dump(), output)
    elif judged and (csv or output is not None):
        write_table(output or STANDARD, [row(one) for one in judged])
    if len(pairs) == 1:
        for shown in (part for one in judged for part in (table(one.score), *remarks(one.score))):
            console.print(shown)
    elif judged:
        console.print(together(judged))
    if junit is not None:
        write_text(junit, as_junit(judged, [(session, str(wrong)) for session, wrong in errors]))
    for one in judged:
        for words in one.broken:
            typer.echo(f"{one.session.name}: over the limit: {words}", err=True)
    for _, wrong in errors[:-1]:
        typer.echo(f"tipdatum: {wrong}", err=True)
    if errors:
        raise errors[-1][1]
    if any(one.broken for one in judged):
        raise typer.Exit(Exit.NO)


def _pairs(files: list[Path]) -> list[tuple[Path, Path]]:
    """Session and tip messages: two files, or sessions followed by the folder that replay wrote into."""
    *sessions, last = files
    if last.is_dir() and sessions:
        return [(session, last / output_name(session)) for session in sessions]
    if len(files) != 2:
        raise InputError(
            f"{last} is no folder; expected a session and its messages, or sessions and the messages' folder"
        )
    return [(sessions[0], last)]


def together(judged: list[JudgedSession]) -> Table:
    """Several sessions, one a line, in millimetres."""
    grid = Table(title="Elevation error, mm", title_justify="left", box=box.SIMPLE_HEAD)
    grid.add_column("session", overflow="fold")
    for name in ("moving RMS", "95 %", "in 2σ", "slow RMS", "95 %", "in 2σ", "noise", "no figure", "limits"):
        grid.add_column(name, justify="right")
    for one in judged:
        cells = [
            text
            for errors in (one.score.moving, one.score.slow)
            for text in (_mm(errors.rms_m), _mm(errors.p95_m), _share(errors.within_2_sigma))
        ]
        last = (
            _mm(one.score.static_noise_m),
            _share(one.score.without_figure),
            "over" if one.broken else "kept",
        )
        grid.add_row(one.session.name, *cells, *last)
    return grid


def table(result: Score) -> Table:
    """Errors in millimetres, one row a kind of moment."""
    grid = Table(title="Elevation error, mm", title_justify="left", box=box.SIMPLE_HEAD)
    grid.add_column("", no_wrap=True)
    for name in ("messages", "RMS", "95 %", "max", "mean", "in 1σ", "in 2σ"):
        grid.add_column(name, justify="right", no_wrap=True)
    for name, errors in (
        ("moving", result.moving),
        ("slow", result.slow),
        ("moving, to ground", result.moving_ground),
        ("slow, to ground", result.slow_ground),
        ("left corner, moving", result.left_moving),
        ("left corner, slow", result.left_slow),
        ("right corner, moving", result.right_moving),
        ("right corner, slow", result.right_slow),
    ):
        if errors is not None:
            grid.add_row(name, *_cells(errors))
    return grid


def remarks(result: Score) -> list[str]:
    """The figures that are one number each."""
    noise = (
        "not known (nothing stands still)"
        if result.static_noise_m is None
        else _mm(result.static_noise_m) + " mm"
    )
    lag = "not known (too little motion)" if result.lag_s is None else f"{result.lag_s * 1000:.0f} ms"
    shares = ", ".join(f"{word} {share:.1%}" for word, share in result.quality.items())
    fall = result.cross_fall
    return [
        *(
            []
            if fall is None or fall.rms_deg is None or fall.p95_deg is None
            else [
                f"cross fall    {fall.rms_deg:.2f}° RMS, 95 % within {fall.p95_deg:.2f}°",
            ]
        ),
        f"static noise  {noise}",
        f"lag           {lag}",
        f"quality       {shares}",
        f"without figure {result.without_figure or 0.0:.1%} of the messages after the reference was set",
    ]


def _cells(errors: Errors) -> list[str]:
    lengths = [_mm(v) for v in (errors.rms_m, errors.p95_m, errors.max_m, errors.mean_m)]
    shares = [_share(v) for v in (errors.within_1_sigma, errors.within_2_sigma)]
    return [str(errors.messages), *lengths, *shares]


def _mm(metres: float | None) -> str:
    return "–" if metres is None else f"{metres * 1000:.1f}"


def _share(value: float | None) -> str:
    return "–" if value is None else f"{value:.0%}"
