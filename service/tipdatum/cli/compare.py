"""`tipdatum compare`: two runs of one session beside each other."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import numpy as np
import typer
from rich import box
from rich.console import Console
from rich.table import Table

from tipdatum.calibration.drawing import Line, chart
from tipdatum.cli.options import Json, Picture, input_file, print_json, talker
from tipdatum.errors import InputError
from tipdatum.results import write_text
from tipdatum.sessions.comparison import Comparison, Honesty, Overlay
from tipdatum.sessions.comparison import compare as compare_tracks
from tipdatum.sessions.tracks import read_messages, read_origin, read_truth

MOST_POINTS = 2000
"""Points of a line in the picture: more than its pixels nobody sees."""
HONEST = (0.8, 1.25)
"""Error over sigma that is called right: the scatter of such a ratio over a dig of some minutes."""


def compare(
    a: Annotated[Path, input_file("Tip messages of one run, from tipdatum replay; - is standard input.")],
    b: Annotated[Path, typer.Argument(help="Tip messages of the other.")],
    session: Annotated[
        Path | None, typer.Option(help="Their session, if it holds a truth: says whose sigma is right.")
    ] = None,
    any_session: Annotated[
        bool, typer.Option("--any-session", help="Compare although the messages are another session's.")
    ] = False,
    picture: Picture = None,
    as_json: Json = False,
) -> None:
    """Say where two runs differ, by how much, and whose sigma is right."""
    origins = read_origin(a), read_origin(b)
    if not any_session and None not in origins and origins[0].digest != origins[1].digest:  # type: ignore[union-attr]
        raise InputError(f"{a} and {b} come from different sessions; --any-session compares all the same")
    truth = None if session is None else read_truth(session)
    found, tracks = compare_tracks(read_messages(a), read_messages(b), truth)
    console = talker(picture, as_json=as_json)
    names = told_apart(a, b)
    _tell(console, found, names)
    if picture is not None:
        write_text(picture, draw(tracks, names))
        console.print(f"Drawn {picture}")
    if as_json:
        print_json(found.model_dump())


def told_apart(a: Path, b: Path) -> tuple[str, str]:
    """The files' names, with the folders that tell them apart where the names do not."""
    ours, theirs = a.absolute().parts, b.absolute().parts
    deep = next((n for n in range(1, len(ours)) if ours[-n:] != theirs[-n:]), 1)
    return "/".join(ours[-deep:]), "/".join(theirs[-deep:])


def _tell(console: Console, found: Comparison, names: tuple[str, str]) -> None:
    for letter, name in zip("AB", names, strict=True):
        console.print(f"{letter} is {name}", markup=False, soft_wrap=True)
    console.print(
        f"B minus A over {found.compared} moments: mean {_mm(found.mean_m)} mm, {_mm(found.rms_m)} mm RMS, "
        f"95 % within {_mm(found.p95_m)} mm, most {_mm(found.max_m)} mm at {found.max_at_s:.2f} s."
    )
    runs = Table(box=box.SIMPLE_HEAD)
    for head in ("", "messages", "with figure", "median sigma, mm"):
        runs.add_column(head, justify="left" if not head else "right", overflow="fold")
    truth = found.against_truth
    if truth is not None:
        for head in ("error RMS, mm", "error/sigma", "in 1σ", "in 2σ", "sigma is"):
            runs.add_column(head, justify="right")
    for i, letter in enumerate("AB"):
        cells = [
            letter,
            str(found.messages[i]),
            f"{found.with_figure[i]:.0%}",
            _mm(found.sigma_m[i]),
        ]
        if truth is not None:
            sure = truth[i]
            cells += [_mm(sure.rms_m), f"{sure.normalised:.2f}", f"{sure.within_1_sigma:.0%}"]
            cells += [f"{sure.within_2_sigma:.0%}", verdict(sure)]
        runs.add_row(*cells)
    console.print(runs)
    console.print(
        f"Difference over the joint sigma: {found.normalised:.2f} (runs with errors of their own: about 1; "
        "with the same readings less)."
    )
    if not found.stretches:
        console.print("Nowhere do they differ by more than two joint sigmas, or 20 mm, for 0.2 s or longer.")
        return
    table = Table(title="Where they differ most", title_justify="left", box=box.SIMPLE_HEAD)
    for head in ("from, s", "to, s", "B − A, mm", "sigmas"):
        table.add_column(head, justify="right")
    for one in found.stretches:
        table.add_row(f"{one.begin_s:.2f}", f"{one.end_s:.2f}", _mm(one.difference_m), f"{one.sigmas:.1f}")
    console.print(table)


def verdict(one: Honesty) -> str:
    """A sigma in one word."""
    low, high = HONEST
    return "too small" if one.normalised > high else "too large" if one.normalised < low else "right"


def draw(tracks: Overlay, names: tuple[str, str]) -> str:
    """Both elevations, and their difference between two joint sigmas, one above the other."""
    every = max(1, len(tracks.t) // MOST_POINTS)
    t = tracks.t[::every].tolist()
    a, b, sigma = (values[::every] for values in (tracks.a, tracks.b, tracks.joint_sigma))
    known = np.isfinite(a) & np.isfinite(b)
    span = [i for i, yes in enumerate(known) if yes]
    t, a, b, sigma = [t[i] for i in span], a[span], b[span], sigma[span]
    # The gap between the two keeps them from being joined at the end.
    around = np.concatenate([sigma, [np.nan], -sigma])
    above = chart(
        [Line(f"A {names[0][-30:]}", t, a.tolist()), Line(f"B {names[1][-30:]}", t, b.tolist(), dashed=True)],
        "Elevation of the tip", "t, s", "m",
    )  # fmt: skip
    below = chart(
        [
            Line("B − A", t, (1000.0 * (b - a)).tolist()),
            Line("± two joint sigmas", [*t, *t[-1:], *t], (2000.0 * around).tolist(), dashed=True),
        ],
        "Difference", "t, s", "mm",
    )  # fmt: skip
    return stacked(above, below)


def stacked(*pictures: str) -> str:
    """Pictures of one width under each other."""
    # The view of the picture itself, which comes before those of its parts: with margins for title and axes.
    views = [p.split('viewBox="', 1)[1].split('"', 1)[0].split() for p in pictures]
    sizes = [(float(width), float(height)) for _, _, width, height in views]
    width, height = max(w for w, _ in sizes), sum(h for _, h in sizes)
    parts, y = [], 0.0
    for picture, (_, h) in zip(pictures, sizes, strict=True):
        parts.append(picture.replace("<svg ", f'<svg y="{y:g}" ', 1).strip())
        y += h
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}"'
    return f'{head} width="{width:g}" height="{height:g}">' + "".join(parts) + "</svg>\n"


def _mm(metres: float) -> str:
    return f"{metres * 1000:.1f}"
