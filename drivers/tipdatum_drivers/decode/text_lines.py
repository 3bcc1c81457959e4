"""Lines of text from hobby boards and loggers: CSV, JSON or key=value, described by the options.

=========== ============================== =====================================================
format      a line                         a field is
=========== ============================== =====================================================
csv         B,12.50,-3.25                  a number from 1 (any delimiter; blanks may repeat)
json        {"id":"B","acc":[0,0.1,9.8]}   a key, dotted into objects and lists: "acc.0"
key-value   id=B pitch=12.5 roll:-3.25     a key; pairs are parted by blanks, commas, semicolons
=========== ============================== =====================================================

Text carries no proof of its own. A `checksum` (the NMEA one, `*hh` at the end) is the only safe thing on a
long cable; without it the first line after opening is not used, for its beginning may be missing, and what a
lost character does to a number cannot be seen. Source: this project.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from functools import reduce
from operator import xor
from typing import Annotated, Any, Literal, TypeAlias, cast

import orjson
from msgspec.structs import replace
from pydantic import Field as Constraint
from pydantic import model_validator

from tipdatum_drivers.clock_map import ClockMap, EvenSamples
from tipdatum_drivers.decode.framing import Decoder, Delimited, Frame, Item
from tipdatum_drivers.fields import TIME_UNITS, Field, Numbers, SensorFields, reading_maker
from tipdatum_drivers.options import Misfit, Options
from tipdatum_drivers.reading import Fault, Imu, Input, Tilt
from tipdatum_drivers.serial_driver import SerialDriver, SerialOptions

LONGEST = 1000
_PAIR = re.compile(r"([A-Za-z_][\w.]*)\s*[=:]\s*([^\s,;]+)")
_TRUE = frozenset({"1", "true", "on", "high", "closed"})

Row: TypeAlias = "list[str] | dict[str, Any]"


class TextSensor(SensorFields):
    """Fields of one sensor, and which lines are its own."""

    when: str | None = None
    """Only lines whose `id_field` reads so."""


class TextInput(Options):
    """A switch or button: on while its field reads 1, true, on, high or closed."""

    field: Field
    invert: bool = False


class TextLinesOptions(SerialOptions):
    """`kind = "text-lines"`: lines of text, as CSV, JSON or key=value, by their fields."""

    format: Literal["csv", "json", "key-value"] = "csv"
    delimiter: Annotated[str, Constraint(max_length=1)] = ","
    """Of CSV; empty: any run of blanks."""
    prefix: str = ""
    """Only lines that begin so; it is taken off."""
    checksum: Literal["none", "nmea"] = "none"
    id_field: Field | None = None
    time: Field | None = None
    """A stamp of the device, mapped to the service's clock."""
    time_unit: Literal["s", "ms", "us"] = "ms"
    time_bits: Literal[0, 16, 24, 32] = 32
    """Width of the device's counter (of its whole counts), for its wrap; 0: it never wraps."""
    even_hz: Annotated[float, Constraint(gt=0, le=2000)] | None = None
    """Readings a second of each sensor, for a device without a stamp: they are then spaced evenly."""
    sensor: dict[str, TextSensor] = Constraint(default_factory=dict)
    input: dict[str, TextInput] = Constraint(default_factory=dict)

    @model_validator(mode="after")
    def _something_to_read(self) -> TextLinesOptions:
        if not (self.sensor or self.input):
            raise Misfit("sensor", "nothing", "a [driver.sensor.NAME] or [driver.input.NAME] table")
        if self.id_field is None and any(sensor.when is not None for sensor in self.sensor.values()):
            raise Misfit("id_field", "nothing", "the field that a sensor's `when` is compared with")
        if self.time is not None and self.even_hz is not None:
            raise Misfit("even_hz", "time beside it", "one of the two")
        for field in self._fields() if self.format == "csv" else ():
            if not re.fullmatch("-?[1-9][0-9]*", str(field)):
                raise Misfit(
                    "sensor", f'field "{field}"', "numbers of columns from 1, as CSV lines have no names"
                )
        return self

    def _fields(self) -> Iterator[Field]:
        """Every field that the options name."""
        yield from (field for field in (self.id_field, self.time) if field is not None)
        yield from (wired.field for wired in self.input.values())
        for sensor in self.sensor.values():
            groups = (*(sensor.accel or ()), *(sensor.gyro or ()))
            single = (sensor.angle, sensor.pitch, sensor.roll, sensor.temp_c)
            yield from (field for field in (*groups, *single) if field is not None)


class TextLinesDecoder(Decoder):
    """Lines of one device."""

    def __init__(self, options: TextLinesOptions) -> None:
        super().__init__(options.line_of(options.sensor), Delimited(b"\n\r", LONGEST))
        self._options = options
        self._prefix = options.prefix.encode()
        self._split = {"csv": self._csv, "json": _json, "key-value": _pairs}[options.format]
        self._makers = [
            (sensor.when, reading_maker(name, sensor, _number)) for name, sensor in options.sensor.items()
        ]
        self._start_shows = _start_shows(options)
        self._clock = ClockMap(TIME_UNITS[options.time_unit], options.time_bits or None)
        self._count = _number(options.time, 1.0) if options.time is not None else None
        self._even = {
            name: EvenSamples(options.even_hz) for name in options.sensor if options.even_hz is not None
        }

    def lost(self) -> None:
        for even in self._even.values():
            even.restart()

    def frame(self, frame: Frame, t: float) -> Iterable[Item]:
        line = frame.data.strip()
        if not line.startswith(self._prefix):
            return []
        proven = self._options.checksum == "nmea"
        if proven:
            body, _, digits = line.rpartition(b"*")
            # Marks that open a sentence stand outside the sum.
            if digits.upper() != b"%02X" % reduce(xor, body.lstrip(b"$!"), 0):
                return [Fault(t, self.source, "wrong checksum", _shown(line))]
            line = body
        elif not frame.whole and not self._start_shows:
            return []
        source = self.source
        try:
            row = self._split(line[len(self._prefix) :].decode("utf-8"))
            source = self._speaker(row)
            return list(self._readings(row, t))
        except (ValueError, OverflowError):
            return [Fault(t, source, "bad value", _shown(line))]

    def _speaker(self, row: Row) -> str:
        """The sensor whose line this is, the line's name where that does not show."""
        field = self._options.id_field
        who = None if field is None else _text(row, field)
        if who is None:
            return self.source
        return next(
            (name for name, sensor in self._options.sensor.items() if sensor.when == who), self.source
        )

    def _readings(self, row: Row, t: float) -> Iterable[Item]:
        options = self._options
        who = None if options.id_field is None else _text(row, options.id_field)
        count = self._count(row) if self._count is not None else None
        stamp = self._clock.map(count, t) if count is not None else None
        for when, make in self._makers:
            if when is None or when == who:
                reading = make(t, row)
                if isinstance(reading, (Imu, Tilt)):
                    even = self._even.get(reading.sensor)
                    sampled = even.stamp(t) if even is not None else stamp
                    yield reading if sampled is None else replace(reading, t_sample=sampled)
        for name, wired in options.input.items():
            state = _text(row, wired.field)
            if state is not None:
                yield Input(t, name, (state.lower() in _TRUE) != wired.invert)

    def _csv(self, line: str) -> Row:
        cells = line.split(self._options.delimiter or None)
        return [cell.strip() for cell in cells]


def _start_shows(options: TextLinesOptions) -> bool:
    """Whether a line that lacks its beginning cannot be taken for a whole one."""
    if options.format == "json" or (len(options.prefix) >= 2 and not options.prefix[0].isdigit()):
        return True
    marks = [sensor.when or "" for sensor in options.sensor.values()]
    return options.id_field == 1 and bool(marks) and all(mark[:1].isalpha() for mark in marks)


def _json(line: str) -> Row:
    row = orjson.loads(line)
    if not isinstance(row, dict):
        raise ValueError("no object")
    return row


def _pairs(line: str) -> Row:
    return dict(_PAIR.findall(line))


def _cell(row: Row, field: Field) -> Any:
    """The content of a field, None where there is none."""
    if isinstance(row, list):
        index = int(field) - 1
        return row[index] if 0 <= index < len(row) else None
    if field in row:
        return row[str(field)]
    found: Any = row
    for part in str(field).split("."):
        if isinstance(found, dict):
            found = found.get(part)
        elif isinstance(found, list) and part.isdecimal() and int(part) < len(found):
            found = found[int(part)]
        else:
            return None
    return found


def _number(field: Field, scale: float) -> Numbers[Row]:
    def take(row: Row) -> float | None:
        content = _cell(row, field)
        if content is None or content == "":
            return None
        if isinstance(content, (bool, list, dict)):
            raise ValueError("no number")
        value = float(content)
        if not math.isfinite(value):
            raise ValueError("not finite")
        return value * scale

    return take


def _text(row: Row, field: Field) -> str | None:
    content = _cell(row, field)
    if isinstance(content, bool):
        return "true" if content else "false"
    return None if content is None else str(content)


def _shown(data: bytes) -> str:
    return repr(data[:60].decode("utf-8", "replace"))


class TextLinesDriver(SerialDriver):
    """A device that sends lines of text."""

    Options = TextLinesOptions
    usual_bauds = (115200, 9600, 57600, 230400)

    def decoder(self) -> TextLinesDecoder:
        return TextLinesDecoder(cast("TextLinesOptions", self.options))

    def advice(self) -> list[str]:
        bare = cast("TextLinesOptions", self.options).checksum == "none"
        note = "text lines without a checksum: a damaged character may pass as another number"
        return [*super().advice(), *([note] if bare else [])]
