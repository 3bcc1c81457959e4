"""The simple estimator: each sensor on its own, gyro for the fast part and accelerometer for the slow one.

For every sensor, with `up` = f/|f| in the body's axes (see `tipdatum.kinematics.frames`):

    θ_acc = atan2(f_x, f_z)              φ_acc = asin(f_y / |f|)
    θ̇ = -ω_y + tan φ · (ω_z cos θ + ω_x sin θ)
    φ̇ = ω_x cos θ - ω_z sin θ

The two are joined by a first-order complementary filter: high-pass on the integrated rates, low-pass on
the accelerometer's angles, both with the crossover `crossover_hz`. A sensor without a gyro has only the
low-pass. Its weakness is what the chain-aware filter mends: acceleration of the arm looks like tilt.

Source of the form: complementary filtering of tilt and rate, common practice; the rate equations follow
from d(up)/dt = up × ω.
"""

from __future__ import annotations

import math
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from tipdatum.fusion.arm import LEVEL_SIGMA_RAD, TURNS_UNTOLD, JointMap, SensedArm
from tipdatum.fusion.estimator import Agreement, Event, MotionReading, Presences
from tipdatum.fusion.pose import Condition, Matrices, Pose, Quality
from tipdatum.fusion.sensors import Channel, Sample
from tipdatum.kinematics.frames import nearest_turn
from tipdatum.machine.description import Machine
from tipdatum_drivers.presence import CLOCK_STEP_S
from tipdatum_drivers.reading import Slew

WATCH_S = 0.05
"""Interval in which quality is judged, s."""


class ComplementaryOptions(BaseModel):
    """Options of the complementary estimator."""

    model_config = ConfigDict(extra="forbid")

    crossover_hz: Annotated[float, Field(gt=0, le=10)] = 0.16
    """Below it the accelerometer is believed, above it the gyro (0.16 Hz: a time constant of 1 s)."""
    rest_radps: Annotated[float, Field(gt=0, le=0.5)] = 0.01
    """A gyro whose reading stays within this of its running mean is at rest, and its bias is learnt."""


class _Tracker:
    """Angle and roll of one sensor's body."""

    def __init__(self, channel: Channel, options: ComplementaryOptions) -> None:
        self.channel = channel
        self.time_constant = 1.0 / (2.0 * math.pi * options.crossover_hz)
        self.rest = options.rest_radps
        self.restart()
        self.bias = [0.0, 0.0, 0.0]

    def restart(self) -> None:
        self.t = -math.inf
        self.since = 0.0
        self.theta = self.roll = self.theta_rate = self.roll_rate = 0.0
        self.disturbance = 0.0
        self.slew_rate = 0.0
        self.mean_rate = [0.0, 0.0, 0.0]

    def update(self, s: Sample) -> None:
        fx, fy, fz = s.force
        norm = math.sqrt(fx * fx + fy * fy + fz * fz)
        if norm < 1e-3 or s.t <= self.t:
            return
        theta_acc = nearest_turn(math.atan2(fx, fz), self.theta)
        roll_acc = math.asin(max(-1.0, min(1.0, fy / norm)))
        if self.t == -math.inf:
            self.t, self.theta, self.roll = s.t, theta_acc, roll_acc
            return
        step = min(s.t - self.t, 0.2)
        self.t = s.t
        self.since += step
        gain = step / (self.time_constant + step)
        before = self.theta
        if s.rate is not None:
            x, y, z = self._unbiased(s.rate, step)
            sin, cos = math.sin(self.theta), math.cos(self.theta)
            self.theta_rate = -y + math.tan(self.roll) * (z * cos + x * sin)
            self.roll_rate = x * cos - z * sin
            self.slew_rate = (z * cos + x * sin) / math.cos(self.roll)
            self.theta += self.theta_rate * step
            self.roll += self.roll_rate * step
        self.theta += gain * (theta_acc - self.theta)
        self.roll += gain * (roll_acc - self.roll)
        if s.rate is None:
            self.theta_rate += gain * ((self.theta - before) / step - self.theta_rate)
        off = (norm - self.channel.gravity) / self.channel.gravity
        self.disturbance += gain * (off * off - self.disturbance)

    @property
    def variance(self) -> float:
        """rad², of the angle: mount, bias, and what the arm's own acceleration does to the force."""
        sensor = self.channel.sensor
        mount = math.radians(sensor.mount_sigma_deg if sensor.mount_sigma_deg is not None else 0.1)
        bias = sensor.noise.accel_bias_mps2 / self.channel.gravity
        return mount**2 + bias**2 + self.disturbance

    def _unbiased(self, rate: tuple[float, float, float], step: float) -> list[float]:
        gain = step / (0.5 + step)
        self.mean_rate = [m + gain * (r - m) for m, r in zip(self.mean_rate, rate, strict=True)]
        still = all(abs(r - m) < self.rest for r, m in zip(rate, self.mean_rate, strict=True))
        if still and max(abs(m - b) for m, b in zip(self.mean_rate, self.bias, strict=True)) < 0.05:
            weight = step / (2.0 + step)
            self.bias = [b + weight * (r - b) for b, r in zip(self.bias, rate, strict=True)]
        return [r - b for r, b in zip(rate, self.bias, strict=True)]


class ComplementaryEstimator:
    """One `_Tracker` a sensor; see `tipdatum.fusion.estimator.Estimator`."""

    def __init__(
        self, machine: Machine, period_s: float, options: ComplementaryOptions, presences: Presences = None
    ) -> None:
        self.period = period_s
        self.options = options
        self._events: list[Event] = []
        self._slew_angle: float | None = None
        self._slew_travelled = 0.0
        self._slew_t = -math.inf
        self._t = -math.inf
        self._arm = SensedArm(machine, presences)
        self._map = JointMap(self._arm, self._arm.in_order)
        self._watched = -math.inf
        self._condition = Condition()
        self._trackers = {ch.name: _Tracker(ch, options) for ch in self._arm.in_order}

    def consume(self, reading: MotionReading) -> None:
        """Take one reading; see `Estimator.consume`."""
        if reading.t < self._t:
            if self._t - reading.t <= CLOCK_STEP_S:
                return
            self._step_back(reading.t)
        self._t = reading.t
        if isinstance(reading, Slew):
            self._slew_angle = math.radians(reading.angle_deg)
            return
        tracker = self._trackers.get(reading.sensor)
        if tracker is None:
            return
        if tracker.channel.is_back(reading.t):
            tracker.restart()
            self._watched = -math.inf
        tracker.update(tracker.channel.sample(reading))
        if tracker.channel.sensor.body == "upper":
            if self._slew_t > -math.inf:
                self._slew_travelled += tracker.slew_rate * max(0.0, tracker.t - self._slew_t)
            self._slew_t = tracker.t
        if reading.t - self._watched >= WATCH_S:
            self._watched = reading.t
            trackers = self._trackers.values()
            fastest = max(max(abs(tr.theta_rate), abs(tr.slew_rate)) for tr in trackers)
            starting = any(tr.since < 3.0 * tr.time_constant for tr in trackers)
            self._condition.update(reading.t, fastest, 0.0, starting)

    def _step_back(self, t: float) -> None:
        self._events.append(Event(t, "time-step", f"time stepped back by {self._t - t:.3f} s: filter reset"))
        self._slew_t = self._watched = -math.inf
        self._condition = Condition()
        for tracker in self._trackers.values():
            tracker.restart()
            tracker.channel.forget_time()

    def pose(self, t: float) -> Pose:
        """The arm predicted to `t`; see `Estimator.pose`."""
        quality, reasons = self._arm.availability(t)
        if self._arm.turns:
            quality, reasons = "invalid", (TURNS_UNTOLD,)
        if quality != "good":
            return self._unknown(t, quality, reasons)
        trackers = list(self._trackers.values())
        # From the ground to the tip: the upper's sensor, if there is one, tells the roll.
        roll_from = trackers[0]
        ahead = [max(0.0, t - tr.t) if tr.t > -math.inf else 0.0 for tr in trackers]
        angles = [tr.theta + tr.theta_rate * s for tr, s in zip(trackers, ahead, strict=True)]
        rates = [tr.theta_rate for tr in trackers]
        added = [(0.2 * tr.theta_rate * s) ** 2 for tr, s in zip(trackers, ahead, strict=True)]
        stated = [tr.variance + more for tr, more in zip(trackers, added, strict=True)]
        roll = roll_from.roll + roll_from.roll_rate * ahead[0]
        q, q_rates, ratio = self._map.join([*angles, roll], [*rates, roll_from.roll_rate])
        if q is None:
            return self._unknown(t, "invalid", (*reasons, "linkage out of its range"))
        quality, reasons = self._condition.judge(quality, reasons)
        J = self._map.jacobian(ratio)
        covariance = (J * [*stated, stated[0]]) @ J.T
        covariance[0, 0] += 0.0 if self._arm.on_upper else LEVEL_SIGMA_RAD**2
        prediction = (J * [*added, added[0]]) @ J.T
        return Pose(
            t, tuple(q), tuple(q_rates), Matrices(covariance, prediction), quality, reasons,
            slew_rad=self._slew_travelled if self._slew_angle is None else self._slew_angle,
            slew_rate_radps=roll_from.slew_rate,
            slew_known=self._slew_angle is not None,
        )  # fmt: skip

    def _unknown(self, t: float, quality: Quality, reasons: tuple[str, ...]) -> Pose:
        nothing = (math.nan,) * self._arm.size
        return Pose(t, nothing, nothing, Matrices.unknown(self._arm.size), quality, reasons)

    def set_anchor(self, t: float, bucket_point: object = None) -> bool:
        """No anchors: heights are not kept as states."""
        return False

    def clear_anchor(self) -> None:
        """Nothing to forget."""

    def replace_machine(self, machine: Machine) -> None:
        """Go on with changed dimensions; trackers of sensors that stay keep what they know."""
        self._arm = SensedArm(machine, keep=self._arm)
        self._map = JointMap(self._arm, self._arm.in_order)
        trackers = {}
        for channel in self._arm.in_order:
            tracker = self._trackers.get(channel.name) or _Tracker(channel, self.options)
            tracker.channel = channel
            trackers[channel.name] = tracker
        self._trackers = trackers

    def agreement(self) -> dict[str, Agreement]:
        """Nothing is compared here; see `Estimator.agreement`."""
        return {}

    def events(self) -> list[Event]:
        """What happened since the last call."""
        events, self._events = self._events, []
        return events
