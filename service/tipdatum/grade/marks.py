"""Marks: points on the ground that carry the height system; note, keep, check, come back to one, forget."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from typing import Annotated

from pydantic import Field

from tipdatum.errors import CommandRefused
from tipdatum.grade.datum import boom_in_line, set_up_on_mark, sight, spot
from tipdatum.grade.forms import CommandBody, Elevation, Name, Outcome, Request, done
from tipdatum.grade.ledger import without
from tipdatum.grade.levels import Kind, setups_of
from tipdatum.grade.site import Site, Spec
from tipdatum.grade.state import Checked, Mark, noted_otherwise
from tipdatum.grade.touch import TipPoint, Touch
from tipdatum.sentences import sentence


def find_mark(marks: Mapping[str, Mark], name: str) -> Mark:
    """The mark of that name.

    Raises:
        CommandRefused: there is none; names what was probably meant.
    """
    if name in marks:
        return marks[name]
    plain = {known.lower(): known for known in marks}
    near = difflib.get_close_matches(name.lower(), plain, n=1, cutoff=0.5)
    if near:
        raise CommandRefused(sentence("no-mark-did-you-mean", mark=name, near=plain[near[0]]))
    if marks:
        raise CommandRefused(sentence("no-mark-known-are", mark=name, names=", ".join(sorted(marks))))
    raise CommandRefused(sentence("no-mark-none", mark=name))


class AddMark(CommandBody):
    """A benchmark from a list or a drawing; nothing is touched."""

    name: Name = Field(description="name of the benchmark")
    elevation_m: Elevation = Field(description="its elevation")
    station_m: Annotated[float, Field(ge=-1e5, le=1e5)] | None = Field(
        default=None, description="its station along the line, where known"
    )


class TouchMark(CommandBody):
    """The tip (or a corner of the bucket) stands on the mark."""

    name: Name = Field(description="name of the mark")
    point: TipPoint = Field(default="tip", description="what stands on the mark: tip, left or right corner")
    in_line: bool | None = Field(
        default=None, description="the boom points along the line, so that the mark carries the station"
    )


class ReturnToMark(TouchMark):
    """The tip stands on a kept mark again, to carry the reference over."""

    if_doubtful: bool = Field(
        default=False,
        description="refuse while the reference is not in doubt, so that whoever sends it can ask first",
    )


class CheckMark(TouchMark):
    """The tip stands on a mark that is known."""

    within_m: Annotated[float, Field(gt=0, le=1)] | None = Field(
        default=None, description="how far off still passes; left out: two sigma"
    )


class NamedMark(CommandBody):
    """A mark by name."""

    name: Name = Field(description="name of the mark")


def add_mark(site: Site, body: AddMark, request: Request) -> Outcome:
    """Note a benchmark."""
    noted = noted_otherwise(site.state.marks, body.name, body.elevation_m)
    mark = Mark(
        elevation_m=body.elevation_m,
        known=True,
        station_m=body.station_m,
        time=site.ledger.time(request.t),
    )
    site.change(marks={**site.state.marks, body.name: mark})
    reference = site.state.reference
    stays = sentence("mark-stays") if reference and reference.mark == body.name else ""
    told = sentence("mark-noted", mark=body.name, elevation_m=body.elevation_m)
    return done(request, told + noted + (stays if noted else ""))


def keep_mark(site: Site, body: TouchMark, request: Request) -> Outcome | None:
    """Measure the mark under the tip, to carry the reference over a move."""
    site.need_reference(sentence("mark-would-carry-error"))
    known = site.state.marks.get(body.name)
    if known is not None and known.known:
        raise CommandRefused(sentence("mark-is-benchmark", mark=body.name, elevation_m=known.elevation_m))

    def carry_on(touch: Touch) -> Outcome:
        elevation, sigma = site.elevation_of(touch)
        station = None
        line = site.state.line
        if line is not None and not line.lost and boom_in_line(site, body.in_line):
            station = line.place(touch.reach_m, touch.lateral_m, touch.slew_rad)[0]
        book = sight(site, request, body.name, "turning point", touch)
        mark = Mark(
            elevation_m=elevation,
            known=False,
            sigma_m=sigma,
            touch_common_m=site.touched_common_m(),
            station_m=station,
            spotted=spot(site, touch),
            setup_in_line=setups_of(book.line),
            time=site.ledger.time(request.t),
        )
        site.write(book, marks={**site.state.marks, body.name: mark})
        where = "" if station is None else sentence("at-that-station", station_coarse_m=station)
        return done(
            request,
            sentence(
                "mark-kept",
                mark=body.name,
                elevation_m=elevation,
                sigma_fine_m=sigma,
                where=where,
                spread_fine_m=touch.spread_m,
            ),
            elevation_m=elevation,
            sigma_m=sigma,
            station_m=station,
        )

    return site.when_still(request, body.point, carry_on)


def return_to_mark(site: Site, body: ReturnToMark, request: Request) -> Outcome | None:
    """The tip stands on a kept mark again: re-establish the reference."""
    mark = find_mark(site.state.marks, body.name)
    if body.if_doubtful and site.datum == "set":
        raise CommandRefused(sentence("would-replace", mark=body.name))

    def carry_on(touch: Touch) -> Outcome:
        kind: Kind = "benchmark" if mark.known else "turning point"
        made = set_up_on_mark(
            site,
            request,
            touch,
            body.name,
            kind,
            mark.elevation_m,
            mark.sigma_m,
            body.in_line,
            mark.touch_common_m,
        )
        return done(
            request,
            sentence(
                "carried-over",
                mark=body.name,
                elevation_m=mark.elevation_m,
                lasted_s=touch.lasted_s,
                spread_fine_m=touch.spread_m,
            )
            + made.text,
            elevation_m=mark.elevation_m,
            moved_m=made.moved_m,
        )

    return site.when_still(request, body.point, carry_on)


def check_mark(site: Site, body: CheckMark, request: Request) -> Outcome | None:
    """Compare a mark's elevation as it is now with what is known; changes nothing."""
    mark = find_mark(site.state.marks, body.name)
    if site.tie is None:
        raise CommandRefused(sentence("nothing-to-check"))

    def carry_on(touch: Touch) -> Outcome:
        elevation, sigma = site.elevation_of(touch)
        sigma = math.hypot(sigma, site.touched_common_m() - mark.touch_common_m)
        off = elevation - mark.elevation_m
        book = sight(site, request, body.name, "check", touch, sentence("remark-off", off_signed_m=off))
        allowed = 2.0 * sigma if body.within_m is None else body.within_m
        passed = abs(off) <= allowed
        checked = Checked(
            mark=body.name,
            off_m=off,
            sigma_m=sigma,
            passed=passed,
            time=site.ledger.time(request.t),
            by=request.by,
        )
        site.write(book, checked=checked)
        site.answered("check")
        text = sentence(
            "check-passed" if passed else "check-not-passed",
            mark=body.name,
            elevation_m=elevation,
            known_m=mark.elevation_m,
            off_signed_m=off,
            limit=sentence("two-sigma") if body.within_m is None else "",
            allowed_fine_m=allowed,
        )
        if not passed:
            site.ledger.tell(request.t, "check-failed", text)
        return done(
            request,
            text + _what_now(site, body.name, passed),
            elevation_m=elevation,
            off_m=off,
            sigma_m=sigma,
            allowed_m=allowed,
            passed=passed,
        )

    return site.when_still(request, body.point, carry_on)


def _what_now(site: Site, name: str, passed: bool) -> str:
    """What a check suggests."""
    if site.state.doubts:
        return sentence("check-in-doubt", mark=name)
    if passed:
        return ""
    return sentence("check-touch-again", mark=name)


def forget_mark(site: Site, body: NamedMark, request: Request) -> Outcome:
    """Forget a mark; the level book keeps its lines."""
    find_mark(site.state.marks, body.name)
    site.change(marks=without(site.state.marks, body.name))
    return done(request, sentence("mark-forgotten", mark=body.name))


COMMANDS = {
    "mark/add": Spec(AddMark, add_mark, "Note a benchmark and its elevation from a list."),
    "mark/keep": Spec(
        TouchMark, keep_mark, "The tip stands on a firm point: keep its elevation over a move."
    ),
    "mark/return": Spec(
        ReturnToMark, return_to_mark, "The tip stands on a kept mark: carry the reference over."
    ),
    "mark/check": Spec(CheckMark, check_mark, "Check a known mark, pass or fail; changes nothing."),
    "mark/forget": Spec(NamedMark, forget_mark, "Forget a mark."),
}
