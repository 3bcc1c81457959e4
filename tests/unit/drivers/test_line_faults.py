"""Whose fault it is: a shared line books what it can to the right sensor, and the rest to itself."""

from __future__ import annotations

from typing import Any

from pymodbus.framer import FramerRTU

from tipdatum_drivers.decode.framing import Item
from tipdatum_drivers.decode.modbus_map import ModbusOptions
from tipdatum_drivers.decode.modbus_rtu import GIVE_UP_AFTER, RETRY_S, ModbusDecoder
from tipdatum_drivers.decode.text_lines import TextLinesDecoder, TextLinesOptions
from tipdatum_drivers.reading import Fault, Tilt

CSV_SENSORS: dict[str, Any] = {"boom": {"when": "B", "angle": 2}, "stick": {"when": "S", "angle": 2}}


def with_crc(frame: bytes) -> bytes:
    return frame + FramerRTU.compute_CRC(frame).to_bytes(2, "big")


def sources(items: list[Item]) -> list[tuple[str, str]]:
    return [(item.source, item.kind) for item in items if isinstance(item, Fault)]


def test_a_bad_number_is_the_fault_of_the_sensor_whose_line_it_stands_in() -> None:
    options = TextLinesOptions.model_validate({"port": "/dev/x", "id_field": 1, "sensor": CSV_SENSORS})
    decoder = TextLinesDecoder(options)
    decoder.feed(b"B,1.0\nS,1.0\n", 0.0)
    assert sources(decoder.feed(b"S,hello\n", 1.0)) == [("stick", "bad value")]
    assert sources(decoder.feed(b"B,hello\n", 1.0)) == [("boom", "bad value")]


def test_a_line_that_cannot_be_trusted_is_the_fault_of_the_port_unless_it_has_one_sensor_alone() -> None:
    keys = {"port": "/dev/x", "id_field": 1, "checksum": "nmea"}
    for sensors, source in ((CSV_SENSORS, "/dev/x"), ({"boom": CSV_SENSORS["boom"]}, "boom")):
        options = TextLinesOptions.model_validate({**keys, "sensor": sensors})
        decoder = TextLinesDecoder(options)
        decoder.feed(b"B,1.0*5D\nB,1.0*5D\n", 0.0)
        assert (source, "wrong checksum") in sources(decoder.feed(b"B,1.0*00\n", 1.0))


def asked() -> tuple[ModbusDecoder, bytes]:
    sensor = {"boom": {"address": 1, "pitch": 0, "roll": 1}}
    decoder = ModbusDecoder(ModbusOptions.model_validate({"port": "/dev/x", "sensor": sensor}))
    request, _ = decoder.poll(0.0)
    return decoder, request


def test_a_part_that_is_busy_is_asked_again_at_once_and_left_alone_only_after_some_tries() -> None:
    decoder, request = asked()
    t = 0.0
    for k in range(GIVE_UP_AFTER):
        (fault,) = decoder.feed(with_crc(bytes((1, 0x83, 6))), t + 0.01)
        assert isinstance(fault, Fault)
        assert "it is busy" in fault.text
        t += 0.05
        again = decoder.poll(t)[0]
        assert (again == request) == (k + 1 < GIVE_UP_AFTER)
    assert decoder.poll(t + RETRY_S)[0] == request
    (reading,) = decoder.feed(with_crc(bytes((1, 3, 4, 0, 10, 0, 20))), t + RETRY_S + 0.01)
    assert isinstance(reading, Tilt)


def test_a_register_that_does_not_exist_is_left_alone_after_one_refusal() -> None:
    decoder, _ = asked()
    decoder.feed(with_crc(bytes((1, 0x83, 2))), 0.01)
    assert decoder.poll(0.1)[0] == b""


def test_an_adapter_that_echoes_and_garbles_is_told_from_one_that_only_echoes() -> None:
    decoder, request = asked()
    decoder.feed(request + bytes((1, 3, 4, 0, 10, 0, 20, 0, 0)), 0.02)
    (fault,) = decoder.poll(1.0)[1]
    assert isinstance(fault, Fault)
    assert (fault.kind, "9 bytes" in fault.text, "behind the echo" in fault.text) == (
        "wrong checksum",
        True,
        True,
    )
    decoder, request = asked()
    decoder.feed(request, 0.02)
    (fault,) = decoder.poll(1.0)[1]
    assert isinstance(fault, Fault)
    assert (fault.kind, "only the echo" in fault.text) == ("no answer", True)
