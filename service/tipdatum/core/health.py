"""The health of every sensor, and of sources that nobody described: what is judged, and when it is told.

A health message goes out when a state changes, when counts or words changed (at most once a second, as fast
as a person reads), and every ten seconds.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final, Literal, Protocol

from tipdatum.bus.messages import Health
from tipdatum.core.messages_out import rounded
from tipdatum.fusion.estimator import Agreement, Estimator
from tipdatum.machine.description import Machine
from tipdatum.sentences import said
from tipdatum.walltime import WallTime
from tipdatum_drivers.plausibility import SensorHealth, SensorMonitor
from tipdatum_drivers.reading import Fault
from tipdatum_drivers.together import Together

TOGETHER_EVERY_S: Final = 0.1
"""How often sensors are looked at beside each other."""
EVERY_S: Final = 10.0
WORDS_EVERY_S: Final = 1.0
STRAY_FAULT_S: Final = 5.0
"""How long a fault of a source without a description shows."""
STRAY_SOURCES: Final = 32
"""More names than this that nobody described are a flood; they are counted together."""
NOT_IN_A_TOPIC = re.compile(r"[^A-Za-z0-9._-]+")


class Watched(Protocol):
    """Whatever has a health: a sensor's monitor, or the counter of a source without a description."""

    @property
    def fault_count(self) -> int: ...
    def is_ok(self, t: float) -> bool: ...
    def health(self, t: float) -> SensorHealth: ...
    def count(self, fault: Fault) -> None: ...


class StrayFaults:
    """Counts faults of a source that no sensor of the description stands for: a driver, an unknown name."""

    def __init__(self) -> None:
        self._faults: Counter[str] = Counter()
        self._last = ""
        self._last_t = float("-inf")

    def count(self, fault: Fault) -> None:
        """Count a fault."""
        self._faults[fault.kind] += 1
        self._last = f"{fault.kind}: {fault.text}" if fault.text else fault.kind
        self._last_t = max(self._last_t, fault.t)

    @property
    def fault_count(self) -> int:
        """Faults of all kinds."""
        return self._faults.total()

    def is_ok(self, t: float) -> bool:
        """Whether `health(t)` would say "ok"."""
        return t - self._last_t >= STRAY_FAULT_S

    def health(self, t: float) -> SensorHealth:
        """In fault for a while after each one, as nobody says when such a source is well again."""
        recent = t - self._last_t < STRAY_FAULT_S
        text = self._last if recent else ""
        state: Literal["fault", "ok"] = "fault" if recent else "ok"
        return SensorHealth(state, text, None, None, None, dict(self._faults), self._last or None)


@dataclass(slots=True)
class _Source:
    """One source, and the health that was last told of it."""

    watched: Watched
    body: str
    told: tuple[str, str, int] | None = None
    told_at: float = field(default=float("-inf"))

    def stands(self, t: float) -> bool:
        """Whether what was told still holds at `t`: ok then and now, and no fault since.

        Asked of every sensor at every tick, where a whole `SensorHealth` would cost ten times as much.
        """
        told = self.told
        return (
            told is not None
            and told[0] == "ok"
            and told[2] == self.watched.fault_count
            and t - self.told_at < EVERY_S
            and self.watched.is_ok(t)
        )


class HealthBoard:
    """Health of everything that readings or faults come from.

    Attributes:
        monitors: sensor name → its monitor, for every sensor of the description. presences: sensor name → its
            presence, which its monitor keeps.
    """

    def __init__(self, machine: Machine, wall: WallTime) -> None:
        self._wall = wall
        self._agreement: dict[str, Agreement] = {}
        self.monitors = {
            name: SensorMonitor(name, sensor, g=machine.gravity_mps2)
            for name, sensor in machine.sensor.items()
        }
        self.presences = {name: monitor.presence for name, monitor in self.monitors.items()}
        self._looked = float("-inf")
        self._machine = machine
        self.together = self._inclinometers()
        """Watches inclinometers beside what the bodies do."""
        self._lines = {
            name: _Source(monitor, machine.sensor[name].body) for name, monitor in self.monitors.items()
        }

    def describe(self, machine: Machine, t: float) -> None:
        """Go on with a changed description of the same sensors."""
        before, self._machine = self._machine, machine
        self.together = self._inclinometers()
        for name, sensor in machine.sensor.items():
            if sensor != before.sensor[name] or machine.gravity_mps2 != before.gravity_mps2:
                self.monitors[name].describe(sensor, t, machine.gravity_mps2)
                self._lines[name].body = sensor.body

    def _inclinometers(self) -> Together:
        carried: dict[str, SensorMonitor] = {
            sensor.body: self.monitors[name]
            for name, sensor in self._machine.sensor.items()
            if sensor.type == "tilt"
        }
        order = ("upper", *self._machine.sections[:-1], "rocker", "bucket")
        return Together((body, carried.get(body)) for body in order)

    def fault(self, fault: Fault) -> None:
        """Count a fault under its source, described or not."""
        source = fault.source
        if source not in self._lines:
            if len(self._lines) - len(self.monitors) >= STRAY_SOURCES:
                source = "others"
            source = NOT_IN_A_TOPIC.sub("-", source) or "others"
            self._lines.setdefault(source, _Source(StrayFaults(), "none"))
        self._lines[source].watched.count(fault)

    def look_together(self, t: float, newest: float | None, estimator: Estimator) -> None:
        """See now and then what sensors are beside each other; at every tick.

        Inclinometers are shown what the bodies did since the last look, and the estimator is asked how far
        its sensors agree.

        Args:
            newest: time of the newest reading, None before the first.
        """
        since = t - self._looked
        if 0.0 <= since < TOGETHER_EVERY_S:
            return
        self._looked = t
        if self.together.watches:
            pose = estimator.pose(t if newest is None else max(newest, t))
            if pose.known:
                upper, _, *arm = pose.rates
                sections = self._machine.sections
                rates = {"upper": upper, **dict(zip(sections, arm, strict=False))}
                span = since if 0.0 <= since < 2.0 * TOGETHER_EVERY_S else 2.0 * TOGETHER_EVERY_S
                self.together.turned(t, span, rates)
            self.together.compare(t)
        self._agreement = estimator.agreement()
        for name, told in self._agreement.items():
            self.monitors[name].suspect(t, told.suspected)

    def due(self, t: float) -> Iterator[Health]:
        """What has to be told at `t`."""
        for name, line in self._lines.items():
            if line.stands(t):
                continue
            health = line.watched.health(t)
            now = (health.state, health.text, line.watched.fault_count)
            since = t - line.told_at
            state_changed = line.told is None or now[0] != line.told[0]
            if state_changed or since >= EVERY_S or (now != line.told and since >= WORDS_EVERY_S):
                line.told, line.told_at = now, t
                yield self._message(name, line.body, health, t)

    def all(self, t: float) -> Iterator[Health]:
        """Everything that was told before, once more."""
        for name, line in self._lines.items():
            if line.told is not None:
                yield self._message(name, line.body, line.watched.health(t), t)

    def _message(self, name: str, body: str, health: SensorHealth, t: float) -> Health:
        told = self._agreement.get(name)
        return Health(
            t=round(t, 6),
            time=self._wall.rfc3339(t),
            sensor=name,
            body=body,
            state=health.state,
            text=health.text,
            said=said(health.text),
            rate_hz=rounded(health.rate_hz, 1),
            jitter_s=rounded(health.jitter_s, 5),
            age_s=rounded(health.age_s, 3),
            faults=dict(health.faults),
            last_fault=health.last_fault,
            test_ratio=None if told is None else rounded(told.test_ratio, 3),
            vibration_mps2=None if told is None else rounded(told.vibration_mps2, 3),
            clipped_share=rounded(health.clipped_share, 4),
        )
