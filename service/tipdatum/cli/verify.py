"""`tipdatum verify`: acceptance over the envelope, and the daily check on a mark or two."""

from __future__ import annotations

import datetime
import math
from pathlib import Path
from typing import Annotated

import numpy as np
import typer
from pydantic import ValidationError
from rich.console import Console
from rich.table import Table

from tipdatum.calibration import drawing
from tipdatum.calibration.budget import CLASSES
from tipdatum.calibration.observations import ACCEPTANCE
from tipdatum.calibration.observations_file import load_observations
from tipdatum.calibration.recordings import gather
from tipdatum.calibration.verification import (
    ENOUGH_POINTS,
    EXPLAINS,
    Check,
    Verification,
    accepted,
    check_of,
    of_method,
    suspects,
    trend_mm_per_month,
)
from tipdatum.calibration.verification import (
    as_json as figures_of,
)
from tipdatum.calibration.verification import (
    verify as compare,
)
from tipdatum.cli import Exit
from tipdatum.cli.inputs import read_machine
from tipdatum.cli.options import (
    Json,
    MachineFile,
    Output,
    Picture,
    Sessions,
    Tolerance,
    offering,
    print_json,
    talker,
)
from tipdatum.errors import InputError, SessionError
from tipdatum.machine.description import Machine
from tipdatum.results import write_text
from tipdatum.sentences import counted
from tipdatum.walltime import to_the_second

__all__ = ["verify"]

MOST_LINES = 6
"""Marks that a history draws one by one."""

RECENT = 5
"""Checks that the question which sensor moved looks back at."""


def verify(
    machine: MachineFile,
    observations: Annotated[Path, typer.Argument(help="Observations file with heights of the tip.")],
    sessions: Sessions = None,
    method: Annotated[str, typer.Option(help="Which observations: acceptance, or daily.")] = ACCEPTANCE,
    tolerance: Tolerance = None,
    work: Annotated[
        str | None,
        typer.Option(
            help=f"Tolerance of a kind of work: {', '.join(CLASSES)}.",
            autocompletion=offering(lambda: CLASSES),
        ),
    ] = None,
    history: Annotated[
        Path | None, typer.Option(help="File that keeps one line a check; this one is added to it.")
    ] = None,
    picture: Picture = None,
    output: Output = None,
    as_json: Json = False,
) -> None:
    """Compare the described machine with known heights; exit code 1 if it does not keep the tolerance."""
    console = talker(output or picture, as_json=as_json)
    if work is not None and work not in CLASSES:
        raise InputError(f"--work {work}: one of {', '.join(CLASSES)}")
    limit = tolerance if tolerance is not None else CLASSES[work or "trench"][0]
    described, _ = read_machine(machine)
    book = load_observations(observations)
    chosen = of_method(book, method)
    if not chosen:
        raise InputError(f'{observations}: no observation with method = "{method}"')
    evidence = gather(book, sessions or [observations.parent], chosen)
    try:
        found = compare(described, chosen, evidence)
    except ValueError as error:
        raise InputError(f"{observations}: {error}") from None
    console.print(_table(found, described))
    for name, reason in found.without:
        console.print(f"{name}: {reason}.", markup=False)
    _verdict(console, found, limit, method)
    drawn = _errors_picture(found, limit)
    now = to_the_second(datetime.datetime.now(datetime.UTC))
    check = check_of(found, now, limit)
    if history is not None:
        checks = [*read_history(history), check]
        _explain(console, described, checks)
        drawn = history_picture(checks)
    if picture is not None:
        write_text(picture, drawn)
        console.print(f"Drawn {picture}")
    if output is not None or as_json:
        print_json({**figures_of(found), "tolerance_m": limit, "passed": check.passed}, output)
    if history is not None:  # last: a check that was broken off is done again, and counts once
        _append(history, check)
    if not check.passed:
        raise typer.Exit(Exit.NO)


def _table(found: Verification, machine: Machine) -> Table:
    table = Table(title=f"Against the reference {found.reference}", title_justify="left")
    beside = {"swung, °": machine.boom_swing is not None, "tilted, °": machine.chain().tilt_axis is not None}
    angles = [name for name, there in beside.items() if there]
    for name in ("point", *angles, "reach, m", "elevation, m", "error, mm", "± of the comparison, mm"):
        table.add_column(name, justify="left" if name == "point" else "right")
    for p in found.points:
        stood = {"swung, °": p.posture.swing, "tilted, °": p.posture.tilt}
        table.add_row(
            p.id,
            *(f"{math.degrees(stood[name]):+.1f}" for name in angles),
            f"{p.reach_m:.2f}",
            f"{p.elevation_m:+.3f}",
            f"{1000 * p.error_m:+.1f}",
            f"{1000 * p.reading_sigma_m:.1f}",
        )
    for name, _ in found.without:
        table.add_row(name, *("" for _ in angles), "", "", "no figure", "")
    return table


def _verdict(console: Console, found: Verification, limit: float, method: str) -> None:
    worst = max(found.points, key=lambda p: abs(p.error_m))
    console.print(
        f"{counted(len(found.points), 'point')}: {1000 * found.rms_m:.1f} mm RMS, "
        f"mean {1000 * float(found.errors.mean()):+.1f} mm, "
        f"worst {1000 * worst.error_m:+.1f} mm at {worst.id}; "
        f"95 % within ±{1000 * found.half_width_95_m:.1f} mm "
        "(the readings' own errors included)."
    )
    pairs = found.reversal_pairs()
    if pairs:
        mean = 1000 * float(np.mean([abs(d) for _, _, d in pairs]))
        pair = counted(len(pairs), "posture")
        console.print(f"{pair} taken at opposite headings: {mean:.1f} mm apart on average.")
    passed = not found.without and bool(np.all(np.abs(found.errors) <= limit))
    if found.without:
        console.print(
            f"{counted(len(found.without), 'height')} without a figure, for the reasons above. "
            "That alone fails the check."
        )
    console.print(f"Tolerance ±{1000 * limit:.0f} mm: {'PASS' if passed else 'FAIL'}")
    if method != ACCEPTANCE:
        return
    if len(found.points) < ENOUGH_POINTS:
        console.print(
            f"An acceptance wants at least {ENOUGH_POINTS} points over the envelope; "
            f"these are {len(found.points)}."
        )
    table = Table(title="What the trade accepts at 95 % (common practice, no source)", title_justify="left")
    for name in ("work", "±mm", ""):
        table.add_column(name, justify="left" if name == "work" else "right")
    for words, value, kept in accepted(found.half_width_95_m, CLASSES):
        table.add_row(words, f"{1000 * value:.0f}", "kept" if kept else "not kept")
    console.print(table)


def _errors_picture(found: Verification, limit: float) -> str:
    numbers = list(range(1, len(found.points) + 1))
    line = drawing.Line(
        "error", [float(n) for n in numbers], [1000 * p.error_m for p in found.points], dots=True
    )
    return drawing.chart(
        [line],
        "Tip elevation against known heights",
        "point",
        "error, mm",
        band=(-1000 * limit, 1000 * limit),
    )


def read_history(path: Path) -> list[Check]:
    """Checks kept so far; none if the file does not exist.

    Raises:
        SessionError: a line is no check.
    """
    if not path.exists():
        return []
    checks = []
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        if line.strip():
            try:
                checks.append(Check.model_validate_json(line))
            except ValidationError:
                raise SessionError(str(path), number, line[:60], "one check a line, as JSON") from None
    return checks


def _append(path: Path, check: Check) -> None:
    with path.open("a", encoding="utf-8") as handle:
        handle.write(check.model_dump_json() + "\n")


def _days(checks: list[Check]) -> np.ndarray:
    times = [datetime.datetime.fromisoformat(c.time.replace("Z", "+00:00")) for c in checks]
    return np.array([(t - times[0]).total_seconds() / 86400.0 for t in times])


def _explain(console: Console, machine: Machine, checks: list[Check]) -> None:
    slope = trend_mm_per_month(checks, _days(checks))
    failed = sum(not c.passed for c in checks)
    console.print(
        f"{counted(len(checks), 'check')} kept, {failed} failed; mean error moves by {slope:+.1f} mm a month."
    )
    ranked = suspects(machine, checks[-RECENT:])
    if checks[-1].passed or not ranked:
        return
    best = ranked[0]
    others = [s for s in ranked[1:] if s.share > best.share - 0.05]
    if best.share < EXPLAINS:
        console.print("No single sensor explains the errors: look at the teeth, the pins and the marks.")
    elif others:
        names = " or ".join(s.sensor for s in (best, *others))
        console.print(
            f"A turn of the {names} sensor explains them; touch marks with other postures to tell which."
        )
    else:
        console.print(
            f"A turn of the {best.sensor} sensor by about {abs(best.turn_deg):.2f}° explains "
            f"{100 * best.share:.0f} % of it: look whether it is loose, then calibrate its mount again."
        )


def history_picture(checks: list[Check]) -> str:
    """Errors of every mark over time, with the tolerance as a band."""
    days = _days(checks)
    names = list(dict.fromkeys(p.id for c in checks for p in c.points))
    lines = []
    if len(names) > MOST_LINES:
        errors = [[1000 * p.error_m for p in c.points] for c in checks]
        x, dots = [float(d) for d in days], len(checks) == 1
        lines.append(drawing.Line("mean", x, [float(np.mean(e)) for e in errors], dots))
        lines.append(drawing.Line("largest", x, [max(e, key=abs) for e in errors], dots))
        names = []
    for name in names:
        at = [
            (float(d), 1000 * p.error_m)
            for d, c in zip(days, checks, strict=True)
            for p in c.points
            if p.id == name
        ]
        x, y = [a for a, _ in at], [b for _, b in at]
        lines.append(drawing.Line(name, x, y, dots=len(x) == 1))
    limit = 1000 * checks[-1].tolerance_m
    return drawing.chart(
        lines, "Daily check", "days since the first check", "error, mm", band=(-limit, limit)
    )
