"""What the columns of a CSV log mean, guessed from its heading and its numbers, and said column by column.

Names tell sensor, quantity, axis and often the unit ("boom_acc_x [g]", "stickGyroY(deg/s)", "upper pitch").
Where the unit of an acceleration is not told, its size at rest is: 1, 1000 or 9.8. That of a rate is found by
holding the gyro's angle against the accelerometer's: they agree either in radians or in degrees. What cannot
be told is refused: a wrong unit would give a wrong figure that looks right.
"""

from __future__ import annotations

import csv
import gzip
import io
import math
import re
import statistics
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice, pairwise
from pathlib import Path
from typing import Any, TypeAlias

from tipdatum_drivers.csv_file import CsvColumns, open_log
from tipdatum_drivers.errors import SessionError, no_utf8

ROWS = 20_000
"""Rows that are looked at: minutes of a usual log, so that a machine at rest has moved."""

SENSOR_WORDS = {
    "upper": ("upper", "upperstructure", "house", "cab", "body", "chassis"),
    "boom": ("boom",),
    "stick": ("stick", "arm", "dipper"),
    "bucket": ("bucket",),
    "rocker": ("rocker", "link"),
}
"""Usual sensor names → words of the trade for their bodies."""
TIME_WORDS = {"t", "time", "timestamp", "ts", "datetime", "date", "utc", "millis", "micros", "epoch"}
ACCEL = re.compile(r"(?:a|acc|accel|acceleration|accelerometer|force)([xyz])?")
GYRO = re.compile(r"(?:g|w|gyr|gyro|gyroscope|rate|omega)([xyz])?")
UNITS = (
    (re.compile(r"m\s*/\s*s\s*(\^2|²|2)|mps2"), "mps2"),
    (re.compile(r"(deg|°)\s*/\s*s(ec)?|dps|degps"), "degps"),
    (re.compile(r"rad\s*/\s*s(ec)?|radps"), "radps"),
    (re.compile(r"°"), "deg"),
)
SIZES = {"g": (0.8, 1.25), "mps2": (8.0, 12.0), "mg": (800.0, 1250.0)}
"""Unit → the range of an acceleration's median size in it, on a machine that digs."""
BLOCK_S = 1.0
"""Over which forces are averaged to compare the turns of gyro and accelerometer."""
LEAST_TURN_RAD = 0.2
"""Turn from one block to the next that counts: blows and starts of a slew turn the mean force by less."""
ENOUGH_TURNS = 5
RATIOS = (0.1, 4.0)
"""Median ratio of the two turns in the right unit. It should be 1; what swings also accelerates, which turns
the force as well. In the other unit it is 57 times as much or as little, so the two ranges do not meet."""


@dataclass(frozen=True, slots=True)
class Guessed:
    """The mapping, and what it takes each column for, one line a column or group."""

    columns: CsvColumns
    said: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Column:
    """One column: its name as it stands, its words, and the unit that they tell."""

    name: str
    words: tuple[str, ...]
    unit: str | None


_Groups: TypeAlias = dict[str, dict[str, dict[str, _Column]]]
"""Sensor → quantity → axis → its column."""


class _CsvTable:
    """The first rows of the log."""

    def __init__(self, path: Path) -> None:
        self.file = str(path)
        try:
            with open_log(path) as handle:
                text = "".join(islice(handle, ROWS))
        except FileNotFoundError:
            raise SessionError(self.file, 0, "no such file", "a CSV log") from None
        except (EOFError, zlib.error, gzip.BadGzipFile):
            raise SessionError(self.file, 0, "damaged gzip data", "a CSV log") from None
        except UnicodeDecodeError as error:
            raise SessionError(self.file, 0, no_utf8(error), "a CSV log in UTF-8") from None
        except OSError as error:
            raise SessionError(self.file, 0, error.strerror or str(error), "a CSV log") from None
        head = text.split("\n", 1)[0]
        self.delimiter = max(";\t,|", key=head.count)
        if not head.count(self.delimiter):
            raise SessionError(self.file, 1, "one column", "columns separated by , ; | or tabs")
        heading, *rows = csv.reader(io.StringIO(text), delimiter=self.delimiter)
        self.rows = [row for row in rows if any(row)]
        if not self.rows:
            raise SessionError(self.file, 0, "a heading alone", "rows of numbers")
        self.comma = self.delimiter != "," and any(re.fullmatch(r"-?\d+,\d+", c) for c in self.rows[0])
        self.columns = [_column(name.strip()) for name in heading]
        self._index = {column.name: i for i, column in enumerate(self.columns)}

    def text(self, name: str) -> list[str]:
        i = self._index[name]
        return [row[i].strip() if i < len(row) else "" for row in self.rows]

    def number(self, name: str) -> list[float]:
        """Its numbers; NaN where a cell is none."""
        found = []
        for cell in self.text(name):
            try:
                found.append(float(cell.replace(",", ".") if self.comma else cell))
            except ValueError:
                found.append(math.nan)
        return found


def guess_columns(path: Path, sensors: Sequence[str] = ()) -> Guessed:
    """The mapping of a log.

    Args:
        sensors: names that the machine's description has; without any, those of `SENSOR_WORDS`.

    Raises:
        SessionError: time, sensors or a unit cannot be told; says what to name in a columns file.
    """
    table = _CsvTable(path)
    said: list[str] = []
    time, unit = _time(table, said)
    groups: _Groups = {}
    unused = []
    for column in table.columns:
        if column.name == time:
            continue
        sensor, found = _sensor(column, sensors), _quantity(column)
        if sensor is None or found is None:
            unused.append(column.name)
        else:
            groups.setdefault(sensor, {}).setdefault(found[0], {})[found[1]] = column
    rates = _gyro_unit(table, groups, _seconds(table, time, unit))
    mapped: dict[str, Any] = {}
    for sensor, quantities in groups.items():
        fields = _fields(table, sensor, quantities, rates, said)
        if fields:
            mapped[sensor] = fields
    if not mapped:
        raise SessionError(
            table.file, 1, f"columns {', '.join(c.name for c in table.columns)}",
            "names that tell sensor and quantity, such as boom_ax, or a columns file (--columns)",
        )  # fmt: skip
    said += [f"{name}: not used" for name in unused]
    said += [f"{name}: no columns found for it" for name in sensors if name not in mapped]
    chosen = {
        "time": time, "time_unit": unit, "delimiter": table.delimiter, "decimal_comma": table.comma,
        "sensor": mapped,
    }  # fmt: skip
    return Guessed(CsvColumns.model_validate(chosen), tuple(said))


def _column(name: str) -> _Column:
    text, unit = re.sub(r"([a-z])([A-Z])", r"\1 \2", name).lower(), None
    for pattern, known in UNITS:
        if pattern.search(text):
            unit, text = known, pattern.sub(" ", text, count=1)
            break
    words = tuple(re.findall(r"[a-z]+|\d+", text))
    if unit is None:
        bracket = re.search(r"[\[(]\s*(\w+)\s*[\])]", name.lower())
        last = bracket[1] if bracket else words[-1] if len(words) > 1 else ""
        unit = {"mps2": "mps2", "g": "g", "mg": "mg", "deg": "deg", "rad": "rad"}.get(last)
        if unit and last in words:
            words = tuple(
                word for i, word in enumerate(words) if i != len(words) - 1 - words[::-1].index(last)
            )
    return _Column(name, words, unit)


def _time(table: _CsvTable, said: list[str]) -> tuple[str, str]:
    for column in table.columns:
        if TIME_WORDS.isdisjoint(column.words):
            continue
        first = table.text(column.name)[0]
        if _is_moment(first):
            said.append(f"{column.name}: time, as date and time")
            return column.name, "datetime"
        words = set(column.words)
        unit = "ms" if words & {"ms", "millis"} else "us" if words & {"us", "micros"} else None
        how = "by its name"
        if unit is None and words & {"s", "sec", "seconds"}:
            unit = "s"
        if unit is None:
            stamps = [v for v in table.number(column.name) if math.isfinite(v)]
            steps = sorted(b - a for a, b in pairwise(stamps) if b > a)
            step = steps[len(steps) // 2] if steps else 0.01
            unit, how = "s" if step < 0.5 else "ms" if step < 500 else "us", f"by its step of {step:g}"
        said.append(f"{column.name}: time, in {unit} ({how})")
        return column.name, unit
    names = ", ".join(column.name for column in table.columns)
    raise SessionError(table.file, 1, f"columns {names}", "one called time, t or timestamp, or --columns")


def _is_moment(cell: str) -> bool:
    if re.fullmatch(r"-?[\d.,]+(e\d+)?", cell):
        return False
    try:
        datetime.fromisoformat(cell.replace(",", "."))
    except ValueError:
        return False
    return True


def _seconds(table: _CsvTable, time: str, unit: str) -> list[float]:
    if unit == "datetime":
        texts = [text.replace(",", ".") for text in table.text(time)]
        return [datetime.fromisoformat(t).timestamp() if _is_moment(t) else math.nan for t in texts]
    return [v * {"s": 1.0, "ms": 1e-3, "us": 1e-6}[unit] for v in table.number(time)]


def _sensor(column: _Column, sensors: Sequence[str]) -> str | None:
    for name in sensors or SENSOR_WORDS:
        called = {name.lower(), *SENSOR_WORDS.get(name, ())}
        if called & set(column.words) or name.lower() in column.name.lower():
            return name
    return sensors[0] if len(sensors) == 1 else None


def _quantity(column: _Column) -> tuple[str, str] | None:
    """What a column holds, and of which axis."""
    words = set(column.words)
    for word, part in (("pitch", "pitch"), ("roll", "roll"), ("angle", "angle"), ("tilt", "angle")):
        if word in words:
            return "angles", part
    if words & {"temp", "temperature"}:
        return "temp", "temp"
    axes = words & {"x", "y", "z"}
    for kind, pattern in (("accel", ACCEL), ("gyro", GYRO)):
        for word in column.words:
            match = pattern.fullmatch(word)
            if match and (match[1] or len(axes) == 1):
                return kind, match[1] or next(iter(axes))
    return None


def _fields(
    table: _CsvTable,
    sensor: str,
    found: dict[str, dict[str, _Column]],
    rate_unit: str | None,
    said: list[str],
) -> dict[str, Any]:
    fields: dict[str, Any] = {}
    accel, gyro, angles = (found.get(kind, {}) for kind in ("accel", "gyro", "angles"))
    if set(accel) == set("xyz"):
        names = [accel[axis].name for axis in "xyz"]
        unit, how = _accel_unit(table, accel, names)
        fields |= {"accel": names, "accel_unit": unit}
        said.append(f"{', '.join(names)}: acceleration of {sensor}, in {unit} ({how})")
        if set(gyro) == set("xyz"):
            rates = [gyro[axis].name for axis in "xyz"]
            told = gyro["x"].unit
            rate = {"deg": "degps", "rad": "radps"}.get(told, told) if told else rate_unit
            if rate not in ("degps", "radps"):
                raise SessionError(
                    table.file, 0, f'"{rates[0]}", whose unit neither its name nor the motion tells',
                    "deg/s or rad/s in its name, or gyro_unit in a columns file (--columns)",
                )  # fmt: skip
            how = "by its name" if told else "by the accelerometers' turns"
            fields |= {"gyro": rates, "gyro_unit": rate}
            said.append(f"{', '.join(rates)}: turn rate of {sensor}, in {rate} ({how})")
    elif {"pitch", "roll"} <= set(angles) or "angle" in angles:
        parts = ("pitch", "roll") if {"pitch", "roll"} <= set(angles) else ("angle",)
        unit = angles[parts[0]].unit or "deg"
        told = "by its name" if angles[parts[0]].unit else "degrees are usual"
        fields |= {part: angles[part].name for part in parts} | {"angle_unit": unit}
        said.append(f"{', '.join(angles[p].name for p in parts)}: angles of {sensor}, in {unit} ({told})")
    if fields and (temp := found.get("temp", {}).get("temp")):
        fields["temp_c"] = temp.name
        said.append(f"{temp.name}: temperature of {sensor}, in °C")
    return fields


def _accel_unit(table: _CsvTable, accel: dict[str, _Column], names: list[str]) -> tuple[str, str]:
    if (told := accel["x"].unit) in SIZES:
        return str(told), "by its name"
    sizes = [math.hypot(*v) for v in zip(*(table.number(n) for n in names), strict=True)]
    size = statistics.median([s for s in sizes if math.isfinite(s)] or [math.nan])
    for unit, (low, high) in SIZES.items():
        if low < size < high:
            return unit, f"by its size, {size:.3g}"
    found = f'"{names[0]}" and its neighbours of size {size:.3g}'
    raise SessionError(table.file, 0, found, "an acceleration in g, mg or m/s², or accel_unit in --columns")


def _gyro_unit(table: _CsvTable, groups: _Groups, seconds: list[float]) -> str | None:
    """The unit in which the gyros' turns are those of the accelerometers, over all sensors; None if none is.

    A log has one program's units, and an upperstructure that only slews tilts nothing to compare.
    """
    ratios: list[float] = []
    for quantities in groups.values():
        accel, gyro = quantities.get("accel", {}), quantities.get("gyro", {})
        if set(accel) == set(gyro) == set("xyz"):
            columns = [table.number(part[axis].name) for part in (accel, gyro) for axis in "xyz"]
            ratios += _turn_ratios(list(zip(seconds, *columns, strict=True)))
    ratio = statistics.median(ratios) if len(ratios) >= ENOUGH_TURNS else math.nan
    for unit, factor in (("radps", 1.0), ("degps", math.degrees(1.0))):
        if RATIOS[0] < ratio / factor < RATIOS[1]:
            return unit
    return None


def _turn_ratios(rows: list[tuple[float, ...]]) -> list[float]:
    """Turn by the gyro over turn of the mean force, from one block of `BLOCK_S` to the next, where it turned.

    Means take vibration and blows away. The gyro's turn about the force itself (slewing) moves nothing that
    the accelerometer sees, and is left out.
    """
    whole = [row for row in rows if all(map(math.isfinite, row))]
    found: list[float] = []
    last: tuple[list[float], list[float]] | None = None
    first = 0
    for i in range(1, len(whole)):
        if not 0.0 <= whole[i][0] - whole[i - 1][0] < BLOCK_S:
            first, last = i, None
        elif whole[i][0] - whole[first][0] >= BLOCK_S:
            block = whole[first:i]
            up = _unit([sum(row[k] for row in block) for k in (1, 2, 3)])
            turned = [sum((b[0] - a[0]) * b[k] for a, b in pairwise(whole[first : i + 1])) for k in (4, 5, 6)]
            if last is not None:
                rose = math.acos(max(-1.0, min(1.0, sum(a * b for a, b in zip(up, last[0], strict=True)))))
                middle = _unit([a + b for a, b in zip(up, last[0], strict=True)])
                between = [(a + b) / 2.0 for a, b in zip(turned, last[1], strict=True)]
                along = sum(a * b for a, b in zip(between, middle, strict=True))
                if rose > LEAST_TURN_RAD:
                    found.append(
                        math.hypot(*(a - along * b for a, b in zip(between, middle, strict=True))) / rose
                    )
            first, last = i, (up, turned)
    return found


def _unit(v: list[float]) -> list[float]:
    size = math.hypot(*v) or 1.0
    return [a / size for a in v]
