"""What is said about a line: before the start from its options, live from its traffic."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from tipdatum_drivers import serial_port
from tipdatum_drivers.connection import LineWatch
from tipdatum_drivers.decode.modbus_map import ModbusOptions
from tipdatum_drivers.decode.modbus_rtu import ModbusDriver
from tipdatum_drivers.decode.text_lines import TextLinesDriver, TextLinesOptions
from tipdatum_drivers.errors import PortError
from tipdatum_drivers.modbus_cycle import cycle
from tipdatum_drivers.serial_port import SerialOptions, find_port


def line(count: int, **keys: Any) -> ModbusOptions:
    sensors = {f"s{i}": {"address": i + 1, "pitch": 0, "roll": 1} for i in range(count)}
    return ModbusOptions.model_validate({"port": "/dev/x", "sensor": sensors, **keys})


def test_four_inclinometers_at_9600_baud_give_about_six_readings_a_second_each() -> None:
    # By hand: 8 + 9 characters of 10 bits are 17.7 ms, twice 3.5 characters 7.3 ms, turnaround 10 ms.
    found = cycle(line(4))
    assert found.period_s == pytest.approx(4 * (0.01771 + 0.00729 + 0.010), rel=1e-3)
    assert 6.0 < found.rate_hz < 7.5
    even = cycle(line(4, parity="even", stop_bits=1))
    assert even.rate_hz == pytest.approx(6.66, abs=0.1)


def test_fast_line_keeps_the_fixed_silence_of_the_protocol() -> None:
    found = cycle(line(1, baud=115200, turnaround_s=0.0))
    assert found.period_s == pytest.approx(17 * 10 / 115200 + 2 * 0.00175)


def test_slow_line_is_a_warning_and_a_fast_one_none() -> None:
    slow, fast = (
        ModbusDriver(line(4)).advice(),
        ModbusDriver(line(4, baud=115200, turnaround_s=0.003)).advice(),
    )
    assert "4 questions a round of 140 ms at 9600 baud give about 7.1 readings a second each" in slow[0]
    assert slow[1].startswith(
        "too slow for finishing work: at 0.3 m/s the tip moves 42 mm between two readings"
    )
    assert len(fast) == 1


def test_name_that_changes_and_text_without_proof_are_warnings() -> None:
    options = {"port": "/dev/ttyUSB0", "sensor": {"boom": {"angle": 1}}}
    said = TextLinesDriver(TextLinesOptions.model_validate(options)).advice()
    assert "by-id" in said[0]
    assert "without a checksum" in said[1]
    safe = {**options, "port": "/dev/serial/by-id/usb-a", "checksum": "nmea"}
    assert TextLinesDriver(TextLinesOptions.model_validate(safe)).advice() == []


def watch() -> LineWatch:
    watch = LineWatch("/dev/x", 9600, (115200, 9600, 230400), 2.0)
    watch.opened(10.0)
    return watch


def test_silence_is_said_once_until_it_is_broken() -> None:
    seen = watch()
    assert seen.verdict(11.9) is None
    verdict = seen.verdict(12.1)
    assert verdict is not None
    assert verdict[0] == "silent"
    assert seen.verdict(13.0) is None
    assert not seen.wants_reopening(29.9), "a board may restart whenever its port is opened"
    assert seen.wants_reopening(30.1)
    seen.heard(10, 1, 31.0)
    assert seen.verdict(32.0) is None
    assert seen.verdict(33.1) is not None


def test_bytes_without_readings_ask_for_the_rate() -> None:
    seen = watch()
    for i in range(30):
        seen.heard(10, 0, 10.0 + 0.1 * i)
    verdict = seen.verdict(13.0)
    assert verdict == (
        "nothing decodes",
        "bytes arrive from /dev/x at 9600 baud, nothing decodes: is the rate 115200 or 230400?",
    )
    seen.heard(10, 1, 13.1)
    seen.heard(10, 0, 13.2)
    assert seen.verdict(15.0) is None, "a few bytes without a reading are no judgement"


def test_device_that_speaks_when_it_likes_is_never_silent() -> None:
    seen = LineWatch("/dev/x", 9600, (), 0.0)
    seen.opened(0.0)
    assert seen.verdict(1e6) is None
    assert not seen.wants_reopening(1e6)


@pytest.mark.parametrize("keys", [{}, {"port": "a", "usb_id": "0403:6001"}, {"usb_id": "0403-6001"}])
def test_port_is_named_in_one_way(keys: dict[str, str]) -> None:
    with pytest.raises(ValidationError):
        SerialOptions.model_validate(keys)


class Adapter:
    def __init__(self, device: str, vid: int | None, serial: str | None) -> None:
        self.device, self.vid, self.pid, self.serial_number = device, vid, 0x6001, serial


def test_port_is_found_by_what_its_adapter_tells(monkeypatch: pytest.MonkeyPatch) -> None:
    from serial.tools import list_ports

    adapters = [
        Adapter("/dev/ttyS0", None, None),
        Adapter("/dev/ttyUSB0", 0x0403, "A1"),
        Adapter("/dev/ttyUSB1", 0x0403, "B2"),
    ]
    monkeypatch.setattr(list_ports, "comports", lambda: adapters)
    assert find_port(SerialOptions(usb_id="0403:6001", usb_serial="B2")) == "/dev/ttyUSB1"
    assert find_port(SerialOptions(usb_serial="A1")) == "/dev/ttyUSB0"
    with pytest.raises(PortError, match=r"fits /dev/ttyUSB0 and /dev/ttyUSB1: add usb_serial") as caught:
        find_port(SerialOptions(usb_id="0403:6001"))
    assert not caught.value.retry_helps
    with pytest.raises(PortError, match=r"USB C3 is not connected \(connected: 0403:6001 A1, 0403:6001 B2\)"):
        find_port(SerialOptions(usb_serial="C3"))


def test_missing_permission_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    import serial

    def refused(*args: Any, **keys: Any) -> None:
        raise serial.SerialException(13, "could not open port: Permission denied")

    monkeypatch.setattr(serial, "serial_for_url", refused)
    with pytest.raises(PortError, match="add the user to the group dialout"):
        serial_port.open_port(SerialOptions(port="/dev/ttyUSB0"), 0.1)
