"""`tipdatum check`: everything a file says, validated without starting anything, and said in words."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from tipdatum.bus.broker import EmbeddedBroker
from tipdatum.bus.options import read_users
from tipdatum.cli.options import Json, Picture, as_typed, input_file, print_json, talker
from tipdatum.config import DriverTable, Service, load_service
from tipdatum.errors import ConfigError, InputError
from tipdatum.machine.bucket_files import read_bucket
from tipdatum.machine.description import Machine, parse_machine, parse_machine_file
from tipdatum.machine.drawing import standing
from tipdatum.machine.parts import Bucket
from tipdatum.machine.words import describe_arm, describe_bucket, describe_calibration, notes, sensor_words
from tipdatum.results import write_text
from tipdatum.run.installed import refusals
from tipdatum.validation import all_in_one, load_toml
from tipdatum_drivers.presence import Presence
from tipdatum_drivers.reading import Beam, Imu, Slew, Tilt
from tipdatum_drivers.registry import find_driver
from tipdatum_drivers.session_file import SessionFile

SESSION_ENDINGS = (".ndjson", ".ndjson.gz")


def check(
    file: Annotated[
        list[Path], input_file("Service files, machine files or recorded sessions; - is standard input.")
    ],
    as_json: Json = False,
    picture: Picture = None,
    installed: Annotated[
        bool, typer.Option("--installed", help="Also say what the shipped systemd unit would refuse.")
    ] = False,
) -> None:
    """Check files and say in words what they describe; one that is wrong does not hide the next.

    The picture shows how the machine stands, with the sensors' axes.
    """
    console = talker(picture, as_json=as_json)
    errors: list[InputError] = []
    noted: list[dict[str, str]] = []
    for number, path in enumerate(file):
        if number:
            console.print()
        try:
            notes, machine = _check_file(console, path, installed=installed)
            if picture is not None and machine is not None:
                write_text(picture, standing(machine))
                console.print(f"Drawn {picture}", soft_wrap=True)
            noted += [{"file": as_typed(str(path)), "note": note} for note in notes]
        except InputError as error:
            errors += [error, *error.more]
    if as_json:
        names, wrongs = ([as_typed(str(one)) for one in several] for several in (file, errors))
        print_json({"ok": not errors, "files": names, "errors": wrongs, "notes": noted})
    for wrong in errors[:-1]:
        typer.echo(as_typed(f"tipdatum: {wrong}"), err=True)
    if errors:
        raise errors[-1]


def _check_file(console: Console, config: Path, *, installed: bool) -> tuple[list[str], Machine | None]:
    """Say what a file describes; gives the notes on it, and the machine that it describes or names.

    Raises:
        InputError: something in it is wrong.
    """
    if config.name.endswith(SESSION_ENDINGS):
        return _check_session(console, config)
    machine = None
    if "boom" in (data := load_toml(config)):
        machine = parse_machine_file(data, config)
        noted = _say_machine(console, machine)
    elif "tip_m" in data:
        noted = []
        console.print(describe_bucket(Bucket(**read_bucket(config))), soft_wrap=True)
    else:
        service = load_service(config)
        machine = service.machine
        noted = _check_service(console, service)
        if installed and (refused := refusals(service)):
            raise InputError("\n".join(f"{config}: {sentence}" for sentence in refused))
    console.print(as_typed(f"\n{config}: nothing wrong found."), soft_wrap=True)
    return noted, machine


def _check_service(console: Console, service: Service) -> list[str]:
    wrong: list[InputError] = []
    notes_of_drivers = []
    for number, table in enumerate(service.drivers):
        try:
            notes_of_drivers += _check_driver(service, number, table)
        except InputError as error:
            wrong.append(error)
    looks = (_check_broker, _check_folders, *(() if wrong else (_check_sensors_are_brought,)))
    for look in looks:
        try:
            look(service)
        except InputError as error:
            wrong.append(error)
    if wrong:
        raise all_in_one(wrong)
    strangers = notes_of_drivers
    rows = [
        ("machine", f"{service.machine_id}, described in {service.machine_path}"),
        *(("driver", _driver_words(table)) for table in service.drivers),
        ("broker", _broker_words(service)),
        ("figures", f"{1 / service.settings.period_s:g} a second by estimator {service.settings.estimator}"),
        ("recording", service.recording.directory or "off (--record turns it on)"),
    ]
    console.print(_rows("Service", rows))
    console.print()
    noted = _say_machine(console, service.machine)
    if not service.drivers:
        strangers.append("no [[driver]]: nothing would ever come in")
    strangers += _receivers_without_contact(service)
    return [*noted, *_said(console, strangers)]


def _check_session(console: Console, path: Path) -> tuple[list[str], Machine]:
    session = SessionFile(path)
    machine = parse_machine(session.header.machine, f"{path}, machine of the header")
    kinds: Counter[str] = Counter()
    sensors: Counter[str] = Counter()
    presences: dict[str, Presence] = {}
    first = last = 0.0
    for n, record in enumerate(session):
        first, last = record.t if n == 0 else first, record.t
        kinds[type(record).__name__.lower()] += 1
        if isinstance(record, (Imu, Tilt, Slew, Beam)):
            sensors[record.sensor] += 1
        if isinstance(record, (Imu, Tilt, Slew)):
            presences.setdefault(record.sensor, Presence()).heard(record.t)
    span = max(last - first, 1e-9)
    rows = [
        ("started", session.header.started),
        ("length", f"{last - first:.1f} s"),
        ("lines", ", ".join(f"{count} {kind}" for kind, count in kinds.most_common()) or "none"),
        *(("sensor", f"{name}, {count / span:.1f} readings a second") for name, count in sensors.items()),
    ]
    console.print(_rows("Session", rows))
    console.print()
    noted = _say_machine(console, machine)
    unused = [
        f"sensor {name} is not described: its readings are not used"
        for name in sorted(set(sensors) - set(machine.sensor))
    ]
    noted += _said(console, [*unused, *session.warnings])
    slow = [f"sensor {name} {presence.slowness}" for name, presence in presences.items() if presence.too_slow]
    if slow:
        raise InputError(f"{path}: {'; '.join(slow)}")
    console.print(as_typed(f"\n{path}: nothing wrong found."), soft_wrap=True)
    return noted, machine


def _say_machine(console: Console, machine: Machine) -> list[str]:
    sentences = [*describe_arm(machine), describe_calibration(machine)]
    console.print(_rows(machine.name, [("", sentence) for sentence in sentences]))
    if machine.sensor:
        console.print()
        sensors = [(name, sensor_words(machine, name)) for name in machine.sensor]
        console.print(_rows("Sensors", sensors))
    return _said(console, notes(machine))


def _said(console: Console, noted: Sequence[str]) -> list[str]:
    """The notes, printed."""
    for note in noted:
        console.print(f"Note: {note}", soft_wrap=True)
    return list(noted)


def _rows(title: str, rows: list[tuple[str, str]]) -> Table:
    table = Table.grid(padding=(0, 2), pad_edge=True)
    table.title, table.title_justify, table.title_style = title, "left", "bold"
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for name, text in rows:
        table.add_row(name, text)
    return table


def _check_driver(service: Service, number: int, table: DriverTable) -> list[str]:
    """Looks at what a driver's options name; returns notes.

    Raises:
        InputError: a file that is named cannot be used, or a sensor does not exist.
    """
    driver = find_driver(table.kind)(table.options)
    driver.prepare()
    described = service.machine.sensor
    strangers = ", ".join(sorted(set(driver.sensors) - set(described)))
    if not strangers:
        return driver.advice()
    if table.kind == "replay":
        # The machine of a recording may have had more of them.
        return [f"the recording has readings of sensors that the machine file does not describe: {strangers}"]
    raise ConfigError(
        str(service.path),
        f"driver[{number}].sensor",
        f"{strangers}, which the machine file does not describe",
        f"one of {', '.join(described) or 'no sensors at all'}",
    )


def _check_sensors_are_brought(service: Service) -> None:
    """Raises InputError where a sensor that is described is brought by no driver."""
    told = [find_driver(table.kind)(table.options).sensors for table in service.drivers]
    if not told or not all(told):
        return  # a driver that does not say what it brings may bring any
    needed = [name for name, sensor in service.machine.sensor.items() if sensor.type != "beam"]
    missing = [name for name in needed if not any(name in names for names in told)]
    if missing:
        what = f"the machine's sensor{'s' if len(missing) > 1 else ''} {', '.join(missing)}"
        raise ConfigError(str(service.path), "driver", f"no table that brings {what}", "one for each sensor")


def _receivers_without_contact(service: Service) -> list[str]:
    """A sentence for each laser receiver whose crossings nothing live would bring."""
    brought = {
        name
        for table in service.drivers
        for driver in (find_driver(table.kind)(table.options),)
        for name in (*driver.inputs, *driver.sensors)
    }
    receivers = [name for name, sensor in service.machine.sensor.items() if sensor.type == "beam"]
    return [
        f"laser receiver {name}: no driver has an input of that name; only recordings bring its crossings"
        for name in receivers
        if name not in brought
    ]


def _check_folders(service: Service) -> None:
    """Raises InputError where a folder that is named can neither be used nor made."""
    recordings = service.recording.directory
    folders = {
        "recording.directory": service.path.parent / recordings if recordings else None,
        "state.directory": service.state_directory,
    }
    wrong: list[InputError] = []
    for key, folder in folders.items():
        if folder is None:
            continue
        there = next(place for place in (folder, *folder.absolute().parents) if place.exists())
        if not there.is_dir():
            wrong.append(ConfigError(str(service.path), key, f"{folder}, and {there} is a file", "a folder"))
        elif not os.access(there, os.W_OK | os.X_OK):
            found = f"{folder}, and nothing may be written in {there}"
            wrong.append(ConfigError(str(service.path), key, found, "a folder that can be made or written"))
    if wrong:
        raise all_in_one(wrong)


def _check_broker(service: Service) -> None:
    """Raises InputError where `[broker]` names a file that cannot be used, or leaves the door open."""
    base, file, broker = service.path.parent, str(service.path), service.broker
    broker.password(base, file=file)
    if broker.uses_embedded:
        own = broker.embedded
        users = read_users(base / own.users_file, file) if own.users_file is not None else None
        EmbeddedBroker(own.listen, own.port, own.ws_port, users)  # refuses to be open to everyone
    for key, path in (broker.tls.model_dump() if broker.tls else {}).items():
        if path is not None and not (base / path).is_file():
            raise ConfigError(file, f"broker.tls.{key}", f'"{path}"', "a file that exists")


def _driver_words(table: DriverTable) -> str:
    options = table.options.model_dump(exclude_unset=True)
    told = ", ".join(f"{key} {_plain(value)}" for key, value in options.items())
    return f"{table.kind}: {told}" if told else table.kind


def _plain(value: object) -> str:
    if isinstance(value, (tuple, dict)):
        return " ".join(map(_plain, value))
    if isinstance(value, Path):
        return os.path.normpath(value)
    return str(value).lower() if isinstance(value, bool) else str(value)


def _broker_words(service: Service) -> str:
    broker = service.broker
    if broker.uses_embedded:
        own = broker.embedded
        return f"embedded, on {own.listen}:{own.port or '1883 (a free port where that is taken)'}"
    user = f" as {broker.user}" if broker.user else ""
    return f"{broker.host}:{broker.actual_port}{user}{', TLS' if broker.tls else ''}"
