"""The measurement update of a Kalman filter, in a form that keeps the covariance symmetric.

With S = H P Hᵀ + R = L Lᵀ and W = L⁻¹ H P:   x ← x + Wᵀ L⁻¹ z,   P ← P - Wᵀ W

which is the optimal update P - K S Kᵀ. Source: Cholesky form of the update, for instance Bar-Shalom, Li &
Kirubarajan, *Estimation with Applications to Tracking and Navigation*, ch. 7.
"""

from __future__ import annotations

import numpy as np

from tipdatum.kinematics.frames import Array


def update(
    x: Array, P: Array, H: Array, z: Array, R: Array, known: tuple[Array, Array] | None = None
) -> None:
    """Change `x` (n,) and `P` (n, n) by the innovation `z` (m,), Jacobian `H` (m, n) and noise `R` (m, m).

    `known` is (H P, H P Hᵀ + R) where the caller has them already.
    """
    HP = H.dot(P) if known is None else known[0]
    S = HP.dot(H.T) + R if known is None else known[1]
    # S is small; its factor's inverse and one product are faster than solving for every column.
    inverse = np.linalg.inv(np.linalg.cholesky(S))
    W = inverse.dot(HP)
    x += inverse.dot(z).dot(W)
    P -= W.T @ W
