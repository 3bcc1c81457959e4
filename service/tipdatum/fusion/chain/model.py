"""What the parts of the chain filter share: the layout of its state, and its sensors.

**State**, for N sensors in the order upper, boom, stick, bucket (or rocker), those that the machine has:

========== ======== ============================================================================
part       size     meaning
========== ======== ============================================================================
theta      N        rad, elevation angle of the sensor's body
roll       1        rad, of the arm plane
side       M        rad, of each part that turns beside the arm plane; see `tipdatum.fusion.chain.sides`
velocity   3N       m/s, what the sensor's accelerometer integrates to (plane axes)
base       3        m/s, velocity of the slew centre that the pivot does not explain (plane axes)
pivot      2        m, x and y from the slew centre of the point about which the machine rocks
turn       gyroless rad/s, θ̇ of a body whose sensor has no gyro
common     0 or 2   rad/s, roll rate and plane rate where no sensor has a gyro
lagged     lagging  rad, θ as an inclinometer with a time constant shows it
zero       0 or 1   rad, by so much more than the swing what tells it shows: an encoder, or "held there"
slack      0 or 1   rad, by so much more than the linkage says the bucket is raised; see `chain.closure`
constants  34N      per sensor, what is wrong with it; see `tipdatum.fusion.chain.constants`
anchor     1        m, tip height at the reference moment
========== ======== ============================================================================

All before the constants change with time (`dynamic` of them).

The matrices are small, so that the number of calls costs, not the arithmetic: parts of a matrix that change
are kept as views and written in one go, and what depends linearly on three rates is one product.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tipdatum.fusion.arm import SensedArm
from tipdatum.fusion.chain.closure import ClosedLinkage
from tipdatum.fusion.chain.constants import PER_SENSOR, Warmth
from tipdatum.fusion.chain.sides import side_parts
from tipdatum.fusion.chain.tuning import ChainOptions
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array


@dataclass(frozen=True, slots=True)
class Layout:
    """Places in the state vector; see the module's text."""

    theta: slice
    roll: int
    side: slice
    velocity: slice
    base: slice
    pivot: slice
    turn: slice
    common: slice
    lagged: slice
    zero: slice
    slack: slice
    dynamic: int
    constants: slice
    anchor: int
    size: int

    @property
    def angles(self) -> slice:
        """θ_1 … θ_N, roll and sides: what a pose is made of."""
        return slice(0, self.side.stop)


def layout(
    sensors: int,
    gyroless: int,
    lagging: int,
    sides: int = 0,
    blind: bool | None = None,
    zero: bool = False,
    slack: bool = False,
) -> Layout:
    """The layout for so many sensors, of which so many have no gyro or an internal lag.

    Args:
        sides: parts that turn beside the arm plane.
        blind: whether no gyro tells how the plane turns; None: where there is none at all.
        zero: whether something tells the boom's swing.
        slack: whether a linkage confirms the bucket's angle.
    """
    at = 0

    def take(width: int) -> slice:
        nonlocal at
        at += width
        return slice(at - width, at)

    theta, roll, side, velocity = take(sensors), take(1).start, take(sides), take(3 * sensors)
    base, pivot = take(3), take(2)
    blind = gyroless == sensors if blind is None else blind
    turn, common, lagged, shown = take(gyroless), take(2 * blind), take(lagging), take(int(zero))
    loose = take(int(slack))
    dynamic = at
    constants, anchor = take(PER_SENSOR * sensors), take(1).start
    return Layout(
        theta,
        roll,
        side,
        velocity,
        base,
        pivot,
        turn,
        common,
        lagged,
        shown,
        loose,
        dynamic,
        constants,
        anchor,
        at,
    )


UNKNOWN = 1e6
"""Variance given to a row that has no measurement in a block."""


class FilterSetup:
    """Sensors of one arm as the filter sees them.

    Attributes:
        n: number of sensors, N.
        at: the state's layout.
        has_gyro, is_tilt: (N,) bool.
        gyroless, lagging: sensors without a gyro, inclinometers with a time constant.
        on_upper: whether the first sensor sits on the upper.
        gyro_psd, accel_psd: (N,) white noise, (rad/s)²/Hz and (m/s²)²/Hz.
        latency_sigma: (N,) s.
        sides: parts that turn beside the arm plane, M of them; see `tipdatum.fusion.chain.sides`.
        plain: numbers of the sensors that sit on bodies of the arm plane. tells_plane: (N,) bool, those of
            them with a gyro.
        told: where something tells the boom's swing, its place among the sides; else None.
        closure: where a linkage confirms the bucket's angle; else None.
        i: (N,) numbers of the sensors.
        v: (N, 3) places of each sensor's velocity in the state.
        warmth: of the sensors; the one thing here that goes on.
    """

    def __init__(
        self, arm: SensedArm, channels: list[Channel], has_gyro: list[bool], options: ChainOptions
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
        self.on_upper = bool(channels) and channels[0].sensor.body == "upper"
        self.sides = side_parts(arm, channels)
        turned = [side.sensor for side in self.sides if side.sensor is not None]
        self.plain = np.array([i for i in range(n) if i not in turned], dtype=int)
        self.tells_plane = self.has_gyro.copy()
        self.tells_plane[turned] = False
        self.told = next((k for k, one in enumerate(self.sides) if arm.tells_side(one.joint)), None)
        self.closure = ClosedLinkage.of(arm, channels)
        self.at: Layout = layout(
            n,
            len(self.gyroless),
            len(self.lagging),
            len(self.sides),
            not self.tells_plane.any(),
            self.told is not None,
            self.closure is not None,
        )
        noise = [ch.sensor.noise for ch in channels]
        self.gyro_psd = np.array([s.gyro_radps_rthz**2 for s in noise])
        self.accel_psd = np.array([s.accel_mps2_rthz**2 for s in noise])
        stated = [ch.sensor.latency_sigma_s for ch in channels]
        self.latency_sigma = np.array([options.latency_sigma_s if s is None else s for s in stated])
        self.warmth = Warmth(n)
        self.i = np.arange(n)
        self.v = self.at.velocity.start + np.arange(3 * n).reshape(n, 3)

    @property
    def usual(self) -> bool:
        """Whether the arm is the usual one: inertial units alone, all on bodies of the plane, one anchor."""
        beside = self.sides or self.gyroless or self.closure is not None
        return self.n > 0 and not beside and not self.is_tilt.any() and self.at.size == self.at.anchor + 1

    @property
    def settling_angles(self) -> list[int]:
        """Places of the angles without which no elevation is known: neither a swing's nor a witness's."""
        spare = None if self.closure is None else self.closure.sensors[1]
        sides = enumerate(self.sides, self.at.side.start)
        turned = [place for place, side in sides if side.joint != "boom_swing"]
        return [*(i for i in range(self.n + 1) if i != spare), *turned]

    def side_has_gyro(self, k: int) -> bool:
        """Whether a gyro tells how a side part turns: without one nothing contradicts who tells its angle."""
        sensor = self.sides[k].sensor
        return sensor is not None and bool(self.has_gyro[sensor])

    def in_parts(self, alpha: Array, *vectors: Array) -> tuple[Array, ...]:
        """Vectors (N, 3) in axes of the bodies, those of sensors on side parts turned into these; α (M,)."""
        if not self.sides:
            return vectors
        found = []
        for one in vectors:
            turned = one.copy()
            for side, angle in zip(self.sides, alpha.tolist(), strict=True):
                if side.sensor is not None:
                    turned[side.sensor] = one[side.sensor] @ side.rotation(angle)
            found.append(turned)
        return tuple(found)

    def part_rotations(self, alpha: Array) -> dict[int, Array]:
        """By number of their sensor: R of the side parts at α (M,), (3, 3)."""
        sides = zip(self.sides, alpha.tolist(), strict=True)
        return {side.sensor: side.rotation(angle) for side, angle in sides if side.sensor is not None}

    def from_parts(self, alpha: Array, matrices: Array) -> None:
        """Turn columns of `matrices` (N, 3, any), in axes of the parts, back into the bodies'."""
        for side, angle in zip(self.sides, alpha.tolist(), strict=True):
            if side.sensor is not None:
                matrices[side.sensor] = side.rotation(angle) @ matrices[side.sensor]


def diagonal(matrix: Array, first: int = 0) -> Array:
    """The entries (k, `first` + k) of a contiguous `matrix` as a writable view."""
    return matrix.reshape(-1)[first :: matrix.shape[1] + 1]
