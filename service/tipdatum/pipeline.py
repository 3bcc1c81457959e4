"""The functional core of the service: readings, commands and ticks in, messages out.

Synchronous and deterministic: time is an argument, nothing here reads a clock, opens a port or logs. The
live shell and the replay drive the same object, so a recorded session gives the same messages as the day it
was recorded.

Ticks stand at whole multiples of the period in session time and go on through gaps. A tick takes in every
record with t <= tick, because it runs only when something later has come (`feed`) or time has passed it
(`advance`).
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol, TypeAlias

from tipdatum.bus.messages import (
    Arm,
    ArmPoint,
    Change,
    Changes,
    Happening,
    Health,
    LimitFigure,
    Limits,
    Message,
    Reply,
    State,
    TargetPoint,
    Tip,
)
from tipdatum.config import Settings
from tipdatum.fusion.estimator import Estimator, Event, make_estimator
from tipdatum.grade.against import Against
from tipdatum.grade.options import WorkOptions
from tipdatum.grade.outcome import Outcome
from tipdatum.grade.report import TipReport
from tipdatum.grade.state import WorkState
from tipdatum.grade.work import Work
from tipdatum.machine import Machine
from tipdatum.walltime import WallTime
from tipdatum_drivers.plausibility import SensorHealth, SensorMonitor
from tipdatum_drivers.reading import Beam, Command, Fault, Imu, Input, Reading, Record, Slew, Tilt, Truth

CLOCK_STEP_S = 0.5
"""A reading older than the newest by more than this is a step of the clock; by less, one out of order."""
HEALTH_EVERY_S = 10.0
STRAY_FAULT_S = 5.0
"""How long a fault of a source without a description shows."""
STRAY_SOURCES = 32
"""More names than this that nobody described are a flood; they are counted together."""
CHANGES_KEPT = 20
NOT_IN_A_TOPIC = re.compile(r"[^A-Za-z0-9._-]+")
PINS = ("boom foot", "boom-stick pin", "stick-bucket pin", "tip")


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A message to publish: its name in `bus.topics.DELIVERY`, a part of the topic, the model.

    `t_emit` is the `t` of the newest reading that had been consumed when it was made.
    """

    name: str
    message: Message
    part: str = ""
    t_emit: float | None = None


Emit: TypeAlias = Callable[[Outgoing], None]


class Watched(Protocol):
    """Whatever has a health: a sensor's monitor, or the counter of a source without a description."""

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

    def health(self, t: float) -> SensorHealth:
        """In fault for a while after each one, as nobody says when such a source is well again."""
        recent = t - self._last_t < STRAY_FAULT_S
        text = self._last if recent else ""
        state: Literal["fault", "ok"] = "fault" if recent else "ok"
        return SensorHealth(state, text, None, None, None, dict(self._faults), self._last or None)


@dataclass(slots=True)
class _SensorLine:
    """A source of readings or faults, and the health that was last published of it."""

    monitor: Watched
    body: str
    published: tuple[str, str, int] | None = None
    published_at: float = field(default=float("-inf"))


class Pipeline:
    """One run over one machine.

    Args:
        machine: the description.
        settings: tick, estimator and work options.
        wall: wall time of the run.
        emit: takes every message in the order it is made.
        state: what was set before a restart, None for a fresh start.
        state_age_s: how long the service was away, s; used only with `state`.
    """

    def __init__(
        self,
        machine: Machine,
        settings: Settings,
        wall: WallTime,
        emit: Emit,
        *,
        state: WorkState | None = None,
        state_age_s: float | None = None,
    ) -> None:
        self.machine = machine
        self.wall = wall
        self._settings = settings
        self._emit = emit
        self._estimator = self._make_estimator()
        self.work = Work(machine, self._estimator, settings.work, state, wall.started)
        if state is not None:
            self.work.restore(state_age_s)
        self._monitors = {
            name: SensorMonitor(name, sensor, g=machine.gravity_mps2)
            for name, sensor in machine.sensor.items()
        }
        self._lines = {
            name: _SensorLine(monitor, machine.sensor[name].body) for name, monitor in self._monitors.items()
        }
        self._next_tick = 0
        self._newest: float | None = None
        self._interval = settings.period_s
        self._changes: list[Change] = []
        self._published_revision = -1
        self._now = 0.0

    # -- in ------------------------------------------------------------------------------------------

    def feed(self, record: Record | Fault) -> None:
        """Take one record in order of time; ticks that lie before it run first."""
        if isinstance(record, Truth):
            return
        if isinstance(record, Fault):
            self._fault(record)
            return
        self.advance(record.t)
        if isinstance(record, Command):
            self.command(record.name, record.body, record.t, by="session")
        else:
            self._reading(record)

    def advance(self, now: float) -> None:
        """Run every tick before `now`, s. The tick at `now` itself waits, for a reading may still come."""
        self._now = max(self._now, now)
        period = self._settings.period_s
        while self._next_tick * period < now:
            tick = self._next_tick
            self._next_tick += 1
            if self._newest is not None:
                self._tick(tick)

    def skip_to(self, t: float) -> None:
        """Begin at `t` instead of 0, s."""
        self._next_tick = int(t / self._settings.period_s)
        self._now = t

    def was_suspended(self, t: float, seconds: float) -> None:
        """The computer slept for `seconds`; nobody knows what the machine did meanwhile."""
        text = f"the computer was suspended for {seconds:.0f} s; the filter starts anew"
        self._happened(Event(t, "suspended", text))
        self._renew_estimator()
        self.work.doubt(t, "the computer was suspended; the machine may have moved")
        self._flush(t)

    def reload(self, machine: Machine, work: WorkOptions) -> None:
        """Go on with a changed description and changed options of the work."""
        self.machine = machine
        self.work.options = work
        self.work.replace_machine(machine)

    def finish(self) -> None:
        """Run the last tick, at the end of a recording."""
        if self._newest is not None:
            self.advance(self._newest + 1e-9)

    def command(
        self, name: str, body: dict[str, Any], t: float, *, by: str = "unknown", request_id: str | None = None
    ) -> None:
        """Carry out a command, or refuse it with a reason; the `Reply` may come ticks later."""
        outcome = self.work.command(name, body, t, by, request_id)
        if outcome is not None:
            self._outcome(outcome, t)
        self._flush(t)

    def refuse(
        self, name: str, reason: str, t: float, *, by: str = "", request_id: str | None = None
    ) -> None:
        """Answer a command that is none: not readable, too large, too many."""
        self._outcome(Outcome(name, False, reason, token=request_id, by=by), t)

    def publish_retained(self) -> None:
        """State, changes and health once more, for a broker that may have kept nothing."""
        self._emit_state(self._now)
        self._emit_changes()
        for name, line in self._lines.items():
            if line.published is not None:
                self._emit_health(name, line, self._now)

    # -- readings ------------------------------------------------------------------------------------

    def _reading(self, reading: Reading) -> None:
        if isinstance(reading, Input):
            self.work.observe(reading)
            return
        monitor = self._monitors.get(reading.sensor)
        if monitor is None:
            self._fault(Fault(reading.t, reading.sensor, "unknown sensor", "not in the machine description"))
            return
        if self._newest is not None and reading.t < self._newest:
            if self._newest - reading.t <= CLOCK_STEP_S:
                self._fault(Fault(reading.t, reading.sensor, "out of order", "older than one already taken"))
                return
            self._clock_stepped_back(reading.t)
        accepted, _ = monitor.check(reading)
        if accepted is None:
            return
        if isinstance(accepted, Beam):
            self.work.observe(accepted)
            return
        if self._newest is not None:
            gap = min(accepted.t - self._newest, 1.0)
            self._interval += 0.05 * (gap - self._interval)
        self._newest = accepted.t
        if isinstance(accepted, (Imu, Tilt, Slew)):
            self._estimator.consume(accepted)
            self.work.hear(accepted)

    def _clock_stepped_back(self, t: float) -> None:
        text = f"readings went back by {(self._newest or 0.0) - t:.1f} s; the filter starts anew"
        self._happened(Event(t, "clock step", text))
        self._renew_estimator()
        self._next_tick = int(t / self._settings.period_s)
        self._now = t

    def _renew_estimator(self) -> None:
        self._estimator = self._make_estimator()
        self.work.replace_estimator(self._estimator)
        self._newest = None

    def _make_estimator(self) -> Estimator:
        settings = self._settings
        return make_estimator(settings.estimator, self.machine, settings.period_s, settings.estimator_options)

    # -- ticks ---------------------------------------------------------------------------------------

    def _tick(self, number: int) -> None:
        newest = self._newest
        assert newest is not None
        period = self._settings.period_s
        tick = number * period
        # While readings come at their usual pace the figures are for the newest of them; in a gap they go
        # on with the tick, so that nobody sees a figure that stands still.
        missing_after = max(2.0 * period, min(2.5 * self._interval, 0.25))
        t = newest if tick - newest <= missing_after else tick
        report = self.work.report(t)
        self._emit(Outgoing("tip", self._tip(report), t_emit=newest))
        every = self._settings.arm_every
        if every and number % every == 0:
            self._emit(Outgoing("arm", self._arm(report)))
            if report.limits:
                self._emit(Outgoing("limits", self._limits(report)))
        self._health(tick)
        self._flush(tick)

    def _tip(self, report: TipReport) -> Tip:
        figures = target_figures(report.against) if report.against is not None else {}
        return Tip(
            t=round(report.t, 6),
            time=self.wall.rfc3339(report.t),
            elevation_m=_rounded(report.elevation_m),
            left_m=_rounded(report.left_m),
            right_m=_rounded(report.right_m),
            reach_m=_rounded(report.reach_m),
            lateral_m=_rounded(report.lateral_m),
            sigma_m=_rounded(report.sigma_m, 5),
            quality=report.quality,
            reasons=list(report.reasons),
            datum=report.datum,
            deviation_m=_rounded(report.deviation_m),
            sigma_prediction_m=_rounded(report.sigma_prediction_m, 5),
            **figures,
        )

    def _arm(self, report: TipReport) -> Arm:
        points = ahead = None
        if report.pins is not None:
            points = [
                ArmPoint(name=name, reach_m=round(float(p[0]), 3), height_m=round(float(p[2]), 3))
                for name, p in zip(PINS, report.pins, strict=True)
            ]
        if report.against is not None:
            ahead = [
                TargetPoint(reach_m=round(reach, 3), elevation_m=round(elevation, 4))
                for reach, elevation in report.against.ahead
            ]
        return Arm(
            t=round(report.t, 6),
            time=self.wall.rfc3339(report.t),
            quality=report.quality,
            points=points,
            height_to_elevation_m=_rounded(report.offset_m),
            slew_deg=None if report.pins is None else round(math.degrees(report.slew_rad), 2),
            target_ahead=ahead,
        )

    def _limits(self, report: TipReport) -> Limits:
        figures = [
            LimitFigure(
                kind=one.kind,
                state=one.state,
                point=one.point,
                distance_m=None if one.kind.startswith("slew") else _rounded(one.distance, 3),
                distance_deg=_rounded(one.distance, 3) if one.kind.startswith("slew") else None,
                time_s=_rounded(one.time_s, 2),
                reason=one.reason,
                note=one.note,
            )
            for one in report.limits
        ]
        return Limits(t=round(report.t, 6), time=self.wall.rfc3339(report.t), limits=figures)

    # -- health, events, answers ---------------------------------------------------------------------

    def _health(self, t: float) -> None:
        for name, line in self._lines.items():
            health = line.monitor.health(t)
            shown = (health.state, health.text, sum(health.faults.values()))
            due = t - line.published_at >= HEALTH_EVERY_S
            changed = line.published is None or shown[0] != line.published[0]
            # Counts and words may change with every reading; once a second is as fast as a person reads.
            fresh = shown != line.published and t - line.published_at >= 1.0
            if due or changed or fresh:
                line.published, line.published_at = shown, t
                self._emit_health(name, line, t)

    def _emit_health(self, name: str, line: _SensorLine, t: float) -> None:
        health = line.monitor.health(t)
        message = Health(
            t=round(t, 6),
            time=self.wall.rfc3339(t),
            sensor=name,
            body=line.body,
            state=health.state,
            text=health.text,
            rate_hz=_rounded(health.rate_hz, 1),
            jitter_s=_rounded(health.jitter_s, 5),
            age_s=_rounded(health.age_s, 3),
            faults=dict(health.faults),
            last_fault=health.last_fault,
        )
        self._emit(Outgoing("health", message, part=name))

    def _fault(self, fault: Fault) -> None:
        source = fault.source
        if source not in self._lines:
            if len(self._lines) - len(self._monitors) >= STRAY_SOURCES:
                source = "others"
            source = NOT_IN_A_TOPIC.sub("-", source) or "others"
            self._lines.setdefault(source, _SensorLine(StrayFaults(), "none"))
        self._lines[source].monitor.count(fault)

    def _flush(self, t: float) -> None:
        """Publish what work and fusion have to tell since the last time."""
        for event in self.work.events():
            self._happened(event)
        for event in self._estimator.events():
            self._happened(event)
        for outcome in self.work.outcomes():
            self._outcome(outcome, t)
        if self.work.revision != self._published_revision:
            self._emit_state(t)

    def _happened(self, event: Event) -> None:
        message = Happening(
            t=round(event.t, 6),
            time=self.wall.rfc3339(event.t),
            kind=event.kind,
            text=event.text,
            sensor=event.sensor or None,
        )
        self._emit(Outgoing("event", message))

    def _emit_state(self, t: float) -> None:
        self._published_revision = self.work.revision
        message = State(t=round(t, 6), time=self.wall.rfc3339(t), **self.work.view())
        self._emit(Outgoing("state", message))

    def _emit_changes(self) -> None:
        self._emit(Outgoing("changes", Changes(changes=list(self._changes))))

    def _outcome(self, outcome: Outcome, t: float) -> None:
        reply = Reply(
            t=round(t, 6),
            time=self.wall.rfc3339(t),
            command=outcome.command,
            ok=outcome.ok,
            text=outcome.text,
            request_id=outcome.token,
            result=outcome.result or None,
        )
        self._emit(Outgoing("reply", reply))
        if outcome.ok:
            self._changes.append(
                Change(time=reply.time, t=reply.t, command=reply.command, by=outcome.by, text=reply.text)
            )
            del self._changes[:-CHANGES_KEPT]
            self._emit_changes()


def target_figures(against: Against) -> dict[str, Any]:
    """The figures against the target as fields of the tip message."""
    return {
        "judgement": against.band,
        "target_m": _rounded(against.target_m),
        "station_m": _rounded(against.station_m),
        "offset_m": _rounded(against.offset_m),
        "perpendicular_m": _rounded(against.perpendicular_m),
        "left_deviation_m": _rounded(against.left_m),
        "right_deviation_m": _rounded(against.right_m),
        "heel_deviation_m": _rounded(against.heel_m),
        "governing": against.governing,
        "governing_deviation_m": _rounded(against.governing_m),
        "floor_deg": _rounded(against.floor_deg, 2),
    }


def _rounded(value: float | None, digits: int = 4) -> float | None:
    return None if value is None else round(float(value), digits)
