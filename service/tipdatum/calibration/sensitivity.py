"""How an error in anything that the description says moves the tip, in use.

A sensor at a true posture reads f = mountᵀ · g · up. A service whose description is off by a mount's turn
δ, a bias db or a scale ds takes the vertical to be (1 + δ×) · mount · ((1 - ds) f - db), and with lengths
off as well puts the tip somewhere else. The derivative of that is what calibration, plan and budget share.
Names are those of the adjustment's unknowns.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tipdatum.calibration.envelope import Postures
from tipdatum.calibration.starts import closest_bucket
from tipdatum.calibration.unknowns import LINKAGE, length_names
from tipdatum.kinematics.frames import Array, rotation_from_rpy_deg, up_vector
from tipdatum.kinematics.linkage import FourBar
from tipdatum.machine.description import Machine


def geometry_names(machine: Machine) -> tuple[str, ...]:
    """The dimensions that the tip's height hangs on, first in the order of all names."""
    return ("boom.foot_m.x", "boom.foot_m.z", *length_names(machine))


class TipSensitivity:
    """∂(tip height over the slew centre)/∂(what the description says), by name."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.sensors = [n for n, s in machine.sensor.items() if s.type in ("imu", "tilt")]
        self.linkage = machine.sensor_on("rocker") is not None
        self.geometry = geometry_names(machine)
        self.names: list[str] = list(self.geometry)
        sections = machine.sections
        self._bucket_at = 1 + len(sections)
        self._body = {
            "upper": 0,
            **{body: 2 + i for i, body in enumerate(sections)},
            "rocker": self._bucket_at,
        }
        if self.linkage:
            self.names += [f"linkage.{n}" for n in LINKAGE]
        for sensor in self.sensors:
            self.names += [f"sensor.{sensor}.mount.{a}" for a in ("roll", "pitch", "yaw")]
            self.names += [f"sensor.{sensor}.{g}.{a}" for g in ("accel_bias", "accel_scale") for a in "xyz"]

    def jacobian(self, postures: Postures) -> Array:
        """(P, n), per unit of each unknown: m, rad, m/s², 1.

        By the chain rule: ∂height/∂angle of the arm's chain, times what an error makes of a sensor's angle;
        a linkage's dimensions by differences of its closed form.
        """
        m, chain, q = self.machine, self.machine.straight_chain(), postures.q
        last = self._bucket_at
        J = np.zeros((len(postures), len(self.names)))
        of_angle = chain.height_jacobian(q)
        of_geometry = chain.height_geometry_jacobian(q)
        at, ratio = len(self.geometry), np.zeros(len(postures))
        J[:, :at] = np.delete(of_geometry, 1, axis=1)
        if self.linkage:
            relative, near = postures.rocker - q[:, last - 1], q[:, last] - q[:, last - 1]
            for k in range(len(LINKAGE) + 1):
                error, step = np.zeros(len(LINKAGE)), 1e-5
                longer = step if k == len(LINKAGE) else 0.0
                error[: len(LINKAGE)] = np.arange(len(LINKAGE)) == k
                up, down = (
                    self._bucket(s * step * error, relative, m.stick.length_m + s * longer, near)
                    for s in (1, -1)
                )
                turn = of_angle[:, last] * (up - down) / (2.0 * step)
                J[:, at - 2 if k == len(LINKAGE) else at + k] += turn
            step = 1e-6
            up, down = (
                self._bucket(np.zeros(len(LINKAGE)), relative + s * step, m.stick.length_m, near)
                for s in (1, -1)
            )
            ratio = (up - down) / (2.0 * step)
            at += len(LINKAGE)
        for name in self.sensors:
            sensor = m.sensor[name]
            true = postures.rocker if sensor.body == "rocker" else q[:, self._body[sensor.body]]
            R = rotation_from_rpy_deg(sensor.mount_rpy_deg)
            up = up_vector(true, q[:, 1])
            f = m.gravity_mps2 * up @ R
            # What each error adds to the vertical, as a share of g: (9, P, 3).
            changes = [np.cross(axis, up) for axis in np.eye(3)]
            changes += [np.broadcast_to(-R[:, k] / m.gravity_mps2, up.shape) for k in range(3)]
            changes += [-f[:, k, None] * R[:, k] / m.gravity_mps2 for k in range(3)]
            for k, d in enumerate(changes):
                turn = (up[:, 2] * d[:, 0] - up[:, 0] * d[:, 2]) / (up[:, 0] ** 2 + up[:, 2] ** 2)
                if sensor.body == "rocker":
                    J[:, at + k] = of_angle[:, last] * ratio * turn
                    continue
                J[:, at + k] = of_angle[:, self._body[sensor.body]] * turn
                if sensor.body == "stick" and self.linkage:
                    J[:, at + k] += of_angle[:, last] * (1.0 - ratio) * turn
                if sensor.body == "upper":
                    across = d[:, 1] - up[:, 1] * np.einsum("pi,pi->p", up, d)
                    J[:, at + k] += of_angle[:, 1] * across / np.sqrt(np.maximum(1.0 - up[:, 1] ** 2, 1e-12))
            at += 9
        return J

    def heights(self, postures: Postures, error: Array) -> Array:
        """(P,) m: tip heights that a description off by `error` would give at these true postures."""
        m = self.machine
        n, last = len(self.geometry), self._bucket_at
        foot = np.array(m.boom.foot_m) + np.array([error[0], 0.0, error[1]])
        lengths = m.straight_chain().lengths + error[2:n]
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
        heights: Array = replace(m.straight_chain(), foot=foot, lengths=lengths).tip(q)[:, 2]
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
