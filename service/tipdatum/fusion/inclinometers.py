"""The estimator for arms on which every sensor is an inclinometer: angles alone, no force, no gyro.

Readings are gathered into steps on a common grid, which the filters of `tipdatum.fusion.modes` take with the
model of `tipdatum.fusion.tilt_model`; from the last step on the pose is predicted with the rates. Errors that
stay as they are (mounts, biases) are no states, since nothing on such an arm can tell them: they stand in the
pose's covariance, and in the anchor's as far as they differ between its posture and the present one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tipdatum.fusion.arm import LEVEL_SIGMA_RAD, Arm, ArmAngles
from tipdatum.fusion.condition import Condition
from tipdatum.fusion.estimator import Event, MotionReading
from tipdatum.fusion.levers import Levers
from tipdatum.fusion.modes import Modes
from tipdatum.fusion.pose import Anchor, Pose, Quality
from tipdatum.fusion.standing_errors import StandingErrors
from tipdatum.fusion.steady_noise import SteadyNoise
from tipdatum.fusion.tilt_model import MANNERS, STANDING, TiltModel
from tipdatum.fusion.tuning import ChainOptions
from tipdatum.kinematics.frames import Array, nearest_turn
from tipdatum.machine import ARM, Machine
from tipdatum_drivers.reading import Slew, Tilt

STEP_S = 0.04
"""Length of a filter's step, s: an arm's acceleration lasts some tenths of a second."""
LATE_S = 0.1
"""A reading that is older than the filter by more is of no use, s."""
SILENCE_S = 1.0
"""Silence of all sensors after which every angle is found anew, s."""
START_SIGMA_RAD = 0.2
"""1-sigma of an angle at its first reading, rad: a start in motion."""
REST_S = 1.0
"""What the filter needs from its start on to converge, s; a rest as long levels the mounts."""
REFUSED_S = 0.4
"""How long the gate may refuse a sensor before its body's angle is found anew, s."""
STANDING_RADPS = 0.01
"""1-sigma of the rates of an arm that stands, rad/s."""
MOTION_SHARE = 3.7
"""Factor on the filters' sigma while the arm moves: what pushes one sensor pushes its neighbours too, and
does so longer than the model says. From simulated digs."""
AFTER_RAD, AFTER_S = 0.015, 0.4
"""What a motion leaves behind when the arm begins to stand, rad, and the time in which it is gone, s: a
machine rocks on its tracks for half a second after its arm has stopped."""
CHANGES_PER_S = 0.5
"""How often an operator begins to move or changes from one manner of work to another, 1/s."""
STOPS_PER_S = 0.05
"""How often an arm comes to a stand, 1/s; low, since the turning point of a swing looks like one."""

_ORDER = ("upper", *ARM[:-1], "rocker", "bucket")


@dataclass(slots=True)
class _Gathered:
    """One sensor's readings within a step: their sum, when they were taken, how many they are."""

    angles: Array
    times: float
    count: int


@dataclass(frozen=True, slots=True)
class _Kept:
    """The anchor and the posture it was set in: angles of the sensors' bodies (N,), rows over the parts."""

    height: float
    variance: float
    theta: Array
    row: Array


class InclinometerEstimator:
    """See `tipdatum.fusion.estimator.Estimator`."""

    def __init__(self, machine: Machine, period_s: float, options: ChainOptions) -> None:
        self.period, self.options = period_s, options
        self._events: list[Event] = []
        self._machine = machine
        self._slew_angle: float | None = None
        self._slew_rate = 0.0
        self._anchor: _Kept | None = None
        self._build(Arm(machine))

    def _build(self, arm: Arm) -> None:
        self._arm = arm
        self._channels = [arm.by_body[b] for b in _ORDER if b in arm.by_body]
        self._index = {ch.name: i for i, ch in enumerate(self._channels)}
        self._parts: list[str] = [ch.sensor.body for ch in self._channels]
        self._delay = max((ch.latency for ch in self._channels), default=0.0)
        self._t = -math.inf
        self._first: dict[int, tuple[Tilt, float, float]] = {}
        self._newest: dict[int, Array] = {}
        self._waiting: dict[int, dict[int, _Gathered]] = {}
        self._model: TiltModel | None = None
        self._modes: Modes | None = None
        self._noise: list[list[SteadyNoise]] = []
        self._last = -1
        self._unrest = 1.0
        self._begun = 0
        self._at_rest: list[float] | None = []
        self._slew_t = -math.inf
        self._wrong: set[str] = set()
        self._condition = Condition()

    # -- readings ----------------------------------------------------------------------------------------

    def consume(self, reading: MotionReading) -> None:
        """Take one reading; see `Estimator.consume`."""
        if reading.t < self._t - 1e-6:
            self._step_back(reading.t)
        self._t = max(self._t, reading.t)
        if isinstance(reading, Slew):
            self._slewed(reading)
        elif isinstance(reading, Tilt):
            i = self._index.get(reading.sensor)
            if i is not None:
                self._gather(i, reading)
        elif reading.sensor in self._index and reading.sensor not in self._wrong:
            self._wrong.add(reading.sensor)
            text = f"sensor {reading.sensor} is described as an inclinometer but sends forces: not used"
            self._events.append(Event(reading.t, "wrong-kind", text, reading.sensor))
        self._advance()

    def _slewed(self, reading: Slew) -> None:
        angle = math.radians(reading.angle_deg)
        if self._slew_angle is not None and 0.0 < reading.t - self._slew_t < SILENCE_S:
            self._slew_rate = nearest_turn(angle - self._slew_angle, 0.0) / (reading.t - self._slew_t)
        self._slew_angle, self._slew_t = angle, reading.t

    def _step_back(self, t: float) -> None:
        self._events.append(
            Event(t, "time-step", f"time stepped back by {self._t - t:.3f} s: filter started anew")
        )
        self._build(Arm(self._machine))

    def _gather(self, i: int, reading: Tilt) -> None:
        channel = self._channels[i]
        sample = channel.sample(reading)
        angles = _shown(reading)
        if self._modes is None:
            fx, fy, fz = sample.force
            roll = math.asin(max(-1.0, min(1.0, fy / channel.gravity)))
            self._first[i] = (reading, math.atan2(fx, fz), roll)
        before = self._newest.get(i)
        if before is not None and len(before) == len(angles):
            angles = np.array([nearest_turn(a, b) for a, b in zip(angles, before, strict=True)])
        self._newest[i] = angles
        number = math.floor(sample.t / STEP_S)
        if self._modes is not None:
            if sample.t < self._last * STEP_S - LATE_S:
                return
            number = max(number, self._last + 1)
            for noise, angle in zip(self._noise[i], angles, strict=False):
                noise.add(sample.t, float(angle))
        step = self._waiting.setdefault(number, {})
        g = step.get(i)
        if g is None:
            step[i] = _Gathered(angles.copy(), sample.t, 1)
        elif len(g.angles) == len(angles):
            g.angles, g.times, g.count = g.angles + angles, g.times + sample.t, g.count + 1

    def _advance(self) -> None:
        """Take every step that is over for the slowest sensor too."""
        if self._modes is None:
            if not self._channels or len(self._first) < len(self._channels):
                return
            self._start()
        assert self._modes is not None
        ready = math.floor((self._t - self._delay) / STEP_S) - 1
        if ready - self._last > SILENCE_S / STEP_S:
            heard = [k for k in self._waiting if k <= ready]
            if not heard or min(heard) - self._last > SILENCE_S / STEP_S:
                self._last = min(heard, default=ready) - 1
                self._lost = [True] * len(self._channels)
        while self._last < ready:
            self._step(self._last + 1)

    def _start(self) -> None:
        """Filters from the first reading of every sensor."""
        channels, n = self._channels, len(self._channels)
        dual = [self._first[i][0].angle_deg is None for i in range(n)]
        model = TiltModel(Levers(self._arm, channels), channels, dual, STEP_S)
        tells_roll = next((i for i in range(n) if dual[i]), None)
        x, sigma = np.zeros(model.size), np.zeros(model.size)
        for i in range(n):
            x[i] = self._first[i][1]
        sigma[model.theta], sigma[model.rate], sigma[model.turning] = START_SIGMA_RAD, 0.2, 0.5
        sigma[model.roll] = 0.0001
        if tells_roll is not None:
            x[model.roll], sigma[model.roll] = self._first[tells_roll][2], START_SIGMA_RAD
        x[model.shown] = np.concatenate([self._newest[i] for i in range(n)])
        sigma[model.shown], sigma[model.push] = 0.01, 0.02
        m = len(MANNERS)
        changes = np.full((m, m), CHANGES_PER_S * STEP_S)
        changes[:, STANDING] = STOPS_PER_S * STEP_S
        changes[np.arange(m), np.arange(m)] = 0.0
        changes += np.diag(1.0 - changes.sum(1))
        self._modes = Modes(x, np.diag(sigma**2), np.full(m, 1.0 / m), changes)
        self._model = model
        self._axes = [np.flatnonzero(model.axis_sensor == i) for i in range(n)]
        stated = [math.radians(ch.sensor.noise.tilt_deg) ** 2 for ch in channels]
        self._noise = [[SteadyNoise(stated[i]) for _ in self._axes[i]] for i in range(n)]
        self._refused, self._lost = [0.0] * n, [False] * n
        roll_channel = None if tells_roll is None else channels[tells_roll]
        self._errors = StandingErrors(channels, roll_channel, LEVEL_SIGMA_RAD, self.options)
        self._last = min(self._waiting, default=0) - 1
        self._begun = self._last

    def _step(self, number: int) -> None:
        modes, model = self._modes, self._model
        assert modes is not None
        assert model is not None
        heard = self._waiting.pop(number, {})
        self._last = number
        modes.mix()
        Q = model.noise(modes.x)
        x, F = model.linear(modes.x)
        modes.predict(x, F, Q)
        for i, g in heard.items():
            if self._lost[i]:
                self._find_anew(modes, model, i, g)
        for i, channel in enumerate(self._channels):
            if i not in heard and (number + 1) * STEP_S - channel.last_t > channel.stale_after:
                self._lost[i] = True
        rows = self._rows(modes, model, number, heard, F)
        if rows is not None:
            modes.update(*rows)
        modes.compare(STANDING, model.rate, STANDING_RADPS**2)
        mean, _ = modes.joint()
        moving = 1.0 - float(modes.weight[STANDING])
        self._unrest = max(moving, self._unrest * math.exp(-STEP_S / AFTER_S))
        self._converge(mean, model, number)

    def _rows(
        self, modes: Modes, model: TiltModel, number: int, heard: dict[int, _Gathered], F: Array
    ) -> tuple[Array, Array, Array] | None:
        """What the sensors told within the step: rows, values, noise."""
        mean, P = modes.joint()
        likely = int(modes.weight.argmax())
        H: list[Array] = []
        z: list[float] = []
        R: list[float] = []
        for i, g in heard.items():
            lead = g.times / g.count - (number + 1) * STEP_S
            rate = float(mean[model.rate][i])
            refused = False
            for k, axis in enumerate(self._axes[i]):
                if k >= len(g.angles):
                    continue
                place = model.shown.start + int(axis)
                value = g.angles[k] / g.count
                row = np.zeros(model.size)
                row[place] = 1.0
                turns = F[likely, place, i] / max(1e-6, 1.0 - model.keep[axis])
                row[model.rate.start + i] = lead * max(-1.0, min(1.0, float(turns)))
                expected = float(row @ mean)
                if model.wraps[axis]:
                    value = nearest_turn(float(value), expected)
                latency = self._channels[i].sensor.latency_sigma_s
                late = self.options.latency_sigma_s if latency is None else latency
                variance = self._noise[i][k].variance / g.count + (late * rate) ** 2
                off, spread = value - expected, float(row @ P @ row)
                if off * off > self.options.gate * (spread + variance):
                    # A shock: let in so far that it moves the estimate as the largest accepted one would.
                    variance = (
                        off * off / self.options.gate * (off * off / (self.options.gate * spread + 1e-12))
                    )
                    refused = True
                H.append(row)
                z.append(float(value))
                R.append(variance)
            self._refused[i] = self._refused[i] + STEP_S if refused else 0.0
            self._lost[i] = self._refused[i] > REFUSED_S
        return (np.array(H), np.array(z), np.array(R)) if H else None

    def _find_anew(self, modes: Modes, model: TiltModel, i: int, g: _Gathered) -> None:
        """A sensor is back: its body may stand anywhere."""
        mean, _ = modes.joint()
        x = mean.copy()
        for k, axis in enumerate(self._axes[i]):
            place = model.shown.start + int(axis)
            modes.open(place, float(g.angles[min(k, len(g.angles) - 1)]) / g.count, 1e-4)
        up = self._channels[i].mount @ _up(g.angles / g.count)
        theta = nearest_turn(math.atan2(up[0], up[2]), float(x[i]))
        modes.open(model.theta.start + i, theta, START_SIGMA_RAD**2)
        modes.open(model.rate.start + i, 0.0, 0.2**2)
        modes.open(model.turning.start + i, 0.0, 0.5**2)
        self._lost[i], self._refused[i] = False, 0.0

    def _converge(self, mean: Array, model: TiltModel, number: int) -> None:
        """Quality, and the levelling of the mounts in a first rest."""
        fastest = max(float(np.abs(mean[model.rate]).max()), abs(self._slew_rate))
        starting = (number - self._begun) * STEP_S < REST_S
        if self._at_rest is not None:
            assert self._modes is not None
            self._at_rest.append(fastest)
            if not starting:
                half = self._at_rest[len(self._at_rest) // 2 :]
                if max(half) < math.radians(1.0):
                    self._errors.level(mean[model.theta])
                self._at_rest = None
        self._condition.update((number + 1) * STEP_S, fastest, 0.0, starting)

    # -- poses -------------------------------------------------------------------------------------------

    def pose(self, t: float) -> Pose:
        """The arm predicted to `t`; see `Estimator.pose`."""
        quality, reasons = self._arm.availability(t)
        if self._modes is None or self._last <= self._begun:
            if quality in ("good", "settling"):
                quality, reasons = "stale", ("waiting for a first reading of every sensor",)
            return self._unknown(t, quality, reasons)
        if quality in ("stale", "invalid"):
            return self._unknown(t, quality, reasons)
        found = self._predicted(t)
        if isinstance(found, str):
            return self._unknown(t, "invalid", (found,))
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

    def _predicted(self, t: float) -> _Found | str:
        modes, model = self._modes, self._model
        assert modes is not None
        assert model is not None
        mean, P = modes.joint()
        n = model.n
        ahead = max(0.0, t - (self._last + 1) * STEP_S)
        rates = mean[model.rate]
        theta, roll = mean[model.theta] + ahead * rates, float(mean[model.roll])
        tilt = {
            body: ArmAngles(float(theta[i]), roll, float(rates[i]), 0.0, 1.0)
            for i, body in enumerate(self._parts)
        }
        joined = self._arm.join(tilt)
        if isinstance(joined, str):
            return joined
        J = self._arm.jacobian_over([*self._parts, "roll", "level"])
        F = np.zeros((n + 1, model.size))
        at = np.arange(n)
        F[at, at], F[at, n + at], F[n, model.roll] = 1.0, ahead, 1.0
        turning = np.diag(P)[model.turning]
        curve = np.append(0.25 * turning * ahead**4, [0.0, 0.0])
        own = curve + np.append(ahead**2 * np.diag(P)[model.rate], [0.0, 0.0])
        filtered = np.zeros((n + 2, n + 2))
        filtered[: n + 1, : n + 1] = (1.0 + self._unrest * (MOTION_SHARE**2 - 1.0)) * (F @ P @ F.T)
        filtered[at, at] += self._unrest * AFTER_RAD**2
        total = filtered + np.diag(curve + self._standing(theta, theta))
        return _Found(theta, joined.angles, joined.rates, J, J @ total @ J.T, (J * own) @ J.T)

    def _standing(self, theta: Array, other: Array) -> Array:
        return np.append(self._errors.between(theta, other), LEVEL_SIGMA_RAD**2)

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
        assert not isinstance(f, str)
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
        channels = [arm.by_body[b] for b in _ORDER if b in arm.by_body]
        if self._modes is None or [ch.name for ch in channels] != [ch.name for ch in self._channels]:
            self._build(arm)
            return
        assert self._model is not None
        for i, (old, new) in enumerate(zip(self._channels, channels, strict=True)):
            if old.sensor.mount_rpy_deg != new.sensor.mount_rpy_deg:
                self._lost[i] = True
        self._arm, self._channels = arm, channels
        self._index = {ch.name: i for i, ch in enumerate(channels)}
        self._model.fit(Levers(arm, channels), channels)

    def events(self) -> list[Event]:
        """What happened since the last call."""
        events, self._events = self._events, []
        return events


@dataclass(frozen=True, slots=True)
class _Found:
    """A pose in the making.

    Attributes:
        theta: (N,) rad, of the sensors' bodies.
        q, rates, covariance, prediction: as in `Pose`.
        J: (2 + n, N + 2) ∂q/∂(θ_1 … θ_N, roll, level).
    """

    theta: Array
    q: Array
    rates: Array
    J: Array
    covariance: Array
    prediction: Array


def _shown(reading: Tilt) -> Array:
    """The angles of a reading: one of a single-axis part, pitch and roll of a dual-axis one, rad."""
    if reading.angle_deg is not None:
        return np.radians([reading.angle_deg])
    return np.radians([reading.pitch_deg or 0.0, reading.roll_deg or 0.0])


def _up(angles: Array) -> Array:
    """`up` in the sensor's own axes from `_shown`."""
    if len(angles) == 1:
        return np.array([math.sin(angles[0]), 0.0, math.cos(angles[0])])
    x, y = math.sin(angles[0]), math.sin(angles[1])
    return np.array([x, y, math.sqrt(max(0.0, 1.0 - x * x - y * y))])
