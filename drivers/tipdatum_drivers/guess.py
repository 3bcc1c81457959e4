"""What format is this? From some bytes of an unknown line to the driver that understands them.

A format that proves itself (checksums, CRCs, strict frames) is known by the pieces that are whole, however
much else is damaged: a line with half its sentences spoilt is named, with that share. Text, which proves
nothing, comes last and must be mostly whole. A guess says what it saw, how much of it is intact, and the
options that would read it; where only a person knows, the keys that are missing.
"""

from __future__ import annotations

import re
import zlib
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import reduce
from operator import xor
from typing import Any, TypeAlias

import orjson

from tipdatum_drivers.decode.framing import Delimited, FixedLength, Frame
from tipdatum_drivers.decode.imu55 import ACCELERATION, ANGLE, LENGTH, RATE, START, sum_is_right
from tipdatum_drivers.decode.packets import LONGEST, cobs_decoded
from tipdatum_drivers.decode.slcan import SSI, SSI2
from tipdatum_drivers.source import Guess

__all__ = ["USUAL_BAUDS", "Attempt", "Guess", "guess"]

LEAST_INTACT = 0.6
"""Part of the lines that a guess of a format without proof must explain."""
LEAST_PROVEN = 0.05
"""Part of the pieces of a format with proof that must be whole; less is chance or cross-talk."""
LEAST_PROOFS = 3
USUAL_BAUDS = (115200, 9600, 230400, 460800, 921600, 57600, 38400, 19200, 4800)
"""Rates worth trying, the most usual first."""

Attempt: TypeAlias = Callable[[bytes], Guess | None]

_CAN = re.compile(rb"(?:t([0-9A-Fa-f]{3})|T([0-9A-Fa-f]{8}))([0-8])((?:[0-9A-Fa-f]{2})*)")
_PAIR = re.compile(r"([A-Za-z_][\w.]*)\s*[=:]\s*([^\s,;]+)")
_ROWS = {1: 13, 2: 9, 3: 5}
_PRINTABLE = frozenset(range(32, 127)) | {9}


def guess(data: bytes, more: Iterable[Attempt] = ()) -> Guess | None:
    """The best explanation of `data`, None where there is none.

    Args:
        more: attempts beside our own, such as those of drivers from other packages; one that raises is passed
            over.
    """
    found = []
    for attempt in (*_ATTEMPTS, *more):
        try:
            made = attempt(data) if data else None
        except Exception:  # another package's mistake is no reason to hear nothing
            continue
        if made is not None and made.share >= (LEAST_PROVEN if made.proven else LEAST_INTACT):
            found.append(made)
    return max(found, key=lambda made: (made.proven, made.share), default=None)


def _imu55(data: bytes) -> Guess | None:
    cutter = FixedLength(START, LENGTH, sum_is_right)
    kinds = Counter(piece.data[1] for piece in cutter.cut(data) if isinstance(piece, Frame))
    if sum(kinds.values()) < LEAST_PROOFS:
        return None
    content = "imu" if kinds[ACCELERATION] and kinds[RATE] else "accel" if kinds[ACCELERATION] else "angles"
    if content == "angles" and not kinds[ANGLE]:
        return None
    told = {ACCELERATION: "acceleration", RATE: "rate", ANGLE: "angles"}
    words = "0x55 IMU module: " + ", ".join(told[kind] for kind in told if kinds[kind])
    return Guess(
        "imu-55",
        min(1.0, LENGTH * sum(kinds.values()) / len(data)),
        words,
        {"sensor": "device", "content": content},
        missing=("even_hz = 100  # if the module is set so: takes out the timing of the USB adapter",),
        proven=True,
    )


def _packets(data: bytes) -> Guess | None:
    ids: set[int] = set()
    slews: set[int] = set()
    whole = pieces = 0
    inputs = False
    for piece in Delimited(b"\0", LONGEST).cut(data):
        pieces += 1
        packet = cobs_decoded(piece.data) if isinstance(piece, Frame) else None
        if packet is None or len(packet) < 7 or zlib.crc32(packet[:-4]).to_bytes(4, "little") != packet[-4:]:
            continue
        whole += 1
        inputs = inputs or packet[0] == 4
        if packet[0] in _ROWS:
            (slews if packet[0] == 3 else ids).update(packet[6 : -4 : _ROWS[packet[0]]])
    if whole < 2:
        return None
    words = f"packets of own firmware, sensor ids {', '.join(map(str, sorted(ids | slews))) or 'none yet'}"
    options = {"sensor": {f"id {n}": n for n in sorted(ids | slews)}}
    missing = []
    if not options["sensor"]:
        missing.append("sensor = { boom = 1 }  # name in the machine file = id in the packets")
    if slews:
        missing.append(f"slew = {{ house = {min(slews)} }}  # instead of a sensor, if it is a slew encoder")
    if inputs:
        missing.append("input = { travel = 0 }  # name = bit; switches come too")
    # The first piece may lack its beginning.
    share = min(1.0, whole / max(1, pieces - 1))
    return Guess("packets", share, words, options, bool(options["sensor"]), tuple(missing), proven=True)


def _nmea(data: bytes) -> Guess | None:
    names: list[str] = []
    talkers: Counter[str] = Counter()
    lines = _lines(data)
    for line in lines:
        parts = line.partition(b"*")[0].decode("ascii", "replace").lstrip("$").split(",")
        if not _has_sum(line) or not re.fullmatch("[A-Z][A-Z0-9]{4,}", parts[0]):
            continue
        talkers[parts[0]] += 1
        if parts[0][2:] == "XDR":
            angles = [parts[i + 3] for i in range(1, len(parts) - 3, 4) if parts[i] == "A"]
            names += [name for name in angles if name not in names]
    if not talkers:
        return None
    words = "NMEA 0183: " + ", ".join(f"{n} {talker}" for talker, n in talkers.most_common(6))
    share = talkers.total() / len(lines)
    proven = talkers.total() >= LEAST_PROOFS
    pitch = next((name for name in names if name.upper().startswith(("PTCH", "PITCH"))), None)
    roll = next((name for name in names if name.upper().startswith(("ROLL", "HEEL"))), None)
    if pitch is None or roll is None:
        words += f"; angles {', '.join(names) or 'none'}"
        some = [*names, "PTCH", "ROLL"]
        missing = (
            "[driver.sensor.upper]  # a table for each sensor: the transducers' names for its angles",
            f'pitch = "{some[0]}"',
            f'roll = "{some[1]}"',
        )
        return Guess("nmea-xdr", share, words, {}, False, missing, proven)
    options = {"sensor": {"device": {"pitch": pitch, "roll": roll}}}
    return Guess("nmea-xdr", share, words, options, proven=proven)


def _slcan(data: bytes) -> Guess | None:
    sensors: dict[str, dict[str, Any]] = {}
    lines = [line for line in re.split(rb"[\r\a\n]+", data) if line[:1] in (b"t", b"T")]
    count = 0
    for line in lines:
        match = _CAN.fullmatch(line)
        if match is None or len(match[4]) not in (2 * int(match[3]), 2 * int(match[3]) + 4):
            continue
        count += 1
        if match[1]:
            identifier, size = int(match[1], 16), int(match[3])
            if identifier & 0x780 == 0x180 and size in (2, 4, 8):
                node = identifier & 0x7F
                shape = {2: {"single_axis": True}, 8: {"wide": True}}.get(size, {})
                known = {"protocol": "cia410", "address": node, "resolution_deg": 0.01}
                sensors[f"node {node}"] = {**known, **shape}
        elif int(match[2], 16) >> 8 & 0x3FFFF in (SSI, SSI2):
            source = int(match[2], 16) & 0xFF
            sensors[f"source {source}"] = {"protocol": "j1939", "address": source}
    if count < LEAST_PROOFS:
        return None
    words = f"SLCAN: {count} CAN frames, inclinometers: {', '.join(sensors) or 'none'}"
    missing: tuple[str, ...] = ()
    if not sensors:
        missing = ("[driver.sensor.boom]", 'protocol = "cia410"  # or "j1939"', "address = 10")
    share = count / max(len(lines), len(_lines(data)) // 2)
    options = {"bitrate_kbps": 250, "sensor": sensors}
    return Guess("slcan", min(1.0, share), words, options, bool(sensors), missing, proven=True)


def _text(data: bytes) -> Guess | None:
    lines = _lines(data)
    plain = [line for line in lines if _PRINTABLE.issuperset(line)]
    if len(plain) < 2:
        return None
    summed = [line for line in plain if _has_sum(line)]
    proven = len(summed) >= LEAST_PROOFS and len(summed) > 0.2 * len(plain)
    text = [(line.rpartition(b"*")[0] if proven else line).decode() for line in (summed if proven else plain)]
    more = {"checksum": "nmea"} if proven else {}
    for attempt in (_json_lines, _pair_lines, _column_lines):
        made = attempt(text)
        if made is not None:
            share = made.share * len(text) / len(lines)
            return replace(made, share=share, options={**made.options, **more}, proven=proven)
    return None


def _json_lines(lines: list[str]) -> Guess | None:
    rows = [row for line in lines if isinstance(row := _loaded(line), dict)]
    if not rows:
        return None
    share = len(rows) / len(lines)
    words = f"lines of JSON, such as {max(lines, key=len)[:60]}"
    return Guess("text-lines", share, words, {"format": "json"}, False, _which(list(_keys(rows[-1]))))


def _pair_lines(lines: list[str]) -> Guess | None:
    shapes = [tuple(name for name, _ in _PAIR.findall(line)) for line in lines]
    shape, count = Counter(shapes).most_common(1)[0]
    if not shape:
        return None
    share = count / len(lines)
    words = f"lines of pairs, such as {lines[shapes.index(shape)][:60]}"
    return Guess(
        "text-lines", share, words, {"format": "key-value"}, False, _which([f'"{n}"' for n in shape])
    )


def _column_lines(lines: list[str]) -> Guess | None:
    best: Guess | None = None
    for delimiter in (",", ";", "\t", ""):
        rows = [line.split(delimiter or None) for line in lines]
        good = [row for row in rows if len(row) > 1 and sum(map(_is_number, row)) > len(row) / 2]
        if not good:
            continue
        width, count = Counter(map(len, good)).most_common(1)[0]
        share = count / len(lines)
        sample = next(
            line for line, row in zip(lines, rows, strict=True) if row in good and len(row) == width
        )
        if best is None or share > best.share:
            numbered = [
                str(n) for n, cell in enumerate(sample.split(delimiter or None), 1) if _is_number(cell)
            ]
            words = f"lines of {width} columns, such as {sample[:60]}"
            options = {"format": "csv", "delimiter": delimiter}
            best = Guess("text-lines", share, words, options, False, _which(numbered))
    return best


def _which(fields: list[str]) -> tuple[str, ...]:
    """The keys that only a person can fill in, with fields that there are."""
    first, second = (fields * 2)[:2] if fields else ("1", "2")
    triple = ", ".join(fields[:3]) if len(fields) > 2 else "1, 2, 3"
    return (
        "[driver.sensor.boom]  # a table for each sensor; say which field is which:",
        f"pitch = {first}  # degrees, x axis up positive; with roll",
        f"roll = {second}",
        f"angle = {first}  # or instead: one angle all round",
        f'accel = [{triple}]  # or instead: an IMU, with accel_unit = "g", gyro = […], gyro_unit = "degps"',
    )


def _keys(row: dict[str, Any], before: str = "") -> Iterable[str]:
    """The dotted names of all numbers in an object."""
    for key, value in row.items():
        if isinstance(value, dict):
            yield from _keys(value, f"{before}{key}.")
        elif isinstance(value, list):
            yield from (
                f'"{before}{key}.{i}"' for i, one in enumerate(value) if isinstance(one, (int, float))
            )
        elif isinstance(value, (int, float)) and not isinstance(value, bool):
            yield f'"{before}{key}"'


def _lines(data: bytes) -> list[bytes]:
    """The lines without the ends, which may be cut, as far as there are others."""
    lines = [line.strip() for line in re.split(rb"[\r\n]+", data)]
    return [line for line in lines[1:-1] if line] or [line for line in lines if line] or [b""]


def _has_sum(line: bytes) -> bool:
    """Whether a line ends with NMEA's checksum, and it is right."""
    body, star, digits = line.lstrip(b"$").rpartition(b"*")
    return bool(star) and digits.upper() == b"%02X" % reduce(xor, body, 0)


def _loaded(line: str) -> Any:
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


_ATTEMPTS: tuple[Attempt, ...] = (_imu55, _packets, _nmea, _slcan, _text)
