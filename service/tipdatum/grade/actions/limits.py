"""Limits of the work space: set them, clear them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from tipdatum.errors import CommandRefused
from tipdatum.grade.cautions import line_caution
from tipdatum.grade.limits import Limit, LimitKind
from tipdatum.grade.outcome import Body, Order, Outcome, Spec, done

if TYPE_CHECKING:
    from tipdatum.grade.work import Work

ADVICE = (
    " Advice only: not a safety device, no permission to work there, no powered digging inside a buried "
    "service's tolerance zone; neither people nor the counterweight's swing are seen."
)


class SetLimit(Body):
    """One limit; a second one of the same kind replaces it."""

    kind: LimitKind = Field(description="which side is limited")
    value_m: Annotated[float, Field(ge=-11000, le=9000)] | None = Field(
        default=None, description="elevation of a ceiling or floor, or a reach"
    )
    value_deg: Annotated[float, Field(ge=-360, le=360)] | None = Field(
        default=None, description="slew angle of a slew limit, positive left"
    )
    margin_m: Annotated[float, Field(ge=0, le=10)] = Field(
        default=0.3, description="body of the arm around its pins"
    )
    warn_m: Annotated[float, Field(ge=0, le=10)] = Field(
        default=0.5, description="near from this distance on"
    )
    warn_s: Annotated[float, Field(ge=0, le=30)] = Field(default=2.0, description="near from this time on")
    kilovolts: Annotated[float, Field(gt=0, le=2000)] | None = Field(
        default=None, description="for a ceiling under an overhead line: its voltage, for the caution"
    )
    note: str = Field(default="", max_length=80, description="what it is, such as gas pipe")


class ClearLimit(Body):
    """Take limits away."""

    kind: LimitKind | None = Field(default=None, description="which one; left out: all of them")


def set_limit(work: Work, body: SetLimit, order: Order) -> Outcome:
    """Watch a limit from now on."""
    slew = body.kind.startswith("slew")
    value, key = (body.value_deg, "value_deg") if slew else (body.value_m, "value_m")
    if value is None:
        raise CommandRefused(f'A limit of kind "{body.kind}" needs "{key}".')
    if "reach" in body.kind and value <= 0.0:
        raise CommandRefused(f"A {body.kind} is a distance from the slew axis, above 0 m; found {value:g} m.")
    if slew and not work.has_slew_sensor:
        raise CommandRefused("A slew limit needs a slew sensor; this machine has none.")
    limit = Limit(
        kind=body.kind, value=value, margin_m=body.margin_m, warn_m=body.warn_m, warn_s=body.warn_s,
        note=body.note
    )  # fmt: skip
    state = work.state
    state.limits = [one for one in state.limits if one.kind != body.kind] + [limit]
    if body.kilovolts is not None:
        work.show_cautions(order.t, [line_caution(body.kilovolts, state.trench.jurisdiction)])
    work.changed()
    unit = "°" if slew else " m"
    unknown = ""
    if not slew and "reach" not in body.kind:
        unknown = (
            " It becomes unknown when the reference turns doubtful."
            if work.datum == "set"
            else " Unknown as long as there is no reliable reference."
        )
    return done(
        order, f"Limit: {body.kind} at {value:g}{unit}.{unknown}{ADVICE}", kind=body.kind, value=value
    )


def clear_limit(work: Work, body: ClearLimit, order: Order) -> Outcome:
    """Stop watching a limit."""
    before = len(work.state.limits)
    work.state.limits = [one for one in work.state.limits if body.kind not in (None, one.kind)]
    gone = before - len(work.state.limits)
    if body.kind is not None and not gone:
        raise CommandRefused(f"There is no limit of kind {body.kind}.")
    work.changed()
    return done(order, f"{gone} limit{'' if gone == 1 else 's'} cleared.", cleared=gone)


COMMANDS = {
    "limit/set": Spec(SetLimit, set_limit, "Watch a ceiling, floor, reach or slew limit (advice only)."),
    "limit/clear": Spec(ClearLimit, clear_limit, "Stop watching a limit, or all of them."),
}
