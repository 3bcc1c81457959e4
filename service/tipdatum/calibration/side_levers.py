"""Derivatives of heights at the bucket by the arm's angles and dimensions, of many postures at once.

As `Chain.point` has them for one. Vectors are (P, 3) in the axes of the arm plane at a posture (x along it, y
left, z up in the machine), of the bucket, or of the part of it that tilts. With a the direction of the
tilt axis, A a point of it and τ the tilt, a point p of the part stands at A + R(τ) (p - A) in the untilted
bucket's axes, and the part's sensor feels R(-τ) up(θ, φ).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tipdatum.calibration import joints
from tipdatum.kinematics.chain import Chain
from tipdatum.kinematics.frames import Array, up_vector
from tipdatum.machine.description import Machine

_TURN = np.array([0.0, -1.0, 0.0])
"""Axis of a turn from x towards z."""


@dataclass(frozen=True, slots=True)
class Curl:
    """How the sensor of a bucket that tilts tells curl and tilt, at P postures.

    Attributes:
        up: (P, 3), the vertical in the part's axes. bucket, tilt: places of the two angles in q.
        solve: (P, 2, 3), θ and τ for a change of that vertical. by_roll, by_axis: (P, 3), its change for the
            plane's roll, and for the axis's direction.
    """

    up: Array
    bucket: int
    tilt: int
    solve: Array
    by_roll: Array
    by_axis: Array

    def of_up(self, d: Array) -> dict[int, Array]:
        """Place in q → (P,) rad, for a change d (P, 3) of the vertical that the sensor tells."""
        along = np.einsum("pi,pi->p", self.up, d)
        found = np.einsum("pki,pi->pk", self.solve, d - along[:, None] * self.up)
        return {self.bucket: found[:, 0], self.tilt: found[:, 1]}

    def of_roll(self, roll: Array) -> dict[int, Array]:
        """The same for an error (P,) rad of the plane's roll."""
        return self.of_up(-roll[:, None] * self.by_roll)

    def of_axis(self) -> dict[int, Array]:
        """The same for one of 1 rad of the axis's direction."""
        return self.of_up(-self.by_axis)


class SideLevers:
    """P postures of one arm, and what lifts the points that are asked for.

    Args:
        q: (P, size) rad, as in `tipdatum.kinematics.chain`. figures: of `sensitivity.figure_names`.
    """

    def __init__(self, machine: Machine, chain: Chain, q: Array, figures: Sequence[str]) -> None:
        self._machine, self._chain, self._q, self._figures = machine, chain, q, figures
        su, cu, sp, cp = np.sin(q[:, 0]), np.cos(q[:, 0]), np.sin(q[:, 1]), np.cos(q[:, 1])
        self._lift = np.stack([cp * su, sp, cp * cu], axis=-1)
        """Rise of a step along the plane's axes at the foot."""
        swing = q[:, chain.swing] if chain.swing is not None else np.zeros(len(q))
        self._c, self._s = np.cos(swing), np.sin(swing)
        self.up_of_upper = joints.about_z(self._lift, swing)
        """(P, 3), the vertical in the upper's axes."""
        theta = q[:, chain.bucket]
        self._bucket_lift = np.stack([cp * np.sin(theta), sp, cp * np.cos(theta)], axis=-1)
        """Rise of a step along the untilted bucket's axes."""
        out, w, z = float(chain.lengths[-1]), chain.half_width, chain.tip_z
        own = {"tip": (out, 0.0, z), "left": (out, w, z), "right": (out, -w, z)}
        self._points = np.array([own[f] for f in figures if f in own])
        self._rows = self._by_q(cp, sp)

    # -- the chain ---------------------------------------------------------------------------------------

    def _turned(self, vectors: Array) -> Array:
        """(P, ..., 3), vectors (..., 3) of the tilting part in the untilted bucket's axes."""
        axis, chain = self._chain.tilt_axis, self._chain
        many = np.broadcast_to(vectors, (len(self._q), *vectors.shape))
        if axis is None or chain.tilt is None:
            return many
        tilt = np.broadcast_to(
            self._q[:, chain.tilt].reshape(-1, *(1,) * (vectors.ndim - 1)), many.shape[:-1]
        )
        return joints.about_axis(axis, many.reshape(-1, 3), tilt.ravel()).reshape(many.shape)

    def _from_axis(self) -> tuple[Array, Array]:
        """(K, 3) points from the axis's point, untilted and (P, K, 3) tilted; of one that does not tilt from
        the pin."""
        axis = self._chain.tilt_axis
        arms = self._points - (np.zeros(3) if axis is None else [axis.x, 0.0, axis.z])
        return arms, self._turned(arms)

    def _by_q(self, cp: Array, sp: Array) -> Array:
        """(P, K, size): ∂height/∂q of the points, m/rad."""
        chain, q = self._chain, self._q
        rows = np.zeros((len(q), len(self._points), chain.size))
        axis = chain.tilt_axis
        _, tilted = self._from_axis()
        at = tilted + (np.zeros(3) if axis is None else [axis.x, 0.0, axis.z])
        fx, fy, fz = chain.foot.tolist()
        if chain.swing_pivot is not None:
            px, py, _ = chain.swing_pivot
            fx, fy = (
                px * (self._c - 1.0) + py * self._s + fx,
                py * (self._c - 1.0) - px * self._s + fy,
            )
        su, cu = np.sin(q[:, 0]), np.cos(q[:, 0])
        along, rise = fx * cu - fz * su, fx * su + fz * cu
        rows[:, :, 0] = (cp * along)[:, None]
        for k, length in enumerate(chain.lengths[:-1].tolist(), 2):
            rows[:, :, k] = (cp * length * np.cos(q[:, k]))[:, None]
            rise = rise + length * np.sin(q[:, k])
        theta = q[:, chain.bucket, None]
        c, s = np.cos(theta), np.sin(theta)
        rows[:, :, chain.bucket] = cp[:, None] * (at[..., 0] * c - at[..., 2] * s)
        tops = rise[:, None] + at[..., 0] * s + at[..., 2] * c
        rows[:, :, 1] = cp[:, None] * (np.reshape(fy, (-1, 1)) + at[..., 1]) - sp[:, None] * tops
        if chain.swing is not None and chain.swing_pivot is not None:
            px, py, _ = chain.swing_pivot
            gx, gy = py * self._c - px * self._s, -px * self._c - py * self._s
            rows[:, :, chain.swing] = (cp * gx * su + sp * gy)[:, None]
        if axis is not None and chain.tilt is not None:
            turning = np.cross(np.array(axis.direction), tilted)
            rows[:, :, chain.tilt] = np.einsum("pki,pi->pk", turning, self._bucket_lift)
        return rows

    def by_angles(self, errors: Mapping[int, Array]) -> Array:
        """(P, F) m, for errors of angles: place in q → (P,) rad."""
        found = np.zeros((len(self._q), len(self._figures)))
        for place, error in errors.items():
            found[:, : len(self._points)] += self._rows[:, :, place] * error[:, None]
        return found

    # -- angles ------------------------------------------------------------------------------------------

    def into_plane(self, d: Array) -> Array:
        """(P, 3) in the arm plane's axes, from the upper's."""
        x, y, z = np.moveaxis(d, -1, 0)
        return np.stack([x * self._c + y * self._s, y * self._c - x * self._s, z], axis=-1)

    def plane_turns(self, d: Array) -> dict[int, Array]:
        """Place in q → (P,) rad, of the plane's lean for a change d (P, 3) of the vertical in its axes."""
        up = self._lift
        turn = (up[:, 2] * d[:, 0] - up[:, 0] * d[:, 2]) / (up[:, 0] ** 2 + up[:, 2] ** 2)
        across = d[:, 1] - up[:, 1] * np.einsum("pi,pi->p", up, d)
        return {0: turn, 1: across / np.sqrt(np.maximum(1.0 - up[:, 1] ** 2, 1e-12))}

    def curl(self, steepest: float) -> Curl | None:
        """How the bucket's sensor tells curl and tilt; None where it does not tilt.

        Args:
            steepest: sine of the axis's angle to the vertical below which it tells no tilt.
        """
        chain, axis = self._chain, self._chain.tilt_axis
        if axis is None or chain.tilt is None or self._machine.sensor_on("bucket") is None:
            return None
        theta, phi, back = self._q[:, chain.bucket], self._q[:, 1], -self._q[:, chain.tilt]
        direct = np.array(axis.direction)
        zero, lean = np.zeros_like(theta), np.cos(phi)
        by_theta = np.stack([lean * np.cos(theta), zero, -lean * np.sin(theta)], axis=-1)
        by_roll = np.stack([-np.sin(phi) * np.sin(theta), np.cos(phi), -np.sin(phi) * np.cos(theta)], axis=-1)
        straight = up_vector(theta, phi)
        up = joints.about_axis(axis, straight, back)
        columns = np.stack([joints.about_axis(axis, by_theta, back), -np.cross(direct, up)], axis=-1)
        by_axis = np.cross(_TURN, up) - joints.about_axis(axis, np.cross(_TURN, straight), back)
        solve = np.linalg.pinv(columns, rcond=steepest)
        by_roll = joints.about_axis(axis, by_roll, back)
        return Curl(up, chain.bucket, chain.tilt, solve, by_roll, by_axis)

    # -- dimensions --------------------------------------------------------------------------------------

    def of_geometry(self, names: Sequence[str]) -> Array:
        """(P, F, n) of dimensions: foot, lengths, and a coupler's."""
        found = np.zeros((len(self._q), len(self._figures), len(names)))
        pin = self._machine.bucket[0].pin_m or (0.0, 0.0)
        length, turn = math.hypot(*pin), math.atan2(-pin[1], pin[0])
        steps = {
            "bucket.tip_m": (1.0, 0.0, 0.0),
            joints.COUPLER: (math.cos(turn), 0.0, -math.sin(turn)),
            joints.COUPLER_OFFSET: (-length * math.sin(turn), 0.0, -length * math.cos(turn)),
        }
        sections = self._machine.sections
        for i, name in enumerate(names):
            if name in steps:
                step = self._turned(np.array(steps[name]))
                rise = np.einsum("pi,pi->p", step, self._bucket_lift)
            elif name.startswith("boom.foot_m"):
                rise = self._lift[:, "xyz".index(name[-1])]
            else:
                k = 2 + sections.index(name.partition(".")[0])
                rise = np.cos(self._q[:, 1]) * np.sin(self._q[:, k])
            found[:, : len(self._points), i] = rise[:, None]
        return found

    def of_side_joints(self, names: Sequence[str], curl: Curl | None) -> Array:
        """(P, F, n) of what is described of joints beside the plane."""
        found = np.zeros((len(self._q), len(self._figures), len(names)))
        for i, name in enumerate(names):
            found[:, :, i] = {
                joints.PIVOT_X: self._of_pivot_x, joints.PIVOT_Y: self._of_pivot_y,
                joints.ZERO: lambda: self._of_zero(curl),
                joints.AXIS: lambda: self._of_axis(curl), joints.AXIS_OFFSET: self._of_axis_offset,
            }[name]()  # fmt: skip
        return found

    def _of_pivot_x(self) -> Array:
        moved = np.stack([self._c - 1.0, -self._s, np.zeros_like(self._s)], axis=-1)
        return self._moved(moved, -self._s)

    def _of_pivot_y(self) -> Array:
        moved = np.stack([self._s, self._c - 1.0, np.zeros_like(self._s)], axis=-1)
        return self._moved(moved, 1.0 - self._c)

    def _moved(self, by: Array, aside: Array) -> Array:
        """(P, F) where the foot moves by (P, 3) in the plane's axes, and (P,) to the upper's left."""
        rise = np.einsum("pi,pi->p", by, self._lift)
        return self._with_aside(np.repeat(rise[:, None], len(self._points), axis=1), aside)

    def _of_zero(self, curl: Curl | None) -> Array:
        """Who takes an encoder's zero for larger takes the boom to be swung by less."""
        chain = self._chain
        assert chain.swing is not None
        assert chain.swing_pivot is not None
        turns = self.plane_turns(np.cross([0.0, 0.0, 1.0], self._lift))
        errors = turns | ({} if curl is None else curl.of_roll(turns[1]))
        lifted = self.by_angles(errors | {chain.swing: -np.ones(len(self._q))})
        reach, lateral, _ = np.moveaxis(chain.tip(self._q), -1, 0)
        ahead = reach * self._c - lateral * self._s - chain.swing_pivot[0]
        return self._with_aside(lifted[:, : len(self._points)], -ahead)

    def _of_axis(self, curl: Curl | None) -> Array:
        if curl is None:
            return np.zeros((len(self._q), len(self._figures)))
        arms, tilted = self._from_axis()
        moved = np.cross(_TURN, tilted) - self._turned(np.cross(_TURN, arms))
        direct = np.einsum("pki,pi->pk", moved, self._bucket_lift)
        return self.by_angles(curl.of_axis()) + self._with_aside(direct, np.zeros(len(self._q)))

    def _of_axis_offset(self) -> Array:
        axis = self._chain.tilt_axis
        assert axis is not None
        off = np.array([-math.sin(axis.angle), 0.0, math.cos(axis.angle)])
        rise = np.einsum("pi,pi->p", off - self._turned(off), self._bucket_lift)
        lifted = np.repeat(rise[:, None], len(self._points), axis=1)
        return self._with_aside(lifted, np.zeros(len(self._q)))

    def _with_aside(self, lifted: Array, aside: Array) -> Array:
        if len(self._figures) == lifted.shape[1]:
            return lifted
        return np.concatenate([lifted, aside[:, None]], axis=1)
