"""The work: what the operator set, tied to the running arm.

`Work` is the one door of this package. Once a tick `report` turns the pose into figures; commands, laser
crossings and switches come in between; what happened and what became of commands is fetched afterwards. It
reads no clock and does no I/O: replayed input gives the same figures.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from tipdatum.errors import CommandRefused, InputError
from tipdatum.fusion.estimator import Estimator
from tipdatum.fusion.pose import Pose
from tipdatum.grade import morning
from tipdatum.grade.commands import parse_body
from tipdatum.grade.figures import figures
from tipdatum.grade.forms import Outcome, Request, WorkOptions, refused
from tipdatum.grade.laser import take_crossings
from tipdatum.grade.ledger import Told
from tipdatum.grade.points import TargetFollower, record_by_itself
from tipdatum.grade.report import DatumState, TipReport
from tipdatum.grade.site import Site
from tipdatum.grade.state import WorkState
from tipdatum.grade.trench import TrenchWatch
from tipdatum.kinematics.chain import Located
from tipdatum.machine.description import Machine
from tipdatum.sentences import said, said_each, sentence
from tipdatum_drivers.reading import Beam, Imu, Input, Slew, Tilt

TRAVEL_INPUT = "travel"
"""Name of the input wired to the travel pedals."""

SECONDS_LONG: Final = 120.0
"""Durations up to here are told in seconds, s."""
MINUTES_LONG: Final = 7200.0
"""Durations up to here are told in minutes, s."""


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
        self.site = Site(machine, estimator, options or WorkOptions(), state or WorkState(), started)
        self._trench = TrenchWatch(self.site)
        self._follower = TargetFollower()

    # What is

    @property
    def state(self) -> WorkState:
        """What must outlive a restart; write it whenever `revision` has moved on."""
        return self.site.state

    @property
    def revision(self) -> int:
        """Moves on with the state."""
        return self.site.ledger.revision

    @property
    def datum(self) -> DatumState:
        """State of the reference."""
        return self.site.datum

    @property
    def pose(self) -> Pose | None:
        """Of the last tick."""
        return self.site.pose

    def view(self) -> dict[str, Any]:
        """What is set, for the state message; keys as in its model."""
        return state_view(self.site)

    # What the caller drives it with

    def report(self, t: float) -> TipReport:
        """The figures at `t`; also lets waiting commands have their turn. Once a tick, in order of `t`."""
        site = self.site
        site.pose = pose = site.estimator.pose(t)
        located = site.chain.locate(pose.angles) if pose.known else None
        self._look_for_moves(pose, located)
        site.last = report = figures(site, pose, located)
        take_crossings(site, t)
        site.waiting.serve(t)
        self._trench.follow(report)
        record_by_itself(site, self._follower, report)
        site.keep_reference()
        site.ledger.pass_time(report.t)
        return report

    def command(
        self,
        name: str,
        body: Mapping[str, Any],
        t: float,
        by: str = "",
        token: Any = None,
        *,
        fresh: bool = True,
    ) -> Outcome | None:
        """Carry out a command; `fresh` where it is known to be sent now, see `Request`.

        Returns:
            Its outcome, or None while it waits (for a still moment, a laser crossing); the outcome then
            comes through `outcomes` with the same `token`.
        """
        request = Request(name, t, by, token, fresh)
        try:
            spec, parsed = parse_body(name, body)
            before = self.state
            outcome = spec.handler(self.site, parsed, request)
        except (CommandRefused, InputError) as reason:
            return refused(request, str(reason))
        if outcome is None or not spec.undoable:
            return outcome
        return self.site.changes.note(before, self.state, outcome, t)

    def observe(self, reading: Beam | Input) -> None:
        """Take a laser crossing or a switch."""
        moment = reading.t if reading.t_sample is None else reading.t_sample
        if isinstance(reading, Beam):
            if reading.sensor in self.site.receivers:
                self.site.receivers[reading.sensor].crossed(moment)
        elif reading.name in self.site.receivers:
            self.site.receivers[reading.name].contact.told(reading.on, moment)
        elif reading.name == TRAVEL_INPUT and reading.on:
            self.doubt(reading.t, sentence("doubt-travel-switch"), travelled=True)

    def hear(self, reading: Imu | Tilt | Slew) -> None:
        """Take what the sensors felt, to notice travel; only the upper's inertial sensor matters."""
        if reading.sensor == self.site.watch.sensor and isinstance(reading, Imu):
            self.site.watch.hear(reading)

    def outcomes(self) -> list[Outcome]:
        """Of commands that had to wait, since the last call, oldest first."""
        return self.site.waiting.answers()

    def events(self) -> list[Told]:
        """What happened since the last call, oldest first."""
        return self.site.ledger.events()

    # What the caller tells it

    def doubt(self, t: float, reason: str, travelled: bool = False) -> None:
        """The reference can no longer be relied on, for `reason`."""
        self.site.doubt(t, reason, travelled)

    def restore(self, age_s: float | None, t: float = 0.0) -> None:
        """The state came from an earlier run that ended `age_s` ago (None: not known).

        A short gap (a crash, an update) changes nothing. After a longer one the machine may have moved:
        the reference stands as doubtful until it is confirmed or set again, and the morning's questions are
        asked.
        """
        if age_s is not None and 0.0 <= age_s <= self.site.options.restart_trust_s:
            return
        self.doubt(t, was_off(age_s), travelled=True)
        morning.ask(self.site)

    def replace_estimator(self, estimator: Estimator) -> None:
        """Go on with an estimator that has started anew; the reference keeps its figures, not its anchor."""
        self.site.replace_estimator(estimator)

    def reload(self, machine: Machine, options: WorkOptions) -> None:
        """Go on with a changed description, such as a new calibration, and changed options."""
        self.site.reload(machine, options)

    # Inside

    def _look_for_moves(self, pose: Pose, located: Located | None) -> None:
        if not self.site.options.watch_moves:
            return
        sign = self.site.watch.watch(pose, 0.0 if located is None else located.pins[-1][0])
        if sign is not None:
            self.doubt(pose.t, sign.text, travelled=sign.travelled)


def was_off(seconds: float | None) -> str:
    """For how long the service was off, as people say it; None is not known."""
    if seconds is None:
        return sentence("doubt-off-unknown")
    if seconds < SECONDS_LONG:
        return sentence("doubt-off", off_whole_s=round(seconds))
    if seconds < MINUTES_LONG:
        return sentence("doubt-off-min", off_min=seconds / 60.0)
    return sentence("doubt-off-h", hours=f"{seconds / 3600.0:.1f}")


def state_view(site: Site) -> dict[str, Any]:
    """Reference, target, station, marks, question and cautions as plain data."""
    state = site.state
    return {
        "datum": site.datum,
        "reasons": list(state.doubts),
        "reasons_said": said_each(state.doubts),
        "reference": _reference(site),
        "bucket": site.mounted.bucket,
        "target": _target(site),
        "station": _station(site),
        "tolerance": state.tolerance.model_dump() if state.tolerance else None,
        "marks": {
            name: {"elevation_m": m.elevation_m, "known": m.known, "station_m": m.station_m}
            for name, m in sorted(state.marks.items())
        },
        "plane": state.plane.model_dump() if state.plane else None,
        "limits": [one.model_dump() for one in state.limits],
        "question": _question(site),
        "cautions": [
            {**one.model_dump(), "said": said(one.text), "source_said": said(one.source)}
            for one in state.trench.shown
        ],
        "trench": state.trench.model_dump(exclude={"shown", "day"}),
        "checked": state.checked.model_dump() if state.checked else None,
        "points": len(state.points),
        "recording": state.auto is not None,
    }


def _question(site: Site) -> dict[str, Any] | None:
    left = site.state.questions
    if not left:
        return None
    text = morning.wording(left[0], site.state, site.mounted.bucket)
    return {"name": left[0], "text": text, "said": said(text), "left": len(left)}


def _reference(site: Site) -> dict[str, Any] | None:
    record = site.state.reference
    if record is None:
        return None
    keys = {"instrument_m", "how", "mark", "point", "known_m", "known_sigma_m", "bucket", "t", "time", "by"}
    return record.model_dump(include=keys)


def _target(site: Site) -> dict[str, Any] | None:
    state = site.state
    if state.target is None:
        return None
    shown: dict[str, Any] = state.target.model_dump()
    shown["layers"] = [one.model_dump() for one in state.layers]
    shown["layer"] = state.layer
    if state.pipe is not None:
        shown["pipe"] = state.pipe.model_dump()
    return shown


def _station(site: Site) -> dict[str, Any] | None:
    line = site.state.line
    if line is None:
        return None
    lost = line.lost or (sentence("doubt-travelled") if site.state.travelled else None)
    return {"known": lost is None, "reason": lost, "follows_boom_plane": line.azimuth_rad is None}
