"""`tipdatum new`: from a tape measure's figures to a commented machine file and service file."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from tipdatum.bus.topics import MACHINE_ID
from tipdatum.cli.new_texts import GREETING, LINKAGE, MACHINE, SENSOR, SERVICE
from tipdatum.cli.options import MachineId
from tipdatum.cli.questions import ARROWS, Questions, arrows, between, lengths, number, one_of, words
from tipdatum.config import load_service
from tipdatum.errors import InputError
from tipdatum.kinematics.frames import rpy_deg_from_rotation

PLACES = {
    "upper": ("forward of the slew axis, left, above the tracks' underside", "-0.5, 0.3, 1.6"),
    "boom": ("along the boom from its foot pin, left, above the pin line", "1.7, 0.1, 0.25"),
    "stick": ("along the stick from its upper pin, left, off the pin line", "1.2, 0.15, 0.2"),
    "bucket": ("from the bucket pin towards the tip, left, off that line", "0.15, 0.2, 0.25"),
    "rocker": ("along the rocker from its pivot, left, off its pin line", "0.25, 0.05, 0.05"),
}
"""body → what the three distances of its sensor are, and usual ones."""


@dataclass(frozen=True, slots=True)
class Given:
    """What the command line said; None for what it did not."""

    foot: str | None
    boom: str | None
    stick: str | None
    bucket_name: str | None
    tip: str | None
    width: str | None
    fourth: str | None
    linkage: str | None
    ear_angle: str | None
    sensors: dict[str, str]


def new(
    folder: Annotated[Path, typer.Argument(help="Where the two files go.")] = Path(),
    name: Annotated[str | None, typer.Option(help="What the machine is called.")] = None,
    machine_id: MachineId = None,
    foot: Annotated[
        str | None,
        typer.Option(help="Boom foot pin: forward of the slew axis, left, above the tracks' underside."),
    ] = None,
    boom: Annotated[str | None, typer.Option(help="Boom, foot pin to stick pin.")] = None,
    stick: Annotated[str | None, typer.Option(help="Stick, boom pin to bucket pin.")] = None,
    bucket_name: Annotated[str | None, typer.Option(help="What the bucket is called.")] = None,
    tip: Annotated[str | None, typer.Option(help="Bucket pin to the middle of the cutting edge.")] = None,
    width: Annotated[str | None, typer.Option(help="Bucket width.")] = None,
    fourth: Annotated[
        str | None, typer.Option(help="Where the fourth sensor sits: bucket or rocker.")
    ] = None,
    linkage: Annotated[
        str | None,
        typer.Option(help="Rocker pivot back from the bucket pin and off the pin line, rocker, link, ear."),
    ] = None,
    ear_angle: Annotated[
        str | None, typer.Option(help="Degrees from the line pin–tip to the link's pin on the bucket.")
    ] = None,
    sensor: Annotated[
        list[str] | None,
        typer.Option(help='Where a sensor sits and looks, such as "boom=1.7,0.1,0.25:along up"; repeat it.'),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Ask nothing; what is not given takes its default.")
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Overwrite files that exist.")] = False,
) -> None:
    """Ask for tape measurements and sensors, and write a machine file and a service file."""
    questions = Questions(interactive=not yes and sys.stdin.isatty())
    if questions.interactive:
        typer.echo(GREETING)
    called = questions.ask("--name", name, "What is the machine called?", words, "My excavator")
    ident = questions.ask("--machine-id", machine_id, "Its name in topics", _identifier, _slug(called))
    machine_file, service_file = folder / f"{ident}-machine.toml", folder / f"{ident}.toml"
    for path in (machine_file, service_file):
        if path.exists() and not force:
            raise InputError(f"{path} exists already; --force overwrites it")
    sensors = _given_sensors(sensor or [])
    given = Given(foot, boom, stick, bucket_name, tip, width, fourth, linkage, ear_angle, sensors)
    machine_text = _machine_text(questions, called, given)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        machine_file.write_text(machine_text, encoding="utf-8")
        service_file.write_text(SERVICE.format(machine=machine_file.name, ident=ident), encoding="utf-8")
    except OSError as error:
        raise InputError(f"{error.filename}: {error.strerror}") from None
    typer.echo(f"written: {machine_file}\nwritten: {service_file}")
    load_service(service_file)  # what does not fit together is told now, and mended in the file
    typer.echo(f"next:    tipdatum check {service_file}")


def _machine_text(questions: Questions, name: str, given: Given) -> str:
    ask = questions.ask
    question = "Boom foot pin: forward of the slew axis, left, above the tracks' underside"
    x, y, z = ask("--foot", given.foot, question, lengths(3))
    boom = ask("--boom", given.boom, "Boom: foot pin to stick pin", between(0.3, 30))
    stick = ask("--stick", given.stick, "Stick: boom pin to bucket pin", between(0.2, 30))
    bucket = ask("--bucket-name", given.bucket_name, "What is the bucket called?", words, "trenching 600")
    tip = ask("--tip", given.tip, "Bucket: pin to the middle of the cutting edge", between(0.1, 6))
    width = ask("--width", given.width, "Bucket: width of the cutting edge", between(0.05, 6))
    question = "Where does the fourth sensor sit, bucket or rocker?"
    usual = "rocker" if given.linkage else "bucket"
    last = ask("--fourth", given.fourth, question, one_of("bucket", "rocker"), usual)
    parts = [
        MACHINE.format(name=name, x=x, y=y, z=z, boom=boom, stick=stick, bucket=bucket, tip=tip, width=width)
    ]
    if last == "rocker":
        parts.append(_linkage_text(questions, stick, given))
    carriers = ("upper", "boom", "stick", last)
    if left_over := sorted(set(given.sensors) - set(carriers)):
        raise InputError(f"--sensor {left_over[0]}: there is none on the {left_over[0]} with --fourth {last}")
    parts += [_sensor_text(questions, body, given.sensors.get(body, "")) for body in carriers]
    return "\n".join(parts)


def _linkage_text(questions: Questions, stick: float, given: Given) -> str:
    question = (
        "Linkage: pivot back from the bucket pin, pivot off the pin line, rocker, link, ear (pin to pin)"
    )
    back, off, rocker, link, ear = questions.ask("--linkage", given.linkage, question, lengths(5))
    question = "Degrees from the line bucket pin–tip to the line bucket pin–link pin"
    angle = questions.ask("--ear-angle", given.ear_angle, question, number)
    return LINKAGE.format(x=round(stick - back, 4), z=off, rocker=rocker, link=link, ear=ear, angle=angle)


def _sensor_text(questions: Questions, body: str, given: str) -> str:
    where, usual = PLACES[body]
    place, _, look = (part.strip() or None for part in given.partition(":"))
    option = f"--sensor {body}=…"
    position = questions.ask(option, place, f"Sensor on the {body}: {where}", lengths(3), usual)
    question = "  its x and z arrow point (arm thought stretched out level)"
    mount = mount_from_arrows(*questions.ask(option, look, question, arrows, "along up"))
    return SENSOR.format(body=body, where=where, position=_listed(position), mount=_listed(mount))


def mount_from_arrows(x_arrow: str, z_arrow: str) -> tuple[float, float, float]:
    """Mount angles (roll, pitch, yaw), degrees, of a sensor whose printed arrows point there."""
    x, z = np.array(ARROWS[x_arrow]), np.array(ARROWS[z_arrow])
    roll, pitch, yaw = rpy_deg_from_rotation(np.stack([x, np.cross(z, x), z], axis=-1))
    # Quarter turns come out to the last bit but for a sign of zero.
    return round(roll, 6) + 0.0, round(pitch, 6) + 0.0, round(yaw, 6) + 0.0


def _given_sensors(options: list[str]) -> dict[str, str]:
    found = {}
    for option in options:
        body, equals, rest = option.partition("=")
        if not equals or body not in PLACES:
            raise InputError(f'--sensor "{option}": a body ({", ".join(PLACES)}), =, and where it sits')
        found[body] = rest
    return found


def _identifier(text: str) -> str:
    if not MACHINE_ID.fullmatch(text.strip()):
        raise InputError(f'"{text}" is not made of a-z, 0-9 and hyphens')
    return text.strip()


def _slug(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "machine"


def _listed(values: Iterable[float]) -> str:
    return ", ".join(f"{value:g}" for value in values)
