"""The work: what the operator set, tied to the running arm.

`Work` is the one door of this package. Once a tick `report` turns the pose into figures; commands, laser
crossings and switches come in between; what happened and what became of commands is fetched afterwards. It
reads no clock and does no I/O: replayed input gives the same figures.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeAlias

from tipdatum.errors import CommandRefused, InputError
from tipdatum.fusion.estimator import Estimator
from tipdatum.fusion.pose import Pose
from tipdatum.grade.cautions import PROTECT, depth_cautions
from tipdatum.grade.clock import day_of
from tipdatum.grade.commands import parse_body
from tipdatum.grade.crossings import KEEP_S, SLOW_MPS, Gathering
from tipdatum.grade.crossings import Then as ThenFound
from tipdatum.grade.desk import Desk, Told, lasted
from tipdatum.grade.figures import figures
from tipdatum.grade.following import Following
from tipdatum.grade.laser import Crossing, Plane
from tipdatum.grade.options import WorkOptions
from tipdatum.grade.outcome import Order, Outcome, refused
from tipdatum.grade.report import TipReport
from tipdatum.grade.state import BeamFix, WorkState
from tipdatum.grade.stillness import TipPoint, Touch, still_touch
from tipdatum.grade.view import state_view
from tipdatum.kinematics.chain import Located
from tipdatum.machine.description import Machine
from tipdatum_drivers.reading import Beam, Imu, Input, Slew, Tilt

Then: TypeAlias = Callable[[Touch], Outcome]

TRAVEL_INPUT = "travel"
"""Name of the input wired to the travel pedals."""

DEEPER_M = 0.01
"""Depth grows in steps of at least this much, m, before cautions are looked up again."""


@dataclass(frozen=True, slots=True)
class _Waiting:
    """A command that waits for a still moment."""

    order: Order
    point: TipPoint
    until: float
    then: Then


class Work(Desk):
    """Reference, target and the rest of the day's work over one estimator.

    Args:
        machine: the description; `state.bucket` says which of its buckets is mounted.
        estimator: asked for a pose once a tick.
        options: of the work.
        state: what an earlier run left, None for a fresh start. See `restore`.
        started: wall clock at t = 0, for the times that records carry.
    """

    def __init__(
        self,
        machine: Machine,
        estimator: Estimator,
        options: WorkOptions | None = None,
        state: WorkState | None = None,
        started: datetime | None = None,
    ) -> None:
        super().__init__(machine, estimator, options, state, started)
        self._waiting: list[_Waiting] = []
        self._gathering: list[Gathering] = []
        self._outcomes: list[Outcome] = []
        self._following = Following()
        self._dawn_t = -math.inf
        """When the wall clock's next day begins, s of session time."""
        if self.state.bucket is not None and self.state.bucket != self.description.bucket[0].name:
            self.estimator.replace_machine(self.machine)

    # What the caller drives it with

    def report(self, t: float) -> TipReport:
        """The figures at `t`; also lets waiting commands have their turn. Once a tick, in order of `t`."""
        self.pose = pose = self.estimator.pose(t)
        located = self.chain.locate(pose.angles) if pose.known else None
        self._look_for_moves(pose, located)
        self.last = report = figures(self, pose, located)
        self._take_crossings(t)
        self._serve_waiting(t)
        self._follow_trench(report)
        self._record_by_itself(report)
        self.tell_points(report.t)
        return report

    def command(
        self, name: str, body: Mapping[str, Any], t: float, by: str = "", token: Any = None
    ) -> Outcome | None:
        """Carry out a command.

        Returns:
            Its outcome, or None while it waits (for a still moment, a laser crossing); the outcome then
            comes through `outcomes` with the same `token`.
        """
        order = Order(name, t, by, token)
        try:
            spec, parsed = parse_body(name, body)
            return spec.handler(self, parsed, order)
        except (CommandRefused, InputError) as reason:
            return refused(order, str(reason))

    def observe(self, reading: Beam | Input) -> None:
        """Take a laser crossing or a switch."""
        if isinstance(reading, Beam):
            if reading.sensor in self.receivers:
                self.receivers[reading.sensor].crossed(reading.t)
        elif reading.name == TRAVEL_INPUT and reading.on:
            self.doubt(reading.t, "the machine travelled (travel switch)", travelled=True)

    def hear(self, reading: Imu | Tilt | Slew) -> None:
        """Take what the sensors felt, to notice travel; only the upper's inertial sensor matters."""
        if reading.sensor == self.watch.sensor and isinstance(reading, Imu):
            self.watch.hear(reading)

    def outcomes(self) -> list[Outcome]:
        """Of commands that had to wait, since the last call, oldest first."""
        out, self._outcomes = self._outcomes, []
        return out

    def events(self) -> list[Told]:
        """What happened since the last call, oldest first."""
        out, self._events = self._events, []
        return out

    def view(self) -> dict[str, Any]:
        """What is set, for the state message; keys as in its model."""
        return state_view(self)

    def restore(self, age_s: float | None, t: float = 0.0) -> None:
        """The state came from an earlier run that ended `age_s` ago (None: not known).

        A short gap (a crash, an update) changes nothing. After a longer one the machine may have moved:
        the reference stands as doubtful until it is confirmed or set again, and the morning's questions are
        asked.
        """
        if age_s is not None and 0.0 <= age_s <= self.options.restart_trust_s:
            return
        pause = "for an unknown time" if age_s is None else f"for {lasted(age_s)}"
        self.doubt(t, f"the service was off {pause}; the machine may have moved", travelled=True)
        self.ask()

    # What handlers of commands use

    def when_still(self, order: Order, point: TipPoint, then: Then) -> Outcome | None:
        """Carry on with the touch as soon as the tip stands still; refuse while it clearly moves."""
        self._replace(order.name)
        found = still_touch(self.recent.moments, order.t, point, self.options)
        if isinstance(found, Touch):
            return then(found)
        if found.moving:
            return refused(order, f"The tip is not still: {found.text}. Hold it on the mark and try again.")
        self._waiting.append(_Waiting(order, point, order.t + self.options.wait_s, then))
        return None

    def when_crossed(self, order: Order, plane: Plane, count: int, then: ThenFound) -> Outcome | None:
        """Carry on as soon as so many slow crossings have come that agree."""
        self._replace(order.name)
        waiting = Gathering(
            order, plane, count, order.t + self.options.laser_wait_s, self.options.laser_spread_m, then
        )
        answer = self._answered(waiting, order.t)
        if answer is None:
            self._gathering.append(waiting)
            text = (
                f"{order.name} waits for {count} slow crossings of the laser's plane, at most "
                f"{self.options.laser_wait_s:g} s."
            )
            self.tell(order.t, "waiting", text)
        return answer

    # Inside

    def _answered(self, waiting: Gathering, t: float) -> Outcome | None:
        answer = waiting.answer(self.crossings, self._state.line, t)
        if answer is not None and not answer.ok and "spread_m" in answer.result:
            # Crossings that disagree would be the first ones in the next attempt.
            self.crossings.clear()
        return answer

    def _replace(self, name: str) -> None:
        """Of the same command sent twice the later one waits on."""
        orders = [w.order for w in self._waiting] + [g.order for g in self._gathering]
        self._outcomes += [refused(o, f"Replaced by a later {name}.") for o in orders if o.name == name]
        self._waiting = [w for w in self._waiting if w.order.name != name]
        self._gathering = [g for g in self._gathering if g.order.name != name]

    def _look_for_moves(self, pose: Pose, located: Located | None) -> None:
        if not self.options.watch_moves:
            return
        sign = self.watch.watch(pose, 0.0 if located is None else located.pins[-1][0])
        if sign is not None:
            self.doubt(pose.t, sign.text, travelled=sign.travelled)

    def _take_crossings(self, t: float) -> None:
        if not self.receivers:
            return
        for receiver in self.receivers.values():
            for crossing in receiver.crossings():
                self.crossings.append(crossing)
                self._tell_crossing(crossing, receiver.name)
        self.crossings = [c for c in self.crossings if t - c.t <= KEEP_S]

    def _tell_crossing(self, crossing: Crossing, sensor: str) -> None:
        if abs(crossing.speed_mps) > SLOW_MPS:
            text = f"The receiver crossed the beam at {abs(crossing.speed_mps):.2f} m/s, too fast to count."
            self.tell(crossing.t, "laser-crossing", text, sensor)
            return
        self._state.beam_fix = BeamFix(
            height_m=crossing.height_m,
            reach_m=crossing.reach_m,
            sigma_m=crossing.sigma_m,
            time=self.time(crossing.t),
        )
        self.tell(crossing.t, "laser-crossing", "The receiver crossed the laser's plane.", sensor)
        self.changed()

    def _serve_waiting(self, t: float) -> None:
        if not self._waiting and not self._gathering:
            return
        waiting, self._waiting = self._waiting, []
        for one in waiting:
            found = still_touch(self.recent.moments, t, one.point, self.options)
            if isinstance(found, Touch):
                self._outcomes.append(_carried_out(one, found))
            elif t >= one.until:
                text = f"The tip did not come to rest within {self.options.wait_s:g} s: {found.text}."
                if self.pose is not None and not self.pose.known:
                    text = f"The arm's position is not known ({', '.join(self.pose.reasons)})."
                self._outcomes.append(refused(one.order, text))
            else:
                self._waiting.append(one)
        gathering, self._gathering = self._gathering, []
        for each in gathering:
            try:
                answer = self._answered(each, t)
            except CommandRefused as reason:
                answer = refused(each.order, str(reason))
            if answer is None:
                self._gathering.append(each)
            else:
                self._outcomes.append(answer)

    def _follow_trench(self, report: TipReport) -> None:
        trench = self._state.trench
        if report.t >= self._dawn_t or not trench.day:
            day, self._dawn_t = day_of(self._started, report.t)
            if trench.dawn(day):
                self.show_target_cautions(report.t)
                self.offer_check()
        if report.datum != "set" or report.elevation_m is None or trench.ground_m is None:
            return
        lowest = min(v for v in (report.elevation_m, report.left_m, report.right_m) if v is not None)
        depth = trench.ground_m - lowest
        if depth > (trench.deepest_m or 0.0) + DEEPER_M:
            trench.deepest_m = depth
            fresh = [c for c in depth_cautions(depth, trench.jurisdiction) if c is not PROTECT or depth > 0.5]
            self.show_cautions(report.t, fresh)

    def _record_by_itself(self, report: TipReport) -> None:
        auto = self._state.auto
        if auto is None or report.datum != "set":
            self._following.forget()
            return
        lowest = self._following.moment(report, auto)
        if lowest is None:
            return
        try:
            self.record(report.t, code=auto.code, at=lowest)
        except CommandRefused as reason:
            self._state.auto = None
            self.changed()
            self.tell(report.t, "points-full", f"Automatic recording stopped. {reason}")


def _carried_out(waiting: _Waiting, touch: Touch) -> Outcome:
    try:
        return waiting.then(touch)
    except CommandRefused as reason:
        return refused(waiting.order, str(reason))
