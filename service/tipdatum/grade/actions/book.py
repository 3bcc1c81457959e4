"""The level book: close on a benchmark, distribute the misclosure, begin a new book."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, model_validator

from tipdatum.errors import CommandRefused
from tipdatum.grade.book import (
    ORDERS_MM_PER_ROOT_KM,
    Closure,
    LevelBook,
    close,
    correction_at,
    setups_of,
    to_csv,
    to_table,
)
from tipdatum.grade.marks import Mark, find_mark, noted_otherwise
from tipdatum.grade.outcome import Body, Elevation, Name, Nothing, Order, Outcome, Spec, done
from tipdatum.grade.setup import sight
from tipdatum.grade.state import Closed
from tipdatum.grade.stillness import TipPoint, Touch
from tipdatum.grade.units import signed_mm

if TYPE_CHECKING:
    from tipdatum.grade.work import Work


class CloseBook(Body):
    """The tip stands on a benchmark at the end of the line."""

    mark: Name | None = Field(default=None, description="name of the benchmark")
    elevation_m: Elevation | None = Field(default=None, description="its elevation, unless noted before")
    point: TipPoint = Field(default="tip", description="what stands on it: tip, left or right corner")
    k_m: Annotated[float, Field(gt=0, le=1)] | None = Field(
        default=None, description="allowable misclosure of one set-up; by default from the touches' own sigma"
    )

    distance_m: Annotated[float, Field(gt=0, le=100_000)] | None = Field(
        default=None, description="length of the line, for a comparison with surveying orders"
    )

    @model_validator(mode="after")
    def _known_somehow(self) -> CloseBook:
        if self.mark is None and self.elevation_m is None:
            raise ValueError('"mark" (a benchmark noted before) or "elevation_m"')
        return self


def close_book(work: Work, body: CloseBook, order: Order) -> Outcome | None:
    """Measure a benchmark and say how the line closes on it; changes no elevation."""
    work.need_reference("A line of levels cannot be closed")
    name = body.mark or work.unnamed_mark()
    if body.elevation_m is None:
        mark = find_mark(work.state.marks, name)
        if not mark.known:
            raise CommandRefused(f"{name} is a turning point measured here; a line closes on a benchmark.")
        known = mark.elevation_m
    else:
        known = body.elevation_m
        noted = noted_otherwise(work.state.marks, name, known)
        if noted:
            raise CommandRefused(
                f"{name} is to be {known:.3f} m, but it is noted at "
                f"{work.state.marks[name].elevation_m:.3f} m. If {known:.3f} m is right, send mark/add "
                "first; otherwise leave elevation_m out."
            )

    def carry_on(touch: Touch) -> Outcome:
        book = work.state.book
        found, _ = work.elevation_of(touch)
        remark = f"known {known:.3f}, misclosure {signed_mm(found - known)} mm"
        sight(work, order, name, "closing", touch, remark)
        closure = close(book.line, found, known, body.k_m)
        work.state.marks.setdefault(name, Mark(elevation_m=known, known=True, time=work.time(order.t)))
        work.state.closed = Closed(
            misclosure_m=closure.misclosure_m,
            setups=closure.setups,
            allowable_m=closure.allowable_m,
            k_m=closure.k_m,
            line_from=book.line_from,
            rows=len(book.rows),
        )
        work.changed()
        return done(
            order,
            _closed_text(name, found, known, closure) + _orders(body.distance_m),
            **_figures(closure, found),
        )

    return work.when_still(order, body.point, carry_on)


def distribute(work: Work, body: Nothing, order: Order) -> Outcome:
    """Correct the turning points and the reference in proportion to the set-ups."""
    state = work.state
    closed = state.closed
    if closed is None:
        raise CommandRefused(
            "There is no misclosure to distribute: close on a benchmark with book/close first."
        )
    if closed.distributed:
        raise CommandRefused("The misclosure has been distributed already.")
    closure = Closure(closed.misclosure_m, closed.setups, closed.allowable_m, closed.k_m)
    if not closure.within:
        raise CommandRefused(
            f"The misclosure of {signed_mm(closure.misclosure_m)} mm is more than the allowable "
            f"{closure.allowable_m * 1000:.0f} mm: find the mistake, do not spread it."
        )
    rows = state.book.rows[closed.line_from : closed.rows]
    before = 0
    nth_of: dict[int, int] = {}
    for i, row in enumerate(rows):
        nth = setups_of(rows[: i + 1])
        # A backsight stands on a mark read from the set-up before.
        at = correction_at(closure, nth - 1 if row.backsight_m is not None else nth)
        rows[i].adjusted_m = row.elevation_m + at
        before = nth_of[row.setup] = nth
    points = [p for p in state.points if p.setup in nth_of]
    for point in points:
        point.adjusted_m = point.elevation_m + correction_at(closure, nth_of[point.setup])
    for mark in state.marks.values():
        if not mark.known and 0 < mark.setup_in_line <= closure.setups:
            mark.elevation_m += correction_at(closure, mark.setup_in_line)
    if work.tie is not None:
        work.tie.shift(correction_at(closure, before))
    closed.distributed = True
    work.changed()
    return done(
        order,
        f"Misclosure of {signed_mm(closure.misclosure_m)} mm distributed over {_setups(closure)}; "
        f"{signed_mm(-closure.misclosure_m)} mm added to every elevation from now on. "
        f"{_points(len(points))} their elevation as recorded, with the corrected one beside it (adjusted_m).",
        misclosure_m=closure.misclosure_m,
        setups=closure.setups,
        points=len(points),
    )


def _points(count: int) -> str:
    return "The one point of the line keeps" if count == 1 else f"The {count} points of the line keep"


def new_book(work: Work, body: Nothing, order: Order) -> Outcome:
    """Begin an empty book; reference and marks are kept."""
    lines = len(work.state.book.rows)
    work.state.book, work.state.closed = LevelBook(), None
    for mark in work.state.marks.values():
        mark.setup_in_line = 0
    work.changed()
    return done(order, f"New level book; {lines} lines of the old one were dropped.", dropped=lines)


def _closed_text(name: str, found: float, known: float, closure: Closure) -> str:
    verdict = "within" if closure.within else "MORE THAN"
    return (
        f"{name} found at {found:.3f} m, known {known:.3f} m: misclosure {signed_mm(closure.misclosure_m)} "
        f"mm over {_setups(closure)}, {verdict} the allowable {closure.allowable_m * 1000:.0f} mm "
        f"({closure.k_m * 1000:.1f} mm times the root of the set-ups)."
    )


def _setups(closure: Closure) -> str:
    return f"{closure.setups} set-up{'' if closure.setups == 1 else 's'}"


def _orders(distance_m: float | None) -> str:
    """What surveying orders would allow over that distance, for comparison."""
    if distance_m is None:
        return ""
    allowed = ", ".join(
        f"{name} {mm * math.sqrt(distance_m / 1000.0):.0f} mm" for name, mm in ORDERS_MM_PER_ROOT_KM.items()
    )
    return f" For comparison only, over {distance_m:.0f} m: {allowed}."


def _figures(closure: Closure, found: float) -> dict[str, object]:
    return {
        "found_m": found,
        "misclosure_m": closure.misclosure_m,
        "allowable_m": closure.allowable_m,
        "setups": closure.setups,
        "within": closure.within,
    }


class ExportBook(Body):
    """The book as text."""

    form: Literal["csv", "table"] = Field(default="table", description="CSV, or a table to read")


def export_book(work: Work, body: ExportBook, order: Order) -> Outcome:
    """Give the book out."""
    rows = work.state.book.rows
    text = to_csv(rows) if body.form == "csv" else to_table(rows)
    return done(order, f"{len(rows)} lines.", text=text)


COMMANDS = {
    "book/export": Spec(ExportBook, export_book, "Give the level book out, as a table or CSV."),
    "book/close": Spec(
        CloseBook, close_book, "The tip stands on a benchmark: say how the line of levels closes."
    ),
    "book/distribute": Spec(Nothing, distribute, "Spread an allowable misclosure over the set-ups."),
    "book/new": Spec(Nothing, new_book, "Begin an empty level book."),
}
