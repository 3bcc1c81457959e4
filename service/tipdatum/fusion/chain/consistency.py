"""Whether the sensors of the chain filter agree: by which figures one tells.

A filter believes what its model says. A gyro that turns the wrong way, a sensor with another's name or a
knocked bracket drives angles, mounts and biases away together, and the covariance stays small. Two things
show it:

- **Innovations that stay.** The innovation of a block over its span is a mean acceleration a that the model
  does not know. Vibration and shocks have none for long; an angle that is wrong by ε has g sin ε, a turn that
  is not told moves all that hangs on it. Of the blocks of each of the `WINDOWS` the median is taken component
  by component, in the shortest one that of median and mean which is nearer to nought, and

      ratio = max |median a| / (base + shaken s + unseen)        s = root of the mean shake, m/s²

  with `unseen` what slow samples may leave out. What all sensors have in common is the machine's own travel:
  it is taken off first, and counts only while the machine stands.

- **A gyro that is alone.** All bodies of the arm plane share roll rate and plane rate. With three gyros and
  more the median of them is right if one is wrong; the median over the last second of a gyro's difference
  from it, over ODD_RADPS + ODD_SHARE of the fastest rate, is a ratio too.

Above 1 is an alarm; `integrity` says what is done then.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Literal, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tipdatum.fusion.chain.noise import HAMMERED_MPS2
from tipdatum.kinematics.frames import Array

Places: TypeAlias = NDArray[np.intp]
Axis: TypeAlias = Literal["any", "plane", "slew"]
"""What shows a fault: any motion, the body's turning in the arm plane, or that of the whole arm."""


class Window(NamedTuple):
    """A time over which innovations are looked at, s, and what may stay of them: m/s², and of each m/s² of
    vibration, since a part that clips or rectifies shows false forces."""

    span: float
    base: float
    shaken: float


WINDOWS = Window(0.5, 0.25, 0.4), Window(1.0, 0.2, 0.3), Window(3.0, 0.16, 0.3)
"""Sound simulated sessions of the half for choosing reach two thirds of these gates, hammering included; an
angle wrong by 1° has 0.17 m/s², and an engine whose vibration is folded down 0.08. The shortest one is the
widest, since a shock may fill it: there what shakes a part counts in full where it is more than an engine's
vibration, for the pulses of a blow go one way and, cut off at the part's range, leave a mean as large as
their spread."""
ALONE_S = 1.0
"""Time over which gyros are compared with each other, s."""
LEAST_BLOCKS, LEAST_SHARE = 3, 0.8
"""Blocks of a window that must be there, or two that fill this share of it: in slow work they are long."""
RING = 64
"""Blocks that are kept: those of the longest window, three epochs each, and more."""
G_MPS2 = 9.8
UNSEEN = 5.0
"""Sigmas of what slow sampling leaves out by which the gate is wider, 1: a dozen components are looked at
many times a minute, and neighbouring blocks share samples."""
SLOW_MPS2 = 0.4
"""What gates are wider by where a sensor is so slow that its samples hide how much it shakes, or has no gyro,
m/s²."""
TOGETHER = 2.5
"""Times by which the gate is wider for what all sensors have in common. With three sensors and more that is
taken off, and counts only while the machine stands: one that travels starts and brakes."""
STANDS_RADPS = 0.01
"""Fastest rate, rad/s, up to which it stands: whatever travels on tracks rocks faster."""
ODD_RADPS, ODD_SHARE = 0.02, 0.02
"""What gyros may differ by, rad/s and share of the fastest rate: mounts off by 1°, scales, a twisting arm."""
FOUND_S, FOUND_WIDER = 2.0, 2.0
"""Time, s, after an angle was found anew in which gates are so many times as wide."""
PEAK_S = 10.0
"""Time in which a told ratio fades, s: health is told as often."""

EVIDENCE_S = 3.0
"""Blocks that are kept for what a fault looks like, s."""
INNERMOST = 0.3
"""Share of the largest ratio from which the innermost sensor may be the one."""


class Alarm(NamedTuple):
    """At `t` s the sensors did not agree.

    Attributes:
        innermost: the first sensor with a good part of the largest ratio: a wrong angle spreads outwards.
        odd: the sensor whose gyro differs most from the others', and by how much of what it may.
    """

    t: float
    innermost: int
    odd: tuple[int, float]

    @property
    def alone(self) -> bool:
        """Whether that gyro is the reason."""
        return self.odd[1] > 1.0


@dataclass(slots=True)
class Look:
    """What one block showed.

    Attributes:
        t, span: its end and length, s.
        innovation: (N, 3) m/s, plane axes. shake: (N,) (m/s²)².
        force, rate: (N, 3) m/s² and rad/s, means in body axes.
        roll, plane: (N,) rad/s, roll and plane rate as each gyro tells them. theta: (N,) rad.
        gyro: (N,) bool, which gyros spoke. active: (N,) bool, which sensors did.
        fastest: rad/s, of all bodies.
        unseen: (N,) m/s², what each sensor's samples may leave out of an acceleration that stays, 1 sigma;
            inf where a body's turning is not measured at all. unseen_rate: rad/s, the same of gyros' rates.
        carried: (N,) m/s, by what the turning of bodies without a gyro may carry each along unseen.
    """

    t: float
    span: float
    innovation: Array
    shake: Array
    force: Array
    rate: Array
    roll: Array
    plane: Array
    theta: Array
    gyro: Array
    active: Array
    fastest: float
    unseen: Array
    unseen_rate: float
    carried: Array


def unseen(force_psd: float, rate_psd: float) -> float:
    """What slow sampling may feign over a window, m/s², 1 sigma.

    Args:
        force_psd: (m/s²)² s and rate_psd: (rad/s)² s, densities of what lies between two samples. White noise
            of density q has the mean square q/T over a time T, and turns an angle by the root of q T, which
            shows g of it.
    """
    return math.sqrt(force_psd / ALONE_S) + G_MPS2 * math.sqrt(rate_psd * WINDOWS[-1].span)


def unseen_rate(rate_psd: float) -> float:
    """What slow sampling may feign of a mean rate over a window, rad/s, 1 sigma; see `unseen`."""
    return math.sqrt(rate_psd / ALONE_S)


def carried(ways: Array, missed: Array) -> Array:
    """What a body whose rate is not all told feigns of all that hangs on it: (N,) m/s over a window, 1 sigma.

    Args:
        ways: (N, 3, N) m, ∂v̂/∂θ̇ of the sensors' velocities by the bodies' rates.
        missed: (N,) (rad/s)², mean square of what lies between two samples of each, or of a rate that no gyro
            tells. A velocity that is off by so much at both ends of a window changes by √2 of that in it.
    """
    arms = (ways * ways).sum(axis=1)
    return np.asarray(np.sqrt(2.0 * (arms @ missed)))


def unwidened(look: Look) -> float:
    """By how much ratios are larger at most beside gates that bodies without a gyro do not widen.

    What hides a contradiction is no agreement: a suspicion ends by ratios of that size.
    """
    window = WINDOWS[0]
    return 1.0 + float(look.carried.max()) / (window.span * (window.base + SLOW_MPS2))


class Consistency:
    """Follows the blocks of a filter of N sensors.

    Attributes:
        ratios: each sensor's innovation test ratio now; above 1 is an alarm. peaks: the largest of late.
        vibration: m/s², root of the mean square of what shakes each sensor within an epoch.
        looks: those of the last `EVIDENCE_S`, oldest first.
    """

    def __init__(self, sensors: int) -> None:
        n = sensors
        self.looks: deque[Look] = deque()
        self._from = self._found = self._moved = -math.inf
        # The last blocks in a ring, in no order: medians need none.
        self._count = 0
        self._t = np.full(RING, -math.inf)
        self._span = np.zeros(RING)
        self._unknown = np.zeros((RING, n, 3))
        self._shake = np.zeros((RING, n))
        self._unseen = np.zeros((RING, n))
        self._carried = np.zeros((RING, n))
        self._odd = np.zeros((RING, 2, n))
        self.ratios = [0.0] * n
        self.peaks = [0.0] * n
        self.vibration = [0.0] * n

    def found_anew(self, t: float) -> None:
        """Angles have just been found anew: what innovations showed before says nothing more."""
        self._found = self._from = t

    def look(self, look: Look) -> Alarm | None:
        """Take in a block."""
        looks, t, k = self.looks, look.t, self._count % RING
        if not look.active.all():
            # Without one sensor the chain does not say how the others move.
            self.found_anew(t)
            looks.clear()
            self.ratios = [0.0] * len(self.ratios)
            return None
        looks.append(look)
        while looks[0].t < t - EVIDENCE_S:
            looks.popleft()
        self._count += 1
        self._t[k], self._span[k] = t, look.span
        self._shake[k], self._unseen[k], self._carried[k] = look.shake, look.unseen, look.carried
        np.multiply(look.innovation, 1.0 / look.span, out=self._unknown[k])
        self._odd[k] = self._apart(look)
        if look.fastest > STANDS_RADPS:
            self._moved = t
        found, alone, vibration = self._compare(t)
        if vibration is not None:
            self.vibration = vibration.tolist()
        ratios, whole = found
        self.ratios = np.maximum(ratios, alone).tolist()
        fades = math.exp(-look.span / PEAK_S)
        self.peaks = [max(now, fades * peak) for now, peak in zip(self.ratios, self.peaks, strict=True)]
        if max(self.ratios) <= 1.0:
            return None
        # What has just begun shows little in a median of a second.
        newest = np.flatnonzero((self._t > self._from) & (t - self._t < WINDOWS[0].span))
        alone = np.maximum(alone, np.abs(self._odd[newest].mean(axis=0)).max(axis=0))
        odd = int(alone.argmax())
        innermost = int((whole >= INNERMOST * whole.max()).argmax())
        return Alarm(t, innermost, (odd, float(alone[odd])))

    def _apart(self, look: Look) -> Array:
        """(2, N) how far each gyro's roll and plane rate are from the median of all, in what they may be."""
        both = np.array((look.roll, look.plane))
        told = np.flatnonzero(look.gyro)
        if len(told) < 3:
            return np.zeros_like(both)
        middle = _middle(both[:, told].T)
        odd = both - middle[:, None]
        fastest = float(np.abs(look.rate[told]).max())
        odd *= 1.0 / (ODD_RADPS + ODD_SHARE * fastest + UNSEEN * look.unseen_rate)
        if len(told) < len(look.gyro):
            odd[:, np.logical_not(look.gyro)] = 0.0
        return odd

    def _compare(self, t: float) -> tuple[Array, Array, Array | None]:
        """What the blocks up to `t` s show.

        Returns:
            (2, N) what stays of the innovations over what may, without and with what all have in common;
            (N,) how far each gyro is from the others; (N,) m/s², what shakes the sensors, where that is told.
        """
        age = np.where(self._t > self._from, t - self._t, math.inf)
        short, middle, long = WINDOWS
        recent = np.flatnonzero(age < ALONE_S)
        found = np.zeros((2, len(self.ratios)))
        newest = np.flatnonzero(age < short.span)
        if len(newest) > 1 and self._fill(newest, short.span):
            # A shock of just before still shows in the innovations.
            found = self._stays(newest, short, recent, blow=True)
        alone, vibration = np.zeros(len(self.ratios)), None
        if len(recent) >= LEAST_BLOCKS or (len(recent) > 1 and self._fill(recent, ALONE_S)):
            vibration = np.sqrt(self._shake[recent].mean(axis=0))
            found = np.maximum(found, self._stays(recent, middle, recent))
            alone = np.abs(_middle(self._odd[recent])).max(axis=0)
        if t - long.span > self._from:
            all_of_it = np.flatnonzero(age < long.span)
            stands = t - self._moved > long.span
            found = np.maximum(found, self._stays(all_of_it, long, all_of_it, stands=stands))
        if t - self._found < FOUND_S:
            found *= 1.0 / FOUND_WIDER
        return found, alone, vibration

    def _fill(self, blocks: Places, span: float) -> bool:
        # Blocks of epochs often fill a share to the last digit of their sum.
        return float(self._span[blocks].sum()) > LEAST_SHARE * span - 1e-9

    def _stays(
        self, blocks: Places, window: Window, shaken: Places, blow: bool = False, stands: bool = False
    ) -> Array:
        """(2, N) what stays of the innovations over what may, without and with what all have in common.

        `shaken`: the blocks whose vibration counts. `blow`: whether one blow may fill all of the blocks.
        `stands`: whether the machine cannot be travelling, so that what all have in common counts as well.
        """
        gate = window.base + window.shaken * np.sqrt(self._shake[shaken].mean(axis=0))
        if blow:
            spread = np.sqrt(self._shake[blocks].mean(axis=0))
            gate += np.where(spread > HAMMERED_MPS2, spread, 0.0)
        hidden = self._unseen[blocks].max(axis=0)
        if hidden.any():
            # What hangs on a body whose turning is told badly, or not at all, is carried along unknown.
            gate += SLOW_MPS2 + UNSEEN * hidden + self._carried[blocks].max(axis=0) * (1.0 / window.span)
        unknown, span = self._unknown[blocks], self._span[blocks]
        mean = np.tensordot(span, unknown, axes=1) * (1.0 / span.sum()) if blow else None
        stays = _middle(unknown)
        if mean is not None:
            smaller = np.where(np.abs(mean) < np.abs(stays), mean, stays)
            stays = np.where(stays * mean > 0.0, smaller, 0.0)
        whole = np.abs(stays).max(axis=1) / gate
        together = whole * (1.0 / TOGETHER)
        if len(stays) < 3:
            return np.array((together, whole))
        least, most = stays.min(axis=0), stays.max(axis=0)
        common = np.maximum(least, 0.0) + np.minimum(most, 0.0)
        ratio = np.abs(stays - common).max(axis=1) / gate
        return np.array((np.maximum(ratio, together) if stands else ratio, whole))


def _middle(values: Array) -> Array:
    """The median along the first axis, for few values in a fifth of the time of numpy's; changes `values`.

    Of two the one nearer to nought, nought where they differ in sign: one of them may be a shock's.
    """
    if len(values) == 2:
        return np.asarray(np.maximum(values.min(axis=0), 0.0) + np.minimum(values.max(axis=0), 0.0))
    values.sort(axis=0)
    half = len(values) // 2
    return np.asarray(values[half] if len(values) % 2 else 0.5 * (values[half - 1] + values[half]))
