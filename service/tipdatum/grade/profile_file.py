"""A profile from a table: CSV or TOML text with station_m and elevation_m."""

from __future__ import annotations

import csv
import io
import math
import tomllib

from tipdatum.errors import ConfigError

STATION, ELEVATION = "station_m", "elevation_m"
EXPECTED = f"a column {STATION} and a column {ELEVATION}"


def parse_profile(text: str, file: str) -> list[tuple[float, float]]:
    """(station m, elevation m) rows.

    Args:
        text: CSV with a header line (comma between cells, or semicolon, where numbers may have a
            decimal comma), or TOML with `[[point]]` tables.
        file: named in errors.

    Raises:
        ConfigError: names the line or key, what was found and what is expected.
    """
    return _from_toml(text, file) if "[[point]]" in text else _from_csv(text, file)


def _from_toml(text: str, file: str) -> list[tuple[float, float]]:
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(file, "", f"broken TOML ({error})", "[[point]] tables") from None
    points = data["point"]
    if not isinstance(points, list):
        raise ConfigError(file, "point", "something else", "[[point]] tables")
    return [
        (
            _number(str(point.get(STATION, "")), file, f"point[{i}].{STATION}"),
            _number(str(point.get(ELEVATION, "")), file, f"point[{i}].{ELEVATION}"),
        )
        for i, point in enumerate(points)
    ]


def _from_csv(text: str, file: str) -> list[tuple[float, float]]:
    lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    if not lines:
        raise ConfigError(file, "", "nothing", EXPECTED)
    delimiter = ";" if ";" in lines[0] else ","
    reader = csv.DictReader(io.StringIO("\n".join(lines)), delimiter=delimiter)
    heads = [h.strip() for h in reader.fieldnames or []]
    if STATION not in heads or ELEVATION not in heads:
        raise ConfigError(file, "first line", f'"{lines[0][:60]}"', EXPECTED)
    reader.fieldnames = heads
    return [
        (
            _number(_point(row.get(STATION), delimiter), file, f"row {i}, {STATION}"),
            _number(_point(row.get(ELEVATION), delimiter), file, f"row {i}, {ELEVATION}"),
        )
        for i, row in enumerate(reader, start=1)
    ]


def _point(cell: str | None, delimiter: str) -> str:
    """Where a semicolon stands between cells a comma is a decimal one."""
    return (cell or "").replace(",", ".") if delimiter == ";" else cell or ""


def _number(text: str, file: str, where: str) -> float:
    try:
        value = float(text.strip())
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ConfigError(
            file, where, f'"{text.strip()}"' if text.strip() else "nothing", "a number in metres"
        )
    return value
