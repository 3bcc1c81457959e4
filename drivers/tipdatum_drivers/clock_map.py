"""A device's own time stamps on the service's clock: offset and drift, whatever the transport adds.

A sample can come late (USB adapters and operating systems hold bytes back) but never early. So the arrivals
that took least time carry the clock: the line through the lowest points of arrival minus device time, as
the lower convex hull of the last minute gives it. What every sample needs at the least (the time on
the wire) stays inside and belongs to the sensor's `latency_s`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise


@dataclass(frozen=True, slots=True)
class Steadiness:
    """How good a device's clock is, and so how long its drift may be averaged."""

    bucket_s: float = 0.5
    """Of this time only the promptest arrival is kept."""
    buckets: int = 120
    """One minute: long enough to measure drift, short enough for a crystal that warms up."""
    drift_after_s: float = 10.0
    """Before this, drift cannot be told from jitter and is taken as zero."""
    largest_drift: float = 500e-6
    """Ceramic resonators of cheap boards stay within 0.05 %."""


CRYSTAL = Steadiness()
NOMINAL_RATE = Steadiness(bucket_s=0.1, buckets=50, drift_after_s=1.0, largest_drift=0.03)
"""For samples that are only counted: a module's sample rate may be some percent off what its maker says."""

RESTART_S = 1.0
"""A leap larger than this is a restart of the device, or bytes held back beyond use."""
ORDER_S = 1e-6
"""What lies between two samples that would get the same time."""
LONGEST_GAP_S = 0.05
"""Beyond some periods: how long USB adapters and busy computers hold bytes back without losing any."""


class ClockMap:
    """Maps the stamps of one device; call `map` with every one, in order.

    Args:
        tick_s: one count of the device's clock, s. bits: width of its counter, None if it does not wrap.
        steadiness: how good the device's clock is.
    """

    def __init__(self, tick_s: float = 1e-6, bits: int | None = 32, steadiness: Steadiness = CRYSTAL) -> None:
        self._tick, self._steadiness = tick_s, steadiness
        self._wrap = (1 << bits) if bits else None
        self._latest: float | None = None
        self._count: float | None = None
        self._restart()

    def map(self, count: float, arrived: float) -> float:
        """When the sample with stamp `count` was taken, s on the clock of `arrived`.

        Never after it, but for what keeps samples in order that came together: `ORDER_S` for each.
        """
        device = self._unwrapped(count)
        away = arrived - device
        if self._lows and abs(away - self._line(device)) > RESTART_S:
            self._restart()
            device = self._unwrapped(count)
            away = arrived - device
        self._keep(device, away)
        stamp = min(arrived, device + self._line(device))
        # The line may come down when a prompter sample shows up; order is kept all the same.
        if self._latest is not None and stamp <= self._latest:
            stamp = self._latest + ORDER_S
        self._latest = stamp
        return stamp

    @property
    def drift(self) -> float:
        """Seconds that the service's clock gains on the device's in a second."""
        return self._slope

    def _restart(self) -> None:
        self._lows: list[tuple[float, float]] = []
        self._bucket_end = 0.0
        self._slope = 0.0
        self._anchor = (0.0, 0.0)
        self._count = None
        self._turns = 0
        self._latest = None

    def _unwrapped(self, count: float) -> float:
        if self._wrap is not None and self._count is not None and count < self._count - self._wrap / 2:
            self._turns += 1
        self._count = count
        return (count + self._turns * (self._wrap or 0)) * self._tick

    def _line(self, device: float) -> float:
        x, y = self._anchor
        return y + self._slope * (device - x)

    def _keep(self, device: float, away: float) -> None:
        if not self._lows or device >= self._bucket_end:
            self._lows.append((device, away))
            del self._lows[: -self._steadiness.buckets]
            self._bucket_end = device + self._steadiness.bucket_s
            self._fit()
        elif away < self._lows[-1][1]:
            self._lows[-1] = (device, away)
            if away < self._line(device):
                self._fit()

    def _fit(self) -> None:
        """The supporting line from below: through the lowest point, along the hull's longest edge."""
        lows = self._lows
        if lows[-1][0] - lows[0][0] < self._steadiness.drift_after_s:
            self._slope = 0.0
            self._anchor = min(lows, key=lambda point: point[1])
            return
        hull: list[tuple[float, float]] = []
        for point in lows:
            while len(hull) >= 2 and _turn(hull[-2], hull[-1], point) <= 0.0:
                hull.pop()
            hull.append(point)
        middle = 0.5 * (lows[0][0] + lows[-1][0])
        # The edge under the middle of the window is the one that the most arrivals support.
        left, right = next((a, b) for a, b in pairwise(hull) if b[0] >= middle)
        slope = (right[1] - left[1]) / (right[0] - left[0])
        most = self._steadiness.largest_drift
        self._slope = max(-most, min(most, slope))
        self._anchor = min(lows, key=lambda point: point[1] - self._slope * point[0])


class EvenSamples:
    """Stamps for a device that tells no time but samples evenly: its samples are counted instead.

    Args:
        rate_hz: the device's sample rate, as its maker says.
    """

    def __init__(self, rate_hz: float) -> None:
        self._period = 1.0 / rate_hz
        self.restart()

    def restart(self) -> None:
        """Samples may have been lost: count anew."""
        self._map = ClockMap(self._period, None, NOMINAL_RATE)
        self._count = 0
        self._arrived: float | None = None

    def stamp(self, arrived: float) -> float:
        """When the sample that arrived just now was taken, s; its place among its neighbours is even."""
        if self._arrived is not None and arrived - self._arrived > LONGEST_GAP_S + 3.0 * self._period:
            self.restart()
        self._arrived = arrived
        self._count += 1
        return self._map.map(self._count, arrived)


def _turn(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
