"""What the work is made of, and what may be done to it: the state, the mounted machine, the tied reference.

Everything here happens at once; what has to wait for the arm is in `tipdatum.grade.work`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from tipdatum.errors import CommandRefused
from tipdatum.fusion.estimator import Estimator, Event
from tipdatum.fusion.pose import Pose
from tipdatum.grade import book, morning
from tipdatum.grade.cautions import CALL_FIRST, PROTECT, Caution, depth_cautions
from tipdatum.grade.clock import wall_time
from tipdatum.grade.doubt import MoveWatch
from tipdatum.grade.laser import Crossing, Receiver
from tipdatum.grade.options import WorkOptions
from tipdatum.grade.points import MOST, AsDug, said
from tipdatum.grade.reference import Tie, touch_noise
from tipdatum.grade.report import DatumState, TipReport
from tipdatum.grade.state import Reference, WorkState
from tipdatum.grade.stillness import Recent, Touch
from tipdatum.grade.wear import tip_gain
from tipdatum.machine.description import Machine

UNNAMED = re.compile(r"mark \d+")
"""How a mark is called that nobody named."""


@dataclass(frozen=True, slots=True)
class Told(Event):
    """An event with its figures, for the `data` of the event message."""

    data: dict[str, Any] | None = None


POINTS_TOLD_S = 1.0
"""Points that come by themselves are an event each, but change the state at most this often, s: the state is
written to disk each time."""

SECONDS_LONG = 120.0
"""Durations up to here are told in seconds, s."""


class Desk:
    """State and machine of the work; see `tipdatum.grade.work.Work` for the arguments."""

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
        self.pose: Pose | None = None
        self.last: TipReport | None = None
        self.recent = Recent(self.options.still_most_s + 1.0)
        self.receivers = {n: Receiver(n, s) for n, s in machine.sensor.items() if s.type == "beam"}
        self.crossings: list[Crossing] = []
        self.watch = MoveWatch(machine)
        self.tie: Tie | None = None
        self.revision = 0
        self._points_told_t = -math.inf
        self._points_untold = False
        self._started = started
        self._state = state or WorkState()
        self._events: list[Told] = []
        if self._state.trench.jurisdiction is None:
            self._state.trench.jurisdiction = self.options.jurisdiction
        self._mount()
        if self._state.reference is not None:
            self.tie = Tie(self._state.reference, self.chain, self.machine)

    # What is

    @property
    def state(self) -> WorkState:
        """What must outlive a restart; write it whenever `revision` has moved on."""
        if self.tie is not None and self.tie.record is not self._state.reference:
            self._state.reference = self.tie.record
        return self._state

    @property
    def datum(self) -> DatumState:
        """State of the reference."""
        if self.tie is None:
            return "none"
        return "doubtful" if self._state.doubts else "set"

    @property
    def has_slew_sensor(self) -> bool:
        """Whether the description names a slew sensor."""
        return any(sensor.type == "slew" for sensor in self.description.sensor.values())

    @property
    def bucket(self) -> str:
        """Name of the mounted bucket."""
        return self.machine.bucket[0].name

    def time(self, t: float) -> str:
        """Wall clock at session time `t`, RFC 3339 UTC; empty when the run has none."""
        return wall_time(self._started, t)

    def instrument_m(self) -> float:
        """Elevation of the slew centre at rest as it is seen now.

        Raises:
            CommandRefused: there is no reference, or the arm is not known.
        """
        if self.tie is None:
            raise CommandRefused("There is no reference: set one with datum/set.")
        return self.tie.instrument_m(self.known_pose())

    def elevation_of(self, touch: Touch) -> tuple[float, float]:
        """Elevation of a touched point and 1-sigma, m.

        Raises:
            CommandRefused: there is no reference, or the arm is not known.
        """
        elevation = self.instrument_m() + touch.height_m
        assert self.tie is not None
        pose = self.known_pose()
        located = self.chain.locate(pose.angles)
        variance = pose.variance_along(located.height_jacobian)
        sigma = self.tie.sigma(pose, located, variance, self.machine).total
        return elevation, math.hypot(sigma, touch_noise(touch, self.options.touch_sigma_m))

    def unnamed_mark(self) -> str:
        """A name for a mark without one; earlier such marks are forgotten, though not by the level book."""
        for name in [n for n in self._state.marks if UNNAMED.fullmatch(n)]:
            del self._state.marks[name]
        return f"mark {self._state.book.setup + 1}"

    # What must be so

    def known_pose(self) -> Pose:
        """The present pose.

        Raises:
            CommandRefused: it is not known just now.
        """
        if self.pose is None or not self.pose.known:
            why = ", ".join(self.pose.reasons) if self.pose else "no readings yet"
            raise CommandRefused(f"The arm's position is not known just now ({why}).")
        return self.pose

    def need_reference(self, otherwise: str) -> None:
        """Refuse to go on without a reference that can be relied on.

        Raises:
            CommandRefused: `otherwise`, and why.
        """
        if self.tie is None:
            raise CommandRefused(f"{otherwise}: there is no reference. Set one with datum/set.")
        if self._state.doubts:
            raise CommandRefused(
                f"{otherwise}: the reference is doubtful ({'; '.join(self._state.doubts)}). Touch a known "
                "mark (mark/return), use the laser, or confirm it with datum/confirm."
            )

    def need_receiver(self) -> None:
        """Refuse to go on without a laser receiver.

        Raises:
            CommandRefused: the description names none.
        """
        if not self.receivers:
            raise CommandRefused(
                'This machine has no laser receiver: its description needs a sensor of type "beam" with its '
                "position."
            )

    # What may be done

    def changed(self) -> None:
        """The state has changed and wants to be written."""
        self.revision += 1

    def tell(
        self, t: float, kind: str, text: str, sensor: str = "", data: dict[str, Any] | None = None
    ) -> None:
        """Something worth telling happened."""
        self._events.append(Told(t, kind, text, sensor, data))

    def tell_row(self, row: book.Row) -> None:
        """A line was written into the level book."""
        self.tell(row.t, "level-book", book.said(row), data=row.model_dump())

    def doubt(self, t: float, reason: str, travelled: bool = False) -> None:
        """The reference can no longer be relied on, for `reason`."""
        # Where a laser's plane was met before is worth nothing either.
        self.crossings.clear()
        if self._state.beam_fix is not None or (travelled and not self._state.travelled):
            self._state.beam_fix = None
            self._state.travelled = self._state.travelled or travelled
            self.changed()
        if self.tie is None or reason in self._state.doubts:
            return
        self._state.doubts.append(reason)
        self.tell(t, "datum-doubtful", f"The reference is doubtful: {reason}.")
        self.changed()

    def settle_doubts(self) -> None:
        """The reference can be relied on again, and the machine stands where it stood."""
        self._state.doubts.clear()
        self._state.travelled = False
        self.watch.start_anew()
        self.changed()

    def hang(self, record: Reference, t: float, anchored: bool) -> None:
        """Take `record` as the reference from `t` on; `anchored` ties it to the tip's height now."""
        t = max(t, self.known_pose().t)
        self.tie = Tie(record, self.chain, self.machine)
        if not anchored:
            self.estimator.clear_anchor()
        elif self.estimator.set_anchor(t):
            self.tie.anchored(self.estimator.pose(t))
        self.settle_doubts()
        self.answered("reference")

    def unhang(self) -> None:
        """Go on without a reference."""
        self.tie, self._state.reference = None, None
        self._state.doubts.clear()
        self.estimator.clear_anchor()
        self.changed()

    def mount_bucket(self, name: str) -> None:
        """Put a bucket of the description on. The height of instrument stays."""
        self._state.bucket = name
        self._remount()

    def reference_gain(self, bucket: str) -> float:
        """How far that bucket's tip length was part of the reference's touch, see `tip_gain`."""
        reference = self.state.reference
        if reference is None or reference.bucket != bucket or not reference.posture:
            return 0.0
        return tip_gain(reference.posture)

    def set_wear(self, bucket: str, wear_m: float) -> float:
        """Take the bucket's tip as that much shorter; returns how far the height of instrument moved, m.

        It moves only if the reference had been touched with this very bucket: then its worn tip stood on the
        mark as well.
        """
        more = wear_m - self._state.wear_m.get(bucket, 0.0)
        self._state.wear_m[bucket] = wear_m
        moved = more * self.reference_gain(bucket)
        if self.tie is not None and moved:
            self.tie.shift(moved)
        self._remount()
        return moved

    def _remount(self) -> None:
        before = self.pose
        self._mount()
        self.estimator.replace_machine(self.machine)
        self.recent.forget()
        if before is not None:
            self.pose = self.estimator.pose(before.t)
            if self.tie is not None:
                self.tie.carry_over(before, self.pose)
        self.changed()

    def _mount(self) -> None:
        names = [b.name for b in self.description.bucket]
        worn = tuple(
            b.model_copy(update={"tip_m": b.tip_m - self._state.wear_m.get(b.name, 0.0)})
            for b in self.description.bucket
        )
        described = self.description.model_copy(update={"bucket": worn})
        index = names.index(self._state.bucket) if self._state.bucket in names else 0
        self.machine = described.with_bucket(index)
        self.chain = self.machine.chain()

    def replace_estimator(self, estimator: Estimator) -> None:
        """Go on with an estimator that has started anew; the reference keeps its figures, not its anchor."""
        self.estimator = estimator
        self.pose = None
        self.recent.forget()
        self.watch.start_anew()
        if self.tie is not None:
            self.tie = Tie(self.tie.record, self.chain, self.machine)
        if self.machine is not self.description:
            estimator.replace_machine(self.machine)

    def replace_machine(self, machine: Machine) -> None:
        """Go on with a changed description, such as a new calibration."""
        self.description = machine
        self._remount()

    # Morning, cautions, points

    def ask(self) -> None:
        """Ask the morning's questions, one after the other."""
        self._state.questions = morning.questions(self._state)
        self.changed()

    def offer_check(self) -> None:
        """A new day has begun while the service ran: offer the daily check, where a mark is known."""
        if "check" in morning.questions(self._state) and "check" not in self._state.questions:
            self._state.questions.append("check")
            self.changed()

    def answered(self, question: str) -> None:
        """A question is settled."""
        if question in self._state.questions:
            self._state.questions.remove(question)
            self.changed()

    def show_cautions(self, t: float, cautions: list[Caution]) -> None:
        """Show those that were not yet shown for this trench today."""
        for shown in self._state.trench.news(cautions, self.time(t)):
            source = f" [{shown.source}]" if shown.source else ""
            self.tell(t, "caution", f"{shown.text}{source}")
            self.changed()

    def show_target_cautions(self, t: float) -> None:
        """What a person who enters a target should be told."""
        trench, target = self._state.trench, self._state.target
        if target is None:
            return
        depth = trench.deepest_m
        if target.kind in ("level", "grade"):
            at_target = trench.depth(target.elevation_m)
            depth = at_target if depth is None else max(depth, at_target or depth)
        if depth is None and trench.ground_m is not None:
            # The depth shows as it is dug.
            self.show_cautions(t, [CALL_FIRST, PROTECT])
            return
        self.show_cautions(t, [CALL_FIRST, *depth_cautions(depth, trench.jurisdiction)])

    def record(
        self,
        t: float,
        code: str,
        note: str = "",
        plan: tuple[float | None, float | None] = (None, None),
        at: TipReport | None = None,
    ) -> AsDug:
        """Record the tip as it was at the last tick, or by itself as it was `at` an earlier one.

        Raises:
            CommandRefused: it is not known, or the list is full.
        """
        tip, automatic = at or self.last, at is not None
        if tip is None or tip.elevation_m is None or tip.reach_m is None or tip.lateral_m is None:
            self.known_pose()
            raise CommandRefused("There is no elevation to record just now.")
        points = self._state.points
        if len(points) >= MOST:
            raise CommandRefused(
                f"There are {MOST} points already: export them, then clear with point/clear."
            )
        line = self._state.line
        place = (
            (None, None)
            if line is None or line.lost
            else line.place(tip.reach_m, tip.lateral_m, tip.slew_rad)
        )
        point = AsDug(
            number=points[-1].number + 1 if points else 1,
            elevation_m=tip.elevation_m,
            sigma_m=tip.sigma_m or 0.0,
            code=code,
            note=note,
            reach_m=tip.reach_m,
            lateral_m=tip.lateral_m,
            station_m=place[0],
            offset_m=place[1],
            easting_m=plan[0],
            northing_m=plan[1],
            deviation_m=tip.deviation_m,
            setup=self._state.book.setup,
            bucket=self.bucket,
            automatic=automatic,
            time=self.time(tip.t),
        )
        points.append(point)
        self.tell(t, "point", said(point), data=point.model_dump())
        self._points_untold = automatic or self._points_untold
        if not automatic:
            self.changed()
        return point

    def tell_points(self, t: float) -> None:
        """Let the state follow the points, now and then; see `POINTS_TOLD_S`."""
        if self._points_untold and t - self._points_told_t >= POINTS_TOLD_S:
            self._points_untold, self._points_told_t = False, t
            self.changed()


def lasted(seconds: float) -> str:
    """A duration as people say it."""
    if seconds < SECONDS_LONG:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
