"""From the angles of the sensors' bodies to the q of the arm: held joints, no upper, the rocker's linkage."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tipdatum.fusion.arm import Arm
from tipdatum.fusion.sensors import Channel
from tipdatum.kinematics.frames import Array
from tipdatum.machine import ARM


class Posture:
    """The map from (θ_1 … θ_N, roll) to q of one arm; fixed but for the rocker."""

    def __init__(self, arm: Arm, channels: Sequence[Channel]) -> None:
        n = len(channels)
        self._linkage = arm.linkage
        self._map, self._offset = np.zeros((arm.size, n + 1)), np.zeros(arm.size)
        self._map[1, n] = 1.0
        self._rocker = next((i for i, ch in enumerate(channels) if ch.sensor.body == "rocker"), None)
        place = {ch.sensor.body: i for i, ch in enumerate(channels)}
        for k, body in enumerate(("upper", "", *ARM)):
            before = k - 1 if k > 2 else 0
            if body in place:
                self._map[k, place[body]] = 1.0
            elif k > 1:
                self._map[k] = self._map[before]
                self._offset[k] = self._offset[before] + arm.held.get(body, 0.0)

    def join(self, angles: Array, rates: Array) -> tuple[Array | None, Array, Array]:
        """The arm's q, its rates, and ∂q/∂(θ_1 … θ_N, roll); q is None where the linkage cannot close."""
        J = self._map
        q = J.dot(angles)
        q += self._offset
        q_rate = J.dot(rates)
        if self._rocker is None or self._linkage is None:
            return q, q_rate, J
        i = self._rocker
        solution = self._linkage.bucket_from_rocker(angles[i] - q[-2])
        if not bool(solution.closes[0]):
            return None, q_rate, J
        ratio = float(solution.ratio[0])
        J = J.copy()
        J[-1] = (1.0 - ratio) * J[-2]
        J[-1, i] += ratio
        q[-1] = q[-2] + float(solution.bucket[0])
        q_rate[-1] = (1.0 - ratio) * q_rate[-2] + ratio * rates[i]
        return q, q_rate, J
