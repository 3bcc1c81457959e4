"""What the filter knows of the angles and of the reference, the same for all poses until its next step."""

from __future__ import annotations

from typing import NamedTuple

from tipdatum.fusion.chain_filter import ChainFilter
from tipdatum.fusion.rocking import Pivot


class Knowledge(NamedTuple):
    """Covariances are those stated: times the square of the filter's `share`.

    Attributes:
        angles: (N + 1, N + 1) rad², covariance of θ_1 … θ_N and roll, row by row.
        anchor_m, anchor_m2, with_anchor: the anchor, its variance, and its covariance (N + 1,) with those
            angles, m·rad; None without one.
        pivot: about which the machine rocks; None where its tracks are not described.
    """

    angles: list[list[float]]
    anchor_m: float
    anchor_m2: float
    with_anchor: list[float] | None
    pivot: Pivot | None

    @classmethod
    def of(cls, f: ChainFilter, anchored: bool) -> Knowledge:
        """That of the filter as it stands."""
        n, anchor, share, P = f.n, f.at.anchor, f.share**2, f.P
        angles = (share * P[: n + 1, : n + 1]).tolist()
        pivot = None
        if f.footing is not None:
            (xx, xy), (_, yy) = (share * P[f.at.pivot, f.at.pivot]).tolist()
            x, y = f.x[f.at.pivot].tolist()
            pivot = Pivot(x, y, xx, xy, yy, f.footing.wander)
        if not anchored:
            return cls(angles, 0.0, 0.0, None, pivot)
        with_anchor = (share * P[: n + 1, anchor]).tolist()
        return cls(angles, float(f.x[anchor]), share * float(P[anchor, anchor]), with_anchor, pivot)
