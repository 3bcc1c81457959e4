"""The chain filter's process noise, and how it adapts to what shakes the sensors.

The model is written out in `docs/estimator.md`, section "Noise that adapts".
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from tipdatum.fusion.chain.constants import (
    ACCEL_BIAS,
    ACCEL_SCALE,
    ACCEL_SKEW,
    GYRO_BIAS,
    GYRO_CROSS,
    GYRO_SCALE,
    LATENCY,
    LEVER,
    MOUNT,
    PER_SENSOR,
    WARM_K,
    WARM_S,
)
from tipdatum.fusion.chain.integration import EpochBlock
from tipdatum.fusion.chain.model import FilterSetup, diagonal
from tipdatum.fusion.chain.motion import BlockMotion, MeanMotion
from tipdatum.kinematics.frames import Array

WARM_UP_S = 120.0
"""Time in which a gyro that has just been switched on comes to its temperature, s: at first it walks twice as
fast. Sensors and service usually get their power by the same key."""
WARMING_UNEVEN = 0.2
"""By how much, as a share of its whole change, a warming part's bias leaves the curve that it is taken to
follow: a part is warm in 120 to 300 s, not in `WARM_S`, and two curves of these times differ by so much."""
HAMMERED_MPS2 = 5.0
"""Spread of the force within an epoch, m/s², up to which it is vibration as engines make (0.3 g RMS). Above
it the part is struck: peaks beyond its range are cut off before its low-pass, and leave a false mean."""
RECTIFIED, RECTIFIED_S = 0.35, 1.0
"""That mean as a share of the spread above it, 1 (pulses of 10 g cut off at 4 g leave 2.5 m/s² of 12), and
how long it lasts with one sign, s."""
UPPER_TURNS = 0.3
"""How restless an upper is beside a link, 1: it rocks by 0.1 rad/s at about 1 Hz."""
SILENT_RADPS = 0.5
"""1-sigma of the rate of a body whose sensor is silent, rad/s: as fast as an arm can turn."""
UNTOLD_SIDE = 0.12
"""Walk of a swing or tilt that no gyro tells, rad/√s: it turns by up to 0.3 rad/s, for a fifth of a second in
one direction."""
ADAPTATION_S = 2.0
"""Time over which the persistence of the innovations is averaged, s."""
REST_TO_SETTLE_S = 1.5
"""Time at rest, s, until innovations no longer show how the filter started."""
FOLDED_S = 10.0
"""Time at rest over which the persistence of innovations is averaged, s; kept while the arm works."""

TRAVELS_MPS2 = 0.15
"""Acceleration that all sensors have in common, m/s², from which it is the machine's own: folded vibration
and what links do have 0.1, a machine that starts or brakes on its tracks 0.3 and more."""
ALIKE = 3
"""Sensors that it takes to call something common."""


def struck_by(shake: Array) -> Array:
    """(N,) m/s², spread of the force beyond what is vibration, of its variance `shake` within an epoch."""
    return np.maximum(np.sqrt(shake) - HAMMERED_MPS2, 0.0)


def carried_velocity(setup: FilterSetup, P: Array, innovation: Array, block: EpochBlock) -> Array | None:
    """The velocity by which all sensors alike are carried along: of a machine that travels, jolts or rocks.

    What the tilt of all of them together may still be wrong by is left to the angles.

    Args:
        P: (n, n). innovation: (N, 3) m/s, of the velocities.

    Returns:
        (3,) m/s, plane axes; None where there is nothing of the kind.
    """
    told, span = innovation[block.active], setup.options.epoch_s * block.force.shape[1]
    if len(told) < ALIKE or float(np.abs(told[0]).max()) < TRAVELS_MPS2 * span:
        return None
    least, most = told.min(axis=0), told.max(axis=0)
    common = np.maximum(least, 0.0) + np.minimum(most, 0.0)
    of_angles, of_roll = P.diagonal()[: setup.n], float(P[setup.at.roll, setup.at.roll])
    tilt = 3.0 * setup.gravity * np.sqrt([float(of_angles.min()), of_roll, 0.0])
    common[np.abs(common) < (TRAVELS_MPS2 + tilt) * span] = 0.0
    return common if common.any() else None


class Vibration(NamedTuple):
    """Shares in the accelerometers' noise, 1, mean over the sensors: what shakes them within an epoch, and
    what goes on from block to block, such as vibration folded down by sampling."""

    quick: float
    slow: float


class AddedNoise(NamedTuple):
    """What a block has added.

    Attributes:
        velocity: (3N,) (m/s)², by the accelerometers' noise, to the velocities at the block's end.
        vibration: how much of that noise is vibration.
        struck: numbers of the sensors that were struck, so that their forces are little relied on.
    """

    velocity: Array
    vibration: Vibration
    struck: list[int]


class Persistence:
    """What repeats in the innovations from block to block: white ones do not, accelerations that the model
    does not know do.

    Attributes:
        of_late: (N,) (m/s)², mean product of successive innovations.
        at_rest: the same over the last times of rest, in which nothing moves that the model may not know:
            vibration folded down by sampling.
    """

    def __init__(self, n: int) -> None:
        self.of_late, self.at_rest = [0.0] * n, [0.0] * n
        self._last = [[0.0, 0.0, 0.0] for _ in range(n)]
        self._rested = 0.0

    def note(self, innovation: Array, span: float, resting: bool) -> None:
        """Take notice of a block of `span` s and the innovation of its velocities, (N, 3) m/s."""
        share = span / ADAPTATION_S
        now: list[list[float]] = innovation.tolist()
        both = zip(now, self._last, strict=True)
        repeats = [(1.0 / 3.0) * (x * u + y * v + z * w) for (x, y, z), (u, v, w) in both]
        each = zip(self.of_late, repeats, strict=True)
        self.of_late = [(1.0 - share) * was + share * one for was, one in each]
        self._last = now
        if not resting:
            return
        self._rested += span
        settled = self._rested - REST_TO_SETTLE_S
        if settled > 0.0:
            weight = max(span / FOLDED_S, min(1.0, span / settled))
            rested = zip(self.at_rest, repeats, strict=True)
            self.at_rest = [was + weight * (one - was) for was, one in rested]

    def lengthen(self, ratio: float) -> None:
        """Blocks get longer by `ratio`: innovations of a wandering acceleration grow with its root."""
        self.of_late = [ratio * one for one in self.of_late]
        self.at_rest = [ratio * one for one in self.at_rest]
        root = math.sqrt(ratio)
        self._last = [[root * one for one in velocity] for velocity in self._last]


class ProcessNoise:
    """That of a block of `epochs` epochs."""

    def __init__(self, setup: FilterSetup, epochs: int) -> None:
        n, at, o = setup.n, setup.at, setup.options
        self._setup = setup
        self._span = span = epochs * o.epoch_s
        self._base_renewed = 1.0 - math.exp(-span / o.base_time_s) ** 2
        walk = np.zeros((n, PER_SENSOR))
        walk[:, GYRO_BIAS] = o.gyro_walk**2 * span
        walk[:, ACCEL_BIAS] = o.accel_walk**2 * span
        for steady in (GYRO_SCALE, GYRO_CROSS, MOUNT, ACCEL_SCALE, ACCEL_SKEW):
            walk[:, steady] = o.constant_walk**2 * span
        walk[:, LATENCY] = (o.constant_walk * o.latency_sigma_s) ** 2 * span
        walk[:, LEVER] = (o.constant_walk * o.lever_sigma_m) ** 2 * span
        kinds = [ch.sensor.noise for ch in setup.channels]
        per_kelvin = np.array([(s.gyro_per_kelvin_radps, s.accel_per_kelvin_mps2) for s in kinds])
        self._warming = (WARMING_UNEVEN * WARM_K * per_kelvin) ** 2 * span / WARM_S
        # What no block changes, of the diagonal.
        self._fixed = np.zeros(at.size)
        self._fixed[at.theta] = setup.gyro_psd * span
        self._fixed[at.roll] = float(setup.gyro_psd.mean()) * span / n
        for k, side in enumerate(setup.sides, at.side.start):
            told = side.sensor is not None and bool(setup.has_gyro[side.sensor])
            mean = float(setup.gyro_psd.mean()) / max(1, len(setup.plain))
            psd = float(setup.gyro_psd[side.sensor]) + mean if told else UNTOLD_SIDE**2
            self._fixed[k] = psd * span
        self._fixed[at.pivot] = o.pivot_walk**2 * span if setup.on_upper else 0.0
        turn_walk = [
            o.turn_walk * (UPPER_TURNS if setup.on_upper and i == 0 else 1.0) for i in setup.gyroless
        ]
        self._fixed[at.turn] = np.array(turn_walk) ** 2 * span
        self._fixed[at.common] = (0.5 * o.turn_walk) ** 2 * span
        self._fixed[at.lagged] = 1e-10
        self._fixed[at.constants] = walk.ravel()

    def add(
        self,
        P: Array,
        block: EpochBlock,
        motion: BlockMotion,
        persistence: Persistence,
        age: float,
        pushed: float = 0.0,
    ) -> AddedNoise:
        """Add it to `P` (n, n), `age` s after the filter started.

        Args:
            pushed: m/s², mean acceleration of the sensors as the chain tells it.
        """
        q, m = self._setup, motion.mean
        at, T = q.at, self._span
        struck = struck_by(block.shake)
        accel, vibration = self._accel(block, persistence, struck)
        accel = self._of_times(P, accel, block)
        if not motion.whole:
            accel = np.where(block.active, accel, 1.0 / T)
            silent = np.where(block.active | ~q.has_gyro, 0.0, (SILENT_RADPS * T) ** 2)
            P[q.i, q.i] += silent
            for k, side in enumerate(q.sides, at.side.start):
                P[k, k] += 0.0 if side.sensor is None else silent[side.sensor]
        noise = self._fixed.copy()
        noise[at.velocity] = velocity = (accel * T).repeat(3)
        warm = 1.0 + math.exp(-age / WARM_UP_S)
        constants, warming = noise[at.constants].reshape(q.n, PER_SENSOR), math.exp(-age / WARM_S)
        constants[:, GYRO_BIAS] *= warm * warm
        constants[:, GYRO_BIAS] += warming * self._warming[:, :1]
        constants[:, ACCEL_BIAS] += warming * self._warming[:, 1:]
        self._of_base(noise, m, pushed)
        of_P = diagonal(P)
        of_P += noise
        return AddedNoise(velocity=velocity, vibration=vibration, struck=np.flatnonzero(struck).tolist())

    def _of_base(self, noise: Array, m: MeanMotion, pushed: float) -> None:
        """Complete `noise` (n,) by what moves the slew centre; arguments as in `add`."""
        q, at, o, rates = self._setup, self._setup.at, self._setup.options, m.rates.tolist()
        if q.on_upper:
            rocking, share = math.hypot(rates[0], rates[2]), o.base_share_m
        else:
            rocking, share = max(map(abs, rates[2 : 2 + q.n])), 1.0
        lifted = (o.base_floor_mps**2 + (share * rocking) ** 2) * self._base_renewed
        # Along the ground: how it is lifted is for rocking and pivot to tell.
        swayed = lifted + (o.base_sway_s * pushed) ** 2 * self._base_renewed
        noise[at.base] = swayed, swayed, lifted

    def _accel(self, block: EpochBlock, persistence: Persistence, struck: Array) -> tuple[Array, Vibration]:
        """(N,) (m/s²)²/Hz, white noise that stands for what the accelerometers show beside the motion.

        Args:
            struck: (N,) m/s², spread of the force beyond what is vibration.
        """
        q, o, T = self._setup, self._setup.options, self._span
        slow = np.maximum(persistence.of_late, 0.0)
        slow *= o.adaptation / T
        slow += (o.folded_share / T) * np.maximum(persistence.at_rest, 0.0)
        shaken = (o.shake_share**2 / 3.0) * block.shake * block.step
        # What is told from the samples themselves is no worst case.
        other = q.accel_psd + block.missed[:, 0]
        gaps = [ch.gap_density for ch in q.channels]
        if any(gaps):
            other += np.array(gaps) * block.shake
        other += slow
        other += (RECTIFIED * struck) ** 2 * RECTIFIED_S
        total = shaken + other
        even = np.full(q.n, 1.0 / q.n)
        return total, Vibration(quick=float((shaken / total).dot(even)), slow=float((slow / total).dot(even)))

    def _of_times(self, P: Array, accel: Array, block: EpochBlock) -> Array:
        """Add what jittering times and slow sensors cost the angles to `P`; `accel` with their share."""
        q, T = self._setup, self._span
        jitters = [ch.jitter_variance for ch in q.channels]
        if any(jitters):
            # A sample taken at another time than it says is wrong by what has changed since.
            jitter = np.array(jitters) * block.step
            accel = accel + jitter * (block.force_slope * block.force_slope).mean(axis=1)
            P[q.i, q.i] += T * jitter * block.rate_slope[:, 1] ** 2
        missed = block.missed[:, 1]
        if missed.any():
            P[q.i, q.i] += T * missed
            P[q.at.roll, q.at.roll] += (T / q.n) * float(missed.mean())
        return accel
