"""How the arm stands in one rest, as the description makes it of averaged readings."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from tipdatum.calibration import joints
from tipdatum.calibration.observations import Observation, SensorRest
from tipdatum.calibration.recordings import StillWindow
from tipdatum.kinematics.frames import Array, elevation_angle, roll_angle, rotation_from_rpy_deg
from tipdatum.machine.description import Machine
from tipdatum.machine.parts import Sensor

STEEP = math.sin(math.radians(10.0))
"""Sine of the tilt axis's angle to the vertical below which a tilt is not read from gravity: there a tenth of
a degree in the sensor's levelling is more than half a degree of tilt."""


@dataclass(frozen=True, slots=True)
class Posture:
    """Angles of one rest by the description, rad.

    Attributes:
        q: (2 + n,) of the arm plane, see `Machine.straight_chain`. rocker: NaN without a sensor on it.
        swing, tilt: of the boom and of the bucket; 0 straight ahead and not tilted.
    """

    q: Array
    rocker: float
    swing: float = 0.0
    tilt: float = 0.0


def posture_of(machine: Machine, sensors: Mapping[str, SensorRest], swing: float = 0.0) -> Posture:
    """Angles in the arm plane, for a boom that is swung by so much, rad, and a bucket that is not tilted.

    Raises:
        ValueError: a body has no reading, or the linkage cannot take the angle.
    """
    place = {body: 2 + i for i, body in enumerate(machine.sections)}
    q = np.full(2 + len(place), math.nan)
    rocker = math.nan
    for name, sensor in machine.sensor.items():
        rest = sensors.get(name)
        if rest is None or sensor.type not in ("imu", "tilt"):
            continue
        up = up_of(sensor, rest)
        if sensor.body == "upper":
            up = joints.about_z(up[None], np.array([-swing]))[0]
        angle = float(elevation_angle(up))
        if sensor.body == "upper":
            q[0], q[1] = angle, float(roll_angle(up))
        elif sensor.body == "rocker":
            rocker = angle
        elif sensor.body in place:
            q[place[sensor.body]] = angle
    if math.isnan(q[-1]) and not math.isnan(rocker):
        solved = machine.four_bar().bucket_from_rocker(rocker - q[-2])
        if not solved.closes[0]:
            raise ValueError("the linkage cannot take the rocker's angle")
        q[-1] = q[-2] + float(solved.bucket[0])
    if np.isnan(q).any():
        missing = [b.replace("_", " ") for b, k in {"upper": 0, **place}.items() if math.isnan(q[k])]
        raise ValueError(f"no reading for {', '.join(missing)}")
    return Posture(q, rocker)


def up_of(sensor: Sensor, rest: SensorRest) -> Array:
    """(3,) unit vector against gravity in the axes of the sensor's body."""
    force = np.array(rest.accel_mps2) - np.array(sensor.accel_offset_mps2)
    if sensor.accel_scale is not None:
        force = np.array(sensor.accel_scale) @ force
    up: Array = rotation_from_rpy_deg(sensor.mount_rpy_deg) @ force
    return up / np.linalg.norm(up)


def whole_posture(machine: Machine, window: StillWindow, observations: Iterable[Observation]) -> Posture:
    """All angles, also those beside the arm plane: as sensors tell them, or else as somebody noted them.

    Args:
        observations: what was noted in that window.

    Raises:
        ValueError: as `posture_of`; or nothing tells how far the boom is swung or the bucket tilted.
    """
    kinds = ("swing", "encoder", "tilt", "cross_slope")
    told: dict[str, float] = {o.kind: math.radians(o.value or 0.0) for o in observations if o.kind in kinds}
    swing = _swing(machine, window, told)
    plane = posture_of(machine, window.sensors, swing)
    return _tilted(machine, window, told, replace(plane, swing=swing))


def _swing(machine: Machine, window: StillWindow, told: Mapping[str, float]) -> float:
    described, sensor = machine.boom_swing, machine.swing_sensor
    if described is None:
        return 0.0
    if sensor is not None:
        read = math.radians(window.told_deg[sensor]) if sensor in window.told_deg else told.get("encoder")
        if read is not None:
            return read + math.radians(machine.sensor[sensor].mount_rpy_deg[2])
    if "swing" in told:
        return told["swing"]
    if sensor is None and described.held_deg is not None:
        return math.radians(described.held_deg)
    silent = "" if sensor is None else f"{sensor} has no reading, and "
    raise ValueError(
        f"{silent}nothing tells how far the boom was swung: note it for the same rest "
        '(kind = "swing", of = "boom", 0 straight ahead)'
    )


def _tilted(machine: Machine, window: StillWindow, told: Mapping[str, float], plane: Posture) -> Posture:
    """The same with the tilt, and the curl that goes with it where the tilting part's sensor tells both."""
    axis, on_it = machine.chain().tilt_axis, machine.sensor_on("bucket")
    if axis is None:
        return plane
    noted = told.get("tilt")
    rest = None if on_it is None else window.sensors.get(on_it[0])
    if on_it is None or rest is None:
        if noted is None:
            raise ValueError(
                "nothing tells how far the bucket was tilted: no reading of a sensor on it, and no note "
                '(kind = "tilt", of = "bucket", 0 not tilted)'
            )
        return replace(plane, tilt=noted)
    up = up_of(on_it[1], rest)
    ax, _, az = axis.direction
    q = plane.q.copy()
    if math.hypot(up[1], az * up[0] - ax * up[2]) < STEEP:
        if noted is None:
            raise ValueError(
                "the tilt axis stands so steep that gravity does not show how far the bucket was tilted: "
                'note it for the same rest (kind = "tilt", of = "bucket"), or check with it nearer to level'
            )
        q[-1], tilt = float(elevation_angle(joints.about_axis(axis, up[None], np.array([noted]))[0])), noted
        return replace(plane, q=q, tilt=tilt)
    best, *others = joints.curl_and_tilt(axis, up, float(q[1]), told.get("cross_slope"), noted)
    if others and others[0].misfit - best.misfit < joints.ALIKE:
        raise ValueError(
            "the bucket may have been tilted to either side: note the tilt for the same rest "
            '(kind = "tilt", of = "bucket"), or the slope of its edge'
        )
    q[-1] = best.theta
    return replace(plane, q=q, tilt=best.tilt)
