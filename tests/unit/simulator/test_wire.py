"""What the simulator sends is what the drivers read: every format, both ways round."""

from __future__ import annotations

from pathlib import Path

import pytest

from tipdatum.machine.description import Machine, load_machine
from tipdatum.shipped import shipped
from tipdatum.simulator.wire import LINES, SerialLine, as_inclinometers, lines_of
from tipdatum_drivers.reading import Fault, Imu, Record, Tilt
from tipdatum_drivers.registry import find_driver


@pytest.fixture(scope="module")
def machine() -> Machine:
    return load_machine(Path(shipped("config", "machines", "demo.toml")))


def reading_of(line: SerialLine, sensor: str, t: float) -> Imu | Tilt:
    if line.machine.sensor[sensor].type == "imu":
        return Imu(t, sensor, (1.25, -0.5, 9.81), (0.1, -0.2, 0.05), 21.5, t if line.shared_clock else None)
    if line.machine.sensor[sensor].body == "upper":
        return Tilt(t, sensor, None, 3.21, -1.5)
    return Tilt(t, sensor, -132.4)


def heard(line: SerialLine, seconds: float) -> list[Record | Fault]:
    """What the driver of the line's own table makes of it."""
    table = line.table("/dev/null")
    driver = find_driver(table.pop("kind"))
    decoder = driver(driver.Options(**table)).decoder()  # type: ignore[attr-defined]
    found: list[Record | Fault] = []
    for step in range(round(seconds / 0.005)):
        t = step * 0.005
        ask, items = decoder.poll(t)
        found += items
        readings = [reading_of(line, s, t) for s in line.sensors] if step % 2 == 0 else []
        data = line.send(readings, t) + (line.answer(ask, t) if ask else b"")
        if data:
            found += decoder.feed(data, t)
    return found


@pytest.mark.parametrize("kind", LINES)
def test_a_driver_reads_what_the_simulator_sends(kind: str, machine: Machine) -> None:
    machine = as_inclinometers(machine) if LINES[kind].tilts else machine
    for line in lines_of(kind, machine):
        items = heard(line, 1.0)
        assert not [i for i in items if isinstance(i, Fault)]
        for sensor in line.sensors:
            mine = [i for i in items if isinstance(i, (Imu, Tilt)) and i.sensor == sensor]
            assert len(mine) > 10
            true, last = reading_of(line, sensor, 0.0), mine[-1]
            if isinstance(true, Imu):
                assert isinstance(last, Imu)
                assert last.accel_mps2 == pytest.approx(true.accel_mps2, abs=0.003)
                assert last.gyro_radps == pytest.approx(true.gyro_radps, abs=0.0007)
            else:
                assert isinstance(last, Tilt)
                for angle in ("angle_deg", "pitch_deg", "roll_deg"):
                    expected = getattr(true, angle)
                    assert getattr(last, angle) == (
                        None if expected is None else pytest.approx(expected, abs=0.006)
                    )


def test_inertial_sensors_speak_modbus_too(machine: Machine) -> None:
    items = heard(lines_of("modbus-rtu", machine)[0], 1.0)
    assert {i.sensor for i in items if isinstance(i, Imu)} == set(machine.sensor)


@pytest.mark.parametrize("kind", ["packets", "imu-55"])
def test_spoilt_bytes_are_counted_and_never_read(kind: str, machine: Machine) -> None:
    line = lines_of(kind, machine)[0]
    line.spoilt.add(line.sensors[0])
    items = heard(line, 2.0)
    assert [i for i in items if isinstance(i, Fault)]
    for item in items:
        if isinstance(item, Imu):
            assert item.accel_mps2 == pytest.approx((1.25, -0.5, 9.81), abs=0.003)


def test_an_adapter_is_silent_until_its_channel_is_open(machine: Machine) -> None:
    line = lines_of("slcan", as_inclinometers(machine))[0]
    readings = [reading_of(line, s, 0.0) for s in line.sensors]
    assert line.send(readings, 0.0) == b""
    line.answer(b"\r\rC\rS5\rO\r", 0.0)
    assert line.send(readings, 0.01).startswith(b"t18A")


def test_a_modbus_part_without_news_does_not_answer(machine: Machine) -> None:
    line = lines_of("modbus-rtu", machine)[0]
    assert line.answer(bytes.fromhex("0103000000024 40B".replace(" ", "")), 0.0) == b""
