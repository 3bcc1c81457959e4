"""Lines of text as people describe them: units, signs, ids, stamps, switches, and what is refused."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import pytest

from tipdatum.errors import ConfigError
from tipdatum.validation import parse_model
from tipdatum_drivers.decode.framing import Item
from tipdatum_drivers.decode.text_lines import TextLinesDecoder, TextLinesOptions
from tipdatum_drivers.reading import Fault, Imu, Input, Tilt

G = 9.80665


def heard(lines: bytes, t: float = 1.0, **options: Any) -> list[Item]:
    decoder = TextLinesDecoder(TextLinesOptions.model_validate({"port": "x", **options}))
    decoder.feed(b"\n", 0.0)
    return decoder.feed(lines, t)


def test_columns_units_and_signs() -> None:
    sensor = {"boom": {"accel": [2, "-3", 4], "accel_unit": "g", "gyro": [5, 6, "-7"], "gyro_unit": "degps"}}
    (imu,) = heard(b"x, 0.5, 0.25, 0.8, 10, 0, 90\r\n", sensor=sensor)
    assert isinstance(imu, Imu)
    assert imu.accel_mps2 == pytest.approx((0.5 * G, -0.25 * G, 0.8 * G))
    assert imu.gyro_radps == pytest.approx((math.radians(10), 0.0, -math.radians(90)))


def test_blanks_may_repeat_where_they_part_the_columns() -> None:
    (tilt,) = heard(b"   1.5    -2\t0\n", delimiter="", sensor={"upper": {"pitch": 1, "roll": 2}})
    assert tilt == Tilt(1.0, "upper", pitch_deg=1.5, roll_deg=-2.0)


def test_ids_tell_whose_line_it_is_and_strangers_are_passed_over() -> None:
    sensors = {"boom": {"angle": 2, "when": "1"}, "stick": {"angle": 2, "when": "2"}}
    items = heard(b"2,5.5\n1,-3\n9,1\n", id_field=1, sensor=sensors)
    assert items == [Tilt(1.0, "stick", angle_deg=5.5), Tilt(1.0, "boom", angle_deg=-3.0)]


def test_json_paths_switches_and_the_device_s_own_stamp() -> None:
    options: dict[str, Any] = {
        "format": "json",
        "time": "ms",
        "sensor": {"boom": {"accel": ["a.0", "a.1", "a.2"], "temp_c": "t"}},
        "input": {"travel": {"field": "sw"}, "coupler": {"field": "lock", "invert": True}},
    }
    items = heard(b'{"ms":1000,"a":[0,0,9.8],"t":21,"sw":1,"lock":true}\n', 5.0, **options)
    assert items == [
        Imu(5.0, "boom", (0.0, 0.0, 9.8), None, 21.0, 5.0),
        Input(5.0, "travel", True),
        Input(5.0, "coupler", False),
    ]


def test_roll_of_an_orientation_filter_is_turned_into_that_of_the_axis() -> None:
    (tilt,) = heard(b"60,30\n", sensor={"boom": {"pitch": 1, "roll": 2, "euler": True}})
    assert isinstance(tilt, Tilt)
    assert tilt.roll_deg == pytest.approx(math.degrees(math.asin(0.25)))  # cos 60° · sin 30°


@pytest.mark.parametrize("line", [b"1.5,nan\n", b"1.5,1e999\n", b"1.5,abc\n", b"\xff\xfe,1\n"])
def test_what_is_no_finite_number_is_a_fault(line: bytes) -> None:
    (fault,) = heard(line, sensor={"boom": {"pitch": 1, "roll": 2}})
    assert isinstance(fault, Fault)
    assert fault.kind == "bad value"


def test_empty_or_missing_columns_give_no_reading() -> None:
    assert heard(b"1.5,\n1.5\n", sensor={"boom": {"pitch": 1, "roll": 2}}) == []


def test_readings_without_a_stamp_can_be_spaced_evenly() -> None:
    decoder = TextLinesDecoder(
        TextLinesOptions.model_validate({"port": "x", "even_hz": 100, "sensor": {"boom": {"angle": 1}}})
    )
    decoder.feed(b"\n", 0.0)
    stamps = []
    for i in range(200):
        arrival = math.ceil((1.0 + 0.01 * i) / 0.016) * 0.016
        stamps += [item.t_sample for item in decoder.feed(b"1.0\n", arrival) if isinstance(item, Tilt)]
    steps = [b - a for a, b in pairwise(stamps[120:]) if a is not None and b is not None]
    assert len(steps) > 70
    assert steps == pytest.approx([0.01] * len(steps), abs=1e-3)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (
            {"sensor": {"boom": {"pitch": "p", "roll": "r"}}},
            r'sensor: found field "p"; expected numbers of columns',
        ),
        (
            {"sensor": {"boom": {"pitch": 0, "roll": 1}}},
            r'sensor: found field "0"; expected numbers of columns',
        ),
        ({"sensor": {"boom": {"pitch": 1}}}, r"sensor\.boom: found pitch; expected fields for accel"),
        ({"sensor": {"boom": {"angle": 1, "when": "B"}}}, "id_field: found nothing"),
        ({}, "sensor: found nothing; expected a "),
        ({"time": 1, "even_hz": 50, "sensor": {"boom": {"angle": 2}}}, "even_hz: found time beside it"),
        ({"sensor": {"boom": {"angle": 1}}, "formt": "csv"}, 'formt: unknown key; did you mean "format"'),
    ],
)
def test_wrong_options_are_refused_by_key(options: dict[str, Any], message: str) -> None:
    with pytest.raises(ConfigError, match=rf"site\.toml: driver\[0\]\.{message}"):
        parse_model(TextLinesOptions, {"port": "x", **options}, "site.toml", under="driver[0]")
