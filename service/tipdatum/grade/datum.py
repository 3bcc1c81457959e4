"""The reference: set it up by a touch or by laser crossings, confirm it, correct it, clear it.

Setting up hangs the height system on the machine and writes a line into the level book. Whatever
re-establishes the reference also decides whether the station along the line is still known: it is where the
machine has not changed its place, or where a mark of known station was touched with the boom in line.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from tipdatum.errors import CommandRefused
from tipdatum.grade.forms import CommandBody, Elevation, Name, Nothing, Outcome, Request, done
from tipdatum.grade.levels import BookRow, Kind, LevelBook, Sight
from tipdatum.grade.reference import touch_noise
from tipdatum.grade.site import Site, Spec
from tipdatum.grade.state import Mark, Reference, Spotted, noted_otherwise
from tipdatum.grade.surfaces import Ditch, line_through
from tipdatum.grade.touch import TipPoint, Touch
from tipdatum.grade.units import signed_mm
from tipdatum.sentences import sentence

UNNAMED = re.compile(r"mark \d+")
"""How a mark is called that nobody named."""

IN_LINE_RAD = math.radians(3.0)
"""With a slew sensor the boom counts as in line within this of the line: 0.1 % of the reach."""


@dataclass(frozen=True, slots=True)
class SetUp:
    """What setting up changed: height of instrument by `moved_m` (None where it cannot compare), the line."""

    moved_m: float | None
    line: str

    @property
    def text(self) -> str:
        """For the answer to the operator."""
        if self.moved_m is None:
            return self.line
        if signed_mm(self.moved_m) == "0":
            return sentence("instrument-as-before") + self.line
        return sentence("instrument-changed", by_signed_m=self.moved_m) + self.line


def sight(site: Site, request: Request, name: str, kind: Kind, touch: Touch, remark: str = "") -> LevelBook:
    """The level book with the touch of a mark in it."""
    seen = Sight(-touch.height_m, site.touch_sigma(touch), remark, request.t, site.ledger.time(request.t))
    return site.state.book.with_foresight(name, kind, site.instrument_m(), seen)


def unnamed_mark(site: Site) -> str:
    """A name for a mark that nobody named; the same for all touches of one set-up."""
    return f"mark {site.state.book.setup + 1}"


def named_marks(site: Site) -> dict[str, Mark]:
    """Marks that somebody named; the others are forgotten when the next one comes, though not by the book."""
    return {name: mark for name, mark in site.state.marks.items() if not UNNAMED.fullmatch(name)}


def boom_in_line(site: Site, said: bool | None) -> bool:
    """Whether the boom lies along the line: as the slew sensor sees it, otherwise as the operator says."""
    line, pose = site.state.line, site.known_pose()
    if said is not None:
        return said
    if line is None or line.lost or line.azimuth_rad is None or not pose.slew_known:
        return False
    return abs(pose.slew_rad - line.azimuth_rad) <= IN_LINE_RAD


def spot(site: Site, touch: Touch) -> Spotted:
    """Where the touch lies from here."""
    return Spotted(
        place=site.state.place, reach_m=touch.reach_m, lateral_m=touch.lateral_m, slew_rad=touch.slew_rad
    )


def set_up_on_mark(
    site: Site,
    request: Request,
    touch: Touch,
    name: str,
    kind: Kind,
    elevation_m: float,
    known_sigma_m: float,
    in_line: bool | None,
    mark_common_m: float = 0.0,
) -> SetUp:
    """The tip stands on a mark of that elevation: hang the height system on the machine anew.

    Raises:
        CommandRefused: the arm's position is not known.
    """
    pose = site.known_pose()
    mark = site.state.marks.get(name)
    line = _keep_line(site, mark, touch, in_line)
    record = Reference(
        instrument_m=elevation_m - touch.height_m,
        how="mark",
        mark=name,
        point=touch.point,
        known_m=elevation_m,
        known_sigma_m=known_sigma_m,
        touch_height_m=touch.height_m,
        touch_noise_m=touch_noise(touch, site.options.touch_random_m),
        touch_common_m=mark_common_m - site.options.touch_alike_m,
        touch_sigma_m=site.height_sigma(),
        reach_m=touch.reach_m,
        lateral_m=touch.lateral_m,
        slew_rad=touch.slew_rad,
        posture=tuple(pose.angles),
        bucket=site.mounted.bucket,
        t=request.t,
        time=site.ledger.time(request.t),
        by=request.by,
    )
    made = _write(site, request, record, name, kind, site.touch_sigma(touch), line)
    known = mark.known if mark else kind == "benchmark"
    seen = Mark(
        elevation_m=elevation_m,
        known=known,
        sigma_m=known_sigma_m,
        touch_common_m=mark_common_m,
        station_m=_station(site, touch, mark, in_line),
        spotted=spot(site, touch),
        setup_in_line=site.state.marks[name].setup_in_line if mark else 0,
        time=site.ledger.time(request.t),
    )
    site.change(marks={**site.state.marks, name: seen})
    site.take_reference(record, request.t, anchored=True)
    return made


def set_up_on_plane(
    site: Site,
    request: Request,
    instrument_m: float,
    plane_m: float,
    height_m: float,
    sigma_m: float,
    count: int,
) -> SetUp:
    """Laser crossings gave the height of instrument.

    Raises:
        CommandRefused: the arm's position is not known.
    """
    record = Reference(
        instrument_m=instrument_m,
        how="laser",
        mark="laser plane",
        known_m=plane_m,
        touch_height_m=height_m,
        touch_sigma_m=sigma_m,
        touch_common_m=0.0,
        posture=(),
        bucket=site.mounted.bucket,
        t=request.t,
        time=site.ledger.time(request.t),
        by=request.by,
    )
    # A plane carries height alone: if the machine has travelled, where along the line is not known.
    site.known_pose()
    line = leave_line(site)
    made = _write(
        site, request, record, "laser plane", "laser", sigma_m, line, sentence("remark-mean", count=count)
    )
    site.take_reference(record, request.t, anchored=False)
    return made


def _write(
    site: Site,
    request: Request,
    record: Reference,
    point: str,
    kind: Kind,
    sigma_m: float,
    line: str,
    remark: str = "",
) -> SetUp:
    state = site.state
    before = state.reference
    same_place = before is not None and not state.travelled and not line
    moved = record.instrument_m - before.instrument_m if before and same_place else None
    if moved is not None:
        remark = (remark + "; " if remark else "") + sentence("remark-instrument", by_signed_m=moved)
    seen = Sight(-record.touch_height_m, sigma_m, remark, request.t, site.ledger.time(request.t))
    marks = state.marks
    if kind in ("benchmark", "laser"):
        # A new line of levels begins: turning points of the last one are no part of it.
        marks = {name: mark.model_copy(update={"setup_in_line": 0}) for name, mark in marks.items()}
    site.write(state.book.with_backsight(point, kind, record.known_m, seen), closed=None, marks=marks)
    return SetUp(moved, line)


def _station(site: Site, touch: Touch, mark: Mark | None, in_line: bool | None) -> float | None:
    line = site.state.line
    if line is None or line.lost:
        return mark.station_m if mark else None
    if not boom_in_line(site, in_line):
        return mark.station_m if mark else None
    return line.place(touch.reach_m, touch.lateral_m, touch.slew_rad)[0]


def _keep_line(site: Site, mark: Mark | None, touch: Touch, in_line: bool | None) -> str:
    """Keep, carry over or lose the line; a sentence where it was carried over or lost."""
    state, pose = site.state, site.known_pose()
    here = mark.spotted if mark and mark.spotted and mark.spotted.place == state.place else None
    if here is None and mark is None and state.reference is not None and state.reference.how == "mark":
        r = state.reference
        here = Spotted(place=state.place, reach_m=r.reach_m, lateral_m=r.lateral_m, slew_rad=r.slew_rad)
    if not state.travelled and (
        state.reference is None or (here and here.same_place(touch, pose.slew_known))
    ):
        return ""
    site.change(place=state.place + 1)
    if state.line is None:
        return ""
    # Of a line across the boom a mark keeps the station, but not how far from the line it lies.
    if mark is not None and mark.station_m is not None and in_line and not state.line.across:
        azimuth = touch.slew_rad if pose.slew_known else None
        place = (touch.reach_m, touch.lateral_m, touch.slew_rad)
        middle = isinstance(state.target, Ditch)
        site.change(line=line_through(*place, azimuth, mark.station_m, middle=middle))
        return sentence("station-carried", station_coarse_m=mark.station_m)
    return _lose_line(site)


def leave_line(site: Site) -> str:
    """Height was carried over by other means than a mark: after travel the station is lost; says so."""
    if not site.state.travelled:
        return ""
    site.change(place=site.state.place + 1)
    return _lose_line(site)


def _lose_line(site: Site) -> str:
    line = site.state.line
    if line is None or line.lost:
        return ""
    lost = sentence("doubt-set-up-anew")
    site.change(line=line.model_copy(update={"lost": lost}))
    return sentence("station-lost")


class SetDatum(CommandBody):
    """The tip (or a corner of the bucket) stands on a mark of known or assumed elevation."""

    elevation_m: Elevation = Field(description="elevation of the mark; 0 where it is assumed")
    point: TipPoint = Field(default="tip", description="what stands on the mark: tip, left or right corner")
    mark: Name | None = Field(default=None, description="name of the mark, to come back to it")
    in_line: bool | None = Field(
        default=None, description="the boom points along the line, so that the mark carries the station"
    )


class Confirm(CommandBody):
    """The machine has not moved: the reference still holds."""


class Correct(CommandBody):
    """A correction found by other means."""

    add_m: Annotated[float, Field(ge=-5, le=5)] = Field(description="added to every elevation from now on")
    remark: str = Field(default="", max_length=120, description="where it comes from, for the level book")


def set_datum(site: Site, body: SetDatum, request: Request) -> Outcome | None:
    """Average the still moment and hang the height system on the machine."""

    def carry_on(touch: Touch) -> Outcome:
        name = body.mark or unnamed_mark(site)
        if body.mark is None:
            site.change(marks=named_marks(site))
        noted = noted_otherwise(site.state.marks, name, body.elevation_m)
        made = set_up_on_mark(site, request, touch, name, "benchmark", body.elevation_m, 0.0, body.in_line)
        mark = site.state.marks[name].model_copy(update={"known": True, "setup_in_line": 0})
        site.change(marks={**site.state.marks, name: mark})
        corner = {"left": sentence("with-left-corner"), "right": sentence("with-right-corner")}
        return done(
            request,
            sentence(
                "reference-set",
                mark=name,
                elevation_m=body.elevation_m,
                corner=corner.get(touch.point, ""),
                lasted_s=touch.lasted_s,
                spread_fine_m=touch.spread_m,
            )
            + made.text
            + noted,
            elevation_m=body.elevation_m,
            mark=name,
            spread_m=touch.spread_m,
            lasted_s=touch.lasted_s,
            moved_m=made.moved_m,
        )

    return site.when_still(request, body.point, carry_on)


def confirm_datum(site: Site, body: Confirm, request: Request) -> Outcome:
    """Take the doubt away on the operator's word."""
    if site.tie is None:
        raise CommandRefused(sentence("nothing-to-confirm"))
    doubts = site.state.doubts
    if not doubts:
        return done(request, sentence("not-in-doubt"))
    text = sentence("confirmed", doubts=doubts)
    site.settle_doubts()
    return done(request, text)


def correct_datum(site: Site, body: Correct, request: Request) -> Outcome:
    """Shift the height system by a correction found elsewhere."""
    if site.tie is None:
        raise CommandRefused(sentence("nothing-to-correct"))
    site.shift(body.add_m)
    line = leave_line(site)
    if site.state.travelled:
        # Where the old mark stands from here is not known any more.
        site.tie.record = site.tie.record.model_copy(update={"how": "other"})
        site.keep_reference()
    record = site.tie.record
    row = BookRow(
        setup=site.state.book.setup,
        point="correction",
        kind="correction",
        instrument_m=record.instrument_m,
        elevation_m=record.instrument_m,
        remark=f"{signed_mm(body.add_m)} mm {body.remark}".strip(),
        t=request.t,
        time=site.ledger.time(request.t),
    )
    site.write(site.state.book.with_row(row))
    doubt = sentence("reliable-again") if site.state.doubts else ""
    site.settle_doubts()
    return done(
        request,
        sentence("corrected", add_signed_m=body.add_m, instrument_m=record.instrument_m) + doubt + line,
        add_m=body.add_m,
        instrument_m=record.instrument_m,
    )


def clear_datum(site: Site, body: Nothing, request: Request) -> Outcome:
    """Forget the reference."""
    if site.tie is None:
        return done(request, sentence("was-no-reference"))
    site.drop_reference()
    site.ledger.tell(request.t, "datum-cleared", sentence("reference-was-cleared"))
    return done(request, sentence("reference-cleared"))


COMMANDS = {
    "datum/set": Spec(SetDatum, set_datum, "The tip stands on a mark of this elevation: set the reference."),
    "datum/confirm": Spec(Confirm, confirm_datum, "The machine has not moved: the reference still holds."),
    "datum/correct": Spec(
        Correct, correct_datum, "Add a correction found by other means to every elevation."
    ),
    "datum/clear": Spec(Nothing, clear_datum, "Forget the reference."),
}
