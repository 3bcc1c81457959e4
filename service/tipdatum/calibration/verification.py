"""Proof in use: the tip put at heights that are known, and what the described machine says about them.

The reference is touched once, as on site; every other height is compared after it. The acceptance set
has at least twenty such points over the envelope, with the same arm postures at headings half a turn
apart among them; a daily check has one or two. Nothing is solved here and nothing corrected.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict
from scipy.stats import t as student

from tipdatum.calibration.envelope import Postures, beside
from tipdatum.calibration.observations import Observation, ObservationBook
from tipdatum.calibration.recordings import RecordedEvidence
from tipdatum.calibration.rest_posture import Posture, whole_posture
from tipdatum.calibration.sensitivity import TipSensitivity, figure_names
from tipdatum.kinematics.frames import Array
from tipdatum.machine.description import Machine

ENOUGH_POINTS = 20
"""Points over the envelope that an acceptance wants (common practice, no source)."""

SAME_POSTURE = math.radians(1.0)
"""Joint angles within which two postures count as the same arm at two headings."""

EXPLAINS = 0.6
"""Share of the squared errors that one sensor's turn must explain to be named."""


@dataclass(frozen=True, slots=True)
class Point:
    """One compared height: error of the described machine, and 1-sigma of the comparison itself, m.

    `of` is what was touched: tip, left or right.
    """

    id: str
    elevation_m: float
    reach_m: float
    error_m: float
    reading_sigma_m: float
    posture: Posture
    of: str = "tip"


@dataclass(frozen=True, slots=True)
class Verification:
    """All compared heights of one set; the reference itself is not among `points`."""

    reference: str
    reference_posture: Posture
    points: tuple[Point, ...]
    without: tuple[tuple[str, str], ...] = ()
    """Ids of heights that the described machine gives no figure for, and why."""
    reference_of: str = "tip"

    @property
    def errors(self) -> Array:
        """(n,) m."""
        return np.array([p.error_m for p in self.points])

    @property
    def rms_m(self) -> float:
        """Root mean square error."""
        return float(math.sqrt(np.mean(self.errors**2)))

    @property
    def half_width_95_m(self) -> float:
        """Half-width that 95 % of errors keep: RMS times Student's t for the number of points."""
        return float(student.ppf(0.975, len(self.points))) * self.rms_m

    def reversal_pairs(self) -> list[tuple[str, str, float]]:
        """Points with the same arm on an upper that leans the other way: ids, and difference of errors, m."""
        found = []
        for i, a in enumerate(self.points):
            for b in self.points[:i]:
                joints_a, joints_b = (_joint_angles(p.posture) for p in (a, b))
                leans = np.array([a.posture.q[:2], b.posture.q[:2]])
                apart = float(np.linalg.norm(leans[0] - leans[1]))
                if float(np.abs(joints_a - joints_b).max()) < SAME_POSTURE and apart > SAME_POSTURE / 2:
                    found.append((b.id, a.id, a.error_m - b.error_m))
        return found


def verify(machine: Machine, observations: Sequence[Observation], evidence: RecordedEvidence) -> Verification:
    """Compare tip heights.

    Args:
        observations: of the tip's height, of a bucket that tilts also of its corners', and of swing and tilt
            in the same rests; the height whose id ends in "reference" is it, otherwise the first.

    Raises:
        ValueError: there are fewer than two, or the reference or every point has no figure (names it).
    """
    figures = figure_names(machine)
    heights = [o for o in observations if o.kind == "height" and o.of in figures and o.value is not None]
    if len(heights) < 2:
        raise ValueError("at least two heights of the tip are needed: a reference and a point")
    reference = next((o for o in heights if o.id.endswith("reference")), heights[0])

    def seen(o: Observation) -> tuple[Posture, float, float]:
        """Posture, reach and height of the point that was touched, m."""
        assert o.place is not None
        noted = [other for other in observations if other.place == o.place]
        try:
            posture = whole_posture(machine, evidence.windows[o.place], noted)
        except ValueError as error:
            raise ValueError(f"{o.id}: {error}") from None
        return posture, *_place_of(machine, posture, o.of)

    at_reference, _, height = seen(reference)
    offset = (reference.value or 0.0) - height
    points: list[Point] = []
    without: list[tuple[str, str]] = []
    for o in heights:
        if o is reference:
            continue
        try:
            posture, reach, height = seen(o)
        except ValueError as reason:
            without.append((o.id, str(reason).removeprefix(f"{o.id}: ")))
            continue
        error = height + offset - (o.value or 0.0)
        sigma = math.hypot(o.sigma or 0.0, reference.sigma or 0.0)
        points.append(Point(o.id, height + offset, reach, error, sigma, posture, o.of))
    if not points:
        raise ValueError(f"{without[0][0]}: {without[0][1]}")
    return Verification(reference.id, at_reference, tuple(points), tuple(without), reference.of)


def _place_of(machine: Machine, posture: Posture, point: str) -> tuple[float, float]:
    """Reach and height over the slew centre, m, of the tip or a corner."""
    chain, q = machine.chain(), beside(machine, posture.q[None], posture.swing, posture.tilt)
    ends = {"left": 0, "right": 1}
    reach, _, height = chain.corners(q)[0, ends[point]] if point in ends else chain.tip(q)[0]
    return float(reach), float(height)


def _joint_angles(posture: Posture) -> Array:
    return np.array([*np.diff(np.delete(posture.q, 1)), posture.swing, posture.tilt])


class CheckPoint(BaseModel):
    """A compared height as it stands in a history."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    id: str
    error_m: float
    q_rad: tuple[float, ...]
    rocker_rad: float | None = None
    swing_rad: float = 0.0
    tilt_rad: float = 0.0
    of: Literal["tip", "left", "right"] = "tip"


class Check(BaseModel):
    """One line of a history of daily checks."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    time: str
    tolerance_m: float
    passed: bool
    reference: CheckPoint
    points: list[CheckPoint]


def check_of(found: Verification, time: str, tolerance_m: float) -> Check:
    """A verification as a line of the history; it passes if every height keeps the tolerance."""
    return Check(
        time=time,
        tolerance_m=tolerance_m,
        passed=not found.without and bool(np.all(np.abs(found.errors) <= tolerance_m)),
        reference=_checked(found.reference, 0.0, found.reference_posture, found.reference_of),
        points=[_checked(p.id, p.error_m, p.posture, p.of) for p in found.points],
    )


def _checked(name: str, error: float, posture: Posture, of: str) -> CheckPoint:
    return CheckPoint.model_validate(
        {
            "id": name,
            "error_m": error,
            "q_rad": tuple(map(float, posture.q)),
            "rocker_rad": None if math.isnan(posture.rocker) else posture.rocker,
            "swing_rad": posture.swing,
            "tilt_rad": posture.tilt,
            "of": of,
        }
    )


@dataclass(frozen=True, slots=True)
class TurnedSensor:
    """A sensor whose turn on its body would explain the errors: degrees, and share of their squares."""

    sensor: str
    turn_deg: float
    share: float


def suspects(machine: Machine, checks: Sequence[Check]) -> list[TurnedSensor]:
    """How well a turn of each single sensor explains the errors of some checks, best first."""
    sensitivity = TipSensitivity(machine)
    rows, errors = [], []
    for check in checks:
        base = _rows(sensitivity, [check.reference])[0]
        rows.append(_rows(sensitivity, check.points) - base)
        errors += [p.error_m for p in check.points]
    if not errors:
        return []
    A, e = np.concatenate(rows), np.array(errors)
    found = []
    for sensor in sensitivity.sensors:
        column = A[:, sensitivity.names.index(f"sensor.{sensor}.mount.pitch")]
        strength = float(column @ column)
        if strength < 1e-6:
            continue
        turn = float(column @ e) / strength
        left = float(np.sum((e - turn * column) ** 2))
        # A positive turn about y lowers the elevation angle in these frames; people read the angle's error.
        found.append(TurnedSensor(sensor, math.degrees(turn), 1.0 - left / max(float(e @ e), 1e-12)))
    return sorted(found, key=lambda s: -s.share)


def trend_mm_per_month(checks: Sequence[Check], days: Array) -> float:
    """Slope of the mean error over time by least squares, mm a month of 30 days; 0 with fewer than three."""
    if len(checks) < 3 or np.ptp(days) <= 0:
        return 0.0
    means = np.array([np.mean([p.error_m for p in c.points]) for c in checks])
    return float(np.polyfit(days, means, 1)[0]) * 30.0 * 1000.0


def _rows(sensitivity: TipSensitivity, points: Sequence[CheckPoint]) -> Array:
    """(n, names), derivatives of the heights that were touched."""
    q = np.array([p.q_rad for p in points], dtype=float)
    swing, tilt = np.array([p.swing_rad for p in points]), np.array([p.tilt_rad for p in points])
    rocker = np.array([math.nan if p.rocker_rad is None else p.rocker_rad for p in points])
    nothing = np.zeros(len(points))
    there = Postures(nothing, nothing, beside(sensitivity.machine, q, swing, tilt), rocker)
    figures = [sensitivity.figures.index(p.of) for p in points]
    found: Array = sensitivity.jacobians(there)[np.arange(len(points)), figures]
    return found


def of_method(book: ObservationBook, method: str) -> list[Observation]:
    """Observations of a method that are in use."""
    return [o for o in book.observation if o.method == method and o.use]


def accepted(half_width_m: float, classes: Mapping[str, tuple[float, str]]) -> list[tuple[str, float, bool]]:
    """What the trade accepts: words, ± m, and whether the 95 % half-width keeps it."""
    return [(words, value, half_width_m <= value) for value, words in classes.values()]


def as_json(found: Verification) -> dict[str, Any]:
    """Figures for other programs."""
    return {
        "reference": found.reference,
        "rms_m": found.rms_m,
        "half_width_95_m": found.half_width_95_m,
        "points": [{"id": p.id, "error_m": p.error_m} for p in found.points],
        "without": [{"id": name, "reason": reason} for name, reason in found.without],
    }
