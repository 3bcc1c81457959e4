"""A description in words: what a person holds against the machine."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tipdatum.kinematics.frames import rotation_from_rpy_deg
from tipdatum.machine.description import parse_machine
from tipdatum.machine.parts import Sensor
from tipdatum.machine.words import describe, describe_sensor, nearest_quarter_turns


def _sensor(**fields: Any) -> Sensor:
    return Sensor.model_validate(fields)


def test_a_sensor_on_the_boom_in_words() -> None:
    sensor = _sensor(
        body="boom", position_m=[1.7, 0.12, 0.24], mount_rpy_deg=[-4.1, 0, 0], latency_s=0.016, serial="A7"
    )
    assert describe_sensor(sensor) == (
        "inertial sensor (serial A7) on the boom, 1.70 m along from the foot pin, 0.12 m left, 0.24 m above "
        "the pin line; looking x along the boom to the stick, y left, z up with the boom level, within 5°. "
        "Its readings are 16 ms old when they arrive."
    )


@pytest.mark.parametrize(
    ("rpy", "words"),
    [
        ([0, 0, 0], "x forward, y left, z up, as described"),
        ([0, 0, 180], "x backward, y right, z up, as described"),
        ([180, 0, 0], "x forward, y right, z down, as described"),
        ([0, -90, 0], "x up, y left, z backward, as described"),
        ([0, 90, 0], "x down, y left, z forward, as described"),
        ([90, 0, 0], "x forward, y up, z right, as described"),
        ([0, 0, 90], "x left, y backward, z up, as described"),
    ],
)
def test_where_the_axes_look_after_quarter_turns(rpy: list[float], words: str) -> None:
    """Each row turned by hand with a sensor's box: fixed-axis roll, pitch, yaw by the right-hand rule."""
    assert f"looking {words}." in describe_sensor(_sensor(body="upper", mount_rpy_deg=rpy))


def test_a_sensor_on_a_coupler_is_told_as_it_sits_on_the_coupler() -> None:
    """Whatever bucket hangs there: by the figures of the file, however the coupler holds the bucket."""
    data = {
        "name": "m",
        "boom": {"foot_m": [0.35, 0.0, 1.75], "length_m": 4.6},
        "stick": {"length_m": 2.5},
        "coupler": {"length_m": 0.34, "offset_deg": 118.0},
        "bucket": [{"name": "b", "tip_m": 1.3, "width_m": 0.6, "bucket_ear_angle_deg": 136.0}],
        "sensor": {
            "hook": {"body": "coupler", "position_m": [0.15, 0.12, 0.10], "mount_rpy_deg": [0.0, 0.0, 180.0]}
        },
    }
    for angle in (136.0, 70.0):
        data["bucket"][0]["bucket_ear_angle_deg"] = angle  # type: ignore[index]
        (told,) = (line for line in describe(parse_machine(data, "test")) if line.startswith("Sensor hook"))
        assert "on the coupler, 0.15 m from the stick's pin towards the bucket's, 0.12 m left, 0.10 m" in told
        assert "looking x from the bucket's pin to the stick's, y right, z away from the cab" in told
        assert "as described" in told


def test_behind_right_and_below_are_said_as_such() -> None:
    sensor = _sensor(body="upper", position_m=[-0.5, -0.3, 1.6])
    assert "0.50 m behind the slew axis, 0.30 m right, 1.60 m above" in describe_sensor(sensor)


def test_the_nearest_mount_of_quarter_turns_and_the_angle_to_it() -> None:
    nearest, off = nearest_quarter_turns(rotation_from_rpy_deg([90, 0, 7]))
    np.testing.assert_allclose(nearest, rotation_from_rpy_deg([90, 0, 0]), atol=1e-12)
    assert off == pytest.approx(7.0)


def test_what_deserves_a_second_look_is_noted() -> None:
    machine = parse_machine(
        {
            "name": "M",
            "boom": {"foot_m": [0.35, 0, 1.75], "length_m": 4.6},
            "stick": {"length_m": 2.5},
            "bucket": [{"name": "b", "tip_m": 1.3, "width_m": 0.6}],
            "sensor": {
                "upper": {"body": "upper"}, "boom": {"body": "boom", "mount_rpy_deg": [0, 0, 40]},
                "bucket": {"body": "bucket"},
            },
        },
        "m.toml",
    )  # fmt: skip
    lines = describe(machine)
    assert "Note: no tilt sensor on the stick: no elevation can be computed" in lines
    assert "Note: sensor boom is 40° away from any quarter turn: check its mount" in lines
    assert not any("bucket or its rocker" in line for line in lines)


SWINGING: dict[str, Any] = {
    "name": "m",
    "boom": {"foot_m": [0.7, 0.0, 0.8], "length_m": 1.9},
    "second_boom": {"length_m": 1.0},
    "boom_swing": {"pivot_m": [0.5, 0.0, 0.0]},
    "stick": {"length_m": 1.1},
    "coupler": {"length_m": 0.16, "offset_deg": 118.0},
    "bucket": [
        {
            "name": "ditch", "tip_m": 0.6, "width_m": 1.0, "bucket_ear_angle_deg": 110.0,
            "tilt_axis_m": [0.05, 0.1], "tilt_axis_deg": 128.5,
        }
    ],
    "sensor": {"b": {"body": "bucket", "position_m": [0.1, 0.0, 0.2]}},
}  # fmt: skip


def test_what_turns_beside_the_arm_s_plane_is_said_with_its_sign() -> None:
    text = " ".join(describe(parse_machine(SWINGING, "m.toml")))
    assert "Boom 1.900 m, second boom 1.000 m and stick 1.100 m, pin to pin." in text
    # 0.2 m from the axis, turned by 20 degrees to the left: 0.5 + 0.2 cos 20, and 0.2 sin 20.
    assert "at 20°, to the left, its foot pin is 0.69 m forward of the slew axis, 0.07 m left" in text
    # Right-handed about an axis that points forward and up while the bucket hangs.
    assert "a tilt of +20° lifts the left corner" in text
    assert "Coupler: 0.160 m" in text
    assert "no tilt sensor on the second boom" in text
    assert "no sensor tells the boom's swing" in text


def test_a_tilt_axis_the_other_way_round_lifts_the_other_corner() -> None:
    bucket = {**SWINGING["bucket"][0], "tilt_axis_deg": 128.5 - 180.0}
    text = " ".join(describe(parse_machine({**SWINGING, "bucket": [bucket]}, "m.toml")))
    assert "a tilt of +20° lifts the right corner" in text


def test_on_a_coupler_a_bucket_s_sensor_is_described_from_the_bucket_s_pin() -> None:
    text = " ".join(describe(parse_machine(SWINGING, "m.toml")))
    assert "0.10 m from the bucket pin towards the tip, 0.20 m off that line" in text


@pytest.mark.parametrize(
    ("axis_deg", "words"),
    [(128.5, "38° off plumb, towards the cab"), (51.5, "38° off plumb, away from the cab"),
     (90.0, "straight down"), (128.5 - 180.0, "38° off plumb, towards the cab")],
)  # fmt: skip
def test_an_axis_is_said_by_how_the_bucket_hangs_when_it_lies_level(axis_deg: float, words: str) -> None:
    """With the bucket at an angle θ the axis stands at θ + its own angle; the tip hangs at -90 degrees."""
    bucket = {"name": "b", "tip_m": 0.9, "width_m": 1.5, "tilt_axis_m": [0.2, 0.1], "tilt_axis_deg": axis_deg}
    machine = parse_machine({**SWINGING, "coupler": None, "bucket": [bucket]}, "m.toml")
    assert f"Its axis lies level with the tip {words}." in " ".join(describe(machine))


COUPLED: dict[str, Any] = {
    **SWINGING,
    "coupler": {"length_m": 0.34, "offset_deg": 118.0},
    "bucket": [
        {"name": "b", "tip_m": 1.3, "width_m": 0.6, "bucket_ear_angle_deg": 100.0, "bucket_ear_m": 0.38}
    ],
}


def test_a_coupler_is_said_by_how_its_bucket_hangs_and_a_wrong_sign_is_noted() -> None:
    """The line to the second pin stands by the offset against the coupler's, by the ear's angle to the tip's.

    So the bucket's line stands by offset less ear angle against the coupler's, 18 degrees here.
    """
    text = describe(parse_machine(COUPLED, "m.toml"))
    assert any("is 18° off plumb" in line for line in text)
    assert not any("offset_deg" in line for line in text)
    turned = {**COUPLED, "coupler": {"length_m": 0.34, "offset_deg": -118.0}}
    assert any("check the sign of offset_deg" in line for line in describe(parse_machine(turned, "m.toml")))


def test_a_foot_pin_behind_its_swing_axis_is_noted() -> None:
    x, y, z = SWINGING["boom"]["foot_m"]
    for ahead, noted in ((-0.2, False), (0.2, True)):
        swing = {**SWINGING["boom_swing"], "pivot_m": [x + ahead, y, z]}
        text = describe(parse_machine({**SWINGING, "boom_swing": swing}, "m.toml"))
        assert any("behind the axis about which it swings" in line for line in text) == noted


@pytest.mark.parametrize(("held_deg", "noted"), [(-65.0, False), (65.0, True)])
def test_a_second_boom_that_is_held_upwards_is_noted(held_deg: float, noted: bool) -> None:
    second = {"length_m": 2.0, "held_deg": held_deg}
    text = describe(parse_machine({**SWINGING, "second_boom": second}, "m.toml"))
    assert any("most fold down from it" in line for line in text) == noted
