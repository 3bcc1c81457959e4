"""The chain filter: one extended Kalman filter over the whole arm, one step a block of epochs.

The model, with its symbols, frames and Jacobians, is written out in `docs/estimator.md`. In short: each
accelerometer, turned into the axes of the arm plane and freed of gravity, is integrated to a velocity; the
gyros and the chain's lever arms say what that velocity ought to be; the difference is what the filter
learns from. In velocities, instead of accelerations, nothing has to be differentiated, and vibration and
shocks, which leave little velocity behind, weigh little.

Here stand state, covariance and the order of a step; `motion`, `transition`, `noise` and `measurement` hold
its parts, `beginning` how angles are found.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterable
from typing import Final, NamedTuple

import numpy as np

from tipdatum.fusion.arm import SensedArm
from tipdatum.fusion.chain.beginning import Beginning, told_swing_of, zero_sigma
from tipdatum.fusion.chain.compiled import models_for
from tipdatum.fusion.chain.constants import LATENCY, LEVER, MOUNT, OF_GYRO, PER_SENSOR
from tipdatum.fusion.chain.heave import Footing, pivot_prior
from tipdatum.fusion.chain.integration import EpochBlock, SideStart
from tipdatum.fusion.chain.levers import Levers
from tipdatum.fusion.chain.measurement import ToldSwing
from tipdatum.fusion.chain.memory import Memory
from tipdatum.fusion.chain.model import FilterSetup
from tipdatum.fusion.chain.motion import BlockMotion
from tipdatum.fusion.chain.noise import Persistence, carried_velocity
from tipdatum.fusion.chain.opening import can_open, open_angles
from tipdatum.fusion.chain.sigma import StatedSigma
from tipdatum.fusion.chain.tuning import ChainOptions
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array

REST_RADPS: Final = 0.01
"""Fastest rate, rad/s, at which the arm counts as resting: an engine at idle shakes gyros by half of it."""
STATED_EVERY_S: Final = 1.0
"""Time after which what has been learnt is compared with the priors anew, s."""
LATENCY_SIGMAS: Final = 15.0
"""Bound of a latency in its 1-sigma of the start: a gyro mounted the wrong way round would be
taken for an ever later one."""

FOUND_ALIKE_S: Final = 8.0
"""Time, s, after several angles were found anew, or a start, in which they may all be wrong alike."""
TRAVELS_S: Final = 5.0
"""Time, s, in which a travel is forgotten whose end did not show."""
FASTEST_TRAVEL_MPS: Final = 1.6
"""Faster no excavator travels on tracks, m/s (common practice, no source): more is a tilt of all of them."""
MOVED_RAD: Final = 0.05
"""1-sigma of a mount, rad, of a sensor that no longer fits: as of an angle found anew from such a force."""


class BlockModels:
    """What a step works with; its constants are worked out once for each length of a block.

    Attributes:
        epochs: K. span: s, how long the block is.
    """

    def __init__(self, setup: FilterSetup, levers: Levers, epochs: int) -> None:
        self.epochs = epochs
        self.span = epochs * setup.options.epoch_s
        kinds = models_for(setup, epochs)
        self.rates = kinds.rates(setup, epochs)
        self.transition = kinds.transition(setup, epochs)
        self.noise = kinds.noise(setup, epochs)
        self.measurement = kinds.measurement(setup, levers, epochs)
        self.update = kinds.update(setup)


class Kept(NamedTuple):
    """A copy of the filter's state at `t` s."""

    t: float
    x: Array
    P: Array


class ChainFilter:
    """State, covariance and the step; knows no clock and no readings, only blocks of epochs.

    Attributes:
        x: (n,) state, places in `at`.
        P: (n, n) covariance.
        rates: (2 + N + M,) rad/s, roll rate, plane rate, θ̇ of each sensor's body and α̇ of each side part over
            the last epoch.
        told_swing: what tells the boom's swing in the next block; None where nothing does.
        closes: whether what the bucket linkage says is believed.
        turned: rad, what the arm plane has turned about its own z over the last block.
        share: factor on the stated sigma; see `tipdatum.fusion.chain.sigma`.
        shared_latency: 1-sigma of the latency that all sensors have in common, s.
        innovation: (N, 3) m/s, of the last block's velocities, plane axes. motion: that block's.
        fastest: rad/s, of all rates in the last block.
        struck: numbers of the sensors that were struck in the last block.
        travel: (3,) m/s, plane axes, by which all sensors alike were carried along of late.
        tied_by: (N + 1 + M,) m, ∂ of the anchor by the angles where it was cloned; 0 where it is not tied.
        footing: how the machine stands; None where its tracks are not described or no gyro is on the upper.
    """

    def __init__(
        self, arm: SensedArm, channels: list[Channel], has_gyro: list[bool], options: ChainOptions
    ) -> None:
        self.setup = q = FilterSetup(arm, channels, has_gyro, options)
        self.options, self.n, self.at = options, q.n, q.at
        self.gyroless, self.on_upper = q.gyroless, q.on_upper
        self.x = np.zeros(q.at.size)
        self.P = np.zeros((q.at.size, q.at.size))
        self.rates = np.zeros(2 + q.n + len(q.sides))
        self.told_swing: ToldSwing | None = None
        self.closes = True
        self.turned = 0.0
        self._stated = StatedSigma(q)
        self.share = 1.0
        self.shared_latency = options.latency_sigma_s
        self._since_stated = 0.0
        self._levers = Levers(arm, channels)
        self._by_length: dict[int, BlockModels] = {}
        self._models = self._models_of(1)
        self._described = np.ones(q.n * PER_SENSOR)
        self._stand(arm)
        self._told, self._zero_sigma = told_swing_of(arm.machine), zero_sigma(arm.machine)
        self._beginning = Beginning(q, self._zero_sigma)
        self._memory = Memory(q)
        self._of_upper_gyro = slice(q.at.constants.start, q.at.constants.start + OF_GYRO.stop)
        self._persistence = Persistence(q.n)
        self.innovation = np.zeros((q.n, 3))
        self.motion: BlockMotion | None = None
        self._chain_velocity: Array | None = None
        self._found_anew = False
        self._age = 0.0
        self.fastest = 0.0
        self.struck: list[int] = []
        self.travel = np.zeros(3)
        self._since_found = [0.0] * q.n
        self.tied_by = np.zeros(q.at.angles.stop)

    def _models_of(self, epochs: int) -> BlockModels:
        if epochs not in self._by_length:
            self._by_length[epochs] = BlockModels(self.setup, self._levers, epochs)
        return self._by_length[epochs]

    @property
    def epochs(self) -> int:
        """How many make a block, K."""
        return self._models.epochs

    @property
    def span(self) -> float:
        """Length of a block, s."""
        return self._models.span

    def _stand(self, arm: SensedArm) -> None:
        """Take over the tracks' description."""
        self._tracks = arm.machine.undercarriage
        self.footing: Footing | None = None
        if self._tracks is not None and self.on_upper and self.setup.has_gyro[0]:
            self.footing = Footing()

    def set_epochs(self, epochs: int) -> None:
        """Go on with so many epochs to a block."""
        if epochs != self.epochs:
            self._persistence.lengthen(epochs / self.epochs)
            self._models = self._models_of(epochs)

    def refit(self, arm: SensedArm, channels: list[Channel]) -> None:
        """Go on with changed dimensions of the same sensors."""
        warmth = self.setup.warmth
        self.setup = FilterSetup(arm, channels, self.setup.has_gyro.tolist(), self.options)
        self.setup.warmth = warmth
        self._levers = Levers(arm, channels)
        self._by_length.clear()
        self._models = self._models_of(self.epochs)
        if arm.machine.undercarriage != self._tracks:
            self._stand(arm)
        told = told_swing_of(arm.machine)
        if told != self._told:
            # What was learnt of a zero that is described anew is of another one.
            self._told, self._zero_sigma = told, zero_sigma(arm.machine)
            for place in range(self.at.zero.start, self.at.zero.stop):
                self.P[place, :] = self.P[:, place] = self.x[place] = 0.0
                self.P[place, place] = self._zero_sigma**2
        self._beginning = Beginning(self.setup, self._zero_sigma)
        self._chain_velocity = None

    # -- start -------------------------------------------------------------------------------------------

    def start(self, force: Array, rate: Array, shake: Array) -> None:
        """Begin from one epoch's mean forces and rates, (N, 3) m/s² and rad/s, in axes of side parts.

        `shake` (N,) (m/s²)² is the forces' variance.
        """
        self._described = self._beginning.begin(self.x, self.P, force, rate, shake, self.told_swing)
        if self.footing is not None and self._tracks is not None:
            self.P[self.at.pivot, self.at.pivot] = pivot_prior(self._tracks)
        self._memory.begin(self.x, self.P)
        self._stated.keep(self.P)
        self._chain_velocity = None

    def starts_of_sides(self) -> list[SideStart]:
        """How the side parts stand at the start of the next block."""
        found = []
        roll_rate, plane_rate = self.rates[:2].tolist()
        for k, side in enumerate(self.setup.sides):
            carried = 0.0
            if side.sensor is not None:
                axis = side.axis_c * cmath.exp(1j * float(self.x[side.sensor]))
                carried = roll_rate * axis.real + plane_rate * axis.imag
            found.append(SideStart(side, float(self.x[self.at.side.start + k]), carried))
        return found

    def delays(self) -> list[float]:
        """By how much, s, each sensor's samples are older than described."""
        late = self.x[self.at.constants][LATENCY::PER_SENSOR]
        bounds = (LATENCY_SIGMAS * self.setup.latency_sigma).tolist()
        within = [min(max(one, -bound), bound) for one, bound in zip(late.tolist(), bounds, strict=True)]
        late[:] = within
        return within

    def level(self, sigma: float) -> None:
        """Take mounts for levelled to `sigma` rad in the present posture; see `Beginning.level`."""
        self._beginning.level(self.x, self.P, sigma)

    def keep(self) -> None:
        """Take what is known of the constants now, after a rest, as that to which knowledge fades."""
        self._memory.keep(self.x, self.P)
        self._stated.keep(self.P)

    def anchor(self) -> tuple[float, float]:
        """The anchor, m, and its variance."""
        place = self.at.anchor
        return float(self.x[place]), float(self.P[place, place])

    def tie(self, height: float, variance: float) -> None:
        """Take `height` m for the anchor, with nothing in common with the angles; 0, 0 forgets it."""
        place = self.at.anchor
        self.P[place, :] = self.P[:, place] = 0.0
        self.x[place], self.P[place, place] = height, variance
        self.tied_by = np.zeros(self.at.angles.stop)

    def clone(self, height: float, by_angles: Array) -> None:
        """Take `height` m for the anchor, which depends on the angles by `by_angles` (N + 1 + M,)."""
        self.tie(height, 0.0)
        self.tied_by = by_angles.copy()
        place, angles = self.at.anchor, self.at.angles
        column = by_angles @ self.P[angles]
        self.P[place] = self.P[:, place] = column
        self.P[place, place] = float(by_angles @ column[angles])

    def pause(self, seconds: float) -> None:
        """Let time pass in which no sensor spoke: the machine may have rolled and slewed."""
        at, sigma = self.at, self.options.pivot_sigma_m
        self.P[at.roll, at.roll] += min(0.1 * seconds, 0.1) ** 2
        for place in range(at.pivot.start, at.pivot.stop):
            self.P[place, place] += min(sigma * seconds, sigma) ** 2 if self.on_upper else 0.0

    def kept(self, t: float) -> Kept:
        """A copy of the state at `t` s."""
        return Kept(t, self.x.copy(), self.P.copy())

    def go_back(self, kept: Kept, seconds: float, moved: Iterable[int] = ()) -> None:
        """Go on, `seconds` later, with what was known then; every angle has to be found anew.

        `moved`: numbers of sensors that may sit otherwise since, so that their mounts have to be found anew.
        """
        self.x[:], self.P[:] = kept.x, kept.P
        for i in moved:
            mount = self.at.constants.start + i * PER_SENSOR + np.arange(MOUNT.start, MOUNT.stop)
            self.P[mount, mount] += np.where(self.P[mount, mount] < MOVED_RAD**2, MOVED_RAD**2, 0.0)
            self._memory.open(mount, MOVED_RAD**2)
        self._persistence = Persistence(self.n)
        self.pause(seconds)

    def restart_sensor(self, i: int, force: Array | None, fastest: float, shake: float) -> None:
        """Take up a sensor again that was silent: its angle anew from `force` (3,), its constants kept.

        Without a force its angle stays where it is and is doubted.

        On a side part the force is in the part's axes, and its turn is found anew as well. `fastest` is the
        fastest rate of any gyro, rad/s, `shake` the variance of its force, (m/s²)²: while the arm moves or is
        struck, a force says less.
        """
        self._beginning.restart(self.x, self.P, i, force, fastest, shake, self.told_swing)
        self._found_anew = True
        self._stated.doubt()
        self._since_stated = STATED_EVERY_S
        self._since_found[i] = 0.0
        if self._chain_velocity is not None:
            self.x[self.setup.v[i]] = self._chain_velocity[i]

    @property
    def opens(self) -> bool:
        """Whether gyros tell of every body how it moves, so that angles can be found in motion."""
        return not self.setup.gyroless and not self.setup.sides

    def open(self, block: EpochBlock, found: list[int]) -> None:
        """Free angles of sensors `found`, told by forces in `block`, of what moves these sensors."""
        if found and self.opens and can_open(block):
            levers = self._levers.corrected(self.x[self.at.constants].reshape(-1, PER_SENSOR)[:, LEVER])
            rates = self._models.rates
            open_angles(self.setup, self.x, block, rates, levers, found, len(found) == self.n)

    def in_priors(self) -> list[float]:
        """Each sensor's largest constant, in sigmas of what its description lets expect."""
        off = np.abs(self.x[self.at.constants]) / self._described
        largest: list[float] = off.reshape(self.n, PER_SENSOR).max(axis=1).tolist()
        return largest

    def by_turning(self, theta: Array) -> Array:
        """(N, 3, N) m, ∂v̂/∂θ̇ of the sensors' velocities by their bodies' rates, at `theta` (N,) rad."""
        n = self.n
        arms = self._levers.corrected(self.x[self.at.constants].reshape(-1, PER_SENSOR)[:, LEVER])
        m = len(self.setup.sides)
        J = np.zeros((n, 3, 3 + 2 * n + 2 * m))
        arms.jacobian(theta, 0.0, np.zeros(2 + n + m), self.x[self.at.side], J)
        return J[:, :, 2 : 2 + n]

    # -- one block ---------------------------------------------------------------------------------------

    def step(self, block: EpochBlock) -> None:
        """Go on by one block, whose force and rate have been freed of constants; see `SensorCorrection`."""
        x, P, models, span = self.x, self.P, self._models, self.span
        told_rate = 0.0 if self.told_swing is None else self.told_swing.rate
        motion = models.rates.motion(x, block, float(self.rates[1]), told_rate)
        freed_by = None if self.footing is None else x[self._of_upper_gyro].copy()
        # Where an angle was found anew, what the velocity has changed by is no acceleration.
        before = None if self._found_anew else self._chain_velocity
        expected = models.measurement.foresee(x, motion, before)
        self._chain_velocity, self._found_anew = expected.last, False
        advance = models.transition.forward(x, P, motion, block, expected.change)
        pushed = sum([math.sqrt(a * a + b * b + c * c) for a, b, c in expected.change.tolist()]) / self.n
        added = models.noise.add(P, block, motion, self._persistence, self._age, pushed)
        self._age += span
        self.setup.warmth.go_on(self._age, self.setup.channels)
        self.struck = added.struck
        measured = models.measurement.measure(
            x, block, motion, expected, advance, self.told_swing, self.closes
        )
        innovation = measured.z[: 3 * self.n].reshape(self.n, 3)
        self.innovation, self.motion = innovation, motion
        self.fastest = float(np.abs(motion.epochs.rates).max())
        resting = motion.whole and self.fastest < REST_RADPS
        self._persistence.note(innovation, span, resting)
        self._since_found = [since + span for since in self._since_found]
        self._carry(block, innovation, resting)
        covariance = models.update.covariance(P, measured, added.velocity)
        self._stated.be_surprised(covariance.distances, span)
        shocked = [k for k, distance in enumerate(covariance.distances) if distance > self.options.gate]
        if shocked:
            for k in shocked:
                # A shock leaves a step in the integrated velocity, which alone takes the blame.
                P[self.setup.v[k], self.setup.v[k]] += innovation[k] ** 2
            covariance = models.update.covariance(P, measured, added.velocity)
        models.update.take(x, P, measured, covariance)
        if self.footing is not None and freed_by is not None:
            if block.active[0]:
                mean = motion.mean
                of_upper, slope = self.setup.in_parts(mean.alpha, mean.body_rate, block.rate_slope)
                mean = mean._replace(body_rate=of_upper)
                self.footing.steady(x, P, self.setup, span, mean, slope[0], freed_by)
            if not resting:
                self.footing.compare(span, motion.mean, float(innovation[0, 2]))
        if not resting:
            self._memory.let_pass(span, x, P)
        self._stated.let_pass(span, max(block.step.tolist()), added.vibration, resting)
        self._since_stated += span
        if self._since_stated >= STATED_EVERY_S:
            self._since_stated = 0.0
            self.share = self._stated.share(x, P, self._memory.of_axes)
            self.shared_latency = self._stated.shared_latency(x, P)
        self.rates = motion.epochs.rates[:, -1]
        self.turned = float(motion.mean.rates[1]) * span

    def _carry(self, block: EpochBlock, innovation: Array, resting: bool) -> None:
        """Let a velocity that all sensors show alike be that of a machine that travels, and no tilt.

        Where a machine stands, as gyros tell, or angles have just been found, those are what may be wrong.
        """
        self.travel *= 0.0 if resting else math.exp(-self.span / TRAVELS_S)
        if resting or sum([since < FOUND_ALIKE_S for since in self._since_found]) > 1:
            return
        common = carried_velocity(self.setup, self.P, innovation, block)
        if common is None:
            return
        common[np.abs(self.travel) > FASTEST_TRAVEL_MPS] = 0.0
        self.travel -= common
        for axis, velocity in enumerate(common.tolist()):
            alike = self.setup.v[block.active, axis]
            self.P[np.ix_(alike, alike)] += velocity**2
