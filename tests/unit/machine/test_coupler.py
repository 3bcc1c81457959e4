"""A coupler: folded into the bucket that it holds, against the same put together from rotation matrices."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from tipdatum.calibration.description import as_described
from tipdatum.errors import ConfigError
from tipdatum.kinematics.frames import rotation_from_rpy_deg
from tipdatum.machine.description import Machine, parse_machine

Data = dict[str, Any]
Array = np.ndarray

DATA: Data = {
    "name": "coupled",
    "boom": {"foot_m": [0.3, 0.05, 1.7], "length_m": 4.6},
    "stick": {"length_m": 2.5},
    "coupler": {"length_m": 0.36, "offset_deg": 118.0},
    "linkage": {
        "rocker_pivot_m": [2.15, 0.02], "rocker_m": 0.60, "link_m": 0.55, "bucket_ear_m": 0.40,
        "bucket_ear_angle_deg": 112.0, "assembly": 1,
    },
    "bucket": [
        {
            "name": "narrow", "tip_m": 1.25, "width_m": 0.5, "bucket_ear_m": 0.38,
            "bucket_ear_angle_deg": 134.0, "outline_m": [[0.8, 0.5], [0.3, 0.6]], "floor_angle_deg": 20.0,
        },
        {
            "name": "wide", "tip_m": 1.05, "width_m": 1.8, "bucket_ear_m": 0.38,
            "bucket_ear_angle_deg": 105.0,
        },
    ],
    "sensor": {
        "c": {"body": "coupler", "position_m": [0.1, 0.08, 0.12], "mount_rpy_deg": [90.0, 10.0, -20.0]}
    },
}  # fmt: skip


def described(change: Callable[[Data], object] = lambda _: None) -> Data:
    data = copy.deepcopy(DATA)
    change(data)
    return data


def frame(angle_deg: float, x: float = 0.0) -> Array:
    """4x4: a frame whose origin is x along the parent's x, its own x turned by `angle_deg` towards z."""
    a = math.radians(angle_deg)
    found = np.eye(4)
    # y is left: a turn from x towards z is a negative one about y.
    found[:3, :3] = rotation_from_rpy_deg((0.0, -math.degrees(a), 0.0))
    found[0, 3] = x
    return found


def bucket_in_coupler(bucket: Data, coupler: Data) -> Array:
    """4x4 from the bucket's own frame, put so that both of its pins lie on the coupler's hooks."""
    return frame(coupler["offset_deg"] - bucket["bucket_ear_angle_deg"], coupler["length_m"])


def at(transform: Array, x: float, y: float, z: float) -> Array:
    return np.array((transform @ [x, y, z, 1.0])[:3])


POSE_DEG = (2.0, -3.0, 34.0, -61.0, -150.0)
"""Upper, roll, boom, stick, and the bucket's own x axis."""


def world(machine_bucket: Data, coupler: Data) -> tuple[Array, Array]:
    """4x4 of bucket and of coupler against the slew centre, by rotations from body to body."""
    upper, roll, boom, stick, bucket = POSE_DEG
    lean = np.eye(4)
    phi = math.radians(roll)
    # Horizontal h along the plane, l left, up: a vector (along, left, up-in-plane) of the arm plane in them.
    lean[:3, :3] = np.array(
        [[1, 0, 0], [0, math.cos(phi), -math.sin(phi)], [0, math.sin(phi), math.cos(phi)]]
    )
    foot = np.eye(4)
    foot[:3, 3] = DATA["boom"]["foot_m"]
    turned = bucket_in_coupler(machine_bucket, coupler)
    in_coupler_deg = coupler["offset_deg"] - machine_bucket["bucket_ear_angle_deg"]
    on_coupler = (
        lean
        @ frame(upper)
        @ foot
        @ frame(boom - upper)
        @ frame(stick - boom, DATA["boom"]["length_m"])
        @ frame(bucket - in_coupler_deg - stick, DATA["stick"]["length_m"])
    )
    return on_coupler @ turned, on_coupler


def folded(which: int, change: Callable[[Data], object] = lambda _: None) -> Machine:
    return parse_machine(described(change), "m.toml").with_bucket(which)


@pytest.mark.parametrize("which", [0, 1])
def test_tip_and_corners_are_where_coupler_and_bucket_put_them(which: int) -> None:
    bucket = DATA["bucket"][which]
    transform, _ = world(bucket, DATA["coupler"])
    located = folded(which).chain().locate([math.radians(a) for a in POSE_DEG])
    half = bucket["width_m"] / 2.0
    assert np.allclose(located.pins[-1], at(transform, bucket["tip_m"], 0.0, 0.0), atol=1e-12)
    assert np.allclose(located.corners[0], at(transform, bucket["tip_m"], half, 0.0), atol=1e-12)
    assert np.allclose(located.corners[1], at(transform, bucket["tip_m"], -half, 0.0), atol=1e-12)


@pytest.mark.parametrize("which", [0, 1])
def test_the_link_turns_the_coupler(which: int) -> None:
    machine, bucket = folded(which), DATA["bucket"][which]
    alone = described(lambda d: d.pop("coupler") and d["sensor"].clear())
    for one in alone["bucket"]:
        del one["bucket_ear_m"], one["bucket_ear_angle_deg"]
    on_the_coupler = parse_machine(alone, "coupler alone").four_bar(0)
    turn = DATA["coupler"]["offset_deg"] - bucket["bucket_ear_angle_deg"]
    for rocker_deg in (95.0, 120.0, 140.0):
        coupler_rad, _ = on_the_coupler.bucket_at(math.radians(rocker_deg)) or (math.nan, math.nan)
        bucket_rad, _ = machine.four_bar().bucket_at(math.radians(rocker_deg)) or (math.nan, math.nan)
        assert math.cos(bucket_rad - coupler_rad - math.radians(turn)) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("which", [0, 1])
def test_a_sensor_on_the_coupler_stays_where_it_sits_whichever_bucket_is_on(which: int) -> None:
    machine, bucket = folded(which), DATA["bucket"][which]
    name, sensor = machine.sensor_on("bucket") or ("", None)
    assert (name, sensor is not None) == ("c", True)
    assert sensor is not None
    of_bucket, of_coupler = world(bucket, DATA["coupler"])
    told = DATA["sensor"]["c"]
    # The folded frame: axes of the bucket, origin at the stick's pin.
    axes, origin = of_bucket[:3, :3], of_coupler[:3, 3]
    assert np.allclose(origin + axes @ sensor.position_m, at(of_coupler, *told["position_m"]), atol=1e-12)
    mine = axes @ rotation_from_rpy_deg(sensor.mount_rpy_deg)
    assert np.allclose(mine, of_coupler[:3, :3] @ rotation_from_rpy_deg(told["mount_rpy_deg"]), atol=1e-12)


@pytest.mark.parametrize("which", [0, 1])
def test_a_sensor_on_the_bucket_is_described_from_the_bucket_s_own_pin(which: int) -> None:
    place = [0.2, 0.1, 0.3]
    machine = folded(which, lambda d: d["sensor"]["c"].update(body="bucket", position_m=place))
    sensor = machine.sensor["c"]
    of_bucket, of_coupler = world(DATA["bucket"][which], DATA["coupler"])
    there = of_coupler[:3, 3] + of_bucket[:3, :3] @ sensor.position_m
    assert np.allclose(there, at(of_bucket, *place), atol=1e-12)
    assert sensor.mount_rpy_deg == tuple(DATA["sensor"]["c"]["mount_rpy_deg"])


def test_heel_and_floor_belong_to_the_bucket() -> None:
    machine, bucket = folded(0), DATA["bucket"][0]
    of_bucket, of_coupler = world(bucket, DATA["coupler"])
    for (x, z), told in zip(machine.bucket[0].outline_m, bucket["outline_m"], strict=True):
        there = of_coupler[:3, 3] + of_bucket[:3, :3] @ [x, 0.0, z]
        assert np.allclose(there, at(of_bucket, told[0], 0.0, told[1]), atol=1e-12)
    assert machine.bucket[0].floor_angle_deg == 20.0


def test_a_tilt_axis_of_the_coupler_is_one_of_the_bucket() -> None:
    axis = {"tilt_axis_m": [0.2, 0.15], "tilt_axis_deg": 40.0}
    machine, bucket = folded(1, lambda d: d["coupler"].update(axis)), DATA["bucket"][1]
    of_bucket, of_coupler = world(bucket, DATA["coupler"])
    mine = machine.bucket[0]
    assert mine.tilt_axis_m is not None
    assert mine.tilt_axis_deg is not None
    x, z = mine.tilt_axis_m
    point = of_coupler[:3, 3] + of_bucket[:3, :3] @ [x, 0.0, z]
    assert np.allclose(point, at(of_coupler, 0.2, 0.0, 0.15), atol=1e-12)
    a, b = math.radians(mine.tilt_axis_deg), math.radians(40.0)
    direction = of_bucket[:3, :3] @ [math.cos(a), 0.0, math.sin(a)]
    assert np.allclose(direction, of_coupler[:3, :3] @ [math.cos(b), 0.0, math.sin(b)], atol=1e-12)


def test_a_tilting_bucket_keeps_its_axis_on_a_coupler() -> None:
    axis = {"tilt_axis_m": [0.05, 0.1], "tilt_axis_deg": 128.0}
    machine, bucket = folded(0, lambda d: d["bucket"][0].update(axis)), DATA["bucket"][0]
    of_bucket, of_coupler = world(bucket, DATA["coupler"])
    mine = machine.bucket[0]
    assert mine.tilt_axis_m is not None
    there = of_coupler[:3, 3] + of_bucket[:3, :3] @ [mine.tilt_axis_m[0], 0.0, mine.tilt_axis_m[1]]
    assert np.allclose(there, at(of_bucket, 0.05, 0.0, 0.1), atol=1e-12)
    assert mine.tilt_axis_deg == 128.0


def test_a_header_holds_what_was_folded_and_is_not_folded_again() -> None:
    machine = parse_machine(described(), "m.toml")
    header = machine.model_dump(mode="json", exclude_none=True)
    assert parse_machine(header, "header") == machine


def test_what_a_calibration_finds_of_a_sensor_on_the_coupler_is_written_in_the_coupler_s_frame() -> None:
    machine = parse_machine(described(), "m.toml")
    found = machine.sensor["c"]
    solved = {
        "bucket": [{"tip_m": 1.26, "mount_rpy_deg": list(found.mount_rpy_deg), "tip_sigma_m": 0.002}],
        "linkage": {"link_m": 0.551},
        "sensor": {"c": {"mount_sigma_deg": 0.1}},
    }
    solved["bucket"][0] |= {"position_m": list(found.position_m), "bucket_ear_m": 0.401}
    solved["bucket"][0]["bucket_ear_angle_deg"] = machine.bucket[0].bucket_ear_angle_deg
    told = as_described(solved, DATA)
    assert told["bucket"] == [{"tip_m": 1.26, "tip_sigma_m": 0.002}]
    assert told["sensor"]["c"]["mount_rpy_deg"] == pytest.approx(
        DATA["sensor"]["c"]["mount_rpy_deg"], abs=1e-3
    )
    assert told["sensor"]["c"]["position_m"] == pytest.approx(DATA["sensor"]["c"]["position_m"], abs=1e-3)
    assert told["linkage"] == {"link_m": 0.551, "bucket_ear_m": 0.401, "bucket_ear_angle_deg": 112.0}


BAD: list[tuple[str, Callable[[Data], object], str]] = [
    (
        "no second pin",
        lambda d: d["bucket"][1].pop("bucket_ear_angle_deg"),
        "bucket[1].bucket_ear_angle_deg: found nothing; expected the direction of the bucket's second pin",
    ),
    (
        "pins that do not fit",
        lambda d: (d["coupler"].update(spread_m=0.38), d["bucket"][1].update(bucket_ear_m=0.45)),
        "bucket[1].bucket_ear_m: found pins 0.450 m apart; expected 0.380 m as coupler.spread_m says",
    ),
    ("no bucket", lambda d: d.pop("bucket"), "bucket: found nothing; expected at least one table"),
    (
        "rotates",
        lambda d: d["coupler"].update(rotation_axis_deg=90.0),
        "coupler.rotation_axis_deg: found a coupler that rotates; expected one that holds the bucket in",
    ),
    (
        "half an axis",
        lambda d: d["coupler"].update(tilt_axis_deg=40.0),
        "coupler.tilt_axis_m: found nothing; expected the tilt axis's other half",
    ),
    (
        "two that tilt",
        lambda d: (
            d["coupler"].update(tilt_axis_m=[0, 0], tilt_axis_deg=40.0),
            d["bucket"][0].update(tilt_axis_m=[0, 0], tilt_axis_deg=40.0),
        ),
        "bucket[0].tilt_axis_m: found a bucket that tilts on a coupler that tilts; expected one axis",
    ),
    (
        "two sensors on what is one body",
        lambda d: d["sensor"].update(b={"body": "bucket"}),
        'sensor.c.body: found "coupler", where sensor "b" sits on the bucket that it holds; expected one',
    ),
    (
        "a sensor on a coupler that is not there",
        lambda d: d.pop("coupler"),
        'sensor.c.body: found "coupler"; expected a [coupler] table beside it',
    ),
    (
        "a rotator",
        lambda d: d.update(tiltrotator={"length_m": 0.3}),
        "tiltrotator: found a coupler that rotates; expected one that holds",
    ),
    (
        "a parallelogram",
        lambda d: d.update(offset_boom={"length_m": 0.3}),
        "offset_boom: found a boom that a parallelogram offsets sideways; expected one whose pins are",
    ),
    (
        "a boom with an offset",
        lambda d: d["boom"].update(offset_m=0.3),
        "boom.offset_m: found a boom that a parallelogram offsets sideways; expected one whose pins are",
    ),
    (
        "a bucket that is rotated",
        lambda d: d["bucket"][1].update(rotation_deg=30.0),
        "bucket[1].rotation_deg: found a coupler that rotates; expected one that holds",
    ),
    (
        "a rotator by another name",
        lambda d: d.update({"tilt-rotator": {"length_m": 0.3}}),
        "tilt-rotator: found a coupler that rotates; expected one that holds",
    ),
    (
        "an axis beside the plane",
        lambda d: d["bucket"][0].update(tilt_axis_m=[0.1, 0.2, 0.1], tilt_axis_deg=40.0),
        "bucket[0].tilt_axis_m: found [0.1, 0.2, 0.1]; expected [x, z] of a point of an axis in the bucket's",
    ),
    (
        "an axis that passes the bucket by",
        lambda d: d["bucket"][0].update(tilt_axis_m=[0.0, 4.0], tilt_axis_deg=0.0),
        "bucket[0].tilt_axis_m: found an axis 4.00 m from the middle of the line from pin to tip; expected",
    ),
]


@pytest.mark.parametrize(("change", "told"), [b[1:] for b in BAD], ids=[b[0] for b in BAD])
def test_an_impossible_coupler_is_told_by_key_found_and_expected(
    change: Callable[[Data], object], told: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_machine(described(change), "m.toml")
    assert str(caught.value).startswith("m.toml: ")
    assert told in str(caught.value)
