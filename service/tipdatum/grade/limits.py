"""Limits of the work space: ceiling, floor, near and far reach, slew sector.

The whole arm is watched, every pin with a margin for the body around it, and the bucket's corners and
outline. What is left is published with sigma and the way the arm still runs taken off. It is advice: not a
safety device, no permission to work there, no detection of people, of a line that sags or of the
counterweight's swing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from pydantic import Field

from tipdatum.grade.document import Document
from tipdatum.kinematics.frames import Array

LimitKind: TypeAlias = Literal["ceiling", "floor", "near reach", "far reach", "slew left", "slew right"]
LimitState: TypeAlias = Literal["within", "near", "beyond", "unknown"]

STOP_S = 0.3
"""Time an arm runs on after the lever is let go, s: common practice for a hydraulic valve, no source."""

SIGMAS = 2.0
"""Standard deviations taken off a distance."""


class Limit(Document):
    """One limit.

    `value` is an elevation (ceiling, floor) or a reach in m, or a slew angle in degrees, positive left.
    """

    kind: LimitKind
    value: float
    margin_m: float = Field(default=0.3, ge=0, le=10, description="body around a pin, m")
    warn_m: float = Field(default=0.5, ge=0, le=10, description="near from this distance on")
    warn_s: float = Field(default=2.0, ge=0, le=30, description="near from this time on")
    note: str = ""


@dataclass(frozen=True, slots=True)
class LimitReport:
    """How far a limit is: m (degrees for slew), smallest over all points, margin, sigma and run-on taken off.

    `time_s` until it is reached at the present speed; None while moving away or standing.
    """

    kind: LimitKind
    state: LimitState
    point: str | None
    distance: float | None
    time_s: float | None
    reason: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Body:
    """Everything that a limit looks at.

    Attributes:
        names: of the points.
        points: (k, 3) m: reach, lateral, height above the slew centre.
        velocities: (k, 3) m/s.
        margin: whether the body's margin counts for the point: (k,) 1 for a pin, 0 for a bucket's corner.
        sigma_m: 1-sigma of heights.
        slew_rad, slew_rate: of the boom plane; slew_rad None without a slew sensor.
    """

    names: Sequence[str]
    points: Array
    velocities: Array
    margin: Array
    sigma_m: float
    slew_rad: float | None
    slew_rate: float


def watch(limit: Limit, body: Body, offset_m: float | None, datum: str) -> LimitReport:
    """`limit` against `body`.

    Args:
        offset_m: elevation less height, m; None without a reference.
        datum: state of the reference: a limit in elevation is unknown while it is doubtful.
    """
    if limit.kind in ("slew left", "slew right"):
        return _watch_slew(limit, body)
    if limit.kind in ("ceiling", "floor"):
        if offset_m is None or datum != "set":
            why = "no reference" if offset_m is None else "reference doubtful"
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


def _watch_slew(limit: Limit, body: Body) -> LimitReport:
    if body.slew_rad is None:
        return LimitReport(limit.kind, "unknown", None, None, None, "no slew sensor", limit.note)
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
