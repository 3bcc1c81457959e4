"""The estimator for arms on which every sensor is an inclinometer: angles alone, no force, no gyro.

Each body's angle is followed on its own (`tipdatum.fusion.tilt_track`), and the arm is put together from them
at the moment asked for. Errors that stay as they are (mounts, biases) are nothing that such an arm can tell:
they stand in the pose's covariance, and in the anchor's as far as they differ between its posture and the
present one (`tipdatum.fusion.standing_errors`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tipdatum.fusion.arm import LEVEL_SIGMA_RAD, Arm
from tipdatum.fusion.condition import Condition
from tipdatum.fusion.estimator import Event, MotionReading
from tipdatum.fusion.pose import Anchor, Pose, Quality
from tipdatum.fusion.posture import Posture
from tipdatum.fusion.sensors import Channel
from tipdatum.fusion.standing_errors import StandingErrors
from tipdatum.fusion.tilt_track import OMEGA_RADPS, TiltTrack
from tipdatum.fusion.tuning import ChainOptions
from tipdatum.kinematics.frames import Array, nearest_turn
from tipdatum.machine import ARM, Machine
from tipdatum_drivers.reading import Slew, Tilt

SETTLE_S = 1.0
"""What a track needs from its first reading on to converge, s: four times its 1/ω."""
LEVEL_RADPS = math.radians(1.0)
"""Pace below which the second half of that second counts as a rest, in which mounts were levelled."""
WATCH_S = 0.05
"""Interval in which quality is judged, s."""
SLEW_GAP_S = 1.0
"""Interval of slew angles from which no slew rate is told any more, s."""


@dataclass(frozen=True, slots=True)
class _Kept:
    """The anchor and the posture it was set in: angles of the sensors' bodies (N,), rows over the parts."""

    height: float
    variance: float
    theta: list[float]
    row: Array


@dataclass(frozen=True, slots=True)
class _Found:
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

    def __init__(self, machine: Machine, period_s: float, options: ChainOptions) -> None:
        self.period, self.options = period_s, options
        self._events: list[Event] = []
        self._machine = machine
        self._slew_angle: float | None = None
        self._slew_rate, self._slew_t = 0.0, -math.inf
        self._anchor: _Kept | None = None
        self._wrong: set[str] = set()
        self._build(Arm(machine))

    def _build(self, arm: Arm) -> None:
        """Begin with nothing known of the sensors of `arm`."""
        self._arm = arm
        self._channels = list(arm.by_body.values())
        self._posture = Posture(arm, self._channels)
        self._tracks = {ch.name: _track(ch) for ch in self._channels}
        self._roll = TiltTrack(0.0, 0.0)
        self._roll_from: Channel | None = None
        self._errors = StandingErrors(self._channels, LEVEL_SIGMA_RAD, self.options)
        self._t = -math.inf
        self._restarted = -math.inf
        self._levelled = False
        self._unrest_t = -math.inf
        self._watched = -math.inf
        self._condition = Condition()

    # -- readings ----------------------------------------------------------------------------------------

    def consume(self, reading: MotionReading) -> None:
        """Take one reading; see `Estimator.consume`."""
        if reading.t < self._t - 1e-6:
            text = f"time stepped back by {self._t - reading.t:.3f} s: filter started anew"
            self._events.append(Event(reading.t, "time-step", text))
            self._slew_t = -math.inf
            self._build(Arm(self._machine))
        self._t = max(self._t, reading.t)
        if isinstance(reading, Slew):
            self._slewed(reading)
        elif isinstance(reading, Tilt):
            if reading.sensor in self._tracks:
                self._follow(self._arm.channels[reading.sensor], reading)
        elif reading.sensor in self._tracks and reading.sensor not in self._wrong:
            self._wrong.add(reading.sensor)
            text = f"sensor {reading.sensor} is described as an inclinometer but sends forces: not used"
            self._events.append(Event(reading.t, "wrong-kind", text, reading.sensor))
        if self._t - self._watched >= WATCH_S:
            self._watch()

    def _slewed(self, reading: Slew) -> None:
        angle = math.radians(reading.angle_deg)
        if self._slew_angle is not None and 0.0 < reading.t - self._slew_t < SLEW_GAP_S:
            self._slew_rate = nearest_turn(angle - self._slew_angle, 0.0) / (reading.t - self._slew_t)
        self._slew_angle, self._slew_t = angle, reading.t

    def _follow(self, channel: Channel, reading: Tilt) -> None:
        track = self._tracks[channel.name]
        lost = reading.t - channel.last_t > channel.stale_after
        t, (x, y, z), _ = channel.raw(reading)
        x, y, z = x / channel.gravity, y / channel.gravity, z / channel.gravity
        mount = channel.mount.tolist()
        dual = reading.angle_deg is None
        if not dual:
            # What a single axis does not see is told by the arm's roll.
            y = self._across(mount, track.angle)
            seen = math.sqrt(max(0.0, 1.0 - y * y))
            x, z = seen * x, seen * z
        up_x, up_y, up_z = (row[0] * x + row[1] * y + row[2] * z for row in mount)
        if dual and self._tells_roll(channel):
            _take(self._roll, t, math.asin(max(-1.0, min(1.0, up_y))), lost)
        _take(track, t, nearest_turn(math.atan2(up_x, up_z), track.shown), lost)
        if lost:
            self._restarted, self._watched = reading.t, -math.inf

    def _across(self, mount: list[list[float]], theta: float) -> float:
        """y·up in the sensor's own axes from its body's angle and the roll."""
        level = math.cos(self._roll.angle)
        up = (level * math.sin(theta), math.sin(self._roll.angle), level * math.cos(theta))
        return sum(row[1] * part for row, part in zip(mount, up, strict=True))

    def _tells_roll(self, channel: Channel) -> bool:
        """Whether the arm's roll comes from this dual-axis sensor: the one nearest to the ground has it."""
        if self._roll_from is None or _height(channel) < _height(self._roll_from):
            self._roll, self._roll_from = _track(channel), channel
            self._errors.told_roll_by(channel)
        return channel.name == self._roll_from.name

    def _watch(self) -> None:
        """Quality, and the levelling of the mounts in a first rest."""
        self._watched = self._t
        if not self._complete():
            return
        tracks = self._tracks.values()
        pace = max(abs(self._slew_rate), max((track.pace for track in tracks), default=0.0))
        since = self._t - self._restarted
        if pace > LEVEL_RADPS and since > 0.5 * SETTLE_S:
            self._unrest_t = self._t
        if not self._levelled and since >= SETTLE_S:
            self._levelled = True
            if self._unrest_t < self._restarted:
                self._errors.level([track.angle for track in tracks])
        self._condition.update(self._t, pace, 0.0, since < SETTLE_S)

    def _complete(self) -> bool:
        return all(track.known for track in self._tracks.values())

    # -- poses -------------------------------------------------------------------------------------------

    def pose(self, t: float) -> Pose:
        """The arm predicted to `t`; see `Estimator.pose`."""
        quality, reasons = self._arm.availability(t)
        if quality in ("stale", "invalid"):
            return self._unknown(t, quality, reasons)
        if not self._complete():
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
            t, f.q, f.rates, f.covariance, f.prediction, quality, reasons,
            slew_rad=self._slew_angle or 0.0,
            slew_rate_radps=self._slew_rate,
            slew_known=self._slew_angle is not None,
            anchor=anchor,
            ages_s=self._arm.ages(t),
        )  # fmt: skip

    def _predicted(self, t: float) -> _Found | None:
        """Every angle goes on with its rate to `t`; None where the linkage cannot close."""
        theta: list[float] = []
        rates: list[float] = []
        total: list[float] = []
        added: list[float] = []
        for ch in self._channels:
            track = self._tracks[ch.name]
            ahead = max(0.0, t - track.t)
            stated = ch.sensor.latency_sigma_s
            late = self.options.latency_sigma_s if stated is None else stated
            variance = track.variance(ch.period)
            theta.append(track.angle + ahead * track.rate)
            rates.append(track.rate)
            added.append(variance * (OMEGA_RADPS * ahead) ** 2 + (late * track.rate) ** 2)
            total.append(variance + added[-1])
        total.append(0.0 if self._roll_from is None else self._roll.variance(self._roll_from.period))
        q, q_rates, J = self._posture.join([*theta, self._roll.angle], [*rates, self._roll.rate])
        if q is None:
            return None
        J = np.column_stack([J, ~J.any(axis=1)])
        covariance = (J * (np.array([*total, 0.0]) + self._standing(theta, theta))) @ J.T
        prediction = (J[:, :-2] * added) @ J[:, :-2].T
        return _Found(theta, np.array(q), np.array(q_rates), J, covariance, prediction)

    def _standing(self, theta: list[float], other: list[float]) -> Array:
        return np.array([*self._errors.between(theta, other), LEVEL_SIGMA_RAD**2])

    def _unknown(self, t: float, quality: Quality, reasons: tuple[str, ...]) -> Pose:
        size = self._arm.size
        nothing, square = np.full(size, np.nan), np.full((size, size), np.nan)
        return Pose(t, nothing, nothing, square, square, quality, reasons, ages_s=self._arm.ages(t))

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
        self._anchor = _Kept(height, variance, f.theta, f.J.T @ row)
        return True

    def clear_anchor(self) -> None:
        """Forget the anchor."""
        self._anchor = None

    def replace_machine(self, machine: Machine) -> None:
        """Go on with another bucket or changed dimensions, keeping what is known of the sensors."""
        self._machine = machine
        arm = Arm(machine, keep=self._arm)
        if list(arm.channels) != list(self._arm.channels):
            self._build(arm)
            return
        for name, channel in arm.channels.items():
            if channel.sensor.mount_rpy_deg != self._arm.channels[name].sensor.mount_rpy_deg:
                channel.forget_time()
        self._arm, self._channels = arm, list(arm.by_body.values())
        self._posture = Posture(arm, self._channels)

    def events(self) -> list[Event]:
        """What happened since the last call."""
        events, self._events = self._events, []
        return events


def _track(channel: Channel) -> TiltTrack:
    return TiltTrack(channel.sensor.time_constant_s, math.radians(channel.sensor.noise.tilt_deg))


def _take(track: TiltTrack, t: float, angle: float, lost: bool) -> None:
    if lost or not track.known:
        track.restart(t, angle)
    else:
        track.add(t, angle)


def _height(channel: Channel) -> int:
    """Place of a sensor's body in the chain, from the ground on."""
    body = channel.sensor.body
    return 0 if body == "upper" else 1 + (len(ARM) if body == "rocker" else ARM.index(body))
