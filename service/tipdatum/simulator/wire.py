"""Readings as the bytes that real sensors send: the other side of `tipdatum_drivers.decode`.

One class a format. `send` turns readings into bytes, `answer` is for devices that speak when they are
asked, and `table` is the `[[driver]]` table with which the service reads the line. Written from the
formats' pages, not from the decoders: packets by `docs/packet.md`; 0x55 frames, NMEA 0183 XDR, CiA 410 over
SLCAN and Modbus RTU by the sources that the decoders name.
"""

from __future__ import annotations

import math
import random
import struct
import zlib
from collections.abc import Iterable, Sequence
from functools import reduce
from operator import xor
from typing import Any, ClassVar

from tipdatum.machine.description import Machine
from tipdatum_drivers.reading import Imu, Record, Slew, Tilt

WARMTH_EVERY_S, HELLO_EVERY_S = 1.0, 5.0
SPOILT_SHARE = 0.3
"""Of the frames of a sensor whose bytes are spoilt."""

_Motion = Imu | Tilt | Slew


class SerialLine:
    """One serial line with one or several sensors on it.

    Args:
        sensors: names in the description, in the order of their ids. machine: the description.
    """

    kind: ClassVar[str]
    baud: ClassVar[int] = 115200
    rate_hz: ClassVar[float] = 100.0
    tilts: ClassVar[bool] = False
    """Whether the format carries angles alone, so that every sensor has to be an inclinometer."""
    angles: ClassVar[bool] = False
    """Whether it carries what angle encoders tell."""
    shared_clock: ClassVar[bool] = False

    def __init__(self, sensors: Sequence[str], machine: Machine) -> None:
        self.sensors = tuple(sensors)
        self.machine = machine
        self.spoilt: set[str] = set()
        """Sensors whose bytes are spoilt on the way."""
        self.clock_ahead_s = 0.0
        """The board's clock against the machine's time, s."""
        self._chance = random.Random(5)

    def send(self, records: Iterable[Record], t: float) -> bytes:
        """What goes out by `t`, given the readings that have come up since the last call."""
        mine = [r for r in records if isinstance(r, (Imu, Tilt, Slew)) and r.sensor in self.sensors]
        frames = [(name, frame) for name, frame in self._frames(mine, t)]
        return b"".join(self._spoil(frame) if name in self.spoilt else frame for name, frame in frames)

    def answer(self, data: bytes, t: float) -> bytes:
        """What it answers to bytes that came in at `t`; most devices do not listen."""
        return b""

    def table(self, port: str) -> dict[str, Any]:
        """The service's `[[driver]]` table for this line."""
        return {"kind": self.kind, "port": port, "baud": self.baud, **self._options()}

    def _frames(self, readings: Sequence[_Motion], t: float) -> Iterable[tuple[str, bytes]]:
        raise NotImplementedError

    def _options(self) -> dict[str, Any]:
        raise NotImplementedError

    def _spoil(self, frame: bytes) -> bytes:
        if self._chance.random() > SPOILT_SHARE:
            return frame
        spoilt = bytearray(frame)
        spoilt[self._chance.randrange(len(spoilt))] ^= 1 << self._chance.randrange(8)
        return bytes(spoilt)


class PacketsLine(SerialLine):
    """Own firmware: all inertial sensors of one sampling in one packet."""

    kind = "packets"
    angles = True
    shared_clock = True

    def __init__(self, sensors: Sequence[str], machine: Machine) -> None:
        super().__init__(sensors, machine)
        self._ids = {name: number for number, name in enumerate(sensors)}
        self._sequence = 0
        self._warm_due = self._hello_due = 0.0

    def _options(self) -> dict[str, Any]:
        slews = {n: i for n, i in self._ids.items() if self.machine.sensor[n].type == "slew"}
        found: dict[str, Any] = {"sensor": {n: i for n, i in self._ids.items() if n not in slews}}
        return found | ({"slew": slews} if slews else {})

    def _frames(self, readings: Sequence[_Motion], t: float) -> Iterable[tuple[str, bytes]]:
        if t >= self._hello_due:
            self._hello_due = t + HELLO_EVERY_S
            for name, number in self._ids.items():
                serial = self.machine.sensor[name].serial
                if serial is not None:
                    yield name, self._packet(6, bytes([number]) + serial.encode()[:24])
        if t >= self._warm_due and (warm := [r for r in readings if isinstance(r, (Imu, Tilt)) and r.temp_c]):
            self._warm_due = t + WARMTH_EVERY_S
            rows = {
                r.sensor: struct.pack("<Bh", self._ids[r.sensor], round((r.temp_c or 0.0) * 100))
                for r in warm
            }
            yield warm[0].sensor, self._packet(5, b"".join(rows.values()))
        for stamp, kind in dict.fromkeys((_stamp(r), type(r)) for r in readings):
            rows_of = [r for r in readings if (_stamp(r), type(r)) == (stamp, kind)]
            for packet_kind, make in ((1, _imu_row), (2, _tilt_row), (3, _angle_row)):
                made = [row for r in rows_of if (row := make(self._ids[r.sensor], r)) is not None]
                if made:
                    spoilt = next((r.sensor for r in rows_of if r.sensor in self.spoilt), rows_of[0].sensor)
                    micros = struct.pack("<I", round((stamp + self.clock_ahead_s) * 1e6) & 0xFFFFFFFF)
                    yield spoilt, self._packet(packet_kind, micros + b"".join(made))

    def _packet(self, kind: int, body: bytes) -> bytes:
        content = bytes([kind, self._sequence]) + body
        self._sequence = (self._sequence + 1) & 0xFF
        content += struct.pack("<I", zlib.crc32(content))
        return b"".join(bytes([len(part) + 1]) + part for part in content.split(b"\0")) + b"\0"


class Imu55Line(SerialLine):
    """One module with 0x55 frames."""

    kind = "imu-55"

    def _options(self) -> dict[str, Any]:
        return {"sensor": self.sensors[0], "even_hz": self.rate_hz}

    def _frames(self, readings: Sequence[_Motion], t: float) -> Iterable[tuple[str, bytes]]:
        for r in readings:
            if not isinstance(r, Imu) or r.gyro_radps is None:
                continue
            warmth = round(100.0 * (r.temp_c or 0.0))
            accel = [_counts(a / (16.0 * 9.80665) * 32768.0) for a in r.accel_mps2]
            gyro = [_counts(math.degrees(w) / 2000.0 * 32768.0) for w in r.gyro_radps]
            both = b""
            for code, values in ((0x51, [*accel, _counts(warmth)]), (0x52, [*gyro, 0])):
                frame = struct.pack("<BB4h", 0x55, code, *values)
                both += frame + bytes([sum(frame) & 0xFF])
            yield r.sensor, both


class XdrLine(SerialLine):
    """Attitude sensors that send NMEA 0183 XDR sentences, one after the other."""

    kind = "nmea-xdr"
    baud = 38400
    rate_hz = 20.0
    tilts = True

    def _options(self) -> dict[str, Any]:
        return {"sensor": {name: self._names(name) for name in self.sensors}}

    def _names(self, name: str) -> dict[str, str]:
        short = f"{name.upper()[:8]}{self.sensors.index(name)}"
        two = self.machine.sensor[name].body == "upper"
        return {"pitch": f"{short}P", "roll": f"{short}R"} if two else {"angle": f"{short}A"}

    def _frames(self, readings: Sequence[_Motion], t: float) -> Iterable[tuple[str, bytes]]:
        for r in readings:
            if not isinstance(r, Tilt):
                continue
            values = {"pitch": r.pitch_deg, "roll": r.roll_deg, "angle": r.angle_deg}
            groups = [f"A,{values[what]:.2f},D,{name}" for what, name in self._names(r.sensor).items()]
            body = "IIXDR," + ",".join(groups)
            yield r.sensor, f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()


class SlcanLine(SerialLine):
    """CiA 410 inclinometers on CAN behind an SLCAN adapter, which is silent until its channel is opened."""

    kind = "slcan"
    rate_hz = 50.0
    tilts = True

    def __init__(self, sensors: Sequence[str], machine: Machine) -> None:
        super().__init__(sensors, machine)
        self._nodes = {name: 10 + i for i, name in enumerate(sensors)}
        self._open = False
        self._heard = b""

    def _options(self) -> dict[str, Any]:
        return {"bitrate_kbps": 250, "sensor": {name: self._sensor(name) for name in self.sensors}}

    def _sensor(self, name: str) -> dict[str, Any]:
        single = self.machine.sensor[name].body != "upper"
        told = {"protocol": "cia410", "address": self._nodes[name], "resolution_deg": 0.01}
        return told | ({"single_axis": True} if single else {})

    def _frames(self, readings: Sequence[_Motion], t: float) -> Iterable[tuple[str, bytes]]:
        for r in readings if self._open else ():
            if not isinstance(r, Tilt):
                continue
            angles = [a for a in (r.angle_deg, r.pitch_deg, r.roll_deg) if a is not None]
            data = b"".join(struct.pack("<h", _counts(angle / 0.01)) for angle in angles)
            node = self._nodes[r.sensor]
            yield r.sensor, f"t{0x180 + node:03X}{len(data)}{data.hex().upper()}\r".encode()

    def answer(self, data: bytes, t: float) -> bytes:
        *commands, self._heard = (self._heard + data)[-256:].split(b"\r")
        out = b""
        for command in commands:
            if command[:1] in (b"O", b"L"):
                self._open = True
            elif command[:1] == b"C":
                self._open = False
            out += b"z\r" + self._identity(command) if command[:1] == b"t" else b"\r"
        return out

    def _identity(self, command: bytes) -> bytes:
        """The answer to a question for object 1018h sub 4, of parts whose serial number is described."""
        node = int(command[1:4], 16) - 0x600
        name = next((n for n, number in self._nodes.items() if number == node), None)
        serial = self.machine.sensor[name].serial if name is not None else None
        try:
            number = struct.pack("<I", int(serial or "", 16))
        except (ValueError, struct.error):
            return b""
        return (
            f"t{0x580 + node:03X}8".encode() + (b"\x43\x18\x10\x04" + number).hex().upper().encode() + b"\r"
        )


class ModbusLine(SerialLine):
    """Inclinometers or inertial sensors on RS-485 that answer requests for holding registers."""

    kind = "modbus-rtu"
    rate_hz = 50.0
    _SCALE: ClassVar[dict[str, float]] = {"angle": 0.001, "accel": 0.0001, "gyro": 0.00001}

    def __init__(self, sensors: Sequence[str], machine: Machine) -> None:
        super().__init__(sensors, machine)
        self._address = {name: 1 + i for i, name in enumerate(sensors)}
        self._latest: dict[str, _Motion] = {}
        self._heard = b""

    def _options(self) -> dict[str, Any]:
        return {"parity": "none", "sensor": {name: self._sensor(name) for name in self.sensors}}

    def _sensor(self, name: str) -> dict[str, Any]:
        told = self.machine.sensor[name]
        common = {"address": self._address[name], "function": 3, "type": "int32"}
        if told.type == "imu":
            scale = {"scale": self._SCALE["accel"], "gyro_scale": self._SCALE["gyro"]}
            return {
                **common,
                "accel": [0, 2, 4],
                "gyro": [6, 8, 10],
                "accel_unit": "mps2",
                "gyro_unit": "radps",
                **scale,
            }
        fields = {"pitch": 0, "roll": 2} if told.body == "upper" else {"angle": 0}
        return {**common, **fields, "scale": self._SCALE["angle"]}

    def _frames(self, readings: Sequence[_Motion], t: float) -> Iterable[tuple[str, bytes]]:
        for r in readings:
            self._latest[r.sensor] = r
        return ()

    def answer(self, data: bytes, t: float) -> bytes:
        self._heard = (self._heard + data)[-64:]
        while len(self._heard) >= 8:
            request, rest = self._heard[:8], self._heard[8:]
            if crc16(request[:6]) != request[6:]:
                self._heard = self._heard[1:]
                continue
            self._heard = rest
            return self._registers(request)
        return b""

    def _registers(self, request: bytes) -> bytes:
        address, function, first, count = struct.unpack(">BBHH", request[:6])
        name = next((n for n, a in self._address.items() if a == address), None)
        reading = self._latest.pop(name, None) if name is not None else None
        if name is None or reading is None:
            return b""  # nobody of that address is there, or it has nothing new
        values = self._values(reading)
        words = b"".join(struct.pack(">i", value) for value in values)
        part = words[2 * first : 2 * (first + count)]
        if function != 3 or len(part) != 2 * count:
            refusal = bytes([address, function | 0x80, 2 if function == 3 else 1])
            return refusal + crc16(refusal)
        body = bytes([address, function, len(part)]) + part
        frame = body + crc16(body)
        return self._spoil(frame) if name in self.spoilt else frame

    def _values(self, reading: _Motion) -> list[int]:
        if isinstance(reading, Imu):
            accel = [round(a / self._SCALE["accel"]) for a in reading.accel_mps2]
            return accel + [round(w / self._SCALE["gyro"]) for w in reading.gyro_radps or ()]
        if isinstance(reading, Tilt) and reading.angle_deg is None:
            return [round((a or 0.0) / self._SCALE["angle"]) for a in (reading.pitch_deg, reading.roll_deg)]
        return [round((reading.angle_deg or 0.0) / self._SCALE["angle"])]


LINES: dict[str, type[SerialLine]] = {
    line.kind: line for line in (PacketsLine, Imu55Line, XdrLine, ModbusLine, SlcanLine)
}


def lines_of(kind: str, machine: Machine) -> list[SerialLine]:
    """The lines on which a machine's sensors speak in that format; a port each."""
    line = LINES[kind]
    spoken = ("imu", "tilt", "slew") if line.angles else ("imu", "tilt")
    names = [name for name, sensor in machine.sensor.items() if sensor.type in spoken]
    if kind == "imu-55":
        return [line([name], machine) for name in names if machine.sensor[name].type == "imu"]
    return [line(names, machine)]


def as_inclinometers(machine: Machine) -> Machine:
    """The machine with inclinometers in place of inertial sensors, for formats that carry angles alone."""
    sensors = {
        name: sensor.model_copy(update={"type": "tilt", "time_constant_s": 0.08})
        if sensor.type == "imu"
        else sensor
        for name, sensor in machine.sensor.items()
    }
    return machine.model_copy(update={"sensor": sensors})


def crc16(data: bytes) -> bytes:
    """CRC-16/MODBUS, low byte first (MODBUS over serial line, 6.2.2)."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc.to_bytes(2, "little")


def _stamp(reading: _Motion) -> float:
    stamp = None if isinstance(reading, Slew) else reading.t_sample
    return reading.t if stamp is None else stamp


def _imu_row(number: int, reading: _Motion) -> bytes | None:
    if not isinstance(reading, Imu):
        return None
    accel = [_counts(a / 0.005) for a in reading.accel_mps2]
    gyro = [_counts(w * 800.0) for w in reading.gyro_radps or (0.0, 0.0, 0.0)]
    return struct.pack("<B6h", number, *accel, *gyro)


def _tilt_row(number: int, reading: _Motion) -> bytes | None:
    if not isinstance(reading, Tilt) or reading.pitch_deg is None or reading.roll_deg is None:
        return None
    return struct.pack("<Bii", number, round(reading.pitch_deg * 1000), round(reading.roll_deg * 1000))


def _angle_row(number: int, reading: _Motion) -> bytes | None:
    angle = None if isinstance(reading, Imu) else reading.angle_deg
    return None if angle is None else struct.pack("<Bi", number, round(angle * 1000))


def _counts(value: float) -> int:
    return max(-32768, min(32767, round(value)))
