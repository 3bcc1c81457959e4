"""What tells the swing of a boom beside the gyros: an encoder at its foot, or that it is held somewhere.

Readings are averaged over a block. One that the gyros contradict is left out, and said: an encoder whose
coupling slips, or a boom that is called held and has been moved.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

import numpy as np

from tipdatum.fusion.arm import SensedArm
from tipdatum.fusion.chain.filter import ChainFilter
from tipdatum.fusion.chain.measurement import ToldSwing
from tipdatum.fusion.estimator import Event
from tipdatum_drivers.reading import Slew

READING_RAD = math.radians(0.2)
"""1-sigma of one reading of an encoder, rad: what low-cost ones are resolved to, and its coupling's play."""
HELD_RAD = math.radians(0.5)
"""How far a boom that is held moves to and fro in its pins, rad."""
RATE_S, RATE_READINGS = 0.3, 3
"""Span, s, over which readings of an encoder tell how fast the boom swings, and how many it takes."""
SILENT_S = 1.0
"""Silence after which an encoder no longer tells the swing, s."""
UNKNOWN_RAD = math.radians(5.0)
"""1-sigma of the swing above which it counts as not known, rad: at 6 m of reach half a metre sideways."""
BELIED_RAD, BELIED_SIGMAS = math.radians(3.0), 4.0
"""Distance from the gyros' swing, rad and in its 1-sigma, beyond which what is told is not believed; half of
it to be believed again."""


class SwingTold:
    """Keeps the readings of an encoder until a block takes them.

    Attributes:
        encoder: the sensor's name; None where there is none.
    """

    def __init__(self, arm: SensedArm) -> None:
        self._readings: deque[tuple[float, float]] = deque(maxlen=400)
        self._last = -math.inf
        self._belied = False
        self.describe(arm)

    def describe(self, arm: SensedArm) -> None:
        """Go on with a changed description."""
        machine = arm.machine
        self.encoder = machine.swing_sensor
        sensor = None if self.encoder is None else machine.sensor[self.encoder]
        self._late = 0.0 if sensor is None else sensor.latency_s
        self._yaw = 0.0 if sensor is None else math.radians(sensor.mount_rpy_deg[2])
        swing = machine.boom_swing
        held = None if swing is None or self.encoder is not None else swing.held_deg
        self._held = None if held is None else math.radians(held)
        self._place = next((k for k, turn in enumerate(arm.turns) if turn.joint == "boom_swing"), None)

    def add(self, reading: Slew) -> None:
        """Take a reading of the encoder."""
        self._last = reading.t
        self._readings.append((reading.t - self._late, math.radians(reading.angle_deg) + self._yaw))

    def over(self, start: float, end: float) -> ToldSwing | None:
        """What is told for the block from `start` to `end` s; drops what is older."""
        if self._held is not None:
            return ToldSwing(self._held, HELD_RAD**2, 0.0)
        readings = self._readings
        while readings and readings[0][0] < min(start, end - RATE_S):
            readings.popleft()
        within = [one for one in readings if start <= one[0] <= end]
        if not within:
            return None
        n = len(within)
        angle, age = sum(a for _, a in within) / n, sum(end - t for t, _ in within) / n
        return ToldSwing(angle, READING_RAD**2 / n, age, self._rate(end))

    def _rate(self, end: float) -> float:
        """How fast the boom swings at `end` s, rad/s, by a line through the last readings; 0: too few."""
        last = [(t - end, angle) for t, angle in self._readings if end - RATE_S <= t <= end]
        if len(last) < RATE_READINGS:
            return 0.0
        t, angle = np.array(last).T
        t -= t.mean()
        return float(t.dot(angle) / t.dot(t))

    def believed(
        self, told: ToldSwing | None, t: float, f: ChainFilter
    ) -> tuple[ToldSwing | None, list[Event]]:
        """What is told for the filter's next block, unless the gyros contradict it; what there is to say."""
        if self._place is None or told is None or not f.setup.side_has_gyro(self._place):
            return told, []
        at, zero = f.at.side.start + self._place, f.at.zero.start
        off = abs(told.angle - float(f.x[at]) - float(f.x[zero]))
        variance = float(f.P[at, at] + f.P[zero, zero] + 2.0 * f.P[at, zero])
        limit = BELIED_RAD + BELIED_SIGMAS * math.sqrt(max(variance, 0.0))
        before, self._belied = self._belied, off > (0.5 * limit if self._belied else limit)
        events = []
        if self._belied != before:
            again = "what tells the boom's swing goes with the gyros again"
            text = self._contradiction if self._belied else again
            events.append(Event(t, "swing", text, self.encoder or ""))
        return None if self._belied else told, events

    @property
    def _contradiction(self) -> str:
        if self._held is not None:
            return "the boom is described as held, but has swung"
        return f"{self.encoder} sensor and gyros do not agree on the boom's swing"

    def reasons(self, t: float, angles: Sequence[Sequence[float]], sensors: int) -> tuple[str, ...]:
        """What there is to say of the swing.

        Args:
            angles: covariance of a pose's angles as the filter knows them, rad². sensors: N.
        """
        if self._place is None:
            return ()
        found = []
        if self._belied:
            found.append(self._contradiction)
        elif self.encoder is not None and t - self._last > SILENT_S:
            found.append(f"{self.encoder} sensor silent, boom's swing by gyros alone")
        place = sensors + 1 + self._place
        if angles[place][place] > UNKNOWN_RAD**2:
            found.append("boom's swing not known: sideways distances are off")
        return tuple(found)
