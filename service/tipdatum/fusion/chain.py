"""The default estimator: readings into epochs, epochs through the chain filter, poses out of it.

Samples of each sensor are summed into epochs on a common grid (`tipdatum.fusion.strapdown`); as soon as
every sensor that speaks has one, the filter takes a step. What has been sampled since is added to the
angles when a pose is asked for, and the last stretch, from a sensor's newest sample to the moment asked
for, is extrapolated with its rate and angular acceleration.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from tipdatum.fusion.ahead import Ahead, look_ahead
from tipdatum.fusion.arm import LEVEL_SIGMA_RAD, Arm
from tipdatum.fusion.chain_filter import ChainFilter
from tipdatum.fusion.condition import Condition
from tipdatum.fusion.estimator import Event, MotionReading
from tipdatum.fusion.layout import GYRO_BIAS, PER_SENSOR
from tipdatum.fusion.pose import Anchor, Pose
from tipdatum.fusion.posture import Posture
from tipdatum.fusion.rocking import Rocking
from tipdatum.fusion.strapdown import Epoch, Strapdown
from tipdatum.fusion.tuning import ChainOptions
from tipdatum.kinematics.frames import Array
from tipdatum.machine import ARM, Machine
from tipdatum_drivers.reading import Imu, Slew, Tilt

__all__ = ["ChainEstimator", "ChainOptions"]

_ORDER = ("upper", *ARM[:-1], "rocker", "bucket")
_NOTHING = Epoch(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
LEVELLING_S = 1.0
"""Rest that is averaged before the angles are taken as levelled, s."""
STILL_RADPS = 0.02
"""Spread of a gyro's means, rad/s, up to which the machine counts as still while it starts."""
WAIT_S = 0.06
"""Least time, s, that a step waits for a sensor that is late."""


class ChainEstimator:
    """See `tipdatum.fusion.estimator.Estimator`."""

    def __init__(self, machine: Machine, period_s: float, options: ChainOptions) -> None:
        self.period = period_s
        self.options = options
        self._events: list[Event] = []
        self._t = -math.inf
        self._slew_angle: float | None = None
        self._slew_travelled = 0.0
        self._rocking: Rocking | None = None
        self._machine = machine
        self._build(Arm(machine))

    def _build(self, arm: Arm) -> None:
        self._arm = arm
        self._channels = [arm.by_body[b] for b in _ORDER if b in arm.by_body]
        self._index = {ch.name: i for i, ch in enumerate(self._channels)}
        self._gyro_seen: dict[int, bool] = {}
        self._sums = [Strapdown(self.options.epoch_s, 0.3) for _ in self._channels]
        self._filter: ChainFilter | None = None
        self._last = -1
        self._away: set[int] = set()
        self._awaited: set[int] = set()
        self._anchored = False
        self._levelling: list[Array] | None = []
        self._chain = arm.machine.chain()
        self._posture = Posture(arm, self._channels)
        self._condition = Condition()
        self._acceleration = [0.0] * len(self._channels)

    # -- readings ----------------------------------------------------------------------------------------

    def consume(self, reading: MotionReading) -> None:
        """Take one reading; see `Estimator.consume`."""
        if reading.t < self._t - 1e-6:
            self._step_back(reading.t)
        self._t = max(self._t, reading.t)
        if isinstance(reading, Slew):
            self._slew_angle = math.radians(reading.angle_deg)
            return
        i = self._index.get(reading.sensor)
        if i is None:
            return
        self._take(i, reading)
        if self._sums[i].closed:
            self._advance()

    def _take(self, i: int, reading: Imu | Tilt) -> None:
        sample = self._channels[i].sample(reading)
        if self._filter is None:
            self._gyro_seen[i] = sample.rate is not None
        sums = self._sums[i]
        sums.longest_gap = 1.5 * self._channels[i].stale_after
        sums.add(sample.t, sample.force, sample.rate or (0.0, 0.0, 0.0))

    def _step_back(self, t: float) -> None:
        self._events.append(
            Event(t, "time-step", f"time stepped back by {self._t - t:.3f} s: filter started anew")
        )
        anchor = self._kept_anchor()
        self._t = -math.inf
        for channel in self._channels:
            channel.forget_time()
        self._build(Arm(self._machine))
        self._restore = anchor

    _restore: tuple[float, float] | None = None

    def _kept_anchor(self) -> tuple[float, float] | None:
        if not self._anchored or self._filter is None:
            return None
        f = self._filter
        return float(f.x[f.at.anchor]), float(f.P[f.at.anchor, f.at.anchor])

    def _advance(self) -> None:
        """Take every step for which the sensors that speak have their epoch."""
        if self._filter is None and len(self._gyro_seen) < len(self._channels):
            return
        while True:
            fronts = [s.closed[0][0] if s.closed else None for s in self._sums]
            known = [k for k in fronts if k is not None]
            if not known:
                return
            number = self._last + 1 if self._filter is not None else max(known)
            number = max(number, min(known))
            if any(k is None or k > number for k in fronts):
                end = (number + 1) * self.options.epoch_s
                for i, k in enumerate(fronts):
                    ch = self._channels[i]
                    wait = max(WAIT_S, 2.5 * ch.period) + ch.latency
                    if k is None and self._t - end < wait:
                        if self._filter is None or i not in self._away or i in self._awaited:
                            return
                        if self._sums[i].t > end - self.options.epoch_s and self._t - ch.last_t < wait:
                            # It speaks again: from now on it is waited for.
                            self._awaited.add(i)
                            return
            if self._filter is None and not self._all_start_at(number):
                return
            self._step(number)

    def _all_start_at(self, number: int) -> bool:
        """Whether every sensor has epoch `number`, those before it dropped."""
        for s in self._sums:
            while s.closed and s.closed[0][0] < number:
                s.closed.popleft()
        return all(s.closed and s.closed[0][0] == number for s in self._sums)

    def _step(self, number: int) -> None:
        n = len(self._channels)
        active = np.zeros(n, dtype=bool)
        epochs: list[Epoch] = []
        for i, s in enumerate(self._sums):
            while s.closed and s.closed[0][0] < number:
                s.closed.popleft()
            if s.closed and s.closed[0][0] == number:
                epochs.append(s.closed.popleft()[1])
                active[i] = True
            else:
                epochs.append(_NOTHING)
        e = np.array(epochs)
        f = self._filter
        if f is None:
            f = ChainFilter(self._arm, self._channels, [self._gyro_seen[i] for i in range(n)], self.options)
            f.start(e[:, 0:3], e[:, 6:9])
            self._filter = f
            if self._restore is not None:
                f.x[f.at.anchor], f.P[f.at.anchor, f.at.anchor] = self._restore
                self._anchored, self._restore = True, None
        elif number > self._last + 1:
            # Nobody spoke for a while: every angle is found anew.
            f.pause((number - self._last - 1) * self.options.epoch_s)
            self._away.update(range(n))
        for i in range(n):
            if not active[i]:
                self._away.add(i)
                self._awaited.discard(i)
            elif i in self._away:
                self._away.discard(i)
                self._awaited.discard(i)
                f.restart_sensor(i, e[i, 0:3])
        before = f.rates[2:]
        f.step(e, active)
        if number == self._last + 1:
            self._acceleration = ((f.rates[2:] - before) / self.options.epoch_s).tolist()
        self._last = number
        self._slew_travelled += float(f.rates[1]) * self.options.epoch_s
        bias = f.x[f.at.constants].tolist()[GYRO_BIAS.start + 1 :: PER_SENSOR]
        for s, b in zip(self._sums, bias, strict=True):
            s.bias_y = b
        if self._levelling is not None:
            self._level(f, e)
        spread = math.sqrt(max(f.P.diagonal()[: n + 1].tolist()))
        self._condition.update(
            (number + 1) * self.options.epoch_s,
            max(map(abs, f.rates.tolist())),
            spread,
            self._levelling is not None,
        )

    def _level(self, f: ChainFilter, e: Array) -> None:
        """After a second of rest at the start, angles count as levelled where mounts were."""
        assert self._levelling is not None
        self._levelling.append(e[:, :9])
        if len(self._levelling) * self.options.epoch_s < LEVELLING_S:
            return
        seen = np.array(self._levelling)
        rates = seen[:, :, 6:]
        still = float(rates.std(axis=0).max()) < STILL_RADPS
        if still:
            f.grade(seen[:, :, :3].mean(axis=0), rates.mean(axis=0))
        f.level(math.radians(self.options.levelling_sigma_deg if still else self.options.mount_sigma_deg))
        self._levelling = None

    # -- poses -------------------------------------------------------------------------------------------

    def pose(self, t: float) -> Pose:
        """The arm predicted to `t`; see `Estimator.pose`."""
        quality, reasons = self._arm.availability(t)
        f = self._filter
        if f is None and quality in ("good", "settling"):
            quality, reasons = "stale", ("waiting for a first stretch of every sensor",)
        if f is None or quality in ("stale", "invalid"):
            return self._unknown(t, quality, reasons)
        n = f.n
        ahead = self._ahead(f, t)
        q, q_rate, J = self._posture.join(ahead.angles, ahead.rates)
        if q is None:
            return self._unknown(t, "invalid", ("linkage out of its range",))
        prediction = (J * ahead.variance).dot(J.T)
        share = (self.options.sigma_share * f.caution) ** 2
        covariance = J.dot(f.P[: n + 1, : n + 1]).dot(J.T)
        covariance *= share
        covariance += prediction
        if not f.on_upper:
            covariance[0, 0] += LEVEL_SIGMA_RAD**2
        anchor = None
        if self._anchored:
            at = f.at
            anchor = Anchor(
                float(f.x[at.anchor]),
                share * float(f.P[at.anchor, at.anchor]),
                share * J.dot(f.P[: n + 1, at.anchor]),
            )
        heave, heave_sigma = self._heave(f, float(q[0]), float(ahead.angles[n]))
        quality, reasons = self._condition.judge(quality, reasons)
        return Pose(
            t, q, q_rate, covariance, prediction, quality, reasons,
            slew_rad=self._slew_travelled if self._slew_angle is None else self._slew_angle,
            slew_rate_radps=float(f.rates[1]),
            slew_known=self._slew_angle is not None,
            heave_m=heave,
            heave_sigma_m=heave_sigma,
            anchor=anchor,
            ages_s=self._arm.ages(t),
        )  # fmt: skip

    def _unknown(self, t: float, quality: str, reasons: tuple[str, ...]) -> Pose:
        size = self._arm.size
        nothing, square = np.full(size, np.nan), np.full((size, size), np.nan)
        return Pose(t, nothing, nothing, square, square, quality, reasons, ages_s=self._arm.ages(t))  # type: ignore[arg-type]

    def _ahead(self, f: ChainFilter, t: float) -> Ahead:
        return look_ahead(f, self._sums, self._away, self._last, self._acceleration, t)

    def _heave(self, f: ChainFilter, theta: float, roll: float) -> tuple[float, float]:
        """Height of the slew centre above where it was at the reference, where the tracks are described."""
        if self._machine.undercarriage is None or self._rocking is None or not f.on_upper:
            return 0.0, 0.0
        at = f.at
        return self._rocking.heave(
            theta, roll, self._slew_travelled, f.x[at.pivot], f.P[at.pivot, at.pivot],
            f.P[[0, at.roll], [0, at.roll]],
        )  # fmt: skip

    # -- anchor and machine ------------------------------------------------------------------------------

    def set_anchor(self, t: float, bucket_point: Sequence[float] | None = None) -> bool:
        """Keep the present height of the tip, or of `bucket_point`; see `Estimator.set_anchor`."""
        f = self._filter
        pose = self.pose(t)
        if f is None or not pose.known:
            return False
        ahead = self._ahead(f, t)
        q, _, J = self._posture.join(ahead.angles, ahead.rates)
        assert q is not None
        height, row = self._height(q, bucket_point)
        n, at, P = f.n, f.at, f.P
        self._drop(f, at.anchor)
        column = (row @ J) @ P[: n + 1]
        f.x[at.anchor] = height
        P[at.anchor] = P[:, at.anchor] = column
        P[at.anchor, at.anchor] = float((row @ J) @ column[: n + 1])
        self._rocking = Rocking(float(q[0]), float(ahead.angles[n]), self._slew_travelled)
        self._anchored = True
        return True

    def _height(self, q: Array, bucket_point: Sequence[float] | None) -> tuple[float, Array]:
        chain = self._chain
        height, row = float(chain.tip(q)[2]), chain.height_jacobian(q)
        if bucket_point is not None:
            x, z = float(bucket_point[0]) - float(chain.lengths[-1]), float(bucket_point[1])
            c, s, cr, sr = math.cos(q[-1]), math.sin(q[-1]), math.cos(q[1]), math.sin(q[1])
            height += cr * (x * s + z * c)
            row = row.copy()
            row[-1] += cr * (x * c - z * s)
            row[1] -= sr * (x * s + z * c)
        return height, row

    @staticmethod
    def _drop(f: ChainFilter, place: int) -> None:
        f.x[place] = 0.0
        f.P[place, :] = 0.0
        f.P[:, place] = 0.0

    def clear_anchor(self) -> None:
        """Forget the anchor."""
        self._anchored = False
        self._rocking = None
        if self._filter is not None:
            self._drop(self._filter, self._filter.at.anchor)

    def replace_machine(self, machine: Machine) -> None:
        """Go on with another bucket or changed dimensions, keeping what is known of the sensors."""
        self._machine = machine
        arm = Arm(machine, keep=self._arm)
        same = [arm.by_body[b].name for b in _ORDER if b in arm.by_body] == [ch.name for ch in self._channels]
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
        self._posture = Posture(arm, self._channels)
        self._filter.refit(arm, self._channels)
        for i in moved:
            self._sums[i].restart()
            self._away.add(i)

    def events(self) -> list[Event]:
        """What happened since the last call."""
        events, self._events = self._events, []
        return events
