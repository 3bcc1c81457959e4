"""Long CSV logs of other programs, read as records by a mapping of columns.

One row may hold several sensors; every sensor that the mapping names becomes one reading a row. A cell that
is empty leaves that reading out. Times are taken as they are, less the first one.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from tipdatum_drivers.errors import SessionError
from tipdatum_drivers.options import Options
from tipdatum_drivers.reading import Imu, Reading, Tilt

G = 9.80665
_ACCEL = {"mps2": 1.0, "g": G, "mg": G / 1000.0}
_GYRO = {"radps": 1.0, "degps": math.pi / 180.0}
_ANGLE = {"deg": 1.0, "rad": 180.0 / math.pi}

Column = str | int
"""A column by the name in the heading, or by number from 1 in a log without one."""


class SensorColumns(Options):
    """Columns of one sensor: an IMU's (`accel`, `gyro`) or an inclinometer's (`angle`, or `pitch`, `roll`).

    A column name with a leading minus, such as "-ax", turns the sign round.
    """

    accel: tuple[Column, Column, Column] | None = None
    accel_unit: Literal["mps2", "g", "mg"] = "mps2"
    gyro: tuple[Column, Column, Column] | None = None
    gyro_unit: Literal["radps", "degps"] = "radps"
    angle: Column | None = None
    pitch: Column | None = None
    roll: Column | None = None
    angle_unit: Literal["deg", "rad"] = "deg"
    temp_c: Column | None = None

    @model_validator(mode="after")
    def _one_kind(self) -> SensorColumns:
        kinds = [
            self.accel is not None,
            self.angle is not None,
            self.pitch is not None and self.roll is not None,
        ]
        if sum(kinds) != 1:
            raise ValueError("columns for accel (and gyro), or for angle, or for pitch and roll")
        return self


class CsvColumns(Options):
    """How a CSV log is read."""

    time: Column
    time_unit: Literal["s", "ms", "us"] = "s"
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] = ","
    decimal_comma: bool = False
    heading: bool = True
    """Whether the first row names the columns."""
    sensor: Annotated[dict[str, SensorColumns], Field(min_length=1)]
    """Name of the machine's sensor → its columns."""


class CsvFile:
    """A CSV log: its readings when iterated, `t` from 0.

    Raises:
        SessionError: the file cannot be read, or a column is not in its heading.
    """

    def __init__(self, path: Path | str, columns: CsvColumns) -> None:
        self.path, self.name, self.columns = Path(path), str(path), columns
        rows = self._rows()
        first = next(rows, None)
        if first is None:
            raise SessionError(self.name, 0, "an empty file", "rows of numbers")
        self._heading = [cell.strip() for cell in first[1]] if columns.heading else None
        self._width = len(first[1])
        self._time = self._cell(columns.time, {"s": 1.0, "ms": 1e-3, "us": 1e-6}[columns.time_unit])
        self._sensors = [self._reader(name, sensor) for name, sensor in columns.sensor.items()]

    def __iter__(self) -> Iterator[Reading]:
        return self.records()

    def records(self) -> Iterator[Reading]:
        """Readings in order of `t`, in seconds from the first row.

        Raises:
            SessionError: a cell is no number, or time goes back.
        """
        rows = self._rows()
        if self._heading is not None:
            next(rows, None)
        start: float | None = None
        latest = 0.0
        for number, row in rows:
            if not any(row):
                continue
            try:
                stamp = self._time(row)
                if stamp is None:
                    raise ValueError("an empty time")
                start = stamp if start is None else start
                t = stamp - start
                if t < latest:
                    raise ValueError(f"time {stamp:g} after {latest + start:g}")
                readings = [reading for read in self._sensors if (reading := read(t, row)) is not None]
            except ValueError as error:
                raise SessionError(self.name, number, str(error), "numbers, in order of time") from None
            latest = t
            yield from readings

    def _rows(self) -> Iterator[tuple[int, list[str]]]:
        try:
            with self.path.open(encoding="utf-8-sig", newline="") as handle:
                reader = csv.reader(handle, delimiter=self.columns.delimiter)
                for row in reader:
                    yield reader.line_num, row
        except FileNotFoundError:
            raise SessionError(self.name, 0, "no such file", "a CSV log") from None
        except (UnicodeDecodeError, csv.Error) as error:
            raise SessionError(self.name, 0, f"no CSV text ({error})", "a CSV log in UTF-8") from None
        except OSError as error:
            raise SessionError(self.name, 0, error.strerror or str(error), "a CSV log") from None

    def _cell(self, column: Column, scale: float) -> Callable[[list[str]], float | None]:
        """A function that takes one number out of a row; None where the cell is empty."""
        if isinstance(column, str) and column.startswith("-") and not self._knows(column):
            column, scale = column[1:], -scale
        if isinstance(column, int):
            index = column - 1
            if not 0 <= index < self._width:
                raise SessionError(self.name, 1, f"{self._width} columns", f"a column {column}")
        elif self._heading is None:
            raise SessionError(
                self.name, 1, f'column "{column}"', "a number from 1, since the log has no heading"
            )
        elif column not in self._heading:
            raise SessionError(self.name, 1, f"columns {', '.join(self._heading)}", f'a column "{column}"')
        else:
            index = self._heading.index(column)
        comma = self.columns.decimal_comma

        def read(row: list[str]) -> float | None:
            if index >= len(row):
                raise ValueError(f"{len(row)} columns")
            text = row[index].strip()
            if not text:
                return None
            try:
                value = float(text.replace(",", ".") if comma else text)
            except ValueError:
                raise ValueError(f'"{text[:30]}" in column {index + 1}') from None
            if not math.isfinite(value):
                raise ValueError(f'"{text[:30]}" in column {index + 1}')
            return value * scale

        return read

    def _knows(self, column: str) -> bool:
        return self._heading is not None and column in self._heading

    def _reader(self, name: str, sensor: SensorColumns) -> Callable[[float, list[str]], Reading | None]:
        def cells(columns: tuple[Column, ...], scale: float) -> Callable[[list[str]], Any]:
            read = [self._cell(column, scale) for column in columns]

            def values(row: list[str]) -> tuple[float, ...] | None:
                found = tuple(one(row) for one in read)
                return None if None in found else found  # type: ignore[return-value]

            return values

        temp = cells((sensor.temp_c,), 1.0) if sensor.temp_c is not None else lambda row: None
        if sensor.accel is not None:
            accel = cells(sensor.accel, _ACCEL[sensor.accel_unit])
            gyro = cells(sensor.gyro, _GYRO[sensor.gyro_unit]) if sensor.gyro else lambda row: None

            def imu(t: float, row: list[str]) -> Reading | None:
                force, warmth = accel(row), temp(row)
                return Imu(t, name, force, gyro(row), warmth[0] if warmth else None) if force else None

            return imu
        columns = (sensor.angle,) if sensor.angle is not None else (sensor.pitch, sensor.roll)
        angles = cells(columns, _ANGLE[sensor.angle_unit])  # type: ignore[arg-type]

        def tilt(t: float, row: list[str]) -> Reading | None:
            values, warmth = angles(row), temp(row)
            if values is None:
                return None
            single = values[0] if len(values) == 1 else None
            pitch, roll = values if len(values) == 2 else (None, None)
            return Tilt(t, name, single, pitch, roll, warmth[0] if warmth else None)

        return tilt
