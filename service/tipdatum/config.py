"""The service's file: which machine, which drivers, which broker, and the options of every part.

Options live beside what they configure; this module only composes them, so that one TOML file reads like
the parts of the service.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, Field

from tipdatum.bus.options import BrokerOptions
from tipdatum.bus.topics import MACHINE_ID
from tipdatum.errors import ConfigError, InputError
from tipdatum.fusion.estimator import DEFAULT_ESTIMATOR, options_model
from tipdatum.grade.forms import WorkOptions
from tipdatum.machine.description import Machine, load_machine
from tipdatum.sessions.recorder import RecordingOptions
from tipdatum.validation import all_in_one, load_toml, parse_model
from tipdatum_drivers.options import Options, PathText, Table
from tipdatum_drivers.registry import find_driver

T = TypeVar("T")

TICK_HZ = 25.0
"""More than twice as often as a person reads a figure; what more and less costs: docs/mqtt.md."""


class FusionTable(Table):
    """`[fusion]`: the estimator, and how often figures are published."""

    estimator: str = DEFAULT_ESTIMATOR
    tick_hz: Annotated[float, Field(ge=1, le=200)] = TICK_HZ
    arm_hz: Annotated[float, Field(ge=0, le=200)] = 25.0
    """How often the arm's pins are published for displays that draw; 0: never."""
    publish: Literal["tick", "arrival"] = "tick"
    """arrival: figures as soon as every sensor has been heard anew, so at the pace of the slowest; ticks go
    on where readings are missing. Saves the wait for the tick."""
    raw: bool = True
    """Whether half-second means of the raw readings are published, for `tipdatum calibrate` over the bus."""
    options: dict[str, Any] = Field(default_factory=dict)


class DisplayOptions(Table):
    """`[display]`: whether and where the page is served."""

    enabled: bool = True
    host: str = "127.0.0.1"
    """Address the page is served on; other than loopback, anyone in the network can open it."""
    port: Annotated[int, Field(ge=0, le=65535)] = 0
    """0: a free one, which the log names."""
    websocket: str | None = None
    """The broker's WebSocket address as the browser reaches it; None: the embedded broker's."""
    role: Literal["display", "panel", "integrator"] = "panel"
    units: Literal["mm", "cm", "m", "ft", "ft-in"] = "mm"
    language: str = ""
    """Empty: the browser's."""


class StateTable(Table):
    """`[state]`: what must outlive a restart."""

    directory: PathText | None = None
    """Relative to the service's file. Default: $STATE_DIRECTORY (systemd sets it), $XDG_STATE_HOME/tipdatum
    or ~/.local/state/tipdatum."""


class ServiceFile(Table):
    """The service's file as it stands."""

    machine: PathText
    machine_id: str | None = None
    driver: list[dict[str, Any]] = Field(default_factory=list)
    fusion: FusionTable = FusionTable()
    work: WorkOptions = WorkOptions()
    broker: BrokerOptions = BrokerOptions()
    recording: RecordingOptions = RecordingOptions()
    display: DisplayOptions = DisplayOptions()
    state: StateTable = StateTable()


@dataclass(frozen=True, slots=True)
class Settings:
    """What the pipeline needs to know beside the machine."""

    estimator: str = DEFAULT_ESTIMATOR
    estimator_options: BaseModel | None = None
    period_s: float = 1.0 / TICK_HZ
    arm_every: int = 0
    """Publish the arm's pins every so many ticks; 0: never."""
    raw: bool = False
    """Whether means of raw readings are published."""
    work: WorkOptions = field(default_factory=WorkOptions)
    on_arrival: bool = False
    """Figures when every sensor has been heard anew, instead of with the tick."""


@dataclass(frozen=True, slots=True)
class DriverTable:
    """One `[[driver]]` of the service's file: the kind's name and its checked options."""

    kind: str
    options: Options


@dataclass(frozen=True, slots=True)
class Service:
    """A service's file with everything it names loaded and checked; `tables` is the file as it stands."""

    path: Path
    tables: ServiceFile
    machine: Machine
    machine_path: Path
    machine_id: str
    drivers: tuple[DriverTable, ...]
    settings: Settings
    broker: BrokerOptions
    recording: RecordingOptions
    display: DisplayOptions
    state_directory: Path | None


def load_service(path: Path) -> Service:
    """Read and check a service's file and the machine it names.

    Raises:
        ConfigError: the first thing that is wrong, by file, key, found and expected; the others are its
            `more`.
    """
    file = str(path)
    data = load_toml(path)
    if "boom" in data and "machine" not in data:
        raise ConfigError(file, "", "a machine's description", "a service's file, which names it")
    wrong: list[InputError] = []

    def tried(make: Callable[[], T]) -> T | None:
        try:
            return make()
        except InputError as error:
            wrong.append(error)
            return None

    raw = tried(lambda: parse_model(ServiceFile, data, file))
    refused = [one for error in wrong for one in (error, *error.more)]
    if raw is not None:
        named: Any = raw.machine
    elif any(isinstance(one, ConfigError) and one.key == "machine" for one in refused):
        named = None
    else:
        named = data.get("machine")
    machine_path = tried(lambda: _machine_path(named, path)) if isinstance(named, str) else None
    machine = tried(lambda: load_machine(machine_path)) if machine_path is not None else None
    if raw is None:
        raise all_in_one(wrong)
    machine_id = tried(lambda: _machine_id(raw.machine_id, machine_path or path, file))
    drivers = [
        tried(lambda i=i, table=table: _driver(table, i, file, path.parent))  # type: ignore[misc]
        for i, table in enumerate(raw.driver)
    ]
    settings = tried(lambda: make_settings(raw.fusion, raw.work, file))
    if wrong:
        raise all_in_one(wrong)
    assert machine is not None
    assert machine_path is not None
    assert machine_id is not None
    assert settings is not None
    return Service(
        path=path,
        tables=raw,
        machine=machine,
        machine_path=machine_path,
        machine_id=machine_id,
        drivers=tuple(driver for driver in drivers if driver is not None),
        settings=settings,
        broker=raw.broker,
        recording=raw.recording,
        display=raw.display,
        state_directory=path.parent / raw.state.directory if raw.state.directory else None,
    )


def make_settings(fusion: FusionTable, work: WorkOptions, file: str) -> Settings:
    """The pipeline's settings from two tables.

    Raises:
        ConfigError: the estimator is not known, or its options are wrong.
    """
    model = options_model(fusion.estimator, file)
    options = parse_model(model, fusion.options, file, under="fusion.options")
    every = max(1, round(fusion.tick_hz / fusion.arm_hz)) if fusion.arm_hz else 0
    return Settings(
        estimator=fusion.estimator,
        estimator_options=options,
        period_s=1.0 / fusion.tick_hz,
        arm_every=every,
        work=work,
        on_arrival=fusion.publish == "arrival",
        raw=fusion.raw,
    )


def _machine_path(named: str, path: Path) -> Path:
    found = path.parent / os.path.expanduser(named)  # noqa: PTH111 - pathlib's raises for an unknown user
    if not os.path.exists(found):  # noqa: PTH110 - pathlib's raises for a name that no file can have
        raise ConfigError(
            str(path), "machine", f'"{named}", which does not exist', "the path of a machine file"
        )
    return found.resolve()


def _machine_id(given: str | None, machine_path: Path, file: str) -> str:
    if given is None:
        return re.sub(r"[^a-z0-9]+", "-", machine_path.stem.lower()).strip("-") or "machine"
    if not MACHINE_ID.fullmatch(given):
        raise ConfigError(
            file, "machine_id", f'"{given}"', "small letters, digits and hyphens, such as digger-1"
        )
    return given


def _driver(table: dict[str, Any], index: int, file: str, base: Path) -> DriverTable:
    where = f"driver[{index}]"
    kind = table.get("kind")
    if not isinstance(kind, str):
        raise ConfigError(file, f"{where}.kind", "nothing" if kind is None else repr(kind), "a driver's name")
    cls = find_driver(kind, file, f"{where}.kind")
    options = {k: v for k, v in table.items() if k != "kind"}
    parsed = parse_model(cls.Options, options, file, under=where)
    return DriverTable(kind, parsed.relative_to(base))
