"""What the ground does to the tracks that a machine stands on: it carries, it grips, it lets them travel."""

from __future__ import annotations

import math

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
        frame = m.frames[i]
        x, y, height = frame[9:12]
        (px, py, _), (rx, ry, _) = m.frames[pitch][12:15], frame[12:15]
        vz, vp, vr = float(m.v[z]), float(m.v[pitch]), float(m.v[roll])
        weight = h * c + h * h * k
        # Of z, pitch and roll: what pushes them, and what the springs add on the left.
        push = turn_p = turn_r = zz = zp = zr = pp = pr = rr = 0.0
        for u, v, _ in tracks.corners:
            ax, ay, az = (frame[n] * u + frame[n + 1] * v for n in (0, 3, 6))
            depth = self._soil.height(x + ax, y + ay) - (height + az)
            if depth <= 0.0:
                continue
            jp, jr = px * ay - py * ax, rx * ay - ry * ax
            speed = vz + jp * vp + jr * vr
            force = max(0.0, k * depth - c * speed)
            load += force
            # The stiffness's own share of the right side, and both on the left.
            force -= h * k * speed
            push, turn_p, turn_r = push + force, turn_p + jp * force, turn_r + jr * force
            zz, zp, zr = zz + weight, zp + weight * jp, zr + weight * jr
            pp, pr, rr = pp + weight * jp * jp, pr + weight * jp * jr, rr + weight * jr * jr
        tau[z] += push
        tau[pitch] += turn_p
        tau[roll] += turn_r
        for joint, row in ((z, (zz, zp, zr)), (pitch, (zp, pp, pr)), (roll, (zr, pr, rr))):
            for other, value in zip((z, pitch, roll), row, strict=True):
                stiff[joint, other] += value
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
