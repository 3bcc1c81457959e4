"""How an error in anything that the description says moves the tip, in use.

A sensor at a true posture reads f = mountᵀ · g · up. A service whose description is off by a mount's turn
δ, a bias db or a scale ds takes the vertical to be (1 + δ×) · mount · ((1 - ds) f - db), and with lengths
off as well puts the tip somewhere else. The derivative of that is what calibration, plan and budget share.
Names are those of the adjustment's unknowns.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tipdatum.calibration import joints
from tipdatum.calibration.envelope import Postures
from tipdatum.calibration.starts import closest_bucket
from tipdatum.calibration.unknowns import LINKAGE, length_names
from tipdatum.kinematics.frames import Array, rotation_from_rpy_deg, up_vector
from tipdatum.kinematics.linkage import FourBar
from tipdatum.machine.description import Machine


def geometry_names(machine: Machine) -> tuple[str, ...]:
    """The dimensions that the tip's height hangs on, first in the order of all names."""
    coupled = machine.coupler is not None and machine.bucket[0].pin_m is not None
    of_coupler = (joints.COUPLER, joints.COUPLER_OFFSET) if coupled else ()
    return ("boom.foot_m.x", "boom.foot_m.z", *length_names(machine), *of_coupler)


def told_by_linkage(machine: Machine) -> bool:
    """Whether the bucket's angle comes through the linkage alone."""
    return machine.sensor_on("rocker") is not None and machine.sensor_on("bucket") is None


class TipSensitivity:
    """∂(tip height over the slew centre)/∂(what the description says), by name."""

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
        lengths = np.delete(of_geometry, 1, axis=1)
        J[:, : lengths.shape[1]] = lengths
        # Of a turned arm a longer tip is a longer last section.
        J[:, lengths.shape[1] : at] = self._by_coupler(q)
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

    def _by_coupler(self, q: Array) -> Array:
        """(P, 2) or (P, 0), m per m of a coupler's length and per rad of its offset."""
        pin = self.machine.bucket[0].pin_m
        if joints.COUPLER not in self.geometry or pin is None:
            return np.zeros((len(q), 0))
        length, turn = float(np.hypot(*pin)), float(np.arctan2(-pin[1], pin[0]))
        line, lean = q[:, self._bucket_at] - turn, np.cos(q[:, 1])
        return np.stack([lean * np.sin(line), -lean * length * np.cos(line)], axis=-1)

    def heights(self, postures: Postures, error: Array) -> Array:
        """(P,) m: tip heights that a description off by `error` would give at these true postures."""
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
