"""A machine description in words, so that a person can hold it against the machine."""

from __future__ import annotations

import itertools
import math
from typing import TypeAlias

import numpy as np

from tipdatum.kinematics.frames import Array, rotation_from_rpy_deg
from tipdatum.machine.coupler import in_coupler_axes
from tipdatum.machine.description import Machine
from tipdatum.machine.parts import Bucket, Sensor

Pair: TypeAlias = tuple[str, str]

AXES: dict[str, tuple[Pair, Pair, Pair]] = {
    "upper": (("forward", "backward"), ("left", "right"), ("up", "down")),
    "boom": (
        ("along the boom to the stick", "along the boom to the cab"),
        ("left", "right"),
        ("up with the boom level", "down with the boom level"),
    ),
    "second_boom": (
        ("along the second boom to the stick", "along the second boom to the first"),
        ("left", "right"),
        ("up with the second boom level", "down with the second boom level"),
    ),
    "stick": (
        ("along the stick to the bucket", "along the stick to the boom"),
        ("left", "right"),
        ("away from the cab with the stick hanging", "towards the cab with the stick hanging"),
    ),
    "bucket": (
        ("from the bucket pin to the tip", "from the tip to the bucket pin"),
        ("left", "right"),
        ("away from the cab with the bucket hanging", "towards the cab with the bucket hanging"),
    ),
    "coupler": (
        ("from the stick's pin to the bucket's", "from the bucket's pin to the stick's"),
        ("left", "right"),
        ("away from the cab with the coupler hanging", "towards the cab with the coupler hanging"),
    ),
    "rocker": (
        ("from the rocker's pivot to the link's pin", "from the link's pin to the rocker's pivot"),
        ("left", "right"),
        (
            "left of the rocker seen from the machine's right side",
            "right of the rocker seen from the machine's right side",
        ),
    ),
}
"""body → for x, y and z: where the positive and where the negative axis of the body points to."""

PLACES: dict[str, tuple[Pair, Pair]] = {
    "upper": (
        ("forward of the slew axis", "behind the slew axis"),
        ("above the tracks' underside", "below the tracks' underside"),
    ),
    "boom": (
        ("along from the foot pin", "behind the foot pin"),
        ("above the pin line", "below the pin line"),
    ),
    "second_boom": (
        ("along from the pin at the boom's end", "behind the pin at the boom's end"),
        ("above the pin line", "below the pin line"),
    ),
    "stick": (
        ("along from the boom pin", "behind the boom pin"),
        ("off the pin line, away from the cab", "off the pin line, towards the cab"),
    ),
    "bucket": (
        ("from the bucket pin towards the tip", "behind the bucket pin"),
        ("off that line, away from the cab", "off that line, towards the cab"),
    ),
    "coupler": (
        ("from the stick's pin towards the bucket's", "behind the stick's pin"),
        ("off that line, away from the cab", "off that line, towards the cab"),
    ),
    "rocker": (
        ("along from the rocker's pivot", "behind the rocker's pivot"),
        (
            "off the pin line, to the left seen from the right",
            "off the pin line, to the right seen from the right",
        ),
    ),
}
"""body → for x and z: how a distance along the positive and along the negative axis is called."""

KINDS = {"imu": "inertial sensor", "tilt": "inclinometer", "slew": "slew encoder", "beam": "laser receiver"}


def describe(machine: Machine) -> list[str]:
    """Sentences: the arm, then each sensor: what it is, where it sits, which way it looks, then notes."""
    sensors = [f"Sensor {name}: {sensor_words(machine, name)}" for name in machine.sensor]
    return [machine.name, *describe_arm(machine), *sensors, *(f"Note: {note}" for note in notes(machine))]


def describe_arm(machine: Machine) -> list[str]:
    """Sentences about pins, lengths, buckets and the linkage."""
    x, y, z = machine.boom.foot_m
    lines = [
        f"Boom foot pin {_where(x, *PLACES['upper'][0])}, {_sideways(y)}{_where(z, *PLACES['upper'][1])}.",
        f"{_sections(machine)}, pin to pin.",
        *_swing(machine),
        *_coupler(machine),
    ]
    for i, bucket in enumerate(machine.bucket):
        lines.append(describe_bucket(bucket, "mounted" if i == 0 else "in store"))
        lines += _tilt(machine, i)
    if machine.linkage is not None:
        spans = machine.four_bar().closing_range()
        turns = " and ".join(f"{math.degrees(a):.0f}° to {math.degrees(b):.0f}°" for a, b in spans)
        lines.append(f"Linkage: closes with the rocker at {turns} from the stick.")
    return lines


def _sections(machine: Machine) -> str:
    second = machine.second_boom
    between = "" if second is None else f", second boom {second.length_m:.3f} m"
    return f"Boom {machine.boom.length_m:.3f} m{between} and stick {machine.stick.length_m:.3f} m"


def _swing(machine: Machine) -> list[str]:
    """The axis at the boom's foot, and where a swing of known sign puts the foot."""
    swing = machine.boom_swing
    if swing is None:
        return []
    x, y, _ = swing.pivot_m
    foot_x, foot_y, _ = machine.boom.foot_m
    turned = math.radians(TURN_DEG)
    out, left = foot_x - x, foot_y - y
    at_x = x + out * math.cos(turned) - left * math.sin(turned)
    at_y = y + out * math.sin(turned) + left * math.cos(turned)
    told = machine.swing_sensor
    if told is not None:
        how = f"sensor {told} tells the swing"
    elif swing.held_deg is not None:
        how = f"held at {swing.held_deg:g}°, with no sensor"
    else:
        how = "no sensor tells the swing"
    where = _where(x, *PLACES["upper"][0])
    return [
        f"The boom swings about an upright axis {where}{_aside(y)}: at {TURN_DEG:g}°, to the left, its foot "
        f"pin is {_where(at_x, *PLACES['upper'][0])}{_aside(at_y)}; {how}."
    ]


def _coupler(machine: Machine) -> list[str]:
    coupler = machine.coupler
    if coupler is None:
        return []
    tilts = ", tilting sideways" if coupler.tilt_axis_m is not None else ""
    hangs = _from_hanging_deg(_coupler_deg(machine))
    return [
        f"Coupler{tilts}: {coupler.length_m:.3f} m from the stick's pin to that of the bucket.",
        f"  With the coupler straight down the line from the bucket's own pin to its tip is {hangs}.",
    ]


def _coupler_deg(machine: Machine) -> float:
    """By how much the mounted bucket's line from its own pin to the tip is turned against the coupler's line.

    Degrees, positive away from the cab when the coupler hangs.
    """
    x, z = machine.bucket[0].pin_m or (1.0, 0.0)
    return -math.degrees(math.atan2(z, x))


def _from_hanging_deg(angle: float) -> str:
    if abs(angle) < 0.5:
        return "straight down"
    return f"{abs(angle):.0f}° off plumb, {'away from' if angle > 0.0 else 'towards'} the cab"


def _tilt(machine: Machine, index: int) -> list[str]:
    """What a tilt of known sign does to the edge of a bucket that hangs."""
    chain = machine.chain(index)
    if chain.tilt is None:
        return []
    q = [0.0] * chain.size
    q[chain.bucket], q[chain.tilt] = math.radians(HANGING_DEG), math.radians(TURN_DEG)
    left, right = chain.locate(q).corners
    rises = left[2] - right[2]
    side = "left" if rises >= 0.0 else "right"
    return [
        f"  It tilts: hanging with the tip straight down, a tilt of +{TURN_DEG:g}° lifts the {side} corner "
        f"{abs(rises):.3f} m above the other; if the machine lifts the other, turn the axis by 180°.",
        f"  Its axis lies level with the tip {_from_hanging_deg(_level_deg(machine, index))}.",
    ]


def _level_deg(machine: Machine, index: int) -> float:
    """How far from hanging a bucket's tip is when its tilt axis lies level; positive away from the cab."""
    axis = machine.chain(index).tilt_axis
    assert axis is not None
    # An axis has two ends, and either may point away.
    return math.degrees(math.remainder(math.radians(-HANGING_DEG) - axis.angle, math.pi))


TURN_DEG = 20.0
"""Of the turns by which words and drawings show a sign."""
HANGING_DEG = -90.0
ODD_COUPLER_DEG = 60.0
"""Turn of a bucket against its coupler from which it is worth a second look: most hang almost in line."""


def describe_bucket(bucket: Bucket, where: str = "") -> str:
    """One bucket in a sentence; `where` it is."""
    place = f" ({where})" if where else ""
    size = f"{bucket.tip_m:.3f} m from pin to tip, {bucket.width_m:.2f} m wide"
    return f'Bucket "{bucket.name}"{place}: {size}.'


def sensor_words(machine: Machine, name: str) -> str:
    """One of the machine's sensors in a sentence or two: on a coupler as that is described, on a bucket from
    that one's own pin."""
    sensor, pin = machine.sensor[name], machine.bucket[0].pin_m
    if sensor.on_coupler:
        return describe_sensor(in_coupler_axes(machine.bucket[0], sensor))
    if sensor.body != "bucket" or pin is None:
        return describe_sensor(sensor)
    x, y, z = sensor.position_m
    return describe_sensor(sensor.model_copy(update={"position_m": (x - pin[0], y, z - pin[1])}))


def describe_sensor(sensor: Sensor) -> str:
    """One sensor in a sentence or two."""
    serial = f" (serial {sensor.serial})" if sensor.serial else ""
    what = f"{KINDS[sensor.type]}{serial} on the {sensor.body.replace('_', ' ')}"
    if sensor.body == "boom_swing":
        return f"swing encoder{serial} at the boom's foot."
    if sensor.type == "slew":
        return f"{what}."
    if sensor.type == "beam":
        return f"{what}, {position_words(sensor)}."
    return f"{what}, {position_words(sensor)}; {direction_words(sensor)}. {_timing(sensor)}"


def position_words(sensor: Sensor) -> str:
    """Where it sits: "1.70 m along from the foot pin, 0.12 m left, 0.24 m above the pin line"."""
    x, y, z = sensor.position_m
    along, off = PLACES[sensor.body]
    return f"{_where(x, *along)}, {_sideways(y)}{_where(z, *off)}"


def direction_words(sensor: Sensor) -> str:
    """Which way its axes look, by the nearest of the body's axes, and how far they are off."""
    rotation = rotation_from_rpy_deg(sensor.mount_rpy_deg)
    nearest, off_deg = nearest_quarter_turns(rotation)
    looks = []
    for column, name in enumerate("xyz"):
        axis = int(np.argmax(np.abs(nearest[:, column])))
        looks.append(f"{name} {AXES[sensor.body][axis][0 if nearest[axis, column] > 0 else 1]}")
    # A mount is as good as it was measured, however round its figures are.
    known_deg = max(off_deg, 0.0 if sensor.mount_sigma_deg is None else sensor.mount_sigma_deg)
    if known_deg >= 0.05:
        exact = f"within {math.ceil(known_deg)}°"
    else:
        exact = "as described" if sensor.mount_sigma_deg is None else "exactly"
    return f"looking {', '.join(looks)}, {exact}"


def nearest_quarter_turns(rotation: Array) -> tuple[Array, float]:
    """The mount of quarter turns nearest to `rotation` (3, 3), and the angle between the two in degrees."""
    best, best_trace = np.eye(3), -np.inf
    for order in itertools.permutations(range(3)):
        for signs in itertools.product((1.0, -1.0), repeat=3):
            candidate = np.zeros((3, 3))
            candidate[list(order), range(3)] = signs
            trace = float(np.trace(candidate.T @ rotation))
            if np.linalg.det(candidate) > 0 and trace > best_trace:
                best, best_trace = candidate, trace
    return best, math.degrees(math.acos(max(-1.0, min(1.0, (best_trace - 1.0) / 2.0))))


def describe_calibration(machine: Machine) -> str:
    """What a calibration said of the machine, in one sentence."""
    said = machine.calibrated
    if said is None:
        return "not calibrated: lengths and mounts are as somebody measured them"
    tip = f"tip ±{1000.0 * said.tip_sigma_m:.1f} mm at rest (1-sigma)"
    if not machine.calibration_holds:
        return f"calibrated {said.date}, but changed since: its verdict no longer holds"
    return f"calibrated {said.date}: {said.verdict}, {tip}"


UNMEASURED = {
    "position_m": "measure it, write it down, and take it out of the sensor's unmeasured",
    "mount_rpy_deg": "look at the arrows on the part and do the same, or calibrate",
}
"""Keys that may be guesses → what to do about them."""


def notes(machine: Machine) -> list[str]:
    """What is allowed and yet worth a second look."""
    found = []
    said = machine.calibrated
    if said is not None and not (machine.calibration_holds and said.verdict == "accepted"):
        found.append(describe_calibration(machine))
    if machine.sensor_on("upper") is None:
        found.append(
            "no tilt sensor on the upper: the machine is taken as level, which sigma and reasons say"
        )
    for body in machine.sections[:-1]:
        if machine.sensor_on(body) is None and getattr(machine, body).held_deg is None:
            called = body.replace("_", " ")
            found.append(f"no tilt sensor on the {called}: no elevation can be computed")
    swing = machine.boom_swing
    if swing is not None and machine.swing_sensor is None and swing.held_deg is None:
        found.append(
            "no sensor tells the boom's swing: the gyros of upper and boom follow it from straight ahead, "
            "and sigma says how well"
        )
    behind = 0.0 if swing is None else swing.pivot_m[0] - machine.boom.foot_m[0]
    if behind > 0.0:
        found.append(
            f"the boom's foot pin lies {behind:.2f} m behind the axis about which it swings: on most "
            "machines it lies in front; check pivot_m and foot_m"
        )
    second = machine.second_boom
    if second is not None and (second.held_deg or 0.0) > 0.0:
        found.append(
            f"the second boom is held {second.held_deg:g}° up from the line of the boom: most fold down from "
            "it, which is negative"
        )
    if machine.coupler is not None and abs(_coupler_deg(machine)) > ODD_COUPLER_DEG:
        found.append(
            f"hung from the coupler the bucket's tip points {_from_hanging_deg(_coupler_deg(machine))}: "
            "check the sign of offset_deg, and the bucket's ear"
        )
    if any(machine.chain(i).tilt is not None for i in range(len(machine.bucket))) and (
        machine.sensor_on("bucket") is None
    ):
        found.append("no tilt sensor on the part of the bucket that tilts: no elevation can be computed")
    on_bucket = machine.sensor_on("bucket") or machine.sensor_on("rocker")
    if on_bucket is None and machine.bucket[0].held_deg is None:
        found.append("no tilt sensor on the bucket or its rocker: no elevation can be computed")
    for name, sensor in machine.sensor.items():
        if sensor.type in ("imu", "tilt") and _tilted_deg(sensor) > 20.0:
            found.append(
                f"sensor {name} is {_tilted_deg(sensor):.0f}° away from any quarter turn: check its mount"
            )
    levelled = [
        n for n, s in machine.sensor.items() if s.type in ("imu", "tilt") and s.mount_sigma_deg is None
    ]
    if levelled:
        found.append(
            f"no mount_sigma_deg for {', '.join(levelled)}: "
            "taken as levelled to gravity where the service starts"
        )
    for key, what in UNMEASURED.items():
        guessed = [name for name, sensor in machine.sensor.items() if key in sensor.unmeasured]
        # A calibration finds where sensors look, not where they sit.
        if guessed and not (key == "mount_rpy_deg" and machine.calibrated is not None):
            found.append(f"{key} of {', '.join(guessed)} is a guess that nobody measured: {what}")
    if machine.dimensions_taken_as_exact:
        found.append(
            "a length of the arm has no length_sigma_m, foot_sigma_m or tip_sigma_m: sigma takes it as exact"
        )
    return found


def _tilted_deg(sensor: Sensor) -> float:
    return nearest_quarter_turns(rotation_from_rpy_deg(sensor.mount_rpy_deg))[1]


def _timing(sensor: Sensor) -> str:
    return f"Its readings are {sensor.latency_s * 1000:.0f} ms old when they arrive."


def _where(value: float, positive: str, negative: str) -> str:
    return f"{abs(value):.2f} m {positive if value >= 0 else negative}"


def _aside(y: float) -> str:
    return "" if abs(y) < 0.005 else f", {abs(y):.2f} m {'left' if y > 0 else 'right'}"


def _sideways(y: float) -> str:
    return "" if abs(y) < 0.005 else f"{abs(y):.2f} m {'left' if y > 0 else 'right'}, "
