"""Kalman filters for several manners of motion side by side, weighted by how well each explains the readings.

The interacting multiple model: filters are mixed by the chance that the manner changed, each predicts and is
updated, and its weight grows with the likelihood of its innovation. Source: Blom & Bar-Shalom, IEEE Trans.
Automatic Control 33 (1988) 780 (from memory).
"""

from __future__ import annotations

import numpy as np

from tipdatum.kinematics.frames import Array

LEAST_WEIGHT = 1e-4
"""No manner is ever ruled out."""


class Modes:
    """M filters over one state.

    Attributes:
        x: (M, n) states. P: (M, n, n) covariances. weight: (M,) probabilities.
    """

    def __init__(self, x: Array, P: Array, weight: Array, change: Array) -> None:
        """Start all filters alike.

        Args:
            x: (n,). P: (n, n). weight: (M,).
            change: (M, M) chance of going from the row's manner to the column's within a step.
        """
        m = len(weight)
        self.x, self.P = np.tile(x, (m, 1)), np.tile(P, (m, 1, 1))
        self.weight, self._change = weight.copy(), change

    def mix(self) -> None:
        """Let the manners change."""
        joint = self.weight[:, None] * self._change
        self.weight = joint.sum(0)
        share = (joint / self.weight).T
        x = share @ self.x
        off = self.x[None] - x[:, None]
        self.P = np.einsum("ji,iab->jab", share, self.P) + np.einsum("ji,jia,jib->jab", share, off, off)
        self.x = x

    def predict(self, x: Array, F: Array, Q: Array) -> None:
        """Take each filter to (M, n) `x` with derivative `F` and noise `Q`, (M, n, n) each."""
        self.x = x
        P = F @ self.P @ F.swapaxes(1, 2) + Q
        self.P = 0.5 * (P + P.swapaxes(1, 2))

    def update(self, H: Array, z: Array, R: Array) -> None:
        """Take a measurement `z` (m,) of the rows `H` (m, n) with noise `R` (m,)."""
        HP = H @ self.P
        S = HP @ H.T + np.diag(R)
        inverse = np.linalg.inv(np.linalg.cholesky(S))
        W = inverse @ HP
        white = (inverse @ (z - self.x @ H.T)[:, :, None])[:, :, 0]
        self.x = self.x + (W.swapaxes(1, 2) @ white[:, :, None])[:, :, 0]
        self.P = self.P - W.swapaxes(1, 2) @ W
        logs = np.log(np.diagonal(inverse, axis1=1, axis2=2)).sum(1) - 0.5 * (white * white).sum(1)
        weight = self.weight * np.exp(logs - logs.max())
        self.weight = np.maximum(weight / weight.sum(), LEAST_WEIGHT)
        self.weight /= self.weight.sum()

    def compare(self, manner: int, places: slice, variance: float) -> None:
        """Lower the weight of `manner` by how unlikely zeros at `places` are before it makes them so."""
        mean, P = self.joint()
        rates = mean[places]
        S = P[places, places] + variance * np.eye(len(rates))
        self.weight[manner] *= np.exp(-0.5 * float(rates @ np.linalg.solve(S, rates)))
        self.weight = np.maximum(self.weight / self.weight.sum(), LEAST_WEIGHT)
        self.weight /= self.weight.sum()

    def joint(self) -> tuple[Array, Array]:
        """Mean (n,) and covariance (n, n) over all filters."""
        mean = self.weight @ self.x
        off = self.x - mean
        P = np.einsum("i,iab->ab", self.weight, self.P) + (off * self.weight[:, None]).T @ off
        return mean, P

    def open(self, place: int, value: float, variance: float) -> None:
        """Forget what is known of one quantity: `value` with `variance`, unrelated to all others."""
        self.x[:, place] = value
        self.P[:, place, :] = 0.0
        self.P[:, :, place] = 0.0
        self.P[:, place, place] = variance
