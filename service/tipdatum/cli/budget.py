"""`tipdatum budget`: how well the tip is known over the working envelope, and what to improve first."""

from __future__ import annotations

import math
from typing import Annotated, Any

import numpy as np
import typer
from rich.console import Console
from rich.table import Table

from tipdatum.calibration import budget_map
from tipdatum.calibration.budget import (
    CLASSES,
    COVERAGE_95,
    Budget,
    DataSheet,
    better_sensor,
    make_budget,
    map_of,
    with_figures,
)
from tipdatum.cli.inputs import read_machine
from tipdatum.cli.options import Json, MachineFile, Picture, Tolerance, print_json, talker
from tipdatum.errors import InputError
from tipdatum.kinematics.frames import STANDARD_GRAVITY_MPS2
from tipdatum.machine.description import Machine
from tipdatum.results import write_text

__all__ = ["budget"]

STEP_M = 0.25
MICRO_G, MILLI_G = 1e-6 * STANDARD_GRAVITY_MPS2, 1e-3 * STANDARD_GRAVITY_MPS2


def budget(
    machine: MachineFile,
    tolerance: Tolerance = None,
    picture: Picture = None,
    as_json: Json = False,
    reference: Annotated[
        tuple[float, float] | None, typer.Option(help="Reach and height, m, where the reference is touched.")
    ] = None,
    temperature: Annotated[float, typer.Option(help="Change since the calibration, K.")] = 0.0,
    sensor: Annotated[
        list[str] | None, typer.Option(help="Sensor that the figures below are for; default all.")
    ] = None,
    accel_noise_ug: Annotated[
        float | None, typer.Option(help="Data sheet: accelerometer noise, µg/√Hz.")
    ] = None,
    accel_bias_mg: Annotated[
        float | None, typer.Option(help="Data sheet: bias left after calibration, mg.")
    ] = None,
    accel_drift_mg_per_k: Annotated[float | None, typer.Option(help="Data sheet: bias drift, mg/K.")] = None,
    mount_deg: Annotated[float | None, typer.Option(help="How well the mount is known, degrees.")] = None,
) -> None:
    """Map the tip's 1-sigma over the working envelope and split it by source."""
    console = talker(picture, as_json=as_json)
    described, _ = read_machine(machine)
    unknown = [s for s in sensor or () if s not in described.sensor]
    if unknown:
        raise InputError(
            f"--sensor {unknown[0]}: {machine} has {', '.join(described.sensor) or 'no sensors'}"
        )
    figures = DataSheet(
        None if accel_noise_ug is None else accel_noise_ug * MICRO_G,
        None if accel_bias_mg is None else accel_bias_mg * MILLI_G,
        None if accel_drift_mg_per_k is None else accel_drift_mg_per_k * MILLI_G,
        mount_deg,
    )
    tried = with_figures(described, figures, tuple(sensor or ()))
    try:
        found = make_budget(tried, reference, temperature)
        before = None if tried == described else make_budget(described, reference, temperature)
    except ValueError as error:
        raise InputError(f"{machine}: {error}") from None
    buys = better_sensor(found, temperature)
    cells = map_of(found, STEP_M, temperature)
    console.print(_sources(found))
    console.print(found.words)
    for line in found.beside_words:
        console.print(line)
    standing = found if before is None else before
    console.print(standing.standing_words)
    if before is not None:
        console.print(f"With the description's own figures it is {1000 * before.rms_m:.1f} mm RMS.")
    console.print(_by_place(cells))
    _purchases(console, buys, described)
    console.print(_accepted(found, tolerance))
    console.print(
        "Not in these figures: what the filter leaves while the arm moves, and whatever the description "
        "does not state ([tolerance] pin_play_m, heave_m, temperature_m). Figures are advisory.",
    )
    if picture is not None:
        write_text(picture, budget_map.draw(tried, found, cells, STEP_M, tolerance))
        console.print(f"Drawn {picture}")
    if as_json:
        print_json(_plain(found, cells, buys, tolerance))


def _plain(
    found: Budget, cells: Budget, buys: list[tuple[str, float, float]], tolerance: float | None
) -> dict[str, Any]:
    limits = {name: value for name, (value, _) in CLASSES.items()}
    if tolerance is not None:
        limits["asked for"] = tolerance
    beside = {
        figure: {
            **_sizes(one.rms_m, float(one.sigma.max()), figure),
            "sources": [
                {"source": s, **_sizes(rms, float(np.sqrt(one.variance[s].max())), figure), "share": share}
                for s, rms, share in one.shares()
            ],
        }
        for figure, one in found.beside.items()
    }
    return {
        "rms_m": found.rms_m,
        "max_m": found.worst_m,
        "sources": [{"source": s, "rms_m": rms, "share": share} for s, rms, share in found.shares()],
        "map": [
            {"reach_m": float(r), "height_m": float(h), "sigma_m": float(s)}
            for r, h, s in zip(*cells.cells(), strict=True)
        ],
        "better_sensor": [{"sensor": s, "rms_m": now, "with_it_m": then} for s, now, then in buys],
        "described": list(found.described),
        "within": [{"work": s, "tolerance_m": v, "share": found.within(v)} for s, v in limits.items()],
        **({"beside": beside} if beside else {}),
    }


def _sizes(rms: float, most: float, figure: str) -> dict[str, float]:
    if figure == "fall":
        return {"rms_deg": math.degrees(rms), "max_deg": math.degrees(most)}
    return {"rms_m": rms, "max_m": most}


BESIDE = {
    "left": ("corners, mm RMS", 1000.0),
    "fall": ("fall, ° RMS", math.degrees(1.0)),
    "sideways": ("sideways, mm RMS", 1000.0),
}
"""Figure beside the tip's elevation → its column's heading, and what one m or rad is there; both corners are
alike."""


def _sources(found: Budget) -> Table:
    table = Table(title="Where it comes from", title_justify="left")
    table.add_column("source")
    table.add_column("mm RMS", justify="right")
    table.add_column("mm at worst", justify="right")
    table.add_column("share of the variance", justify="right")
    others = [figure for figure in BESIDE if figure in found.beside]
    for figure in others:
        table.add_column(BESIDE[figure][0], justify="right")
    for name, rms, share in found.shares():
        worst = 1000 * math.sqrt(float(found.variance[name].max()))
        more = [_of_figure(found.beside[figure], name, BESIDE[figure][1]) for figure in others]
        table.add_row(name, f"{1000 * rms:.2f}", f"{worst:.2f}", f"{100 * share:.1f} %", *more)
    return table


def _of_figure(budget: Budget, source: str, unit: float) -> str:
    """RMS of one source in a figure; empty where it plays no part."""
    variance = budget.variance.get(source)
    return "" if variance is None else f"{unit * budget.figures.rms(variance):.2f}"


def _by_place(found: Budget) -> Table:
    """A coarse table of the map, for those who cannot see the picture."""
    sigma = {
        (round(float(r), 2), round(float(h), 2)): 1000 * float(s)
        for r, h, s in zip(*found.cells(), strict=True)
    }
    reaches = [r for r in sorted({r for r, _ in sigma}) if abs(r - round(r)) < 0.01]
    heights = sorted({h for _, h in sigma}, reverse=True)
    rows = [h for h in heights if abs(h - round(h)) < 0.01]
    table = Table(title="1-sigma, mm, by height (down) and reach (across), m", title_justify="left")
    table.add_column("")
    for r in reaches:
        table.add_column(f"{r:.0f}", justify="right")
    for h in rows:
        cells = [f"{sigma[r, h]:.1f}" if (r, h) in sigma else "" for r in reaches]
        if any(cells):
            table.add_row(f"{h:+.0f}", *cells)
    return table


def _purchases(console: Console, buys: list[tuple[str, float, float]], machine: Machine) -> None:
    name, now, then = buys[0]
    if then > 0.95 * now:
        what = (
            "what is left, the calibration left; more observations bring it down (tipdatum "
            "calibrate says which)."
            if machine.calibration_holds
            else "what is left is mounts and lengths: calibrate."
        )
        console.print(f"Buying a better sensor would hardly help: {what}")
        return
    console.print(
        f"A good industrial sensor (25 µg/√Hz, 1 mg) is worth most on the {name}: "
        f"{1000 * now:.1f} mm would become {1000 * then:.1f} mm."
    )
    for other, _, value in buys[1:]:
        console.print(f"  on the {other}: {1000 * value:.1f} mm")


def _accepted(found: Budget, tolerance: float | None) -> Table:
    table = Table(title=f"Against a tolerance, ±{COVERAGE_95:g} sigma", title_justify="left")
    table.add_column("work")
    table.add_column("±mm", justify="right")
    table.add_column("share of the envelope within it", justify="right")
    if tolerance is not None:
        table.add_row("asked for", f"{1000 * tolerance:.0f}", f"{100 * found.within(tolerance):.0f} %")
    for value, words in CLASSES.values():
        table.add_row(
            f"{words} (common practice, no source)",
            f"{1000 * value:.0f}",
            f"{100 * found.within(value):.0f} %",
        )
    return table
