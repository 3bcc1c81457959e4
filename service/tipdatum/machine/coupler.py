"""A coupler between stick and bucket, folded into the bucket that it holds.

Coupler and bucket move as one body (of one that tilts: while it is not tilted), so a description with a
coupler is read as one of buckets whose own pin stands at `pin_m` from the stick's. That is done here, once;
nothing behind it knows couplers.

Frames, in the arm plane, angles from x towards z:

- coupler: origin at the pin of the stick, x to the pin on which it holds the bucket,
- bucket: as it is described for any machine, origin at its own pin, x to the tip; folded, the same axes with
  the origin at the stick's pin.

The coupler holds the bucket's two pins, at `offset_deg` in its own frame and at `bucket_ear_angle_deg` in the
bucket's. So the bucket's x axis stands at δ = offset_deg - bucket_ear_angle_deg in the coupler's frame, and
what has the components v there has Rot(-δ) v in the bucket's:

    pin_m = Rot(-δ) (length_m, 0),    Rot(a) (x, z) = (x cos a - z sin a, x sin a + z cos a)

A sensor's mount turns alike: Rot(-δ) is Ry(δ), because y is left.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Annotated, Any

from pydantic import Field, model_validator

from tipdatum.kinematics.frames import Array, rotation_from_rpy_deg, rpy_deg_from_rotation
from tipdatum.machine.parts import Bucket, LengthSigma, Sensor
from tipdatum.validation import Misfit
from tipdatum_drivers.options import Table

BODY = "coupler"
"""Of a sensor that stays on the coupler when the bucket is changed; folded, it is one of the bucket's."""

FITS_M = 0.02
"""How far a bucket's pins may be from the coupler's hooks, m: their slack; common practice, no source."""

Plane = tuple[Annotated[float, Field(ge=-6.0, le=6.0)], Annotated[float, Field(ge=-6.0, le=6.0)]]


class Coupler(Table):
    """`[coupler]`: what stick and link carry in place of a bucket, and what holds the bucket's two pins.

    With one, `bucket_ear_m` and `bucket_ear_angle_deg` of `[linkage]` say where the link's pin is on the
    coupler, and those of a bucket where its own second pin is, as if the bucket hung on the stick itself.
    """

    length_m: Annotated[float, Field(gt=0.02, le=2.0)]
    """Pin of the stick to the pin of the bucket."""
    length_sigma_m: LengthSigma = None
    offset_deg: Annotated[float, Field(ge=-360, le=360)]
    """Direction from the bucket's pin to its second one as the coupler holds them, in its own frame."""
    spread_m: Annotated[float, Field(gt=0.02, le=3.0)] | None = None
    """Distance of the two pins that it holds; buckets of another are refused."""
    tilt_axis_m: Plane | None = None
    """[x, z] of a point of the axis about which it tilts the bucket sideways, in its own frame untilted."""
    tilt_axis_deg: Annotated[float, Field(ge=-360, le=360)] | None = None
    """The axis's direction, from x towards z; tilt is right-handed about it."""

    @model_validator(mode="after")
    def _axis_is_whole(self) -> Coupler:
        pair = (("tilt_axis_m", self.tilt_axis_m), ("tilt_axis_deg", self.tilt_axis_deg))
        for (key, value), (other, beside) in (pair, pair[::-1]):
            if value is None and beside is not None:
                raise Misfit(key, "nothing", f"the tilt axis's other half beside {other}")
        return self


def turn_rad(coupler: Coupler, bucket: Bucket) -> float:
    """δ: the bucket's x axis in the coupler's frame, rad."""
    return math.radians(coupler.offset_deg - (bucket.bucket_ear_angle_deg or 0.0))


def check_coupled(coupler: Coupler, buckets: Sequence[Bucket], sensors: Mapping[str, Sensor]) -> None:
    """Whether the coupler can hold these buckets, and the sensors can tell how.

    Raises:
        Misfit: names the key.
    """
    for i, bucket in enumerate(buckets):
        if bucket.bucket_ear_angle_deg is None:
            wanted = "the direction of the bucket's second pin, on which the [coupler] holds it"
            raise Misfit(f"bucket[{i}].bucket_ear_angle_deg", "nothing", wanted)
        if coupler.spread_m is not None:
            apart = bucket.bucket_ear_m
            if apart is None or abs(apart - coupler.spread_m) > FITS_M:
                found = "nothing" if apart is None else f"pins {apart:.3f} m apart"
                wanted = f"{coupler.spread_m:.3f} m as coupler.spread_m says, within {1000 * FITS_M:.0f} mm"
                raise Misfit(f"bucket[{i}].bucket_ear_m", found, wanted)
        if coupler.tilt_axis_m is not None and bucket.tilt_axis_m is not None:
            found = "a bucket that tilts on a coupler that tilts"
            raise Misfit(f"bucket[{i}].tilt_axis_m", found, "one axis of the two: nothing tells them apart")
    on_it = [name for name, one in sensors.items() if one.body == BODY and one.type in ("imu", "tilt")]
    for i, bucket in enumerate(buckets if on_it else ()):
        for key in ("mount_rpy_deg", "position_m"):
            if getattr(bucket, key) is not None:
                wanted = f'none beside sensor "{on_it[0]}", which stays on the coupler'
                raise Misfit(f"bucket[{i}].{key}", "a sensor's place on the bucket", wanted)
    other = [name for name, one in sensors.items() if one.body == "bucket" and one.type in ("imu", "tilt")]
    if on_it and other:
        found = f'"{BODY}", where sensor "{other[0]}" sits on the bucket that it holds'
        raise Misfit(f"sensor.{on_it[0]}.body", found, "one tilt sensor on coupler and bucket together")


def coupled_bucket(coupler: Coupler, bucket: Bucket, ear: tuple[float, float] | None) -> dict[str, Any]:
    """The keys of a bucket that the coupler changes.

    Args:
        ear: of the coupler, m and degrees in its frame; None without a linkage.
    """
    turn = turn_rad(coupler, bucket)
    pin = _turned((coupler.length_m, 0.0), -turn)
    found: dict[str, Any] = {
        "pin_m": pin,
        "outline_m": tuple((x + pin[0], z + pin[1]) for x, z in bucket.outline_m),
        "bucket_ear_m": ear[0] if ear is not None else None,
        "bucket_ear_angle_deg": _round_turn(ear[1] - math.degrees(turn)) if ear is not None else None,
    }
    if bucket.position_m is not None:
        found["position_m"] = _moved(bucket.position_m, pin)
    if bucket.tip_sigma_m is not None and coupler.length_sigma_m is not None:
        found["tip_sigma_m"] = math.hypot(bucket.tip_sigma_m, coupler.length_sigma_m)
    if coupler.tilt_axis_m is not None and coupler.tilt_axis_deg is not None:
        found["tilt_axis_m"] = _turned(coupler.tilt_axis_m, -turn)
        found["tilt_axis_deg"] = _round_turn(coupler.tilt_axis_deg - math.degrees(turn))
    elif bucket.tilt_axis_m is not None:
        found["tilt_axis_m"] = (bucket.tilt_axis_m[0] + pin[0], bucket.tilt_axis_m[1] + pin[1])
    return found


def coupled_sensor(coupler: Coupler, bucket: Bucket, sensor: Sensor) -> dict[str, Any]:
    """Position and mount of a sensor on coupler or bucket, in the folded bucket's frame."""
    turn = turn_rad(coupler, bucket)
    if sensor.body != BODY:
        return {"position_m": _moved(sensor.position_m, _turned((coupler.length_m, 0.0), -turn))}
    x, z = _turned((sensor.position_m[0], sensor.position_m[2]), -turn)
    mount = _about_y(turn) @ rotation_from_rpy_deg(sensor.mount_rpy_deg)
    return {"position_m": (x, sensor.position_m[1], z), "mount_rpy_deg": rpy_deg_from_rotation(mount)}


def uncoupled_sensor(coupler: Coupler, bucket: Bucket, body: str, found: Mapping[str, Any]) -> dict[str, Any]:
    """Inverse of `coupled_sensor`: `found` in the folded bucket's frame, as it is described on `body`."""
    turn, told = turn_rad(coupler, bucket), dict(found)
    if body != BODY:
        if "position_m" in told:
            x, z = _turned((coupler.length_m, 0.0), -turn)
            told["position_m"] = [round(v, 4) for v in _moved(told["position_m"], (-x, -z))]
        return told
    if "position_m" in told:
        x, z = _turned((told["position_m"][0], told["position_m"][2]), turn)
        told["position_m"] = [round(x, 4), told["position_m"][1], round(z, 4)]
    if "mount_rpy_deg" in told:
        mount = _about_y(-turn) @ rotation_from_rpy_deg(told["mount_rpy_deg"])
        told["mount_rpy_deg"] = [round(v, 4) for v in rpy_deg_from_rotation(mount)]
    return told


def in_coupler_axes(bucket: Bucket, sensor: Sensor) -> Sensor:
    """A sensor of the folded bucket, as it sits on the coupler itself."""
    assert bucket.pin_m is not None
    turn = -math.atan2(bucket.pin_m[1], bucket.pin_m[0])
    x, z = _turned((sensor.position_m[0], sensor.position_m[2]), turn)
    mount = _about_y(-turn) @ rotation_from_rpy_deg(sensor.mount_rpy_deg)
    place = {"position_m": (x, sensor.position_m[1], z), "mount_rpy_deg": rpy_deg_from_rotation(mount)}
    return sensor.model_copy(update={**place, "body": BODY})


def uncoupled_axis(
    coupler: Coupler, bucket: Bucket, point: Sequence[float], angle_deg: float
) -> dict[str, Any]:
    """A tilt axis in the folded bucket's frame as it is described: on the coupler, or on the bucket."""
    turn = turn_rad(coupler, bucket)
    if coupler.tilt_axis_m is not None:
        x, z = _turned(point, turn)
        angle_deg = _round_turn(angle_deg + math.degrees(turn))
    else:
        x, z = (p - q for p, q in zip(point, _turned((coupler.length_m, 0.0), -turn), strict=True))
    return {"tilt_axis_m": [round(x, 5), round(z, 5)], "tilt_axis_deg": round(angle_deg, 3)}


def _turned(point: Sequence[float], by: float) -> tuple[float, float]:
    c, s = math.cos(by), math.sin(by)
    return point[0] * c - point[1] * s, point[0] * s + point[1] * c


def _moved(position: Sequence[float], by: Sequence[float]) -> tuple[float, float, float]:
    return position[0] + by[0], position[1], position[2] + by[1]


def _about_y(angle: float) -> Array:
    return rotation_from_rpy_deg((0.0, math.degrees(angle), 0.0))


def _round_turn(deg: float) -> float:
    """An angle brought into (-180, 180]."""
    return -math.remainder(-deg, 360.0)
