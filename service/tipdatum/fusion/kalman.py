"""The measurement update of a Kalman filter, in a form that keeps the covariance symmetric.

With S = H P Hᵀ + R = L Lᵀ and W = L⁻¹ H P:   x ← x + Wᵀ L⁻¹ z,   P ← P - Wᵀ W

which is the optimal update P - K S Kᵀ. Source: Cholesky form of the update, for instance Bar-Shalom, Li &
Kirubarajan, *Estimation with Applications to Tracking and Navigation*, ch. 7.
"""

from __future__ import annotations

import numpy as np

from tipdatum.kinematics.frames import Array


def update(x: Array, P: Array, H: Array, z: Array, R: Array, HP: Array | None = None) -> None:
    """Change `x` (n,) and `P` (n, n) by the innovation `z` (m,) with Jacobian `H` (m, n) and noise `R` (m, m).

    `HP` is H @ P where the caller has it already.
    """
    if HP is None:
        HP = H @ P
    L = np.linalg.cholesky(HP @ H.T + R)
    solved = np.linalg.solve(L, np.concatenate([HP, z[:, None]], axis=1))
    W = solved[:, :-1]
    x += W.T @ solved[:, -1]
    P -= W.T @ W
