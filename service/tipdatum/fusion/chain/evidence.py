"""What the last seconds tell of a contradiction: whose it is, and what it looks like.

**Whose.** Each sensor is asked how much of the innovations it could have made by itself. A gyro that tells
another turn than there is moves its own body and all that hangs on it, by the lever arms ∂v̂/∂θ̇, and turns its
own force; an accelerometer that points elsewhere has its own innovation alone. Of each block the best such
explanation is fitted, innovations weighed by what they may be, and the share of all that it explains is
compared. Where the gyros differ in roll or plane rate the one that is alone is the one.

**What.** By how much of the true rate each axis of the gyro turns: about x and z by what the other gyros
tell, about y by the turn of its own accelerometer, or by the turn that the fit found to be missing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np

from tipdatum.fusion.chain.consistency import WINDOWS, Alarm, Axis, Look
from tipdatum.kinematics.frames import Array

SHARES_S, LATE_S, LAG_S = 1.0, 0.5, 0.6
"""Blocks that are looked at for what explains the innovations, s; for rates and weights, since at an alarm
those are wrong already; and time over which the change of a tilt is taken."""
LEAST_TURN, LEAST_RATE = 0.08, 0.05
"""Turn in `LAG_S`, rad, and rate, rad/s (roots of mean squares), from which an axis shows what it tells."""
LEAST_WEIGHT, MOST_WEIGHT = 0.7, 1.45
"""Median of |force| over g between which an arm's motion may be the reason, 1."""
EXPLAINS, STANDS_APART = 0.5, 0.6
"""Share of the innovations that a gyro, and an accelerometer, must explain to be the reason."""
HARDLY_ODD = 0.3
"""What a gyro may differ from the others by before it is preferred to the innermost sensor."""

Ways = Callable[[Array], Array]
"""θ of the bodies, (N,) rad → (N, 3, N) m, ∂v̂/∂θ̇ of the sensors' velocities."""


class Suspect(NamedTuple):
    """Sensor number `sensor`, what it looks like, and what turn would show it again."""

    sensor: int
    text: str
    about: Axis


def suspect(
    alarm: Alarm,
    looks: Sequence[Look],
    names: Sequence[str],
    g: float,
    ways: Ways,
    worse: int | None = None,
) -> Suspect:
    """Name the sensor that does not agree, from the last blocks, oldest first.

    `worse`: the one that would have to be worse than its kind already (`honesty`), which then is the one.
    """
    evidence = Evidence(looks, g)
    if worse is not None and not alarm.alone:
        return Suspect(worse, evidence.words(worse, names[worse], "plane"), "any")
    if alarm.alone:
        sensor = alarm.odd[0]
        return Suspect(sensor, evidence.words(sensor, names[sensor], "slew"), "slew")
    late = [one for one in looks if one.t > looks[-1].t - SHARES_S]
    gyros, own, missing = shares(late, ways)
    if gyros.max() >= EXPLAINS:
        sensor = int(gyros.argmax())
        evidence.add_missing(sensor, late, missing[:, sensor])
        return Suspect(sensor, evidence.words(sensor, names[sensor], "plane"), "plane")
    if own.max() >= STANDS_APART:
        sensor = int(own.argmax())
        return Suspect(sensor, evidence.words(sensor, names[sensor], "any"), "any")
    if (light := evidence.weighs_wrong()) is not None:
        return Suspect(light, evidence.words(light, names[light], "any"), "any")
    odd, by = alarm.odd
    sensor = odd if by > HARDLY_ODD else alarm.innermost
    return Suspect(sensor, evidence.words(sensor, names[sensor], "slew" if by > HARDLY_ODD else "any"), "any")


def shares(looks: Sequence[Look], ways: Ways) -> tuple[Array, Array, Array]:
    """How much of the innovations each sensor could have made.

    Returns:
        (N,) by a gyro that tells another turn about y, and (N,) by an accelerometer of its own, as shares of
        all; (K, N) rad/s, by how much the turn of each body would change from block to block to do so.
    """
    n = len(looks[0].gyro)
    by_gyro, own, total = np.zeros(n), np.zeros(n), 1e-12
    missing = np.zeros((len(looks), n))
    middle = WINDOWS[1]
    for k, look in enumerate(looks):
        seen = np.isfinite(look.unseen)
        weight = np.where(seen, 1.0 / (middle.base + middle.shaken * np.sqrt(look.shake)), 0.0)
        y = look.innovation * (weight / look.span)[:, None]
        square = (y * y).sum(axis=1)
        total += float(square.sum())
        own += square
        turning = ways(look.theta) * weight[:, None, None]
        for b in range(n):
            # Its own force, turned, shows along the plane; what hangs on it moves.
            moves, force = turning[:, :, b].copy(), float(y[b, 0])
            moves[b, 0] = 0.0
            rest = y.copy()
            rest[b, 0] = 0.0
            size = float((moves * moves).sum())
            along = float((moves * rest).sum()) / size if size > 1e-12 else 0.0
            by_gyro[b] += along * along * size + force * force * (weight[b] > 0.0)
            missing[k, b] = -along * look.span
    return by_gyro / total, own / total, missing


class Evidence:
    """What the last seconds tell of each gyro: by how much of the true rate its axes turn.

    Attributes:
        told: (N, 3) what the gyro tells of the rate about x, y, z; NaN where nothing turned about it.
        weight: (N,) g, mean size of the force.
        speaks: (N,) bool, which have a gyro at all: of no other anything is said.
    """

    def __init__(self, looks: Sequence[Look], g: float) -> None:
        # One look's bodies have turned by its rate; where gravity came from another one tells the truth of y.
        n = len(looks[0].gyro)
        told = np.full((n, 3), np.nan)
        late = [one for one in looks if one.t > looks[-1].t - LATE_S]
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
        self.speaks = np.any([one.gyro for one in looks], axis=0)
        self.weight = np.median([np.linalg.norm(one.force, axis=1) for one in late], axis=0) / g

    def weighs_wrong(self) -> int | None:
        """The sensor whose force is furthest from 1 g, where that is no motion of an arm any more."""
        off = np.abs(np.log(np.maximum(self.weight, 1e-3)))
        k = int(off.argmax())
        return None if LEAST_WEIGHT < self.weight[k] < MOST_WEIGHT else k

    def add_missing(self, sensor: int, looks: Sequence[Look], changes: Array) -> None:
        """Tell of y by the turn that the innovations found to be missing, where that turns the body.

        Args:
            looks: blocks, oldest first. changes: (K,) rad/s, of the missing rate from block to block.
        """
        said = -np.array([one.rate[sensor, 1] for one in looks])
        true = said + np.cumsum(changes)
        square = float((true * true).mean())
        if math.sqrt(square) > LEAST_RATE:
            self.told[sensor, 1] = float((true * said).mean()) / square

    def words(self, sensor: int, name: str, about: Axis) -> str:
        """What the sensor of that number and name looks like; `about`: by which turn it was found."""
        told, weight = self.told[sensor], float(self.weight[sensor])
        if not LEAST_WEIGHT < weight < MOST_WEIGHT:
            return f"accelerometer of {name} reads {weight:.1f} g on the mean: wrong range or unit"
        axes = (0, 2) if about == "slew" else (1,)
        known = [k for k in axes if self.speaks[sensor] and math.isfinite(told[k])]
        gyro = f"gyro of {name}"
        if known and all(abs(told[k]) > 8.0 for k in known):
            return f"{gyro} tells many times the true rate: degrees taken for radians"
        if wrong := [k for k in known if told[k] < -0.4]:
            return f"{gyro} turns the wrong way about {_axes(wrong)}: a mirrored mount or a flipped axis"
        if little := [k for k in known if abs(told[k]) <= 0.3]:
            return f"{gyro} tells little of the turn about {_axes(little)}: dead, exchanged axes or unit"
        if off := [told[k] for k in known if not 0.75 < told[k] < 1.3]:
            return f"{gyro} tells {off[0]:.1f} times the true rate: wrong range or unit"
        return unfit(name)


def unfit(name: str) -> str:
    """What is said of a sensor whose gyro tells its turns and that fits nowhere: it may have been moved."""
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
