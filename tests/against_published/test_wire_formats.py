"""Decoders against published byte examples and against encoders of independent libraries.

Each check names its source. "From memory" and "computed" are said where that is so.
"""

from __future__ import annotations

import math
import struct
import zlib
from typing import Any

import can
import pynmea2
import pytest
from cobs import cobs
from crccheck.crc import Crc32IsoHdlc, CrcModbus
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU

from tipdatum_drivers.decode.imu55 import Imu55Decoder, Imu55Options
from tipdatum_drivers.decode.modbus_map import ModbusOptions
from tipdatum_drivers.decode.modbus_rtu import ModbusDecoder
from tipdatum_drivers.decode.nmea_xdr import XdrDecoder, XdrOptions
from tipdatum_drivers.decode.packets import PacketsDecoder, PacketsOptions, cobs_decoded
from tipdatum_drivers.decode.slcan import SlcanDecoder, SlcanOptions
from tipdatum_drivers.reading import Fault, Imu, Tilt

G = 9.80665


# -- NMEA 0183 XDR: sentences found in public repositories, named beside each -----------------------------

XDR = [
    (b"$IIXDR,A,-0.3,D,PTCH,A,-3.4,D,ROLL*58", "PTCH", "ROLL", -0.3, -3.4),  # esp32-nmea2000, report 47
    (b"$GPXDR,A,0.6135744,D,PTCH,A,-0.6135744,D,ROLL*66", "PTCH", "ROLL", 0.6135744, -0.6135744),
    (b"$WIXDR,A,+02.9,D,PITCH,A,+00.7,D,ROLL*07", "PITCH", "ROLL", 2.9, 0.7),
    # mixed types and empty units
    (
        b"$HCXDR,A,171,D,PITCH,A,-37,D,ROLL,G,367,,MAGX,G,2420,,MAGY,G,-8984,,MAGZ*41",
        "PITCH",
        "ROLL",
        171.0,
        -37.0,
    ),
    # calypso-anemometer, pull request 24
    (b"$MLXDR,A,-60.0,D,PTCH#CAL,A,30.0,D,ROLL#CAL*75", "PTCH#CAL", "ROLL#CAL", -60.0, 30.0),
]


def xdr(pitch: str = "PTCH", roll: str = "ROLL") -> XdrDecoder:
    options: dict[str, Any] = {"port": "x", "sensor": {"upper": {"pitch": pitch, "roll": roll}}}
    return XdrDecoder(XdrOptions.model_validate(options))


@pytest.mark.parametrize(("sentence", "pitch", "roll", "pitch_deg", "roll_deg"), XDR)
def test_published_xdr_sentences(
    sentence: bytes, pitch: str, roll: str, pitch_deg: float, roll_deg: float
) -> None:
    assert xdr(pitch, roll).feed(sentence + b"\r\n", 5.0) == [
        Tilt(5.0, "upper", pitch_deg=pitch_deg, roll_deg=roll_deg)
    ]


def test_wrong_checksum_found_in_the_wild_is_refused() -> None:
    decoder = xdr()
    decoder.feed(XDR[0][0] + b"\r\n", 0.0)
    (fault,) = decoder.feed(b"$IIXDR,A,5.7,D,PTCH,A,-11.5,D,ROLL*67\r\n", 1.0)  # true sum: 46
    assert isinstance(fault, Fault)
    assert fault.kind == "wrong checksum"


@given(st.floats(-90, 90).map(lambda v: round(v, 3)), st.floats(-180, 180).map(lambda v: round(v, 3)))
def test_xdr_sentences_made_by_pynmea2(pitch: float, roll: float) -> None:
    fields = ("A", str(pitch), "D", "PTCH", "A", str(roll), "D", "ROLL")
    sentence = str(pynmea2.XDR("II", "XDR", fields))
    assert xdr().feed(sentence.encode() + b"\r\n", 0.0) == [
        Tilt(0.0, "upper", pitch_deg=pitch, roll_deg=roll)
    ]


# -- 0x55 frames: computed here from the scalings of the public protocol pages (HWT905-TTL, WT61) -----------


def imu55(**options: Any) -> Imu55Decoder:
    return Imu55Decoder(Imu55Options(port="x", sensor="boom", **options))


def test_acceleration_and_rate_by_the_public_scalings() -> None:
    frames = bytes.fromhex("55 51 00 00 00 00 00 08 C4 09 7B  55 52 A4 00 5C FF 00 00 C4 09 73")
    (reading,) = imu55().feed(frames, 1.0)
    assert isinstance(reading, Imu)
    assert reading.accel_mps2 == pytest.approx((0.0, 0.0, G))
    rate = math.radians(10.0098)
    assert reading.gyro_radps == pytest.approx((rate, -rate, 0.0), rel=1e-5)
    assert reading.temp_c == 25.0


def test_angles_by_the_public_scalings() -> None:
    frame = bytes.fromhex("55 53 1C 07 C7 F1 00 40 00 00 C3")  # roll 9.99756°, pitch -20.00061°, yaw 90°
    (tilt,) = imu55(content="angles").feed(frame, 1.0)
    assert isinstance(tilt, Tilt)
    # x·up and y·up of R = Rz(yaw) Ry(pitch) Rx(roll), from its last row.
    roll, pitch = math.radians(9.99756), math.radians(-20.00061)
    assert math.sin(math.radians(tilt.pitch_deg or 0)) == pytest.approx(-math.sin(pitch), abs=1e-6)
    assert math.sin(math.radians(tilt.roll_deg or 0)) == pytest.approx(
        math.cos(pitch) * math.sin(roll), abs=1e-6
    )


# -- COBS and CRC: Cheshire and Baker's examples (from memory, and the cobs library), the CRC catalogue -----

COBS = [
    ("01 01", "00"),
    ("01 01 01", "00 00"),
    ("03 11 22 02 33", "11 22 00 33"),
    ("02 11 01 01 01", "11 00 00 00"),
    ("05 DE AD BE EF", "DE AD BE EF"),  # iceworks.cc
    ("03 DE AD 03 BE EF", "DE AD 00 BE EF"),  # iceworks.cc
    # the IP header of the paper
    ("02 45 01 04 2C 4C 79 01 05 40 06 4F 37", "45 00 00 2C 4C 79 00 00 40 06 4F 37"),
]


@pytest.mark.parametrize(("encoded", "data"), COBS)
def test_cobs_examples(encoded: str, data: str) -> None:
    assert cobs_decoded(bytes.fromhex(encoded)) == bytes.fromhex(data)


@given(st.binary(max_size=600))
def test_cobs_agrees_with_the_cobs_library(data: bytes) -> None:
    assert cobs_decoded(cobs.encode(data)) == data


@given(st.binary(min_size=1, max_size=300).filter(lambda data: 0 not in data))
def test_what_the_cobs_library_refuses_is_refused(data: bytes) -> None:
    try:
        expected = cobs.decode(data)
    except cobs.DecodeError:
        assert cobs_decoded(data) is None
    else:
        assert cobs_decoded(data) == expected


def test_crc_is_the_catalogue_s_crc_32_iso_hdlc() -> None:
    assert zlib.crc32(b"123456789") == 0xCBF43926 == Crc32IsoHdlc.calc(b"123456789")


def packet(kind: int, sequence: int, body: bytes) -> bytes:
    """A packet built with the cobs and crccheck libraries."""
    content = bytes((kind, sequence)) + body
    return bytes(cobs.encode(content + struct.pack("<I", Crc32IsoHdlc.calc(content)))) + b"\0"


def test_imu_packet_of_independent_libraries_is_read() -> None:
    decoder = PacketsDecoder(PacketsOptions(port="x", sensor={"boom": 1, "stick": 2}))
    body = struct.pack("<I", 1000) + struct.pack("<B6h", 1, 0, 0, 1961, 800, -400, 0)
    body += struct.pack("<B6h", 2, -1961, 0, 0, 0, 0, 8)
    boom, stick = decoder.feed(packet(1, 0, body), 3.0)
    assert boom == Imu(3.0, "boom", (0.0, 0.0, 9.805), (1.0, -0.5, 0.0), None, 3.0)
    assert stick == Imu(3.0, "stick", (-9.805, 0.0, 0.0), (0.0, 0.0, 0.01), None, 3.0)


# -- CiA 410 and J1939 --------------------------------------------------------------------------------------


def slcan(**sensor: Any) -> SlcanDecoder:
    return SlcanDecoder(SlcanOptions.model_validate({"port": "x", "sensor": {"stick": sensor}}))


def test_cia_410_worked_example_of_a_public_manual() -> None:
    # SICK TMM61: -2370 x 0.01° = -23.70°; bytes BE F6
    (tilt,) = slcan(protocol="cia410", address=10).feed(b"t18A4BEF60000\r", 0.0)
    assert isinstance(tilt, Tilt)
    assert (tilt.pitch_deg, tilt.roll_deg) == pytest.approx((-23.70, 0.0))


@pytest.mark.parametrize(("raw", "degrees"), [("007D", 0.0), ("7869", -10.0), ("4187", 5.25), ("E4D4", 45.0)])
def test_j1939_slope_message_by_the_published_scaling(raw: str, degrees: float) -> None:
    """PGN 61459: 0.002°/bit, offset -64° (Axiomatic UMAX0608XX manual); bytes computed from it."""
    (tilt,) = slcan(protocol="j1939", address=0xE2).feed(f"T0CF013E28{raw}007D00000014\r".encode(), 1.0)
    assert isinstance(tilt, Tilt)
    assert tilt.pitch_deg == pytest.approx(degrees)
    assert tilt.roll_deg == pytest.approx(0.0)
    assert tilt.t_sample == pytest.approx(0.99)  # latency 20 counts of 0.5 ms


@pytest.mark.parametrize(
    ("raw", "degrees"),
    [("00007D", 0.0), ("000050", -90.0), ("00A07F", 5.25), ("0000AA", 90.0), ("0000D7", 180.0)],
)
def test_j1939_extended_slope_message_by_the_published_scaling(raw: str, degrees: float) -> None:
    """PGN 61481: 1/32768 °/bit, offset -250° (Axiomatic UMAX0608XX manual); bytes computed from it."""
    (tilt,) = slcan(protocol="j1939", address=0x80).feed(f"T0CF029808{raw}00007D0000\r".encode(), 1.0)
    assert isinstance(tilt, Tilt)
    assert tilt.pitch_deg == pytest.approx(degrees)


def test_j1939_error_and_not_available_are_faults() -> None:
    decoder = slcan(protocol="j1939", address=0xE2)
    decoder.feed(b"\r", 0.0)
    for high in ("FE", "FF"):
        (fault,) = decoder.feed(f"T0CF013E2800{high}007D00000014\r".encode(), 1.0)
        assert isinstance(fault, Fault)
        assert fault.kind == "device says fault"


def test_frames_written_by_python_can_s_slcan_bus_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    import serial
    from can.interfaces.slcan import slcanBus

    line = serial.serial_for_url("loop://", timeout=0)
    monkeypatch.setattr(serial, "serial_for_url", lambda *a, **k: line)
    bus = slcanBus("loop", sleep_after_open=0.0, bitrate=250000)
    line.read(1000)
    angles = struct.pack("<hh", 1234, -567)
    bus.send(can.Message(arbitration_id=0x18A, data=angles, is_extended_id=False))
    written = line.read(1000)
    (tilt,) = slcan(protocol="cia410", address=10).feed(written, 0.0)
    assert isinstance(tilt, Tilt)
    assert (tilt.pitch_deg, tilt.roll_deg) == pytest.approx((12.34, -5.67))
    bus.shutdown()


# -- Modbus RTU ---------------------------------------------------------------------------------------------

FRAMES = [
    "01 03 00 00 00 0A C5 CD",  # from memory
    "01 03 00 04 00 02 85 CA",  # INVT CHE100 manual, page 114
    "02 07 41 12",  # MODBUS over serial line guide (from memory)
    "11 03 00 6B 00 03 76 87",  # from memory
    "11 03 06 AE 41 56 52 43 40 49 AD",  # its answer
    "50 03 02 00 1C 44 41",  # WT53R manual, page 24
]


@pytest.mark.parametrize("frame", FRAMES)
def test_published_frames_have_the_crc_that_the_library_computes(frame: str) -> None:
    data = bytes.fromhex(frame)
    assert FramerRTU.compute_CRC(data[:-2]).to_bytes(2, "big") == data[-2:]
    assert CrcModbus.calc(data[:-2]).to_bytes(2, "little") == data[-2:]


def modbus(**sensor: Any) -> ModbusDecoder:
    return ModbusDecoder(ModbusOptions.model_validate({"port": "x", "sensor": {"boom": sensor}}))


def test_published_question_and_answer() -> None:
    decoder = modbus(address=0x11, pitch=0x6B, roll=0x6D, scale=0.001)
    question, _ = decoder.poll(0.0)
    assert question == bytes.fromhex(FRAMES[3])
    (tilt,) = decoder.feed(bytes.fromhex(FRAMES[4]), 0.05)
    # registers AE41, 5652, 4340 as signed numbers
    assert tilt == Tilt(0.05, "boom", pitch_deg=pytest.approx(-20.927), roll_deg=pytest.approx(17.216))  # type: ignore[arg-type]


def test_answer_published_with_a_wrong_crc_is_refused() -> None:
    decoder = modbus(address=1, pitch=4, roll=5)
    decoder.poll(0.0)
    assert decoder.feed(bytes.fromhex("01 03 04 00 00 00 00 43 07"), 0.05) == []  # INVT manual; true FA 33
    _, (fault,) = decoder.poll(1.0)
    assert isinstance(fault, Fault)
    assert fault.kind == "wrong checksum"
