"""From the angles of the sensors' bodies to the q of the arm: held joints, no upper, the rocker's linkage."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tipdatum.fusion.arm import Arm
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array
from tipdatum.machine import ARM


class Posture:
    """The map from (θ_1 … θ_N, roll) to q of one arm.

    Attributes:
        fixed: ∂q/∂(θ_1 … θ_N, roll) where it is always the same; None with a rocker, whose linkage is part
            of it.
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
        self._map = np.zeros((arm.size, n + 1))
        for k, source in enumerate(self._source):
            if source is not None:
                self._map[k, source] = 1.0
        self._places = list(zip(self._source, self._offset, strict=True))
        self.fixed = self._map if self._rocker is None or self._linkage is None else None

    def join(
        self, angles: Sequence[float], rates: Sequence[float]
    ) -> tuple[list[float] | None, list[float], Array]:
        """The arm's q, its rates, and ∂q/∂(θ_1 … θ_N, roll); q is None where the linkage cannot close."""
        J = self._map
        q = [offset if i is None else angles[i] + offset for i, offset in self._places]
        q_rate = [0.0 if i is None else rates[i] for i in self._source]
        if self._rocker is None or self._linkage is None:
            return q, q_rate, J
        i = self._rocker
        solution = self._linkage.bucket_at(angles[i] - q[-2])
        if solution is None:
            return None, q_rate, J
        bucket, ratio = solution
        J = J.copy()
        J[-1] = (1.0 - ratio) * J[-2]
        J[-1, i] += ratio
        q[-1] = q[-2] + bucket
        q_rate[-1] = (1.0 - ratio) * q_rate[-2] + ratio * rates[i]
        return q, q_rate, J
