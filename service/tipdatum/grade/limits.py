"""Limits of the work space: ceiling, floor, near and far reach, slew sector; set, clear, watch them.

The whole arm is watched, every pin with a margin for the body around it, and the bucket's corners and
outline. What is left is published with sigma and the way the arm still runs taken off. It is advice: not a
safety device, no permission to work there, no detection of people, of a line that sags or of the
counterweight's swing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import numpy as np
from pydantic import Field

from tipdatum.errors import CommandRefused
from tipdatum.grade.forms import CommandBody, Outcome, Request, done
from tipdatum.grade.report import LimitReport, LimitState
from tipdatum.grade.site import Site, Spec
from tipdatum.grade.state import Limit, LimitKind
from tipdatum.grade.trench import line_caution, show_cautions
from tipdatum.kinematics.frames import Array
from tipdatum.sentences import sentence

STOP_S = 0.3
"""Time an arm runs on after the lever is let go, s: common practice for a hydraulic valve, no source."""

SIGMAS = 2.0
"""Standard deviations taken off a distance."""


@dataclass(frozen=True, slots=True)
class WatchedPoints:
    """Everything that a limit looks at.

    Attributes:
        names: of the points.
        points: (k, 3) m: reach, lateral, height above the slew centre.
        velocities: (k, 3) m/s.
        margin: whether the body's margin counts for the point: (k,) 1 for a pin, 0 for a bucket's corner.
        sigma_m: (k,) m, 1-sigma of their heights.
        slew_rad, slew_rate: of the boom plane; slew_rad None without a slew sensor.
    """

    names: Sequence[str]
    points: Array
    velocities: Array
    margin: Array
    sigma_m: Array
    slew_rad: float | None
    slew_rate: float


def watch(limit: Limit, body: WatchedPoints, offset_m: float | None, datum: str) -> LimitReport:
    """`limit` against `body`.

    Args:
        offset_m: elevation less height, m; None without a reference.
        datum: state of the reference: a limit in elevation is unknown while it is doubtful.
    """
    if limit.kind in ("slew left", "slew right"):
        return _watch_slew(limit, body)
    if limit.kind in ("ceiling", "floor"):
        if offset_m is None or datum != "set":
            why = sentence("why-no-reference" if offset_m is None else "why-reference-doubtful")
            return LimitReport(limit.kind, "unknown", None, None, None, why, limit.note)
        sign = 1.0 if limit.kind == "ceiling" else -1.0
        room = sign * (limit.value - offset_m - body.points[:, 2])
        speed = sign * body.velocities[:, 2]
    else:
        sign = 1.0 if limit.kind == "far reach" else -1.0
        room = sign * (limit.value - body.points[:, 0])
        speed = sign * body.velocities[:, 0]
    room = room - limit.margin_m * body.margin - SIGMAS * body.sigma_m
    nearest = int(np.argmin(room - np.maximum(speed, 0.0) * STOP_S))
    return _judge(limit, body.names[nearest], float(room[nearest]), float(speed[nearest]), limit.warn_m)


def _watch_slew(limit: Limit, body: WatchedPoints) -> LimitReport:
    if body.slew_rad is None:
        return LimitReport(limit.kind, "unknown", None, None, None, sentence("why-no-slew"), limit.note)
    sign = 1.0 if limit.kind == "slew left" else -1.0
    room = sign * (limit.value - math.degrees(body.slew_rad))
    speed = sign * math.degrees(body.slew_rate)
    reach = max(1.0, float(np.max(np.hypot(body.points[:, 0], body.points[:, 1]))))
    return _judge(limit, "boom", room, speed, math.degrees(limit.warn_m / reach))


def _judge(limit: Limit, point: str, room: float, speed: float, warn: float) -> LimitReport:
    closing = max(speed, 0.0)
    left = room - closing * STOP_S
    time = room / closing if closing > 1e-3 and room > 0.0 else None
    state: LimitState = "within"
    if left <= 0.0:
        state = "beyond"
    elif left <= warn or (time is not None and time <= limit.warn_s):
        state = "near"
    return LimitReport(limit.kind, state, point, left, time, "", limit.note)


ADVICE = sentence("limit-advice")


class SetLimit(CommandBody):
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


class ClearLimit(CommandBody):
    """Take limits away."""

    kind: LimitKind | None = Field(default=None, description="which one; left out: all of them")


def set_limit(site: Site, body: SetLimit, request: Request) -> Outcome:
    """Watch a limit from now on."""
    slew = body.kind.startswith("slew")
    value, key = (body.value_deg, "value_deg") if slew else (body.value_m, "value_m")
    if value is None:
        raise CommandRefused(sentence("limit-needs-value", kind=body.kind, key=key))
    if "reach" in body.kind and value <= 0.0:
        raise CommandRefused(sentence("reach-above-zero", kind=body.kind, value_coarse_m=value))
    if slew and not site.mounted.has_slew_sensor:
        raise CommandRefused(sentence("limit-needs-slew"))
    limit = Limit(
        kind=body.kind, value=value, margin_m=body.margin_m, warn_m=body.warn_m, warn_s=body.warn_s,
        note=body.note
    )  # fmt: skip
    others = (one for one in site.state.limits if one.kind != body.kind)
    site.change(limits=(*others, limit))
    if body.kilovolts is not None:
        show_cautions(site, request.t, [line_caution(body.kilovolts, site.state.trench.jurisdiction)])
    if slew:
        told = sentence("limit-set-slew", kind=body.kind, value_whole_deg=value)
    else:
        told = sentence("limit-set", kind=body.kind, value_m=value)
    unknown = ""
    if not slew and "reach" not in body.kind:
        unknown = sentence("limit-until-doubt" if site.datum == "set" else "limit-unknown-now")
    return done(request, told + unknown + ADVICE, kind=body.kind, value=value)


def clear_limit(site: Site, body: ClearLimit, request: Request) -> Outcome:
    """Stop watching a limit."""
    left = tuple(one for one in site.state.limits if body.kind not in (None, one.kind))
    gone = len(site.state.limits) - len(left)
    if body.kind is not None and not gone:
        raise CommandRefused(sentence("no-such-limit", kind=body.kind))
    site.change(limits=left)
    return done(request, sentence("limits-cleared", count=gone), cleared=gone)


COMMANDS = {
    "limit/set": Spec(SetLimit, set_limit, "Watch a ceiling, floor, reach or slew limit (advice only)."),
    "limit/clear": Spec(ClearLimit, clear_limit, "Stop watching a limit, or all of them."),
}
