"""Lines of a session file, format version 1: one JSON object a line, UTF-8, in order of `t`.

======== ===========================================================================================
kind     fields
======== ===========================================================================================
session  format "tipdatum-session", version 1, started, machine, comment (first line only)
imu      t, sensor, accel_mps2 [x,y,z]; optional gyro_radps [x,y,z], temp_c, t_sample
tilt     t, sensor, angle_deg, or pitch_deg and roll_deg; optional temp_c, t_sample
slew     t, sensor, angle_deg
beam     t, sensor
input    t, name, on
command  t, name, body
truth    t, tip_m [x,y,z]; optional tip_ground_m, quiet
======== ===========================================================================================

A `kind` that is not in the table is skipped, so that later versions may add some.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import fields
from typing import Any, cast

import orjson

from tipdatum_drivers.errors import SessionError
from tipdatum_drivers.reading import (
    Beam,
    Command,
    Identity,
    Imu,
    Input,
    Record,
    SessionHeader,
    Slew,
    Tilt,
    Truth,
    Vector,
)

FORMAT = "tipdatum-session"
VERSION = 1


class LineError(ValueError):
    """A line that breaks the format: what was found and what was expected."""

    def __init__(self, found: str, expected: str) -> None:
        self.found, self.expected = found, expected
        super().__init__(f"found {found}; expected {expected}")


def decode_header(line: bytes | str) -> SessionHeader:
    """Decode the first line of a session.

    Raises:
        LineError: it is not a session header of this version.
    """
    row = _json_object(line)
    if row.get("kind") != "session":
        raise LineError(f"a first line of kind {_shown(row.get('kind'))}", 'kind "session"')
    if row.get("format") != FORMAT:
        raise LineError(f"format {_shown(row.get('format'))}", f'"{FORMAT}"')
    if row.get("version") != VERSION:
        raise LineError(f"version {_shown(row.get('version'))}", f"version {VERSION}")
    started = row.get("started")
    if not isinstance(started, str):
        raise LineError(f"started = {_shown(started)}", "an RFC 3339 time")
    machine = row.get("machine")
    if not isinstance(machine, dict):
        raise LineError(f"machine = {_shown(machine)}", "the machine description as an object")
    extra = {k: v for k, v in row.items() if k not in _HEADER_KEYS}
    return SessionHeader(VERSION, started, machine, str(row.get("comment") or ""), extra)


def decode_line(line: bytes | str) -> Record | None:
    """Decode one line after the first; None for an empty line or a kind not known.

    Raises:
        LineError: the line is not JSON, or a field is missing, of the wrong type or not finite.
    """
    try:
        row = orjson.loads(line)
        decode = _DECODERS.get(row["kind"])
    except orjson.JSONDecodeError:
        if not line.strip():
            return None
        raise LineError(f"{_shown_line(line)}, which is not JSON", "one JSON object a line") from None
    except (TypeError, KeyError):
        raise LineError(f"{_shown_line(line)} without a kind", 'an object with a "kind"') from None
    return decode(row) if decode else None


def encode_header(header: SessionHeader) -> bytes:
    """The header as a line, newline included."""
    row = {
        "kind": "session",
        "format": FORMAT,
        "version": header.version,
        "started": header.started,
        "machine": header.machine,
        "comment": header.comment,
        **header.extra,
    }
    return orjson.dumps(row, option=orjson.OPT_APPEND_NEWLINE)


def encode_line(record: Record) -> bytes:
    """A record as a line, newline included; fields that are None are left out."""
    row: dict[str, Any] = {"kind": _KINDS[type(record)]}
    for name in _FIELDS[type(record)]:
        value = getattr(record, name)
        if value is not None:
            row[name] = value
    return orjson.dumps(row, option=orjson.OPT_APPEND_NEWLINE)


def header_error(file: str, error: LineError) -> SessionError:
    """`error` as an error that names `file` and its first line."""
    return SessionError(file, 1, error.found, error.expected)


def _json_object(line: bytes | str) -> dict[str, Any]:
    try:
        row = orjson.loads(line)
    except orjson.JSONDecodeError:
        raise LineError(f"{_shown_line(line)}, which is not JSON", "one JSON object a line") from None
    if not isinstance(row, dict):
        raise LineError(_shown_line(line), "a JSON object")
    return cast("dict[str, Any]", row)


def _shown(value: object) -> str:
    text = repr(value) if value is not None else "nothing"
    return text if len(text) <= 60 else text[:57] + "..."


def _shown_line(line: bytes | str) -> str:
    text = line.decode("utf-8", "replace") if isinstance(line, bytes) else line
    return _shown(text.strip())


def _number(row: dict[str, Any], key: str) -> float:
    value = row.get(key)
    if type(value) is float and value - value == 0.0:
        return value
    if isinstance(value, (float, int)) and not isinstance(value, bool) and math.isfinite(value):
        return float(value)
    raise LineError(f"{key} = {_shown(value)}", f"{key} as a finite number")


def _optional_number(row: dict[str, Any], key: str) -> float | None:
    return None if row.get(key) is None else _number(row, key)


def _text(row: dict[str, Any], key: str) -> str:
    value = row.get(key)
    if isinstance(value, str) and value:
        return value
    raise LineError(f"{key} = {_shown(value)}", f"{key} as a text")


def _vector(row: dict[str, Any], key: str) -> Vector:
    value = row.get(key)
    try:
        x, y, z = value  # type: ignore[misc]
        # One comparison settles finiteness: the product with 0 is NaN for anything else.
        if type(x) is float and type(y) is float and type(z) is float and (x + y + z) * 0.0 == 0.0:
            return (x, y, z)
        if not any(isinstance(v, (bool, str)) for v in (x, y, z)) and all(map(math.isfinite, (x, y, z))):
            return (float(x), float(y), float(z))
    except (TypeError, ValueError):
        pass
    raise LineError(f"{key} = {_shown(value)}", f"{key} as three finite numbers")


def _imu(row: dict[str, Any]) -> Imu:
    if len(row) == 5:
        # Nearly every line of a session is one of these; one look at all its fields settles what they are.
        try:
            t, sensor = row["t"], row["sensor"]
            (x, y, z), (p, q, r) = row["accel_mps2"], row["gyro_radps"]
            floats = type(t) is type(x) is type(y) is type(z) is type(p) is type(q) is type(r) is float
            if floats and (t + x + y + z + p + q + r) * 0.0 == 0.0 and type(sensor) is str and sensor:
                return Imu(t, sensor, (x, y, z), (p, q, r))
        except (KeyError, TypeError, ValueError):
            pass
    return Imu(
        _number(row, "t"),
        _text(row, "sensor"),
        _vector(row, "accel_mps2"),
        _vector(row, "gyro_radps") if row.get("gyro_radps") is not None else None,
        _optional_number(row, "temp_c"),
        _optional_number(row, "t_sample"),
    )


def _tilt(row: dict[str, Any]) -> Tilt:
    tilt = Tilt(
        _number(row, "t"),
        _text(row, "sensor"),
        _optional_number(row, "angle_deg"),
        _optional_number(row, "pitch_deg"),
        _optional_number(row, "roll_deg"),
        _optional_number(row, "temp_c"),
        _optional_number(row, "t_sample"),
    )
    single = tilt.angle_deg is not None
    dual = tilt.pitch_deg is not None and tilt.roll_deg is not None
    if single == dual:
        raise LineError(_shown(row), "angle_deg, or pitch_deg and roll_deg")
    return tilt


def _slew(row: dict[str, Any]) -> Slew:
    return Slew(_number(row, "t"), _text(row, "sensor"), _number(row, "angle_deg"))


def _beam(row: dict[str, Any]) -> Beam:
    return Beam(_number(row, "t"), _text(row, "sensor"))


def _input(row: dict[str, Any]) -> Input:
    on = row.get("on")
    if not isinstance(on, bool):
        raise LineError(f"on = {_shown(on)}", "on as true or false")
    return Input(_number(row, "t"), _text(row, "name"), on)


def _identity(row: dict[str, Any]) -> Identity:
    return Identity(_number(row, "t"), _text(row, "sensor"), _text(row, "serial"))


def _command(row: dict[str, Any]) -> Command:
    body = row.get("body")
    if body is None:
        body = {}
    if not isinstance(body, dict):
        raise LineError(f"body = {_shown(body)}", "body as an object")
    return Command(_number(row, "t"), _text(row, "name"), body)


def _truth(row: dict[str, Any]) -> Truth:
    quiet = row.get("quiet")
    if quiet is not None and not isinstance(quiet, bool):
        raise LineError(f"quiet = {_shown(quiet)}", "quiet as true or false")
    ground = _vector(row, "tip_ground_m") if row.get("tip_ground_m") is not None else None
    return Truth(_number(row, "t"), _vector(row, "tip_m"), ground, quiet)


_HEADER_KEYS = frozenset({"kind", "format", "version", "started", "machine", "comment"})
_DECODERS: dict[str, Callable[[dict[str, Any]], Record]] = {
    "imu": _imu,
    "tilt": _tilt,
    "slew": _slew,
    "beam": _beam,
    "input": _input,
    "identity": _identity,
    "command": _command,
    "truth": _truth,
}
_KINDS: dict[type, str] = {
    Imu: "imu",
    Tilt: "tilt",
    Slew: "slew",
    Beam: "beam",
    Input: "input",
    Identity: "identity",
    Command: "command",
    Truth: "truth",
}
_FIELDS = {kind: tuple(field.name for field in fields(kind)) for kind in _KINDS}
