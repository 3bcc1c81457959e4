"""Sensors with the faults of real ones: where they really sit, what they get wrong, when they are heard.

A description says what its owner believes of a sensor; the true one differs from it by the stated (or usual)
uncertainty, drawn once from the seed. Noise, bias, drift and cross-axis sensitivity are drawn from the
description's `[sensor.X.noise]`. A reading:

    measured = A (true + vibration) + bias + drift · (temperature - calibrated) + white noise, clipped and
    quantised

with A = 1 + scale errors + cross-axis terms, in the sensor's own axes. White noise of density n (one-sided,
as data sheets state it) has σ = n · √(rate / 2) a sample. Inclinometers are accelerometers with a
first-order lag whose force is taken for gravity, as real ones do.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Annotated, Literal

import numpy as np
from msgspec.structs import replace
from pydantic import BaseModel, ConfigDict, Field

from tipdatum.machine.parts import Sensor
from tipdatum.simulator.multibody import Array
from tipdatum_drivers.reading import Imu, Slew, Tilt, Vector

ACCEL_LSB_MPS2, GYRO_LSB_RADPS = 16.0 * 9.80665 / 32768.0, math.radians(2000.0) / 32768.0
ACCEL_RANGE_MPS2, GYRO_RANGE_RADPS = 16.0 * 9.80665, math.radians(2000.0)
TILT_LSB_DEG, SLEW_LSB_DEG = 0.01, 0.05
SCALE_ERROR = 0.003
"""1-sigma of an axis's scale error, of low-cost parts (from memory)."""
MOUNT_SIGMA_DEG, POSITION_SIGMA_M, LATENCY_SIGMA_S = 0.15, 0.008, 0.0015
"""What a calibration leaves, where the description states nothing."""
ENCODER_ZERO_DEG = 0.5
"""1-sigma of an encoder's zero, where the description states none: a coupling tightened by eye."""
WARMING_S = 90.0
"""Time constant of a housing that warms up."""
MEMORY_S = 0.03
"""Of what its body did, beyond the latency, s."""
BLOCK = 256
"""Normal deviates drawn at a time."""


class SensorsTable(BaseModel):
    """`[sensors]` of a scenario."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    rate_hz: Annotated[float, Field(ge=5, le=400)] = 100.0
    """Of inertial sensors."""
    tilt_hz: Annotated[float, Field(ge=2, le=200)] = 50.0
    """Of inclinometers and slew encoders."""
    installation: Literal["calibrated", "exact"] = "calibrated"
    """calibrated: mounts, positions and latencies differ from the description by what it states or by what a
    calibration leaves; exact: they are as described."""
    perfect: bool = False
    """Neither noise nor bias nor quantisation: for checks of everything else."""
    clocks: Literal["own", "shared"] = "own"
    """own: each sensor samples when it likes; shared: one microcontroller asks all at once."""
    jitter_s: Annotated[float, Field(ge=0, le=0.1)] = 0.0006
    """1-sigma of what the way to the computer adds."""
    vibration_mps2: Annotated[float, Field(ge=0, le=30)] = 0.5
    """Root mean square of the engine's share in every axis."""
    warm_up_k: Annotated[float, Field(ge=0, le=60)] = 0.0
    """How much warmer the sensors get after the start."""


TrueSample = tuple[float, ...]
"""Time, specific force and rate in the body's axes, in plain numbers; 7 in all."""


class Deviates:
    """Standard normal numbers from one seed, drawn in blocks."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._left: list[float] = []

    def __call__(self) -> float:
        if not self._left:
            self._left = self._rng.standard_normal(BLOCK).tolist()
        return self._left.pop()


class SimulatedSensor:
    """One part on the machine: `observe` what its body does, `due` gives what it says.

    Args:
        name: in the description. told: its description. table: of the scenario. seed: of this sensor.
        engine_hz: turns of the engine a second.
    """

    def __init__(
        self, name: str, told: Sensor, table: SensorsTable, rng: np.random.Generator, engine_hz: float
    ) -> None:
        self.name, self.told, self._table = name, told, table
        self._normal = Deviates(rng)
        exact = table.installation == "exact" or table.perfect
        draw = np.zeros if exact else rng.standard_normal
        mount = told.mount_sigma_deg if told.mount_sigma_deg is not None else MOUNT_SIGMA_DEG
        place = told.position_sigma_m if told.position_sigma_m is not None else POSITION_SIGMA_M
        late = told.latency_sigma_s if told.latency_sigma_s is not None else LATENCY_SIGMA_S
        turned = np.asarray(told.mount_rpy_deg) + mount * np.clip(draw(3), -2, 2)
        self.mount = self._mounted = rotation(turned)
        """(3, 3) sensor to body, as it really is."""
        self.place = np.asarray(told.position_m) + place * np.clip(draw(3), -2, 2)
        self.latency_s = max(0.0, told.latency_s + late * float(np.clip(draw(1)[0], -2, 2)))
        noise, one = told.noise, 0.0 if table.perfect else 1.0
        imu = told.type == "imu"
        self.rate_hz = table.rate_hz if imu else table.tilt_hz
        self._period = 1.0 / self.rate_hz
        per_sample = one * math.sqrt(self.rate_hz / 2.0)
        self._accel_noise, self._gyro_noise = (
            noise.accel_mps2_rthz * per_sample,
            noise.gyro_radps_rthz * per_sample,
        )
        self._tilt_noise = one * noise.tilt_deg
        errors = rng.standard_normal((10, 3)) if not table.perfect else np.zeros((10, 3))
        errors = np.clip(errors, -2, 2)
        self.accel_bias, self.gyro_bias = noise.accel_bias_mps2 * errors[0], noise.gyro_bias_radps * errors[1]
        self._accel_drift = noise.accel_per_kelvin_mps2 * errors[2]
        self._gyro_drift = noise.gyro_per_kelvin_radps * errors[3]
        self._accel_matrix = _misread(noise.accel_cross_axis, errors[4:7])
        self._gyro_matrix = _misread(noise.gyro_cross_axis, errors[7:10])
        # What the description takes off again: (reading - offset) times its scale is the true figure.
        scale = np.asarray(told.accel_scale) if told.accel_scale is not None else np.eye(3)
        self._accel_matrix = np.linalg.inv(scale) @ self._accel_matrix
        self._gyro_matrix = np.diag(1.0 / np.asarray(told.gyro_scale)) @ self._gyro_matrix
        self.accel_bias = self.accel_bias + np.asarray(told.accel_offset_mps2)
        self.gyro_bias = self.gyro_bias + np.asarray(told.gyro_offset_radps)
        self.warmth_k, self._warm_to_k = 0.0, table.warm_up_k
        self.offset_c = 18.0
        phases = rng.uniform(0.0, 2.0 * math.pi, (3, 3))
        share = rng.uniform(0.5, 1.2, (3, 3)) * np.array([[0.35], [1.0], [0.6]])
        self._vibration = table.vibration_mps2 * one * share * math.sqrt(2.0 / 1.5)
        self._orders = 2.0 * math.pi * engine_hz * np.array([[0.5], [1.0], [2.0]])
        self._phases = phases
        self._skew = 1.0 + (0.0 if table.clocks == "shared" else 4e-5 * float(rng.standard_normal()))
        self._phase = 0.0 if table.clocks == "shared" else float(rng.uniform(0.0, self._period))
        self._count = 0
        self._history: deque[TrueSample] = deque()
        self._memory_s = self.latency_s + self._period + MEMORY_S
        self._lagged: Array | None = None
        self._last_t = -math.inf

    def level(self, force: Array) -> None:
        """Let its description be right at one posture, where `force` (3,) m/s² is felt in the body's axes.

        Every calibration does that: what a level shows there takes mount and bias together. The true mount is
        turned until the reading, put into the body by the described mount, points the way that it should.
        """
        if self._table.installation == "exact" or self._table.perfect:
            return
        told = rotation(np.asarray(self.told.mount_rpy_deg))
        scale = np.asarray(self.told.accel_scale) if self.told.accel_scale is not None else np.eye(3)
        offset = np.asarray(self.told.accel_offset_mps2)
        for _ in range(3):
            read = scale @ (self._accel_matrix @ (force @ self.mount) + self.accel_bias - offset)
            seen = told @ read
            turn = np.cross(seen, force) / (np.linalg.norm(seen) * np.linalg.norm(force))
            self.mount = self.mount @ told.T @ small_rotation(-turn) @ told
        self._mounted = self.mount

    # -- what happens to it ----------------------------------------------------------------------------

    def knock(self, degrees: tuple[float, float, float]) -> None:
        """Turn its bracket by [roll, pitch, yaw] degrees: what nobody has described."""
        self.mount = self.mount @ rotation(np.asarray(degrees))

    def straighten(self) -> None:
        """Put its bracket back as it was."""
        self.mount = self._mounted

    def warm(self, kelvin: float) -> None:
        """Warm it up by so much, within minutes."""
        self._warm_to_k += kelvin

    # -- what it says ----------------------------------------------------------------------------------

    def observe(self, t: float, force: Array, rate: Array) -> None:
        """Specific force (3,) m/s² and rate (3,) rad/s at the sensor at `t`, in the body's axes."""
        self.remember((t, *force.tolist(), *rate.tolist()))

    def remember(self, sample: TrueSample) -> None:
        """The same, in plain numbers."""
        history, oldest = self._history, sample[0] - self._memory_s
        history.append(sample)
        while history[0][0] < oldest:
            history.popleft()

    def due(self, t: float, engine: bool) -> list[Imu | Tilt]:
        """Readings whose samples have been taken by `t`, with the time at which they come in."""
        found: list[Imu | Tilt] = []
        while (stamp := (self._phase + self._count * self._period) * self._skew) <= t:
            self._count += 1
            sample = self._at(stamp - self.latency_s)
            if sample is None:
                continue
            arrival = stamp + abs(self._normal()) * self._table.jitter_s
            # A serial line keeps the order of what it carries.
            arrival = self._last_t = max(arrival, self._last_t + 1e-6)
            found.append(self._reading(arrival, stamp, sample, engine))
        return found

    def _at(self, t: float) -> TrueSample | None:
        """Mean of what the body did around `t`: a part samples fast inside and averages."""
        history, half = self._history, min(0.5 * self._period, self.latency_s)
        begin, end, first = t - half, t + half, len(self._history) - 1
        if first < 0 or history[first][0] < t:
            return None
        while first >= 0 and history[first][0] > begin:
            first -= 1
        if first < 0:
            return None
        # Integrals of what is linear between the steps of the simulation.
        fx = fy = fz = wx = wy = wz = width = 0.0
        before = history[first]
        for i in range(first + 1, len(history)):
            after = history[i]
            a, b = before[0], after[0]
            low, high = max(a, begin), min(b, end)
            if high > low:
                part = high - low
                late = part * (0.5 * (low + high) - a) / (b - a)
                early = part - late
                fx, fy = fx + early * before[1] + late * after[1], fy + early * before[2] + late * after[2]
                fz, wx = fz + early * before[3] + late * after[3], wx + early * before[4] + late * after[4]
                wy, wz = wy + early * before[5] + late * after[5], wz + early * before[6] + late * after[6]
                width += part
            elif a > end:
                break
            before = after
        if width <= 0.0:
            return (t, *history[-1][1:])
        return (t, fx / width, fy / width, fz / width, wx / width, wy / width, wz / width)

    def _reading(self, t: float, stamp: float, sample: TrueSample, engine: bool) -> Imu | Tilt:
        lag = WARMING_S * self.rate_hz
        self.warmth_k += (self._warm_to_k - self.warmth_k) / lag
        force, rate = np.array((sample[1:4], sample[4:7])) @ self.mount
        if engine:
            force = force + (self._vibration * np.sin(self._orders * sample[0] + self._phases)).sum(axis=0)
        force = self._accel_matrix @ force + self.accel_bias + self.warmth_k * self._accel_drift
        if self.told.type == "tilt":
            return self._tilt(t, stamp, force)
        rate = self._gyro_matrix @ rate + self.gyro_bias + self.warmth_k * self._gyro_drift
        accel = self._digits(force, self._accel_noise, ACCEL_LSB_MPS2, ACCEL_RANGE_MPS2)
        gyro = self._digits(rate, self._gyro_noise, GYRO_LSB_RADPS, GYRO_RANGE_RADPS)
        return Imu(
            t, self.name, accel, gyro, self._temp_c(), stamp if self._table.clocks == "shared" else None
        )

    def _tilt(self, t: float, stamp: float, force: Array) -> Tilt:
        tau = self.told.time_constant_s
        if self._lagged is None or tau <= 0.0:
            self._lagged = force
        else:
            self._lagged = self._lagged + (force - self._lagged) * (1.0 - math.exp(-self._period / tau))
        x, y, z = (self._lagged / np.linalg.norm(self._lagged)).tolist()
        said = stamp if self._table.clocks == "shared" else None
        if self.told.body == "upper":
            pitch, roll = self._angle(math.degrees(math.asin(x))), self._angle(math.degrees(math.asin(y)))
            return Tilt(t, self.name, None, pitch, roll, self._temp_c(), said)
        return Tilt(
            t, self.name, self._angle(math.degrees(math.atan2(x, z))), None, None, self._temp_c(), said
        )

    def _angle(self, true_deg: float) -> float:
        noisy = true_deg + self._tilt_noise * self._normal()
        return round(noisy / TILT_LSB_DEG) * TILT_LSB_DEG if not self._table.perfect else noisy

    def _digits(self, true: Array, sigma: float, lsb: float, most: float) -> Vector:
        x, y, z = true.tolist()
        if self._table.perfect:
            return (x, y, z)
        n, top = self._normal, most - lsb
        values = [x + sigma * n(), y + sigma * n(), z + sigma * n()]
        a, b, c = (min(top, max(-most, round(value / lsb) * lsb)) for value in values)
        return (a, b, c)

    def _temp_c(self) -> float:
        return round(self.offset_c + self.warmth_k, 2)


class SimulatedEncoder:
    """An angle encoder, of the upper against the tracks or of a boom's swing, with a zero of its own."""

    def __init__(self, name: str, told: Sensor, table: SensorsTable, rng: np.random.Generator) -> None:
        self.name, self.told, self._table = name, told, table
        self._normal = Deviates(rng)
        self._period = 1.0 / min(table.tilt_hz, 25.0)
        exact = table.installation == "exact" or table.perfect
        off = told.mount_sigma_deg if told.mount_sigma_deg is not None else ENCODER_ZERO_DEG
        self._zero = 0.0 if exact else float(rng.normal(0.0, off))
        self._count = 0

    def due(self, t: float, angle: float) -> list[Slew]:
        """The reading that has become due by `t`, the angle being `angle` rad."""
        stamp = self._count * self._period
        if stamp > t:
            return []
        self._count += 1
        noise = 0.0 if self._table.perfect else self._zero + 0.1 * self._normal()
        degrees = round((math.degrees(angle) + noise) / SLEW_LSB_DEG) * SLEW_LSB_DEG
        return [Slew(t, self.name, round(degrees, 3))]


def renamed(reading: Imu | Tilt, name: str) -> Imu | Tilt:
    """The same reading as another sensor's: two plugs that changed places."""
    return replace(reading, sensor=name)


def rotation(rpy_deg: Array) -> Array:
    """(3, 3) Rz(yaw) Ry(pitch) Rx(roll), degrees: a URDF `<origin rpy>`."""
    r, p, y = np.radians(np.asarray(rpy_deg, dtype=float)).tolist()
    rx = np.array([[1, 0, 0], [0, math.cos(r), -math.sin(r)], [0, math.sin(r), math.cos(r)]])
    ry = np.array([[math.cos(p), 0, math.sin(p)], [0, 1, 0], [-math.sin(p), 0, math.cos(p)]])
    rz = np.array([[math.cos(y), -math.sin(y), 0], [math.sin(y), math.cos(y), 0], [0, 0, 1]])
    return np.asarray(rz @ ry @ rx)


def small_rotation(vector: Array) -> Array:
    """(3, 3) turn about `vector` by its length, rad (Rodrigues)."""
    angle = float(np.linalg.norm(vector))
    if angle < 1e-12:
        return np.eye(3)
    x, y, z = (vector / angle).tolist()
    K = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.asarray(np.eye(3) + math.sin(angle) * K + (1.0 - math.cos(angle)) * K @ K)


def _misread(cross_axis: float, errors: Array) -> Array:
    off = cross_axis * errors
    return np.eye(3) + np.where(np.eye(3) > 0, SCALE_ERROR * errors, off)
