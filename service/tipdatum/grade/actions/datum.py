"""The reference: set it by a touch, confirm it, correct it, clear it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from tipdatum.errors import CommandRefused
from tipdatum.grade.book import Row
from tipdatum.grade.marks import noted_otherwise
from tipdatum.grade.outcome import Body, Elevation, Name, Nothing, Order, Outcome, Spec, done
from tipdatum.grade.setup import leave_line, set_up_on_mark
from tipdatum.grade.stillness import TipPoint, Touch
from tipdatum.grade.units import signed_mm

if TYPE_CHECKING:
    from tipdatum.grade.work import Work


class SetDatum(Body):
    """The tip (or a corner of the bucket) stands on a mark of known or assumed elevation."""

    elevation_m: Elevation = Field(description="elevation of the mark; 0 where it is assumed")
    point: TipPoint = Field(default="tip", description="what stands on the mark: tip, left or right corner")
    mark: Name | None = Field(default=None, description="name of the mark, to come back to it")
    in_line: bool | None = Field(
        default=None, description="the boom points along the line, so that the mark carries the station"
    )


class Confirm(Body):
    """The machine has not moved: the reference still holds."""


class Correct(Body):
    """A correction found by other means."""

    add_m: Annotated[float, Field(ge=-5, le=5)] = Field(description="added to every elevation from now on")
    remark: str = Field(default="", max_length=120, description="where it comes from, for the level book")


def set_datum(work: Work, body: SetDatum, order: Order) -> Outcome | None:
    """Average the still moment and hang the height system on the machine."""

    def carry_on(touch: Touch) -> Outcome:
        name = body.mark or work.unnamed_mark()
        noted = noted_otherwise(work.state.marks, name, body.elevation_m)
        change = set_up_on_mark(work, order, touch, name, "benchmark", body.elevation_m, 0.0, body.in_line)
        mark = work.state.marks[name]
        work.state.marks[name] = mark.model_copy(update={"known": True, "setup_in_line": 0})
        which = {"tip": "", "left": " with the left corner", "right": " with the right corner"}[touch.point]
        return done(
            order,
            f"Reference set on {name} at {body.elevation_m:.3f} m{which}, averaged over "
            f"{touch.lasted_s:.1f} s, spread {touch.spread_m * 1000:.0f} mm.{change.text}{noted}",
            elevation_m=body.elevation_m,
            mark=name,
            spread_m=touch.spread_m,
            lasted_s=touch.lasted_s,
            moved_m=change.moved_m,
        )

    return work.when_still(order, body.point, carry_on)


def confirm_datum(work: Work, body: Confirm, order: Order) -> Outcome:
    """Take the doubt away on the operator's word."""
    if work.tie is None:
        raise CommandRefused("There is no reference to confirm: set one with datum/set.")
    doubts = work.state.doubts
    if not doubts:
        return done(order, "The reference was not in doubt.")
    text = f"Reference confirmed although {'; '.join(doubts)}."
    work.settle_doubts()
    work.answered("reference")
    return done(order, text)


def correct_datum(work: Work, body: Correct, order: Order) -> Outcome:
    """Shift the height system by a correction found elsewhere."""
    if work.tie is None:
        raise CommandRefused("There is no reference to correct: set one with datum/set.")
    work.tie.shift(body.add_m)
    line = leave_line(work)
    if work.state.travelled:
        # Where the old mark stands from here is not known any more.
        work.tie.record = work.tie.record.model_copy(update={"how": "other"})
    record = work.state.reference
    assert record is not None
    book = work.state.book
    book.rows.append(
        Row(
            setup=book.setup,
            point="correction",
            kind="correction",
            instrument_m=record.instrument_m,
            elevation_m=record.instrument_m,
            remark=f"{signed_mm(body.add_m)} mm {body.remark}".strip(),
            t=order.t,
            time=work.time(order.t),
        )
    )
    work.tell_row(book.rows[-1])
    doubt = " It counts as reliable again." if work.state.doubts else ""
    work.settle_doubts()
    work.answered("reference")
    return done(
        order,
        f"{signed_mm(body.add_m)} mm added to every elevation from now on; the height of instrument is "
        f"{record.instrument_m:.3f} m.{doubt}{' ' + line if line else ''}",
        add_m=body.add_m,
        instrument_m=record.instrument_m,
    )


def clear_datum(work: Work, body: Nothing, order: Order) -> Outcome:
    """Forget the reference."""
    if work.tie is None:
        return done(order, "There was no reference.")
    work.unhang()
    work.tell(order.t, "datum-cleared", "The reference was cleared.")
    return done(order, "Reference cleared. Marks, level book and target are kept.")


COMMANDS = {
    "datum/set": Spec(SetDatum, set_datum, "The tip stands on a mark of this elevation: set the reference."),
    "datum/confirm": Spec(Confirm, confirm_datum, "The machine has not moved: the reference still holds."),
    "datum/correct": Spec(
        Correct, correct_datum, "Add a correction found by other means to every elevation."
    ),
    "datum/clear": Spec(Nothing, clear_datum, "Forget the reference."),
}
