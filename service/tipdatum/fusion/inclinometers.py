"""The estimator for arms on which every sensor is an inclinometer: angles alone, no force, no gyro.

Each body's angle is followed on its own (`tipdatum.fusion.tilt_bodies`, `tilt_track`), and the arm is put
together from them at the moment asked for. Errors that stay as they are (mounts, biases) are nothing such a
filter can tell: they stand in the pose's covariance, and in the anchor's as far as they differ between its
posture and the present one (`tipdatum.fusion.standing_errors`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tipdatum.fusion.arm import LEVEL_SIGMA_RAD, Arm
from tipdatum.fusion.condition import Condition
from tipdatum.fusion.estimator import Event, MotionReading
from tipdatum.fusion.pose import Anchor, Matrices, Pose, Quality
from tipdatum.fusion.posture import Posture
from tipdatum.fusion.standing_errors import StandingErrors
from tipdatum.fusion.tilt_bodies import TiltBodies
from tipdatum.fusion.tilt_track import OMEGA_RADPS, TiltTrack
from tipdatum.fusion.tuning import ChainOptions
from tipdatum.kinematics.frames import Array, nearest_turn
from tipdatum.machine.description import Machine
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
        self._slew = TiltTrack(0.0, 0.0)
        self._anchor: _Kept | None = None
        self._wrong: set[str] = set()
        self._build(Arm(machine))

    def _build(self, arm: Arm) -> None:
        """Begin with nothing known of the sensors of `arm`."""
        self._arm = arm
        self._bodies = TiltBodies(arm)
        self._posture = Posture(arm, self._bodies.channels)
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
        if reading.t < self._t - 1e-6:
            text = f"time stepped back by {self._t - reading.t:.3f} s: filter started anew"
            self._events.append(Event(reading.t, "time-step", text))
            self._slew = TiltTrack(0.0, 0.0)
            self._build(Arm(self._machine))
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

    def _predicted(self, t: float) -> _Found | None:
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
        return _Found(theta, np.array(q), np.array(q_rates), J, covariance, prediction)

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
        self._arm = arm
        self._bodies.refit(arm)
        self._posture = Posture(arm, self._bodies.channels)

    def events(self) -> list[Event]:
        """What happened since the last call."""
        events, self._events = self._events, []
        return events
