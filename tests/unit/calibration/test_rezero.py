"""A replaced sensor is put to zero from one posture, and what belonged to the old part goes."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum.calibration.rezero import description_of, rezero, smallest_rotation
from tipdatum.cli.rezero import rezero as command
from tipdatum.errors import ConfigError, InputError
from tipdatum.kinematics.frames import elevation_angle, roll_angle, rotation_from_rpy_deg, up_vector
from tipdatum.machine.description import load_machine
from tipdatum.machine.parts import Noise, Sensor
from tipdatum_drivers.decode.session_lines import encode_header, encode_line
from tipdatum_drivers.reading import Identity, Imu, Record, SessionHeader, Tilt

G = 9.80665
ROOT = Path(__file__).parents[3]


def still(
    true_rpy: tuple[float, float, float], angle: float, roll: float, seconds: float = 5.0
) -> Iterator[Record]:
    """A part mounted by `true_rpy` on a body at that posture, with noise and a gyro's offset."""
    noise = random.Random(3)
    up = up_vector(math.radians(angle), math.radians(roll))
    x, y, z = (float(v) for v in G * (rotation_from_rpy_deg(true_rpy).T @ up))
    yield Identity(0.0, "stick", "B9")
    for i in range(int(seconds * 100)):
        accel = (x + noise.gauss(0, 0.05), y + noise.gauss(0, 0.05), z + noise.gauss(0, 0.05))
        yield Imu(0.01 * i, "stick", accel, (0.01, -0.02, 0.005))


@given(
    st.floats(-3, 3),
    st.floats(-3, 3),
    st.floats(-100, 20),
    st.floats(-4, 4),
    st.sampled_from([0.0, 90.0, 180.0]),
)
def test_posture_reads_as_entered_afterwards(
    roll_off: float, pitch_off: float, angle: float, roll: float, yaw: float
) -> None:
    described = Sensor(body="stick", mount_rpy_deg=(0.0, 0.0, yaw))
    true = (roll_off, pitch_off, yaw)
    zero = rezero(still(true, angle, roll, 2.5), "stick", described, angle, roll)
    up_body = up_vector(math.radians(angle), math.radians(roll))
    seen = rotation_from_rpy_deg(zero.mount_rpy_deg) @ (rotation_from_rpy_deg(true).T @ up_body)
    assert math.degrees(elevation_angle(seen)) == pytest.approx(angle, abs=0.1)
    assert math.degrees(roll_angle(seen)) == pytest.approx(roll, abs=0.1)
    assert zero.turned_deg < 6.5
    assert zero.serial == "B9"
    assert zero.gyro_offset_radps == pytest.approx((0.01, -0.02, 0.005))


@given(st.lists(st.floats(-1, 1), min_size=6, max_size=6))
def test_smallest_rotation_is_a_rotation_that_turns_one_into_the_other(six: list[float]) -> None:
    a, b = np.array(six[:3]), np.array(six[3:])
    if min(np.linalg.norm(a), np.linalg.norm(b)) < 0.1:
        return
    a, b = a / np.linalg.norm(a), b / np.linalg.norm(b)
    if a @ b < -0.999:
        return
    R = smallest_rotation(a, b)
    assert R @ a == pytest.approx(b, abs=1e-9)
    assert pytest.approx(np.eye(3), abs=1e-9) == R @ R.T
    assert np.trace(R) == pytest.approx(1.0 + 2.0 * float(a @ b), abs=1e-9)


def test_inclinometers_of_one_and_two_axes() -> None:
    single = [Tilt(0.1 * i, "stick", angle_deg=-40.0) for i in range(50)]
    zero = rezero(single, "stick", Sensor(body="stick", type="tilt"), -42.5)
    assert zero.turned_deg == pytest.approx(2.5)
    assert zero.gyro_offset_radps is None
    double = [Tilt(0.1 * i, "stick", pitch_deg=1.0, roll_deg=-2.0) for i in range(50)]
    flat = rezero(double, "stick", Sensor(body="stick", type="tilt"), 0.0)
    assert flat.turned_deg == pytest.approx(math.hypot(1.0, 2.0), abs=0.01)


@pytest.mark.parametrize(
    ("records", "message"),
    [
        (list(still((0, 0, 0), 0, 0, 1.0)), "2 s at least are needed"),
        ([*still((0, 0, 0), 0, 0, 3.0), *still((0, 3, 0), 0, 0, 3.0)], "moved by"),
        ([], "0 readings of stick"),
    ],
)
def test_what_is_no_still_posture_is_refused(records: list[Record], message: str) -> None:
    stepped = [Imu(0.01 * i, "stick", r.accel_mps2) for i, r in enumerate(records) if isinstance(r, Imu)]
    with pytest.raises(ValueError, match=message):
        rezero(stepped, "stick", Sensor(body="stick"), 0.0)


def test_what_was_calibrated_of_the_old_part_goes() -> None:
    old = Sensor(body="stick", accel_offset_mps2=(0.1, 0.0, 0.0), gyro_scale=(1.01, 1.0, 1.0))
    zero = rezero(still((0, 0, 0), 0.0, 0.0), "stick", old, 0.0)
    values = description_of(zero, "stick", old, 0.0, "2026-05-04T08:00:00Z", "swap.ndjson")
    part = values["sensor"]["stick"]
    assert part["accel_offset_mps2"] == [0.0, 0.0, 0.0]
    assert part["gyro_scale"] == [1.0, 1.0, 1.0]
    assert "accel_scale" not in part


def test_a_new_part_is_known_no_better_than_one_posture_and_its_bias_allow() -> None:
    """A bias of 0.05 m/s² is 0.29° (g sin θ), whatever the old part was known to."""
    noise = Noise(accel_bias_mps2=0.004)
    old = Sensor(body="stick", mount_sigma_deg=0.03, noise=noise)
    zero = rezero(still((0, 0, 0), 0.0, 0.0), "stick", old, 0.0)
    part = description_of(zero, "stick", old, 0.0, "2026-05-04T08:00:00Z", "swap.ndjson")["sensor"]["stick"]
    assert part["noise"]["accel_bias_mps2"] == 0.05
    assert 0.29 < part["mount_sigma_deg"] < 0.35


def test_where_a_new_part_came_from_is_kept() -> None:
    old = Sensor(body="stick")
    zero = rezero(still((0, 0, 0), 0.0, 0.0), "stick", old, 0.0)
    values = description_of(zero, "stick", old, 0.0, "2026-05-04T08:00:00Z", "swap.ndjson")
    assert values["calibration"]["rezero"]["stick"]["serial"] == "B9"


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    machine, session = tmp_path / "machine.toml", tmp_path / "swap.ndjson"
    machine.write_text((ROOT / "config/machines/demo.toml").read_text(encoding="utf-8"), encoding="utf-8")
    header = encode_header(SessionHeader(1, "2026-05-04T08:00:00Z", {}))
    session.write_bytes(header + b"".join(map(encode_line, still((1.0, 2.0, 0.0), -42.5, 0.0))))
    return machine, session


def test_command_writes_mount_serial_and_origin_and_keeps_the_old_file(
    files: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    machine, session = files
    before = machine.read_text(encoding="utf-8")
    command(machine, session, sensor="stick", angle=-42.5)
    assert machine.read_text(encoding="utf-8") == before
    assert "Nothing written" in capsys.readouterr().out
    command(machine, session, sensor="stick", angle=-42.5, write=True)
    described = load_machine(machine)
    assert described.sensor["stick"].serial == "B9"
    assert described.calibration["rezero"]["stick"]["session"] == "swap.ndjson"
    (kept,) = machine.parent.glob("machine.*.toml")
    assert kept.read_text(encoding="utf-8") == before


def test_command_names_what_is_wrong(files: tuple[Path, Path]) -> None:
    machine, session = files
    with pytest.raises(ConfigError, match="expected one of"):
        command(machine, session, sensor="sticc", angle=0.0)
    with pytest.raises(InputError, match=r"swap\.ndjson: 0 readings of boom"):
        command(machine, session, sensor="boom", angle=0.0)
