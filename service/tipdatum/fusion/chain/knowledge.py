"""What the filter knows, as the poses between two of its steps tell it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from tipdatum.fusion.chain.filter import ChainFilter
from tipdatum.fusion.chain.heave import Pivot
from tipdatum.kinematics.chain import Chain
from tipdatum.kinematics.frames import Array

UNTOLD_RAD = 7e-4
"""1-sigma of what keeps an angle of the arm wrong and is no state, rad: links bend by half a millimetre to a
metre, brackets give way, and a constant takes up in one posture what is another's in the next (0.04°; common
practice, no source)."""


def untold(f: ChainFilter) -> Array:
    """(N + 1 + M,) rad², by so much each angle is worse known than the covariance says: those of the arm."""
    own = np.zeros(f.at.angles.stop)
    own[int(f.on_upper) : f.n] = UNTOLD_RAD**2
    return own


class StatedKnowledge(NamedTuple):
    """What the filter knows of angles and reference, the same for all poses until its next step.

    Covariances are those stated: times the square of the filter's `share`, and with a standing error of each
    angle, which an elevation feels by how far the arm stands otherwise than at the reference.

    Attributes:
        angles: rad², covariance of θ_1 … θ_N, roll and α_1 … α_M, row by row.
        anchor_m, anchor_m2, with_anchor: the anchor, its variance, and its covariance with each of those
            angles, m·rad; None without one.
        pivot: about which the machine rocks; None where its tracks are not described.
    """

    angles: list[list[float]]
    anchor_m: float
    anchor_m2: float
    with_anchor: list[float] | None
    pivot: Pivot | None

    @classmethod
    def of(cls, f: ChainFilter, anchored: bool) -> StatedKnowledge:
        """That of the filter as it stands."""
        of_pose, anchor, share, P = f.at.angles, f.at.anchor, f.share**2, f.P
        own, by_angle = untold(f), np.full(f.at.angles.stop, f.share)
        # Heights, by which the share was chosen, hardly feel what turns beside the plane.
        by_angle[f.at.side] = max(1.0, f.share)
        angles = (np.outer(by_angle, by_angle) * P[of_pose, of_pose] + np.diag(own)).tolist()
        pivot = None
        if f.footing is not None:
            (xx, xy), (_, yy) = (share * P[f.at.pivot, f.at.pivot]).tolist()
            x, y = f.x[f.at.pivot].tolist()
            pivot = Pivot(x, y, xx, xy, yy, f.footing.wander)
        if not anchored:
            return cls(angles, 0.0, 0.0, None, pivot)
        common = own * f.tied_by
        variance = share * float(P[anchor, anchor]) + float(common.dot(f.tied_by))
        with_anchor = (f.share * by_angle * P[of_pose, anchor] + common).tolist()
        return cls(angles, float(f.x[anchor]), variance, with_anchor, pivot)


def height_of(chain: Chain, q: Array, bucket_point: Sequence[float] | None) -> tuple[float, Array]:
    """Height of the tip, or of another point of the bucket, m, and its derivatives by the angles.

    Args:
        q: of the chain, rad. bucket_point: x and z, m, in the bucket's axes.
    """
    if bucket_point is not None and chain.tilt_axis is not None:
        x, z = bucket_point
        (_, _, height), derivatives = chain.point(q.tolist(), (float(x), 0.0, float(z)))
        return height, np.array(derivatives)
    height, row = float(chain.tip(q)[2]), chain.height_jacobian(q)
    if bucket_point is not None:
        x, z = float(bucket_point[0]) - float(chain.lengths[-1]), float(bucket_point[1])
        theta, last = float(q[chain.bucket]), chain.bucket
        c, s, cr, sr = math.cos(theta), math.sin(theta), math.cos(q[1]), math.sin(q[1])
        height += cr * (x * s + z * c)
        row = row.copy()
        row[last] += cr * (x * c - z * s)
        row[1] -= sr * (x * s + z * c)
    return height, row
