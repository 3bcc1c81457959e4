"""Whether angles are found: all of them at a start, one of them after its sensor was silent.

Figures count as settling, or are withheld, until then.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

import numpy as np

from tipdatum.fusion.arm import JointMap
from tipdatum.fusion.chain.filter import ChainFilter
from tipdatum.fusion.chain.integration import EpochBlock
from tipdatum.fusion.chain.noise import RECTIFIED_S, struck_by
from tipdatum.fusion.chain.samples import SampleBuffer
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.chain import Chain
from tipdatum.kinematics.frames import Array

FOUND_M = 0.05
"""3 sigma of the tip's height by an angle that is being found anew, m, from which it is shown again."""
FINDING_MOST_S = 1.5
"""Longest that it is withheld, s: an angle that no more becomes of (no gyro, say) is shown with its sigma."""
NEVER = (-math.inf, 0.0)
"""When a sensor was last struck, s, and how much, that never was."""
LEVELLING_S = 1.0
"""Rest that is averaged before the angles are taken as levelled, s."""
IN_MOTION_S = 4.0
"""How long a start in the middle of a motion is one, s. What accelerates the arm is a tilt to the first
forces, and the filter believes itself sure of that before the motion has turned round and shown otherwise."""
STILL_RADPS = 0.02
"""Spread of a gyro's means, rad/s, up to which the machine counts as still while it starts."""

SHARED_BY, SHARED_SIGMAS = 3, 3.0
"""Gyros that must agree, and of how many sigmas of their mean it must be, that the arm plane turns."""


class Levelling:
    """After a second of rest at the start, mounts count as levelled in the posture there is.

    Attributes:
        done: whether that is so; a start in motion goes on for some seconds more.
    """

    def __init__(self) -> None:
        self._turned: list[Array] = []
        self._passed = 0.0
        self.done = False

    def goes_on(self, f: ChainFilter, block: EpochBlock) -> bool:
        """Take a block, and level when there are enough; whether the start still goes on."""
        self._passed += f.span
        if self.done:
            return self._passed < IN_MOTION_S
        self._turned.append(block.turned)
        if self._passed < LEVELLING_S:
            return True
        still = float((np.diff(self._turned, axis=0) / f.span).std(axis=0).max()) < STILL_RADPS
        still = still and not _slews(f)
        o = f.options
        f.level(math.radians(o.levelling_sigma_deg if still else o.mount_sigma_deg))
        if still:
            f.keep()
        self.done = True
        return not still


def _slews(f: ChainFilter) -> bool:
    """Whether all gyros together show the arm plane turning evenly: biases have nothing in common."""
    assert f.motion is not None
    told = f.motion.mean.plane_rate[f.setup.tells_plane]
    if len(told) < SHARED_BY:
        return False
    mean, spread = abs(float(told.mean())), float(told.std(ddof=1))
    return mean > max(STILL_RADPS, SHARED_SIGMAS * spread / math.sqrt(len(told)))


def _height(posture: JointMap, chain: Chain, angles: list[float], i: int, turn: float) -> float:
    """The tip's height, m, were `angles[i]` by `turn` rad larger; infinite where no linkage closes so."""
    turned = [*angles[:i], angles[i] + turn, *angles[i + 1 :]]
    q, _, _ = posture.join(turned, [0.0] * len(angles))
    return math.inf if q is None else float(chain.tip(np.array(q))[2])


class Finding:
    """Angles that are being found anew.

    How far one may move the tip's height h is asked of h itself at both ends of three sigma: by its
    derivative, which is nought for a bucket that hangs straight down, nothing would ever be in doubt there.
    To second order the variance of h is (h' σ)² + ½ (h'' σ²)². With ±h' 3σ + ½ h'' (3σ)² at the ends, three
    times its root is half of their difference and √2/3 of half of their sum, in quadrature.

    What blows feign keeps its sign while they last, so that no average over them is an angle, and a low-pass
    carries it from one to the next: where a sensor is back under blows, its angle stays where it was, doubted
    by what they feign, until there has been none for as long as that lasts. It is found then.

    Attributes:
        since: by number of the sensor when that began, s. feigned: those that blows keep from being found.
    """

    def __init__(self, unneeded: int | None = None) -> None:
        """`unneeded` is the number of a sensor whose angle no figure needs."""
        self._unneeded = unneeded
        self._blows: dict[int, tuple[float, float]] = {}
        self.since: dict[int, float] = {}
        self.feigned: dict[int, float] = {}

    def take_up(self, back: list[int], block: EpochBlock, t: float) -> list[int]:
        """Whose angles are found from `block`, at `t` s; `feigned` becomes by number the last blow's shake.

        Args:
            back: sensors that were silent and are in the block.
        """
        self._note(np.flatnonzero(struck_by(block.shake) * block.active).tolist(), block, t)
        there = [*back, *(i for i in self.feigned if block.active[i] and i not in back)]
        self.since.update(dict.fromkeys(there, t))
        under = {i: self._blows[i][1] for i in there if t - self._blows.get(i, NEVER)[0] < RECTIFIED_S}
        self.feigned = {i: shake for i, shake in self.feigned.items() if i not in there} | under
        return [i for i in there if i not in under]

    @property
    def blind(self) -> bool:
        """Whether blows keep an angle from being found that figures need."""
        return any(i != self._unneeded for i in self.feigned)

    def _note(self, struck: list[int], block: EpochBlock, t: float) -> None:
        """Keep of the sensors that are `struck` in a block how much."""
        for i in struck:
            self._blows[i] = t, block.shake.item(i)

    def look(self, f: ChainFilter, block: EpochBlock, posture: JointMap, chain: Chain, t: float) -> None:
        """After a block: which of them are found well enough to be shown."""
        self._note(f.struck, block, t)
        if not self.since:
            return
        angles = f.x[f.at.angles].tolist()
        q, _, _ = posture.join(angles, [0.0] * len(angles))
        if q is None:
            return
        height = float(chain.tip(np.array(q))[2])
        for i, since in list(self.since.items()):
            doubt = min(3.0 * f.share * math.sqrt(float(f.P[i, i])), 0.5 * math.pi)
            up, down = (_height(posture, chain, angles, i, turn) - height for turn in (doubt, -doubt))
            off = math.hypot(0.5 * (up - down), 0.5 * (up + down) * math.sqrt(2.0) / 3.0)
            if i not in self.feigned and (off <= FOUND_M or t - since >= FINDING_MOST_S):
                del self.since[i]

    def lost(
        self,
        edge: float,
        t: float,
        channels: Sequence[Channel],
        samples: Sequence[SampleBuffer],
        away: Collection[int],
    ) -> tuple[str, ...]:
        """What is said at `t` s of sensors whose bodies' angles are not known: silent still, or back.

        Args:
            edge: the last block's end, s. away: numbers of the sensors that it had to do without.
        """
        finding = self.since
        lost = [i for i, s in enumerate(samples) if s.since > edge or i in away or i in finding]
        lost = [i for i in lost if i != self._unneeded]
        if not lost:
            return ()
        late = [channels[i].presence.overdue(t) for i in lost]
        names = [channels[i].name for i in lost]
        return tuple([
            f"{name} sensor is late, its angle is not known" if overdue
            else f"{name} sensor is back, its angle is being found"
            for name, overdue in zip(names, late, strict=True)
        ])  # fmt: skip
