"""From a machine's description to bodies that move: masses, joints, cylinders, tracks.

A description says where pins are, not what a machine weighs. What it leaves out is scaled from the size of
the
arm: shares and ratios below are common practice, no source, unless a scenario states the weight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from tipdatum.machine.description import Machine
from tipdatum.simulator.multibody import Body, Joint, Multibody
from tipdatum.simulator.rocker import Rocker

REFERENCE_ARM_M, REFERENCE_MASS_KG, MASS_POWER = 7.1, 14000.0, 2.3
"""A machine of 14 t carries 7.1 m of boom and stick; weight goes with that length to the power."""
SHARES = {"undercarriage": 0.34, "upper": 0.50, "boom": 0.085, "stick": 0.042, "bucket": 0.033}
SOIL_KG_M3 = 1700.0

RANGES_DEG: dict[str, tuple[float, float]] = {
    "boom": (-52.0, 62.0), "stick": (-152.0, -36.0), "bucket": (-142.0, 34.0),
}  # fmt: skip
"""From end to end of the cylinder, relative to the section before; positive up or outwards."""
STROKE_S = {"boom": 3.2, "stick": 2.9, "bucket": 2.3}
"""From end to end with the pump's whole flow, at the reference size; smaller machines are quicker."""
RINGING_HZ = {"boom": 3.5, "stick": 4.5, "bucket": 9.0}
"""Of the section on its oil."""
SLEW_RADPS, SLEW_RINGING_HZ = 1.05, 2.2
TRAVEL_MPS = 0.9
TRACK_SAG_M, TRACK_DAMPING = 0.006, 0.22


@dataclass(frozen=True, slots=True)
class Section:
    """One section of the arm, as the simulator sees it.

    Attributes:
        name: its body. length: pin to pin, m. low, high: range of its joint, rad. held: it does not move.
        extends: +1 where the cylinder's extension raises the angle, -1 where it lowers it.
    """

    name: str
    length: float
    low: float
    high: float
    extends: float
    held: bool = False

    @property
    def range(self) -> float:
        return self.high - self.low


@dataclass(frozen=True, slots=True)
class Tracks:
    """Contact length and gauge, m; stiffness N/m and damping N·s/m of each corner."""

    length: float
    gauge: float
    stiffness: float
    damping: float

    @property
    def corners(self) -> list[tuple[float, float, float]]:
        a, b = self.length / 2.0, self.gauge / 2.0
        return [(x, y, 0.0) for x in (-a, a) for y in (-b, b)]


@dataclass(frozen=True, slots=True)
class Plant:
    """A machine's bodies; `arm` lists its sections from the boom outwards.

    The undercarriage's freedoms are x, y, z, heading, pitch, roll; its frame's origin is the slew centre.
    """

    machine: Machine
    chain: Multibody
    arm: tuple[Section, ...]
    tracks: Tracks
    mass: float
    size: float
    """Length of boom and stick against the reference machine's."""
    rocker: Rocker | None

    @property
    def tip(self) -> tuple[float, float, float]:
        return (self.machine.bucket[0].tip_m, 0.0, 0.0)

    @property
    def bucket_capacity_m3(self) -> float:
        """Heaped, of a bucket as wide and long as described."""
        bucket = self.machine.bucket[0]
        return 0.5 * bucket.width_m * bucket.tip_m**2

    def bucket_body(self, load_m3: float) -> Body:
        """The bucket with soil in it."""
        bucket = self.machine.bucket[0]
        own = self.chain.joints[-1].body
        soil = SOIL_KG_M3 * load_m3
        at = (0.55 * bucket.tip_m, 0.0, 0.22 * bucket.tip_m)
        mass = own.mass + soil
        centre = tuple((own.mass * a + soil * b) / mass for a, b in zip(own.centre, at, strict=True))
        offset = sum((a - b) ** 2 for a, b in zip(own.centre, at, strict=True))
        joined = own.mass * soil / mass * offset
        spread = soil * (0.25 * bucket.tip_m) ** 2
        x, y, z = own.inertia
        return Body(
            mass, (centre[0], centre[1], centre[2]), (x + spread, y + spread + joined, z + spread + joined)
        )


def plant_of(machine: Machine, mass_kg: float | None = None) -> Plant:
    """The bodies of a described machine; `mass_kg` is its working weight, scaled from the arm where None."""
    arm_m = machine.boom.length_m + machine.stick.length_m
    size = arm_m / REFERENCE_ARM_M
    mass = mass_kg if mass_kg is not None else REFERENCE_MASS_KG * size**MASS_POWER
    arm = _sections(machine)
    joints = [
        Joint("x", "slide", 0),
        Joint("y", "slide", 1),
        Joint("z", "slide", 2),
        Joint("heading", "turn", 2),
        Joint("pitch", "turn", 1, sense=-1.0),
        Joint("roll", "turn", 0, body=_block(SHARES["undercarriage"] * mass, 0.22, size, (3.4, 2.3, 0.6))),
        Joint("slew", "turn", 2, body=_upper(SHARES["upper"] * mass, size)),
    ]
    origin = machine.boom.foot_m
    for section in arm:
        body = _bar(SHARES[section.name] * mass, section.length, 0.09 if section.name != "bucket" else 0.2)
        joints.append(Joint(section.name, "turn", 1, origin, body, -1.0))
        origin = (section.length, 0.0, 0.0)
    under = machine.undercarriage
    corner = mass * machine.gravity_mps2 / 4.0 / TRACK_SAG_M
    tracks = Tracks(
        under.contact_length_m if under else 0.64 * machine.boom.length_m,
        under.gauge_m if under else 0.44 * machine.boom.length_m,
        corner,
        2.0 * TRACK_DAMPING * math.sqrt(corner * mass / 4.0),
    )
    rocker = Rocker.of(machine) if machine.linkage is not None else None
    return Plant(machine, Multibody(joints, machine.gravity_mps2), arm, tracks, mass, size, rocker)


def _sections(machine: Machine) -> tuple[Section, ...]:
    lengths = {
        "boom": (machine.boom.length_m, machine.boom.held_deg),
        "stick": (machine.stick.length_m, machine.stick.held_deg),
        "bucket": (machine.bucket[0].tip_m, machine.bucket[0].held_deg),
    }
    found = []
    for name, (length, held) in lengths.items():
        low, high = (math.radians(a) for a in RANGES_DEG[name])
        if name == "bucket" and machine.linkage is not None:
            low, high = Rocker.of(machine).bucket_range(low, high)
        if held is not None:
            low, high = math.radians(held) - 0.02, math.radians(held) + 0.02
        found.append(Section(name, length, low, high, 1.0 if name == "boom" else -1.0, held is not None))
    return tuple(found)


def _block(mass: float, height: float, size: float, sides: tuple[float, float, float]) -> Body:
    a, b, c = (side * size for side in sides)
    k = mass / 12.0
    return Body(
        mass, (0.0, 0.0, height * size * 2.0), (k * (b * b + c * c), k * (a * a + c * c), k * (a * a + b * b))
    )


def _upper(mass: float, size: float) -> Body:
    body = _block(mass, 0.0, size, (3.6, 2.5, 1.6))
    return Body(mass, (-0.55 * size, 0.05 * size, 1.55 * size), body.inertia)


def _bar(mass: float, length: float, lift: float) -> Body:
    along = mass * length**2 / 12.0
    across = mass * (0.16 * length) ** 2 / 6.0
    return Body(mass, (0.48 * length, 0.0, lift * length), (across, along + across, along + across))
