"""As-dug points: what the machine measured, in a form that a survey program reads.

They are a record of the machine's own figures, not a certified survey.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from pydantic import Field

from tipdatum.grade.document import Document

MOST = 5000
"""Points kept in the state; further ones are refused until some are exported and cleared."""

NO_SURVEY = "Record of what the machine measured; not a certified survey."


class AsDug(Document):
    """One point. Plan position as easting and northing only where somebody gave it."""

    number: int
    elevation_m: float
    sigma_m: float
    code: str = ""
    note: str = ""
    reach_m: float
    lateral_m: float
    station_m: float | None = None
    offset_m: float | None = None
    easting_m: float | None = None
    northing_m: float | None = None
    deviation_m: float | None = None
    adjusted_m: float | None = Field(
        default=None, description="elevation with its share of a misclosure that was distributed later"
    )
    setup: int = 0
    bucket: str = ""
    automatic: bool = False
    time: str = ""


class AutoRecord(Document):
    """Record by itself while the bucket follows the target; see `tipdatum.grade.following`."""

    step_m: float = Field(default=0.25, description="a point for each such distance along the target")
    within_m: float = Field(default=0.05, description="only while the tip is this near to the target")
    code: str = "DUG"


def said(point: AsDug) -> str:
    """A point in one line."""
    code = f" {point.code}" if point.code else ""
    return f"Point {point.number}: {point.elevation_m:.3f} m (sigma {point.sigma_m * 1000:.0f} mm){code}."


COLUMNS = (
    "point", "easting_m", "northing_m", "station_m", "offset_m", "reach_m", "lateral_m", "elevation_m",
    "adjusted_m", "code", "sigma_m", "deviation_m", "setup", "time", "note",
)  # fmt: skip


def to_csv(points: Iterable[AsDug], says: Sequence[str] = ()) -> str:
    """Points as CSV with a header line; lines of `says` come before it behind a #.

    `elevation_m` is what was recorded, `adjusted_m` the same with its share of a misclosure that was
    distributed later. Empty cells are not known: easting and northing where nobody gave them, station where
    it was lost. Cells that a spreadsheet would take for a formula are led by an apostrophe.
    """
    out = io.StringIO()
    for line in says:
        out.write(f"# {line}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for p in points:
        values = [p.number, *(getattr(p, column) for column in COLUMNS[1:])]
        writer.writerow([_cell(v) for v in values])
    return out.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        text = f"{value:.3f}"
        return "0.000" if text == "-0.000" else text
    text = str(value)
    return "'" + text if text[:1] in ("=", "+", "-", "@") else text
