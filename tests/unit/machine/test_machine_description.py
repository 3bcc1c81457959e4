"""What a machine description may say, and the one clear sentence for everything it may not."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tipdatum.errors import ConfigError
from tipdatum.machine.description import load_machine, parse_machine

Data = dict[str, Any]

MINIMAL: Data = {
    "name": "Fourteen-tonne demo machine",
    "boom": {"foot_m": [0.35, 0.0, 1.75], "length_m": 4.60},
    "stick": {"length_m": 2.50},
    "bucket": [{"name": "trenching 600", "tip_m": 1.30, "width_m": 0.60}],
}
LINKAGE: Data = {
    "rocker_pivot_m": [2.15, 0.02], "rocker_m": 0.60, "link_m": 0.55, "bucket_ear_m": 0.39,
    "bucket_ear_angle_deg": 136.0, "assembly": 1,
}  # fmt: skip


def _with(change: Callable[[Data], object]) -> Data:
    data = copy.deepcopy(MINIMAL) | {"linkage": dict(LINKAGE), "sensor": {"boom": {"body": "boom"}}}
    change(data)
    return data


def test_the_required_keys_alone_are_enough() -> None:
    machine = parse_machine(MINIMAL, "m.toml")
    assert machine.sensor == {}
    assert machine.linkage is None
    assert machine.chain().lengths.tolist() == [4.60, 2.50, 1.30]
    assert machine.chain().half_width == 0.30


def test_whole_numbers_are_numbers() -> None:
    data = copy.deepcopy(MINIMAL)
    data["boom"]["foot_m"] = [0, 0, 2]
    assert parse_machine(data, "m.toml").boom.foot_m == (0.0, 0.0, 2.0)


BAD: list[tuple[str, Callable[[Data], object], str]] = [
    (
        "millimetres",
        lambda d: d["boom"].update(length_m=4600),
        "boom.length_m: found 4600, which looks like millimetres; "
        "expected a number in metres, above 0.3 and at most 30",
    ),
    ("inches", lambda d: d["boom"].update(length_m=181), "found 181, which looks like centimetres or inches"),
    ("milliseconds", lambda d: d["sensor"]["boom"].update(latency_s=8), "looks like milliseconds"),
    (
        "foot in millimetres",
        lambda d: d["boom"].update(foot_m=[350, 0, 1750]),
        "boom.foot_m[0]: found 350, which looks like millimetres; expected a number in metres from -3 to 3",
    ),
    (
        "foot of two numbers",
        lambda d: d["boom"].update(foot_m=[0.35, 1.75]),
        "boom.foot_m: found a list of 2; expected a list of 3 numbers in metres",
    ),
    (
        "number in quotation marks",
        lambda d: d["boom"].update(length_m="4.6"),
        'boom.length_m: found "4.6"; expected a number in metres',
    ),
    ("true for a number", lambda d: d["boom"].update(length_m=True), "boom.length_m: found true"),
    (
        "string in a list",
        lambda d: d["boom"].update(foot_m=["0.35", 0, 1]),
        'boom.foot_m[0]: found "0.35"; expected a number',
    ),
    (
        "not a number",
        lambda d: d["boom"].update(length_m=math.nan),
        "boom.length_m: found nan; expected a finite number",
    ),
    (
        "infinite",
        lambda d: d["stick"].update(length_m=math.inf),
        "stick.length_m: found inf; expected a finite",
    ),
    ("negative", lambda d: d["stick"].update(length_m=-2.5), "stick.length_m: found -2.5; expected a number"),
    (
        "unknown key",
        lambda d: d["boom"].update(lenght_m=4.6),
        'boom.lenght_m: unknown key; did you mean "length_m"?',
    ),
    ("unknown table", lambda d: d.update(bukket=[]), 'bukket: unknown key; did you mean "bucket"?'),
    (
        "unknown key, none near",
        lambda d: d["stick"].update(colour="red"),
        "stick.colour: unknown key; known here: held_deg, length_m, length_sigma_m",
    ),
    (
        "unknown key of a bucket",
        lambda d: d["bucket"][0].update(tip=1.3),
        'bucket[0].tip: unknown key; did you mean "tip_m"?',
    ),
    (
        "missing key",
        lambda d: d["boom"].pop("length_m"),
        "boom.length_m: found nothing; expected a number in metres, above 0.3 and at most 30; the key is req",
    ),
    (
        "missing table",
        lambda d: d.pop("stick"),
        "stick: found nothing; expected a table; the key is required",
    ),
    ("number for a table", lambda d: d.update(boom=3), "boom: found 3; expected a table"),
    (
        "one bucket in single brackets",
        lambda d: d.update(bucket=d["bucket"][0]),
        "bucket: found a table; expected at least one table, written in double brackets",
    ),
    ("no bucket", lambda d: d.update(bucket=[]), "bucket: found an empty list; expected at least one table"),
    (
        "linkage that cannot close",
        lambda d: d["linkage"].update(link_m=0.1, bucket_ear_m=0.05, rocker_m=0.1),
        "linkage: found rocker 0.100 m, link 0.100 m, ear 0.050 m over 0.351 m from pivot to bucket pin, "
        "which cannot close; expected rocker, link and ear that together reach",
    ),
    (
        "assembly",
        lambda d: d["linkage"].update(assembly=2),
        "linkage.assembly: found 2; expected one of 1, -1",
    ),
    (
        "a body that does not exist",
        lambda d: d["sensor"]["boom"].update(body="bom"),
        'sensor.boom.body: found "bom"; expected one of "upper", "boom", "second_boom", "stick", "bucket", '
        '"rocker", "boom_swing"',
    ),
    (
        "a sensor on a second boom that is not there",
        lambda d: d["sensor"].update(second={"body": "second_boom"}),
        'sensor.second.body: found "second_boom"; expected a [second_boom] table beside it',
    ),
    (
        "an encoder of a swing that is not there",
        lambda d: d["sensor"].update(swing={"body": "boom_swing", "type": "slew"}),
        'sensor.swing.body: found "boom_swing"; expected a [boom_swing] table beside it',
    ),
    (
        "an inertial sensor on the swing joint",
        lambda d: d.update(
            boom_swing={"pivot_m": [0.6, 0.0, 0.5]},
            sensor={"swing": {"body": "boom_swing", "type": "imu"}},
        ),
        'sensor.swing.type: found "imu"; expected type = "slew", or another body',
    ),
    (
        "two encoders of one swing",
        lambda d: d.update(
            boom_swing={"pivot_m": [0.6, 0.0, 0.5]},
            sensor={one: {"body": "boom_swing", "type": "slew"} for one in ("a", "b")},
        ),
        'sensor.b.body: found "boom_swing", which sensor "a" tells already; '
        "expected one sensor of the boom's swing",
    ),
    (
        "a swing without its pivot",
        lambda d: d.update(boom_swing={}),
        "boom_swing.pivot_m: found nothing; expected a list of 3",
    ),
    (
        "half a tilt axis",
        lambda d: d["bucket"][0].update(tilt_axis_deg=128.5),
        "bucket[0].tilt_axis_m: found nothing; expected the tilt axis's other half beside tilt_axis_deg",
    ),
    (
        "the other half of a tilt axis",
        lambda d: d["bucket"][0].update(tilt_axis_m=[0.2, 0.1]),
        "bucket[0].tilt_axis_deg: found nothing; expected the tilt axis's other half beside tilt_axis_m",
    ),
    (
        "a second boom in millimetres",
        lambda d: d.update(second_boom={"length_m": 2600}),
        "second_boom.length_m: found 2600, which looks like millimetres",
    ),
    (
        "a rocker without a linkage",
        lambda d: (d.pop("linkage"), d["sensor"].update(r={"body": "rocker"})),
        'sensor.r.body: found "rocker"; expected a [linkage] table',
    ),
    (
        "two sensors on a body",
        lambda d: d["sensor"].update(other={"body": "boom"}),
        'sensor.other.body: found "boom", where sensor "boom" sits already; expected one tilt sensor a body',
    ),
    (
        "a sensor's name that no topic can carry",
        lambda d: d["sensor"].update({"a/b": {"body": "stick"}}),
        'sensor: found "a/b"; expected a sensor\'s name of letters, digits, - and _',
    ),
    ("empty name", lambda d: d.update(name=""), 'name: found ""; expected a text that is not empty'),
    (
        "unknown key in a sensor's noise",
        lambda d: d["sensor"]["boom"].update(noise={"tilt": 1}),
        'sensor.boom.noise.tilt: unknown key; did you mean "tilt_deg"?',
    ),
]


@pytest.mark.parametrize(("change", "told"), [b[1:] for b in BAD], ids=[b[0] for b in BAD])
def test_a_wrong_description_is_told_by_file_key_found_and_expected(
    change: Callable[[Data], object], told: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_machine(_with(change), "m.toml")
    assert str(caught.value).startswith("m.toml: ")
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("key", "called"),
    [
        ("boom2", "[second_boom]"),
        ("offset_boom", "a boom that a parallelogram offsets sideways"),
        ("swing_boom", "[boom_swing]"),
        ("quick_coupler", "[coupler]"),
        ("rotator", "a coupler that rotates"),
        ("tilting_bucket", "tilt_axis_m"),
    ],
)
def test_sections_that_are_not_built_or_called_otherwise_are_refused_by_name(key: str, called: str) -> None:
    with pytest.raises(ConfigError, match=key) as caught:
        parse_machine({**MINIMAL, key: {"length_m": 2.0}}, "m.toml")
    assert called in str(caught.value)
    assert "unknown key" not in str(caught.value)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (None, "found no such file; expected a TOML file"),
        ("name = ", "found broken TOML"),
        (b"name = \"\xff\"", "found a byte 0xFF in line 1"),
        ("", "name: found nothing; expected a text; the key is required"),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_read_is_told_by_name(
    tmp_path: Path, content: str | bytes | None, told: str
) -> None:
    path = tmp_path / "digger.toml"
    if content is not None:
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(ConfigError) as caught:
        load_machine(path)
    assert str(path) in str(caught.value)
    assert told in str(caught.value)


def test_a_directory_is_no_machine_file(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="found a directory; expected a TOML file"):
        load_machine(tmp_path)


def test_a_bucket_brings_its_own_ear_and_sensor_mount() -> None:
    data = _with(lambda d: d["sensor"].update(b={"body": "bucket", "mount_rpy_deg": [0, 0, 0]}))
    data["bucket"].append(
        {
            "name": "ditching 1800", "tip_m": 1.05, "width_m": 1.80, "bucket_ear_m": 0.37,
            "bucket_ear_angle_deg": 120.0, "mount_rpy_deg": [0, 15, 0], "position_m": [0.2, 0.1, 0.3],
        }
    )  # fmt: skip
    machine = parse_machine(data, "m.toml")
    assert machine.four_bar(1).ear == 0.37
    assert math.degrees(machine.four_bar(1).ear_angle) == pytest.approx(120.0)
    wide = machine.with_bucket(1)
    assert [b.name for b in wide.bucket] == ["ditching 1800", "trenching 600"]
    assert wide.chain().lengths[-1] == 1.05
    assert wide.sensor["b"].mount_rpy_deg == (0.0, 15.0, 0.0)
    assert wide.sensor["b"].position_m == (0.2, 0.1, 0.3)
    assert machine.sensor["b"].mount_rpy_deg == (0.0, 0.0, 0.0)


def test_the_shared_sessions_describe_machines_that_are_accepted(shared_data: Callable[..., Path]) -> None:
    from tipdatum_drivers.session_file import SessionFile

    paths = sorted(shared_data("physics_public").glob("*.ndjson.gz"))
    assert paths
    for path in paths:
        machine = parse_machine(SessionFile(path).header.machine, path.name)
        assert machine.sensor_on("boom") is not None
