"""What the parts of the chain filter share: its sensors, its options and the layout of its state.

The matrices are small, so that the number of calls costs, not the arithmetic: parts of a matrix that change
are kept as views and written in one go, and what depends linearly on three rates is one product.
"""

from __future__ import annotations

import numpy as np

from tipdatum.fusion.arm import Arm
from tipdatum.fusion.layout import Layout, layout
from tipdatum.fusion.sensors import Channel
from tipdatum.fusion.tuning import ChainOptions
from tipdatum.kinematics.frames import Array

UNKNOWN = 1e6
"""Variance given to a row that has no measurement in a block."""


class Setup:
    """Sensors of one arm as the filter sees them; fixed but for a refit's `channels` and for `epochs`.

    Attributes:
        n: number of sensors, N.
        at: the state's layout.
        has_gyro, is_tilt: (N,) bool.
        epochs: how many make a block, K.
        gyroless, lagging: sensors without a gyro, inclinometers with a time constant.
        on_upper: whether the first sensor sits on the upper.
        gyro_psd, accel_psd: (N,) white noise, (rad/s)²/Hz and (m/s²)²/Hz.
        latency_sigma: (N,) s.
        i: (N,) numbers of the sensors.
        v: (N, 3) places of each sensor's velocity in the state.
    """

    def __init__(
        self, arm: Arm, channels: list[Channel], has_gyro: list[bool], options: ChainOptions
    ) -> None:
        n = len(channels)
        self.n, self.options, self.channels = n, options, channels
        self.gravity = arm.machine.gravity_mps2
        self.has_gyro = np.array(has_gyro)
        self.is_tilt = np.array([ch.sensor.type == "tilt" for ch in channels])
        self.lagging = [
            i for i, ch in enumerate(channels) if self.is_tilt[i] and ch.sensor.time_constant_s > 0
        ]
        self.gyroless = [i for i in range(n) if not has_gyro[i]]
        self.epochs = 1
        self.on_upper = bool(channels) and channels[0].sensor.body == "upper"
        self.at: Layout = layout(n, len(self.gyroless), len(self.lagging))
        noise = [ch.sensor.noise for ch in channels]
        self.gyro_psd = np.array([s.gyro_radps_rthz**2 for s in noise])
        self.accel_psd = np.array([s.accel_mps2_rthz**2 for s in noise])
        stated = [ch.sensor.latency_sigma_s for ch in channels]
        self.latency_sigma = np.array([options.latency_sigma_s if s is None else s for s in stated])
        self.i = np.arange(n)
        self.v = self.at.velocity.start + np.arange(3 * n).reshape(n, 3)

    @property
    def span(self) -> float:
        """Length of a block, s."""
        return self.epochs * self.options.epoch_s

    def to_middle(self) -> Array:
        """(K, K) s: a row of rates of each epoch times this is what has turned by the middle of each."""
        K = self.epochs
        return np.asarray(self.options.epoch_s * (np.triu(np.ones((K, K))) - 0.5 * np.eye(K)))


def blocks(matrix: Array, height: int, width: int) -> Array:
    """The diagonal blocks of `matrix` (N·height, N·width) as a writable view, (N, height, width)."""
    n = matrix.shape[0] // height
    return np.asarray(np.einsum("iaib->iab", matrix.reshape(n, height, n, width)))


def crossing() -> Array:
    """(3, 9): v @ crossing() is [v]×, row by row."""
    basis = np.zeros((3, 3, 3))
    basis[0, 2, 1] = basis[1, 0, 2] = basis[2, 1, 0] = 1.0
    basis[0, 1, 2] = basis[1, 2, 0] = basis[2, 0, 1] = -1.0
    return basis.reshape(3, 9)
