"""Angles out of forces while the arm moves: what accelerates the sensors is taken off first.

A force alone tells an angle as wrong as the acceleration of its sensor is against gravity: a brisk dig feigns
20 degrees, from which no linearised filter comes back truly. But the gyros show how the arm moves, and the
chain's lever arms say what accelerations that makes. With F the mean force of a sensor over some epochs,
turned into the arm plane by its angle θ, a = v̇ + ω × v the acceleration of its place there, by velocities
v(θ) of the chain in the first and the last of them, and g along z:

    arg(a + i g cos φ) - arg F        is what θ lacks

which is repeated, since a hangs on the angles itself: by a quarter to a half of what they lack, body after
body. Gyro biases are in v̇ not at all, and in the rest by their product with a velocity.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np

from tipdatum.fusion.chain.integration import EpochBlock
from tipdatum.fusion.chain.levers import LeverArms
from tipdatum.fusion.chain.model import FilterSetup
from tipdatum.fusion.chain.motion import BlockMotion
from tipdatum.kinematics.frames import Array

ROUNDS = 12
"""How often it is repeated: what is left is less than a hundredth of what was lacking."""


class Follows(Protocol):
    """How the rates of a block follow from a state; see `tipdatum.fusion.chain.motion.RateModel`."""

    def motion(self, x: Array, block: EpochBlock, plane_rate_before: float, /) -> BlockMotion:
        """What the block says from the state `x` (n,) at its start."""


def can_open(block: EpochBlock) -> bool:
    """Whether every sensor is in the block, and it is long enough to show an acceleration."""
    return block.force.shape[1] > 1 and bool(block.active.all())


def open_angles(
    setup: FilterSetup,
    x: Array,
    block: EpochBlock,
    follows: Follows,
    levers: LeverArms,
    found: list[int],
    with_roll: bool,
) -> None:
    """Correct the angles of the sensors `found` in the state `x` (n,), and their velocities.

    Args:
        with_roll: whether roll is found as well: of all sensors, as many as there are.
    """
    at, epochs = setup.at, block.force.shape[1]
    between = setup.options.epoch_s * (epochs - 1)
    share = np.full(epochs, 1.0 / (epochs - 1))
    share[[0, -1]] *= 0.5
    before = 0.0
    for _ in range(ROUNDS):
        e = follows.motion(x, block, before).epochs
        h, y = levers.velocities(e.theta, e.tangent, e.rates, e.alpha)
        roll_rate, plane_rate = (float(rate.dot(share)) for rate in e.rates[:2])
        spin, mean_h, mean_y = plane_rate * float(e.tangent.dot(share)), h.dot(share), y.dot(share)
        in_plane = (h[:, -1] - h[:, 0]) / between - 1j * spin * mean_h
        in_plane += mean_y * complex(-plane_rate, roll_rate)
        across = (y[:, -1] - y[:, 0]) / between + plane_rate * mean_h.real - roll_rate * mean_h.imag
        upward = in_plane + 1j * setup.gravity * float(np.cos(e.roll).dot(share))
        lacking = np.angle(upward / (block.force * e.turn).dot(share))
        x[found] += lacking[found]
        if with_roll:
            leans = np.clip((block.force_y.dot(share) - across) / setup.gravity, -1.0, 1.0)
            x[at.roll] = float(np.arcsin(leans).mean()) - roll_rate * 0.5 * setup.options.epoch_s * epochs
        before = float(e.rates[1, 0])
    velocities = np.stack([h[:, 0].real, y[:, 0], h[:, 0].imag], axis=1)
    x[setup.v[found]] = velocities[found]
