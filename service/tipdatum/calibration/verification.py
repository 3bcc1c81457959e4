"""Proof in use: the tip put at heights that are known, and what the described machine says about them.

The reference is touched once, as on site; every other height is compared after it. The acceptance set
has at least twenty such points over the envelope, with the same arm postures at headings half a turn
apart among them; a daily check has one or two. Nothing is solved here and nothing corrected.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict
from scipy.stats import t as student

from tipdatum.calibration.envelope import Postures, beside
from tipdatum.calibration.observations import Observation, ObservationBook, SensorRest
from tipdatum.calibration.recordings import RecordedEvidence
from tipdatum.calibration.sensitivity import TipSensitivity
from tipdatum.kinematics.frames import Array, elevation_angle, roll_angle, rotation_from_rpy_deg
from tipdatum.machine.description import Machine

ENOUGH_POINTS = 20
"""Points over the envelope that an acceptance wants (common practice, no source)."""

SAME_POSTURE = math.radians(1.0)
"""Joint angles within which two postures count as the same arm at two headings."""

EXPLAINS = 0.6
"""Share of the squared errors that one sensor's turn must explain to be named."""


@dataclass(frozen=True, slots=True)
class Posture:
    """q (2 + n,) and rocker angle of one rest, rad, by the description; straight ahead and not tilted."""

    q: Array
    rocker: float


@dataclass(frozen=True, slots=True)
class Point:
    """One compared height: error of the described machine, and 1-sigma of the comparison itself, m."""

    id: str
    elevation_m: float
    reach_m: float
    error_m: float
    reading_sigma_m: float
    posture: Posture


@dataclass(frozen=True, slots=True)
class Verification:
    """All compared heights of one set; the reference itself is not among `points`."""

    reference: str
    reference_posture: Posture
    points: tuple[Point, ...]
    without: tuple[tuple[str, str], ...] = ()
    """Ids of heights that the described machine gives no figure for, and why."""

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
                joints_a, joints_b = (np.diff(np.delete(p.posture.q, 1)) for p in (a, b))
                leans = np.array([a.posture.q[:2], b.posture.q[:2]])
                apart = float(np.linalg.norm(leans[0] - leans[1]))
                if float(np.abs(joints_a - joints_b).max()) < SAME_POSTURE and apart > SAME_POSTURE / 2:
                    found.append((b.id, a.id, a.error_m - b.error_m))
        return found


def posture_of(machine: Machine, sensors: Mapping[str, SensorRest]) -> Posture:
    """Angles that the description makes of averaged readings.

    Raises:
        ValueError: a body has no reading, or the linkage cannot take the angle.
    """
    place = {body: 2 + i for i, body in enumerate(machine.sections)}
    q = np.full(2 + len(place), math.nan)
    rocker = math.nan
    for name, sensor in machine.sensor.items():
        rest = sensors.get(name)
        if rest is None or sensor.type not in ("imu", "tilt"):
            continue
        force = np.array(rest.accel_mps2) - np.array(sensor.accel_offset_mps2)
        if sensor.accel_scale is not None:
            force = np.array(sensor.accel_scale) @ force
        up = rotation_from_rpy_deg(sensor.mount_rpy_deg) @ force
        up /= np.linalg.norm(up)
        angle = float(elevation_angle(up))
        if sensor.body == "upper":
            q[0], q[1] = angle, float(roll_angle(up))
        elif sensor.body == "rocker":
            rocker = angle
        elif sensor.body in place:
            q[place[sensor.body]] = angle
    if math.isnan(q[-1]) and not math.isnan(rocker):
        solved = machine.four_bar().bucket_from_rocker(rocker - q[-2])
        if not solved.closes[0]:
            raise ValueError("the linkage cannot take the rocker's angle")
        q[-1] = q[-2] + float(solved.bucket[0])
    if np.isnan(q).any():
        missing = [b.replace("_", " ") for b, k in {"upper": 0, **place}.items() if math.isnan(q[k])]
        raise ValueError(f"no reading for {', '.join(missing)}")
    return Posture(q, rocker)


def verify(machine: Machine, observations: Sequence[Observation], evidence: RecordedEvidence) -> Verification:
    """Compare tip heights.

    Args:
        observations: of the tip's height; the one whose id ends in "reference" is it, otherwise the first.

    Raises:
        ValueError: there are fewer than two, or the reference or every point has no figure (names it).
    """
    heights = [o for o in observations if o.kind == "height" and o.of == "tip" and o.value is not None]
    if len(heights) < 2:
        raise ValueError("at least two heights of the tip are needed: a reference and a point")
    reference = next((o for o in heights if o.id.endswith("reference")), heights[0])
    chain = machine.straight_chain()

    def seen(o: Observation) -> Posture:
        assert o.place is not None
        try:
            return posture_of(machine, evidence.windows[o.place].sensors)
        except ValueError as error:
            raise ValueError(f"{o.id}: {error}") from None

    at_reference = seen(reference)
    offset = (reference.value or 0.0) - float(chain.tip(at_reference.q)[2])
    points: list[Point] = []
    without: list[tuple[str, str]] = []
    for o in heights:
        if o is reference:
            continue
        try:
            posture = seen(o)
        except ValueError as reason:
            without.append((o.id, str(reason).removeprefix(f"{o.id}: ")))
            continue
        reach, _, height = chain.tip(posture.q)
        error = float(height) + offset - (o.value or 0.0)
        sigma = math.hypot(o.sigma or 0.0, reference.sigma or 0.0)
        points.append(Point(o.id, float(height) + offset, float(reach), error, sigma, posture))
    if not points:
        raise ValueError(f"{without[0][0]}: {without[0][1]}")
    return Verification(reference.id, at_reference, tuple(points), tuple(without))


class CheckPoint(BaseModel):
    """A compared height as it stands in a history."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    id: str
    error_m: float
    q_rad: tuple[float, ...]
    rocker_rad: float | None = None


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
        reference=_checked(found.reference, 0.0, found.reference_posture),
        points=[_checked(p.id, p.error_m, p.posture) for p in found.points],
    )


def _checked(name: str, error: float, posture: Posture) -> CheckPoint:
    q = posture.q
    return CheckPoint(
        id=name,
        error_m=error,
        q_rad=tuple(map(float, q)),
        rocker_rad=None if math.isnan(posture.rocker) else posture.rocker,
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
        base = sensitivity.jacobian(_postures(machine, [check.reference]))[0]
        J = sensitivity.jacobian(_postures(machine, check.points))
        rows.append(J - base)
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


def _postures(machine: Machine, points: Sequence[CheckPoint]) -> Postures:
    q = np.array([p.q_rad for p in points], dtype=float)
    rocker = np.array([math.nan if p.rocker_rad is None else p.rocker_rad for p in points])
    nothing = np.zeros(len(points))
    return Postures(nothing, nothing, beside(machine, q), rocker)


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
