"""Lines of a session file, format version 1: one JSON object a line, UTF-8, in order of `t`.

======== ===========================================================================================
kind     fields
======== ===========================================================================================
session  format "tipdatum-session", version 1, started, machine, comment (first line only)
imu      t, sensor, accel_mps2 [x,y,z]; optional gyro_radps [x,y,z], temp_c, t_sample
tilt     t, sensor, angle_deg, or pitch_deg and roll_deg; optional temp_c, t_sample
slew     t, sensor, angle_deg
beam     t, sensor; optional t_sample
input    t, name, on; optional t_sample
command  t, name, body
truth    t, tip_m [x,y,z]; optional tip_ground_m, quiet, left_m, right_m, swing_deg, tilt_deg
======== ===========================================================================================

A `kind` that is not in the table is skipped, so that later versions may add some.
"""

from __future__ import annotations

from typing import Any, Final, get_args

import msgspec
from msgspec import DecodeError, ValidationError, convert
from msgspec.structs import fields

from tipdatum_drivers.errors import SessionError, no_utf8
from tipdatum_drivers.reading import Command, Record, SessionHeader, Tilt

FORMAT = "tipdatum-session"
VERSION: Final = 1


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
        record = _DECODER.decode(line)
    except (DecodeError, RecursionError, UnicodeDecodeError):
        found = _looked_at(line)
        if found is None:
            return None
        record = found
    if type(record) is Tilt:
        _check_tilt(record, line)
    return record


def decode_lines(text: bytes) -> list[Record] | None:
    """Decode whole lines at once; None where one is not plainly a record and wants `decode_line`."""
    try:
        records = _DECODER.decode_lines(text)
    except (DecodeError, RecursionError, UnicodeDecodeError):
        return None
    of_each_line = len(records) == text.count(b"\n") + (not text.endswith(b"\n"))
    plain = of_each_line and all(type(one) is not Tilt or _tells_angles(one) for one in records)
    return records if plain else None


def _looked_at(line: bytes | str) -> Record | None:
    """A line that is not plainly one of the known kinds, field by field."""
    if not line.strip():
        return None
    row = _json(line)
    kind = row.get("kind") if isinstance(row, dict) else None
    if not isinstance(kind, str):
        raise LineError(f"{_shown_line(line)} without a kind", 'an object with a "kind"')
    model = _MODELS.get(kind)
    if model is None:
        return None
    if model is Command and row.get("body") is None:
        row["body"] = {}
    for part in fields(model):
        value = row.get(part.name)
        if value is None and not part.required:
            continue
        try:
            convert(value, part.type)
        except ValidationError:
            raise LineError(f"{part.name} = {_shown(value)}", f"{part.name} {_EXPECTED[part.name]}") from None
    return convert(row, model)


def _check_tilt(tilt: Tilt, line: bytes | str) -> None:
    if not _tells_angles(tilt):
        raise LineError(_shown_line(line), "angle_deg, or pitch_deg and roll_deg")


def _tells_angles(tilt: Tilt) -> bool:
    """Whether an inclinometer tells its one angle, or both."""
    return (tilt.angle_deg is not None) != (tilt.pitch_deg is not None and tilt.roll_deg is not None)


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
    return _ENCODER.encode(row) + b"\n"


def encode_line(record: Record) -> bytes:
    """A record as a line, newline included; fields that are None are left out."""
    return _ENCODER.encode(record) + b"\n"


def header_error(file: str, error: LineError) -> SessionError:
    """`error` as an error that names `file` and its first line."""
    return SessionError(file, 1, error.found, error.expected)


def _json(line: bytes | str) -> Any:
    try:
        if isinstance(line, bytes):
            line.decode()
    except UnicodeDecodeError as error:
        raise LineError(no_utf8(error), "text in UTF-8") from None
    try:
        return msgspec.json.decode(line)
    except (DecodeError, RecursionError, UnicodeDecodeError):
        raise LineError(f"{_shown_line(line)}, which is not JSON", "one JSON object a line") from None


def _json_object(line: bytes | str) -> dict[str, Any]:
    row = _json(line)
    if not isinstance(row, dict):
        raise LineError(_shown_line(line), "a JSON object")
    return row


def _shown(value: object) -> str:
    text = repr(value) if value is not None else "nothing"
    return text if len(text) <= 60 else text[:57] + "..."


def _shown_line(line: bytes | str) -> str:
    text = line.decode("utf-8", "replace") if isinstance(line, bytes) else line
    return _shown(text.strip())


_HEADER_KEYS = frozenset({"kind", "format", "version", "started", "machine", "comment"})
_MODELS: dict[str, type[Record]] = {str(kind.__struct_config__.tag): kind for kind in get_args(Record)}
_DECODER: msgspec.json.Decoder[Record] = msgspec.json.Decoder(Record)
_ENCODER = msgspec.json.Encoder()
_FINITE, _VECTOR, _TEXT, _YES_OR_NO = (
    "as a finite number", "as three finite numbers", "as a text", "as true or false",
)  # fmt: skip
_EXPECTED = {
    **dict.fromkeys(("t", "angle_deg", "pitch_deg", "roll_deg", "temp_c", "t_sample"), _FINITE),
    **dict.fromkeys(("swing_deg", "tilt_deg"), _FINITE),
    **dict.fromkeys(("accel_mps2", "gyro_radps", "tip_m", "tip_ground_m", "left_m", "right_m"), _VECTOR),
    **dict.fromkeys(("sensor", "name", "serial"), _TEXT),
    **dict.fromkeys(("on", "quiet"), _YES_OR_NO),
    "body": "as an object",
}
"""Field → what was expected of it, in words."""
