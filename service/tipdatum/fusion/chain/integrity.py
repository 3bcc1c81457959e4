"""What is done where the sensors of the chain filter do not agree.

Whether they do is told by innovations and gyros (`consistency`) and by constants that no such part has
(`honesty`). At an alarm the sensor is named (`evidence`). Constants and reference then go back to a copy of
the state from before it, as mount and bias have taken up the contradiction; every angle is found anew, and no
figure is given until the sensors have agreed again in a motion that would show the fault, longer each time
the same sensor is suspected (`suspicion`).
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from typing import Final

import numpy as np

from tipdatum.fusion.arm import SensedArm
from tipdatum.fusion.chain.compiled import consistency_of
from tipdatum.fusion.chain.consistency import (
    WINDOWS,
    Alarm,
    Look,
    carried,
    unseen,
    unseen_rate,
    unwidened,
)
from tipdatum.fusion.chain.evidence import suspect, unfit
from tipdatum.fusion.chain.filter import ChainFilter, Kept
from tipdatum.fusion.chain.honesty import PriorCheck, words
from tipdatum.fusion.chain.integration import EpochBlock
from tipdatum.fusion.chain.noise import UPPER_TURNS
from tipdatum.fusion.chain.samples import SampleBuffer
from tipdatum.fusion.chain.suspicion import Suspicion
from tipdatum.fusion.estimator import Agreement, Event
from tipdatum.fusion.pose import Quality
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array

START_S: Final = 8.0
"""Time from a start, a silence of all or a sensor's becoming slow, s, in which a contradiction is no
sensor's: it is that of angles which were found in motion, or which took a slow sensor for a fast one."""
KEPT_EVERY_S, KEPT_BEFORE_S = 1.0, 3.0
"""How often a copy of the state is kept, and the least age of the one that an alarm goes back to, s."""
SELDOM_S: Final = 0.5
"""Time between readings of any sensor, s, from which nobody is suspected: an arm swings in it, and back, what
hangs on the body is carried along unseen, and all others take up what that leaves."""


class IntegrityMonitor:
    """Follows the blocks of a filter, and acts where its sensors do not agree.

    Args:
        samples: of each of the channels, in their order.
    """

    def __init__(self, arm: SensedArm, channels: Sequence[Channel], samples: Sequence[SampleBuffer]) -> None:
        self._samples = samples
        self._still = np.zeros(len(channels))
        self._consistency = consistency_of(len(channels))
        self._suspicion = Suspicion()
        self._honesty = PriorCheck()
        self._began = 0.0
        self._seldom = ""
        self._slow = 0
        self._moved: dict[int, float] = {}
        self._kept: deque[Kept] = deque(maxlen=6)
        self.describe(arm, channels)

    def describe(self, arm: SensedArm, channels: Sequence[Channel]) -> None:
        """Go on with a changed description of the same sensors."""
        self._arm, self._channels = arm, channels
        self._names = [channel.name for channel in channels]
        self.forget_copies()

    def begin(self, t: float) -> None:
        """All angles are found from `t` s on: a start, or the end of a silence of all."""
        self._began = t

    def found_anew(self, t: float) -> None:
        """An angle has been found anew at `t` s."""
        self._consistency.found_anew(t)

    def forget_copies(self) -> None:
        """Copies of the state no longer fit: its reference or its dimensions are others now."""
        self._kept.clear()

    def look(
        self, f: ChainFilter, block: EpochBlock, edge: float, span: float, levelling: bool
    ) -> tuple[list[Event], float]:
        """See whether the sensors agreed in the block that the filter has just taken.

        Args:
            edge, span: the block's end and length, s.
            levelling: whether mounts are still being levelled: until then no copy is kept.

        Returns:
            What there is to say, and by how much, s, the filter went back: 0 where it did not. Every angle
            has to be found anew then.
        """
        events: list[Event] = []
        self._notice_slow(edge)
        self._seldom = next((ch.name for ch in self._channels if ch.period > SELDOM_S), "")
        if edge - self._began > START_S and self._seldom:
            return self._unjudged(f, edge, span), 0.0
        look = self._seen(f, block, edge, span)
        alarm, suspicion, kept = self._consistency.look(look), self._suspicion, self._kept
        if self._honesty.is_due(edge) and self._honesty.look(f.in_priors()):
            assert self._honesty.beyond is not None
            name = self._names[self._honesty.beyond]
            events.append(Event(edge, "consistency", words(name), name))
        if alarm is not None and kept:
            if alarm.t - self._began > START_S:
                events += self._suspect(f, alarm)
            return events, self._go_back(f, alarm)
        if suspicion.sensor is not None:
            name = self._names[suspicion.sensor]
            if block.active.all() and suspicion.agree(look, max(self._consistency.ratios) * unwidened(look)):
                events.append(Event(edge, "consistency", f"{name} sensor agrees again", name))
        elif alarm is None and not levelling and (not kept or edge - kept[-1].t >= KEPT_EVERY_S):
            kept.append(f.kept(edge))
        return events, 0.0

    def _notice_slow(self, edge: float) -> None:
        """A sensor that has become slow was believed too much until that was known, and bent all others."""
        slow = sum(samples.slow is not None for samples in self._samples)
        if slow > self._slow:
            self._began = edge
        self._slow = slow

    def _unjudged(self, f: ChainFilter, edge: float, span: float) -> list[Event]:
        """A block beside a sensor that speaks too seldom: what is suspected goes on, or came of that."""
        suspicion, motion = self._suspicion, f.motion
        if suspicion.sensor is None or motion is None:
            return []
        name = self._names[suspicion.sensor]
        if not suspicion.go_on_unjudged(edge, span, f.fastest):
            return []
        return [Event(edge, "consistency", self._nobody_judged, name)]

    @property
    def _nobody_judged(self) -> str:
        """Why nobody can be judged."""
        return f"nobody is judged beside the {self._seldom} sensor, which speaks less than twice a second"

    def _seen(self, f: ChainFilter, block: EpochBlock, edge: float, span: float) -> Look:
        """What the block showed."""
        motion = f.motion
        assert motion is not None
        force, rate = block.means()
        unseen_force, unseen_turn = self._unseen(f, motion.mean.theta)
        unknown = self._still
        if f.gyroless:
            unknown = carried(f.by_turning(motion.mean.theta), _unseen_rates(f) ** 2)
        return Look(
            edge, span, f.innovation, block.shake, force, rate,
            motion.mean.roll_rate, motion.mean.plane_rate, motion.mean.theta, motion.gyro, block.active,
            f.fastest, unseen_force, unseen_turn, unknown,
        )  # fmt: skip

    def _unseen(self, f: ChainFilter, theta: Array) -> tuple[Array, float]:
        """What each sensor's samples may leave out of accelerations, (N,) m/s², and of rates; see `Look`."""
        told = np.zeros(len(self._samples))
        rate = 0.0
        if self._slow:
            told[:] = [0.0 if s.slow is None else unseen(s.slow.force, s.slow.rate) for s in self._samples]
            rate = max(0.0 if s.slow is None else unseen_rate(s.slow.rate) for s in self._samples)
            missed = [0.0 if s.slow is None else s.slow.rate / s.period for s in self._samples]
            told = np.hypot(told, carried(f.by_turning(theta), np.array(missed)) / WINDOWS[0].span)
        for i, channel in enumerate(self._channels):
            if i in f.gyroless or channel.period > SELDOM_S:
                told[i] = math.inf
        return told, rate

    def _suspect(self, f: ChainFilter, alarm: Alarm) -> list[Event]:
        """Name the sensor that does not agree."""
        g, worse = self._arm.machine.gravity_mps2, self._honesty.beyond
        found = suspect(alarm, self._consistency.looks, self._names, g, f.by_turning, worse)
        if found.text == unfit(self._names[found.sensor]):
            self._moved[found.sensor] = alarm.t
        if not self._suspicion.begin(alarm.t, *found):
            return []
        named = Event(alarm.t, "consistency", found.text, self._names[found.sensor])
        return [named, *(Event(alarm.t, "consistency", text) for text in self._held_doubts)]

    def _go_back(self, f: ChainFilter, alarm: Alarm) -> float:
        """Begin anew from before the alarm; by how much earlier that was, s."""
        kept = next((one for one in reversed(self._kept) if alarm.t - one.t >= KEPT_BEFORE_S), self._kept[0])
        back = alarm.t - kept.t
        f.go_back(kept, back, [i for i, since in self._moved.items() if since > kept.t])
        self._consistency.found_anew(alarm.t)
        return back

    @property
    def _held_doubts(self) -> tuple[str, ...]:
        """What else it may be where sensors do not agree: a joint that nothing tells has been moved."""
        held = (body.replace("_", " ") for body in self._arm.held_untold)
        return tuple(f"or the {body}, which is described as held, has moved" for body in held)

    def judge(self, quality: Quality, reasons: tuple[str, ...]) -> tuple[Quality, tuple[str, ...]]:
        """Add what is known here to a pose's quality and its reasons; the worst applies."""
        suspicion = self._suspicion
        if suspicion.sensor is not None and quality != "invalid":
            stands = suspicion.stands and quality == "good"
            quality, reasons = "settling" if stands else "invalid", (suspicion.text, *self._held_doubts)
            if self._seldom:
                reasons = (*reasons, self._nobody_judged)
        if (worse := self._honesty.beyond) is not None and quality == "good":
            quality, reasons = "settling", (*reasons, words(self._names[worse]))
        return quality, reasons

    def agreement(self) -> dict[str, Agreement]:
        """By name how each sensor agrees with the others; see `Estimator.agreement`."""
        found, suspicion = self._consistency, self._suspicion
        both = zip(self._names, found.peaks, found.vibration, strict=True)
        said: dict[int | None, str] = {}
        if (worse := self._honesty.beyond) is not None:
            said[worse] = words(self._names[worse])
        if suspicion.sensor is not None:
            said[suspicion.sensor] = suspicion.text
        return {
            name: Agreement(ratio, shaken, said.get(i, "")) for i, (name, ratio, shaken) in enumerate(both)
        }


def _unseen_rates(f: ChainFilter) -> Array:
    """(N,) rad/s, how fast bodies may turn whose sensor has no gyro, nought of all others.

    What is inferred from forces comes late, and by halves: such a body may turn as fast as the fastest, the
    upper by the share of that by which it turns less than its arm.
    """
    rates = np.zeros(f.n)
    for i in f.gyroless:
        rates[i] = f.fastest * (UPPER_TURNS if f.on_upper and i == 0 else 1.0)
    return rates
