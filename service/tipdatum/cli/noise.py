"""`tipdatum noise`: Allan deviation of a still recording, noise terms, and figures for the description."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Annotated, Any

from rich.console import Console
from rich.table import Table

from tipdatum.calibration import description, drawing
from tipdatum.calibration.noise import SensorNoise, measure
from tipdatum.calibration.recordings import read_recording
from tipdatum.cli.options import (
    Json,
    Picture,
    Write,
    input_file,
    print_json,
    talker,
    with_options,
)
from tipdatum.cli.recordings import Recordings, recordings_from
from tipdatum.errors import InputError
from tipdatum.kinematics.frames import STANDARD_GRAVITY_MPS2
from tipdatum.machine.description import load_machine
from tipdatum.results import write_text

__all__ = ["noise"]

MICRO_G = 1e6 / STANDARD_GRAVITY_MPS2
DEGREE = 57.29577951308232


@with_options("recordings", recordings_from)
def noise(
    session: Annotated[
        Path, input_file("Recording in which the sensors stand still for minutes; - is standard input.")
    ],
    recordings: Recordings,
    write: Write = False,
    picture: Picture = None,
    as_json: Json = False,
) -> None:
    """Measure each sensor's noise from its longest rest in a recording."""
    machine = recordings.machine
    if write and machine is None:
        raise InputError("--write needs the machine file: --machine FILE")
    console = talker(picture, as_json=as_json)
    with recordings.opened([session]) as (file,):
        results = measure(read_recording(file).samples)
    if not results:
        raise InputError(f"{session}: no readings of accelerometers or inclinometers")
    found = [r for r in results.values() if isinstance(r, SensorNoise)]
    for name, why in results.items():
        if isinstance(why, str):
            console.print(f"{name}: {why}")
    if not found:
        raise InputError(f"{session}: no sensor stood still long enough")
    console.print(_table(found))
    for f in found:
        _advice(console, f)
    if picture is not None:
        write_text(picture, _picture(found))
        console.print(f"Drawn {picture}")
    if machine is not None:
        _describe(console, found, machine, write=write)
    if as_json:
        print_json([_plain(f) for f in found])


def _plain(f: SensorNoise) -> dict[str, Any]:
    return {
        "sensor": f.sensor,
        "still_s": f.still_s,
        "rate_hz": f.rate_hz,
        "accel_mps2_rthz": f.accel.terms.density,
        "gyro_radps_rthz": f.gyro.terms.density if f.gyro else None,
        "tilt_1s_deg": f.tilt_deg(1.0),
        "quietest_s": f.accel.quietest_s,
        "crossover_s": f.crossover_s(),
    }


def _table(found: list[SensorNoise]) -> Table:
    table = Table(title="Noise at rest", title_justify="left")
    for head in (
        "sensor",
        "still",
        "rate",
        "accelerometer",
        "its terms",
        "gyro",
        "its terms",
        "tilt, 1 s average",
    ):
        table.add_column(head)
    for f in found:
        gyro = f"{DEGREE * f.gyro.terms.density:.4f} °/s/√Hz" if f.gyro else "none"
        table.add_row(
            f.sensor,
            f"{f.still_s:.0f} s",
            f"{f.rate_hz:.0f} Hz",
            f"{MICRO_G * f.accel.terms.density:.0f} µg/√Hz",
            ", ".join(f.accel.terms.named()),
            gyro,
            ", ".join(f.gyro.terms.named()) if f.gyro else "",
            f"{f.tilt_deg(1.0):.4f}°",
        )
    return table


def _advice(console: Console, f: SensorNoise) -> None:
    parts = [f"{f.sensor}: averaging longer than about {f.accel.quietest_s:.0f} s gains nothing"]
    if f.accel.quietest_s > 0.8 * float(f.accel.tau[-1]):
        parts = [
            f"{f.sensor}: still improving at {f.accel.tau[-1]:.0f} s; a longer recording would show its best"
        ]
    if (crossover := f.crossover_s()) is not None:
        parts.append(
            f"at rest a complementary time constant of about {crossover:.1f} s is best, "
            "with motion a longer one"
        )
    console.print("; ".join(parts) + ".")


def _picture(found: list[SensorNoise]) -> str:
    lines = []
    for f in found:
        lines.append(drawing.Line(f"{f.sensor}, µg", list(f.accel.tau), list(MICRO_G * f.accel.sigma)))
    for f in found:
        if f.gyro is not None:
            label = f"{f.sensor}, °/h"
            lines.append(
                drawing.Line(label, list(f.gyro.tau), list(3600 * DEGREE * f.gyro.sigma), dashed=True)
            )
    return drawing.chart(
        lines, "Allan deviation at rest", "averaging time, s", "deviation, µg or °/h", log=True
    )


def _describe(console: Console, found: list[SensorNoise], path: Path, *, write: bool) -> None:
    """Show what the figures change in the description, and write it where that is asked for."""
    machine = load_machine(path)
    unknown = [f.sensor for f in found if f.sensor not in machine.sensor]
    values = {"sensor": {f.sensor: {"noise": f.description()} for f in found if f.sensor in machine.sensor}}
    if not values["sensor"]:
        raise InputError(f"{path}: none of the sensors {', '.join(unknown)} is in this description")
    before = path.read_text(encoding="utf-8")
    after = description.rewritten(before, values)
    console.print(description.difference(before, after, str(path)), markup=False)
    if not write:
        console.print("Nothing written; add --write.")
        return
    stamp = datetime.datetime.now(datetime.UTC).strftime("%Y%m%d-%H%M%S")
    kept = description.write(path, after, stamp)
    console.print(f"Written {path}." + (f" The one before is kept as {kept.name}." if kept else ""))
