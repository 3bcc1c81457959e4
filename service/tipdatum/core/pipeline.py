"""The functional core of the service: readings, commands and ticks in, messages out.

Synchronous and deterministic: time is an argument, nothing here reads a clock, opens a port or logs. The
live shell and the replay drive the same object, so a recorded session gives the same messages as the day it
was recorded.

Tick k stands at k periods of session time, whether readings come or not. A tick takes in every
record with t <= tick, because it runs only when something later has come (`feed`) or time has passed it
(`advance`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from tipdatum.bus.messages import Health
from tipdatum.config import Settings
from tipdatum.core.health import HealthBoard
from tipdatum.core.messages_out import (
    ChangeLog,
    Emit,
    Outgoing,
    RawMeans,
    arm_message,
    event_message,
    limits_message,
    reply_message,
    state_message,
    tip_message,
)
from tipdatum.core.rounds import Rounds
from tipdatum.errors import with_place
from tipdatum.fusion.estimator import Estimator, Event, make_estimator
from tipdatum.grade.forms import Outcome
from tipdatum.grade.report import TipReport
from tipdatum.grade.state import WorkState
from tipdatum.grade.work import Work
from tipdatum.machine.description import Machine
from tipdatum.sentences import sentence
from tipdatum.walltime import WallTime
from tipdatum_drivers.presence import Presence
from tipdatum_drivers.reading import (
    Beam,
    Command,
    Fault,
    Identity,
    Imu,
    Input,
    Record,
    Slew,
    Tilt,
)

REFITTED = ("name", "calibration", "boom", "stick", "bucket", "tolerance")
REFITTED_OF_SENSOR = ("serial", "stale_after_s")
"""Keys of the description whose change a running estimator takes in; for all others it starts anew."""


def starts_anew(before: Machine, after: Machine) -> bool:
    """Whether an estimator must start anew where the description changes so."""

    def rest(machine: Machine) -> Any:
        sensors = {name: s.model_dump(exclude=set(REFITTED_OF_SENSOR)) for name, s in machine.sensor.items()}
        tilts = [(b.tilt_axis_m is None, b.tilt_axis_deg is None) for b in machine.bucket]
        return machine.model_dump(exclude={*REFITTED, "sensor"}), sensors, tilts

    return bool(rest(before) != rest(after))


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
        self._board = HealthBoard(machine, wall)
        self._estimator = self._make_estimator()
        self.work = Work(machine, self._estimator, settings.work, state, wall.started)
        if state is not None:
            self.work.restore(state_age_s)
        self._rounds = Rounds(self._board.presences) if settings.on_arrival else None
        self._latest: TipReport | None = None
        self._arrived_t = float("-inf")
        self._raw = RawMeans() if settings.raw else None
        self._next_tick, self._due = 0, 0.0
        self._newest: float | None = None
        self._stream = Presence()
        """Of the readings of all sensors together."""
        self._changes = ChangeLog()
        self._published_revision = -1
        self._not_saved: str | None = None
        self._speaks = False
        self._now = 0.0
        self._takes: dict[type, Callable[[Any], None]] = {
            Imu: self._reading,
            Tilt: self._reading,
            Slew: self._reading,
            Beam: self._reading,
            Identity: self._reading,
            Input: self._input,
            Command: self._recorded_command,
            Fault: self._board.fault,
        }
        """Kind of record → what takes it; others, such as a session's truth, are no business of ours."""

    # -- in ------------------------------------------------------------------------------------------

    def feed(self, record: Record | Fault) -> None:
        """Take one record in order of time; ticks that lie before it run first."""
        take = self._takes.get(type(record))
        if take is not None:
            take(record)

    def advance(self, now: float) -> None:
        """Run every tick before `now`, s. The tick at `now` itself waits, for a reading may still come."""
        if now > self._now:
            self._now = now
        if self._newest is None and not self._speaks:
            # Nothing is told before the first reading, so that a recording may begin at any time.
            number = max(self._next_tick, int(now / self._settings.period_s) - 1)
            self._set_next_tick(number)
        while self._due < now:
            tick = self._next_tick
            self._set_next_tick(tick + 1)
            if self._newest is not None or self._speaks:
                self._tick(tick)

    def skip_to(self, t: float) -> None:
        """Begin at `t` instead of 0, s."""
        self._set_next_tick(int(t / self._settings.period_s))
        self._now = t

    def go_on_after(self, t: float, off_s: float) -> None:
        """Go on at `t`, s, after the service was off for so long, as a start with the state on disk does."""
        self._renew_estimator()
        self.skip_to(t)
        self.work.restore(off_s, t)
        self._flush(t)

    def speak(self) -> None:
        """From now on publish with every tick, also before the first reading: figures are null, and say why.

        A live service does; of a recording nobody knows what there was before it began.
        """
        self._speaks = True

    def was_suspended(self, t: float, seconds: float) -> None:
        """The computer slept for `seconds`; nobody knows what the machine did meanwhile."""
        text = sentence("computer-slept", slept_whole_s=round(seconds))
        self._happened(Event(t, "suspended", text))
        self._renew_estimator()
        self.work.doubt(t, sentence("doubt-suspended"), travelled=True)
        self._flush(t)

    def reload(self, machine: Machine, settings: Settings) -> None:
        """Go on with a changed description of the same sensors, and changed settings at the same tick.

        Dimensions are taken into the running estimator; for whatever else it may have built upon, it
        starts anew.
        """
        before, self.machine = self.machine, machine
        renew = starts_anew(before, machine) or (
            (settings.estimator, settings.estimator_options)
            != (self._settings.estimator, self._settings.estimator_options)
        )
        self._settings = replace(settings, period_s=self._settings.period_s)
        if settings.raw != (self._raw is not None):
            self._raw = RawMeans() if settings.raw else None
        self._board.describe(machine, self._now)
        self.work.reload(machine, settings.work)
        if renew:
            self._renew_estimator()
        self._flush(self._now)

    def tell(self, kind: str, text: str) -> None:
        """Publish an event that the shell has to tell."""
        self._happened(Event(self._now, kind, text))

    def not_saved(self, why: str | None) -> None:
        """The state could not be written to the disk, for `why`; None: it is there again.

        It shows as the health of a source of its own, and beside what is set.
        """
        before, self._not_saved = self._not_saved, why
        if why is not None:
            self._board.fault(Fault(self._now, "disk", "state not saved", why))
        if (why is None) != (before is None):
            text = sentence("saved-again") if why is None else sentence("is-not-saved", why=why)
            self._happened(Event(self._now, "state saved" if why is None else "state not saved", text))
            self._emit_state(self._now)

    def finish(self) -> None:
        """Run the last tick, at the end of a recording."""
        if self._newest is not None:
            self.advance(self._newest + 1e-9)

    def command(
        self,
        name: str,
        body: dict[str, Any],
        t: float,
        *,
        by: str = "unknown",
        request_id: str | None = None,
        fresh: bool = True,
    ) -> None:
        """Carry out a command, or refuse it with a reason; the `Reply` may come ticks later.

        `fresh` says that it is known to be no old message that a broker kept.
        """
        outcome = self.work.command(name, body, t, by, request_id, fresh=fresh)
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
        for health in self._board.all(self._now):
            self._emit_health(health)

    # -- readings ------------------------------------------------------------------------------------

    def _reading(self, reading: Imu | Tilt | Slew | Beam | Identity) -> None:
        t, sensor = reading.t, reading.sensor
        if t > self._due:
            self.advance(t)
        monitor = self._board.monitors.get(sensor)
        if monitor is None:
            self._board.fault(Fault(t, sensor, "unknown sensor", "not in the machine description"))
            return
        newest = self._newest
        if newest is not None and t < newest:
            if self._stream.order(t) == "behind":
                self._board.fault(Fault(t, sensor, "out of order", "older than one already taken"))
                return
            self._clock_stepped_back(t)
        if self._raw is not None and isinstance(reading, (Imu, Tilt, Slew)):
            raw = self._raw.add(reading)
            if raw is not None:
                self._emit(raw)
        accepted, _ = monitor.check(reading)
        for one in accepted:
            if isinstance(one, (Imu, Tilt, Slew)):
                self._motion(one)
            elif isinstance(one, Beam):
                self.work.observe(one)

    def _motion(self, reading: Imu | Tilt | Slew) -> None:
        t = self._newest = reading.t
        self._stream.heard(t)
        try:
            self._estimator.consume(reading)
            self.work.hear(reading)
        except (ArithmeticError, ValueError, IndexError) as error:
            self._defect(t, error)
        if self._rounds is not None and self._rounds.heard(reading.sensor, t):
            self._arrived_t = t
            self._figures(t)

    def _input(self, told: Input) -> None:
        self.advance(told.t)
        if (receiver := self._board.monitors.get(told.name)) is not None:
            receiver.contact(told.t)
        self.work.observe(told)

    def _recorded_command(self, told: Command) -> None:
        self.advance(told.t)
        self.command(told.name, told.body, told.t, by="session")

    def _clock_stepped_back(self, t: float) -> None:
        text = sentence("readings-back", step_s=(self._newest or 0.0) - t)
        self._happened(Event(t, "clock step", text))
        for presence in (self._stream, *self._board.presences.values()):
            presence.clock_stepped()
        self._renew_estimator()
        self.skip_to(t)

    def _renew_estimator(self) -> None:
        self._estimator = self._make_estimator()
        self.work.replace_estimator(self._estimator)
        self._newest = None
        self._arrived_t = float("-inf")

    def _make_estimator(self) -> Estimator:
        settings = self._settings
        return make_estimator(
            settings.estimator,
            self.machine,
            settings.period_s,
            settings.estimator_options,
            self._board.presences,
        )

    # -- ticks ---------------------------------------------------------------------------------------

    def _set_next_tick(self, number: int) -> None:
        self._next_tick, self._due = number, number * self._settings.period_s

    def _tick(self, number: int) -> None:
        newest = self._newest
        period = self._settings.period_s
        tick = number * period
        # While readings come at their usual pace the figures are for the newest of them; in a gap they go
        # on with the tick, so that nobody sees a figure that stands still.
        missing_after = max(2.0 * period, self._stream.overdue_s)
        t = tick if newest is None or tick - newest > missing_after else newest
        if self._latest is None or tick - self._arrived_t > missing_after:
            self._figures(t)
        report = self._latest
        assert report is not None
        every = self._settings.arm_every
        if every and number % every == 0:
            self._emit(Outgoing("arm", arm_message(report, self.wall)))
            if report.limits:
                self._emit(Outgoing("limits", limits_message(report, self.wall)))
        self._board.look_together(tick, newest, self._estimator)
        for health in self._board.due(tick):
            self._emit_health(health)
        self._flush(tick)

    def _figures(self, t: float) -> None:
        self._latest = self._report(t)
        self._emit(Outgoing("tip", tip_message(self._latest, self.wall), t_emit=self._newest))

    def _report(self, t: float) -> TipReport:
        """The figures at `t`. A defect of ours costs the figures and is told; it never ends the service."""
        try:
            return self.work.report(t)
        except (ArithmeticError, ValueError, IndexError) as error:
            self._defect(t, error)
            return TipReport.unknown(
                t, "invalid", ("internal fault, the filter starts anew",), self.work.datum
            )

    def _defect(self, t: float, error: Exception) -> None:
        self._happened(Event(t, "internal fault", sentence("internal-fault", what=with_place(error))))
        newest = self._newest
        self._renew_estimator()
        self._newest = newest

    # -- health, events, answers ---------------------------------------------------------------------

    def _emit_health(self, health: Health) -> None:
        self._emit(Outgoing("health", health, part=health.sensor))

    def _flush(self, t: float) -> None:
        """Publish what work and fusion have to tell since the last time."""
        for event in (*self.work.events(), *self._estimator.events()):
            self._happened(event)
        for outcome in self.work.outcomes():
            self._outcome(outcome, t)
        if self.work.revision != self._published_revision:
            self._emit_state(t)

    def _happened(self, event: Event) -> None:
        self._emit(Outgoing("event", event_message(event, self.wall)))

    def _emit_state(self, t: float) -> None:
        self._published_revision = self.work.revision
        self._emit(Outgoing("state", state_message(self.work.view(), self._not_saved, t, self.wall)))

    def _emit_changes(self) -> None:
        self._emit(Outgoing("changes", self._changes.message()))

    def _outcome(self, outcome: Outcome, t: float) -> None:
        reply = reply_message(outcome, t, self.wall)
        self._emit(Outgoing("reply", reply))
        if outcome.ok:
            self._changes.add(reply, outcome.by)
            self._emit_changes()
