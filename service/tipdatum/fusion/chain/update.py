"""Taking what a block has shown into the state: covariance of the innovations, and the gain.

See `docs/estimator.md`, section "Measurements".
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tipdatum.fusion.chain.model import FilterSetup, diagonal
from tipdatum.fusion.chain.rows import Measurement
from tipdatum.kinematics.frames import Array


class InnovationCovariance(NamedTuple):
    """Covariances of the innovations with the state, (m, n), and with each other, (m, m).

    Attributes:
        distances: each sensor's squared, normalised innovation, of three velocities.
    """

    with_state: Array
    own: Array
    distances: list[float]


class UpdateModel:
    """Compares innovations with their covariance, and takes them into the state."""

    def __init__(self, setup: FilterSetup) -> None:
        self._setup = setup

    def covariance(self, P: Array, measured: Measurement, noise: Array) -> InnovationCovariance:
        """That of the innovations, with `noise` (3N,) (m/s)² what the block has added to the velocities.

        The mean velocity over a block holds a third of the noise that its end holds, and half in common.
        """
        H, at = measured.H, self._setup.at
        with_state = H.dot(P)
        own = with_state.dot(H.T)
        own += measured.R
        diagonal(with_state, at.velocity.start)[: len(noise)] -= 0.5 * noise
        diagonal(own)[: len(noise)] -= (2.0 / 3.0) * noise
        return InnovationCovariance(with_state, own, self._distances(measured.z, own))

    def _distances(self, z: Array, own: Array) -> list[float]:
        n, i = self._setup.n, self._setup.i
        innovation = z[: 3 * n].reshape(n, 3)
        of_each = own[: 3 * n, : 3 * n].reshape(n, 3, n, 3)[i, :, i]
        solved = np.linalg.solve(of_each, innovation[:, :, None])[:, :, 0]
        distances: list[float] = (innovation * solved).dot(np.ones(3)).tolist()
        return distances

    def take(self, x: Array, P: Array, measured: Measurement, known: InnovationCovariance) -> None:
        """Change `x` (n,) and `P` (n, n) by what has been measured."""
        update(x, P, measured.H, measured.z, measured.R, (known.with_state, known.own))


def update(
    x: Array, P: Array, H: Array, z: Array, R: Array, known: tuple[Array, Array] | None = None
) -> None:
    """The measurement update of a Kalman filter, in a form that keeps the covariance symmetric.

    With S = H P Hᵀ + R = L Lᵀ and W = L⁻¹ H P:   x ← x + Wᵀ L⁻¹ z,   P ← P - Wᵀ W, which is the optimal
    update P - K S Kᵀ. Source: Cholesky form of the update, for instance Bar-Shalom, Li & Kirubarajan,
    *Estimation with Applications to Tracking and Navigation*, ch. 7. Changes `x` (n,) and `P` (n, n) by the
    innovation `z` (m,), Jacobian `H` (m, n) and noise `R` (m, m).

    `known` is (H P, H P Hᵀ + R) where the caller has them already.
    """
    HP = H.dot(P) if known is None else known[0]
    S = HP.dot(H.T) + R if known is None else known[1]
    # S is small; its factor's inverse and one product are faster than solving for every column.
    inverse = np.linalg.inv(np.linalg.cholesky(S))
    W = inverse.dot(HP)
    x += inverse.dot(z).dot(W)
    P -= W.T @ W
