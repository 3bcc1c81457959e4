"""Long CSV logs of other programs, read as records by a mapping of columns.

One row may hold several sensors; every sensor that the mapping names becomes one reading a row. A cell that
is empty leaves that reading out. Times are taken as they are, less the first one, which `started` tells where
it is a moment of the calendar.
"""

from __future__ import annotations

import csv
import gzip
import hashlib
import math
import zlib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Literal, TextIO

from pydantic import Field as Constraint

from tipdatum_drivers.errors import SessionError, no_utf8
from tipdatum_drivers.fields import TIME_UNITS, Field, Numbers, SensorFields, reading_maker
from tipdatum_drivers.options import Options
from tipdatum_drivers.reading import Record, Truth
from tipdatum_drivers.session_file import LONGEST_GAP_S

GZIP = b"\x1f\x8b"
"""What a packed file begins with."""
MOMENT_FROM_S = 1e9
"""Times from here on, s, are taken for seconds since 1970: no computer has run for thirty years."""


def open_log(path: Path) -> TextIO:
    """The text of a log, packed or not, as its content says.

    Raises:
        OSError: it cannot be opened. Reading it may raise what `gzip` raises for damaged files.
    """
    with path.open("rb") as raw:
        packed = raw.read(2) == GZIP
    if packed:
        return gzip.open(path, "rt", encoding="utf-8-sig", newline="")
    return path.open(encoding="utf-8-sig", newline="")


class CsvColumns(Options):
    """How a CSV log is read."""

    time: Field
    time_unit: Literal["s", "ms", "us", "datetime"] = "s"
    """datetime: date and time as ISO 8601 has them, in UTC where no zone is told."""
    delimiter: Annotated[str, Constraint(min_length=1, max_length=1)] = ","
    decimal_comma: bool = False
    heading: bool = True
    """Whether the first row names the columns."""
    sensor: Annotated[dict[str, SensorFields], Constraint(min_length=1)]
    """Name of the machine's sensor → its columns."""
    truth: tuple[Field, Field, Field] | None = None
    """Where the tip truly was, m: columns of its x, y, z against the slew centre. Only a score reads them."""


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
        self._time = self._time_cell(columns.time)
        self._sensors = [reading_maker(name, fields, self._cell) for name, fields in columns.sensor.items()]
        self._tip = [self._cell(column, 1.0) for column in columns.truth or ()]

    @property
    def started(self) -> datetime | None:
        """The first time as a moment, None where it only counts from the start of something.

        Raises:
            SessionError: it is no time.
        """
        rows = self._rows()
        if self._heading is not None:
            next(rows, None)
        number, row = next(((n, row) for n, row in rows if any(row)), (0, None))
        try:
            stamp = None if row is None else self._time(row)
        except ValueError as error:
            raise SessionError(self.name, number, str(error), "a time") from None
        if stamp is None or stamp < MOMENT_FROM_S:
            return None
        return datetime.fromtimestamp(stamp, UTC)

    def __iter__(self) -> Iterator[Record]:
        return self.records()

    def records(self) -> Iterator[Record]:
        """Readings, and the truth where a row has it, in order of `t`, in seconds from the first row.

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
                if not 0.0 <= t - latest <= LONGEST_GAP_S:
                    raise ValueError(f"time {stamp:g} after {latest + start:g}")
                readings: list[Record] = [
                    reading for read in self._sensors if (reading := read(t, row)) is not None
                ]
                tip = [value for read in self._tip if (value := read(row)) is not None]
            except ValueError as error:
                raise SessionError(self.name, number, str(error), "numbers, in order of time") from None
            latest = t
            yield from readings
            if len(tip) == 3:
                yield Truth(t, (tip[0], tip[1], tip[2]))

    def digest(self) -> str:
        """Sixteen hexadecimal digits of the SHA-256 of the unpacked file: what tells it from others."""
        data = self.path.read_bytes()
        content = gzip.decompress(data) if data.startswith(GZIP) else data
        return hashlib.sha256(content).hexdigest()[:16]

    def _rows(self) -> Iterator[tuple[int, list[str]]]:
        try:
            with open_log(self.path) as handle:
                reader = csv.reader(handle, delimiter=self.columns.delimiter)
                for row in reader:
                    yield reader.line_num, row
        except FileNotFoundError:
            raise SessionError(self.name, 0, "no such file", "a CSV log") from None
        except (EOFError, zlib.error, gzip.BadGzipFile):
            raise SessionError(self.name, 0, "damaged gzip data", "a CSV log") from None
        except UnicodeDecodeError as error:
            raise SessionError(self.name, 0, no_utf8(error), "text in UTF-8") from None
        except csv.Error as error:
            raise SessionError(self.name, 0, f"no CSV text ({error})", "a CSV log") from None
        except OSError as error:
            raise SessionError(self.name, 0, error.strerror or str(error), "a CSV log") from None

    def _time_cell(self, column: Field) -> Numbers[list[str]]:
        if self.columns.time_unit != "datetime":
            return self._cell(column, TIME_UNITS[self.columns.time_unit])
        index = self._place(column)

        def read(row: list[str]) -> float | None:
            text = row[index].strip() if index < len(row) else ""
            try:
                moment = datetime.fromisoformat(text.replace(",", "."))
            except ValueError:
                raise ValueError(f'"{text[:30]}" in column {index + 1}') from None
            return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()

        return read

    def _cell(self, column: Field, scale: float) -> Numbers[list[str]]:
        """A function that takes one number out of a row; None where the cell is empty."""
        index = self._place(column)
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

    def _place(self, column: Field) -> int:
        """Where a column stands.

        Raises:
            SessionError: nowhere.
        """
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
        return index
