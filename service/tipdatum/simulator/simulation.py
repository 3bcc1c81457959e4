"""The simulated machine: levers in, readings and truth out, one step after the other.

No clock: `advance` moves on by one step of `STEP_S`, and the same levers from the same seed give the same
bytes. A step solves, for the change Δv of the joints' speeds,

    (M + h D + h² K) Δv = h (τ - bias - h K v)

with the stiffness K and damping D of oil, tracks and soil taken at the step's end (so that stiff springs
need no small steps), then moves q by h (v + Δv/2). Sensors see the mean acceleration of the steps before
and after.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from tipdatum.machine.description import Machine
from tipdatum.simulator.hydraulics import Hydraulics, hydraulics_of
from tipdatum.simulator.instruments import Instruments
from tipdatum.simulator.multibody import Array, MultibodyState
from tipdatum.simulator.plant import Plant, plant_of
from tipdatum.simulator.sensors import SensorsTable
from tipdatum.simulator.soil import Soil
from tipdatum.simulator.standing import Standing
from tipdatum_drivers.reading import Record, Truth

STEP_S = 0.005
TRUTH_EVERY = 4
"""Steps between two lines of truth."""
SETTLE_S = 3.0
QUIET_MPS = 0.15
TIPPED_RAD = 0.6
FALL_M3PS = 2.2
"""How fast soil leaves an open bucket that is full, at the reference size."""
HOLD_FROM, HOLD_FULL = -0.05, 0.55
"""Upward part of the direction in which the bucket is open: below the first it holds nothing, from the second
on all that fits."""


@dataclass(frozen=True, slots=True)
class Truck:
    """A body to load: middle (x, y) m, half sides along x and y, rim above the ground, capacity."""

    x: float
    y: float
    half_x: float
    half_y: float
    rim: float
    capacity_m3: float

    def under(self, x: float, y: float) -> bool:
        """Whether a place is over it."""
        return abs(x - self.x) <= self.half_x and abs(y - self.y) <= self.half_y


@dataclass(frozen=True, slots=True)
class Setting:
    """What a simulation starts from, beside the machine; see the scenario's tables of the same names.

    Attributes:
        posture: joint angles relative to the section before, rad, boom outwards. slew, swing, tilt: rad.
        laser_m: height of a rotating laser's plane; None: no laser.
    """

    posture: tuple[float, ...]
    slew: float = 0.0
    swing: float = 0.0
    tilt: float = 0.0
    slope: tuple[float, float] = (0.0, 0.0)
    strength: float = 1.0
    mass_kg: float | None = None
    sensors: SensorsTable = field(default_factory=SensorsTable)
    truck: Truck | None = None
    laser_m: float | None = None
    seed: int = 1


class Simulation:
    """One machine on its ground.

    Args:
        machine: as described. setting: where it stands and what it carries.
    """

    def __init__(self, machine: Machine, setting: Setting) -> None:
        self.setting = setting
        self.plant: Plant = plant_of(machine, setting.mass_kg)
        self.hydraulics: Hydraulics = hydraulics_of(self.plant)
        chain = self.chain = self.plant.chain
        reach = sum(s.length for s in self.plant.arm) + abs(machine.boom.foot_m[0])
        self.soil = Soil(math.ceil(reach + 3.0), setting.slope, setting.strength)
        self.load_m3 = 0.0
        self.truck_m3 = 0.0
        self.dumped_m3 = 0.0
        """What fell outside the grid of the ground or into trucks that have driven away."""
        self._falling, self._fall_at = 0.0, (0.0, 0.0)
        """m³ that have left the bucket and do not lie yet, and where they fall."""
        self.step_number = 0
        self.motion: MultibodyState
        self._q: Array = np.zeros(chain.size)
        self._v: Array = np.zeros(chain.size)
        self._qdd: Array = np.zeros(chain.size)
        self._arm = [chain.index[s.name] for s in self.plant.arm]
        self._slew, self._roll = chain.index["slew"], chain.index["roll"]
        self._plane, self._tool = chain.index[self.plant.plane], chain.index[self.plant.tool]
        half = machine.bucket[0].width_m / 2.0
        x, y, z = self.plant.tip
        self._edge = np.array([[x, y + half, z], [x, y - half, z]])
        self._tip = np.array(self.plant.tip)
        self._standing = Standing(self.plant, self.soil, self.hydraulics)
        self._drives = [(chain.index[s.name], self.hydraulics.drives[s.name]) for s in self.plant.sections]
        self._drives.append((self._slew, self.hydraulics.drives["slew"]))
        self.relief: set[str] = set()
        """Functions that give way at the relief pressure."""
        self._pending: list[tuple[float, int, Record]] = []
        self._order = 0
        self._place(setting)
        self._settle()
        self.instruments = Instruments(self.plant, setting.sensors, setting.laser_m, setting.seed)
        self.instruments.level(self.motion)

    # -- time ------------------------------------------------------------------------------------------

    @property
    def t(self) -> float:
        """Time of the present state, s."""
        return self.step_number * STEP_S

    def advance(self, levers: Mapping[str, float]) -> list[Record]:
        """One step with the levers where they are; returns readings and truth that have come in, in order."""
        self.hydraulics.set_levers(levers)
        if self.tipped:
            self.hydraulics.engine = False
        begun, motion = self.t, self.motion
        self.instruments.observe(begun, motion, self._step())
        t = self.t
        for reading in self.instruments.due(t, self.motion, self.hydraulics.engine):
            self._send(reading)
        if self.step_number % TRUTH_EVERY == 0:
            self._send(self.truth())
        out: list[Record] = []
        while self._pending and self._pending[0][0] <= t:
            out.append(heapq.heappop(self._pending)[2])
        return out

    def _send(self, record: Record) -> None:
        self._order += 1
        heapq.heappush(self._pending, (record.t, self._order, record))

    # -- what is true ----------------------------------------------------------------------------------

    @property
    def tipped(self) -> bool:
        """Whether the machine leans further than it comes back from; its engine stops."""
        return max(abs(float(self._q[self.chain.index[n]])) for n in ("pitch", "roll")) > TIPPED_RAD

    def truth(self) -> Truth:
        """Where the tip is, against the slew centre and against where that was at the start."""
        tip, centre = self.tip(), self.motion.origin[self._roll]
        velocity = self.motion.point_velocity(self._tool, self._tip) - self.motion.velocity[self._roll]
        quiet = bool(np.linalg.norm(velocity) < QUIET_MPS)
        aside = {s.name: round(math.degrees(float(self._q[self.chain.index[s.name]])), 4)
                 for s in self.plant.aside}  # fmt: skip
        tilts = "tilt" in aside
        left, right = (_rounded(c - centre) for c in self.corners()) if tilts else (None, None)
        return Truth(
            round(self.t, 6), _rounded(tip - centre), _rounded(tip - self._start), quiet, left, right,
            aside.get("swing"), aside.get("tilt"),
        )  # fmt: skip

    def tip(self) -> Array:
        """Middle of the edge, (3,) m, world."""
        return self.motion.point(self._tool, self._tip)

    def corners(self) -> tuple[Array, Array]:
        """Left and right end of the edge, (3,) m each, world."""
        return self.motion.point(self._tool, self._edge[0]), self.motion.point(self._tool, self._edge[1])

    def tip_speed(self) -> float:
        """Of the middle of the edge over the ground, m/s."""
        return float(np.linalg.norm(self.motion.point_velocity(self._tool, self._tip)))

    def pins(self) -> list[Array]:
        """Every pin from the boom's foot to the middle of the edge, (3,) m each, world."""
        return [*self.motion.origin[self._arm], self.tip()]

    def ahead(self) -> tuple[float, float]:
        """Horizontal direction in which the arm's plane leads away from the machine, of length 1, world."""
        x, y, _ = self.motion.R[self._plane][:, 0].tolist()
        far = math.hypot(x, y)
        return (x / far, y / far)

    def joint_angles(self) -> dict[str, float]:
        """Of slew and arm, rad, each against the section before."""
        names = ("slew", *(s.name for s in self.plant.sections))
        return {name: float(self._q[self.chain.index[name]]) for name in names}

    @property
    def rates(self) -> Array:
        """Speeds of all joints, (n,)."""
        return self._v

    @property
    def positions(self) -> Array:
        """Of all joints, (n,)."""
        return self._q

    @property
    def slew_centre(self) -> Array:
        """(3,) m, world."""
        return np.asarray(self.motion.origin[self._roll])

    def elevation_angles(self) -> list[float]:
        """Of the sections in the arm's plane against the horizon, rad, boom outwards."""
        x, y = self.ahead()
        R = self.motion.R[self._arm]
        return [math.atan2(float(r[2, 0]), float(x * r[0, 0] + y * r[1, 0])) for r in R]

    def edge_fall(self) -> float:
        """How the edge rises to the left, rad against the horizon."""
        x, y, z = np.subtract(*self.corners()).tolist()
        return math.atan2(z, math.hypot(x, y))

    def tilt_axis_rise(self) -> float:
        """Of the bucket's tilt axis against the horizon, its sine; 0 where it does not tilt."""
        return float(self.motion.axis[self._tool][2]) if self.plant.tool == "tilt" else 0.0

    # -- bodies ----------------------------------------------------------------------------------------

    def _place(self, setting: Setting) -> None:
        """Put the machine on its ground in its first posture, the oil holding it."""
        q = self._q
        q[self.chain.index["pitch"]] = math.atan(setting.slope[0])
        q[self.chain.index["roll"]] = math.atan(setting.slope[1])
        q[self._slew] = setting.slew
        for section in self.plant.aside:
            angle = setting.swing if section.name == "swing" else setting.tilt
            q[self.chain.index[section.name]] = min(section.high, max(section.low, angle))
        for joint, angle, section in zip(self._arm, setting.posture, self.plant.arm, strict=True):
            q[joint] = min(section.high - 0.01, max(section.low + 0.01, angle))
        self.motion = self.chain.motion(q, self._v)
        _, bias = self.chain.equations(self.motion)
        for joint, drive in self._drives:
            drive.place = float(q[joint]) + float(bias[joint]) / drive.stiffness
        self._start = np.zeros(3)
        self.ground_start = 0.0
        """Height of the slew centre at the start, m, world: what a scenario's heights count from."""

    def _settle(self) -> None:
        """Let it come to rest on its tracks before time begins."""
        for _ in range(round(SETTLE_S / STEP_S)):
            self._step()
        self.step_number = 0
        self._start = self.slew_centre.copy()
        self.ground_start = float(self._start[2])

    def _step(self) -> Array:
        """Move on by one step; the mean of the accelerations before and in it, (n,)."""
        h, chain = STEP_S, self.chain
        self.hydraulics.advance(h)
        motion = self.motion
        M, bias = chain.equations(motion)
        tau, K, D = np.zeros(chain.size), np.zeros(chain.size), np.zeros(chain.size)
        stiff = np.zeros_like(M)
        self._standing.push(motion, tau, K, D, stiff, h)
        self.relief.clear()
        for joint, drive in self._drives:
            torque, gives = drive.torque(float(self._q[joint]), float(self._v[joint]))
            tau[joint] += torque
            if gives:
                self.relief.add(drive.name)
            else:
                K[joint] += drive.stiffness
                D[joint] += drive.damping
        self._dig(motion, tau, stiff, h)
        left = M + stiff
        diagonal: list[int] = list(range(chain.size))
        left[diagonal, diagonal] += h * D + h * h * K
        right = h * (tau - bias - h * K * self._v)
        change = np.linalg.solve(left, right)
        qdd: Array = np.asarray(change / h)
        mean, self._qdd = 0.5 * (self._qdd + qdd), qdd
        self._q = np.asarray(self._q + h * (self._v + 0.5 * change))
        self._v = np.asarray(self._v + change)
        self.motion = chain.motion(self._q, self._v)
        self.step_number += 1
        self._spill(h)
        return mean

    # -- soil ------------------------------------------------------------------------------------------

    def _dig(self, m: MultibodyState, tau: Array, stiff: Array, h: float) -> None:
        bucket = self._tool
        left, right = self.corners()
        velocity = m.point_velocity(bucket, self._tip)
        opening = -m.R[bucket][:, 2]
        room = max(0.0, self._room(float(opening[2])) - self.load_m3)
        contact = self.soil.meet(left, right, velocity, opening, room, h)
        if contact.cut_m3 > 0.0 and float(velocity @ opening) > 0.0:
            self._set_load(self.load_m3 + min(contact.cut_m3, room))
        if not contact.force.any():
            return
        J = m.jacobian(bucket, left + contact.at * (right - left))
        tau += J @ contact.force
        along = math.hypot(velocity[0], velocity[1])
        if along > 0.0:
            # What drags turns back with the edge: taken at the step's end, so that it stops a light bucket
            # and does not throw it to and fro from one step to the next.
            drag = math.hypot(contact.force[0], contact.force[1]) / along
            stiff += h * drag * J[:, :2] @ J[:, :2].T
        if contact.stiffness > 0.0:
            row = J[:, 2]
            tau -= h * contact.stiffness * float(velocity[2]) * row
            stiff += (
                h * h * contact.stiffness + h * 0.05 * math.sqrt(contact.stiffness * 1500.0)
            ) * np.outer(row, row)

    def _room(self, upward: float) -> float:
        part = (upward - HOLD_FROM) / (HOLD_FULL - HOLD_FROM)
        return self.plant.bucket_capacity_m3 * min(1.0, max(0.0, part))

    def _spill(self, h: float) -> None:
        """What a turned bucket no longer holds falls on the ground below, or into the truck."""
        over = self.load_m3 - self._room(float(-self.motion.R[self._tool][2, 2]))
        if over > 0.0:
            falls = min(over, FALL_M3PS * self.plant.size**3 * h)
            tip, pin = self.tip(), self.motion.origin[self._arm[-1]]
            x, y = (0.75 * tip + 0.25 * pin)[:2].tolist()
            truck = self.setting.truck
            if (
                truck is not None
                and truck.under(x, y)
                and tip[2] > self.soil.natural_height(x, y) + truck.rim - 0.3
            ):
                self.truck_m3 += falls
            else:
                self._falling += falls
            self._set_load(self.load_m3 - falls)
            self._fall_at = (x, y)
        if self.step_number % 10 == 0:
            if self._falling > 0.0:
                width = self.plant.machine.bucket[0].width_m
                before = self.soil.volume_m3 + self._falling
                self.soil.put(*self._fall_at, 0.25 + 0.5 * width, self._falling)
                self.dumped_m3 += before - self.soil.volume_m3
                self._falling = 0.0
            self.soil.settle()

    def _set_load(self, volume: float) -> None:
        self.load_m3 = max(0.0, volume)
        self.chain.set_body(self._tool, self.plant.bucket_body(self.load_m3))


def _rounded(place: Array) -> tuple[float, float, float]:
    x, y, z = place.tolist()
    return (round(x, 5), round(y, 5), round(z, 5))
