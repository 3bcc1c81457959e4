"""The trench and its surroundings, and the cautions that belong to them.

People tell of the ground beside it, its soil, overhead lines and whose figures apply; its depth is followed.
Cautions say what a person in or beside a trench should be told, with where the figure comes from. They inform
and never block. Figures of one country are shown only where that country was chosen, and say whose they are;
local rules and a competent person decide. How sure the sources are is part of the record: some paragraphs
were read as quoted by others, not in the regulation's own text.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import Field

from tipdatum.grade.forms import CommandBody, Elevation, Jurisdiction, Outcome, Request, done
from tipdatum.grade.morning import offer_check
from tipdatum.grade.report import TipReport
from tipdatum.grade.site import Site, Spec
from tipdatum.grade.state import ShownCaution, Soil
from tipdatum.grade.touch import Touch
from tipdatum.sentences import recognised, sentence

DEEPER_M = 0.01
"""Depth grows in steps of at least this much, m, before cautions are looked up again."""

FOOT_M = 0.3048


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: a stable short name, a text to be read, its source, whose figures it uses ("" none)."""

    name: str
    text: str
    source: str = ""
    jurisdiction: str = ""


CALL_FIRST = Caution(
    "call before you dig",
    sentence("caution-call"),
    sentence("caution-call-source"),
)

UNKNOWN_DEPTH = Caution(
    "depth unknown",
    sentence("caution-depth"),
)

PROTECT = Caution(
    "trench walls",
    sentence("caution-walls"),
)

SWUNG = Caution("boom swung", sentence("caution-swung"))
SWUNG_RAD = math.radians(30.0)
"""Swing from which the arm works beside the tracks more than before them (common practice, no source)."""

EGRESS_M, PROTECTIVE_M, ENGINEER_M = 4 * FOOT_M, 5 * FOOT_M, 20 * FOOT_M

US_DEPTHS: tuple[tuple[float, Caution], ...] = (
    (
        EGRESS_M,
        Caution(
            "egress",
            sentence("caution-egress"),
            "29 CFR 1926.651(c)(2) and (g), as quoted by safety trainers",
            "us",
        ),
    ),
    (
        PROTECTIVE_M,
        Caution(
            "protective system",
            sentence("caution-protective"),
            "29 CFR 1926.652(a)(1) and 1926.651(j)(2), regulation text",
            "us",
        ),
    ),
    (
        ENGINEER_M,
        Caution(
            "engineered system",
            sentence("caution-engineered"),
            "29 CFR 1926 Subpart P App. B, as quoted by a contractors' association",
            "us",
        ),
    ),
)
"""Depth from which each applies, m."""

US_SLOPES: dict[str, tuple[float, int]] = {
    "stable rock": (0.0, 90),
    "A": (0.75, 53),
    "B": (1.0, 45),
    "C": (1.5, 34),
}
"""Soil → steepest slope, H over V, and the angle as printed (29 CFR 1926 Subpart P App. B, Table B-1, for
depths below 20 ft)."""

US_LINES: tuple[tuple[float, float], ...] = (
    (50, 10), (200, 15), (350, 20), (500, 25), (750, 35), (1000, 45),
)  # fmt: skip
"""Nominal kV up to and including → feet (29 CFR 1926.1408 Table A, cranes)."""


def depth_cautions(depth_m: float | None, jurisdiction: str | None) -> list[Caution]:
    """What belongs to a trench of that depth; None is an unknown depth."""
    if depth_m is None:
        return [UNKNOWN_DEPTH]
    if depth_m <= 0.0:
        return []
    chosen = [c for limit, c in US_DEPTHS if depth_m >= limit] if jurisdiction == "us" else []
    return [PROTECT, *chosen]


def slope_caution(soil: str | None, jurisdiction: str | None) -> list[Caution]:
    """How flat walls have to be laid back in a soil, where a country with figures was chosen."""
    if jurisdiction != "us":
        return []
    if soil is None:
        return [
            Caution(
                "slope",
                sentence("caution-slope-unclassified"),
                "29 CFR 1926.652(b)(1)(i), regulation text",
                "us",
            )
        ]
    run, angle = US_SLOPES[soil]
    if run == 0.0:
        told = sentence("caution-slope-rock")
    else:
        told = sentence("caution-slope-soil", soil=soil, run=run, angle=angle)
    return [
        Caution(
            "slope",
            told,
            "29 CFR 1926 Subpart P App. B, Table B-1, as quoted",
            "us",
        )
    ]


def line_clearance_m(kilovolts: float) -> float | None:
    """US clearance to an overhead line, m: the larger of two rules; None above 1000 kV.

    The table of 29 CFR 1926.1408 is for cranes, and excavators as such are outside its scope; 1926.600(a)(6)
    asks 10 ft and 0.4 in for each kV over 50. At 69 to 138 kV the crane table is the larger, and it is taken.
    """
    table = next((feet for upto, feet in US_LINES if kilovolts <= upto), None)
    if table is None:
        return None
    return max(table, 10.0 + max(0.0, kilovolts - 50.0) * 0.4 / 12.0) * FOOT_M


def line_caution(kilovolts: float, jurisdiction: str | None) -> Caution:
    """About an overhead line of that voltage."""
    plain = sentence("caution-line")
    if jurisdiction != "us":
        return Caution("overhead line", plain)
    clearance = line_clearance_m(kilovolts)
    if clearance is None:
        figure = sentence("caution-line-owner")
    else:
        feet = clearance / FOOT_M
        up = math.ceil(clearance * 100.0 - 1e-9) / 100.0
        figure = sentence("caution-line-figure", voltage_kv=kilovolts, feet=f"{feet:.1f}", up_coarse_m=up)
    return Caution(
        "overhead line",
        figure + plain,
        "larger of 29 CFR 1926.1408 Table A (cranes; excavators are outside its scope) and 1926.600(a)(6), "
        "the latter from memory and trade press",
        "us",
    )


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
    before = site.state.trench.shown
    known, time = {shown.name for shown in before}, site.ledger.time(t)
    fresh = [
        ShownCaution(name=c.name, text=c.text, source=c.source, time=time)
        for c in cautions
        if c.name not in known
    ]
    if not fresh:
        return
    change_trench(site, shown=(*before, *fresh))
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
        if site.chain.swing is not None:
            self._look_at_the_swing(report)
        trench = site.state.trench
        if report.datum != "set" or report.elevation_m is None or trench.ground_m is None:
            return
        lowest = min(v for v in (report.elevation_m, report.left_m, report.right_m) if v is not None)
        depth = trench.ground_m - lowest
        if depth > (trench.deepest_m or 0.0) + DEEPER_M:
            site.ledger.change(notice="none", trench=trench.model_copy(update={"deepest_m": depth}))
            fresh = [c for c in depth_cautions(depth, trench.jurisdiction) if c is not PROTECT or depth > 0.5]
            show_cautions(site, report.t, fresh)

    def _look_at_the_swing(self, report: TipReport) -> None:
        swing = None if report.edge is None else report.edge.swing_rad
        if swing is not None and abs(swing) > SWUNG_RAD:
            show_cautions(self._site, report.t, [SWUNG])

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
