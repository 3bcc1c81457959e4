"""Levers to flow to cylinders: lag of the spools, one pump's flow for all, ends of the strokes, relief.

A lever moves a spool, the spool asks for flow, the pump gives each its share of what it has, and the flow
moves the place at which the oil would carry the section without load. The section hangs on that place by
the oil's
stiffness: it sags, rings and gives way at the relief pressure. Angles in rad, rates in rad/s, torques in N·m.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from tipdatum.simulator.multibody import Body
from tipdatum.simulator.plant import (
    RINGING_HZ,
    SLEW_RADPS,
    SLEW_RINGING_HZ,
    STROKE_S,
    TRAVEL_MPS,
    Plant,
    Section,
)

DEADBAND, METERING = 0.06, 1.35
"""Of the lever's way: what moves nothing, and the power of the flow over the rest."""
SPOOL_LAG_S, TRACK_LAG_S = 0.11, 0.6
BRAKING = 0.65
"""Lag of a spool that closes, against one that opens."""
PUMP_SHARE = 1.5
"""The pump gives this many times what the boom alone can take."""
CUSHION = 0.06
"""Last part of a stroke over which the cylinder is slowed."""
OIL_DAMPING = 0.28
STRENGTH = 2.4
"""Torque at the relief pressure against what gravity needs with a full bucket stretched out."""
PRESSING = 0.13
"""Force at the stretched arm's tip that the boom presses down with, in units of the machine's weight."""
SLEW_RADPS2 = 1.5
"""Angular acceleration that the slew motor reaches with the arm half folded."""
DIGGING = {"stick": 0.4, "bucket": 0.5}
"""Force at the tip that the relief pressure allows at least, in units of the machine's weight."""
FLOW = {"bucket": 0.8, "swing": 0.45, "tilt": 0.35}
"""What a cylinder takes of the pump at full speed, in units of the boom's; those not named take as much."""
TILTING = 0.12
"""Force at a corner of the edge against which a bucket's tilt holds, in units of the machine's weight."""
SWINGING = 0.4
"""Torque against which the swing holds, of what gravity needs with the arm stretched out level."""


@dataclass(slots=True)
class Cylinder:
    """A cylinder between two sections: triangle of the joint and the two pins.

    `a`, `b` are the sides in units of one of them; the angle between them runs over the joint's range and is
    kept between `NEAR_RAD` and its supplement, so that the lever arm is never zero. A bucket's linkage makes
    its lever arm nearly even: `even`.
    """

    low: float
    high: float
    extends: float
    even: bool = False
    a: float = 0.45
    b: float = 1.0

    def _corner(self, angle: float) -> float:
        inside = angle - self.low if self.extends > 0 else self.high - angle
        return (math.pi - (self.high - self.low)) / 2.0 + inside

    def length(self, angle: float) -> float:
        """Length of the cylinder at the joint's angle."""
        if self.even:
            return angle - self.low if self.extends > 0 else self.high - angle
        c = self._corner(angle)
        return math.sqrt(self.a**2 + self.b**2 - 2.0 * self.a * self.b * math.cos(c))

    def lever(self, angle: float) -> float:
        """∂length/∂angle."""
        if self.even:
            return self.extends
        c = self._corner(angle)
        return self.extends * self.a * self.b * math.sin(c) / self.length(angle)

    @property
    def stroke(self) -> float:
        return abs(self.length(self.high) - self.length(self.low))


@dataclass(slots=True)
class Drive:
    """One function: the lever's spool, where the oil stands, and how stiff it is.

    Attributes:
        top: speed at the pump's whole flow; of a cylinder strokes/s, of a motor rad/s or m/s.
        flow: what it takes of the pump at full speed, in units of the boom's.
        stiffness N·m/rad, damping N·m·s/rad, most N·m.
    """

    name: str
    top: float
    flow: float
    cylinder: Cylinder | None = None
    held: bool = False
    stiffness: float = 0.0
    damping: float = 0.0
    most: float = math.inf
    most_down: float = math.inf
    """The same against gravity's way: a boom presses down with less than it lifts."""
    lag_s: float = SPOOL_LAG_S
    sense: float = 1.0
    """-1 where the lever's positive way lowers the joint's angle."""
    lever: float = 0.0
    spool: float = 0.0
    place: float = 0.0
    """Angle at which the oil would carry the section without load."""
    rate: float = 0.0
    at_end: int = 0
    """-1 or 1 where the cylinder stands at an end of its stroke."""

    def opened(self) -> float:
        """Opening of the spool that the lever asks for, -1 to 1."""
        way = (abs(self.lever) - DEADBAND) / (1.0 - DEADBAND)
        return math.copysign(way**METERING, self.lever) if way > 0.0 else 0.0

    def top_rate(self, angle: float) -> float:
        """Rate of the joint at the pump's whole flow, rad/s or m/s."""
        if self.cylinder is None:
            return self.top
        return self.top * self.cylinder.stroke / abs(self.cylinder.lever(angle))

    def advance(self, share: float, h: float) -> None:
        """Move the place where the oil stands by one step of `h` s, with `share` of the flow asked for."""
        rate = self.spool * share * self.top_rate(self.place)
        self.at_end = 0
        if self.cylinder is not None:
            low, high = self.cylinder.low, self.cylinder.high
            room = (high - self.place if rate > 0 else self.place - low) / (high - low)
            rate *= min(1.0, max(0.0, room / CUSHION) + 0.04) if room > 0 else 0.0
            if room < 0.004 and rate == 0.0 and self.spool:
                self.at_end = 1 if self.spool > 0 else -1
            self.place = min(high, max(low, self.place + rate * h))
            self.at_end = 1 if self.place >= high - 1e-4 else -1 if self.place <= low + 1e-4 else 0
        else:
            self.place += rate * h
        self.rate = rate

    def torque(self, angle: float, rate: float) -> tuple[float, bool]:
        """What the oil does to the section, and whether it gives way at the relief pressure."""
        wanted = self.stiffness * (self.place - angle) + self.damping * (self.rate - rate)
        most = min(self.most, self.most_down) if wanted < 0.0 else self.most
        if abs(wanted) <= most:
            return wanted, False
        # What the relief valve lets through moves the place: the oil does not store more than it holds.
        held = math.copysign(most / self.stiffness, self.place - angle)
        if abs(self.place - angle) > abs(held):
            self.place = angle + held
        return math.copysign(most, wanted), True


@dataclass(slots=True)
class Hydraulics:
    """All functions of a machine on one pump: boom, stick, bucket, slew, left_track, right_track, and what it
    has of second_boom, swing and tilt.

    A lever's positive way: boom up, stick out, bucket open, slew left, track forward, second boom up, swing
    left, tilt that lifts the left side.
    """

    drives: dict[str, Drive]
    pump: float = PUMP_SHARE
    engine: bool = True
    demand: float = field(default=0.0)
    """Of the pump, 1 is all it has."""

    def set_levers(self, levers: Mapping[str, float]) -> None:
        """Levers in -1 … 1 by the name of their function; those not named go to neutral."""
        for name, drive in self.drives.items():
            drive.lever = drive.sense * min(1.0, max(-1.0, float(levers.get(name, 0.0))))

    def advance(self, h: float) -> None:
        """One step of `h` s: spools follow levers, flow is shared, the oil moves."""
        asked = 0.0
        for drive in self.drives.values():
            wanted = drive.opened() if self.engine and not drive.held else 0.0
            lag = drive.lag_s * (BRAKING if abs(wanted) < abs(drive.spool) else 1.0)
            drive.spool += (wanted - drive.spool) * (1.0 - math.exp(-h / lag))
            asked += abs(drive.spool) * drive.flow
        self.demand = asked / self.pump
        share = 1.0 if self.demand <= 1.0 else 1.0 / self.demand
        for drive in self.drives.values():
            drive.advance(share, h)


def hydraulics_of(plant: Plant) -> Hydraulics:
    """Drives for every function of a machine, scaled from its size and weight."""
    quick = plant.size**0.35
    drives = {}
    for i, section in enumerate(plant.arm):
        drives[section.name] = _cylinder_drive(plant, section, i, quick)
    for section in plant.aside:
        drives[section.name] = _aside_drive(plant, section, quick)
    slew_inertia = _inertia_about_foot(plant, 0) + plant.mass * 0.5 * plant.size**2
    stiffness = slew_inertia * (2.0 * math.pi * SLEW_RINGING_HZ) ** 2
    drives["slew"] = Drive(
        "slew", SLEW_RADPS / quick, 0.75, stiffness=stiffness,
        damping=2.0 * OIL_DAMPING * math.sqrt(stiffness * slew_inertia), most=SLEW_RADPS2 * slew_inertia,
    )  # fmt: skip
    for side in ("left_track", "right_track"):
        drives[side] = Drive(side, TRAVEL_MPS, 0.7, lag_s=TRACK_LAG_S)
    return Hydraulics(drives)


def _aside_drive(plant: Plant, section: Section, quick: float) -> Drive:
    """Of a boom's swing, or of a bucket's tilt."""
    weight = plant.mass * plant.machine.gravity_mps2
    if section.name == "swing":
        inertia = _inertia_about_foot(plant, 0)
        most = max(SWINGING * _gravity_torque(plant, 0), SLEW_RADPS2 * inertia)
    else:
        own, half = plant.bucket_body(plant.bucket_capacity_m3), plant.machine.bucket[0].width_m / 2.0
        _, _, off = own.centre
        inertia, most = own.inertia[0] + own.mass * off**2, TILTING * weight * half
    stiffness = inertia * (2.0 * math.pi * RINGING_HZ[section.name]) ** 2
    return Drive(
        section.name, 1.0 / (STROKE_S[section.name] * quick), FLOW[section.name],
        Cylinder(section.low, section.high, section.extends, even=True), section.held, stiffness,
        2.0 * OIL_DAMPING * math.sqrt(stiffness * inertia), most,
        sense=plant.lifts_left if section.name == "tilt" else 1.0,
    )  # fmt: skip


def _cylinder_drive(plant: Plant, section: Section, index: int, quick: float) -> Drive:
    cylinder = Cylinder(section.low, section.high, section.extends, even=section.name == "bucket")
    inertia = _inertia_about_foot(plant, index)
    stiffness = inertia * (2.0 * math.pi * RINGING_HZ[section.name]) ** 2
    reach = sum(one.length for one in plant.arm[index:])
    dig = DIGGING.get(section.name, 0.0) * plant.mass * plant.machine.gravity_mps2 * reach
    return Drive(
        section.name, 1.0 / (STROKE_S[section.name] * quick), FLOW.get(section.name, 1.0),
        cylinder, section.held, stiffness, 2.0 * OIL_DAMPING * math.sqrt(stiffness * inertia),
        max(dig, STRENGTH * _gravity_torque(plant, index)),
        PRESSING * plant.mass * plant.machine.gravity_mps2 * reach if "boom" in section.name else math.inf,
    )  # fmt: skip


def _carried(plant: Plant, section: Section) -> Body:
    """What turns with a section: of a bucket that tilts, the bucket itself."""
    name = plant.tool if section.name == "bucket" else section.name
    return plant.chain.joints[plant.chain.index[name]].body


def _outer(plant: Plant, index: int) -> list[tuple[float, float]]:
    """(mass, distance from the joint) of the sections from `index` outwards, half folded."""
    far, found = 0.0, []
    for section in plant.arm[index:]:
        body = _carried(plant, section)
        found.append((body.mass, far + body.centre[0]))
        far += 0.75 * section.length
    return found


def _inertia_about_foot(plant: Plant, index: int) -> float:
    own = _carried(plant, plant.arm[index]).inertia[1]
    return own + sum(m * r * r for m, r in _outer(plant, index))


def _gravity_torque(plant: Plant, index: int) -> float:
    far, total = 0.0, 0.0
    for section in plant.arm[index:]:
        body = _carried(plant, section)
        total += body.mass * (far + body.centre[0])
        far += section.length
    soil = plant.bucket_body(plant.bucket_capacity_m3).mass - plant.bucket_body(0.0).mass
    return plant.machine.gravity_mps2 * (total + soil * (far - 0.4 * plant.arm[-1].length))
