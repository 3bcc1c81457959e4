"""The compiled twins of the filter's inner parts, where they were built, and when they are used.

Most of a step's time goes into the calls of some two hundred small operations of numpy. `_kernels.c` does the
same in ten, for the usual arm: inertial units on bodies of the arm plane. What the other files say is the
reference, and does the work for all other arms, for blocks in which a sensor was silent, and where nothing
was compiled. Compiled sums are taken in another order: both agree to the last digits, not to the last bit.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from tipdatum.fusion.chain.consistency import (
    ALONE_S,
    FOUND_S,
    FOUND_WIDER,
    LEAST_BLOCKS,
    LEAST_SHARE,
    ODD_RADPS,
    ODD_SHARE,
    SLOW_MPS2,
    TOGETHER,
    UNSEEN,
    WINDOWS,
    Consistency,
    Look,
)
from tipdatum.fusion.chain.constants import WARM_S
from tipdatum.fusion.chain.integration import EpochBlock, SideStart, Strapdown, scattered
from tipdatum.fusion.chain.levers import LeverArms, Levers
from tipdatum.fusion.chain.measurement import Expected, MeasurementModel, ToldSwing, VelocityRows
from tipdatum.fusion.chain.model import FilterSetup
from tipdatum.fusion.chain.motion import (
    BlockMotion,
    EpochMotion,
    MeanMotion,
    RateJacobians,
    RateModel,
    SensorCorrection,
)
from tipdatum.fusion.chain.noise import (
    HAMMERED_MPS2,
    RECTIFIED,
    RECTIFIED_S,
    WARM_UP_S,
    AddedNoise,
    Persistence,
    ProcessNoise,
    Vibration,
)
from tipdatum.fusion.chain.rows import GyroRows, Measurement
from tipdatum.fusion.chain.samples import SampleBuffer
from tipdatum.fusion.chain.transition import Advance, TransitionModel
from tipdatum.fusion.chain.update import InnovationCovariance, UpdateModel
from tipdatum.kinematics.frames import Array

PURE = "TIPDATUM_PURE"
"""Environment variable that leaves compiled code aside where it is set to anything but nothing or 0."""
MOST_SENSORS, MOST_EPOCHS = 16, 32
"""What the compiled code has room for."""


SOURCES = sorted(Path(__file__).parent.glob("_kernels.c")) + sorted(Path(__file__).parent.glob("kernels/*.h"))
"""What the kernels are compiled from; none in a wheel."""


def _built() -> tuple[Any, bool]:
    """The compiled module or None, and whether one is left aside as its source has changed since."""
    if os.environ.get(PURE, "0") not in ("", "0"):
        return None, False
    try:
        from tipdatum.fusion.chain import _kernels
    except ImportError:
        return None, False
    # A checkout that was changed and not installed again: what is compiled would be of another source.
    made = Path(_kernels.__file__).stat().st_mtime
    older = any(source.stat().st_mtime > made for source in SOURCES)
    return (None, True) if older else (_kernels, False)


built, outdated = _built()
"""The compiled module, None where there is none; and whether it is left aside, being of an older source."""
_NO_SIDES: Array = np.zeros(0)


class Models(NamedTuple):
    """Which models a filter steps with."""

    rates: type[RateModel]
    transition: type[TransitionModel]
    measurement: type[MeasurementModel]
    update: type[UpdateModel]
    noise: type[ProcessNoise]


def models_for(setup: FilterSetup, epochs: int) -> Models:
    """Compiled ones where they are built and serve such an arm, else the reference."""
    if built is None or not setup.usual or setup.n > MOST_SENSORS or epochs > MOST_EPOCHS:
        return Models(RateModel, TransitionModel, MeasurementModel, UpdateModel, ProcessNoise)
    return Models(CompiledRates, CompiledTransition, CompiledMeasurement, CompiledUpdate, CompiledNoise)


@cache
def strapdown(epochs: int, epoch_s: float) -> Strapdown:
    """The one that makes blocks of so many epochs."""
    kind = Strapdown if built is None or epochs > MOST_EPOCHS else CompiledStrapdown
    return kind(epochs, epoch_s)


def correction_for(setup: FilterSetup) -> type[SensorCorrection]:
    """The way from what the sensors of such an arm give to body axes."""
    return SensorCorrection if built is None or not setup.usual else CompiledCorrection


def consistency_of(sensors: int) -> Consistency:
    """That of so many sensors."""
    return (Consistency if built is None or sensors > MOST_SENSORS else CompiledConsistency)(sensors)


class CompiledStrapdown(Strapdown):
    """See `Strapdown`."""

    def block(
        self,
        samples: list[SampleBuffer],
        active: Array,
        start: float,
        turn: Array,
        offset: Array,
        sides: Sequence[SideStart] = (),
    ) -> EpochBlock:
        """See `Strapdown.block`."""
        if sides:
            return super().block(samples, active, start, turn, offset, sides)
        used = np.flatnonzero(active).tolist()
        of_all = len(used) == len(samples)
        force, force_y, moment, moment_y, rate, rate_y, of_force, of_rate, shake, gaps, raw, done = (
            built.block(
                [samples[i].rows() for i in used],
                start,
                self._epochs,
                self._length,
                turn if of_all else turn[used],
                offset if of_all else offset[used],
            )
        )
        step, missed = self._used_up(samples, used, done, gaps.tolist())
        found = EpochBlock(
            force, force_y, moment, moment_y, rate, rate_y, of_force, of_rate,
            shake, step, missed, raw, active,
        )  # fmt: skip
        return found if of_all else scattered(found, len(samples), used)


class CompiledRates(RateModel):
    """See `RateModel`."""

    def motion(
        self, x: Array, block: EpochBlock, plane_rate_before: float, told_rate: float = 0.0
    ) -> BlockMotion:
        """See `RateModel.motion`."""
        q = self._setup
        if not block.active.all():
            return super().motion(x, block, plane_rate_before, told_rate)
        (
            thetas, turn, rolls, tangent, rates,
            theta, mean, body_rate, roll_rate, plane_rate, to_plane, roll, tangent_of_it,
            state, gyros, constants, own, theta_end, roll_end,
        ) = built.motion(
            x, block.rate, block.rate_y, block.rate_slope, self._even, q.warmth.of, q.options.epoch_s,
            plane_rate_before,
        )  # fmt: skip
        return BlockMotion(
            True,
            q.has_gyro,
            theta_end,
            roll_end,
            _NO_SIDES,
            EpochMotion(thetas, turn, rolls, tangent, rates, _NO_SIDES.reshape(0, len(rolls))),
            MeanMotion(
                theta, roll, tangent_of_it, mean, _NO_SIDES, body_rate, roll_rate, plane_rate, to_plane
            ),
            RateJacobians(state, gyros, constants, own),
        )


class CompiledTransition(TransitionModel):
    """See `TransitionModel`."""

    def forward(
        self, x: Array, P: Array, motion: BlockMotion, block: EpochBlock, acceleration: Array
    ) -> Advance:
        """See `TransitionModel.forward`."""
        if not motion.whole:
            return super().forward(x, P, motion, block, acceleration)
        q, e, m, F = self._setup, motion.epochs, motion.mean, self._fixed.copy()
        mean = built.forward(
            x,
            F,
            (e.turn, e.roll, e.tangent, e.rates),
            (m.to_plane, m.rates, m.roll, m.tangent, motion.theta_end, motion.roll_end),
            motion.by.state,
            (block.force, block.force_y, block.moment, block.moment_y, block.force_slope),
            acceleration,
            q.warmth.of,
            q.options.epoch_s,
            q.gravity,
            q.on_upper,
        )
        built.carry(P, F)
        return Advance(F, mean)


class CompiledVelocities(VelocityRows):
    """See `VelocityRows`: what the compiled comparison needs of it."""

    def expected(self, x: Array, motion: BlockMotion, before: Array | None) -> Expected:
        """See `MeasurementModel.foresee`."""
        if not motion.whole:
            return super().expected(x, motion, before)
        q, e, levers = self._setup, motion.epochs, self._levers
        mean, last, change, ways, y = built.foresee(
            x, levers.in_plane, levers.bodies, levers.across, levers.follow, levers.offset,
            (e.theta, e.turn, e.tangent, e.rates), before, q.options.epoch_s, q.on_upper,
        )  # fmt: skip
        return Expected(
            mean, last, change, LeverArms(ways, y, levers.follow, levers.offset, levers.direct, [])
        )

    def compare(
        self, x: Array, block: EpochBlock, motion: BlockMotion, to: Expected, advance: Advance, gyros: Array
    ) -> Measurement:
        """All rows of a block; `gyros`: noise of the differences between them."""
        q, m = self._setup, motion.mean
        of_times = [q.options.latency_floor_s**2 + channel.jitter_variance for channel in q.channels]
        z, H, R = built.measure(
            x, advance.F, to.levers[:4], (to.mean, to.change), advance.mean,
            (m.theta, m.rates, m.body_rate, m.to_plane, m.roll_rate, m.plane_rate, m.tangent,
             motion.by.state, motion.by.gyros, motion.by.constants),
            block.missed, (self._rate_variance, of_times, float(self._link_share[0, 0]), self._floor, gyros),
            self._span, q.options.learn_from_geometry, q.on_upper,
        )  # fmt: skip
        return Measurement(z, H, R)


class CompiledMeasurement(MeasurementModel):
    """See `MeasurementModel`."""

    def __init__(self, setup: FilterSetup, levers: Levers, epochs: int) -> None:
        super().__init__(setup, levers, epochs)
        self._velocities: CompiledVelocities = CompiledVelocities(setup, levers, epochs)
        self._gyros: GyroRows

    def measure(
        self,
        x: Array,
        block: EpochBlock,
        motion: BlockMotion,
        expected: Expected,
        advance: Advance,
        swing: ToldSwing | None = None,
        closes: bool = True,
    ) -> Measurement:
        """See `MeasurementModel.measure`."""
        if not motion.whole:
            return super().measure(x, block, motion, expected, advance, swing, closes)
        return self._velocities.compare(x, block, motion, expected, advance, self._gyros.noise)


class CompiledUpdate(UpdateModel):
    """See `UpdateModel`."""

    def covariance(self, P: Array, measured: Measurement, noise: Array) -> InnovationCovariance:
        """See `UpdateModel.covariance`."""
        return InnovationCovariance(*built.innovate(P, measured.H, measured.R, measured.z, noise))

    def take(self, x: Array, P: Array, measured: Measurement, known: InnovationCovariance) -> None:
        """See `UpdateModel.take`; uses `known` up."""
        if not built.gain(x, P, known.with_state, known.own, measured.z):
            super().take(x, P, measured, known)


class CompiledNoise(ProcessNoise):
    """See `ProcessNoise`."""

    def add(
        self,
        P: Array,
        block: EpochBlock,
        motion: BlockMotion,
        persistence: Persistence,
        age: float,
        pushed: float = 0.0,
    ) -> AddedNoise:
        """See `ProcessNoise.add`."""
        if not motion.whole:
            return super().add(P, block, motion, persistence, age, pushed)
        q, o, noise = self._setup, self._setup.options, self._fixed.copy()
        self._of_base(noise, motion.mean, pushed)
        velocity, quick, slow, struck = built.add_noise(
            P, noise,
            (block.shake, block.step, block.missed, block.force_slope, block.rate_slope),
            (persistence.of_late, persistence.at_rest),
            (q.accel_psd, [ch.gap_density for ch in q.channels], [ch.jitter_variance for ch in q.channels],
             self._warming),
            (o.adaptation, o.folded_share, o.shake_share, HAMMERED_MPS2, RECTIFIED, RECTIFIED_S),
            self._span, 1.0 + math.exp(-age / WARM_UP_S), math.exp(-age / WARM_S),
        )  # fmt: skip
        return AddedNoise(velocity, Vibration(quick, slow), struck)


class CompiledCorrection(SensorCorrection):
    """See `SensorCorrection`."""

    def renew(self, setup: FilterSetup, x: Array) -> None:
        """See `SensorCorrection.renew`."""
        self.turn, self.offset = built.free_constants(x, setup.warmth.of, self._turn, self._offset)


class CompiledConsistency(Consistency):
    """See `Consistency`."""

    _RULES = (
        ALONE_S, float(LEAST_BLOCKS), LEAST_SHARE, HAMMERED_MPS2, SLOW_MPS2, UNSEEN, TOGETHER, FOUND_S,
        FOUND_WIDER,
    )  # fmt: skip
    _WINDOWS = np.array(WINDOWS)

    def _apart(self, look: Look) -> Array:
        found: Array = built.apart(
            look.roll, look.plane, look.gyro, look.rate, UNSEEN * look.unseen_rate, (ODD_RADPS, ODD_SHARE)
        )
        return found

    def _compare(self, t: float) -> tuple[Array, Array, Array | None]:
        found: tuple[Array, Array, Array | None] = built.compare(
            self._t, self._span, self._unknown, self._shake, self._unseen, self._carried, self._odd,
            t, self._from, self._found, self._moved, self._RULES, self._WINDOWS,
        )  # fmt: skip
        return found
