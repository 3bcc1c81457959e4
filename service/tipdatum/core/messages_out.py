"""From what grade, fusion and drivers tell to the messages of the bus: names, rounding, wall time, means."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any, Final, TypeAlias

from tipdatum.bus.messages import (
    Arm,
    ArmPoint,
    Change,
    Changes,
    EdgeCorner,
    Happening,
    LimitFigure,
    Limits,
    Message,
    Raw,
    RawAngle,
    Reply,
    State,
    TargetAcross,
    TargetPoint,
    Tip,
)
from tipdatum.fusion.estimator import Event
from tipdatum.fusion.sensors import up_from_tilt
from tipdatum.grade.edge import Edge
from tipdatum.grade.forms import Outcome
from tipdatum.grade.ledger import Told
from tipdatum.grade.report import Against, TipReport
from tipdatum.kinematics.frames import STANDARD_GRAVITY_MPS2
from tipdatum.sentences import said, said_each, sentence
from tipdatum.walltime import WallTime
from tipdatum_drivers.reading import Imu, Slew, Tilt, Value


class Outgoing(Value, frozen=True):
    """A message to publish: its name in `bus.topics.DELIVERY`, a part of the topic, the model.

    `t_emit` is the newest `t` among the readings that went into it.
    """

    name: str
    message: Message
    part: str = ""
    t_emit: float | None = None


Emit: TypeAlias = Callable[[Outgoing], None]

PINS = {
    4: ("boom foot", "boom-stick pin", "stick-bucket pin", "tip"),
    5: ("boom foot", "boom-second boom pin", "second boom-stick pin", "stick-bucket pin", "tip"),
}
"""Number of points → what they are called."""

CHANGES_KEPT: Final = 20
"""Of the last commands that were carried out."""
STEEPEST: Final = 100.0
"""A fall beyond this is that of an edge that stands upright, and no figure."""

NO_TARGET: dict[str, Any] = dict.fromkeys((
    "judgement", "target_m", "station_m", "offset_m", "perpendicular_m", "left_deviation_m",
    "right_deviation_m", "heel_deviation_m", "governing", "governing_deviation_m", "governing_sigma_m",
    "governing_judgement", "floor_deg",
))  # fmt: skip
"""The fields of `target_figures` where there is no target."""

_SCALES = tuple(10.0**digits for digits in range(7))
_WHOLE: Final = 2.0**53
"""Up to here every whole number is a float; beyond, as for what is no number, `round` decides."""


def tip_message(report: TipReport, wall: WallTime) -> Tip:
    """The `tip` message; lengths to 0.1 mm, which is finer than any sigma."""
    return Tip.made_of(
        {
            "t": rounded(report.t, 6),
            "time": wall.rfc3339(report.t),
            "elevation_m": rounded(report.elevation_m),
            "left_m": rounded(report.left_m),
            "right_m": rounded(report.right_m),
            "left_sigma_m": rounded(report.left_sigma_m, 5),
            "right_sigma_m": rounded(report.right_sigma_m, 5),
            "reach_m": rounded(report.reach_m),
            "lateral_m": rounded(report.lateral_m),
            "sigma_m": rounded(report.sigma_m, 5),
            "quality": report.quality,
            "reasons": list(report.reasons),
            "reasons_said": _reasons_said(report.reasons),
            "datum": report.datum,
            "deviation_m": rounded(report.deviation_m),
            "sigma_prediction_m": rounded(report.sigma_prediction_m, 5),
            "cutting": report.cutting,
            **(NO_TARGET if report.against is None else target_figures(report.against)),
        }
    )


@lru_cache(maxsize=64)
def _reasons_said(reasons: tuple[str, ...]) -> list[list[dict[str, Any]]]:
    """Kept, because the same few reasons are given at every tick; nobody writes into what a message holds."""
    return said_each(reasons)


def target_figures(against: Against) -> dict[str, Any]:
    """The figures against the target as fields of the tip message."""
    return {
        "judgement": against.band,
        "target_m": rounded(against.target_m),
        "station_m": rounded(against.station_m),
        "offset_m": rounded(against.offset_m),
        "perpendicular_m": rounded(against.perpendicular_m),
        "left_deviation_m": rounded(against.left_m),
        "right_deviation_m": rounded(against.right_m),
        "heel_deviation_m": rounded(against.heel_m),
        "governing": against.governing,
        "governing_deviation_m": rounded(against.governing_m),
        "governing_sigma_m": rounded(against.governing_sigma_m, 5),
        "governing_judgement": against.governing_band,
        "floor_deg": rounded(against.floor_deg, 2),
    }


def arm_message(report: TipReport, wall: WallTime) -> Arm:
    """The `arm` message, for displays that draw; millimetres."""
    points = ahead = across = None
    if report.pins is not None:
        points = [
            ArmPoint.made_of({"name": name, "reach_m": rounded(reach, 3), "height_m": rounded(height, 3)})
            for name, (reach, _, height) in zip(PINS[len(report.pins)], report.pins, strict=True)
        ]
    if report.against is not None:
        ahead = [
            TargetPoint.made_of({"reach_m": rounded(reach, 3), "elevation_m": rounded(elevation)})
            for reach, elevation in report.against.ahead.points()
        ]
        across = [
            TargetAcross.made_of({"lateral_m": rounded(lateral, 3), "elevation_m": rounded(elevation)})
            for lateral, elevation in report.against.ahead.across()
        ]
    return Arm.made_of(
        {
            "t": rounded(report.t, 6),
            "time": wall.rfc3339(report.t),
            "quality": report.quality,
            "points": points,
            "height_to_elevation_m": rounded(report.offset_m),
            "pitch_deg": None if report.pins is None else rounded(math.degrees(report.pitch_rad), 2),
            "roll_deg": None if report.pins is None else rounded(math.degrees(report.roll_rad), 2),
            "slew_deg": None if report.pins is None else rounded(math.degrees(report.slew_rad), 2),
            **_edge_figures(report.edge),
            "target_ahead": ahead,
            "target_face": None if report.against is None else report.against.face,
            "target_across": across,
        }
    )


def _edge_figures(edge: Edge | None) -> dict[str, Any]:
    """What the arm message tells of swing, tilt and cutting edge."""
    if edge is None:
        return dict.fromkeys(EDGE)
    corners = [
        EdgeCorner.made_of(
            {
                "name": name,
                "reach_m": rounded(reach, 3),
                "lateral_m": rounded(lateral, 3),
                "height_m": rounded(height),
            }
        )
        for name, (reach, lateral, height) in zip(("left", "right"), edge.corners, strict=True)
    ]
    return {
        "swing_deg": _degrees(edge.swing_rad),
        "tilt_deg": _degrees(edge.tilt_rad),
        "bucket_deg": _degrees(edge.angles[edge.chain.bucket]),
        "corners": corners,
        "edge_fall_percent": _percent(edge.fall),
        "edge_fall_sigma_percent": _percent(edge.fall_sigma()),
        "target_fall_percent": _percent(edge.target_fall),
        "tilt_to_set_deg": _degrees(edge.tilt_to_set_rad()),
    }


EDGE = (
    "swing_deg", "tilt_deg", "bucket_deg", "corners", "edge_fall_percent", "edge_fall_sigma_percent",
    "target_fall_percent", "tilt_to_set_deg",
)  # fmt: skip


def _degrees(angle: float | None) -> float | None:
    return None if angle is None else rounded(math.degrees(angle), 2)


def _percent(fall: float | None) -> float | None:
    return None if fall is None or abs(fall) > STEEPEST else rounded(100.0 * fall, 2)


def limits_message(report: TipReport, wall: WallTime) -> Limits:
    """The `limits` message."""
    figures = []
    for one in report.limits:
        distance, in_degrees = rounded(one.distance, 3), one.kind.startswith("slew")
        figures.append(
            LimitFigure(
                kind=one.kind,
                state=one.state,
                point=one.point,
                distance_m=None if in_degrees else distance,
                distance_deg=distance if in_degrees else None,
                time_s=rounded(one.time_s, 2),
                reason=one.reason,
                said=said(one.reason),
                note=one.note,
            )
        )
    return Limits(t=round(report.t, 6), time=wall.rfc3339(report.t), limits=figures)


def event_message(event: Event, wall: WallTime) -> Happening:
    """The `event` message; the bus numbers it."""
    return Happening(
        t=round(event.t, 6),
        time=wall.rfc3339(event.t),
        kind=event.kind,
        text=event.text,
        said=said(event.text),
        sensor=event.sensor or None,
        data=event.data if isinstance(event, Told) else None,
    )


def state_message(view: dict[str, Any], not_saved: str | None, t: float, wall: WallTime) -> State:
    """The `state` message from what is set; `not_saved` says why it is not on the disk, None: it is."""
    if not_saved is not None:
        told = sentence("not-saved", why=not_saved)
        view = {
            **view,
            "reasons": [*view["reasons"], told],
            "reasons_said": [*view["reasons_said"], said(told)],
        }
    return State(t=round(t, 6), time=wall.rfc3339(t), **view)


def reply_message(outcome: Outcome, t: float, wall: WallTime) -> Reply:
    """The `reply` message to a command."""
    return Reply(
        t=round(t, 6),
        time=wall.rfc3339(t),
        command=outcome.command,
        ok=outcome.ok,
        text=outcome.text,
        said=said(outcome.text),
        request_id=outcome.token,
        result=outcome.result or None,
    )


def rounded(value: float | None, digits: int = 4) -> float | None:
    """`value` to so many decimals; None stays None.

    A whole number over a power of ten is the same figure as `round` with digits gives (but for halves that no
    binary fraction meets), in a third of the time: that one goes by way of a text.
    """
    if value is None:
        return None
    scale = _SCALES[digits]
    scaled = value * scale
    return round(scaled) / scale if -_WHOLE < scaled < _WHOLE else round(float(value), digits)


BLOCK_S: Final = 0.5
"""Over about so long raw readings are averaged, for a calibration over the live bus, s."""


class RawMeans:
    """Means of every sensor of motion over about half a second, in its own axes, nothing taken off.

    An inclinometer's angles count as the specific force that they stand for. Readings are only kept until
    their block is full: every one of a live run passes here.
    """

    def __init__(self) -> None:
        self._kept: dict[str, list[Imu] | list[Slew]] = {}

    def add(self, reading: Imu | Tilt | Slew) -> Outgoing | None:
        """Take a reading; the block before it if that is full."""
        if isinstance(reading, Tilt):
            x, y, z = up_from_tilt(reading)
            g = STANDARD_GRAVITY_MPS2
            reading = Imu(reading.t, reading.sensor, (g * x, g * y, g * z))
        block: list[Any] | None = self._kept.get(reading.sensor)
        if block is not None and 0.0 <= reading.t - block[0].t < BLOCK_S and type(block[0]) is type(reading):
            block.append(reading)
            return None
        self._kept[reading.sensor] = [reading]  # type: ignore[assignment]
        if block is None:
            return None
        if isinstance(block[0], Slew):
            return Outgoing("angle", _angle(block), part=reading.sensor)
        return Outgoing("raw", _raw(block), part=reading.sensor)


def _raw(block: list[Imu]) -> Raw:
    n = len(block)
    found = [_mean_and_spread(column) for column in zip(*[r.accel_mps2 for r in block], strict=True)]
    rates = [reading.gyro_radps for reading in block if reading.gyro_radps is not None]
    return Raw(
        sensor=block[0].sensor,
        t0=round(block[0].t, 6),
        t1=round(block[-1].t, 6),
        n=n,
        accel_mps2=[round(mean, 6) for mean, _ in found],
        spread_mps2=[round(spread, 6) for _, spread in found],
        gyro_radps=[round(sum(w) / n, 7) for w in zip(*rates, strict=True)] if len(rates) == n else None,
    )


def _angle(block: list[Slew]) -> RawAngle:
    first = block[0].angle_deg
    # About the first reading, so that an encoder that passes from 180 to -180 has a mean.
    mean, spread = _mean_and_spread([first + math.remainder(r.angle_deg - first, 360.0) for r in block])
    return RawAngle(
        sensor=block[0].sensor,
        t0=round(block[0].t, 6),
        t1=round(block[-1].t, 6),
        n=len(block),
        angle_deg=round(mean, 4),
        spread_deg=round(spread, 4),
    )


def _mean_and_spread(column: Sequence[float]) -> tuple[float, float]:
    """About the first reading, so that squares of small differences keep their digits."""
    n, first = len(column), column[0]
    away = [v - first for v in column]
    mean = sum(away) / n
    return first + mean, math.sqrt(max(0.0, sum([v * v for v in away]) / n - mean * mean))


class ChangeLog:
    """Who changed what of late: the last commands that were carried out, oldest first."""

    def __init__(self) -> None:
        self._changes: list[Change] = []

    def add(self, reply: Reply, by: str) -> None:
        """Note the answer to a command that was carried out."""
        self._changes.append(
            Change(time=reply.time, t=reply.t, command=reply.command, by=by, text=reply.text, said=reply.said)
        )
        del self._changes[:-CHANGES_KEPT]

    def message(self) -> Changes:
        """The `changes` message."""
        return Changes(changes=list(self._changes))
