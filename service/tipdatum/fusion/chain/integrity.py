"""Whether the sensors of the chain filter agree: by which figures one tells, and what is done if they do not.

A filter believes what its model says. A gyro that turns the wrong way, a sensor with another's name or a
knocked bracket drives angles, mounts and biases away together, and the covariance stays small. Two things
show it:

- **Innovations that stay.** The innovation of a block over its span is a mean acceleration a that the model
  does not know. Vibration and shocks have none for long; an angle that is wrong by ε has g sin ε. Of the
  blocks of the last second the median is taken component by component, and

      ratio = max |median a| / (GATE_MPS2 (1 + SHAKEN s) + UNSEEN e)        s = root of the mean shake, m/s²

  with e what slow samples may leave out (`unseen`).

  The same of the last three seconds with a gate of LONG_GATE_MPS2, for what goes wrong slowly.

- **A gyro that is alone.** All bodies of the arm plane share roll rate and plane rate. With three gyros and
  more the median of them is right if one is wrong; the median over the last second of a gyro's difference
  from it, over ODD_RADPS + ODD_SHARE of the fastest rate, is a ratio too.

Above 1 is an alarm (`Consistency`). On sound simulated digs of all kinds the first stays below 0.8 and the
second below 0.2. Constants and reference then go back to a copy of the state from before it, for mount and
bias have taken up the contradiction by then; every angle is found anew, and no figure is given until the
sensors have agreed again for a while, longer each time the same sensor is suspected (`Suspicion`). `Evidence`
tells what it looks like: how much of each axis' true rate a gyro tells, by the other gyros and by the turn of
its own accelerometer.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tipdatum.kinematics.frames import Array

Places: TypeAlias = NDArray[np.intp]

WINDOW_S = 1.0
"""Time over which medians are taken, s: three blocks and more, and shocks are shorter."""
LEAST_BLOCKS = 3
RING = 64
"""Blocks that are kept: those of `LONG_S`, three epochs each, and more."""
GATE_MPS2 = 0.55
"""Mean unknown acceleration that is an alarm, m/s², as of an angle wrong by 3°."""
LONG_S, LONG_GATE_MPS2 = 3.0, 0.42
"""The longer time, s, and its gate."""
G_MPS2 = 9.8
UNSEEN = 5.0
"""Sigmas of what slow sampling leaves out by which the gate is wider, 1: a dozen components are looked at
many times a minute, and neighbouring blocks share samples."""
SHAKEN = 0.6
"""How much each m/s² of vibration widens that gate, 1: a part that clips or rectifies shows false forces."""
ODD_RADPS, ODD_SHARE = 0.03, 0.03
"""What gyros may differ by, rad/s and share of the fastest rate: mounts off by 1°, scales, a twisting arm."""
FOUND_S, FOUND_WIDER = 2.0, 2.0
"""Time, s, after an angle was found anew in which gates are so many times as wide."""
PEAK_S = 10.0
"""Time in which a told ratio fades, s: health is told as often."""

EVIDENCE_S, LAG_S = 3.0, 0.6
"""Blocks that are looked at for what a fault looks like, s, and time over which a tilt's change is taken."""
RATES_S = 1.0
"""The same for rates that other gyros tell at once, s: at an alarm most of it is wrong already."""
INNERMOST = 0.3
"""Share of the largest ratio from which the innermost sensor is the one to suspect: a wrong angle spreads
outwards along the chain."""
LEAST_WEIGHT, MOST_WEIGHT = 0.72, 1.4
"""Median of |force| over g between which an arm's motion may be the reason, 1."""
START_S = 8.0
"""Time from the start, s, in which a contradiction is that of a start in motion, and no sensor's."""
CALM_RATIO = 0.6
"""Ratio below which sensors agree again, 1."""
LEAST_TURN, LEAST_RATE = 0.08, 0.05
"""Turn in `LAG_S`, rad, and rate, rad/s (roots of mean squares), from which an axis shows what it tells."""

KEPT_EVERY_S, KEPT_BEFORE_S = 1.0, 3.0
"""How often a copy of the state is kept, and the least age of the one that an alarm goes back to, s."""
NEED_S, NEED_MORE, MOST_S = 4.0, 3.0, 120.0
"""Time of agreement in motion, s, after which a first suspicion ends; so many times as long each time that
the sensor is suspected again, up to this."""
REST_S = 5.0
"""Time of agreement at rest that ends it as well, s: gravity tells every angle there. Six times for a sensor
suspected before, as a wrong gyro agrees as long as nothing turns."""
STANDS_S = 1.5
"""Rest after which figures stand again under suspicion, as settling, s."""
TURNS_RADPS = 0.05
"""Fastest rate above which the arm counts as moving here, rad/s."""
FORGIVEN_S = 600.0
"""Time after which an old suspicion is forgotten, s."""


class Alarm(NamedTuple):
    """At `t` s sensor number `sensor` did not agree; `alone`: by its gyro's rates beside the others'."""

    t: float
    sensor: int
    alone: bool


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


def unseen(force_psd: float, rate_psd: float) -> float:
    """What slow sampling may feign over a window, m/s², 1 sigma.

    Args:
        force_psd: (m/s²)² s and rate_psd: (rad/s)² s, densities of what lies between two samples. White noise
            of density q has the mean square q/T over a time T, and turns an angle by the root of q T, which
            shows g of it.
    """
    return math.sqrt(force_psd / WINDOW_S) + G_MPS2 * math.sqrt(rate_psd * LONG_S)


def unseen_rate(rate_psd: float) -> float:
    """What slow sampling may feign of a mean rate over a window, rad/s, 1 sigma; see `unseen`."""
    return math.sqrt(rate_psd / WINDOW_S)


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
        self._from = self._found = -math.inf
        # The last blocks in a ring, in no order: medians need none.
        self._count = 0
        self._t = np.full(RING, -math.inf)
        self._unknown = np.zeros((RING, n, 3))
        self._shake = np.zeros((RING, n))
        self._unseen = np.zeros((RING, n))
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
        self._t[k], self._shake[k], self._unseen[k] = t, look.shake, look.unseen
        np.multiply(look.innovation, 1.0 / look.span, out=self._unknown[k])
        self._odd[k] = _odd(look)
        valid = self._t > self._from
        recent = np.flatnonzero(valid & (self._t > t - WINDOW_S))
        if len(recent) < LEAST_BLOCKS:
            self.ratios = [0.0] * len(self.ratios)
            return None
        ratios, rms = self._stays(recent, GATE_MPS2)
        self.vibration = rms.tolist()
        if t - LONG_S > self._from:
            long = np.flatnonzero(valid & (self._t > t - LONG_S))
            ratios = np.maximum(ratios, self._stays(long, LONG_GATE_MPS2)[0])
        if t - self._found < FOUND_S:
            ratios = ratios / FOUND_WIDER
        alone = np.abs(_middle(self._odd[recent])).max(axis=0)
        self.ratios = np.maximum(ratios, alone).tolist()
        fades = math.exp(-look.span / PEAK_S)
        self.peaks = [max(now, fades * peak) for now, peak in zip(self.ratios, self.peaks, strict=True)]
        if max(self.ratios) <= 1.0:
            return None
        if alone.max() > 1.0:
            return Alarm(t, int(alone.argmax()), True)
        return Alarm(t, int((ratios >= INNERMOST * ratios.max()).argmax()), False)

    def _stays(self, blocks: Places, gate: float) -> tuple[Array, Array]:
        """(N,) the part of the innovations that stays over `gate`, and (N,) m/s² of vibration."""
        rms = np.sqrt(self._shake[blocks].mean(axis=0))
        wide = gate * (1.0 + SHAKEN * rms) + UNSEEN * self._unseen[blocks].max(axis=0)
        return np.abs(_middle(self._unknown[blocks])).max(axis=1) / wide, rms


def _middle(values: Array) -> Array:
    """The median along the first axis, for few values in a fifth of the time of numpy's; changes `values`."""
    values.sort(axis=0)
    half = len(values) // 2
    return np.asarray(values[half] if len(values) % 2 else 0.5 * (values[half - 1] + values[half]))


def _odd(look: Look) -> Array:
    """(2, N) how far each gyro's roll rate and plane rate are from the median of all, in what they may be."""
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


class Evidence:
    """What the last seconds tell of each gyro: by how much of the true rate its axes turn.

    Attributes:
        told: (N, 3) what the gyro tells of the rate about x, y, z; NaN where nothing turned about it.
        weight: (N,) g, mean size of the force.
    """

    def __init__(self, looks: deque[Look], g: float) -> None:
        # One look's bodies have turned by its rate; where gravity came from another one tells the truth of y.
        n = len(looks[0].gyro)
        told = np.full((n, 3), np.nan)
        late = [one for one in looks if one.t > looks[-1].t - RATES_S]
        shared = np.array([_shared(one) for one in late])
        rate = np.array([one.rate for one in late])
        for axis, component in ((0, 0), (2, 1)):
            true = shared[:, :, component]
            strong = np.sqrt((true * true).mean(axis=0)) > LEAST_RATE
            with np.errstate(invalid="ignore", divide="ignore"):
                slope = (true * rate[:, :, axis]).sum(axis=0) / (true * true).sum(axis=0)
            told[strong, axis] = slope[strong]
        rate = np.array([one.rate for one in looks])
        tilt = np.unwrap([np.arctan2(one.force[:, 0], one.force[:, 2]) for one in looks], axis=0)
        span = np.array([one.span for one in looks])
        lean = np.array([np.tan(np.median(np.arcsin(_side(one)))) * np.median(one.plane) for one in looks])
        turned = np.cumsum((lean[:, None] - rate[:, :, 1]) * span[:, None], axis=0)
        lag = max(2, round(LAG_S / float(span.mean())))
        if len(looks) > lag:
            true, said = tilt[lag:] - tilt[:-lag], turned[lag:] - turned[:-lag]
            strong = np.sqrt((true * true).mean(axis=0)) > LEAST_TURN
            with np.errstate(invalid="ignore", divide="ignore"):
                slope = (true * said).sum(axis=0) / (true * true).sum(axis=0)
            told[strong, 1] = slope[strong]
        self.told = told
        self.weight = np.median([np.linalg.norm(one.force, axis=1) for one in late], axis=0) / g

    def weighs_wrong(self) -> int | None:
        """The sensor whose force is furthest from 1 g, where that is no motion of an arm any more."""
        off = np.abs(np.log(np.maximum(self.weight, 1e-3)))
        k = int(off.argmax())
        return None if LEAST_WEIGHT < self.weight[k] < MOST_WEIGHT else k

    def words(self, sensor: int, name: str, alone: bool) -> str:
        """What the sensor of that number and name looks like; `alone`: by the rates that all gyros share."""
        told, weight = self.told[sensor], float(self.weight[sensor])
        if not LEAST_WEIGHT < weight < MOST_WEIGHT:
            return f"accelerometer of {name} reads {weight:.1f} g on the mean: wrong range or unit"
        known = [k for k in ((0, 2) if alone else (1,)) if math.isfinite(told[k])]
        gyro = f"gyro of {name}"
        if known and all(abs(told[k]) > 8.0 for k in known):
            return f"{gyro} tells many times the true rate: degrees taken for radians"
        if wrong := [k for k in known if told[k] < -0.4]:
            return f"{gyro} turns the wrong way about {_axes(wrong)}: a mirrored mount or a flipped axis"
        if little := [k for k in known if abs(told[k]) <= 0.4]:
            if alone:
                return f"{gyro} tells little of the turn about {_axes(little)}: dead, exchanged axes or unit"
            return (
                f"gyro and accelerometer of {name} tell different turns about y: "
                "a dead axis, wrong unit, or the sensor was knocked"
            )
        if off := [told[k] for k in known if not 0.7 < told[k] < 1.4]:
            return f"{gyro} tells {off[0]:.1f} times the true rate: wrong range or unit"
        return f"{name} sensor does not fit the others: knocked, loose, or answering for another"


def _axes(numbers: list[int]) -> str:
    return " and ".join("xyz"[k] for k in numbers)


def _shared(look: Look) -> Array:
    """(N, 2) rad/s about each body's x and z, as the median of all gyros tells it."""
    if int(look.gyro.sum()) < 3:
        return np.zeros((len(look.gyro), 2))
    roll, plane = np.median(look.roll[look.gyro]), np.median(look.plane[look.gyro])
    c, s = np.cos(look.theta), np.sin(look.theta)
    return np.stack([c * roll + s * plane, c * plane - s * roll], axis=1)


def _side(look: Look) -> Array:
    """(N,) sine of the roll that each force shows."""
    size = np.maximum(np.linalg.norm(look.force, axis=1), 1e-9)
    return np.asarray(np.clip(look.force[:, 1] / size, -0.9, 0.9))


class Kept(NamedTuple):
    """A copy of the filter's state at `t` s."""

    t: float
    x: Array
    P: Array


@dataclass
class Suspicion:
    """Which sensor is suspected, of what, and since when all have agreed again.

    Attributes:
        sensor: its number, None while nobody is suspected. text: what it looks like.
        rested: s, for how long the arm has rested with all agreeing.
    """

    sensor: int | None = None
    text: str = ""
    rested: float = 0.0
    _agreed: float = 0.0
    _times: dict[int, int] = field(default_factory=dict)
    _last: float = -math.inf

    def begin(self, t: float, sensor: int, text: str) -> bool:
        """An alarm; returns whether it is news: another sensor, or the first for a while."""
        news = sensor != self.sensor
        if t - self._last > FORGIVEN_S:
            self._times.clear()
        if self.sensor is None or news:
            self._times[sensor] = self._times.get(sensor, 0) + 1
        self.sensor, self._last = sensor, t
        self.text = text
        self.rested = self._agreed = 0.0
        return news

    def agree(self, look: Look, ratio: float) -> bool:
        """A block without an alarm, and the largest ratio after it; returns whether the suspicion ends."""
        if ratio > CALM_RATIO:
            self.rested = self._agreed = 0.0
        elif look.fastest > TURNS_RADPS:
            self._agreed += look.span
            self.rested = 0.0
        else:
            self.rested += look.span
        assert self.sensor is not None
        before = self._times.get(self.sensor, 1) - 1
        need = min(MOST_S, NEED_S * NEED_MORE**before)
        if self._agreed >= need or self.rested >= REST_S * (6.0 if before else 1.0):
            self.sensor = None
            return True
        return False

    @property
    def stands(self) -> bool:
        """Whether figures stand under suspicion: the arm rests, and gravity tells them."""
        return self.rested >= STANDS_S
