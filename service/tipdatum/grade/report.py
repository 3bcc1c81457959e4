"""What grade makes of a pose: tip, corners, elevation relative to the reference, deviation, sigma."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

from tipdatum.fusion.pose import Quality
from tipdatum.grade.against import Against
from tipdatum.grade.state import LimitKind
from tipdatum.kinematics.chain import Point
from tipdatum_drivers.reading import Value

DatumState: TypeAlias = Literal["none", "set", "doubtful"]

LimitState: TypeAlias = Literal["within", "near", "beyond", "unknown"]


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


class TipReport(Value, frozen=True):
    """One moment's figures; None where a figure is not known (the reasons say why).

    Attributes:
        t: s, the moment the figures are valid for.
        height_m: tip centre above the slew centre.
        elevation_m, left_m, right_m: in the height system of the reference.
        reach_m, lateral_m: along the boom plane from the slew axis, and left of it.
        sigma_m: 1-sigma of `elevation_m` relative to the reference, or of `height_m` without one.
        sigma_prediction_m: the part of it that comes from predicting to `t`.
        quality, reasons: worst that applies.
        datum: state of the reference.
        deviation_m: tip minus target; None without a target or with a reference in doubt.
        pins: boom foot … tip; None when not known.
        offset_m: elevation minus height; None without a reference.
        slew_rad, pitch_rad, roll_rad: of the pose; pitch of the upper positive nose up, roll right side down.
        against: figures against the target; None without a target, or where they are not known.
        limits: one entry a limit that was set.
    """

    t: float
    height_m: float | None
    elevation_m: float | None
    left_m: float | None
    right_m: float | None
    reach_m: float | None
    lateral_m: float | None
    sigma_m: float | None
    sigma_prediction_m: float | None
    quality: Quality
    reasons: tuple[str, ...]
    datum: DatumState
    deviation_m: float | None
    pins: tuple[Point, ...] | None
    offset_m: float | None
    slew_rad: float = 0.0
    pitch_rad: float = 0.0
    roll_rad: float = 0.0
    against: Against | None = None
    limits: tuple[LimitReport, ...] = ()

    @classmethod
    def unknown(
        cls,
        t: float,
        quality: Quality,
        reasons: tuple[str, ...],
        datum: DatumState,
        limits: tuple[LimitReport, ...] = (),
    ) -> TipReport:
        """A moment without figures."""
        return cls(
            t=t,
            height_m=None,
            elevation_m=None,
            left_m=None,
            right_m=None,
            reach_m=None,
            lateral_m=None,
            sigma_m=None,
            sigma_prediction_m=None,
            quality=quality,
            reasons=tuple(reasons),
            datum=datum,
            deviation_m=None,
            pins=None,
            offset_m=None,
            limits=limits,
        )
