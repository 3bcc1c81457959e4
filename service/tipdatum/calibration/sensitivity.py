"""How an error in anything that the description says moves the tip and the edge, in use.

A sensor at a true posture reads f = mountᵀ · g · up. A service whose description is off by a mount's turn
δ, a bias db or a scale ds takes the vertical to be (1 + δ×) · mount · ((1 - ds) f - db), and with lengths
off as well puts the tip somewhere else. The derivative of that is what calibration, plan and budget share.
Names are those of the adjustment's unknowns.

The upper's sensor tells how the arm plane leans, the boom's encoder by how much that plane is turned against
the upper, and the sensor on a bucket that tilts its curl and tilt together: the two angles by which the
vertical that it takes comes to lie as the plane's lean wants it (`Curl`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tipdatum.calibration import joints
from tipdatum.calibration.envelope import Postures
from tipdatum.calibration.side_levers import Curl, SideLevers
from tipdatum.calibration.starts import closest_bucket
from tipdatum.calibration.unknowns import LINKAGE, length_names
from tipdatum.kinematics.frames import Array, rotation_from_rpy_deg, up_vector
from tipdatum.kinematics.linkage import FourBar
from tipdatum.machine.description import Machine
from tipdatum.machine.parts import Sensor

STEEPEST = 0.02
"""Sine of the axis's angle to the vertical below which gravity is taken to tell nothing of a tilt."""


def geometry_names(machine: Machine) -> tuple[str, ...]:
    """The dimensions that the tip's height hangs on, first in the order of all names."""
    coupled = machine.coupler is not None and machine.bucket[0].pin_m is not None
    of_coupler = (joints.COUPLER, joints.COUPLER_OFFSET) if coupled else ()
    return ("boom.foot_m.x", "boom.foot_m.z", *length_names(machine), *of_coupler)


def side_names(machine: Machine) -> tuple[str, ...]:
    """What the description says of joints beside the arm plane."""
    swing = () if machine.boom_swing is None else (joints.PIVOT_X, joints.PIVOT_Y)
    zero = () if machine.swing_sensor is None else (joints.ZERO,)
    tilt = () if machine.bucket[0].tilt_axis_m is None else (joints.AXIS, joints.AXIS_OFFSET)
    return (*swing, *zero, *tilt)


def figure_names(machine: Machine) -> tuple[str, ...]:
    """What is told of a posture: the tip's height, both corners' where the bucket tilts, and how far sideways
    of the upper's axis the tip stands where the boom swings."""
    corners = () if machine.bucket[0].tilt_axis_m is None else ("left", "right")
    return ("tip", *corners, *(() if machine.boom_swing is None else ("sideways",)))


def told_by_linkage(machine: Machine) -> bool:
    """Whether the bucket's angle comes through the linkage alone."""
    return machine.sensor_on("rocker") is not None and machine.sensor_on("bucket") is None


@dataclass(frozen=True, slots=True)
class _Seen:
    """Postures with what their derivatives are put together from.

    `curl` where the bucket tilts; `ratio` (P,), bucket's turn for one of the rocker, with a linkage.
    """

    postures: Postures
    levers: SideLevers
    curl: Curl | None
    ratio: Array


class TipSensitivity:
    """∂(height of tip and corners over the slew centre)/∂(what the description says), by name."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.linkage = told_by_linkage(machine)
        self.sensors = [
            n
            for n, s in machine.sensor.items()
            if s.type in ("imu", "tilt") and (self.linkage or s.body != "rocker")
        ]
        self.geometry = geometry_names(machine)
        self.names: list[str] = list(self.geometry)
        self.figures = figure_names(machine)
        self._bucket_at = 1 + len(machine.sections)
        self._body = {
            "upper": 0,
            **{body: 2 + i for i, body in enumerate(machine.sections)},
            "rocker": self._bucket_at,
        }
        if self.linkage:
            self.names += [f"linkage.{n}" for n in LINKAGE]
        self.names += side_names(machine)
        for sensor in self.sensors:
            self.names += [f"sensor.{sensor}.mount.{a}" for a in ("roll", "pitch", "yaw")]
            self.names += [f"sensor.{sensor}.{g}.{a}" for g in ("accel_bias", "accel_scale") for a in "xyz"]

    def jacobian(self, postures: Postures) -> Array:
        """(P, n), of the tip's height, per unit of each unknown: m, rad, m/s², 1."""
        found: Array = self.jacobians(postures)[:, 0]
        return found

    def jacobians(self, postures: Postures) -> Array:
        """(P, F, n), of every one of `figures`, per unit of each unknown: m, rad, m/s², 1.

        By the chain rule: ∂height/∂angle of the arm's chain, times what an error makes of a sensor's angle;
        a linkage's dimensions by differences of its closed form.
        """
        m = self.machine
        levers = SideLevers(m, m.chain(), postures.q, self.figures)
        seen = _Seen(postures, levers, levers.curl(STEEPEST), self._ratio(postures))
        parts = [levers.of_geometry(self.geometry), *self._of_linkage(seen)]
        parts.append(levers.of_side_joints(side_names(m), seen.curl))
        parts += [self._of_sensor(seen, m.sensor[name]) for name in self.sensors]
        J = np.concatenate(parts, axis=-1)
        if self.linkage:
            # A longer stick closes the linkage at another angle.
            stick = self.geometry.index("stick.length_m")
            J[:, :, stick] += self._turned(seen, len(LINKAGE))
        return J

    def _of_sensor(self, seen: _Seen, sensor: Sensor) -> Array:
        """(P, F, 9): the mount's roll, pitch, yaw, bias x, y, z, scale x, y, z."""
        postures, levers, g = seen.postures, seen.levers, self.machine.gravity_mps2
        true = postures.rocker if sensor.body == "rocker" else postures.q[:, self._body[sensor.body]]
        R = rotation_from_rpy_deg(sensor.mount_rpy_deg)
        up = up_vector(true, postures.q[:, 1])
        tilting = seen.curl is not None and sensor.body == "bucket"
        felt = levers.up_of_upper if sensor.body == "upper" else up
        if seen.curl is not None and tilting:
            felt = seen.curl.up
        f = g * felt @ R
        # What each error adds to the vertical, as a share of g: (9, P, 3).
        changes = [np.cross(axis, felt) for axis in np.eye(3)]
        changes += [np.broadcast_to(-R[:, k] / g, felt.shape) for k in range(3)]
        changes += [-f[:, k, None] * R[:, k] / g for k in range(3)]
        found = np.zeros((len(postures), len(self.figures), len(changes)))
        for k, d in enumerate(changes):
            found[:, :, k] = levers.by_angles(self._turns(seen, sensor.body, true, up, d))
        return found

    def _turns(self, seen: _Seen, body: str, true: Array, up: Array, d: Array) -> dict[int, Array]:
        """Place in q → (P,) rad, errors of angles that a change d (P, 3) of a sensor's vertical makes."""
        last = self._bucket_at
        if body == "upper":
            turned = seen.levers.plane_turns(seen.levers.into_plane(d))
            return turned | ({} if seen.curl is None else seen.curl.of_roll(turned[1]))
        if seen.curl is not None and body == "bucket":
            return seen.curl.of_up(d)
        turn = (up[:, 2] * d[:, 0] - up[:, 0] * d[:, 2]) / (up[:, 0] ** 2 + up[:, 2] ** 2)
        if body == "rocker":
            return {last: seen.ratio * turn}
        if body == "stick" and self.linkage:
            return {last - 1: turn, last: (1.0 - seen.ratio) * turn}
        return {self._body[body]: turn}

    # -- linkage ---------------------------------------------------------------------------------------

    def _of_linkage(self, seen: _Seen) -> list[Array]:
        if not self.linkage:
            return []
        return [np.stack([self._turned(seen, k) for k in range(len(LINKAGE))], axis=-1)]

    def _turned(self, seen: _Seen, k: int) -> Array:
        """(P, F) of the linkage's dimension k, or of the stick's length: by the bucket that it turns."""
        last, q, rocker = self._bucket_at, seen.postures.q, seen.postures.rocker
        relative, near = rocker - q[:, last - 1], q[:, last] - q[:, last - 1]
        error, step = np.zeros(len(LINKAGE)), 1e-5
        longer = step if k == len(LINKAGE) else 0.0
        error[: len(LINKAGE)] = np.arange(len(LINKAGE)) == k
        up, down = (
            self._bucket(s * step * error, relative, self.machine.stick.length_m + s * longer, near)
            for s in (1, -1)
        )
        return seen.levers.by_angles({last: (up - down) / (2.0 * step)})

    def _ratio(self, postures: Postures) -> Array:
        if not self.linkage:
            return np.zeros(0)
        last, q, step = self._bucket_at, postures.q, 1e-6
        relative, near = postures.rocker - q[:, last - 1], q[:, last] - q[:, last - 1]
        up, down = (
            self._bucket(np.zeros(len(LINKAGE)), relative + s * step, self.machine.stick.length_m, near)
            for s in (1, -1)
        )
        found: Array = (up - down) / (2.0 * step)
        return found

    def heights(self, postures: Postures, error: Array) -> Array:
        """(P,) m: tip heights that a description off by `error` would give at these true postures.

        Of arms whose joints all turn in the arm plane.
        """
        m = self.machine
        n, last = len(self.geometry), self._bucket_at
        foot = np.array(m.boom.foot_m) + np.array([error[0], 0.0, error[1]])
        straight = m.straight_chain()
        of_lengths = 2 + len(straight.lengths)
        lengths, tip_z = straight.lengths + error[2:of_lengths], straight.tip_z
        if joints.COUPLER in self.geometry and (pin := m.bucket[0].pin_m) is not None:
            longer, further = error[of_lengths:n]
            turn, length = np.arctan2(-pin[1], pin[0]) + further, np.hypot(*pin) + longer
            lengths[-1] += length * np.cos(turn) - pin[0]
            tip_z = -length * np.sin(turn)
        at = n + (len(LINKAGE) if self.linkage else 0)
        q = postures.q.copy()
        rocker = postures.rocker.copy()
        for name in self.sensors:
            sensor = m.sensor[name]
            d, db, ds = error[at : at + 9].reshape(3, 3)
            at += 9
            true = postures.rocker if sensor.body == "rocker" else postures.q[:, self._body[sensor.body]]
            R = rotation_from_rpy_deg(sensor.mount_rpy_deg)
            f = m.gravity_mps2 * up_vector(true, postures.q[:, 1]) @ R
            up = ((1.0 - ds) * f - db) @ R.T
            up = up + np.cross(d, up)
            # Angles are carried on from the true ones, so a curled bucket does not fold.
            turn = np.arctan2(up[:, 0], up[:, 2]) - true
            seen = true + np.angle(np.exp(1j * turn))
            if sensor.body == "rocker":
                rocker = seen
            else:
                q[:, self._body[sensor.body]] = seen
            if sensor.body == "upper":
                q[:, 1] = np.arcsin(up[:, 1] / np.linalg.norm(up, axis=-1))
        if self.linkage:
            q[:, last] = (
                self._bucket(
                    error[n : n + len(LINKAGE)],
                    rocker - q[:, last - 1],
                    lengths[-2],
                    postures.q[:, last] - q[:, last - 1],
                )
                + q[:, last - 1]
            )
        heights: Array = replace(straight, foot=foot, lengths=lengths, tip_z=tip_z).tip(q)[:, 2]
        return heights

    def _bucket(self, error: Array, relative: Array, stick: float, near: Array) -> Array:
        bar = self.machine.four_bar()
        off = FourBar(
            bar.pivot_x + error[0],
            bar.pivot_z + error[1],
            bar.rocker + error[2],
            bar.link + error[3],
            bar.ear + error[4],
            bar.ear_angle + error[5],
            stick,
            bar.assembly,
        )
        bucket = closest_bucket(off, relative)
        carried: Array = near + np.angle(np.exp(1j * (bucket - near)))
        return carried
