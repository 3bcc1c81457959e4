"""Rates that leap and come back: single bad samples of a gyro, held back for a moment and thrown away.

A body of an excavator gathers speed in tenths of a second; between two readings 10 ms apart no gyro of 36
recorded and simulated digs, hammering and shocks included, changed by more than 0.37 rad/s. A reading that
leaps further is held back until the next ones tell what it was:

- they are back where the rate was before: it was none of the body's, and is thrown away and counted, unless
  the force leapt, too, and more than one reading went there;
- they stay where it went for `HOLD_S`: it was real, and all of them go on in order, with the time at which
  each came as the time of its sample;
- they leap again: the one before is thrown away, the new one held.

A blow on the ground rings for longer, and what a gyro tells while it does is the body's own turn: to throw
that away would lose degrees. It shows in the force of the same sensor, which leaps as well. Then a rate may
leap `STRUCK_TIMES` as far. A bucket that chatters in hard ground turns back and forth by 3 rad/s, thirty
times a second: where the force goes on leaping from one reading to the next, a rate may leap as far as such a
force can turn it, `RINGING_SM`. One bad line among good ones leaps once and is back, and allows nothing.

One bad rate of 0.4 rad/s over 10 ms turns an angle by 4 mrad, 28 mm at 7 m of reach; what is smaller passes.
Nothing is held, and so nothing late, while no rate leaps.
"""

from __future__ import annotations

import math
from math import dist
from typing import Final

from tipdatum_drivers.reading import Imu, Vector, handed_over

HOLD_S: Final = 0.1
"""Longest stretch of bad rates that is thrown away, s: a shock rings shorter, and figures bridge it."""
QUICK_RADPS2: Final = 10.0
"""What a rate may change by over longer intervals, rad/s²: arms reach half of it."""
STRUCK_MPS2: Final = 8.0
"""Leap of the force between two readings, m/s², that tells a blow: engines shake by 1 to 2 m/s² rms."""
STRUCK_S: Final = 0.15
"""How long a blow may ring on after such a leap, s."""
STRUCK_TIMES: Final = 4.0
"""How much further a rate may leap then, 1: a blow stops or turns back a bucket that turns at 1 rad/s, while
garbage on a line of ±2000 °/s is seldom so small."""
RINGING_SM: Final = 0.2
"""Leap of a rate, rad/s, for each m/s² by which the force has gone on leaping: that of a part 5 cm beside
the axis about which its body is shaken, in `USUAL_S`. Further out the same leap is more of a force."""
USUAL_S: Final = 0.01
"""Interval up to which the leap counts as that of two readings, s."""


class Glitches:
    """Holds back the leaping readings of one gyro.

    Args:
        leap: rad/s between two readings that is believed at once.
    """

    __slots__ = (
        "_earlier", "_force", "_held", "_leap", "_leapt", "_rate", "_ringing", "_struck", "_t", "thrown",
    )  # fmt: skip

    def __init__(self, leap: float) -> None:
        self._leap = leap
        self._rate: Vector | None = None
        self._t = -math.inf
        self._force: Vector | None = None
        self._earlier: Vector | None = None
        self._struck = -math.inf
        self._leapt = self._ringing = 0.0
        self._held: list[Imu] = []
        self.thrown: list[Imu] = []
        """Readings that the last call threw away."""

    def restart(self) -> None:
        """Forget what came before, as after a silence."""
        self._rate = self._force = self._earlier = None
        self._struck = -math.inf
        self._leapt = self._ringing = 0.0
        self._held.clear()

    def let_through(self, reading: Imu) -> tuple[Imu, ...]:
        """Take a reading; those that may be used now, oldest first."""
        rate, t = reading.gyro_radps, reading.t
        if rate is None:
            return (reading,)
        # No component leaps further than the vector: that settles nearly every reading, at half the cost.
        accel, force = reading.accel_mps2, self._force
        earlier, self._earlier, self._force = self._earlier, force, accel
        leapt = 0.0
        if force is not None and dist(accel, force) > STRUCK_MPS2 and _apart(accel, force) > STRUCK_MPS2:
            if t - self._struck > STRUCK_S:
                self._ringing = 0.0
            self._struck = t
            # What is back where it was two readings ago has not been struck twice.
            leapt = (
                _apart(accel, force) if earlier is None else min(_apart(accel, force), _apart(accel, earlier))
            )
            self._ringing = max(self._ringing, min(leapt, self._leapt))
        self._leapt = leapt
        before = self._rate
        if before is None or (not self._held and dist(rate, before) <= self._leap):
            self._rate, self._t = rate, t
            return (reading,)
        away = _apart(rate, before)
        if away <= self._believed(t, self._t):
            if self._held and not self._is_back(rate, away):
                return self._holding(reading, rate)
            self._rate, self._t = rate, t
            if len(self._held) > 1 and self._held[0].t - self._struck <= STRUCK_S:
                return self._released(reading)
            self.thrown, self._held = self._held, []
            return (reading,)
        return self._holding(reading, rate)

    def _believed(self, t: float, before: float) -> float:
        """How far a rate may leap from `before` to `t`, rad/s."""
        leap = self._leap
        if t - self._struck <= STRUCK_S:
            leap = max(STRUCK_TIMES * leap, RINGING_SM * self._ringing)
        return leap + QUICK_RADPS2 * max(0.0, t - before - USUAL_S)

    def _is_back(self, rate: Vector, away: float) -> bool:
        """Whether a rate near that before the leap is none of those that were held."""
        last = self._held[-1].gyro_radps
        assert last is not None
        return _apart(rate, last) >= away

    def _released(self, reading: Imu) -> tuple[Imu, ...]:
        """What was held, and `reading`: all of it was real."""
        held, self._held = self._held, []
        return (*(one for r in held if isinstance(one := handed_over(r, reading.t), Imu)), reading)

    def _holding(self, reading: Imu, rate: Vector) -> tuple[Imu, ...]:
        held, t = self._held, reading.t
        if held:
            last = held[-1]
            assert last.gyro_radps is not None
            if _apart(rate, last.gyro_radps) > self._believed(t, last.t):
                self.thrown, self._held = held, [reading]
                return ()
            if t - held[0].t >= HOLD_S:
                self._rate, self._t = rate, t
                return self._released(reading)
        held.append(reading)
        return ()


def _apart(a: Vector, b: Vector) -> float:
    """Largest difference of a component."""
    (x, y, z), (u, v, w) = a, b
    return max(abs(x - u), abs(y - v), abs(z - w))
