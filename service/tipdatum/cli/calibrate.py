"""`tipdatum calibrate`: observations into a machine description, with proof."""

from __future__ import annotations

import datetime
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from rich.console import Console

from tipdatum.calibration import description, report
from tipdatum.calibration.adjustment import Solution, adjust
from tipdatum.calibration.envelope import envelope, reach_points
from tipdatum.calibration.observations import ACCEPTANCE, ObservationBook, load_observations
from tipdatum.calibration.plan import follow, rank, suggestions
from tipdatum.calibration.recordings import gather
from tipdatum.calibration.sensitivity import TipSensitivity
from tipdatum.calibration.statistics import determined, tip_sigma, turn_on_covariance, use_covariance
from tipdatum.calibration.unknowns import make_setup
from tipdatum.calibration.verification import of_method, verify
from tipdatum.cli import capture as capturing
from tipdatum.cli.inputs import read_machine
from tipdatum.cli.options import Json, MachineFile, MachineId, Output, Sessions, print_json, talker
from tipdatum.errors import InputError
from tipdatum.kinematics.frames import Array
from tipdatum.walltime import to_the_second

__all__ = ["calibrate"]

CAUTION = (
    "Before anyone goes near the arm: bucket grounded or blocked, lever locked, engine off and key out, "
    "pressure released. Never under a raised boom."
)


def calibrate(
    machine: MachineFile,
    observations: Annotated[Path, typer.Argument(help="Observations file (TOML or JSON).")],
    sessions: Sessions = None,
    output: Output = None,
    method: Annotated[
        list[str] | None, typer.Option(help="Only observations of this method; may be given several times.")
    ] = None,
    leave_out: Annotated[list[str] | None, typer.Option(help="Id of an observation to leave out.")] = None,
    follow_guide: Annotated[
        bool, typer.Option(help="Use only the postures that the guide asks for, one after the other.")
    ] = False,
    capture_from: Annotated[
        str | None,
        typer.Option(
            "--capture",
            help="Capture first: mqtt://HOST:PORT, or a recording, also one that is still written.",
        ),
    ] = None,
    machine_id: MachineId = None,
    step: Annotated[
        list[str] | None, typer.Option(help=f"What to capture: {capturing.STEPS}; default the first three.")
    ] = None,
    standing: Annotated[
        str, typer.Option(help="Name of the place and heading of the tracks; a new one after every travel.")
    ] = "S1",
    yes: Annotated[bool, typer.Option("--yes", "-y", help="Write without asking.")] = False,
    dry_run: Annotated[bool, typer.Option(help="Show everything, write nothing.")] = False,
    as_json: Json = False,
) -> None:
    """Solve for mounts, biases and lengths, say how well they are known, and write the description."""
    console = talker(as_json=as_json)
    described, text = read_machine(machine)
    folders = sessions or [observations.parent]
    if capture_from is None:
        book = load_observations(observations)
    else:
        console.print(CAUTION)
        book = (
            load_observations(observations)
            if observations.exists()
            else ObservationBook(machine=described.name)
        )
        steps = step or ["motions", "measured", "reversal"]
        book = capturing.capture(
            console,
            described,
            book,
            observations,
            folders,
            capture_from,
            machine_id or "machine",
            steps,
            standing,
        )
    chosen = book.solving(method or (), leave_out or ())
    if capture_from is not None and not any(o.place for o in chosen):
        console.print("Nothing to solve yet: no posture has been captured.")
        return
    if not chosen:
        raise InputError(f"{observations}: no observation to solve with (acceptance ones never are)")
    evidence = gather(book, folders, chosen)
    try:
        if follow_guide:
            result = follow(described, book.model_copy(update={"observation": chosen}), evidence)
            solution = result.solution
            _print(console, report.followed(result))
            for name in result.misfits:
                console.print(f"  A posture left aside holds an observation that does not fit: {name}")
        else:
            solution = adjust(make_setup(described, chosen, evidence, book.assume))
    except ValueError as error:
        raise InputError(f"{observations}: {error}") from None
    _print(console, report.summary(solution))
    predicted = predicted_sigma(solution)
    console.print(report.envelope_line(predicted))
    _accept(console, solution, book, folders)
    _print(console, report.next_postures(rank(solution, suggestions(solution))))
    if as_json:
        print_json(_plain(solution, predicted))
    target = output or (machine if machine.suffix == ".toml" else None)
    rms = float(np.sqrt(np.mean(predicted**2)))
    _write(console, solution, book, text, target, rms, yes, dry_run)


def _plain(solution: Solution, predicted: Array) -> dict[str, Any]:
    """What was found, in the units of the unknowns' names."""
    return {
        "factor": solution.factor,
        "rejected": list(solution.rejected),
        "predicted_rms_m": float(np.sqrt(np.mean(predicted**2))),
        "unknowns": [asdict(d) for d in determined(solution)],
    }


def _accept(console: Console, solution: Solution, book: ObservationBook, folders: list[Path]) -> None:
    """The acceptance set before and after, if there is one: it took no part in the solution."""
    chosen = of_method(book, ACCEPTANCE)
    if not chosen:
        return
    try:
        evidence = gather(book, folders, chosen)
        after = verify(description.calibrated_machine(solution), chosen, evidence)
    except (InputError, ValueError) as error:
        console.print(f"The acceptance set was not looked at: {error}", markup=False)
        return
    try:
        before = f"{1000 * verify(solution.setup.machine, chosen, evidence).rms_m:.1f} mm"
    except ValueError:
        before = "no figure (the linkage as described cannot close)"
    console.print(
        f"Acceptance set, {len(after.points)} points that took no part: {before} RMS before, "
        f"{1000 * after.rms_m:.1f} mm after, 95 % within ±{1000 * after.half_width_95_m:.1f} mm."
    )


def predicted_sigma(solution: Solution) -> Array:
    """1-sigma of the tip over the envelope after the next power-up, against a reference before the tracks."""
    found = description.calibrated_machine(solution)
    sensitivity = TipSensitivity(found)
    covariance = use_covariance(solution, sensitivity)
    covariance = covariance + turn_on_covariance(sensitivity, solution.setup.assume.turn_on_mps2)
    postures = envelope(found, 0.5)
    middle = np.array([0.65 * float(postures.reach.max())])
    reference, _ = reach_points(found, middle, np.zeros(1), np.array([-110.0]))
    return tip_sigma(found, postures, covariance, reference if len(reference) else None)


def _write(
    console: Console,
    solution: Solution,
    book: ObservationBook,
    text: str,
    target: Path | None,
    predicted_m: float,
    yes: bool,
    dry_run: bool,
) -> None:
    now = datetime.datetime.now(datetime.UTC)
    date = to_the_second(now)
    origin = description.provenance(solution, book.digest(), date, predicted_m)
    before = target.read_text(encoding="utf-8") if target is not None and target.exists() else text
    after = description.rewritten(before, description.changes(solution), origin)
    console.print(description.difference(before, after, str(target or "description")), markup=False)
    if dry_run or target is None:
        why = "--dry-run" if dry_run else "a recording carries the description; name a file with --output"
        console.print(f"Nothing written ({why}).")
        return
    if not yes:
        if not sys.stdin.isatty():
            console.print("Nothing written: nobody to ask. Say --yes to write.")
            return
        if not typer.confirm(f"Write {target}?"):
            console.print("Nothing written.")
            return
    kept = description.write(target, after, now.strftime("%Y%m%d-%H%M%S"))
    console.print(f"Written {target}." + (f" The one before is kept as {kept.name}." if kept else ""))


def _print(console: Console, lines: Any) -> None:
    for line in lines:
        console.print(line, markup=False)
