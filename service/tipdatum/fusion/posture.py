"""From the angles of the sensors' bodies to the q of the arm: held joints, no upper, the rocker's linkage."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tipdatum.fusion.arm import Arm
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array
from tipdatum.machine.description import ARM


class Posture:
    """The map from (θ_1 … θ_N, roll) to q of one arm; fixed but for the rocker.

    With J = ∂q/∂(θ_1 … θ_N, roll), which is made of zeros and ones but for the bucket's row over a rocker:
    that one follows from the linkage's `ratio`, dβ/dρ, as `join` finds it (None without a rocker).
    """

    def __init__(self, arm: Arm, channels: Sequence[Channel]) -> None:
        n = len(channels)
        self._linkage = arm.linkage
        self._rocker = next((i for i, ch in enumerate(channels) if ch.sensor.body == "rocker"), None)
        place: dict[str, int] = {ch.sensor.body: i for i, ch in enumerate(channels)}
        # Every angle of q is one of the sensors' (None: level) and a held angle on top.
        self._source: list[int | None] = [place.get("upper"), n]
        self._offset = [0.0, 0.0]
        for k, body in enumerate(ARM, start=2):
            before = k - 1 if k > 2 else 0
            told = body in place
            self._source.append(place[body] if told else self._source[before])
            self._offset.append(0.0 if told else self._offset[before] + arm.held.get(body, 0.0))
        self._size = n + 1
        self._map = np.zeros((arm.size, n + 1))
        for k, source in enumerate(self._source):
            if source is not None:
                self._map[k, source] = 1.0
        self._places = list(zip(self._source, self._offset, strict=True))

    def join(
        self, angles: Sequence[float], rates: Sequence[float]
    ) -> tuple[list[float] | None, list[float], float | None]:
        """The arm's q, its rates, and the linkage's ratio; q is None where the linkage cannot close."""
        q = [offset if i is None else angles[i] + offset for i, offset in self._places]
        q_rate = [0.0 if i is None else rates[i] for i in self._source]
        if self._rocker is None or self._linkage is None:
            return q, q_rate, None
        i = self._rocker
        solution = self._linkage.bucket_at(angles[i] - q[-2])
        if solution is None:
            return None, q_rate, None
        bucket, ratio = solution
        q[-1] = q[-2] + bucket
        q_rate[-1] = (1.0 - ratio) * q_rate[-2] + ratio * rates[i]
        return q, q_rate, ratio

    def jacobian(self, ratio: float | None) -> Array:
        """J, (2 + n, N + 1)."""
        if ratio is None:
            return self._map
        J = self._map.copy()
        J[-1] = (1.0 - ratio) * J[-2]
        J[-1, self._rocker] += ratio
        return J

    def forth(self, column: Sequence[float], ratio: float | None) -> list[float]:
        """J · column: what belongs to (θ_1 … θ_N, roll), (N + 1,), as it belongs to q, (2 + n,)."""
        found = [0.0 if i is None else column[i] for i in self._source]
        if ratio is not None and self._rocker is not None:
            found[-1] = (1.0 - ratio) * found[-2] + ratio * column[self._rocker]
        return found

    def back(self, row: Sequence[float], ratio: float | None) -> list[float]:
        """row · J: derivatives by q, (2 + n,), as derivatives by (θ_1 … θ_N, roll), (N + 1,)."""
        found = [0.0] * self._size
        last = len(row) - 1
        for k, i in enumerate(self._source):
            if i is not None and (k < last or ratio is None):
                found[i] += row[k]
        if ratio is not None and self._rocker is not None:
            before = self._source[-2]
            if before is not None:
                found[before] += (1.0 - ratio) * row[last]
            found[self._rocker] += ratio * row[last]
        return found
