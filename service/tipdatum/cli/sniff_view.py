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

from tipdatum.sentences import counted
from tipdatum_drivers.guess import Guess
from tipdatum_drivers.part_limits import USUAL_LIMITS, PartLimits
from tipdatum_drivers.plausibility import SensorMonitor
from tipdatum_drivers.reading import Beam, Command, Fault, Identity, Imu, Input, Record, Slew, Tilt, Truth

LAST_FAULTS = 5


@dataclass(frozen=True, slots=True)
class _Anything:
    serial: str | None = None
    stale_after_s: float | None = None
    type: str = ""
    body: str = ""
    limits: PartLimits = USUAL_LIMITS


@dataclass(slots=True)
class _SniffRow:
    monitor: SensorMonitor
    last: Record | None = None
    serial: str = ""
    count: int = 0


@dataclass(slots=True)
class SniffView:
    """Takes what a driver delivers and shows it."""

    sensors: Iterable[str]
    rows: dict[str, _SniffRow] = field(init=False)
    inputs: dict[str, bool] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.rows = {name: _SniffRow(SensorMonitor(name, _Anything())) for name in self.sensors}

    def take(self, item: Record | Fault) -> None:
        """One reading or fault."""
        if isinstance(item, Fault):
            self.faults = [*self.faults, item][-LAST_FAULTS:]
            if item.source in self.rows:
                self.rows[item.source].monitor.count(item)
        elif isinstance(item, Input):
            self.inputs[item.name] = item.on
        elif not isinstance(item, (Command, Truth)):
            row = self.rows.setdefault(item.sensor, _SniffRow(SensorMonitor(item.sensor, _Anything())))
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

    def lines(self, now: float) -> list[str]:
        """The same as lines of text, for an output that is no screen."""
        told = []
        for name, row in self.rows.items():
            health = row.monitor.health(now)
            rate = "" if health.rate_hz is None else f"{health.rate_hz:.1f} Hz"
            faults = ", ".join(f"{kind} {count}" for kind, count in health.faults.items())
            parts = (name, health.state, shown(row.last), counted(row.count, "reading"), rate, faults)
            told.append("  ".join(filter(None, parts)))
        if self.inputs:
            told.append(
                "inputs: " + ", ".join(f"{n} {'on' if on else 'off'}" for n, on in self.inputs.items())
            )
        return told

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


def snippet(address: dict[str, Any], baud: int, found: Guess) -> str:
    """The lines of a service's file that read this port; names are for a person to change.

    Args:
        address: the keys that name the port.
    """
    table: dict[str, Any] = {"kind": found.kind, **address, "baud": baud, **found.options}
    text = tomlkit.dumps({"driver": [table]})
    # Keys of the table itself must stand before its sub-tables, where a person uncomments them.
    here = "".join(f"# {line}\n" for line in found.missing if not _in_table(found.missing, line))
    below = "".join(f"# {line}\n" for line in found.missing if _in_table(found.missing, line))
    head, bracket, tail = text.partition("\n[driver.")
    text = f"{head.rstrip()}\n{here}{bracket}{tail}{below}"
    return f"\nFor a service's file (change the sensors' names to those of the machine file):\n\n{text}"


def _in_table(lines: tuple[str, ...], line: str) -> bool:
    """Whether a line belongs to a sub-table that one before it opens, or opens one."""
    return any(one.startswith("[") for one in lines[: lines.index(line) + 1])
