"""From what the sensors give to force and rate in body axes, freed of the constants as they are known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tipdatum.fusion.chain_filter import ChainFilter
from tipdatum.fusion.sensors import Channel


class Freeing:
    """A row of force and rate, as the sensor gives it, is row @ turn + offset in body axes.

    Attributes:
        turn, offset: (N, 6, 6), (N, 6); renewed after every step of the filter.
    """

    def __init__(self, channels: Sequence[Channel], has_gyro: Sequence[bool], f: ChainFilter) -> None:
        n = len(channels)
        # Calibration and mount of the description, which the filter's constants go on from.
        self._turn, self._offset = np.zeros((n, 6, 6)), np.zeros((n, 6))
        for i, ch in enumerate(channels):
            self._turn[i, :3, :3], self._offset[i, :3] = ch.force_turn.T, ch.force_offset
            if has_gyro[i]:
                self._turn[i, 3:, 3:], self._offset[i, 3:] = ch.rate_turn.T, ch.rate_offset
        self.renew(f)

    def renew(self, f: ChainFilter) -> None:
        """Take over what the filter knows of the constants now."""
        turn, offset = f.correction()
        self.offset = (self._offset[:, None] @ turn)[:, 0] + offset
        self.offset[f.gyroless, 3:] = 0.0
        self.turn = self._turn @ turn

    def of_rates(self) -> list[list[list[float]]]:
        """For each sensor the three rows of its rate's part of `turn`, and that of `offset`."""
        rows: list[list[list[float]]] = np.concatenate(
            [self.turn[:, 3:, 3:], self.offset[:, None, 3:]], axis=1
        ).tolist()
        return rows
