"""How an error in anything that the description says moves the tip, in use.

A sensor at a true posture reads f = mountᵀ · g · up. A service whose description is off by a mount's turn
δ, a bias db or a scale ds takes the vertical to be (1 + δ×) · mount · ((1 - ds) f - db), and with lengths
off as well puts the tip somewhere else. The derivative of that is what calibration, plan and budget share.
Names are those of the adjustment's unknowns.
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.calibration.envelope import Postures
from tipdatum.calibration.starts import closest_bucket
from tipdatum.calibration.unknowns import LINKAGE
from tipdatum.kinematics.chain import Chain
from tipdatum.kinematics.frames import Array, rotation_from_rpy_deg, up_vector
from tipdatum.kinematics.linkage import FourBar
from tipdatum.machine.description import ARM, Machine

GEOMETRY = ("boom.foot_m.x", "boom.foot_m.z", "boom.length_m", "stick.length_m", "bucket.tip_m")
_BODY = {"upper": 0, "boom": 2, "stick": 3, "bucket": 4, "rocker": 4}
_STEP = {"mount": math.radians(0.05), "accel_bias": 0.01, "accel_scale": 0.001}


class TipSensitivity:
    """∂(tip height over the slew centre)/∂(what the description says), by name."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.sensors = [n for n, s in machine.sensor.items() if s.type in ("imu", "tilt")]
        self.linkage = machine.sensor_on("rocker") is not None
        self.names: list[str] = list(GEOMETRY)
        if self.linkage:
            self.names += [f"linkage.{n}" for n in LINKAGE]
        for sensor in self.sensors:
            self.names += [f"sensor.{sensor}.mount.{a}" for a in ("roll", "pitch", "yaw")]
            self.names += [f"sensor.{sensor}.{g}.{a}" for g in ("accel_bias", "accel_scale") for a in "xyz"]
        self.steps = np.array([self._step(n) for n in self.names])

    def jacobian(self, postures: Postures) -> Array:
        """(P, n), per unit of each unknown: m, rad, m/s², 1."""
        J = np.empty((len(postures), len(self.names)))
        for i, step in enumerate(self.steps):
            error = np.zeros(len(self.names))
            error[i] = step
            J[:, i] = (self.heights(postures, error) - self.heights(postures, -error)) / (2.0 * step)
        return J

    def heights(self, postures: Postures, error: Array) -> Array:
        """(P,) m: tip heights that a description off by `error` would give at these true postures."""
        m = self.machine
        n = len(GEOMETRY)
        foot = np.array(m.boom.foot_m) + np.array([error[0], 0.0, error[1]])
        lengths = m.chain().lengths + error[2:5]
        at = n + (len(LINKAGE) if self.linkage else 0)
        q = postures.q.copy()
        rocker = postures.rocker.copy()
        for name in self.sensors:
            sensor = m.sensor[name]
            d, db, ds = error[at : at + 9].reshape(3, 3)
            at += 9
            true = postures.rocker if sensor.body == "rocker" else postures.q[:, _BODY[sensor.body]]
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
                q[:, _BODY[sensor.body]] = seen
            if sensor.body == "upper":
                q[:, 1] = np.arcsin(up[:, 1] / np.linalg.norm(up, axis=-1))
        if self.linkage:
            q[:, 4] = (
                self._bucket(
                    error[n : n + len(LINKAGE)], rocker - q[:, 3], lengths[1], postures.q[:, 4] - q[:, 3]
                )
                + q[:, 3]
            )
        heights: Array = Chain(foot, lengths, ARM, 0.0).tip(q)[:, 2]
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

    def _step(self, name: str) -> float:
        for part, step in _STEP.items():
            if f".{part}." in name:
                return step
        return 1e-3
