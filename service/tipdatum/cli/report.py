"""`tipdatum report`: a dig, or two of them beside each other, as one HTML file to read and print."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from tipdatum.bus.messages import Happening, Health, Reply, State, Tip
from tipdatum.cli.options import settings_from
from tipdatum.config import Settings
from tipdatum.display.report.page import all_tables
from tipdatum.display.report.page import report as write_report
from tipdatum.display.report.run import Floats, Run
from tipdatum.display.report.tables import tip_csv
from tipdatum.display.report.units import UNITS
from tipdatum.errors import InputError, SessionError
from tipdatum.replay import outgoing, output_name
from tipdatum.sessions.scorer import Errors, MessageTrack, TruthTrack, score, true_elevation
from tipdatum.sessions.tracks import read_truth
from tipdatum_drivers.session_file import SessionFile

MOST_RUNS = 4
"""More lines than this in one drawing nobody tells apart."""


def report(
    session: Annotated[list[Path], typer.Argument(help="One session, or several to compare.")],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="HTML file; default: beside the session.")
    ] = None,
    csv: Annotated[Path | None, typer.Option(help="Folder for the tables as CSV files.")] = None,
    estimator: Annotated[
        list[str] | None,
        typer.Option(help="Estimator; given several times, one session is compared under each."),
    ] = None,
    config: Annotated[
        Path | None, typer.Option(help="Service file whose [fusion] and [work] to use.")
    ] = None,
    units: Annotated[str, typer.Option(help="m: metres and millimetres; ft: decimal feet and inches.")] = "m",
) -> None:
    """Write what was dug, how closely, on which reference, and how the sensors did, as one HTML file."""
    if units not in UNITS:
        raise InputError(f'--units: found "{units}", expected one of {", ".join(UNITS)}')
    plan = _plan(session, estimator or [])
    runs = [gather(path, settings_from(config, name), label) for path, name, label in plan]
    target = output or session[0].with_name(output_name(session[0]).replace(".tip.ndjson", ".report.html"))
    try:
        target.write_text(write_report(runs, UNITS[units]), encoding="utf-8")
        typer.echo(f"{target}: report of {', '.join(run.name for run in runs)}")
        if csv is not None:
            for run in runs:
                folder = csv / run.name.replace("/", "-") if len(runs) > 1 else csv
                count = _write_csv(run, folder, units)
                typer.echo(f"{folder}: {count} tables")
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


def gather(path: Path, settings: Settings, name: str) -> Run:
    """Replay a session and keep what the report tells.

    Raises:
        InputError: the session cannot be read, or gives no figures.
    """
    session = SessionFile(path)
    tips: list[tuple[float, ...]] = []
    words: list[tuple[str, str]] = []
    kept: dict[type, list[dict[str, Any]]] = {State: [], Happening: [], Reply: []}
    health: dict[str, list[dict[str, Any]]] = {}
    for item in outgoing(session, settings):
        message = item.message
        if isinstance(message, Tip):
            t_emit = message.t if item.t_emit is None else item.t_emit
            figures = (message.elevation_m, message.reach_m, message.sigma_m, message.deviation_m)
            tips.append((message.t, t_emit, *(np.nan if f is None else f for f in figures)))
            words.append((message.quality, message.datum))
        elif isinstance(message, Health):
            health.setdefault(message.sensor, []).append(message.model_dump())
        elif type(message) in kept:
            kept[type(message)].append(message.model_dump())
    if not tips:
        raise SessionError(
            str(path), 0, "no readings that give a figure", "readings of the machine's sensors"
        )
    t, t_emit, elevation, reach, sigma, deviation = np.array(tips).T
    quality = tuple(word for word, _ in words)
    truth = _truth(path)
    track = MessageTrack(t_emit, elevation, sigma, quality)
    return Run(
        name=name,
        session=path.name,
        started=session.header.started,
        machine=session.header.machine,
        estimator=settings.estimator,
        comment=session.header.comment,
        t=t,
        t_emit=t_emit,
        elevation=elevation,
        reach=reach,
        sigma=sigma,
        deviation=deviation,
        quality=quality,
        datum=tuple(word for _, word in words),
        states=kept[State],
        events=kept[Happening],
        replies=kept[Reply],
        health=health,
        error=_error(truth, track),
        score=_score(truth, track),
        warnings=[f"{path.name}: {text}" for text in session.warnings],
    )


def _truth(path: Path) -> TruthTrack | None:
    try:
        truth = read_truth(path)
    except SessionError:
        return None
    return truth if truth.references else None


def _error(truth: TruthTrack | None, track: MessageTrack) -> Floats | None:
    if truth is None:
        return None
    true = true_elevation(truth, truth.tip, track.t_emit)
    after = (track.t_emit >= truth.references[0][0]) & (track.t_emit <= truth.t[-1])
    return np.where(after, track.elevation - true, np.nan)


def _score(truth: TruthTrack | None, track: MessageTrack) -> list[tuple[str, str]]:
    if truth is None:
        return []
    result = score(truth, track)
    rows: list[tuple[str, str]] = []
    for name, errors in (
        ("moving", result.moving),
        ("slow", result.slow),
        ("moving, to the ground", result.moving_ground),
        ("slow, to the ground", result.slow_ground),
    ):
        if errors is not None and errors.messages:
            rows += _error_rows(name, errors)
    if result.static_noise_m is not None:
        rows.append(("static noise", _mm(result.static_noise_m)))
    if result.lag_s is not None:
        rows.append(("lag", f"{result.lag_s * 1000:.0f} ms"))
    return rows


def _error_rows(name: str, errors: Errors) -> list[tuple[str, str]]:
    lengths = (("RMS", errors.rms_m), ("95 %", errors.p95_m), ("most", errors.max_m), ("mean", errors.mean_m))
    rows = [(f"{name}: {what}", _mm(v)) for what, v in lengths]
    share = errors.within_2_sigma
    rows.append((f"{name}: within 2 sigma", "–" if share is None else f"{100 * share:.0f} %"))
    return rows


def _mm(metres: float | None) -> str:
    return "–" if metres is None else f"{metres * 1000:.1f} mm".replace("-", "−")


def _write_csv(run: Run, folder: Path, units: str) -> int:
    folder.mkdir(parents=True, exist_ok=True)
    tables = all_tables(run, UNITS[units])
    for table in tables:
        (folder / f"{table.key}.csv").write_text(table.csv(), encoding="utf-8")
    with (folder / "tip.csv").open("w", encoding="utf-8") as out:
        out.writelines(tip_csv(run))
    return len(tables) + 1
