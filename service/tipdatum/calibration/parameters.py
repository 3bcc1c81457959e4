"""The adjustment's unknowns unpacked into what its methods need: dimensions, mounts, angles."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tipdatum.calibration import joints
from tipdatum.calibration.unknowns import ANGLES, BUCKET, ROLL, SWING, TILT, UPPER, Locus, Setup, arm_angles
from tipdatum.kinematics.chain import Chain, TiltAxis
from tipdatum.kinematics.frames import Array, rotation_from_rpy_deg, up_vector

_LEFT_ALONE: dict[Locus, tuple[str, ...]] = {
    "machine": ("mount", "gain"),
    "sensor": ("axis", "chain", "pins", "points", "_ups"),
    "window": ("mount", "gain", "axis", "chain"),
    "power_up": ("mount", "gain", "axis", "chain", "pins", "points", "_ups"),
    "standing": ("mount", "gain", "axis", "chain", "pins", "points", "_ups"),
}
"""What unknowns of a locus cannot change."""

_OF_GEOMETRY = ("axis", "chain", "pins", "points", "_ups")
"""What those of the whole machine change only where they are dimensions of its arm."""


class Parameters:
    """The unknowns unpacked into what the methods need. All arrays; windows first.

    `mount[s]` turns sensor axes into body axes; the small turn that is solved for is applied in the
    body's axes, so that its three components are the mount's roll, pitch and yaw errors.
    """

    def __init__(self, setup: Setup, x: Array, start_mounts: Sequence[Array]) -> None:
        self.setup = setup
        self._ups: dict[tuple[int, int], tuple[NDArray[np.int_], NDArray[np.int_], Array]] = {}
        n = 2 + len(setup.machine.sections)
        self.foot = np.array([x[0], setup.machine.boom.foot_m[1], x[1]])
        self.lengths = x[2:n]
        self.linkage = x[n : n + 6] if setup.has_linkage else None
        n += 6 if setup.has_linkage else 0
        self.joints = dict(zip([s.name for s in setup.stated_joints], x[n:].tolist(), strict=False))
        n += len(self.joints)
        self._geometry = x[:n]
        self.load_tilt = x[n]
        n += 1
        self.mark_elevation = x[n : n + len(setup.marks)]
        n += len(setup.marks)
        places = x[n : n + 2 * len(setup.mark_places)].reshape(-1, 2)
        self.mark_range, self.mark_azimuth = places[:, 0], places[:, 1]
        n += places.size
        self._sensors = x[n : n + 12 * len(setup.sensors)].reshape(-1, 4, 3)
        self._start_mounts = start_mounts
        n += self._sensors.size
        self.bias = self._sensors[:, 1]
        self.shift = x[n : n + 3 * len(setup.power_ups)].reshape(-1, 3)
        n += self.shift.size
        self.standing = x[n : n + 3 * len(setup.standings)].reshape(-1, 3)
        n += self.standing.size
        self.angles = np.zeros((len(setup.windows), len(ANGLES)))
        self.angles[:, SWING] = joints.held_swing(setup.machine)
        free = setup.free_angles
        self.angles[free[:, 0], free[:, 1]] = x[n : n + len(free)]

    def moved(self, x: Array, locus: Locus) -> Parameters:
        """With other values of one locus's unknowns; what those cannot change is worked out once for all."""
        other = Parameters(self.setup, x, self._start_mounts)
        kept = _LEFT_ALONE[locus]
        if locus == "machine" and np.array_equal(other._geometry, self._geometry):
            kept += _OF_GEOMETRY
        other.__dict__ |= {k: self.__dict__[k] for k in kept if k in self.__dict__}
        if locus == "machine" and self.axis is None:
            other._ups = self._ups
        return other

    @cached_property
    def mount(self) -> Array:
        """(S, 3, 3) sensor axes to body axes."""
        turned = [_turn(s[0]) @ m for s, m in zip(self._sensors, self._start_mounts, strict=True)]
        return np.array(turned).reshape(-1, 3, 3)

    @cached_property
    def gain(self) -> Array:
        """(S, 3, 3) reading per specific force."""
        return np.array([_gain(s[2], s[3]) for s in self._sensors]).reshape(-1, 3, 3)

    @cached_property
    def axis(self) -> TiltAxis | None:
        """The bucket's tilt axis; None where it does not tilt."""
        return joints.axis_of(self.setup.machine, self.joints)

    @cached_property
    def chain(self) -> Chain:
        """The arm with the present dimensions."""
        machine, lengths = self.setup.machine, np.array(self.lengths)
        out, aside = joints.pin_of(machine, self.joints)
        lengths[-1] += out
        return replace(
            self.setup.described_chain, foot=self.foot, lengths=lengths, tip_z=aside, tilt_axis=self.axis,
            swing_pivot=joints.pivot_of(machine, self.joints),
        )  # fmt: skip

    @cached_property
    def pins(self) -> Array:
        """(W, n + 1, 3) m: reach, lateral, height over the slew centre of boom foot … tip, by window."""
        return self.chain.pins(self.angles[:, arm_angles(self.setup.machine)])

    @cached_property
    def points(self) -> tuple[Array, Array]:
        """Points of the bucket, (W, 4, 3) m as `pins`: its own pin, its tip, left and right corner; and the
        height, (W,), of its edge's right end under its left one, for a width of 1."""
        chain, machine = self.chain, self.setup.machine
        pin, out, z, w = joints.pin_of(machine, self.joints), float(self.chain.lengths[-1]), chain.tip_z, 0.0
        w = chain.half_width
        q = self.angles[:, arm_angles(machine)]
        own = ((pin[0], 0.0, pin[1]), (out, 0.0, z), (out, w, z), (out, -w, z))
        found = chain.in_bulk(q, own)[1]
        if chain.tilt_axis is not None and not joints.pin_tilts(machine):
            fixed = replace(chain, tilt_axis=None)
            found[:, 0] = fixed.in_bulk(q[:, :-1], own[:1])[1][:, 0]
        return found, (found[:, 2, 2] - found[:, 3, 2]) / (2.0 * w)

    def up(self, windows: NDArray[np.int_], of: NDArray[np.int_]) -> Array:
        """(N, 3), `up` in the axes of the part that a sensor sits on: bodies `of` (N,), as in `ANGLES`."""
        key = id(windows), id(of)
        if key in self._ups:
            return self._ups[key][-1]
        found = up_vector(self.angles[windows, of], self.angles[windows, ROLL])
        if self.setup.machine.boom_swing is not None:
            on = of == UPPER
            found[on] = joints.about_z(found[on], self.angles[windows[on], SWING])
        if self.axis is not None:
            on = of == BUCKET
            found[on] = joints.about_axis(self.axis, found[on], -self.angles[windows[on], TILT])
        # Kept with the places that were asked for, so that no other array can have their identity.
        self._ups[key] = windows, of, found
        return found

    def theta(self, body: str) -> Array:
        """(W,) rad, elevation angle of a body."""
        return self.angles[:, ANGLES.index(body)]


def start_mounts(setup: Setup) -> list[Array]:
    """Mounts as the description has them, sensor to body."""
    return [rotation_from_rpy_deg(setup.machine.sensor[n].mount_rpy_deg) for n in setup.sensors]


def _turn(v: Array) -> Array:
    """Rotation by the rotation vector `v` (Rodrigues' formula)."""
    angle = float(np.linalg.norm(v))
    K = np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])
    if angle < 1e-9:
        return np.asarray(np.eye(3) + K)
    turned: Array = np.eye(3) + math.sin(angle) / angle * K + (1.0 - math.cos(angle)) / angle**2 * (K @ K)
    return turned


def _gain(scale: Array, cross: Array) -> Array:
    """Reading per specific force; cross-axis terms symmetric, because their other half is a turn."""
    yz, xz, xy = cross
    gain: Array = np.array([[1.0 + scale[0], xy, xz], [xy, 1.0 + scale[1], yz], [xz, yz, 1.0 + scale[2]]])
    return gain
