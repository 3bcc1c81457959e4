"""The default estimator: readings into blocks of epochs, blocks through the chain filter, poses out of it.

Samples of each sensor are kept until every sensor that speaks has filled a block on a common grid; then they
are summed (`tipdatum.fusion.chain.integration`) and the filter takes a step. What has been sampled since is
added to the angles when a pose is asked for, and the last stretch, from a sensor's newest sample to the
moment asked for, is extrapolated with its rate and angular acceleration (`tipdatum.fusion.chain.prediction`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from tipdatum.fusion.arm import LEVEL_SIGMA_RAD, JointMap, SensedArm, SensorSpread
from tipdatum.fusion.chain.closure import Witness
from tipdatum.fusion.chain.compiled import correction_for, strapdown
from tipdatum.fusion.chain.filter import ChainFilter
from tipdatum.fusion.chain.finding import Finding, Levelling
from tipdatum.fusion.chain.heave import Rocking
from tipdatum.fusion.chain.integration import EpochBlock
from tipdatum.fusion.chain.integrity import IntegrityMonitor
from tipdatum.fusion.chain.knowledge import StatedKnowledge, height_of
from tipdatum.fusion.chain.prediction import BlockEnd, Unsteadiness, predict
from tipdatum.fusion.chain.samples import SampleBuffer
from tipdatum.fusion.chain.schedule import BlockLength, BlockSchedule
from tipdatum.fusion.chain.swing import SwingTold
from tipdatum.fusion.chain.tuning import ChainOptions
from tipdatum.fusion.estimator import Agreement, Event, MotionReading, Presences
from tipdatum.fusion.pose import Anchor, Condition, Matrices, Pose
from tipdatum.fusion.sensors import Channel
from tipdatum.machine.description import Machine
from tipdatum_drivers.presence import CLOCK_STEP_S
from tipdatum_drivers.reading import Slew

__all__ = ["ChainEstimator", "ChainOptions"]

_NO_RATE = (0.0, 0.0, 0.0)
LONGEST_GAP: Final = 1.5
"""Times the silence after which a sensor counts as silent: so far a straight line is drawn from one of its
samples to the next."""


class ChainEstimator:
    """See `tipdatum.fusion.estimator.Estimator`."""

    def __init__(
        self, machine: Machine, period_s: float, options: ChainOptions, presences: Presences = None
    ) -> None:
        self.period = period_s
        self.options = options
        self._events: list[Event] = []
        self._t = -math.inf
        self._slew_angle: float | None = None
        self._slew_travelled = 0.0
        self._rocking: Rocking | None = None
        self._machine, self._presences = machine, presences
        self._build(SensedArm(machine, presences))

    def _build(self, arm: SensedArm) -> None:
        self._arm = arm
        self._channels = arm.in_order
        self._gyro_seen: dict[int, bool] = {}
        self._finding = Finding(next((i for i, c in enumerate(self._channels) if c is arm.confirming), None))
        self._witness = Witness()
        self._samples = [SampleBuffer() for _ in self._channels]
        self._by_name = self._named()
        self._filter: ChainFilter | None = None
        self._start: BlockEnd | None = None
        self._known: StatedKnowledge | None = None
        self._schedule = BlockSchedule(self._channels, self._samples, self.options.epoch_s)
        self._pace = BlockLength(self.options)
        self._anchored = False
        self._levelling: Levelling | None = Levelling()
        self._chain = arm.machine.chain()
        self._posture = JointMap(arm, self._channels)
        self._swing = SwingTold(arm)
        self._condition = Condition()
        self._unsteady = Unsteadiness(len(self._channels))
        self._integrity = IntegrityMonitor(arm, self._channels, self._samples)

    def _named(self) -> dict[str, tuple[int, Channel, SampleBuffer]]:
        both = zip(self._channels, self._samples, strict=True)
        return {channel.name: (i, channel, samples) for i, (channel, samples) in enumerate(both)}

    # -- readings ----------------------------------------------------------------------------------------

    def consume(self, reading: MotionReading) -> None:
        """Take one reading; see `Estimator.consume`."""
        t = reading.t
        if t > self._t:
            self._t = t
        elif t < self._t:
            if self._t - t <= CLOCK_STEP_S:
                return
            self._step_back(t)
            self._t = t
        if isinstance(reading, Slew):
            if reading.sensor == self._swing.encoder:
                self._swing.add(reading)
            else:
                self._slew_angle = math.radians(reading.angle_deg)
            return
        found = self._by_name.get(reading.sensor)
        if found is None:
            return
        i, channel, samples = found
        sampled, force, rate = channel.raw(reading)
        if self._filter is None:
            self._gyro_seen[i] = rate is not None
        samples.longest_gap = LONGEST_GAP * channel.presence.stale_after_s
        samples.add(sampled, force, rate or _NO_RATE)
        if samples.t >= self._schedule.due and self._schedule.is_due(i, self._t):
            self._advance()

    def _step_back(self, t: float) -> None:
        self._events.append(
            Event(t, "time-step", f"time stepped back by {self._t - t:.3f} s: filter started anew")
        )
        anchor = self._filter.anchor() if self._anchored and self._filter is not None else None
        if self._rocking is not None:
            self._rocking.heading.lose(self._t - t)
        self._t = -math.inf
        for channel in self._channels:
            channel.forget_time()
        self._build(SensedArm(self._machine, self._presences))
        self._restore = anchor

    _restore: tuple[float, float] | None = None

    def _advance(self) -> None:
        """Take every step for which the sensors that speak have filled their block."""
        f = self._filter if self._filter is not None else self._begin()
        if f is None:
            return
        while (found := self._schedule.ready(f.span, self._t)) is not None:
            epochs = f.epochs
            if f.opens and epochs < (needed := self._schedule.opening(*found)):
                f.set_epochs(needed)
                self._schedule.wait(f.span)
                continue
            if not found[1] and self._start is not None:
                f.set_epochs(self._pace.go_on(epochs, self._samples))
            if f.epochs <= epochs:
                self._step(f, *found)
            else:
                self._schedule.wait(f.span)

    def _begin(self) -> ChainFilter | None:
        """Make the filter as soon as every sensor has been heard, and so what it can tell."""
        n = len(self._channels)
        if len(self._gyro_seen) < n:
            return None
        self._filter = ChainFilter(
            self._arm, self._channels, [self._gyro_seen[i] for i in range(n)], self.options
        )
        self._fit()
        return self._filter

    def _fit(self) -> None:
        """Take over calibration and mounts: from what sensors give to rows in body axes."""
        assert self._filter is not None
        gyros = [self._gyro_seen[i] for i in range(len(self._channels))]
        self._correction = correction_for(self._filter.setup)(self._channels, gyros)
        self._correction.renew(self._filter.setup, self._filter.x)

    def _step(self, f: ChainFilter, number: int, missing: list[int]) -> None:
        n, T, schedule = len(self._channels), self.options.epoch_s, self._schedule
        epochs = f.epochs
        active = np.ones(n, dtype=bool)
        active[missing] = False
        to_body = self._correction
        block = strapdown(epochs, T).block(
            self._samples, active, number * T, to_body.turn, to_body.offset, f.starts_of_sides()
        )
        f.told_swing = told = self._swing.over(number * T, (number + epochs) * T)
        if schedule.next < 0:
            forces, rates = block.vectors()
            f.start(forces[:, 0], rates[:, 0], block.shake)
            f.open(block, list(range(n)))
            self._integrity.begin(number * T)
            if self._restore is not None:
                f.tie(*self._restore)
                self._anchored, self._restore = True, None
        elif number > schedule.next:
            # Nobody spoke for a while: every angle is found anew, as at a start.
            self._integrity.begin(number * T)
            f.pause((number - schedule.next) * T)
            if self._rocking is not None:
                self._rocking.heading.lose((number - schedule.next) * T)
            schedule.lose_all()
        if missing or schedule.away or self._finding.feigned:
            self._find_again(f, block)
        f.told_swing, said = self._swing.believed(told, self._t, f)
        self._events += said
        self._witness_closure(f)
        f.step(block)
        edge = (number + epochs) * T
        said, back = self._integrity.look(f, block, edge, epochs * T, self._levels)
        self._events += said
        if back > 0.0:
            schedule.lose_all()
            if self._rocking is not None:
                self._rocking.heading.lose(back)
        self._slew_travelled += f.turned
        if self._rocking is not None and missing:
            self._rocking.heading.lose(f.span)
        elif self._rocking is not None:
            self._rocking.follow(f.span, float(f.x[0]), float(f.x[f.at.roll]), self._slew_travelled)
        if self._levelling is not None and not self._levelling.goes_on(f, block):
            self._levelling = None
        self._finding.look(f, block, self._posture, self._chain, self._t)
        self._begin_stretch(f, edge, block)
        spread = math.sqrt(max([f.P.item(place, place) for place in f.setup.settling_angles]))
        fastest = max(map(abs, f.rates.tolist()))
        self._condition.update(edge, fastest, spread, self._levelling is not None)
        if schedule.away or self._levels:
            self._pace.upset(edge)
        assert self._start is not None
        settled = not f.gyroless and not self._condition.settling
        f.set_epochs(self._pace.begin(self._start, self._samples, settled))
        schedule.taken(number + epochs, f.span)
        for channel, samples, delay in zip(self._channels, self._samples, f.delays(), strict=True):
            samples.delay = delay
            samples.keep_pace(channel.period)
            if samples.slow is not None:
                self._condition.notice_slow(edge, channel.name, math.sqrt(samples.slow.rate))
        self._condition.notice_travel(edge, max(map(abs, f.travel.tolist())))
        self._condition.notice_struck(edge, [self._channels[i].name for i in f.struck])

    @property
    def _levels(self) -> bool:
        """Whether the mounts are still to be levelled."""
        return self._levelling is not None and not self._levelling.done

    def _witness_closure(self, f: ChainFilter) -> None:
        text = self._witness.watch(f.setup.closure, f.x, f.P, f.at.slack.start)
        f.closes = self._witness.believed
        if text is not None:
            self._events.append(Event(self._t, "linkage", text))

    def _find_again(self, f: ChainFilter, block: EpochBlock) -> None:
        """Find the angles of sensors anew that were away, or struck, and are in this block."""
        forces, rates = block.vectors()
        fastest = float(np.abs(rates).max())
        if block.alpha is not None:
            (first,) = f.setup.in_parts(block.alpha[:, 0], forces[:, 0])
            forces[:, 0] = first
        back = self._finding.take_up(self._schedule.found_again(block.active), block, self._t)
        feigned = {i: shake for i, shake in self._finding.feigned.items() if block.active[i]}
        for i in (*back, *feigned):
            self._pace.upset(self._t)
            self._integrity.found_anew(self._t)
            f.restart_sensor(i, None if i in feigned else forces[i, 0], fastest, feigned.get(i, 0.0))
        f.open(block, back)

    def _begin_stretch(self, f: ChainFilter, edge: float, block: EpochBlock) -> None:
        """Keep where the angles stand, for the poses until the next block."""
        self._correction.renew(f.setup, f.x)
        self._known = None
        turned: list[list[float] | None] = list(block.turned.tolist())
        for i in (*f.gyroless, *self._schedule.away):
            turned[i] = None
        self._unsteady.update(block.rate_slope[:, 1], block.active, f.span)
        rates = f.rates.tolist()
        sides, gyros = f.setup.sides, self._correction.of_rates(f.setup.part_rotations(f.x[f.at.side]))
        self._start = BlockEnd(
            edge, f.x[f.at.angles].tolist(), rates, turned, gyros, self._unsteady.psd, sides
        )

    # -- poses -------------------------------------------------------------------------------------------

    def pose(self, t: float) -> Pose:
        """The arm predicted to `t`; see `Estimator.pose`."""
        quality, reasons = self._arm.availability(t)
        f = self._filter
        start = self._start
        if start is None and quality == "good":
            quality, reasons = "stale", ("waiting for a first stretch of every sensor",)
        elif start is not None and quality == "good":
            away, channels = self._schedule.away, self._channels
            lost = self._finding.lost(start.edge, t, channels, self._samples, away)
            quality, reasons = ("stale", lost) if lost else (quality, reasons)
        quality, reasons = self._integrity.judge(quality, reasons)
        if f is None or start is None or quality in ("stale", "invalid"):
            return self._unknown(t, quality, reasons)
        ahead = predict(start, self._samples, t)
        posture = self._posture
        q, q_rate, ratio = posture.join(ahead.angles, ahead.rates)
        if q is None:
            return self._unknown(t, "invalid", ("linkage out of its range",))
        known = self._known
        if known is None:
            known = self._known = StatedKnowledge.of(f, self._anchored)
        late, level = f.shared_latency, 0.0 if f.on_upper else LEVEL_SIGMA_RAD**2
        spread = SensorSpread(
            posture, ratio, known.angles, ahead.variance, [rate * late for rate in q_rate], level
        )
        anchor = None
        if known.with_anchor is not None:
            with_arm = posture.forth(known.with_anchor, ratio)
            anchor = Anchor(known.anchor_m, known.anchor_m2, with_arm)
        travelled = self._slew_travelled + ahead.turned
        n = f.n
        heave, heave_sigma = self._heave(known, q[0], ahead.angles[n], travelled)
        if f.setup.sides:
            reasons = (*reasons, *self._swing.reasons(t, known.angles, n), *self._witness.reasons)
        quality, reasons = self._condition.judge(quality, reasons)
        return Pose(
            t, tuple(q), tuple(q_rate), spread, quality, reasons,
            slew_rad=travelled if self._slew_angle is None else self._slew_angle + self._swung(q),
            slew_rate_radps=start.rates[1],
            slew_known=self._slew_angle is not None,
            heave_m=heave,
            heave_sigma_m=heave_sigma,
            anchor=anchor,
        )  # fmt: skip

    def _swung(self, q: Sequence[float]) -> float:
        """By how much the arm plane is turned against the upper, rad."""
        place = self._chain.swing
        return 0.0 if place is None else q[place]

    def _unknown(self, t: float, quality: str, reasons: tuple[str, ...]) -> Pose:
        size = self._arm.size
        nothing = (math.nan,) * size
        return Pose(t, nothing, nothing, Matrices.unknown(size), quality, reasons)  # type: ignore[arg-type]

    def _heave(self, known: StatedKnowledge, theta: float, roll: float, slew: float) -> tuple[float, float]:
        """Height of the slew centre above where it was at the reference; 0, 0 where nothing tells it."""
        if self._rocking is None or known.pivot is None:
            return 0.0, 0.0
        n = len(self._channels)
        variances = known.angles[0][0], known.angles[n][n]
        return self._rocking.heave(theta, roll, slew, known.pivot, variances)

    # -- anchor and machine ------------------------------------------------------------------------------

    def set_anchor(self, t: float, bucket_point: Sequence[float] | None = None) -> bool:
        """Keep the present height of the tip, or of `bucket_point`; see `Estimator.set_anchor`."""
        f = self._filter
        pose = self.pose(t)
        if f is None or self._start is None or not pose.known or self._finding.blind:
            return False
        ahead = predict(self._start, self._samples, t)
        q, _, ratio = self._posture.join(ahead.angles, ahead.rates)
        assert q is not None
        height, row = height_of(self._chain, np.array(q), bucket_point)
        self._integrity.forget_copies()
        f.clone(height, row @ self._posture.jacobian(ratio))
        if (tracks := self._machine.undercarriage) is not None:
            travelled = self._slew_travelled + ahead.turned
            self._rocking = Rocking(tracks, q[0], ahead.angles[f.n], travelled, pose.heave_m)
        self._anchored, self._known = True, None
        return True

    def clear_anchor(self) -> None:
        """Forget the anchor."""
        self._anchored, self._known = False, None
        self._integrity.forget_copies()
        if self._filter is not None:
            self._filter.tie(0.0, 0.0)

    def replace_machine(self, machine: Machine) -> None:
        """Go on with another bucket or changed dimensions, keeping what is known of the sensors."""
        self._machine = machine
        arm = SensedArm(machine, self._presences, keep=self._arm)
        same = [ch.name for ch in arm.in_order] == [ch.name for ch in self._channels]
        same = same and [t.joint for t in arm.turns] == [t.joint for t in self._arm.turns]
        same = same and arm.tells_side("boom_swing") == self._arm.tells_side("boom_swing")
        if not same or self._filter is None:
            self._build(arm)
            return
        moved = [
            i
            for i, ch in enumerate(self._channels)
            if arm.channels[ch.name].sensor.mount_rpy_deg != ch.sensor.mount_rpy_deg
        ]
        self._arm, self._chain = arm, machine.chain()
        self._channels = [arm.channels[ch.name] for ch in self._channels]
        self._by_name, self._known = self._named(), None
        self._schedule.refit(self._channels)
        self._posture = JointMap(arm, self._channels)
        self._swing.describe(arm)
        self._integrity.describe(arm, self._channels)
        self._filter.refit(arm, self._channels)
        self._fit()
        for i in moved:
            self._schedule.lose(i)

    def agreement(self) -> dict[str, Agreement]:
        """By name how each sensor agrees with the others; see `Estimator.agreement`."""
        return {} if self._start is None else self._integrity.agreement()

    def events(self) -> list[Event]:
        """What happened since the last call."""
        events, self._events = self._events, []
        return events
