"""The level book: close on a benchmark, distribute the misclosure, begin a new book."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field, model_validator

from tipdatum.errors import CommandRefused
from tipdatum.grade.datum import named_marks, sight, unnamed_mark
from tipdatum.grade.forms import CommandBody, Destroying, Elevation, Name, Nothing, Outcome, Request, done
from tipdatum.grade.levels import (
    ORDERS_MM_PER_ROOT_KM,
    Closure,
    LevelBook,
    close,
    correction_at,
    setups_of,
    to_csv,
    to_table,
)
from tipdatum.grade.marks import find_mark
from tipdatum.grade.site import Site, Spec
from tipdatum.grade.state import AsDug, Closed, Mark, noted_otherwise
from tipdatum.grade.touch import TipPoint, Touch
from tipdatum.sentences import sentence


class CloseBook(CommandBody):
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
            raise ValueError(sentence("needs-benchmark"))
        return self


def close_book(site: Site, body: CloseBook, request: Request) -> Outcome | None:
    """Measure a benchmark and say how the line closes on it; changes no elevation."""
    site.need_reference(sentence("book-needs-reference"))
    name = body.mark or unnamed_mark(site)
    if body.elevation_m is None:
        mark = find_mark(site.state.marks, name)
        if not mark.known:
            raise CommandRefused(sentence("book-turning-point", mark=name))
        known = mark.elevation_m
    else:
        known = body.elevation_m
        noted = noted_otherwise(site.state.marks, name, known)
        if noted:
            otherwise = site.state.marks[name].elevation_m
            raise CommandRefused(sentence("book-otherwise", mark=name, known_m=known, noted_m=otherwise))

    def carry_on(touch: Touch) -> Outcome:
        found, _ = site.elevation_of(touch)
        remark = sentence("remark-closing", known_bare_m=known, off_signed_m=found - known)
        book = sight(site, request, name, "closing", touch, remark)
        closure = close(book.line, found, known, body.k_m)
        marks = site.state.marks if body.mark else named_marks(site)
        if name not in marks:
            mark = Mark(elevation_m=known, known=True, time=site.ledger.time(request.t))
            marks = {**marks, name: mark}
        closed = Closed(
            misclosure_m=closure.misclosure_m,
            setups=closure.setups,
            allowable_m=closure.allowable_m,
            k_m=closure.k_m,
            line_from=book.line_from,
            rows=len(book.rows),
        )
        site.write(book, marks=marks, closed=closed)
        return done(
            request,
            _closed_text(name, found, known, closure) + _orders(body.distance_m),
            **_figures(closure, found),
        )

    return site.when_still(request, body.point, carry_on)


def distribute(site: Site, body: Nothing, request: Request) -> Outcome:
    """Correct the turning points and the reference in proportion to the set-ups."""
    state = site.state
    closed = state.closed
    if closed is None:
        raise CommandRefused(sentence("book-nothing"))
    if closed.distributed:
        raise CommandRefused(sentence("book-distributed-before"))
    closure = Closure(closed.misclosure_m, closed.setups, closed.allowable_m, closed.k_m)
    if not closure.within:
        raise CommandRefused(
            sentence("book-too-much", off_signed_m=closure.misclosure_m, allowed_fine_m=closure.allowable_m)
        )
    rows = list(state.book.rows)
    line = rows[closed.line_from : closed.rows]
    nth, nth_of = 0, dict[int, int]()
    for i, row in enumerate(line):
        nth = setups_of(line[: i + 1])
        # A backsight stands on a mark read from the set-up before.
        at = correction_at(closure, nth - 1 if row.backsight_m is not None else nth)
        rows[closed.line_from + i] = row.model_copy(update={"adjusted_m": row.elevation_m + at})
        nth_of[row.setup] = nth
    points = [_adjusted(p, closure, nth_of) if p.setup in nth_of else p for p in state.points]
    site.change(
        book=state.book.model_copy(update={"rows": tuple(rows)}),
        points=tuple(points),
        marks={name: _corrected(mark, closure) for name, mark in state.marks.items()},
        closed=closed.model_copy(update={"distributed": True}),
    )
    site.shift(correction_at(closure, nth))
    moved = sum(p.setup in nth_of for p in points)
    return done(
        request,
        sentence(
            "book-distributed",
            off_signed_m=closure.misclosure_m,
            count=closure.setups,
            added_signed_m=-closure.misclosure_m,
            points=_points(moved),
        ),
        misclosure_m=closure.misclosure_m,
        setups=closure.setups,
        points=moved,
    )


def _adjusted(point: AsDug, closure: Closure, nth_of: Mapping[int, int]) -> AsDug:
    at = correction_at(closure, nth_of[point.setup])
    return point.model_copy(update={"adjusted_m": point.elevation_m + at})


def _corrected(mark: Mark, closure: Closure) -> Mark:
    if mark.known or not 0 < mark.setup_in_line <= closure.setups:
        return mark
    elevation = mark.elevation_m + correction_at(closure, mark.setup_in_line)
    return mark.model_copy(update={"elevation_m": elevation})


def _points(count: int) -> str:
    return sentence("book-points-keep", count=count)


def new_book(site: Site, body: Destroying, request: Request) -> Outcome:
    """Begin an empty book; reference and marks are kept."""
    request.must_be_meant(body)
    lines = len(site.state.book.rows)
    marks = {n: mark.model_copy(update={"setup_in_line": 0}) for n, mark in site.state.marks.items()}
    site.change(book=LevelBook(), closed=None, marks=marks)
    return done(request, sentence("book-new", count=lines), dropped=lines)


def _closed_text(name: str, found: float, known: float, closure: Closure) -> str:
    return sentence(
        "book-closed-within" if closure.within else "book-closed-beyond",
        mark=name,
        found_m=found,
        known_m=known,
        off_signed_m=closure.misclosure_m,
        count=closure.setups,
        allowed_fine_m=closure.allowable_m,
        k_tenths_m=closure.k_m,
    )


def _orders(distance_m: float | None) -> str:
    """What surveying orders would allow over that distance, for comparison."""
    if distance_m is None:
        return ""
    allowed = ", ".join(
        f"{name} {mm * math.sqrt(distance_m / 1000.0):.0f} mm" for name, mm in ORDERS_MM_PER_ROOT_KM.items()
    )
    return sentence("book-orders", over_whole_m=distance_m, orders=allowed)


def _figures(closure: Closure, found: float) -> dict[str, object]:
    return {
        "found_m": found,
        "misclosure_m": closure.misclosure_m,
        "allowable_m": closure.allowable_m,
        "setups": closure.setups,
        "within": closure.within,
    }


class ExportBook(CommandBody):
    """The book as text."""

    form: Literal["csv", "table"] = Field(default="table", description="CSV, or a table to read")


def export_book(site: Site, body: ExportBook, request: Request) -> Outcome:
    """Give the book out."""
    rows = site.state.book.rows
    text = to_csv(rows) if body.form == "csv" else to_table(rows)
    return done(request, sentence("book-lines", count=len(rows)), text=text)


COMMANDS = {
    "book/export": Spec(ExportBook, export_book, "Give the level book out, as a table or CSV."),
    "book/close": Spec(
        CloseBook, close_book, "The tip stands on a benchmark: say how the line of levels closes."
    ),
    "book/distribute": Spec(Nothing, distribute, "Spread an allowable misclosure over the set-ups."),
    "book/new": Spec(Destroying, new_book, "Begin an empty level book."),
}
