"""Which block the filter takes next, for whom it waits, and who is away; and how many epochs it takes.

Few while the arm works, more while it hardly moves: a step costs the same for one epoch as for ten. What it
works out once for all of them, Jacobians and covariances, is the truer the less the arm turns meanwhile:
single epochs while errors are large, short blocks in motion, long ones at rest. Whether the arm moves is seen
from the gyros before the step is taken, so that a motion begins with a block of its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

from tipdatum.fusion.chain.prediction import BlockEnd
from tipdatum.fusion.chain.samples import SampleBuffer
from tipdatum.fusion.chain.tuning import ChainOptions
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array
from tipdatum_drivers.reading import Vector

WAIT_S: Final = 0.06
"""Least time, s, that a block waits for a sensor that is late."""
LATE_S: Final = 0.25
"""Time, s, that a sensor may miss without its angle being found anew: a burst that came late."""


OPEN_ALL = 4
"""Epochs of a block in which all angles are found by how the arm is accelerated: shorter, vibration of the
gyros looks like it; longer, it does not last, and figures wait."""
OPEN_ONE, BRISK_RADPS = 2, 0.3
"""The same where single sensors are back, and their rate, rad/s, from which it is done: what a slower motion
feigns is within the doubt of a force, and figures come sooner."""
STARTS_RADPS = 0.06
"""Rate of a gyro, bias and all, from which a start may be one in motion, rad/s: twice what is common."""


class BlockSchedule:
    """Blocks begin at whole epochs; a sensor that falls silent is waited for, and then left out.

    Attributes:
        next: number of the epoch at which the next block begins; -1 before the first.
        due: s, when the next block will be full; a sensor that has not come so far need not be asked about.
        away: numbers of the sensors that the last block had to do without.
    """

    def __init__(self, channels: Sequence[Channel], samples: Sequence[SampleBuffer], epoch_s: float) -> None:
        self._channels, self._samples, self._length = channels, samples, epoch_s
        self.next = -1
        self.away: set[int] = set()
        self._awaited: set[int] = set()
        self._away_from: dict[int, float] = {}
        self._behind: set[int] = set()
        self.due = -math.inf

    def refit(self, channels: Sequence[Channel]) -> None:
        """Go on with changed descriptions of the same sensors."""
        self._channels = channels

    @property
    def edge(self) -> float:
        """Where the last block ended, s."""
        return self.next * self._length

    def is_due(self, i: int, now: float) -> bool:
        """Whether sensor `i`, which has just spoken at `now` s, may have been the last to fill the block."""
        if self._samples[i].t < self.due:
            return False
        self._behind.discard(i)
        return not self._behind or now >= self.due + WAIT_S

    def ready(self, span: float, now: float) -> tuple[int, list[int]] | None:
        """The next block of `span` s that can be taken at `now`: its first epoch, and who is missing."""
        number = self._first() if self.next < 0 else self._following(span)
        if number is None:
            return None
        start = number * self._length
        missing = [i for i, s in enumerate(self._samples) if not s.covers(start, start + span)]
        if any(self._waits_for(i, start, start + span, now) for i in missing):
            return None
        return number, missing

    def opening(self, number: int, missing: list[int]) -> int:
        """How many epochs it takes to find angles in the block that begins at epoch `number`, without those
        `missing`; 0: none is to be found, or little moves."""
        if self.next < 0:
            return OPEN_ALL if self._fastest(range(len(self._samples))) > STARTS_RADPS else 0
        if self.next < number or len(self.away) == len(self._samples):
            return OPEN_ALL
        return OPEN_ONE if self._fastest(self.away.difference(missing)) > BRISK_RADPS else 0

    def _fastest(self, sensors: Iterable[int]) -> float:
        return max((abs(w) for i in sensors for w in self._samples[i].rate), default=0.0)

    def _begins(self, s: SampleBuffer) -> int:
        """The first epoch that these samples tell without a gap."""
        return math.ceil(s.since / self._length - 1e-9)

    def _first(self) -> int | None:
        """The first block needs everybody."""
        if any(s.since == math.inf for s in self._samples):
            return None
        return max(self._begins(s) for s in self._samples)

    def _following(self, span: float) -> int | None:
        """Where the earliest block begins that anybody has filled."""
        begins = [(max(self._begins(s), self.next), s) for s in self._samples if s.since < math.inf]
        filled = [number for number, s in begins if s.t >= number * self._length + span]
        first = min(filled, default=None)
        if first is None or first == self.next:
            return first
        # Nobody spoke for a while: those that speak again at about the same time are found in one block.
        together = max(number for number, _ in begins if number <= first + OPEN_ALL)
        full = any(s.t >= together * self._length + span for number, s in begins if number <= together)
        return together if full else None

    def _waits_for(self, i: int, start: float, end: float, now: float) -> bool:
        """Whether a block has to wait for a sensor that has not filled it."""
        channel, s = self._channels[i], self._samples[i]
        if self.next < 0:
            return True
        if s.t >= end:
            # It did not speak all the time; nothing of that will come any more.
            return False
        # What a sensor said now may be that much older: as described, and as the filter has found since.
        wait = max(WAIT_S, 2.5 * channel.period, 1.5 * channel.longest)
        wait += channel.latency + max(0.0, s.delay)
        if now - end >= wait:
            return False
        if i not in self.away or i in self._awaited:
            return True
        if s.t > start and now - channel.last_t < wait:
            # It speaks again: from now on it is waited for.
            self._awaited.add(i)
            return True
        return False

    def lose_all(self) -> None:
        """Nobody spoke for a while."""
        self.away.update(range(len(self._samples)))
        self._away_from.clear()

    def lose(self, i: int) -> None:
        """What sensor `i` said does not count any more."""
        self._samples[i].restart()
        self.away.add(i)
        self._away_from.pop(i, None)

    def found_again(self, active: Array) -> list[int]:
        """Note who is in a block, (N,) bool; the sensors that were away and are in it.

        One that was only late, and missed less than `LATE_S`, is taken as if it had been there: its body's
        angle stands where it was and is doubted by what an arm turns meanwhile, less than a force says.
        """
        back = []
        for i, there in enumerate(active.tolist()):
            if there and i not in self.away:
                continue
            self._awaited.discard(i)
            if there:
                self.away.discard(i)
                if self.edge - self._away_from.pop(i, -math.inf) >= LATE_S:
                    back.append(i)
            elif i not in self.away:
                self.away.add(i)
                self._away_from[i] = self.edge
        return back

    def taken(self, after: int, span: float) -> None:
        """A block has been taken; the next begins at epoch `after` and is `span` s long."""
        self.next = after
        self.wait(span)

    def wait(self, span: float) -> None:
        """The next block is to be `span` s long."""
        self.due = self.edge + span
        self._behind = {i for i, s in enumerate(self._samples) if s.t < self.due and i not in self.away}


UPSET_S: Final = 4.0
"""Time, s, for which the filter takes single epochs after a start or a loss, while errors are too large for
what is worked out once a block."""


class BlockLength:
    """Decides it anew for every block."""

    def __init__(self, options: ChainOptions) -> None:
        # How many epochs, and the rate up to which so many are taken, rad/s.
        longer = [(options.epochs, options.quick_radps), (options.calm_epochs, options.calm_radps)]
        self._lengths = [(options.quick_epochs, math.inf)]
        self._lengths += [(many, rate) for many, rate in longer if many > options.quick_epochs]
        self._upset = -math.inf
        self._steady = False
        self._place = 0
        self._seen: list[tuple[float, Vector]] = []
        self._start: BlockEnd | None = None

    def upset(self, t: float) -> None:
        """Note that errors are large at `t` s."""
        self._upset = t

    def begin(self, start: BlockEnd, samples: Sequence[SampleBuffer], settled: bool) -> int:
        """How many epochs the block that begins at `start` has at least."""
        # Samples beyond the block may be there already.
        self._seen = [(start.edge, (x, y, z)) for x, y, z in filter(None, start.turned)]
        self._start, self._place = start, 0
        self._steady = settled and start.edge - self._upset >= UPSET_S and len(self._seen) == len(samples)
        return self._lengths[0][0] if self._steady else 1

    def go_on(self, epochs: int, samples: Sequence[SampleBuffer]) -> int:
        """How many epochs to take, now that the block could end after `epochs`: for more it waits.

        Where the arm has become too fast for so many, the block ends where it was last looked at.
        """
        if not self._steady:
            return epochs
        fastest = self._fastest(samples)
        self._seen = [(s.t, s.turned) for s in samples]
        if fastest > self._lengths[self._place][1]:
            self._steady = False
            return self._lengths[self._place - 1][0]
        if self._place + 1 == len(self._lengths) or fastest > self._lengths[self._place + 1][1]:
            return epochs
        self._place += 1
        return self._lengths[self._place][0]

    def _fastest(self, samples: Sequence[SampleBuffer]) -> float:
        """Fastest mean rate of any body since the last look, rad/s."""
        assert self._start is not None
        fastest = 0.0
        for s, (t, (x0, y0, z0)), gyro in zip(samples, self._seen, self._start.gyro, strict=True):
            span = s.t - t
            if span <= 0.0:
                continue
            x, y, z = s.turned
            x, y, z = (x - x0) / span, (y - y0) / span, (z - z0) / span
            (ax, ay, az), (bx, by, bz), (cx, cy, cz), (ox, oy, oz) = gyro
            rate = math.hypot(
                x * ax + y * bx + z * cx + ox, x * ay + y * by + z * cy + oy, x * az + y * bz + z * cz + oz
            )
            fastest = max(fastest, rate)
        return fastest
