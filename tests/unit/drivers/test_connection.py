"""One connection of a line: what its bytes and its silence mean, and when it is given up."""

from __future__ import annotations

from tipdatum_drivers.connection import Connection, LineDecoder
from tipdatum_drivers.decode.framing import Decoder, Delimited, Frame, Item
from tipdatum_drivers.decode.modbus_map import ModbusOptions
from tipdatum_drivers.decode.modbus_rtu import ModbusDecoder
from tipdatum_drivers.decode.slcan import SlcanDriver, SlcanOptions
from tipdatum_drivers.reading import Fault, Slew
from tipdatum_drivers.serial_port import SerialOptions

OPTIONS = SerialOptions(port="/dev/x", silent_after_s=2.0)


class Numbers(Decoder):
    """A number a line; the word "defect" shows one."""

    def __init__(self) -> None:
        super().__init__("slew", Delimited(b"\n", 80))

    def frame(self, frame: Frame, t: float) -> list[Item]:
        if frame.data == b"defect":
            raise KeyError("oops")
        return [Slew(t, "slew", float(frame.data))]


def connection(decoder: LineDecoder | None = None) -> Connection:
    return Connection(OPTIONS, ["slew", "boom"], (9600,), decoder or Numbers(), 0.0)


def test_readings_carry_the_time_of_their_last_byte() -> None:
    line = connection()
    assert line.turn(b"1\n2", 0.5) == [Slew(0.5, "slew", 1.0)]
    assert line.turn(b"", 0.55) == []
    assert line.turn(b"0\n", 0.6) == [Slew(0.6, "slew", 20.0)]


def test_silence_is_a_fault_of_every_sensor_of_the_line() -> None:
    line = connection()
    assert line.turn(b"", 1.9) == []
    found = line.turn(b"", 2.1)
    assert [(item.source, item.kind) for item in found if isinstance(item, Fault)] == [
        ("slew", "silent"),
        ("boom", "silent"),
    ]
    assert line.turn(b"", 2.2) == []
    assert not line.over


def test_long_silence_ends_the_connection() -> None:
    line = connection()
    line.turn(b"", 19.9)
    assert not line.over
    line.turn(b"", 20.1)
    assert line.over


def test_defect_of_a_decoder_is_a_fault_and_what_waits_behind_it_is_not_decoded() -> None:
    line = connection()
    found = line.turn(b"1\ndefect\n2\n", 0.5)
    assert found == [Fault(0.5, who, "driver error", "KeyError: 'oops'") for who in ("slew", "boom")]
    assert line.over
    assert line.turn(b"3\n", 0.6) == []


def test_decoder_that_speaks_to_its_device_is_known_as_one_that_asks() -> None:
    modbus = ModbusOptions.model_validate(
        {"port": "/dev/x", "sensor": {"boom": {"address": 1, "pitch": 0, "roll": 1}}}
    )
    slcan = SlcanOptions.model_validate(
        {"port": "/dev/x", "sensor": {"boom": {"protocol": "j1939", "address": 1}}}
    )
    assert connection(ModbusDecoder(modbus)).asks
    assert connection(SlcanDriver(slcan).decoder()).asks
    assert not connection().asks
