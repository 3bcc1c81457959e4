"""The spread of a pose whose angles come from those of the sensors' bodies."""

from __future__ import annotations

from collections.abc import Sequence
from operator import mul

import numpy as np

from tipdatum.fusion.posture import Posture
from tipdatum.kinematics.frames import Array
from tipdatum_drivers.values import value


@value
class SensorSpread:
    """See `tipdatum.fusion.pose.Spread`. By the bodies' angles, with J = ∂q/∂(θ_1 … θ_N, roll):

        J (stated + diag(added)) Jᵀ + late lateᵀ + level in the upper's own place

    In plain arithmetic: arrays of five numbers cost more than what is computed with them.

    Attributes:
        posture, ratio: J, see `Posture`.
        stated: (N + 1, N + 1) rad², row by row, of the filter's last step.
        added: (N + 1,) rad², what going on from there adds.
        late: (2 + n,) rad, what the latency that all sensors share makes of the rates.
        level: rad², doubt in the upper where no sensor tells it.
    """

    posture: Posture
    ratio: float | None
    stated: list[list[float]]
    added: list[float]
    late: list[float]
    level: float = 0.0

    def along(self, row: Sequence[float]) -> tuple[float, float]:
        """See `Spread.along`."""
        own = self.posture.back(row, self.ratio)
        stated = sum(map(mul, own, [sum(map(mul, line, own)) for line in self.stated]))
        late = sum(map(mul, self.late, row))
        ahead = sum(map(mul, self.added, map(mul, own, own))) + late * late
        return stated + self.level * row[0] * row[0] + ahead, ahead

    def covariance(self) -> Array:
        """See `Spread.covariance`."""
        J = self.posture.jacobian(self.ratio)
        found = J @ np.array(self.stated) @ J.T + self.prediction()
        found[0, 0] += self.level
        return np.asarray(found)

    def prediction(self) -> Array:
        """See `Spread.prediction`."""
        J = self.posture.jacobian(self.ratio)
        return np.asarray((J * self.added) @ J.T + np.outer(self.late, self.late))
