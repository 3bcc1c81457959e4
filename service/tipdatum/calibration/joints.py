"""Joints beside the arm plane, and couplers, in a calibration: what is unknown of them, and what tells it.

**Swing.** A reading of the encoder is the swing and `boom_swing.zero`, what it tells with the boom straight
ahead. The pivot shows where the tip touches one mark with the boom swung and the upper slewed back: its
distance from the slew axis is then shorter. Gravity shows the swing on a slope alone.

**Tilt.** The part's sensor tells curl and tilt where its mount and the axis are known; a level on the cutting
edge tells them from outside. Of the axis its direction can be found, and its distance from the edge: along
itself a point of it may be anywhere.

**Coupler.** Its length and the angle at which it holds the bucket show at the pin between the two.

A joint's angle is unknown in a rest where something tells it; in every other rest it stands as described:
straight ahead (or held), not tilted.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from tipdatum.calibration.observations import Assumptions, Observation
from tipdatum.kinematics.chain import Point, TiltAxis
from tipdatum.kinematics.frames import Array, crossed, elevation_angle
from tipdatum.machine.description import Machine

ZERO, AXIS, AXIS_OFFSET = "boom_swing.zero", "bucket.tilt_axis", "bucket.tilt_axis_offset"
PIVOT_X, PIVOT_Y = "boom_swing.pivot_m.x", "boom_swing.pivot_m.y"
COUPLER, COUPLER_OFFSET = "coupler.length_m", "coupler.offset"

EDGE_POINTS = ("left", "right")
COUPLER_PIN = "coupler_bucket"
"""Points of the bucket whose heights may be read besides the pins."""


class Stated(NamedTuple):
    """A figure of the description: name of the unknown, unit (m or rad), value, 1-sigma."""

    name: str
    unit: str
    value: float
    sigma: float


def stated(machine: Machine, assume: Assumptions) -> list[Stated]:
    """What the description states of these joints, in the order of the unknowns."""
    found: list[Stated] = []
    bucket, coupler = machine.bucket[0], machine.coupler
    if machine.boom_swing is not None:
        pivot = machine.boom_swing.pivot_m
        found.append(Stated(PIVOT_X, "m", pivot[0], assume.foot_sigma_m))
        found.append(Stated(PIVOT_Y, "m", pivot[1], assume.foot_sigma_m))
        if machine.swing_sensor is not None:
            zero = -math.radians(machine.sensor[machine.swing_sensor].mount_rpy_deg[2])
            found.append(Stated(ZERO, "rad", zero, math.radians(assume.swing_zero_sigma_deg)))
    if bucket.tilt_axis_deg is not None:
        sigma = math.radians(assume.tilt_axis_sigma_deg)
        found.append(Stated(AXIS, "rad", math.radians(bucket.tilt_axis_deg), sigma))
        found.append(Stated(AXIS_OFFSET, "m", 0.0, assume.tilt_axis_sigma_m))
    if coupler is not None and bucket.pin_m is not None:
        sigma = math.radians(assume.ear_angle_sigma_deg)
        found.append(Stated(COUPLER, "m", coupler.length_m, assume.linkage_sigma_m))
        found.append(Stated(COUPLER_OFFSET, "rad", math.radians(coupler.offset_deg), sigma))
    return found


def pivot_of(machine: Machine, values: Mapping[str, float]) -> Point | None:
    """The swing's axis with the present figures, m; None where the boom does not swing."""
    if machine.boom_swing is None:
        return None
    return values[PIVOT_X], values[PIVOT_Y], machine.boom_swing.pivot_m[2]


def axis_of(machine: Machine, values: Mapping[str, float]) -> TiltAxis | None:
    """The tilt axis with the present figures; None where the bucket does not tilt."""
    point = machine.bucket[0].tilt_axis_m
    if point is None:
        return None
    angle, off = values[AXIS], values[AXIS_OFFSET]
    return TiltAxis(point[0] - off * math.sin(angle), point[1] + off * math.cos(angle), angle)


def coupler_turn(machine: Machine, values: Mapping[str, float]) -> float:
    """The bucket's x axis in the coupler's frame with the present figures, rad."""
    coupler, pin = machine.coupler, machine.bucket[0].pin_m
    assert coupler is not None
    assert pin is not None
    described = -math.atan2(pin[1], pin[0])
    return described + values[COUPLER_OFFSET] - math.radians(coupler.offset_deg)


def pin_of(machine: Machine, values: Mapping[str, float]) -> tuple[float, float]:
    """The bucket's own pin from the stick's, in its axes, m."""
    if COUPLER not in values:
        return machine.bucket[0].pin_m or (0.0, 0.0)
    turn, length = coupler_turn(machine, values), values[COUPLER]
    return length * math.cos(turn), -length * math.sin(turn)


def pin_tilts(machine: Machine) -> bool:
    """Whether the bucket's own pin is on the part that tilts: on a coupler that tilts."""
    return machine.coupler is not None and machine.coupler.tilt_axis_m is not None


def told_places(machine: Machine, observations: Sequence[Observation], joint: str) -> set[object]:
    """`Observation.place` of the rests in which something that a person noted tells a joint's angle.

    Args:
        joint: "swing" or "tilt".
    """
    kinds = ("swing", "encoder") if joint == "swing" else ("tilt", "cross_slope")
    points = () if joint == "swing" else EDGE_POINTS
    if (machine.boom_swing is None) if joint == "swing" else (machine.bucket[0].tilt_axis_m is None):
        return set()
    return {o.place for o in observations if o.kind in kinds or (o.kind == "height" and o.of in points)}


def held_swing(machine: Machine) -> float:
    """Where the boom stands in rests that tell nothing of its swing, rad."""
    held = None if machine.boom_swing is None else machine.boom_swing.held_deg
    return math.radians(held or 0.0)


def about_z(vectors: Array, angle: Array) -> Array:
    """Vectors (N, 3) turned by angles (N,) rad about z."""
    c, s = np.cos(angle), np.sin(angle)
    x, y, z = vectors.T
    turned = np.empty(vectors.shape)
    turned[:, 0], turned[:, 1], turned[:, 2] = x * c - y * s, x * s + y * c, z
    return turned


def about_axis(axis: TiltAxis, vectors: Array, angle: Array) -> Array:
    """Vectors (N, 3) turned by angles (N,) rad about the direction of a tilt axis (Rodrigues' formula)."""
    a = np.array(axis.direction)
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    turned: Array = vectors * c + crossed(a, vectors) * s + (vectors @ a)[:, None] * a * (1.0 - c)
    return turned


class TiltStart(NamedTuple):
    """How a part may stand that feels gravity: θ of the untilted bucket and τ, rad; misfit, 1."""

    theta: float
    tilt: float
    misfit: float


def curl_and_tilt(
    axis: TiltAxis, up: Array, roll: float, edge: float | None, told: float | None
) -> list[TiltStart]:
    """How a part at rest may stand that leans across the arm plane as the roll says, best first.

    Where its axis is so steep that gravity does not show the tilt it is taken as told, or to either side.

    Args:
        up: (3,) in the part's axes. edge, told: rad, slope of the cutting edge and tilt, if they were read.
    """
    ax, _, az = axis.direction
    a, b = float(up[1]), float(az * up[0] - ax * up[2])
    far, lean = math.hypot(a, b), math.sin(roll)
    half = math.acos(lean / far) if abs(lean) < far else math.nan
    middle, found = math.atan2(b, a), []
    ways = [math.remainder(middle + side, 2.0 * math.pi) for side in (half, -half)]
    for tilt in [way for way in ways if abs(way) < FURTHEST_RAD] or (
        [told] if told is not None else STEEP_RAD
    ):
        theta = float(elevation_angle(about_axis(axis, up[None], np.array([tilt]))[0]))
        fall = math.cos(tilt) * lean + math.sin(tilt) * math.cos(roll) * math.cos(theta + axis.angle)
        misfit = 0.01 * abs(tilt) + (0.0 if edge is None else abs(fall - math.sin(edge)))
        found.append(TiltStart(theta, tilt, misfit + (0.0 if told is None else abs(tilt - told))))
    return sorted(found, key=lambda one: one.misfit)


ALIKE = 0.15
"""Difference in the misfit of the edge's slope, as a sine, up to which mounts that are degrees off leave open
to which side a bucket is tilted: its axis is steep then."""
STEEP_RAD = (0.4, -0.4)
"""Tilts to begin from that gravity does not show, rad."""
FURTHEST_RAD = math.radians(100.0)
"""Furthest that a bucket tilts, rad."""


def add_joints(found: dict[str, Any], values: Mapping[str, float], machine: Machine) -> None:
    """What was found of joints beside the arm plane and of a coupler."""
    if (pivot := pivot_of(machine, values)) is not None:
        found["boom_swing"] = {"pivot_m": [cut(pivot[0]), cut(pivot[1]), pivot[2]]}
    if (told := machine.swing_sensor) is not None and ZERO in values:
        roll, pitch, _ = machine.sensor[told].mount_rpy_deg
        yaw = round(-math.degrees(values[ZERO]), 4)
        found["sensor"][told] = {"mount_rpy_deg": [roll, pitch, yaw]}
    if (axis := axis_of(machine, values)) is not None:
        found["bucket"][0]["tilt_axis_m"] = [cut(axis.x), cut(axis.z)]
        found["bucket"][0]["tilt_axis_deg"] = round(math.degrees(axis.angle), 3)
    if COUPLER in values:
        offset = round(math.degrees(values[COUPLER_OFFSET]), 3)
        found["coupler"] = {"length_m": cut(values[COUPLER]), "offset_deg": offset}
        found["bucket"][0]["pin_m"] = [cut(v) for v in pin_of(machine, values)]


def cut(value: float) -> float:
    """Rounded to what a description carries."""
    return round(float(value), 5)
