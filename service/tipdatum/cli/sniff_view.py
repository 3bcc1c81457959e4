"""What `tipdatum sniff` shows: a row a sensor, and the lines to copy into a service's file."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import tomlkit
from msgspec import to_builtins
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from tipdatum_drivers.guess import Guess
from tipdatum_drivers.plausibility import SensorMonitor
from tipdatum_drivers.reading import Beam, Command, Fault, Identity, Imu, Input, Record, Slew, Tilt, Truth

LAST_FAULTS = 5


@dataclass(frozen=True, slots=True)
class _Anything:
    serial: str | None = None
    stale_after_s: float | None = None


@dataclass(slots=True)
class _Row:
    monitor: SensorMonitor
    last: Record | None = None
    serial: str = ""
    count: int = 0


@dataclass(slots=True)
class SniffView:
    """Takes what a driver delivers and shows it."""

    sensors: Iterable[str]
    rows: dict[str, _Row] = field(init=False)
    inputs: dict[str, bool] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.rows = {name: _Row(SensorMonitor(name, _Anything())) for name in self.sensors}

    def take(self, item: Record | Fault) -> None:
        """One reading or fault."""
        if isinstance(item, Fault):
            self.faults = [*self.faults, item][-LAST_FAULTS:]
            if item.source in self.rows:
                self.rows[item.source].monitor.count(item)
        elif isinstance(item, Input):
            self.inputs[item.name] = item.on
        elif not isinstance(item, (Command, Truth)):
            row = self.rows.setdefault(item.sensor, _Row(SensorMonitor(item.sensor, _Anything())))
            _, found = row.monitor.check(item)
            self.faults = [*self.faults, *found][-LAST_FAULTS:]
            if isinstance(item, Identity):
                row.serial = item.serial
            else:
                row.last, row.count = item, row.count + 1

    def plain(self, now: float) -> list[dict[str, Any]]:
        """The same as plain values."""
        found = []
        for name, row in self.rows.items():
            health = row.monitor.health(now)
            found.append(
                {
                    "sensor": name,
                    "serial": row.serial or None,
                    "state": health.state,
                    "reading": None if row.last is None else to_builtins(row.last),
                    "readings": row.count,
                    "rate_hz": health.rate_hz,
                    "jitter_s": health.jitter_s,
                    "age_s": health.age_s,
                    "faults": dict(health.faults),
                }
            )
        return found

    def table(self, now: float) -> RenderableType:
        """The present state at time `now`, s."""
        table = Table(box=None, pad_edge=False)
        for heading in ("sensor", "state", "reading"):
            table.add_column(heading, overflow="fold")
        for heading in ("readings", "rate", "jitter", "age"):
            table.add_column(heading, justify="right")
        table.add_column("faults", overflow="fold")
        for name, row in self.rows.items():
            health = row.monitor.health(now)
            table.add_row(
                name + (f" ({row.serial})" if row.serial else ""),
                health.state,
                shown(row.last),
                str(row.count),
                "" if health.rate_hz is None else f"{health.rate_hz:.1f} Hz",
                "" if health.jitter_s is None else f"{health.jitter_s * 1e3:.1f} ms",
                "" if health.age_s is None else f"{health.age_s:.2f} s",
                ", ".join(f"{kind} {count}" for kind, count in health.faults.items()),
            )
        switches = [f"{name} {'on' if on else 'off'}" for name, on in self.inputs.items()]
        parts: list[RenderableType] = [Text(), table]
        if switches:
            parts.append(Text("inputs: " + ", ".join(switches)))
        for fault in self.faults:
            parts.append(Text(f"{fault.source}: {fault.kind}: {fault.text}", overflow="fold"))
        return Group(*parts)


def shown(reading: Record | None) -> str:
    """A reading in the words of the trade: what it measures, and the tilt that follows at rest."""
    if isinstance(reading, Imu):
        x, y, z = reading.accel_mps2
        force = math.sqrt(x * x + y * y + z * z)
        gyro = reading.gyro_radps
        rate = "" if gyro is None else f", {math.degrees(math.sqrt(sum(w * w for w in gyro))):.1f} °/s"
        warm = "" if reading.temp_c is None else f", {reading.temp_c:.1f} °C"
        return f"accel {x:.2f} {y:.2f} {z:.2f} m/s² (|a| {force:.2f}), x {_angle(x, force)}{rate}{warm}"
    if isinstance(reading, Tilt):
        if reading.angle_deg is not None:
            return f"angle {reading.angle_deg:.2f}°"
        return f"pitch {reading.pitch_deg:.2f}°, roll {reading.roll_deg:.2f}°"
    if isinstance(reading, Slew):
        return f"slew {reading.angle_deg:.2f}°"
    if isinstance(reading, Beam):
        return "on the beam"
    return ""


def _angle(x: float, force: float) -> str:
    """How far the part's x axis points up, if it is at rest."""
    return f"{math.degrees(math.asin(max(-1.0, min(1.0, x / force)))):.1f}° up" if force > 0 else "?"


def snippet(port: str, baud: int, found: Guess) -> str:
    """The lines of a service's file that read this port; names are for a person to change."""
    table: dict[str, Any] = {"kind": found.kind, "port": port, "baud": baud, **found.options}
    if port.startswith("usb:"):
        vendor, product, *serial = port.removeprefix("usb:").split(":")
        table.pop("port")
        table |= {"usb_id": f"{vendor}:{product}"} | ({"usb_serial": serial[0]} if serial else {})
    text = tomlkit.dumps({"driver": [table]})
    more = "" if found.complete else "# and a [driver.sensor.NAME] table that says which field is which\n"
    return f"\nFor a service's file (change the sensors' names to those of the machine file):\n\n{text}{more}"
