"""What the ground does to the tracks that a machine stands on: it carries, it grips, it lets them travel."""

from __future__ import annotations

import math

import numpy as np

from tipdatum.simulator.hydraulics import Hydraulics
from tipdatum.simulator.multibody import Array, MultibodyState
from tipdatum.simulator.plant import Plant
from tipdatum.simulator.soil import Soil

GRIP = 0.75
"""Friction of tracks on soil."""


class Standing:
    """The tracks of one machine on its ground.

    Args:
        plant: the machine. soil: what it stands on. hydraulics: whose drives turn the tracks.
    """

    def __init__(self, plant: Plant, soil: Soil, hydraulics: Hydraulics) -> None:
        self._plant, self._soil, self._drives = plant, soil, hydraulics.drives
        self._anchor = [0.0, 0.0, 0.0]

    def push(self, m: MultibodyState, tau: Array, K: Array, D: Array, stiff: Array, h: float) -> None:
        """Add the ground's forces at `m` for a step of `h` s.

        Args:
            tau, K, D: (n,) forces, stiffness and damping of single joints. stiff: (n, n) what the springs
                under the corners add to the left side of the step's equations.
        """
        self._hold(m, tau, K, D, self._stand(m, tau, stiff, h), h)

    def _stand(self, m: MultibodyState, tau: Array, stiff: Array, h: float) -> float:
        """What the ground under the tracks does; returns the load that they carry, N."""
        tracks, names = self._plant.tracks, self._plant.chain.index
        k, c, i = tracks.stiffness, tracks.damping, names["roll"]
        z, pitch, roll = names["z"], names["pitch"], names["roll"]
        load = 0.0
        R, o = m.R[i], m.origin[i]
        (px, py, _), (rx, ry, _) = m.axis[pitch].tolist(), m.axis[roll].tolist()
        vz, vp, vr = float(m.v[z]), float(m.v[pitch]), float(m.v[roll])
        for corner in tracks.corners:
            ax, ay, az = (R @ np.array(corner)).tolist()
            depth = self._soil.height(float(o[0]) + ax, float(o[1]) + ay) - (float(o[2]) + az)
            if depth <= 0.0:
                continue
            jp, jr = px * ay - py * ax, rx * ay - ry * ax
            speed = vz + jp * vp + jr * vr
            force = max(0.0, k * depth - c * speed)
            load += force
            tau[z] += force
            tau[pitch] += jp * force
            tau[roll] += jr * force
            # The stiffness's own share of the right side, and both on the left.
            ahead = h * k * speed
            tau[z] -= ahead
            tau[pitch] -= jp * ahead
            tau[roll] -= jr * ahead
            weight = h * c + h * h * k
            row = ((z, 1.0), (pitch, jp), (roll, jr))
            for a, ja in row:
                for b, jb in row:
                    stiff[a, b] += weight * ja * jb
        return load

    def _hold(self, m: MultibodyState, tau: Array, K: Array, D: Array, load: float, h: float) -> None:
        """Tracks grip the ground where they stand, and move that place when they are driven."""
        left, right = self._drives["left_track"], self._drives["right_track"]
        x, y, heading = (self._plant.chain.index[n] for n in ("x", "y", "heading"))
        forward, turn = 0.5 * (left.rate + right.rate), (right.rate - left.rate) / self._plant.tracks.gauge
        angle = float(m.q[heading])
        rates = (forward * math.cos(angle), forward * math.sin(angle), turn)
        grip = GRIP * load
        k = 2.0 * self._plant.tracks.stiffness
        c = 2.0 * 0.5 * math.sqrt(k * self._plant.mass)
        arm = 0.3 * self._plant.tracks.length
        for n, (joint, rate, lever) in enumerate(
            ((x, rates[0], 1.0), (y, rates[1], 1.0), (heading, rates[2], arm))
        ):
            self._anchor[n] += rate * h
            stiffness, damping, most = k * lever**2, c * lever**2, grip * lever
            gap = self._anchor[n] - float(m.q[joint])
            force = stiffness * gap + damping * (rate - float(m.v[joint]))
            if abs(force) > most:
                force = math.copysign(most, force)
                reach = most / stiffness
                self._anchor[n] = float(m.q[joint]) + min(reach, max(-reach, gap))
            else:
                K[joint] += stiffness
                D[joint] += damping
            tau[joint] += force
