"""`tipdatum rezero`: take a replaced sensor into use, from one posture whose angle is known."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from tipdatum.calibration import description
from tipdatum.calibration.rezero import TURNED_DEG, description_of
from tipdatum.calibration.rezero import rezero as solve
from tipdatum.cli.options import Write, input_file, talker
from tipdatum.errors import ConfigError, InputError
from tipdatum.machine.bucket_files import with_buckets
from tipdatum.machine.description import load_machine
from tipdatum.walltime import to_the_second
from tipdatum_drivers.session_file import SessionFile


def rezero(
    machine: Annotated[Path, typer.Argument(help="The machine file.")],
    session: Annotated[Path, input_file("A recording of the machine standing still; - is standard input.")],
    sensor: Annotated[str, typer.Option(help="The sensor that was replaced.")],
    angle: Annotated[
        float, typer.Option(help="Elevation angle of its body, pin to pin, degrees, positive up.")
    ],
    roll: Annotated[
        float, typer.Option(help="Roll of the machine, degrees, positive right side down.")
    ] = 0.0,
    write: Write = False,
) -> None:
    """Give a replaced sensor a new mount and serial number."""
    console = talker()
    described = load_machine(machine)
    if sensor not in described.sensor:
        raise ConfigError("--sensor", "", f'"{sensor}"', f"one of {', '.join(described.sensor)}")
    try:
        zero = solve(SessionFile(session), sensor, described.sensor[sensor], angle, roll)
    except ValueError as error:
        raise InputError(f"{session}: {error}") from None
    now = datetime.now(UTC)
    date = to_the_second(now)
    before = machine.read_text(encoding="utf-8")
    values = description_of(zero, sensor, described.sensor[sensor], angle, date, session.name)
    data = with_buckets(tomllib.loads(before), machine)
    after = description.rewritten(before, description.as_described(values, data))
    console.print(
        f"{sensor}: mount turned by {zero.turned_deg:.2f}°, from {zero.seconds:.1f} s standing still."
    )
    if zero.serial is None:
        console.print("The device told no serial number, so a swap cannot be noticed.")
    if zero.turned_deg > TURNED_DEG:
        console.print(
            "That is much: does the part sit the other way round? Check its axes in the machine file."
        )
    console.print(description.difference(before, after, str(machine)))
    if write:
        kept = description.write(machine, after, now.strftime("%Y%m%d-%H%M%S"), before)
        if described.calibrated is not None:
            console.print("The calibration's verdict no longer holds: calibrate again when you can.")
        console.print(f"Written; the file as it was is {kept}. Reload the service, then touch a known mark.")
    else:
        console.print("Nothing written; add --write.")
