"""The work: what the operator set, tied to the running arm.

`Work` is the one door of this package. Once a tick `report` turns the pose into figures; commands, laser
crossings and switches come in between; what happened and what became of commands is fetched afterwards. It
reads no clock and does no I/O.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeAlias

from tipdatum.errors import CommandRefused
from tipdatum.fusion.estimator import Estimator, Event
from tipdatum.fusion.pose import Pose
from tipdatum.grade.clock import wall_time
from tipdatum.grade.commands import parse_body
from tipdatum.grade.options import WorkOptions
from tipdatum.grade.outcome import Order, Outcome, refused
from tipdatum.grade.reference import Tie, angle_variance
from tipdatum.grade.report import DatumState, TipReport
from tipdatum.grade.state import Reference, WorkState
from tipdatum.grade.stillness import Moment, Recent, TipPoint, Touch, still_touch
from tipdatum.machine import Machine
from tipdatum_drivers.reading import Beam, Imu, Input, Slew, Tilt

Then: TypeAlias = Callable[[Touch], Outcome]


@dataclass(frozen=True, slots=True)
class _Waiting:
    """A command that waits for a still moment."""

    order: Order
    point: TipPoint
    until: float
    then: Then


class Work:
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
        self.options = options or WorkOptions()
        self.estimator = estimator
        self.description = machine
        self.machine = machine
        self.chain = machine.chain()
        self.pose: Pose | None = None
        self.recent = Recent(self.options.still_most_s + 1.0)
        self.tie: Tie | None = None
        self.revision = 0
        self._started = started
        self._state = state or WorkState()
        self._waiting: list[_Waiting] = []
        self._outcomes: list[Outcome] = []
        self._events: list[Event] = []
        if self._state.reference is not None:
            self.tie = Tie(self._state.reference, self.chain, self.machine)

    # What the caller drives it with

    def report(self, t: float) -> TipReport:
        """The figures at `t`; also lets waiting commands have their turn. Once a tick, in order of `t`."""
        self.pose = pose = self.estimator.pose(t)
        report = self._report(pose)
        self._serve_waiting(t)
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
        except CommandRefused as reason:
            return refused(order, str(reason))

    def observe(self, reading: Beam | Input) -> None:
        """Take a laser crossing or a switch."""

    def hear(self, reading: Imu | Tilt | Slew) -> None:
        """Take note of a motion reading, beside the estimator; for what shows in readings alone."""

    def replace_estimator(self, estimator: Estimator) -> None:
        """Go on with an estimator that has started anew; the reference keeps its figures, not its anchor."""
        self.estimator = estimator
        self.pose = None
        self.recent.forget()
        if self.tie is not None:
            self.tie = Tie(self.tie.record, self.chain, self.machine)

    def replace_machine(self, machine: Machine) -> None:
        """Go on with a changed description, such as a new calibration."""
        self.description = self.machine = machine
        self.chain = machine.chain()
        self.estimator.replace_machine(machine)

    def outcomes(self) -> list[Outcome]:
        """Of commands that had to wait, since the last call, oldest first."""
        out, self._outcomes = self._outcomes, []
        return out

    def events(self) -> list[Event]:
        """What happened since the last call, oldest first."""
        out, self._events = self._events, []
        return out

    @property
    def state(self) -> WorkState:
        """What must outlive a restart; write it whenever `revision` has moved on."""
        if self.tie is not None:
            self._state.reference = self.tie.record
        return self._state

    @property
    def datum(self) -> DatumState:
        """State of the reference."""
        if self.tie is None:
            return "none"
        return "doubtful" if self._state.doubts else "set"

    def restore(self, age_s: float | None, t: float = 0.0) -> None:
        """The state came from an earlier run that ended `age_s` ago (None: not known).

        A short gap (a crash, an update) changes nothing. After a longer one the machine may have moved: the
        reference stands as doubtful until it is confirmed or set again.
        """
        if self.tie is None or (age_s is not None and 0.0 <= age_s <= self.options.restart_trust_s):
            return
        pause = "for an unknown time" if age_s is None else f"for {_lasted(age_s)}"
        self.doubt(t, f"the service was off {pause}; the machine may have moved")

    # What handlers of commands use

    def changed(self) -> None:
        """The state has changed and wants to be written."""
        self.revision += 1

    def tell(self, t: float, kind: str, text: str, sensor: str = "") -> None:
        """Something worth telling happened."""
        self._events.append(Event(t, kind, text, sensor))

    def time(self, t: float) -> str:
        """Wall clock at session time `t`, RFC 3339 UTC; empty when the run has none."""
        return wall_time(self._started, t)

    def doubt(self, t: float, reason: str) -> None:
        """The reference can no longer be relied on, for `reason`."""
        if self.tie is None or reason in self._state.doubts:
            return
        self._state.doubts.append(reason)
        self.tell(t, "datum-doubtful", f"The reference is doubtful: {reason}.")
        self.changed()

    def hang(self, record: Reference, t: float) -> None:
        """Take `record` as the reference from `t` on and tie it to the estimator."""
        t = max(t, self.known_pose().t)
        self.tie = Tie(record, self.chain, self.machine)
        if self.estimator.set_anchor(t):
            self.tie.anchored(self.estimator.pose(t))
        self._state.doubts.clear()
        self.changed()

    def unhang(self) -> None:
        """Go on without a reference."""
        self.tie, self._state.reference = None, None
        self._state.doubts.clear()
        self.estimator.clear_anchor()
        self.changed()

    def known_pose(self) -> Pose:
        """The present pose.

        Raises:
            CommandRefused: it is not known just now.
        """
        if self.pose is None or not self.pose.known:
            why = ", ".join(self.pose.reasons) if self.pose else "no readings yet"
            raise CommandRefused(f"The arm's position is not known just now ({why}).")
        return self.pose

    def when_still(self, order: Order, point: TipPoint, then: Then) -> Outcome | None:
        """Carry on with the touch as soon as the tip stands still; refuse while it clearly moves."""
        found = still_touch(self.recent.moments, order.t, point, self.options)
        if isinstance(found, Touch):
            return self._answer(order, then, found)
        if found.moving:
            return refused(order, f"The tip is not still: {found.text}. Hold it on the mark and try again.")
        self._waiting.append(_Waiting(order, point, order.t + self.options.wait_s, then))
        return None

    # Inside

    def _answer(self, order: Order, then: Then, touch: Touch) -> Outcome:
        try:
            return then(touch)
        except CommandRefused as reason:
            return refused(order, str(reason))

    def _serve_waiting(self, t: float) -> None:
        waiting, self._waiting = self._waiting, []
        for one in waiting:
            found = still_touch(self.recent.moments, t, one.point, self.options)
            if isinstance(found, Touch):
                self._outcomes.append(self._answer(one.order, one.then, found))
            elif t >= one.until:
                text = f"The tip did not come to rest within {self.options.wait_s:g} s: {found.text}."
                self._outcomes.append(refused(one.order, text))
            else:
                self._waiting.append(one)

    def _report(self, pose: Pose) -> TipReport:
        datum = self.datum
        if not pose.known:
            self.recent.forget()
            return TipReport.unknown(pose.t, pose.quality, pose.reasons, datum)
        pins = self.chain.pins(pose.angles)
        reach, lateral, height = (float(v) for v in pins[-1])
        left, right = (float(v) for v in self.chain.corners(pose.angles)[:, 2])
        heave = pose.heave_m
        self.recent.add(
            Moment(pose.t, height + heave, left + heave, right + heave, reach, lateral, pose.slew_rad)
        )
        jacobian = self.chain.height_jacobian(pose.angles)
        offset = None
        sigma = angle_variance(pose, jacobian) ** 0.5
        if self.tie is not None:
            offset = self.tie.instrument_m(pose) + heave
            sigma = self.tie.sigma(pose, self.chain, self.machine).total
        elevation = None if offset is None else height + offset
        deviation = None
        target = self._state.target
        if target is not None and elevation is not None and datum == "set":
            deviation = elevation - target.elevation_m
        return TipReport(
            t=pose.t,
            height_m=height,
            elevation_m=elevation,
            left_m=None if offset is None else left + offset,
            right_m=None if offset is None else right + offset,
            reach_m=reach,
            lateral_m=lateral,
            sigma_m=sigma,
            sigma_prediction_m=float(jacobian @ pose.prediction_covariance @ jacobian) ** 0.5,
            quality=pose.quality,
            reasons=tuple(pose.reasons),
            datum=datum,
            deviation_m=deviation,
            pins=pins,
            offset_m=offset,
        )


def _lasted(seconds: float) -> str:
    """A duration as people say it."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
