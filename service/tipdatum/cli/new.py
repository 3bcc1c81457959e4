"""`tipdatum new`: from a tape measure's figures to a commented machine file and service file."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from tipdatum.bus.topics import MACHINE_ID
from tipdatum.cli.new_joints import KEYS as JOINT_KEYS
from tipdatum.cli.new_joints import Joints, ask_joints
from tipdatum.cli.new_texts import (
    ANSWERS,
    GREETING,
    LINKAGE,
    MACHINE,
    SENSOR,
    SERVICE,
    UNMEASURED,
    driver_tables,
)
from tipdatum.cli.options import MachineId
from tipdatum.cli.ports import connected
from tipdatum.cli.questions import (
    ARROWS,
    Questions,
    arrows,
    between,
    lengths,
    number,
    one_of,
    read_answers,
    words,
    written_answers,
)
from tipdatum.config import load_service
from tipdatum.errors import InputError
from tipdatum.kinematics.frames import rpy_deg_from_rotation
from tipdatum.results import write_text

PLACES = {
    "upper": ("forward of the slew axis, left, above the tracks' underside", "-0.5, 0.3, 1.6"),
    "boom": ("along the boom from its foot pin, left, above the pin line", "1.7, 0.1, 0.25"),
    "second_boom": ("along the second boom from its lower pin, left, above the pin line", "1.2, 0.1, 0.2"),
    "stick": ("along the stick from its upper pin, left, off the pin line", "1.2, 0.15, 0.2"),
    "bucket": ("from the bucket pin towards the tip, left, off that line", "0.15, 0.2, 0.25"),
    "coupler": ("from the stick's pin towards the bucket's, left, off that line", "0.15, 0.1, 0.1"),
    "rocker": ("along the rocker from its pivot, left, off its pin line", "0.25, 0.05, 0.05"),
}
"""body → what the three distances of its sensor are, and usual ones."""
USUAL_ARROWS = "along up"
ANSWERED = (
    *("name", "machine_id", "foot", "boom", "stick", "bucket_name", "tip", "width", "fourth", "linkage"),
    "ear_angle",
    *JOINT_KEYS,
    *(f"sensor.{body}.{what}" for body in PLACES for what in ("position", "arrows")),
)
"""The keys of an answers file."""


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
    joints: str | None
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
        str | None, typer.Option(help="Where the bucket's sensor sits: bucket, rocker or coupler.")
    ] = None,
    linkage: Annotated[
        str | None,
        typer.Option(help="Rocker pivot back from the bucket pin and off the pin line, rocker, link, ear."),
    ] = None,
    ear_angle: Annotated[
        str | None, typer.Option(help="Degrees from the line pin–tip to the link's pin on the bucket.")
    ] = None,
    joints: Annotated[
        str | None,
        typer.Option(help="More joints, such as second_boom, boom_swing, tilt, coupler; or none."),
    ] = None,
    sensor: Annotated[
        list[str] | None,
        typer.Option(help='Where a sensor sits and looks, such as "boom=1.7,0.1,0.25:along up"; repeat it.'),
    ] = None,
    answers: Annotated[
        Path | None, typer.Option(help="A TOML file with answers; what it has is not asked. See --template.")
    ] = None,
    template: Annotated[
        bool, typer.Option("--template", help="Print such a file with every question and default, and end.")
    ] = False,
    yes: Annotated[
        bool, typer.Option("--yes", help="Ask nothing; what is not given takes its default.")
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Overwrite files that exist.")] = False,
) -> None:
    """Ask for tape measurements and sensors, and write a machine file and a service file."""
    if template:
        typer.echo(ANSWERS, nl=False)
        return
    told = {} if answers is None else read_answers(answers, ANSWERED)
    questions = Questions(not yes and sys.stdin.isatty(), told, str(answers))
    if questions.interactive:
        typer.echo(GREETING)
    given = Given(
        foot, boom, stick, bucket_name, tip, width, fourth, linkage, ear_angle, joints, _sensors(sensor)
    )
    try:
        called = questions.ask("name", name, "What is the machine called?", words, "My excavator")
        ident = questions.ask("machine_id", machine_id, "Its name in topics", _identifier, _slug(called))
        machine_file, service_file = folder / f"{ident}-machine.toml", folder / f"{ident}.toml"
        for path in (machine_file, service_file):
            if path.exists() and not force:
                raise InputError(f"{path} exists already; --force overwrites it")
        machine_text = _machine_text(questions, called, given)
    except (typer.Abort, KeyboardInterrupt):
        _keep(folder, questions)
        raise KeyboardInterrupt from None
    service_text = SERVICE.format(machine=machine_file.name, ident=ident, tables=driver_tables(connected()))
    _write(folder, {machine_file: machine_text, service_file: service_text})
    _say_usual(questions)
    load_service(service_file)  # what does not fit together is told now, and mended in the file
    typer.echo(f"next:    tipdatum check {service_file}")


def _write(folder: Path, texts: Mapping[Path, str]) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, text in texts.items():
            write_text(path, text)
            typer.echo(f"written: {path}")
    except OSError as error:
        raise InputError(f"{error.filename}: {error.strerror}") from None


def _keep(folder: Path, questions: Questions) -> None:
    """Write down what was answered before somebody broke off."""
    if questions.kept:
        path = folder / "answers.toml"
        typer.echo()
        _write(folder, {path: written_answers(questions.kept)})
        typer.echo(f"go on:   tipdatum new {folder} --answers {path}")


def _say_usual(questions: Questions) -> None:
    """Which defaults were taken, and which of them are guesses about this machine."""
    usual = dict(questions.usual)
    guessed = [key.split(".")[1] for key in usual if key.endswith(".position")]
    looks = [key.split(".")[1] for key in usual if key.endswith(".arrows")]
    plain = [f"{key} = {text}" for key, text in usual.items() if not key.startswith("sensor.")]
    if plain:
        typer.echo(f"usual:   {'; '.join(plain)}")
    for what, bodies in (("where its sensor sits", guessed), ("which way its sensor looks", looks)):
        if bodies:
            typer.echo(
                f"guessed: {what}, on {', '.join(bodies)}; the file and tipdatum check say so until measured"
            )


def _machine_text(questions: Questions, name: str, given: Given) -> str:
    ask = questions.ask
    question = "Boom foot pin: forward of the slew axis, left, above the tracks' underside"
    x, y, z = ask("foot", given.foot, question, lengths(3))
    boom = ask("boom", given.boom, "Boom: foot pin to stick pin", between(0.3, 30))
    stick = ask("stick", given.stick, "Stick: boom pin to bucket pin", between(0.2, 30))
    bucket = ask("bucket_name", given.bucket_name, "What is the bucket called?", words, "trenching 600")
    tip = ask("tip", given.tip, "Bucket: pin to the middle of the cutting edge", between(0.1, 6))
    width = ask("width", given.width, "Bucket: width of the cutting edge", between(0.05, 6))
    more = ask_joints(questions, given.joints)
    last = _last_carrier(questions, given, more)
    text = MACHINE.format(
        name=name, x=x, y=y, z=z, boom=boom, stick=stick, bucket=bucket, tip=tip, width=width
    )
    parts = [text + more.of_bucket + more.tables]
    if last == "rocker":
        parts.append(_linkage_text(questions, stick, given))
    carriers = ("upper", "boom", *(("second_boom",) if more.second_boom else ()), "stick", last)
    if left_over := sorted(set(given.sensors) - set(carriers)):
        raise InputError(f"--sensor {left_over[0]}: there is none on the {left_over[0]} with --fourth {last}")
    parts += [_sensor_text(questions, body, given.sensors.get(body, "")) for body in carriers]
    return "\n".join(parts) + more.angles


def _last_carrier(questions: Questions, given: Given, more: Joints) -> str:
    """The body whose sensor tells the bucket's angle."""
    usual = more.carries[0]
    if len(more.carries) == 1 and given.fourth is None and not questions.has("fourth"):
        return usual
    if "rocker" in more.carries and (given.linkage or questions.has("linkage")):
        usual = "rocker"
    question = f"Where does the last sensor sit, {' or '.join(more.carries)}?"
    return questions.ask("fourth", given.fourth, question, one_of(*more.carries), usual)


def _linkage_text(questions: Questions, stick: float, given: Given) -> str:
    question = (
        "Linkage: pivot back from the bucket pin, pivot off the pin line, rocker, link, ear (pin to pin)"
    )
    back, off, rocker, link, ear = questions.ask("linkage", given.linkage, question, lengths(5))
    question = "Degrees from the line bucket pin–tip to the line bucket pin–link pin"
    angle = questions.ask("ear_angle", given.ear_angle, question, number)
    return LINKAGE.format(x=round(stick - back, 4), z=off, rocker=rocker, link=link, ear=ear, angle=angle)


def _sensor_text(questions: Questions, body: str, given: str) -> str:
    where, usual = PLACES[body]
    place, _, look = (part.strip() or None for part in given.partition(":"))
    key, option = f"sensor.{body}", f"--sensor {body}=…"
    question = f"Sensor on the {body}: {where}"
    position = questions.ask(f"{key}.position", place, question, lengths(3), usual, option)
    question = "  its x and z arrow point (arm thought stretched out level)"
    mount = mount_from_arrows(*questions.ask(f"{key}.arrows", look, question, arrows, USUAL_ARROWS, option))
    guessed = [
        name
        for name, answer in (("position_m", "position"), ("mount_rpy_deg", "arrows"))
        if f"{key}.{answer}" in questions.usual
    ]
    return SENSOR.format(
        body=body,
        where=where,
        position=_listed(position),
        position_sigma=0.15 if "position_m" in guessed else 0.03,
        mount=_listed(mount),
        unmeasured=UNMEASURED.format(keys=", ".join(f'"{name}"' for name in guessed)) if guessed else "",
    )


def mount_from_arrows(x_arrow: str, z_arrow: str) -> tuple[float, float, float]:
    """Mount angles (roll, pitch, yaw), degrees, of a sensor whose printed arrows point there."""
    x, z = np.array(ARROWS[x_arrow]), np.array(ARROWS[z_arrow])
    roll, pitch, yaw = rpy_deg_from_rotation(np.stack([x, np.cross(z, x), z], axis=-1))
    # Quarter turns come out to the last bit but for a sign of zero.
    return round(roll, 6) + 0.0, round(pitch, 6) + 0.0, round(yaw, 6) + 0.0


def _sensors(options: list[str] | None) -> dict[str, str]:
    found = {}
    for option in options or ():
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
