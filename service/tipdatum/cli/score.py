"""`tipdatum score`: how far a replay was from the truth."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich import box
from rich.table import Table

from tipdatum.cli.options import Json, talker
from tipdatum.sessions.scorer import Errors, Score
from tipdatum.sessions.scorer import score as score_tracks
from tipdatum.sessions.tracks import read_messages, read_truth


def score(
    session: Annotated[Path, typer.Argument(help="The session, with truth.")],
    out: Annotated[Path, typer.Argument(help="What tipdatum replay made of it.")],
    as_json: Json = False,
) -> None:
    """Compare replayed tip messages with the truth that a session carries."""
    result = score_tracks(read_truth(session), read_messages(out))
    if as_json:
        typer.echo(result.model_dump_json(indent=2))
        return
    console = talker()
    console.print(table(result))
    for line in remarks(result):
        console.print(line, highlight=False)


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
    return [
        f"static noise  {noise}",
        f"lag           {lag}",
        f"quality       {shares}",
        f"without figure {result.without_figure or 0.0:.1%} of the messages after the reference was set",
    ]


def _cells(errors: Errors) -> list[str]:
    lengths = [_mm(v) for v in (errors.rms_m, errors.p95_m, errors.max_m, errors.mean_m)]
    shares = ["–" if v is None else f"{v:.0%}" for v in (errors.within_1_sigma, errors.within_2_sigma)]
    return [str(errors.messages), *lengths, *shares]


def _mm(metres: float | None) -> str:
    return "–" if metres is None else f"{metres * 1000:.1f}"
