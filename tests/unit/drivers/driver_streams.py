"""One stream for every serial decoder: what a good device sends, and what must come of it."""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import reduce
from operator import xor
from typing import Any

from msgspec.structs import replace
from pymodbus.framer import FramerRTU

from tipdatum_drivers.decode.framing import Item
from tipdatum_drivers.reading import Fault, Imu, Reading, Tilt
from tipdatum_drivers.registry import find_driver
from tipdatum_drivers.serial_driver import LineDecoder, SerialDriver

COUNT = 40


@dataclass(frozen=True)
class Stream:
    """A kind of line: its options and the chunks that its device sends, one reading each."""

    kind: str
    options: dict[str, Any]
    chunks: tuple[bytes, ...]
    proven: bool = True
    """Whether the format carries a checksum."""
    asks: bool = False
    """Whether the decoder must ask before the device answers."""
    _expected: list[Reading] = field(default_factory=list, repr=False, compare=False)

    def decoder(self) -> LineDecoder:
        cls = find_driver(self.kind)
        driver = cls(cls.Options.model_validate({"port": "/dev/null", **self.options}))
        assert isinstance(driver, SerialDriver)
        return driver.decoder()

    def heard(self, chunks: Iterable[bytes | Sequence[bytes]]) -> list[Item]:
        """What a new decoder makes of these chunks, each of which may come in pieces."""
        decoder = self.decoder()
        items: list[Item] = []
        for i, chunk in enumerate(chunks):
            t = 1.0 + i
            if self.asks:
                # Whatever was open has run out of time by now.
                items += decoder.poll(t)[1] + decoder.poll(t + 0.02)[1]
            for piece in (chunk,) if isinstance(chunk, bytes) else chunk:
                items += decoder.feed(piece, t + 0.05)
        return items

    def readings(self, chunks: Iterable[bytes | Sequence[bytes]]) -> list[Reading]:
        """The readings among them, without their times."""
        found = [item for item in self.heard(chunks) if not isinstance(item, Fault)]
        return [without_time(reading) for reading in found]

    def expected(self) -> list[Reading]:
        """Readings of the undisturbed stream; that they are right is checked against published values."""
        if not self._expected:
            self._expected.extend(self.readings((LEAD_IN[self.kind], *self.chunks)))
        return self._expected


LEAD_IN = dict.fromkeys(("imu-55", "modbus-rtu", "packets"), b"")
"""An end of line, where the first line after opening may not count."""
LEAD_IN.update(dict.fromkeys(("nmea-xdr", "slcan", "text-lines"), b"\r\n"))


def without_time(reading: Reading) -> Reading:
    """The same with all times zero."""
    if isinstance(reading, (Imu, Tilt)):
        return replace(reading, t=0.0, t_sample=None)
    return replace(reading, t=0.0)


def angle(i: int) -> float:
    return round(30.0 * math.sin(0.3 * i) + 0.001 * i, 3)


def frame55(kind: int, *values: int) -> bytes:
    body = struct.pack("<BBhhhh", 0x55, kind, *values)
    return body + bytes([sum(body) & 0xFF])


def stuffed(content: bytes) -> bytes:
    """A packet, COBS-encoded by splitting at the zeros (every piece here is shorter than 254)."""
    whole = content + struct.pack("<I", zlib.crc32(content))
    return b"".join(bytes([len(piece) + 1]) + piece for piece in whole.split(b"\0")) + b"\0"


def sentence(body: str) -> bytes:
    return f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()


def answer(i: int) -> bytes:
    body = struct.pack(">BBBhh", 7, 3, 4, round(100 * angle(i)), i)
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


def _streams() -> list[Stream]:
    n = range(COUNT)
    csv = {"sensor": {"boom": {"pitch": 2, "roll": 3, "when": "B"}}, "id_field": 1}
    imu = {"accel": ["ax", "ay", "az"], "gyro": ["gx", "gy", "gz"], "gyro_unit": "degps"}
    modbus = {"address": 7, "pitch": 0, "roll": 1, "scale": 0.01}
    return [
        Stream("imu-55", {"sensor": "boom"}, tuple(
            frame55(0x51, 100 * i, 0x5155, 2048, 2500) + frame55(0x52, i, -i, 0x5255, 0) for i in n
        )),
        Stream("packets", {"sensor": {"boom": 0, "stick": 255}}, tuple(
            stuffed(bytes((1, i)) + struct.pack("<IB6h", 10_000 * i, 255 * (i % 2), i, 0, 1961, -i, 0, 256))
            for i in n
        )),
        Stream("nmea-xdr", {"sensor": {"upper": {"pitch": "PTCH", "roll": "-ROLL"}}}, tuple(
            sentence(f"IIXDR,A,{angle(i)},D,PTCH,A,{i / 10},D,ROLL") for i in n
        )),
        Stream("slcan", {"sensor": {"boom": {"protocol": "cia410", "address": 5}}}, tuple(
            f"t1854{struct.pack('<hh', round(100 * angle(i)), i).hex().upper()}\r".encode() for i in n
        ), proven=False),
        Stream("text-lines", csv, tuple(f"B,{angle(i)},{i / 8}\n".encode() for i in n), proven=False),
        Stream("text-lines", {"format": "json", "sensor": {"boom": {"angle": "imu.tilt"}}}, tuple(
            f'{{"imu":{{"tilt":{angle(i)}}}}}\r\n'.encode() for i in n
        ), proven=False),
        Stream("text-lines", {"format": "key-value", "checksum": "nmea", "sensor": {"boom": imu}}, tuple(
            sentence(f"ax=0.1 ay={i} az:9.8 gx={angle(i)},gy=1;gz=2") for i in n
        )),
        Stream("modbus-rtu", {"sensor": {"boom": modbus}}, tuple(answer(i) for i in n), asks=True),
    ]  # fmt: skip


STREAMS = {f"{i}-{stream.kind}": stream for i, stream in enumerate(_streams())}
