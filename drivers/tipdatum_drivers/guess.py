"""What format is this? From some bytes of an unknown line to the driver that understands them.

Every format that proves itself (checksums, CRCs) is tried by its own rules; text comes last. A guess says how
much of what came it explains, which devices it saw, and the options that would read them.
"""

from __future__ import annotations

import re
import zlib
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import reduce
from operator import xor
from typing import Any

import orjson

from tipdatum_drivers.decode.framing import Delimited, FixedLength, Frame
from tipdatum_drivers.decode.imu55 import ACCELERATION, ANGLE, LENGTH, RATE, START, sum_is_right
from tipdatum_drivers.decode.packets import LONGEST, cobs_decoded
from tipdatum_drivers.decode.slcan import SSI, SSI2

LEAST_SHARE = 0.5
"""Part of the bytes that a guess must explain; a line may carry other things beside."""
USUAL_BAUDS = (115200, 9600, 230400, 460800, 921600, 57600, 38400, 19200, 4800)
"""Rates worth trying, the most usual first."""

_CAN = re.compile(rb"(?:t([0-9A-Fa-f]{3})|T([0-9A-Fa-f]{8}))([0-8])((?:[0-9A-Fa-f]{2})*)")
_ROWS = {1: 13, 2: 9, 3: 5}


@dataclass(frozen=True)
class Guess:
    """A driver that may understand the line."""

    kind: str
    share: float
    """Part of the bytes that it explains, 0 to 1."""
    words: str
    options: dict[str, Any] = field(default_factory=dict)
    """Options that read what was seen, under made-up names; without the port."""
    complete: bool = True
    """Whether the options are enough to read it; text needs a person to say what the numbers are."""


def guess(data: bytes) -> Guess | None:
    """The best explanation of `data`, None where there is none."""
    found = [made for attempt in _ATTEMPTS if (made := attempt(data)) is not None]
    best = max(found, key=lambda made: made.share, default=None)
    return best if best is not None and best.share >= LEAST_SHARE else None


def _imu55(data: bytes) -> Guess | None:
    cutter = FixedLength(START, LENGTH, sum_is_right)
    kinds = Counter(piece.data[1] for piece in cutter.cut(data) if isinstance(piece, Frame))
    if sum(kinds.values()) < 3:
        return None
    content = "imu" if kinds[ACCELERATION] and kinds[RATE] else "accel" if kinds[ACCELERATION] else "angles"
    if content == "angles" and not kinds[ANGLE]:
        return None
    told = {ACCELERATION: "acceleration", RATE: "rate", ANGLE: "angles"}
    words = "0x55 IMU module: " + ", ".join(told[kind] for kind in told if kinds[kind])
    options = {"sensor": "device", "content": content}
    return Guess("imu-55", LENGTH * sum(kinds.values()) / len(data), words, options)


def _packets(data: bytes) -> Guess | None:
    ids: set[int] = set()
    explained = count = 0
    for piece in Delimited(b"\0", LONGEST).cut(data):
        packet = cobs_decoded(piece.data) if isinstance(piece, Frame) else None
        if packet is None or len(packet) < 7:
            continue
        if zlib.crc32(packet[:-4]).to_bytes(4, "little") != packet[-4:]:
            continue
        assert isinstance(piece, Frame)
        count += 1
        explained += len(piece.data) + 1
        if packet[0] in _ROWS:
            ids.update(packet[6 : -4 : _ROWS[packet[0]]])
    if count < 2:
        return None
    words = f"packets of own firmware, sensor ids {', '.join(map(str, sorted(ids))) or 'none yet'}"
    return Guess(
        "packets", explained / len(data), words, {"sensor": {f"id {n}": n for n in sorted(ids)}}, bool(ids)
    )


def _nmea(data: bytes) -> Guess | None:
    names: list[str] = []
    talkers: Counter[str] = Counter()
    explained = 0
    for line in re.split(rb"[\r\n]+", data):
        parts = line.partition(b"*")[0].decode("ascii", "replace").lstrip("$").split(",")
        if not _has_sum(line) or not re.fullmatch("[A-Z][A-Z0-9]{4,}", parts[0]):
            continue
        explained += len(line) + 2
        talkers[parts[0]] += 1
        if parts[0][2:] == "XDR":
            angles = [parts[i + 3] for i in range(1, len(parts) - 3, 4) if parts[i] == "A"]
            names += [name for name in angles if name not in names]
    if not explained:
        return None
    words = "NMEA 0183: " + ", ".join(f"{n} {talker}" for talker, n in talkers.most_common(6))
    share = min(1.0, explained / len(data))
    pitch = next((name for name in names if name.upper().startswith(("PTCH", "PITCH"))), None)
    roll = next((name for name in names if name.upper().startswith(("ROLL", "HEEL"))), None)
    if pitch is None or roll is None:
        return Guess("nmea-xdr", share, f"{words}; angles {', '.join(names) or 'none'}", {}, complete=False)
    return Guess("nmea-xdr", share, words, {"sensor": {"device": {"pitch": pitch, "roll": roll}}})


def _slcan(data: bytes) -> Guess | None:
    sensors: dict[str, dict[str, Any]] = {}
    explained = count = 0
    for line in data.split(b"\r"):
        match = _CAN.fullmatch(line)
        if match is None or len(match[4]) not in (2 * int(match[3]), 2 * int(match[3]) + 4):
            continue
        count += 1
        explained += len(line) + 1
        if match[1]:
            identifier = int(match[1], 16)
            if identifier & 0x780 == 0x180:
                node = identifier & 0x7F
                sensors[f"node {node}"] = {"protocol": "cia410", "address": node}
        elif int(match[2], 16) >> 8 & 0x3FFFF in (SSI, SSI2):
            source = int(match[2], 16) & 0xFF
            sensors[f"source {source}"] = {"protocol": "j1939", "address": source}
    if count < 2:
        return None
    words = f"SLCAN: {count} CAN frames, inclinometers: {', '.join(sensors) or 'none'}"
    return Guess("slcan", min(1.0, explained / len(data)), words, {"sensor": sensors}, bool(sensors))


def _text(data: bytes) -> Guess | None:
    lines = [line.strip() for line in re.split(rb"[\r\n]+", data)][1:-1]  # the ends may be cut
    if len(lines) < 2 or sum(byte in _PRINTABLE for byte in data) < 0.98 * len(data):
        return None
    sample = max(lines, key=len).decode("utf-8", "replace")
    proven = {"checksum": "nmea"} if all(map(_has_sum, lines)) else {}
    if all(isinstance(_loaded(line), dict) for line in lines):
        return Guess(
            "text-lines",
            0.9,
            f"lines of JSON, such as {sample[:60]}",
            {"format": "json", **proven},
            complete=False,
        )
    pairs = re.findall(r"[A-Za-z_][\w.]*\s*[=:]\s*[^\s,;]+", sample)
    if pairs:
        return Guess(
            "text-lines",
            0.8,
            f"lines of pairs, such as {sample[:60]}",
            {"format": "key-value"},
            complete=False,
        )
    for delimiter in (",", ";", "\t", ""):
        cells = sample.split(delimiter or None)
        if len(cells) > 1 and sum(map(_is_number, cells)) > len(cells) / 2:
            words = f"lines of {len(cells)} columns, such as {sample[:60]}"
            return Guess(
                "text-lines", 0.8, words, {"format": "csv", "delimiter": delimiter, **proven}, complete=False
            )
    return None


def _has_sum(line: bytes) -> bool:
    """Whether a line ends with NMEA's checksum, and it is right."""
    body, star, digits = line.lstrip(b"$").rpartition(b"*")
    return bool(star) and digits.upper() == b"%02X" % reduce(xor, body, 0)


def _loaded(line: bytes) -> Any:
    try:
        return orjson.loads(line)
    except orjson.JSONDecodeError:
        return None


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


_PRINTABLE = frozenset(range(32, 127)) | {9, 10, 13}
_ATTEMPTS: tuple[Callable[[bytes], Guess | None], ...] = (_imu55, _packets, _nmea, _slcan, _text)
