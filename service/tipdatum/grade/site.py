"""The site: the ledger of the work, the machine as it is mounted, and the reference that ties them together.

This is what handlers of commands work with. `tipdatum.grade.work` drives it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeAlias

from tipdatum.errors import CommandRefused
from tipdatum.fusion.estimator import Estimator
from tipdatum.fusion.pose import Pose
from tipdatum.grade.as_dug import EdgeWatch
from tipdatum.grade.doubt import SETTLED_M, TRAVELLED_M, MoveWatch
from tipdatum.grade.forms import CommandBody, Outcome, Request, WorkOptions, refused
from tipdatum.grade.ledger import Ledger, UndoHistory, WaitingCommands, without
from tipdatum.grade.levels import BookRow, LevelBook, row_in_words
from tipdatum.grade.receiver import Crossing, Receiver
from tipdatum.grade.reference import Tie, tip_gain, touch_noise
from tipdatum.grade.report import DatumState, TipReport
from tipdatum.grade.state import Reference, WorkState
from tipdatum.grade.touch import Recent, TipPoint, Touch, still_touch
from tipdatum.kinematics.chain import Chain
from tipdatum.machine.description import Machine, Mounted
from tipdatum.sentences import sentence

Handler: TypeAlias = Callable[["Site", Any, Request], Outcome | None]


@dataclass(frozen=True, slots=True)
class Spec:
    """One command: what its body may hold, who carries it out, one line of help, whether it can be undone."""

    body: type[CommandBody]
    handler: Handler
    help: str
    undoable: bool = True


class Site:
    """State, machine and reference; see `tipdatum.grade.work.Work` for the arguments.

    Attributes:
        ledger: the state, and what there is to tell.
        changes: what can be put back.
        mounted: the machine with the bucket that is on.
        tie: the reference tied to the running estimator, None without one.
        pose, last: of the last tick.
        recent: the tip's last seconds, for touches.
        receivers, crossings: of a laser's plane, by sensor, and as they were met.
        watch: tells when the machine may have moved.
        waiting: commands that wait for something.
        edge: tells whether the edge cuts.
    """

    def __init__(
        self,
        machine: Machine,
        estimator: Estimator,
        options: WorkOptions,
        state: WorkState,
        started: datetime | None,
    ) -> None:
        self.estimator = estimator
        self.ledger = Ledger(state, started)
        self.changes = UndoHistory()
        self.pose: Pose | None = None
        self.last: TipReport | None = None
        self.crossings: list[Crossing] = []
        self.waiting = WaitingCommands(self.ledger, self.changes)
        self.edge = EdgeWatch()
        self._set_up(machine, options)
        if state.trench.jurisdiction is None and options.jurisdiction is not None:
            self._set_jurisdiction(options)
        self.mounted = Mounted(machine, state.bucket, state.wear_m)
        if self.machine.bucket[0] != machine.bucket[0]:
            estimator.replace_machine(self.machine)
        self.tie = None if state.reference is None else Tie(state.reference, self.chain, self.machine)

    # What is

    @property
    def state(self) -> WorkState:
        """What must outlive a restart."""
        return self.ledger.state

    @property
    def machine(self) -> Machine:
        """The description with the bucket that is on, worn as it is."""
        return self.mounted.machine

    @property
    def chain(self) -> Chain:
        """Of that machine."""
        return self.mounted.chain

    @property
    def datum(self) -> DatumState:
        """State of the reference."""
        if self.tie is None:
            return "none"
        return "doubtful" if self.state.doubts else "set"

    def instrument_m(self) -> float:
        """Elevation of the slew centre at rest as it is seen now.

        Raises:
            CommandRefused: there is no reference, or the arm is not known.
        """
        if self.tie is None:
            raise CommandRefused(sentence("no-reference"))
        return self.tie.instrument_m(self.known_pose())

    def touched_common_m(self) -> float:
        """Error of a touched point's elevation for 1 sigma of what is alike in all touches, m, signed.

        What put the tip too high at the reference's mark puts it too high here as well.
        """
        reference = self.state.reference
        return self.options.touch_alike_m + (0.0 if reference is None else reference.touch_common_m)

    def elevation_of(self, touch: Touch) -> tuple[float, float]:
        """Elevation of a touched point and 1-sigma, m, without what is alike in all touches.

        Raises:
            CommandRefused: there is no reference, or the arm is not known.
        """
        elevation = self.instrument_m() + touch.height_m
        assert self.tie is not None
        pose = self.known_pose()
        located = self.chain.locate(pose.angles)
        variance = pose.variance_along(located.height_jacobian)
        sigma = self.tie.sigma(pose, located, variance, self.machine)
        alike = self.tie.record.touch_common_m
        once = math.sqrt(max(0.0, sigma.total**2 - alike**2))
        return elevation, math.hypot(once, touch_noise(touch, self.options.touch_random_m))

    def touch_sigma(self, touch: Touch) -> float:
        """1-sigma, m, of a touch's height above the slew centre, without what is alike in all touches.

        Raises:
            CommandRefused: the arm is not known.
        """
        return math.hypot(self.height_sigma(), touch_noise(touch, self.options.touch_random_m))

    def height_sigma(self) -> float:
        """1-sigma, m, of the tip's height above the slew centre as the pose knows it.

        Raises:
            CommandRefused: the arm is not known.
        """
        pose = self.known_pose()
        return math.sqrt(pose.variance_along(self.chain.height_jacobian(pose.angles).tolist()))

    def reference_gain(self, bucket: str) -> float:
        """How far that bucket's tip length was part of the reference's touch, see `tip_gain`."""
        reference = self.state.reference
        if reference is None or reference.bucket != bucket or not reference.posture:
            return 0.0
        return tip_gain(self.chain, reference.posture)

    # What must be so

    def known_pose(self) -> Pose:
        """The present pose.

        Raises:
            CommandRefused: it is not known just now.
        """
        if self.pose is None or not self.pose.known:
            why = self.pose.reasons if self.pose else sentence("no-readings-yet")
            raise CommandRefused(sentence("arm-unknown-now", reasons=why))
        return self.pose

    def need_reference(self, otherwise: str) -> None:
        """Refuse to go on without a reference that can be relied on.

        Raises:
            CommandRefused: `otherwise`, and why.
        """
        if self.tie is None:
            raise CommandRefused(sentence("needs-reference", what=otherwise))
        if self.state.doubts:
            raise CommandRefused(sentence("needs-sure-reference", what=otherwise, doubts=self.state.doubts))

    # What may be done

    def change(self, **fields: Any) -> None:
        """Replace fields of the state, see `Ledger.change`."""
        self.ledger.change(**fields)

    def write(self, book: LevelBook, **fields: Any) -> None:
        """Keep a level book with one more line, and tell of the line."""
        self.change(book=book, **fields)
        self.tell_row(book.rows[-1])

    def tell_row(self, row: BookRow) -> None:
        """A line was written into the level book."""
        self.ledger.tell(row.t, "level-book", row_in_words(row), data=row.model_dump())

    def answered(self, question: str) -> None:
        """A question of the morning is settled."""
        if question in self.state.questions:
            self.change(questions=tuple(q for q in self.state.questions if q != question))

    # The reference

    def doubt(self, t: float, reason: str, travelled: bool = False) -> None:
        """The reference can no longer be relied on, for `reason`."""
        # Where a laser's plane was met before is worth nothing either.
        self.crossings.clear()
        state = self.state
        if state.beam_fix is not None or (travelled and not state.travelled):
            self.change(beam_fix=None, travelled=state.travelled or travelled)
        if self.tie is None or reason in state.doubts:
            return
        self.change(doubts=(*state.doubts, reason))
        self.ledger.tell(t, "datum-doubtful", sentence("doubtful-because", why=reason))

    @property
    def moved_m(self) -> float:
        """1-sigma, m, of what the machine may have risen or sunk since the reference; 0 while it is sure."""
        if not self.state.doubts:
            return 0.0
        return TRAVELLED_M if self.state.travelled else SETTLED_M

    def settle_doubts(self) -> None:
        """The reference can be relied on again, and the machine stands where it stood."""
        self.change(doubts=(), travelled=False)
        self.watch.start_anew()
        self.answered("reference")

    def take_reference(self, record: Reference, t: float, anchored: bool) -> None:
        """Take `record` as the reference from `t` on; `anchored` ties it to the tip's height now."""
        t = max(t, self.known_pose().t)
        self.tie = Tie(record, self.chain, self.machine)
        if not anchored:
            self.estimator.clear_anchor()
        elif self.estimator.set_anchor(t):
            self.tie.anchored(self.estimator.pose(t))
        self.change(reference=self.tie.record)
        self.settle_doubts()

    def drop_reference(self) -> None:
        """Go on without a reference."""
        self.tie = None
        self.change(reference=None, doubts=())
        self.estimator.clear_anchor()

    def tie_anew(self) -> None:
        """Go by the state's reference as it stands; what the estimator knew of its touch is lost."""
        reference = self.state.reference
        self.tie = None if reference is None else Tie(reference, self.chain, self.machine)
        self.estimator.clear_anchor()

    def shift(self, by_m: float) -> None:
        """Move the height of instrument, where there is a reference."""
        if self.tie is not None:
            self.tie.shift(by_m)
            self.change(reference=self.tie.record)

    def keep_reference(self) -> None:
        """Note how the estimator has corrected the height of instrument since; no change that is told."""
        if self.tie is not None and self.tie.record is not self.state.reference:
            self.ledger.change(notice="none", reference=self.tie.record)

    # The machine

    def mount_bucket(self, name: str) -> None:
        """Put a bucket of the description on. The height of instrument stays."""
        self.change(bucket=name)
        self.remount(self.mounted.description)

    def set_wear(self, bucket: str, wear_m: float) -> float:
        """Take the bucket's tip as that much shorter; returns how far the height of instrument moved, m.

        It moves only if the reference had been touched with this very bucket: then its worn tip stood on the
        mark as well.
        """
        more = wear_m - self.state.wear_m.get(bucket, 0.0)
        moved = more * self.reference_gain(bucket)
        self.change(wear_m={**without(self.state.wear_m, bucket), bucket: wear_m})
        if moved:
            self.shift(moved)
        self.remount(self.mounted.description)
        return moved

    def reload(self, machine: Machine, options: WorkOptions) -> None:
        """Go on with a changed description, such as a new calibration, and changed options."""
        before = self.options.jurisdiction
        self._set_up(machine, options)
        if options.jurisdiction != before and self.state.trench.jurisdiction == before:
            self._set_jurisdiction(options)
        self.remount(machine)
        self.change()

    def _set_up(self, machine: Machine, options: WorkOptions) -> None:
        """Make anew all that is built upon options and sensors."""
        self.options = options
        self.recent = Recent(options.still_most_s + 1.0)
        self.receivers = {n: Receiver(n, s) for n, s in machine.sensor.items() if s.type == "beam"}
        self.watch = MoveWatch(machine)

    def _set_jurisdiction(self, options: WorkOptions) -> None:
        trench = self.state.trench.model_copy(update={"jurisdiction": options.jurisdiction})
        self.ledger.change(notice="none", trench=trench)

    def replace_estimator(self, estimator: Estimator) -> None:
        """Go on with an estimator that has started anew; the reference keeps its figures, not its anchor."""
        self.estimator = estimator
        self.pose = None
        self.recent.forget()
        self.watch.start_anew()
        if self.tie is not None:
            self.tie = Tie(self.tie.record, self.chain, self.machine)
        estimator.replace_machine(self.machine)

    def remount(self, description: Machine) -> None:
        """Mount the state's bucket, worn as the state says, on a description."""
        before = self.pose
        self.mounted = Mounted(description, self.state.bucket, self.state.wear_m)
        self.estimator.replace_machine(self.machine)
        self.recent.forget()
        if before is not None:
            self.pose = self.estimator.pose(before.t)
            if self.tie is not None:
                self.tie.carry_over(before, self.pose)

    # Commands that wait for a touch

    def when_still(
        self, request: Request, point: TipPoint, then: Callable[[Touch], Outcome]
    ) -> Outcome | None:
        """Carry on with the touch as soon as the tip stands still; refuse while it clearly moves."""
        self.waiting.supersede(request.name)
        found = still_touch(self.recent.moments, request.t, point, self.options)
        if isinstance(found, Touch):
            return then(found)
        if found.moving:
            return refused(request, sentence("not-still", why=found.text))
        self.waiting.add(_TouchAwaited(self, request, point, then))
        return None


@dataclass(frozen=True, slots=True)
class _TouchAwaited:
    """A command that waits for a still moment."""

    site: Site
    request: Request
    point: TipPoint
    then: Callable[[Touch], Outcome]

    def answer(self, t: float) -> Outcome | None:
        """Its outcome, None while the tip may still come to rest."""
        site, wait_s = self.site, self.site.options.wait_s
        found = still_touch(site.recent.moments, t, self.point, site.options)
        if isinstance(found, Touch):
            return self.then(found)
        if t < self.request.t + wait_s:
            return None
        if site.pose is not None and not site.pose.known:
            return refused(self.request, sentence("arm-unknown", reasons=site.pose.reasons))
        return refused(self.request, sentence("no-rest", wait_whole_s=wait_s, why=found.text))
