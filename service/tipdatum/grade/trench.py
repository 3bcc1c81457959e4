"""The trench and its surroundings: ground beside it, depth, soil, whose figures apply, overhead lines."""

from __future__ import annotations

import math
from typing import Annotated, Any

from pydantic import Field

from tipdatum.grade.cautions import (
    CALL_FIRST,
    PROTECT,
    Caution,
    Jurisdiction,
    Soil,
    depth_cautions,
    line_caution,
    slope_caution,
)
from tipdatum.grade.forms import CommandBody, Elevation, Outcome, Request, done
from tipdatum.grade.morning import offer_check
from tipdatum.grade.recent import Touch
from tipdatum.grade.report import TipReport
from tipdatum.grade.site import Site, Spec
from tipdatum.sentences import recognised, sentence

DEEPER_M = 0.01
"""Depth grows in steps of at least this much, m, before cautions are looked up again."""


class SetGround(CommandBody):
    """The tip stands on the ground beside the trench, or its elevation is given."""

    elevation_m: Elevation | None = Field(
        default=None, description="elevation of the ground; left out: touched now"
    )


class NewTrench(CommandBody):
    """Begin another trench: cautions are shown anew, the ground is not known."""

    name: str = Field(default="", max_length=40, description="what it is called")
    soil: Soil | None = Field(default=None, description="soil as a competent person classified it")


class SetJurisdiction(CommandBody):
    """Whose figures cautions may quote. There is no default."""

    jurisdiction: Jurisdiction | None = Field(description='"us", or null for none')


class OverheadLine(CommandBody):
    """An overhead line nearby."""

    kilovolts: Annotated[float, Field(gt=0, le=2000)] = Field(description="its voltage, from its owner")


def change_trench(site: Site, **fields: Any) -> None:
    """Replace fields of what is known of the trench."""
    site.change(trench=site.state.trench.model_copy(update=fields))


def show_cautions(site: Site, t: float, cautions: list[Caution]) -> None:
    """Show those that were not yet shown for this trench today."""
    fresh = site.state.trench.news(cautions, site.ledger.time(t))
    if not fresh:
        return
    change_trench(site, shown=(*site.state.trench.shown, *fresh))
    for shown in fresh:
        source = sentence("source", source=shown.source) if shown.source else ""
        site.ledger.tell(t, "caution", recognised(shown.text) + source)


def show_target_cautions(site: Site, t: float) -> None:
    """What a person who enters a target should be told."""
    trench, target = site.state.trench, site.state.target
    if target is None:
        return
    depth = trench.deepest_m
    if target.kind in ("level", "grade"):
        at_target = trench.depth(target.elevation_m)
        depth = at_target if depth is None else max(depth, at_target or depth)
    if depth is None and trench.ground_m is not None:
        # The depth shows as it is dug.
        show_cautions(site, t, [CALL_FIRST, PROTECT])
        return
    show_cautions(site, t, [CALL_FIRST, *depth_cautions(depth, trench.jurisdiction)])


class TrenchWatch:
    """Follows the trench from tick to tick: its depth, and the day that its cautions belong to."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._dawn_t = -math.inf
        """When the wall clock's next day begins, s of session time."""

    def follow(self, report: TipReport) -> None:
        """Take one tick's figures."""
        site = self._site
        if report.t >= self._dawn_t or not site.state.trench.day:
            self._look_at_the_day(report.t)
        trench = site.state.trench
        if report.datum != "set" or report.elevation_m is None or trench.ground_m is None:
            return
        lowest = min(v for v in (report.elevation_m, report.left_m, report.right_m) if v is not None)
        depth = trench.ground_m - lowest
        if depth > (trench.deepest_m or 0.0) + DEEPER_M:
            site.ledger.change(notice="none", trench=trench.model_copy(update={"deepest_m": depth}))
            fresh = [c for c in depth_cautions(depth, trench.jurisdiction) if c is not PROTECT or depth > 0.5]
            show_cautions(site, report.t, fresh)

    def _look_at_the_day(self, t: float) -> None:
        site = self._site
        day, self._dawn_t = site.ledger.day(t)
        before = site.state.trench.day
        if not day or day == before:
            return
        site.ledger.change(
            notice="none", trench=site.state.trench.model_copy(update={"day": day, "shown": ()})
        )
        if before:
            show_target_cautions(site, t)
            offer_check(site)


def set_ground(site: Site, body: SetGround, request: Request) -> Outcome | None:
    """Know the ground, so that the depth of the trench is known."""

    def take(elevation: float) -> Outcome:
        shown = tuple(s for s in site.state.trench.shown if s.name != "depth unknown")
        change_trench(site, ground_m=elevation, deepest_m=None, shown=shown)
        show_target_cautions(site, request.t)
        return done(request, sentence("ground-at", elevation_m=elevation), elevation_m=elevation)

    if body.elevation_m is not None:
        return take(body.elevation_m)
    site.need_reference(sentence("ground-needs-touch"))

    def carry_on(touch: Touch) -> Outcome:
        return take(site.elevation_of(touch)[0])

    return site.when_still(request, "tip", carry_on)


def new_trench(site: Site, body: NewTrench, request: Request) -> Outcome:
    """Begin another trench."""
    change_trench(site, name=body.name, soil=body.soil, ground_m=None, deepest_m=None, shown=())
    show_cautions(site, request.t, slope_caution(body.soil, site.state.trench.jurisdiction))
    show_target_cautions(site, request.t)
    told = sentence("new-trench-named", name=body.name) if body.name else sentence("new-trench")
    return done(request, told)


def set_jurisdiction(site: Site, body: SetJurisdiction, request: Request) -> Outcome:
    """Choose whose figures cautions may quote."""
    change_trench(site, jurisdiction=body.jurisdiction, shown=())
    show_target_cautions(site, request.t)
    whose = "none" if body.jurisdiction is None else body.jurisdiction.upper()
    return done(request, sentence("rules-quoted", whose=whose))


def overhead_line(site: Site, body: OverheadLine, request: Request) -> Outcome:
    """Say what is known of the clearance to an overhead line."""
    caution = line_caution(body.kilovolts, site.state.trench.jurisdiction)
    show_cautions(site, request.t, [caution])
    return done(request, caution.text, source=caution.source)


COMMANDS = {
    "ground/set": Spec(
        SetGround, set_ground, "The tip stands on the ground beside the trench: know its depth."
    ),
    "trench/new": Spec(NewTrench, new_trench, "Begin another trench; cautions are shown anew."),
    "trench/jurisdiction": Spec(
        SetJurisdiction, set_jurisdiction, "Choose whose figures cautions may quote."
    ),
    "trench/overhead-line": Spec(OverheadLine, overhead_line, "Show the caution about an overhead line."),
}
