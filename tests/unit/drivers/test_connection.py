"""One connection of a line: what its bytes and its silence mean, and when it is given up."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum_drivers.connection import Connection, LineDecoder
from tipdatum_drivers.decode.framing import Decoder, Delimited, Frame, Item
from tipdatum_drivers.decode.modbus_map import ModbusOptions
from tipdatum_drivers.decode.modbus_rtu import ModbusDecoder
from tipdatum_drivers.decode.slcan import SlcanDriver, SlcanOptions
from tipdatum_drivers.reading import Fault, Imu, Slew
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


class Samples(Decoder):
    """A line a sample: a sensor's name and when it was sampled, s, as a device with a clock says or not."""

    def __init__(self, stamped: bool = False) -> None:
        super().__init__("boom", Delimited(b"\n", 80))
        self._stamped = stamped

    def frame(self, frame: Frame, t: float) -> list[Item]:
        name, sampled = frame.data.decode().split()
        stamp = float(sampled) if self._stamped else None
        return [Imu(t, name, (float(sampled), 0.0, 9.8), (0.0, 0.0, 0.0), None, stamp)]


def connection(decoder: LineDecoder | None = None) -> Connection:
    return Connection(OPTIONS, ["slew", "boom"], (9600,), decoder or Numbers(), 0.0)


def test_readings_carry_the_time_of_their_last_byte() -> None:
    line = connection()
    assert line.turn(b"1\n2", 0.5) == [Slew(0.5, "slew", 1.0)]
    assert line.turn(b"", 0.55) == []
    assert line.turn(b"0\n", 0.6) == [Slew(0.6, "slew", 20.0)]


def read(line: Connection, t: float, samples: dict[str, list[float]]) -> list[Imu]:
    text = "".join(f"{name} {sampled}\n" for name, times in samples.items() for sampled in times)
    return [item for item in line.turn(text.encode(), t) if isinstance(item, Imu)]


def told(reading: Imu) -> tuple[float, float]:
    """When it was sampled, s, as it says, and in truth."""
    return (reading.t if reading.t_sample is None else reading.t_sample), reading.accel_mps2[0]


@given(
    gaps=st.lists(st.floats(0.0, 0.2), min_size=5, max_size=40),
    period=st.sampled_from([0.005, 0.01, 0.02]),
)
def test_what_was_held_back_is_as_old_as_it_is_to_a_reading(gaps: list[float], period: float) -> None:
    """Samples that come evenly, read whenever the computer gets to it."""
    line, t, done = connection(Samples()), 0.0, 0
    for gap in gaps:
        t += gap
        due = int(t / period)
        for reading in read(line, t, {"boom": [n * period for n in range(done + 1, due + 1)]}):
            assert reading.t == t
            said, true = told(reading)
            assert done == 0 or said == pytest.approx(true, abs=1.001 * period)
        done = due


def test_of_what_waited_through_a_silence_readings_stand_as_far_apart_as_before() -> None:
    line = connection(Samples())
    for k in range(1, 20):
        read(line, 0.01 * k, {"boom": [0.01 * k]})
    found = read(line, 5.0, {"boom": [4.98, 4.99, 5.0]})
    assert [told(reading)[0] for reading in found] == pytest.approx([4.98, 4.99, 5.0])


def test_a_computer_that_never_reads_in_time_tells_readings_apart_from_its_second_read_on() -> None:
    line = connection(Samples())
    for k in range(1, 6):
        found = read(line, 0.4 * k, {"boom": [0.4 * k - 0.1 * n for n in (3, 2, 1, 0)]})
        assert k == 1 or [told(r)[0] for r in found] == pytest.approx([told(r)[1] for r in found])


def test_several_sensors_in_one_read_share_nothing() -> None:
    line = connection(Samples())
    read(line, 0.1, {"boom": [0.1], "stick": [0.1]})
    found = read(line, 0.2, {"boom": [0.15, 0.2], "stick": [0.2]})
    assert [told(reading)[0] for reading in found] == pytest.approx([0.15, 0.2, 0.2])


def test_a_stamp_of_the_device_stays() -> None:
    line = connection(Samples(stamped=True))
    read(line, 0.1, {"boom": [0.1]})
    found = read(line, 0.2, {"boom": [0.11, 0.12, 0.19]})
    assert [reading.t_sample for reading in found] == [0.11, 0.12, 0.19]


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
