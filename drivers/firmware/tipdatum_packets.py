"""Sends readings as tipdatum packets from MicroPython (see packet.md).

packets = Packets(machine.UART(0, 115200).write)
packets.hello(1, "A1207")                      # at the start and every few seconds
packets.imu(time.ticks_us(), [(1, (ax, ay, az), (gx, gy, gz))])      # m/s2 and rad/s
"""

import struct
from binascii import crc32


class Packets:
    """Packets of one microcontroller; `write` takes the bytes.

    MicroPython's `time.ticks_us` wraps earlier than 32 bits (at 2**30 on most ports): set `ticks_bits`
    to match, or pass a count that wraps at 32 bits. A count a little behind the one before, as of another
    sensor's sample, is taken as such and not as a wrap.
    """

    def __init__(self, write, ticks_bits=32):
        self._write = write
        self._sequence = 0
        self._half = 1 << (ticks_bits - 1)
        self._time_us = None

    def imu(self, ticks, sensors):
        """Sensors: list of (id, accel m/s2, gyro rad/s)."""
        body = self._time(ticks)
        for number, accel, gyro in sensors:
            values = [_scaled(v, 0.005) for v in accel] + [_scaled(v, 0.00125) for v in gyro]
            body += struct.pack("<B6h", number, *values)
        self._send(1, body)

    def tilt(self, ticks, sensors):
        """Sensors: list of (id, pitch degrees, roll degrees)."""
        body = self._time(ticks)
        for number, pitch, roll in sensors:
            body += struct.pack("<Bii", number, round(pitch * 1000), round(roll * 1000))
        self._send(2, body)

    def angle(self, ticks, sensors):
        """Sensors: list of (id, degrees) of single-axis parts and encoders."""
        body = self._time(ticks)
        for number, degrees in sensors:
            body += struct.pack("<Bi", number, round(degrees * 1000))
        self._send(3, body)

    def inputs(self, ticks, states):
        """States of up to eight switches, bit 0 first."""
        self._send(4, self._time(ticks) + bytes((states,)))

    def warmth(self, sensors):
        """Sensors: list of (id, °C); once a second is enough."""
        self._send(5, b"".join(struct.pack("<Bh", number, round(c * 100)) for number, c in sensors))

    def hello(self, number, serial):
        """Tells the serial number of a sensor."""
        self._send(6, bytes((number,)) + serial.encode())

    def _time(self, ticks):
        if self._time_us is None:
            self._time_us = ticks
        half = self._half
        forward = ((ticks - self._time_us + half) & (2 * half - 1)) - half
        self._time_us = (self._time_us + forward) & 0xFFFFFFFF
        return struct.pack("<I", self._time_us)

    def _send(self, kind, body):
        content = bytes((kind, self._sequence)) + body
        self._sequence = (self._sequence + 1) & 0xFF
        content += struct.pack("<I", crc32(content) & 0xFFFFFFFF)
        # COBS: every zero becomes the distance to the next one; packets stay shorter than 254 bytes.
        pieces = content.split(b"\0")
        self._write(b"".join(bytes((len(piece) + 1,)) + piece for piece in pieces) + b"\0")


def _scaled(value, lsb):
    return max(-32768, min(32767, round(value / lsb)))
