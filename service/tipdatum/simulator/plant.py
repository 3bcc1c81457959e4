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
POST_SHARE, TILTER_SHARE = 0.02, 0.014
"""What a post that swings weighs, and the part between stick and a bucket that tilts."""
SOIL_KG_M3 = 1700.0

RANGES_DEG: dict[str, tuple[float, float]] = {
    "boom": (-52.0, 62.0), "second_boom": (-78.0, -8.0), "stick": (-152.0, -36.0), "bucket": (-142.0, 34.0),
    "swing": (-55.0, 75.0), "tilt": (-45.0, 45.0),
}  # fmt: skip
"""From end to end of the cylinder, relative to the section before; positive up, outwards or to the left."""
LOWER_BOOM_DEG = (-31.0, 80.0)
"""The same of a boom with a second section, which stands as much steeper as that one bends it."""
STROKE_S = {"boom": 3.2, "second_boom": 3.6, "stick": 2.9, "bucket": 2.3, "swing": 9.0, "tilt": 4.5}
"""From end to end with the pump's whole flow, at the reference size; smaller machines are quicker."""
RINGING_HZ = {"boom": 3.5, "second_boom": 4.0, "stick": 4.5, "bucket": 9.0, "swing": 3.0, "tilt": 7.0}
"""Of the section on its oil."""
AT_WORK_RAD = math.radians(-110.0)
"""How a bucket's line from pin to tip stands when its floor is drawn over the ground, against the horizon."""
SLEW_RADPS, SLEW_RINGING_HZ = 1.05, 2.2
TRAVEL_MPS = 0.9
TRACK_SAG_M, TRACK_DAMPING = 0.006, 0.22


@dataclass(frozen=True, slots=True)
class Section:
    """One part of the arm that a lever moves, as the simulator sees it.

    Attributes:
        name: its joint. length: pin to pin, m; 0 where it turns out of the arm's plane. low, high: range of
            its joint, rad. held: it does not move.
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
    """A machine's bodies; `arm` lists its sections from the boom outwards, which turn in the arm's plane.

    The undercarriage's freedoms are x, y, z, heading, pitch, roll; its frame's origin is the slew centre.
    """

    machine: Machine
    chain: Multibody
    arm: tuple[Section, ...]
    aside: tuple[Section, ...]
    """What turns out of that plane: "swing" of the boom at its foot, "tilt" of the bucket."""
    tracks: Tracks
    mass: float
    size: float
    """Length of boom and stick against the reference machine's."""
    rocker: Rocker | None
    tool: str
    """Joint that carries the bucket: its own, or its tilt."""
    plane: str
    """Joint in whose x-z plane the arm moves: the slew, or the boom's swing."""

    @property
    def sections(self) -> tuple[Section, ...]:
        """All that a lever moves, from the boom outwards and then what turns out of the arm's plane."""
        return (*self.arm, *self.aside)

    def on_bucket(self, x: float, y: float, z: float) -> tuple[float, float, float]:
        """A place in the bucket's axes, m from the stick's pin, in the frame of `tool`."""
        ox, oy, oz = (0.0, 0.0, 0.0) if self.tool == "bucket" else _axis_point(self.machine)
        return (x - ox, y - oy, z - oz)

    @property
    def tip(self) -> tuple[float, float, float]:
        """Middle of the edge, m, in the frame of `tool`."""
        return self.on_bucket(*_edge(self.machine))

    @property
    def lifts_left(self) -> float:
        """+1 where a positive tilt lifts the left side of a bucket at work, -1 where it lifts the right."""
        axis = self.machine.bucket[0].tilt_axis_deg
        return 1.0 if axis is None or math.cos(AT_WORK_RAD + math.radians(axis)) >= 0.0 else -1.0

    @property
    def bucket_capacity_m3(self) -> float:
        """Heaped, of a bucket as wide and long as described."""
        bucket = self.machine.bucket[0]
        return 0.5 * bucket.width_m * bucket.tip_m**2

    def bucket_body(self, load_m3: float) -> Body:
        """The bucket with soil in it."""
        bucket = self.machine.bucket[0]
        own = self.chain.joints[self.chain.index[self.tool]].body
        soil = SOIL_KG_M3 * load_m3
        out, aside = bucket.pin_m or (0.0, 0.0)
        at = self.on_bucket(out + 0.55 * bucket.tip_m, 0.0, aside + 0.22 * bucket.tip_m)
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
    second = machine.second_boom.length_m if machine.second_boom is not None else 0.0
    arm_m = machine.boom.length_m + second + machine.stick.length_m
    size = arm_m / REFERENCE_ARM_M
    mass = mass_kg if mass_kg is not None else REFERENCE_MASS_KG * size**MASS_POWER
    arm, aside = _sections(machine)
    turning = {section.name for section in aside}
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
    if machine.boom_swing is not None and "swing" in turning:
        pivot = machine.boom_swing.pivot_m
        joints.append(Joint("swing", "turn", 2, pivot, _post(POST_SHARE * mass, size)))
        origin = (origin[0] - pivot[0], origin[1] - pivot[1], origin[2] - pivot[2])
    boom = sum(section.length for section in arm[:-2])
    for section in arm[:-1]:
        share = SHARES["stick"] if section.name == "stick" else SHARES["boom"] * section.length / boom
        joints.append(Joint(section.name, "turn", 1, origin, _bar(share * mass, section.length, 0.09), -1.0))
        origin = (section.length, 0.0, 0.0)
    joints += _bucket_joints(machine, mass, origin, "tilt" in turning)
    under = machine.undercarriage
    corner = mass * machine.gravity_mps2 / 4.0 / TRACK_SAG_M
    chord = machine.boom.length_m + second
    tracks = Tracks(
        under.contact_length_m if under else 0.64 * chord,
        under.gauge_m if under else 0.44 * chord,
        corner,
        2.0 * TRACK_DAMPING * math.sqrt(corner * mass / 4.0),
    )
    return Plant(
        machine,
        Multibody(joints, machine.gravity_mps2),
        arm,
        aside,
        tracks,
        mass,
        size,
        Rocker.of(machine) if machine.linkage is not None else None,
        "tilt" if "tilt" in turning else "bucket",
        "swing" if "swing" in turning else "slew",
    )


def _bucket_joints(
    machine: Machine, mass: float, origin: tuple[float, float, float], tilts: bool
) -> list[Joint]:
    """The bucket on its pin; of one that tilts, what carries it and the bucket on its axis."""
    bucket = machine.bucket[0]
    out, aside = bucket.pin_m or (0.0, 0.0)
    body = _bar(SHARES["bucket"] * mass, bucket.tip_m, 0.2)
    if not tilts:
        return [Joint("bucket", "turn", 1, origin, _moved(body, out, aside), -1.0)]
    axis, angle = _axis_point(machine), math.radians(bucket.tilt_axis_deg or 0.0)
    wide = body.mass * bucket.width_m**2 / 12.0
    x, y, z = body.inertia
    body = Body(body.mass, body.centre, (x + wide, y, z + wide))
    between = _bar(TILTER_SHARE * mass, math.hypot(axis[0], axis[2]) + 0.1, 0.3)
    return [
        Joint("bucket", "turn", 1, origin, between, -1.0),
        Joint(
            "tilt", "turn", (math.cos(angle), 0.0, math.sin(angle)), axis,
            _moved(body, out - axis[0], aside - axis[2]),
        ),
    ]  # fmt: skip


def _axis_point(machine: Machine) -> tuple[float, float, float]:
    """A point of the tilt axis, in the frame of the untilted bucket; where it does not tilt, the pin."""
    x, z = machine.bucket[0].tilt_axis_m or (0.0, 0.0)
    return (x, 0.0, z)


def _edge(machine: Machine) -> tuple[float, float, float]:
    """Middle of the edge, m from the stick's pin in the bucket's axes."""
    bucket = machine.bucket[0]
    out, aside = bucket.pin_m or (0.0, 0.0)
    return (out + bucket.tip_m, 0.0, aside)


def _moved(body: Body, x: float, z: float) -> Body:
    a, b, c = body.centre
    return Body(body.mass, (a + x, b, c + z), body.inertia)


def range_deg(machine: Machine, name: str) -> tuple[float, float]:
    """From end to end of a joint's cylinder, relative to the section before."""
    return LOWER_BOOM_DEG if name == "boom" and machine.second_boom is not None else RANGES_DEG[name]


def _sections(machine: Machine) -> tuple[tuple[Section, ...], tuple[Section, ...]]:
    """Those that turn in the arm's plane, and those that turn out of it."""
    x, _, z = _edge(machine)
    second, swing, bucket = machine.second_boom, machine.boom_swing, machine.bucket[0]
    lengths: dict[str, tuple[float, float | None]] = {"boom": (machine.boom.length_m, machine.boom.held_deg)}
    if second is not None:
        lengths["second_boom"] = (second.length_m, second.held_deg)
    lengths["stick"] = (machine.stick.length_m, machine.stick.held_deg)
    lengths["bucket"] = (math.hypot(x, z), bucket.held_deg)
    arm = tuple(_section(machine, name, *told) for name, told in lengths.items())
    aside = []
    if swing is not None:
        aside.append(_section(machine, "swing", 0.0, swing.held_deg))
    if bucket.tilt_axis_m is not None:
        aside.append(_section(machine, "tilt", 0.0, None))
    return arm, tuple(aside)


def _section(machine: Machine, name: str, length: float, held: float | None) -> Section:
    low, high = (math.radians(a) for a in range_deg(machine, name))
    if name == "bucket" and machine.linkage is not None:
        low, high = Rocker.of(machine).bucket_range(low, high)
    if held is not None:
        low, high = math.radians(held) - 0.02, math.radians(held) + 0.02
    extends = -1.0 if name in ("stick", "bucket") else 1.0
    return Section(name, length, low, high, extends, held is not None)


def _block(mass: float, height: float, size: float, sides: tuple[float, float, float]) -> Body:
    a, b, c = (side * size for side in sides)
    k = mass / 12.0
    return Body(
        mass, (0.0, 0.0, height * size * 2.0), (k * (b * b + c * c), k * (a * a + c * c), k * (a * a + b * b))
    )


def _upper(mass: float, size: float) -> Body:
    body = _block(mass, 0.0, size, (3.6, 2.5, 1.6))
    return Body(mass, (-0.55 * size, 0.05 * size, 1.55 * size), body.inertia)


def _post(mass: float, size: float) -> Body:
    """What a boom that swings stands on: upright, a little in front of its axis."""
    own = mass * (0.35 * size) ** 2 / 6.0
    return Body(mass, (0.12 * size, 0.0, 0.1 * size), (own, own, own))


def _bar(mass: float, length: float, lift: float) -> Body:
    along = mass * length**2 / 12.0
    across = mass * (0.16 * length) ** 2 / 6.0
    return Body(mass, (0.48 * length, 0.0, lift * length), (across, along + across, along + across))
