"""From what grade reports to the messages of the bus: names, rounding, wall time. Pure."""

from __future__ import annotations

import math
from typing import Any

from tipdatum.bus.messages import Arm, ArmPoint, LimitFigure, Limits, TargetPoint, Tip
from tipdatum.grade.report import Against, TipReport
from tipdatum.walltime import WallTime

PINS = ("boom foot", "boom-stick pin", "stick-bucket pin", "tip")

NO_TARGET: dict[str, Any] = dict.fromkeys((
    "judgement", "target_m", "station_m", "offset_m", "perpendicular_m", "left_deviation_m",
    "right_deviation_m", "heel_deviation_m", "governing", "governing_deviation_m", "floor_deg",
))  # fmt: skip
"""The fields of `target_figures` where there is no target."""

_SCALES = tuple(10.0**digits for digits in range(7))
_WHOLE = 2.0**53
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
            "reach_m": rounded(report.reach_m),
            "lateral_m": rounded(report.lateral_m),
            "sigma_m": rounded(report.sigma_m, 5),
            "quality": report.quality,
            "reasons": list(report.reasons),
            "datum": report.datum,
            "deviation_m": rounded(report.deviation_m),
            "sigma_prediction_m": rounded(report.sigma_prediction_m, 5),
            **(NO_TARGET if report.against is None else target_figures(report.against)),
        }
    )


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
        "floor_deg": rounded(against.floor_deg, 2),
    }


def arm_message(report: TipReport, wall: WallTime) -> Arm:
    """The `arm` message, for displays that draw; millimetres."""
    points = ahead = None
    if report.pins is not None:
        points = [
            ArmPoint.made_of({"name": name, "reach_m": rounded(reach, 3), "height_m": rounded(height, 3)})
            for name, (reach, _, height) in zip(PINS, report.pins, strict=True)
        ]
    if report.against is not None:
        ahead = [
            TargetPoint.made_of({"reach_m": rounded(reach, 3), "elevation_m": rounded(elevation)})
            for reach, elevation in report.against.ahead.points()
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
            "target_ahead": ahead,
        }
    )


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
                note=one.note,
            )
        )
    return Limits(t=round(report.t, 6), time=wall.rfc3339(report.t), limits=figures)


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
