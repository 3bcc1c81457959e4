"""The estimator for arms on which every sensor is an inclinometer: angles alone, no force, no gyro.

Each body's angle is followed on its own (`tipdatum.fusion.tilt_tracks`), and the arm is put
together from them at the moment asked for. Errors that stay as they are (mounts, biases) are nothing such a
filter can tell: they stand in the pose's covariance, and in the anchor's as far as they differ between its
posture and the present one (`StandingErrors`):
a bias b of the sensing element shows as b · d(θ)/g with d = (cos θ, sin θ) for its two axes in the arm plane,
a mount error m in every posture alike. Where mounts were levelled to gravity at θ_L, what is left there is
the levelling's error m alone, and elsewhere

    e(θ) = m + b · (d(θ) - d(θ_L))/g     cov(e(θ), e(θ')) = σ_m² + σ_b²/g² · (d(θ) - d_L) · (d(θ') - d_L)

From the resolution of a constant vector in turned axes; without a levelling d_L is nought.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tipdatum.fusion.arm import LEVEL_SIGMA_RAD, TURNS_UNTOLD, JointMap, SensedArm
from tipdatum.fusion.chain.tuning import ChainOptions
from tipdatum.fusion.estimator import Agreement, Event, MotionReading, Presences
from tipdatum.fusion.pose import Anchor, Condition, Matrices, Pose, Quality
from tipdatum.fusion.sensors import Channel
from tipdatum.fusion.tilt_tracks import OMEGA_RADPS, TiltBodies, TiltTrack
from tipdatum.kinematics.frames import Array, nearest_turn
from tipdatum.machine.description import Machine
from tipdatum_drivers.presence import CLOCK_STEP_S
from tipdatum_drivers.reading import Slew, Tilt

SETTLE_S = 1.0
"""What a track needs from its first reading on to converge, s: four times its 1/ω."""
SETTLE_LAGS = 3.0
"""What a part's own inside may need after it was switched on, in time constants."""
LEVEL_RADPS = math.radians(1.0)
"""Pace below which the second half of that time counts as a rest, in which mounts were levelled."""
WATCH_S = 0.05
"""Interval in which quality is judged, s."""
SLEW_GAP_S = 1.0
"""Silence after which a slew sensor tells no rate any more, s."""


@dataclass(frozen=True, slots=True)
class _KeptAnchor:
    """The anchor and the posture it was set in: angles of the sensors' bodies (N,), rows over the parts."""

    height: float
    variance: float
    theta: list[float]
    row: Array


@dataclass(frozen=True, slots=True)
class _TiltPose:
    """A pose in the making.

    Attributes:
        theta: (N,) rad, of the sensors' bodies.
        q, rates, covariance, prediction: as in `Pose`.
        J: (2 + n, N + 2) ∂q/∂(θ_1 … θ_N, roll, what is taken as level).
    """

    theta: list[float]
    q: Array
    rates: Array
    J: Array
    covariance: Array
    prediction: Array


class InclinometerEstimator:
    """See `tipdatum.fusion.estimator.Estimator`."""

    def __init__(
        self, machine: Machine, period_s: float, options: ChainOptions, presences: Presences = None
    ) -> None:
        self.period, self.options = period_s, options
        self._events: list[Event] = []
        self._machine, self._presences = machine, presences
        self._slew_angle: float | None = None
        self._slew = TiltTrack(0.0, 0.0)
        self._anchor: _KeptAnchor | None = None
        self._wrong: set[str] = set()
        self._build(SensedArm(machine, presences))

    def _build(self, arm: SensedArm) -> None:
        """Begin with nothing known of the sensors of `arm`."""
        self._arm = arm
        self._bodies = TiltBodies(arm)
        self._posture = JointMap(arm, self._bodies.channels)
        lags = [ch.sensor.time_constant_s for ch in self._bodies.channels]
        self._settle_s = SETTLE_S + SETTLE_LAGS * max(lags, default=0.0)
        self._errors = StandingErrors(self._bodies.channels, LEVEL_SIGMA_RAD, self.options)
        self._t = -math.inf
        self._restarted = -math.inf
        self._levelled = False
        self._unrest_t = -math.inf
        self._watched = -math.inf
        self._condition = Condition()

    # -- readings ----------------------------------------------------------------------------------------

    def consume(self, reading: MotionReading) -> None:
        """Take one reading; see `Estimator.consume`."""
        if reading.t < self._t:
            if self._t - reading.t <= CLOCK_STEP_S:
                return
            text = f"time stepped back by {self._t - reading.t:.3f} s: filter started anew"
            self._events.append(Event(reading.t, "time-step", text))
            self._slew = TiltTrack(0.0, 0.0)
            self._build(SensedArm(self._machine, self._presences))
        self._t = max(self._t, reading.t)
        if isinstance(reading, Slew):
            self._slewed(reading)
        elif isinstance(reading, Tilt):
            if reading.sensor in self._bodies.tracks and self._bodies.follow(reading):
                self._restarted, self._watched = reading.t, -math.inf
        elif reading.sensor in self._bodies.tracks and reading.sensor not in self._wrong:
            self._wrong.add(reading.sensor)
            text = f"sensor {reading.sensor} is described as an inclinometer but sends forces: not used"
            self._events.append(Event(reading.t, "wrong-kind", text, reading.sensor))
        if self._t - self._watched >= WATCH_S:
            self._watch()

    def _slewed(self, reading: Slew) -> None:
        self._slew_angle = math.radians(reading.angle_deg)
        if reading.t - self._slew.t > SLEW_GAP_S:
            self._slew.restart(reading.t, self._slew_angle)
        else:
            self._slew.add(reading.t, nearest_turn(self._slew_angle, self._slew.shown))

    def _watch(self) -> None:
        """Quality, and the levelling of the mounts in a first rest."""
        self._watched = self._t
        bodies = self._bodies
        if not bodies.complete:
            return
        since = self._t - self._restarted
        slewing = self._slew.pace if self._t - self._slew.t <= SLEW_GAP_S else 0.0
        # What a first reading sets going is no motion.
        pace = max(slewing, bodies.pace) if since > 0.5 * self._settle_s else 0.0
        if pace > LEVEL_RADPS:
            self._unrest_t = self._t
        if not self._levelled and since >= self._settle_s:
            self._levelled = True
            if self._unrest_t < self._restarted:
                self._errors.level([bodies.tracks[ch.name].angle for ch in bodies.channels])
        self._condition.update(self._t, pace, 0.0, since < self._settle_s)

    # -- poses -------------------------------------------------------------------------------------------

    def pose(self, t: float) -> Pose:
        """The arm predicted to `t`; see `Estimator.pose`."""
        quality, reasons = self._arm.availability(t)
        if self._arm.turns:
            quality, reasons = "invalid", (TURNS_UNTOLD,)
        if quality in ("stale", "invalid"):
            return self._unknown(t, quality, reasons)
        if not self._bodies.complete:
            return self._unknown(t, "stale", ("waiting for a first reading of every sensor",))
        found = self._predicted(t)
        if found is None:
            return self._unknown(t, "invalid", ("linkage out of its range",))
        quality, reasons = self._condition.judge(quality, reasons)
        f, kept = found, self._anchor
        anchor = None
        if kept is not None:
            common = f.J @ (self._standing(f.theta, kept.theta) * kept.row)
            anchor = Anchor(kept.height, kept.variance, common)
        return Pose(
            t, tuple(f.q.tolist()), tuple(f.rates.tolist()), Matrices(f.covariance, f.prediction),
            quality, reasons,
            slew_rad=self._slew_angle or 0.0,
            slew_rate_radps=self._slew.rate,
            slew_known=self._slew_angle is not None,
            anchor=anchor,
        )  # fmt: skip

    def _predicted(self, t: float) -> _TiltPose | None:
        """Every angle goes on with its rate to `t`; None where the linkage cannot close."""
        theta: list[float] = []
        rates: list[float] = []
        total: list[float] = []
        added: list[float] = []
        bodies = self._bodies
        for ch in bodies.channels:
            track = bodies.tracks[ch.name]
            ahead = max(0.0, t - track.t)
            stated = ch.sensor.latency_sigma_s
            late = self.options.latency_sigma_s if stated is None else stated
            variance = track.variance(ch.period)
            theta.append(track.angle + ahead * track.rate)
            rates.append(track.rate)
            added.append(variance * (OMEGA_RADPS * ahead) ** 2 + (late * track.rate) ** 2)
            total.append(variance + added[-1])
        roll, told_by = bodies.roll, bodies.roll_from
        total.append(0.0 if told_by is None else roll.variance(told_by.period))
        q, q_rates, ratio = self._posture.join([*theta, roll.angle], [*rates, roll.rate])
        if q is None:
            return None
        J = self._posture.jacobian(ratio)
        J = np.column_stack([J, ~J.any(axis=1)])
        covariance = (J * (np.array([*total, 0.0]) + self._standing(theta, theta))) @ J.T
        prediction = (J[:, :-2] * added) @ J[:, :-2].T
        return _TiltPose(theta, np.array(q), np.array(q_rates), J, covariance, prediction)

    def _standing(self, theta: list[float], other: list[float]) -> Array:
        return np.array([*self._errors.between(theta, other, self._bodies.roll_from), LEVEL_SIGMA_RAD**2])

    def _unknown(self, t: float, quality: Quality, reasons: tuple[str, ...]) -> Pose:
        size = self._arm.size
        nothing = (math.nan,) * size
        return Pose(t, nothing, nothing, Matrices.unknown(size), quality, reasons)

    # -- anchor and machine ------------------------------------------------------------------------------

    def set_anchor(self, t: float, bucket_point: Sequence[float] | None = None) -> bool:
        """Keep the present height of the tip, or of `bucket_point`; see `Estimator.set_anchor`."""
        if not self.pose(t).known:
            return False
        f = self._predicted(t)
        assert f is not None
        chain, q = self._machine.chain(), f.q.copy()
        if bucket_point is not None:
            x, z = float(bucket_point[0]), float(bucket_point[1])
            chain = replace(chain, lengths=np.array([*chain.lengths[:-1], math.hypot(x, z)]))
            q[-1] += math.atan2(z, x)
        height, row = float(chain.tip(q)[2]), chain.height_jacobian(q)
        variance = float(row @ f.covariance @ row)
        self._anchor = _KeptAnchor(height, variance, f.theta, f.J.T @ row)
        return True

    def clear_anchor(self) -> None:
        """Forget the anchor."""
        self._anchor = None

    def replace_machine(self, machine: Machine) -> None:
        """Go on with another bucket or changed dimensions, keeping what is known of the sensors."""
        self._machine = machine
        arm = SensedArm(machine, self._presences, keep=self._arm)
        if list(arm.channels) != list(self._arm.channels):
            self._build(arm)
            return
        for name, channel in arm.channels.items():
            if channel.sensor.mount_rpy_deg != self._arm.channels[name].sensor.mount_rpy_deg:
                channel.forget_time()
        self._arm = arm
        self._bodies.refit(arm)
        self._posture = JointMap(arm, self._bodies.channels)

    def agreement(self) -> dict[str, Agreement]:
        """Nothing is compared here; see `Estimator.agreement`."""
        return {}

    def events(self) -> list[Event]:
        """What happened since the last call."""
        events, self._events = self._events, []
        return events


OFFSET_RAD = math.radians(0.1)
"""1-sigma of a tilt part's own offset where the description gives no bias: makers of inclinometers calibrate
it, low-cost data sheets say 0.05° to 0.3° (from memory)."""


class StandingErrors:
    """Covariance of the standing errors of N angles and of the roll between two postures."""

    def __init__(self, channels: list[Channel], roll_sigma: float, options: ChainOptions) -> None:
        """Mounts are what their description says, or fitted by eye until `level` is told.

        Args:
            roll_sigma: rad, what stands for the roll's error where no sensor tells it.
        """
        self._channels, self._options = channels, options
        self._unstated_deg = options.mount_sigma_deg
        self._bias = [_offset(ch) ** 2 for ch in channels]
        self._levelled = [(0.0, 0.0)] * len(channels)
        self._mount = [self._sigma(ch) ** 2 for ch in channels]
        self._unrolled = roll_sigma**2

    def _sigma(self, channel: Channel) -> float:
        stated = channel.sensor.mount_sigma_deg
        return math.radians(self._unstated_deg if stated is None else stated)

    def level(self, theta: list[float]) -> None:
        """Mounts without a stated sigma were levelled to gravity in the posture `theta` (N,) rad."""
        self._unstated_deg = self._options.levelling_sigma_deg
        for i, (channel, angle) in enumerate(zip(self._channels, theta, strict=True)):
            self._mount[i] = self._sigma(channel) ** 2
            if channel.sensor.mount_sigma_deg is None:
                self._levelled[i] = (math.cos(angle), math.sin(angle))

    def between(self, theta: list[float], other: list[float], roll_from: Channel | None) -> list[float]:
        """(N + 1) rad²: covariance of each angle's error at `theta` with its own at `other`, roll last.

        Args:
            roll_from: the sensor that tells the roll.
        """
        found = []
        for one, two, mount, bias, (c, s) in zip(
            theta, other, self._mount, self._bias, self._levelled, strict=True
        ):
            alike = (math.cos(one) - c) * (math.cos(two) - c) + (math.sin(one) - s) * (math.sin(two) - s)
            found.append(mount + bias * alike)
        return [*found, self._unrolled if roll_from is None else self._sigma(roll_from) ** 2]


def _offset(channel: Channel) -> float:
    noise = channel.sensor.noise
    told = "accel_bias_mps2" in noise.model_fields_set
    return noise.accel_bias_mps2 / channel.gravity if told else OFFSET_RAD
