"""The level book: every set-up and carry-over as a surveyor would write it.

The slew centre is the instrument. A tip that touches a mark at height m above it reads -m on the rod, so

    height of instrument = elevation + backsight        elevation = height of instrument - foresight

and the sum of the backsights less the sum of the foresights is the last elevation less the first, which
checks the arithmetic (any surveying text, for instance NAVEDTRA 14071, ch. 7). Boom foot and tip move when a
machine slews on a slope; the slew centre does not.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

from pydantic import Field

from tipdatum.grade.forms import Document
from tipdatum.grade.units import csv_cell, table_cell
from tipdatum.sentences import sentence

Kind: TypeAlias = Literal["benchmark", "turning point", "laser", "correction", "mark", "check", "closing"]

DEFAULT_SIGMAS = 2.0
"""Allowable misclosure in standard deviations of the touches where no k is given: 95 % of honest site."""

ORDERS_MM_PER_ROOT_KM = {"third request, engineering": 12.0, "ordinary levelling": 24.0}
"""For comparison only; 12 and 24 mm·√km as surveying texts and agencies print them."""


class BookRow(Document):
    """One line of the book: a backsight opens a set-up, a foresight reads a mark within it."""

    setup: int
    point: str
    kind: Kind
    backsight_m: float | None = None
    instrument_m: float
    foresight_m: float | None = None
    elevation_m: float
    sigma_m: float = Field(default=0.0, description="1-sigma of the touch itself")
    adjusted_m: float | None = None
    remark: str = ""
    t: float = 0.0
    time: str = ""


@dataclass(frozen=True, slots=True)
class Sight:
    """One reading of the rod, m, with 1-sigma of the touch, a remark and when it was."""

    rod_m: float
    sigma_m: float
    remark: str
    t: float
    time: str

    def noted(self) -> dict[str, Any]:
        """What of it goes into a row as it is."""
        return {"sigma_m": self.sigma_m, "remark": self.remark, "t": self.t, "time": self.time}


class LevelBook(Document):
    """The rows, and from which set-up on the present line of levels runs."""

    rows: tuple[BookRow, ...] = ()
    line_from: int = Field(default=0, description="index of the row that opened the present line")

    @property
    def setup(self) -> int:
        """Number of the present set-up, 0 before the first."""
        return self.rows[-1].setup if self.rows else 0

    @property
    def line(self) -> Sequence[BookRow]:
        """Rows of the present line, from the last known benchmark on."""
        return self.rows[self.line_from :]

    def with_row(self, row: BookRow) -> LevelBook:
        """The book with one more line."""
        return self.model_copy(update={"rows": (*self.rows, row)})

    def with_backsight(self, point: str, kind: Kind, elevation_m: float, sight: Sight) -> LevelBook:
        """The reference is set anew on a point of that elevation; a known benchmark begins a new line."""
        row = BookRow(
            setup=self.setup + 1, point=point, kind=kind, backsight_m=sight.rod_m, elevation_m=elevation_m,
            instrument_m=elevation_m + sight.rod_m, **sight.noted(),
        )  # fmt: skip
        book = self.with_row(row)
        if kind in ("benchmark", "laser"):
            return book.model_copy(update={"line_from": len(self.rows)})
        return book

    def with_foresight(self, point: str, kind: Kind, instrument_m: float, sight: Sight) -> LevelBook:
        """The elevation of a mark in the present set-up."""
        row = BookRow(
            setup=self.setup, point=point, kind=kind, instrument_m=instrument_m, foresight_m=sight.rod_m,
            elevation_m=instrument_m - sight.rod_m, **sight.noted(),
        )  # fmt: skip
        return self.with_row(row)


@dataclass(frozen=True, slots=True)
class Closure:
    """How a line of levels closes on a benchmark.

    Attributes:
        misclosure_m: found less known elevation.
        setups: of the line.
        allowable_m: k·√setups.
        k_m: what one set-up may contribute.
    """

    misclosure_m: float
    setups: int
    allowable_m: float
    k_m: float

    @property
    def within(self) -> bool:
        """Whether the misclosure is allowable."""
        return abs(self.misclosure_m) <= self.allowable_m


def carrying(rows: Sequence[BookRow]) -> list[BookRow]:
    """The backsights that carry a line: one that was taken anew on the same mark, because the machine had
    settled or been nudged meanwhile, is replaced by the later one."""
    backs = [row for row in rows if row.backsight_m is not None]
    return [row for i, row in enumerate(backs) if i + 1 == len(backs) or backs[i + 1].point != row.point]


def setups_of(rows: Sequence[BookRow]) -> int:
    """Set-ups that carry a line."""
    return len(carrying(rows))


def close(rows: Sequence[BookRow], found_m: float, known_m: float, k_m: float | None = None) -> Closure:
    """How `rows`, a line that ends on a benchmark, closes.

    Args:
        rows: of the line, from its benchmark on.
        found_m, known_m: the closing benchmark's elevation as found, and as known.
        k_m: allowable misclosure of one set-up; by default two standard deviations of a set-up's two
            touches, from the touches' own sigma.
    """
    setups = max(1, setups_of(rows))
    if k_m is None:
        # Only sights that carry the line count: each backsight, and the foresight that leads to the next.
        variance = sum(row.sigma_m**2 for row in _carriers(rows))
        k_m = DEFAULT_SIGMAS * math.sqrt(variance / setups)
    return Closure(found_m - known_m, setups, k_m * math.sqrt(setups), k_m)


def _carriers(rows: Sequence[BookRow]) -> list[BookRow]:
    backs = carrying(rows)
    named = {row.point for row in backs}
    fores = [row for row in rows if row.foresight_m is not None and row.point in named]
    return [*backs, *fores, *rows[-1:]]


def correction_at(closure: Closure, setup_in_line: int) -> float:
    """What to add to elevations found in the n-th set-up (from 1) of a line, m: proportional to set-ups."""
    return -closure.misclosure_m * min(setup_in_line, closure.setups) / closure.setups


def row_in_words(row: BookRow) -> str:
    """A line of the book in words."""
    if row.kind == "correction":
        return sentence("book-row-correction", setup=row.setup, remark=row.remark)
    back = row.backsight_m is not None
    return sentence(
        "book-row-back" if back else "book-row-fore",
        setup=row.setup,
        rod_bare_m=(row.backsight_m if back else row.foresight_m) or 0.0,
        point=row.point,
        elevation_m=row.elevation_m,
        instrument_m=row.instrument_m,
        remark=sentence("remark-more", remark=row.remark) if row.remark else "",
    )


COLUMNS = (
    "setup", "point", "kind", "backsight_m", "instrument_m", "foresight_m", "elevation_m", "sigma_m",
    "adjusted_m", "time", "remark",
)  # fmt: skip


def to_csv(rows: Sequence[BookRow]) -> str:
    """The book as CSV with a header line, metres to the millimetre."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow([csv_cell(getattr(row, column)) for column in COLUMNS])
    return out.getvalue()


def to_table(rows: Sequence[BookRow]) -> str:
    """The book as a table in plain text."""
    heads = ("set-up", "point", "BS", "HI", "FS", "elevation", "adjusted", "remarks")
    keys = ("setup", "point", "backsight_m", "instrument_m", "foresight_m", "elevation_m", "adjusted_m")
    lines = [[*(table_cell(getattr(row, key)) for key in keys), _remarks(row)] for row in rows]
    widths = [max(len(heads[i]), *(len(line[i]) for line in lines)) for i in range(8)] if lines else []
    if not lines:
        return "The level book is empty.\n"

    def laid(cells: Sequence[str]) -> str:
        text = [
            cell.ljust(width) if i in (1, 7) else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(cells, widths, strict=True))
        ]
        return "  ".join(text).rstrip()

    return "\n".join([laid(heads), laid(["-" * w for w in widths]), *map(laid, lines)]) + "\n"


def _remarks(row: BookRow) -> str:
    return ", ".join(part for part in (row.kind, row.remark) if part)
