"""What can be wrong with a sensor and stays so: its constants in the state, and how far they may be off.

========== ===== ===================================================================================
constant   size  meaning, in the axes of the sensor's body
========== ===== ===================================================================================
GYRO_BIAS  3     rad/s
GYRO_SCALE 3     1
GYRO_CROSS 6     what each axis of the gyro sees of the other two, 1, order xy xz yx yz zx zy
GYRO_WARM  3     rad/s, by so much the bias changes while the part warms up
LATENCY    1     s, by so much earlier than described a sample was taken
MOUNT      3     rad, the small rotation from the described mount to the true one
ACCEL_BIAS 3     m/s²
ACCEL_SCALE 3    1
ACCEL_SKEW 3     what each pair of the accelerometer's axes sees of the other, 1, order xy xz yz
ACCEL_WARM 3     m/s², as of the gyro
LEVER      3     m, from the described position to the true one
========== ===== ===================================================================================

The true vectors follow from the measured ones by ω = (I + [μ]×)(I - diag σ - C)(ω_raw - β - w β_w), and f
alike with the symmetric skew. One mount serves both; what gyro and accelerometer of a part are turned against
each other is in C. w is the warmth: 0 when the sensors were switched on, 1 when they are warm; see `Warmth`.

Observability: rotations about any axis that a gyro's neighbours see too tell its C; a link that stands at
many angles tells scale, skew and bias of its accelerometer by |f| = g and by its gyro. An upper that never
rolls leaves most of its own untold; they stay at their prior and do no harm, for it has but one angle.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from tipdatum.fusion.chain.tuning import ChainOptions
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array, rotation_from_rpy_deg
from tipdatum.machine.parts import Sensor

PER_SENSOR: Final = 34
GYRO_BIAS, GYRO_SCALE, GYRO_CROSS, GYRO_WARM = slice(0, 3), slice(3, 6), slice(6, 12), slice(12, 15)
LATENCY, MOUNT, ACCEL_BIAS, ACCEL_SCALE = 15, slice(16, 19), slice(19, 22), slice(22, 25)
ACCEL_SKEW, ACCEL_WARM, LEVER = slice(25, 28), slice(28, 31), slice(31, 34)
"""Places within a sensor's constants."""
OF_GYRO, OF_ACCEL = slice(0, 19), slice(15, 31)
"""Those on which a gyro's, and an accelerometer's readings depend."""
CROSS_TO, CROSS_FROM = [0, 0, 1, 1, 2, 2], [1, 2, 0, 2, 0, 1]
"""Axis that shows it, axis of which it is shown, for each of `GYRO_CROSS`."""
SKEW_ONE, SKEW_OTHER = [0, 0, 1], [1, 2, 2]
"""The two axes of each of `ACCEL_SKEW`."""
_CROSS = list(range(GYRO_CROSS.start, GYRO_CROSS.stop))
_SKEW = list(range(ACCEL_SKEW.start - OF_ACCEL.start, ACCEL_SKEW.stop - OF_ACCEL.start))


def crossing() -> Array:
    """(3, 9): v @ crossing() is [v]×, row by row."""
    basis = np.zeros((3, 3, 3))
    basis[0, 2, 1] = basis[1, 0, 2] = basis[2, 1, 0] = 1.0
    basis[0, 1, 2] = basis[1, 2, 0] = basis[2, 0, 1] = -1.0
    return basis.reshape(3, 9)


EYE3, CROSSING, XYZ = np.eye(3), crossing(), np.arange(3)

LEAST_SIGMA = np.full(PER_SENSOR, 1e-4)
LEAST_SIGMA[LEVER] = 1e-3
LEAST_SIGMA[GYRO_WARM] = 1e-6
"""Least 1-sigma of each constant, whatever a description says: a covariance must have an inverse."""
WARM_S: Final = 200.0
"""Time in which a part comes to its temperature, s: boards and housings take some minutes (common practice,
no source)."""
WARM_K: Final = 17.0
"""Warming by its own power and by the machine's that a part is expected to go through, K."""


class Warmth:
    """How far each sensor's temperature has gone on from where it was switched on, as a share of `WARM_K`.

    A part that tells its temperature is believed; for one that does not, all that is known is that
    whatever warms up does so at first and ever more slowly.

    Attributes:
        of: (N,) 1.
    """

    def __init__(self, sensors: int) -> None:
        self.of = np.zeros(sensors)

    def go_on(self, age: float, channels: list[Channel]) -> None:
        """Take it to `age` s since the start."""
        by_time = 1.0 - math.exp(-age / WARM_S)
        self.of[:] = [by_time if ch.warmed_k is None else ch.warmed_k / WARM_K for ch in channels]


def prior_sigma(sensor: Sensor, options: ChainOptions, rate: Array) -> Array:
    """(PER_SENSOR,) how far each constant may be off at the start.

    Args:
        rate: (3,) rad/s, what the gyro shows then. It may all be bias: some low-cost parts are off by 20 °/s.
    """
    noise, mount = sensor.noise, sensor.mount_sigma_deg
    sigma = np.empty(PER_SENSOR)
    sigma[GYRO_BIAS] = np.maximum(max(noise.gyro_bias_radps, options.gyro_start_sigma_radps), np.abs(rate))
    sigma[GYRO_SCALE] = sigma[ACCEL_SCALE] = options.scale_sigma
    if sensor.gyro_scale_sigma is not None:
        mount_squared = rotation_from_rpy_deg(sensor.mount_rpy_deg) ** 2
        sigma[GYRO_SCALE] = np.sqrt(mount_squared @ np.square(sensor.gyro_scale_sigma))
    sigma[GYRO_CROSS], sigma[ACCEL_SKEW] = noise.gyro_cross_axis, noise.accel_cross_axis
    sigma[GYRO_WARM] = WARM_K * noise.gyro_per_kelvin_radps
    sigma[ACCEL_WARM] = WARM_K * noise.accel_per_kelvin_mps2
    sigma[LATENCY] = options.latency_sigma_s if sensor.latency_sigma_s is None else sensor.latency_sigma_s
    sigma[MOUNT] = math.radians(options.mount_sigma_deg if mount is None else mount)
    sigma[ACCEL_BIAS] = noise.accel_bias_mps2
    sigma[LEVER] = options.lever_sigma_m if sensor.position_sigma_m is None else sensor.position_sigma_m
    return np.asarray(np.maximum(sigma, LEAST_SIGMA))


def matrices(constants: Array) -> tuple[Array, Array]:
    """(N, 3, 3) each, of (N, PER_SENSOR): what a row of force, and of rate, is multiplied by."""
    n = len(constants)
    force, rate = np.zeros((n, 3, 3)), np.zeros((n, 3, 3))
    force[:, XYZ, XYZ] = 1.0 - constants[:, ACCEL_SCALE]
    rate[:, XYZ, XYZ] = 1.0 - constants[:, GYRO_SCALE]
    force[:, SKEW_ONE, SKEW_OTHER] = force[:, SKEW_OTHER, SKEW_ONE] = -constants[:, ACCEL_SKEW]
    rate[:, CROSS_FROM, CROSS_TO] = -constants[:, GYRO_CROSS]
    return force, rate


def rate_errors(rate: Array, slope: Array, warmth: Array) -> Array:
    """∂ω by the gyro's constants, (N, 3, 19), in axes of the body.

    Args:
        rate, slope: (N, 3) rad/s and rad/s², ω and how it changes.
        warmth: (N,) 1.
    """
    by = np.zeros((len(rate), 3, OF_GYRO.stop))
    by[:, :, GYRO_BIAS] = -EYE3
    by[:, XYZ, GYRO_SCALE.start + XYZ] = -rate
    by[:, CROSS_TO, _CROSS] = -rate[:, CROSS_FROM]
    by[:, XYZ, GYRO_WARM.start + XYZ] = -warmth[:, None]
    by[:, :, LATENCY] = slope
    np.negative(rate.dot(CROSSING).reshape(-1, 3, 3), out=by[:, :, MOUNT])
    return by


def force_errors(force: Array, slope: Array, warmth: Array) -> Array:
    """∂f by the accelerometer's constants, (N, 3, 16), those of `OF_ACCEL`; arguments as in `rate_errors`."""
    first = OF_ACCEL.start
    by = np.zeros((len(force), 3, OF_ACCEL.stop - first))
    by[:, :, LATENCY - first] = slope
    by[:, XYZ, ACCEL_BIAS.start - first + XYZ] = -1.0
    by[:, XYZ, ACCEL_SCALE.start - first + XYZ] = -force
    by[:, SKEW_ONE, _SKEW] = -force[:, SKEW_OTHER]
    by[:, SKEW_OTHER, _SKEW] = -force[:, SKEW_ONE]
    by[:, XYZ, ACCEL_WARM.start - first + XYZ] = -warmth[:, None]
    np.negative(force.dot(CROSSING).reshape(-1, 3, 3), out=by[:, :, 1:4])
    return by


def tilt_errors(force: Array, warmth: Array) -> Array:
    """(N, 2, 16): how the tilt and the roll, rad, that accelerometers show at rest depend on `OF_ACCEL`.

    Args:
        force: (N, 3) m/s², what they measure there, axes of the bodies.
    """
    by = force_errors(force, np.zeros_like(force), warmth)
    x, z = force[:, :1], force[:, 2:]
    across = x * x + z * z
    tilt, roll = (z * by[:, 0] - x * by[:, 2]) / across, by[:, 1] / np.sqrt(across)
    return np.stack([tilt, roll], axis=1)
